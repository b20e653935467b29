//! Bodies on the screen: meshes that the graphics adapter skins, moved by joints.

use std::collections::HashMap;
use std::sync::Arc;

use bevy::asset::RenderAssetUsages;
use bevy::camera::visibility::{NoFrustumCulling, RenderLayers};
use bevy::ecs::system::SystemParam;
use bevy::image::{ImageAddressMode, ImageSampler, ImageSamplerDescriptor};
use bevy::light::NotShadowCaster;
use bevy::mesh::skinning::{SkinnedMesh, SkinnedMeshInverseBindposes};
use bevy::mesh::{Indices, PrimitiveTopology, VertexAttributeValues};
use bevy::prelude::*;
use bevy::render::render_resource::{Extent3d, TextureDimension, TextureFormat};
use understudy_motion::{Look, Opacity, WorldPose, Wrap};

use super::Bench;
use super::cameras::layer;
use crate::state::model::SkinModel;
use crate::state::pixels::Pixels;
use crate::state::session::Session;
use crate::state::stage::{Figure, Motion, Who};
use crate::state::view::{Arrangement, Show};

/// Adds the bodies.
pub fn plugin(app: &mut App) {
    app.init_resource::<Drawn>()
        .add_systems(Startup, make_looks)
        .add_systems(Update, (build, dress, pose).chain());
}

/// Which copy of a body: 0 is the body itself, others are where it was and will be.
const ONION_FRAMES: [f64; 4] = [-0.3, -0.15, 0.15, 0.3];

/// Materials of a mesh; those without a picture are shared by all bodies.
#[derive(Clone, Resource)]
struct Looks {
    solid: Handle<StandardMaterial>,
    glass: Handle<StandardMaterial>,
    ghost: Handle<StandardMaterial>,
}

impl Looks {
    fn add(materials: &mut Assets<StandardMaterial>, base: &StandardMaterial) -> Self {
        let clear = |alpha: f32| StandardMaterial {
            base_color: Color::srgba(1.0, 1.0, 1.0, alpha),
            alpha_mode: AlphaMode::Blend,
            ..base.clone()
        };
        Self {
            glass: materials.add(clear(0.3)),
            ghost: materials.add(clear(0.16)),
            solid: materials.add(base.clone()),
        }
    }
}

/// A body, or a ghost of it, that is on the screen.
struct Copy {
    who: Who,
    /// Seconds from the moment that is shown; 0 for the body itself.
    offset_secs: f64,
    figure: Arc<Figure>,
    joints: Vec<Entity>,
    skin: Vec<Entity>,
    /// The materials of each mesh of the skin.
    looks: Vec<Looks>,
    bones: Entity,
    posed: Option<Posed>,
}

/// What a copy was last posed as.
#[derive(Clone, PartialEq)]
struct Posed {
    motion: usize,
    /// A part of a motion may come to lie where another one was.
    revision: u64,
    frame: usize,
    factor: f64,
}

/// All copies on the screen.
#[derive(Resource, Default)]
struct Drawn {
    copies: Vec<Copy>,
}

/// What all materials have in common.
fn base() -> StandardMaterial {
    StandardMaterial {
        perceptual_roughness: 0.62,
        reflectance: 0.35,
        ..StandardMaterial::default()
    }
}

fn make_looks(mut commands: Commands, mut materials: ResMut<Assets<StandardMaterial>>) {
    commands.insert_resource(Looks::add(&mut materials, &base()));
}

/// The materials of the meshes of a figure, in their order.
fn looks_of(figure: &Figure, shared: &Looks, store: &mut Store) -> Vec<Looks> {
    let mut pictures: HashMap<(usize, [Wrap; 2]), Handle<Image>> = HashMap::new();
    let mut made: Vec<(Look, Looks)> = vec![(Look::default(), shared.clone())];
    let looks = figure.model.meshes().map(|mesh| {
        let look = mesh.look;
        if let Some((_, known)) = made.iter().find(|(known, _)| *known == look) {
            return known.clone();
        }
        let picture = look.picture.and_then(|at| {
            let pixels = figure.model.pictures.get(at)?;
            let known = pictures.entry((at, look.wraps));
            let made = known.or_insert_with(|| store.images.add(image(pixels, look.wraps)));
            Some(made.clone())
        });
        let material = StandardMaterial {
            base_color_texture: picture,
            alpha_mode: match look.opacity {
                Opacity::Solid => AlphaMode::Opaque,
                Opacity::Cut(least) => AlphaMode::Mask(least),
                Opacity::Blend => AlphaMode::Blend,
            },
            double_sided: look.is_double_sided,
            cull_mode: match look.is_double_sided {
                true => None,
                false => base().cull_mode,
            },
            ..base()
        };
        let looks = Looks::add(&mut store.materials, &material);
        made.push((look, looks.clone()));
        looks
    });
    looks.collect()
}

/// A picture for the graphics adapter, with its smaller copies.
fn image(pixels: &Pixels, wraps: [Wrap; 2]) -> Image {
    let size = Extent3d {
        width: pixels.width as u32,
        height: pixels.height as u32,
        depth_or_array_layers: 1,
    };
    let mut image = Image::new_uninit(
        size,
        TextureDimension::D2,
        TextureFormat::Rgba8UnormSrgb,
        RenderAssetUsages::RENDER_WORLD,
    );
    image.texture_descriptor.mip_level_count = pixels.levels as u32;
    image.data = Some(pixels.bytes.clone());
    let [across, down] = wraps.map(|wrap| match wrap {
        Wrap::Repeat => ImageAddressMode::Repeat,
        Wrap::Clamp => ImageAddressMode::ClampToEdge,
        Wrap::Mirror => ImageAddressMode::MirrorRepeat,
    });
    image.sampler = ImageSampler::Descriptor(ImageSamplerDescriptor {
        address_mode_u: across,
        address_mode_v: down,
        ..ImageSamplerDescriptor::linear()
    });
    image
}

/// The copies that ought to be on the screen.
fn wanted(session: &Session) -> Vec<(Who, f64)> {
    let mut copies = Vec::new();
    for who in Who::ALL {
        let has_view = session.view.arrangement.views().contains(&who);
        let is_under = session.view.arrangement == Arrangement::Overlay && who == Who::Performer;
        if has_view || is_under {
            copies.push((who, 0.0));
        }
    }
    if session.view.arrangement == Arrangement::Onion {
        copies.extend(ONION_FRAMES.map(|secs| (Who::Character, secs)));
    }
    copies.retain(|(who, _)| session.stage.actor(*who).is_some());
    copies
}

/// Where everything that is drawn of a body is kept.
#[derive(SystemParam)]
struct Store<'w> {
    meshes: ResMut<'w, Assets<Mesh>>,
    binds: ResMut<'w, Assets<SkinnedMeshInverseBindposes>>,
    materials: ResMut<'w, Assets<StandardMaterial>>,
    images: ResMut<'w, Assets<Image>>,
}

fn build(
    bench: NonSend<Bench>,
    mut drawn: ResMut<Drawn>,
    mut commands: Commands,
    mut store: Store,
    shared: Res<Looks>,
) {
    let session = &bench.session;
    let wanted = wanted(session);
    let is_current = |copy: &Copy| {
        let actor = session.stage.actor(copy.who);
        let is_wanted = wanted.contains(&(copy.who, copy.offset_secs));
        is_wanted && actor.is_some_and(|actor| Arc::ptr_eq(&actor.figure, &copy.figure))
    };
    drawn.copies.retain(|copy| {
        let keep = is_current(copy);
        if !keep {
            let all = copy.joints.iter().chain(&copy.skin).chain([&copy.bones]);
            all.for_each(|entity| commands.entity(*entity).despawn());
        }
        keep
    });
    for (who, offset_secs) in wanted {
        let is_there = |copy: &Copy| copy.who == who && copy.offset_secs == offset_secs;
        if drawn.copies.iter().any(is_there) {
            continue;
        }
        let Some(actor) = session.stage.actor(who) else {
            continue;
        };
        let figure = Arc::clone(&actor.figure);
        // Joints are placed by us, so they have no transform that anything else would work out.
        let joints: Vec<Entity> = (0..figure.skeleton.len())
            .map(|_| commands.spawn(GlobalTransform::IDENTITY).id())
            .collect();
        let same = drawn
            .copies
            .iter()
            .find(|copy| Arc::ptr_eq(&copy.figure, &figure));
        let looks = match same {
            Some(same) => same.looks.clone(),
            None => looks_of(&figure, &shared, &mut store),
        };
        let mut draw = |model: &SkinModel, looks: &Looks| {
            let skin = SkinnedMesh {
                inverse_bindposes: store.binds.add(bind_poses(model)),
                joints: slots(model, &joints),
            };
            let entity = commands.spawn((
                Mesh3d(store.meshes.add(mesh(model))),
                MeshMaterial3d(looks.solid.clone()),
                skin,
                // Bounds at bind time say nothing about a body that moves.
                NoFrustumCulling,
                RenderLayers::layer(layer(who)),
            ));
            entity.id()
        };
        let skin = figure.model.meshes().zip(&looks);
        let skin = skin.map(|(mesh, looks)| draw(mesh, looks)).collect();
        let bones = draw(&figure.model.bones, &shared);
        drawn.copies.push(Copy {
            who,
            offset_secs,
            figure,
            joints,
            skin,
            looks,
            bones,
            posed: None,
        });
    }
}

fn bind_poses(model: &SkinModel) -> SkinnedMeshInverseBindposes {
    let binds = model.inverse_binds.iter();
    binds
        .map(|bind| Mat4::from(bind.as_affine3a()))
        .collect::<Vec<Mat4>>()
        .into()
}

fn slots(model: &SkinModel, joints: &[Entity]) -> Vec<Entity> {
    let slots = model.joints.iter();
    slots
        .filter_map(|&joint| joints.get(joint).copied())
        .collect()
}

fn mesh(model: &SkinModel) -> Mesh {
    let triangles = model.triangles.as_flattened().to_vec();
    let mesh = Mesh::new(
        PrimitiveTopology::TriangleList,
        RenderAssetUsages::RENDER_WORLD,
    )
    .with_inserted_attribute(Mesh::ATTRIBUTE_POSITION, model.positions.clone())
    .with_inserted_attribute(Mesh::ATTRIBUTE_NORMAL, model.normals.clone())
    .with_inserted_attribute(Mesh::ATTRIBUTE_COLOR, model.colours.clone())
    .with_inserted_attribute(
        Mesh::ATTRIBUTE_JOINT_INDEX,
        VertexAttributeValues::Uint16x4(model.slots.clone()),
    )
    .with_inserted_attribute(Mesh::ATTRIBUTE_JOINT_WEIGHT, model.weights.clone())
    .with_inserted_indices(Indices::U32(triangles));
    match model.picture_places.is_empty() {
        true => mesh,
        false => mesh.with_inserted_attribute(Mesh::ATTRIBUTE_UV_0, model.picture_places.clone()),
    }
}

/// Shows of each body what is asked for.
fn dress(
    bench: NonSend<Bench>,
    drawn: Res<Drawn>,
    shared: Res<Looks>,
    mut parts: Query<(&mut Visibility, &mut MeshMaterial3d<StandardMaterial>)>,
    casts_none: Query<(), With<NotShadowCaster>>,
    mut commands: Commands,
) {
    let show = bench.session.view.show;
    for copy in &drawn.copies {
        let is_ghost = copy.offset_secs != 0.0;
        // One over the other, the performer is the one of glass: its bones would pass for the
        // character's own.
        let is_under =
            bench.session.view.arrangement == Arrangement::Overlay && copy.who == Who::Performer;
        // A take has bones only; it is shown whatever is asked for.
        let has_skin = copy.figure.model.has_skin();
        let (skin, bones) = match show {
            Show::Surface | Show::Both => (true, !has_skin),
            Show::Bones => (false, true),
            Show::XRay => (true, true),
        };
        let skin_look = |looks: &Looks| match (is_ghost, show) {
            (true, _) => looks.ghost.clone(),
            (false, Show::XRay) => looks.glass.clone(),
            (false, _) => looks.solid.clone(),
        };
        let bone_look = match (is_ghost, is_under) {
            (true, _) => shared.ghost.clone(),
            (false, true) => shared.glass.clone(),
            (false, false) => shared.solid.clone(),
        };
        // Glass and ghosts throw no shadow, least of all on the bones within.
        let skin_throws = !is_ghost && show != Show::XRay;
        let bones_throw = !is_ghost && !is_under;
        let skins = copy.skin.iter().zip(&copy.looks);
        let skins = skins.map(|(entity, looks)| (*entity, skin, skin_look(looks), skin_throws));
        let bones = (copy.bones, bones, bone_look, bones_throw);
        for (entity, is_shown, look, throws) in skins.chain([bones]) {
            let Ok((mut visibility, mut material)) = parts.get_mut(entity) else {
                continue;
            };
            visibility.set_if_neq(if is_shown {
                Visibility::Visible
            } else {
                Visibility::Hidden
            });
            if throws == casts_none.contains(entity) {
                match throws {
                    true => commands.entity(entity).remove::<NotShadowCaster>(),
                    false => commands.entity(entity).insert(NotShadowCaster),
                };
            }
            if material.0 != look {
                material.0 = look;
            }
        }
    }
}

/// Brings the joints to the frame that is shown.
fn pose(
    bench: NonSend<Bench>,
    mut drawn: ResMut<Drawn>,
    mut joints: Query<&mut GlobalTransform>,
    mut world: Local<WorldPose>,
) {
    let session = &bench.session;
    for copy in &mut drawn.copies {
        let Some((motion, frame)) = shown_frame(session, copy) else {
            continue;
        };
        let factor = session.drawn_factor(copy.who);
        let posed = Posed {
            motion: Arc::as_ptr(motion) as usize,
            revision: session.live.revision(),
            frame,
            factor,
        };
        if copy.posed.as_ref() == Some(&posed) {
            continue;
        }
        world.update(&motion.clip.skeleton, motion.clip.frame(frame));
        let resize = session.drawn_from_world(copy.who);
        for (entity, affine) in copy.joints.iter().zip(&world.affines) {
            if let Ok(mut joint) = joints.get_mut(*entity) {
                *joint = GlobalTransform::from((resize * *affine).as_affine3a());
            }
        }
        copy.posed = Some(posed);
    }
}

/// The motion that shows a copy, and which of its frames.
fn shown_frame<'a>(session: &'a Session, copy: &Copy) -> Option<(&'a Arc<Motion>, usize)> {
    let frame_time_secs = session.clock.frame_time_secs();
    let offset = (copy.offset_secs / frame_time_secs).round() as i64;
    let frame = session.clock.frame() as i64 + offset;
    let frame = usize::try_from(frame)
        .unwrap_or(0)
        .min(session.clock.last());
    let (_, motion) = session.motion_at(copy.who, frame)?;
    Some((motion, motion.held(frame)))
}
