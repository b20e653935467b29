//! Cameras, lights and floor: one set per body, each in a layer of its own.

use bevy::camera::visibility::RenderLayers;
use bevy::camera::{
    CameraOutputMode, CameraUpdateSystems, ClearColorConfig, RenderTarget, Viewport,
};
use bevy::core_pipeline::tonemapping::Tonemapping;
use bevy::light::{CascadeShadowConfigBuilder, DirectionalLightShadowMap, ShadowFilteringMethod};
use bevy::pbr::ExtendedMaterial;
use bevy::prelude::*;
use bevy::render::render_resource::BlendState;
use bevy_egui::{EguiPostUpdateSet, PrimaryEguiContext, egui};

use super::Bench;
use super::canvas::Canvas;
use super::floor::{FloorLook, FloorMaterial, Look};
use crate::state::camera::FIELD_OF_VIEW_RAD;
use crate::state::palette::Rgb;
use crate::state::stage::Who;
use crate::state::view::{Arrangement, View};

/// Adds cameras, lights and floors.
pub fn plugin(app: &mut App) {
    app.add_systems(Startup, set_up)
        .add_systems(Update, (place_cameras, place_lights, place_floors))
        // Where panels leave room in this picture, and not in the one before.
        .add_systems(
            PostUpdate,
            place_views
                .after(EguiPostUpdateSet::EndPass)
                .before(CameraUpdateSystems),
        );
}

/// The layer a body is drawn in.
pub fn layer(who: Who) -> usize {
    match who {
        Who::Performer => 1,
        Who::Character => 2,
        Who::Other => 3,
    }
}

/// A camera, light or floor of a body.
#[derive(Component, Clone, Copy)]
struct Of(Who);

/// The light that throws shadows.
#[derive(Component)]
struct Key;

/// Linear colours of backdrop, floor and lines.
struct Studio {
    backdrop: Rgb,
    floor: Rgb,
    line: Rgb,
}

fn studio(view: &View) -> Studio {
    match view.dark {
        true => Studio {
            backdrop: Rgb(34, 37, 43),
            floor: Rgb(46, 50, 57),
            line: Rgb(128, 136, 148),
        },
        false => Studio {
            backdrop: Rgb(226, 229, 232),
            floor: Rgb(228, 230, 232),
            line: Rgb(120, 128, 138),
        },
    }
}

fn colour(rgb: Rgb) -> Color {
    Color::srgb_u8(rgb.0, rgb.1, rgb.2)
}

fn set_up(
    mut commands: Commands,
    bench: NonSend<Bench>,
    mut meshes: ResMut<Assets<Mesh>>,
    mut materials: ResMut<Assets<FloorMaterial>>,
    mut shadow_map: ResMut<DirectionalLightShadowMap>,
    canvas: Res<Canvas>,
) {
    shadow_map.size = if bench.is_software { 1024 } else { 4096 };
    for (order, who) in Who::ALL.into_iter().enumerate() {
        let layers = RenderLayers::layer(layer(who));
        spawn_camera(
            &mut commands,
            who,
            order as isize,
            (layers.clone(), canvas.target()),
            bench.is_software,
        );
        spawn_lights(&mut commands, who, &layers);
        let floor = materials.add(ExtendedMaterial {
            base: StandardMaterial {
                perceptual_roughness: 1.0,
                reflectance: 0.0,
                ..StandardMaterial::default()
            },
            extension: FloorLook::default(),
        });
        commands.spawn((
            Of(who),
            Mesh3d(meshes.add(Plane3d::default().mesh().size(1.0, 1.0))),
            MeshMaterial3d(floor),
            layers,
        ));
    }
    // Panels are drawn last, over everything, by a camera that sees no body.
    commands.spawn((
        PrimaryEguiContext,
        Camera2d,
        canvas.target(),
        RenderLayers::none(),
        Msaa::Off,
        Camera {
            order: 10,
            output_mode: CameraOutputMode::Write {
                blend_state: Some(BlendState::ALPHA_BLENDING),
                clear_color: ClearColorConfig::None,
            },
            clear_color: ClearColorConfig::Custom(Color::NONE),
            ..Camera::default()
        },
    ));
}

fn spawn_camera(
    commands: &mut Commands,
    who: Who,
    order: isize,
    (layers, target): (RenderLayers, RenderTarget),
    is_software: bool,
) {
    commands.spawn((
        Of(who),
        Camera3d::default(),
        Camera {
            order,
            ..Camera::default()
        },
        Projection::Perspective(PerspectiveProjection {
            fov: FIELD_OF_VIEW_RAD as f32,
            near: 0.02,
            ..PerspectiveProjection::default()
        }),
        Tonemapping::TonyMcMapface,
        match is_software {
            true => ShadowFilteringMethod::Hardware2x2,
            false => ShadowFilteringMethod::Gaussian,
        },
        if is_software {
            Msaa::Off
        } else {
            Msaa::Sample4
        },
        AmbientLight {
            color: Color::srgb(0.86, 0.92, 1.0),
            brightness: 520.0,
            ..AmbientLight::default()
        },
        layers,
        target,
    ));
}

fn spawn_lights(commands: &mut Commands, who: Who, layers: &RenderLayers) {
    commands.spawn((
        Of(who),
        Key,
        DirectionalLight {
            color: Color::srgb(1.0, 0.96, 0.9),
            illuminance: 5200.0,
            shadow_maps_enabled: true,
            ..DirectionalLight::default()
        },
        Transform::from_rotation(Quat::from_euler(EulerRot::YXZ, 0.7, -0.95, 0.0)),
        layers.clone(),
    ));
    commands.spawn((
        Of(who),
        DirectionalLight {
            color: Color::srgb(0.86, 0.92, 1.0),
            illuminance: 1500.0,
            ..DirectionalLight::default()
        },
        Transform::from_rotation(Quat::from_euler(EulerRot::YXZ, -2.2, -0.4, 0.0)),
        layers.clone(),
    ));
}

/// The part of the window, in physical pixels, that a camera draws to.
fn viewport(rect: egui::Rect, pixels_per_point: f32, window: UVec2) -> Option<Viewport> {
    let at = |x: f32| (x * pixels_per_point).round().max(0.0) as u32;
    let low = UVec2::new(at(rect.min.x), at(rect.min.y)).min(window);
    let high = UVec2::new(at(rect.max.x), at(rect.max.y)).min(window);
    let size = high.saturating_sub(low);
    (size.x > 1 && size.y > 1).then(|| Viewport {
        physical_position: low,
        physical_size: size,
        ..Viewport::default()
    })
}

/// Each camera draws where its body has a view.
fn place_views(
    bench: NonSend<Bench>,
    window: Option<Single<&Window>>,
    canvas: Res<Canvas>,
    mut cameras: Query<(&Of, &mut Camera), With<Camera3d>>,
) {
    let view = &bench.session.view;
    let space = match window {
        Some(window) => window.physical_size(),
        None => canvas.size(),
    };
    let first = bench.views.first().map(|(who, _)| *who);
    for (of, mut camera) in &mut cameras {
        let rect = bench.views.iter().find(|(who, _)| *who == of.0);
        let port = rect.and_then(|(_, rect)| viewport(*rect, bench.pixels_per_point, space));
        camera.is_active = port.is_some();
        camera.viewport = port;
        // The first camera clears the whole window, the second must leave it.
        camera.clear_color = match first == Some(of.0) {
            true => ClearColorConfig::Custom(colour(studio(view).backdrop)),
            false => ClearColorConfig::None,
        };
    }
}

fn place_cameras(
    bench: NonSend<Bench>,
    mut cameras: Query<(&Of, &mut Transform, &mut RenderLayers), With<Camera3d>>,
) {
    let view = &bench.session.view;
    for (of, mut transform, mut layers) in &mut cameras {
        let wanted = match view.arrangement {
            Arrangement::Overlay => {
                RenderLayers::from_layers(&[layer(Who::Performer), layer(Who::Character)])
            }
            _ => RenderLayers::layer(layer(of.0)),
        };
        layers.set_if_neq(wanted);
        let placed = bench.session.camera(of.0).map_or_else(
            || Transform::from_xyz(0.0, 1.0, 4.0).looking_at(Vec3::Y, Vec3::Y),
            |seen| Transform {
                translation: seen.eye.as_vec3(),
                rotation: seen.rotation.as_quat(),
                ..Transform::default()
            },
        );
        transform.set_if_neq(placed);
    }
}

/// What is changed of a light.
type LightParts = (
    Entity,
    &'static Of,
    Option<&'static Key>,
    &'static mut Visibility,
    &'static mut RenderLayers,
);

/// Shadows reach as far as the camera sees of the body; one over the other, both bodies share the
/// character's lights.
fn place_lights(
    bench: NonSend<Bench>,
    mut lights: Query<LightParts, With<DirectionalLight>>,
    mut commands: Commands,
    mut reach: Local<[f64; 3]>,
) {
    let is_shared = bench.session.view.arrangement == Arrangement::Overlay;
    for (entity, of, key, mut visibility, mut layers) in &mut lights {
        // Who is not seen needs no light.
        let is_spare = !bench.session.view.arrangement.views().contains(&of.0);
        visibility.set_if_neq(if is_spare {
            Visibility::Hidden
        } else {
            Visibility::Visible
        });
        let wanted = match is_shared {
            true => RenderLayers::from_layers(&[layer(Who::Performer), layer(Who::Character)]),
            false => RenderLayers::layer(layer(of.0)),
        };
        layers.set_if_neq(wanted);
        let height = bench
            .session
            .stage
            .actor(of.0)
            .map(|actor| actor.figure.height_m);
        let (Some(height_m), true) = (height, key.is_some()) else {
            continue;
        };
        let far_m = height_m * (bench.session.view.orbit(of.0).distance + 2.0);
        let known = &mut reach[of.0 as usize];
        if (far_m / *known - 1.0).abs() > 0.05 || *known == 0.0 {
            *known = far_m;
            commands.entity(entity).insert(
                CascadeShadowConfigBuilder {
                    num_cascades: 1,
                    minimum_distance: 0.05,
                    maximum_distance: far_m as f32,
                    ..CascadeShadowConfigBuilder::default()
                }
                .build(),
            );
        }
    }
}

fn place_floors(
    bench: NonSend<Bench>,
    mut materials: ResMut<Assets<FloorMaterial>>,
    mut floors: Query<(
        &Of,
        &mut Transform,
        &mut Visibility,
        &MeshMaterial3d<FloorMaterial>,
    )>,
) {
    let session = &bench.session;
    let studio = studio(&session.view);
    for (of, mut transform, mut visibility, material) in &mut floors {
        let is_shared = session.view.arrangement == Arrangement::Overlay;
        let Some((actor, motion)) = session.motion(of.0) else {
            visibility.set_if_neq(Visibility::Hidden);
            continue;
        };
        let is_spare = is_shared && of.0 == Who::Performer;
        visibility.set_if_neq(if is_spare {
            Visibility::Hidden
        } else {
            Visibility::Visible
        });
        let Some(middle) = motion.middles.get(session.frame_of(motion)) else {
            continue;
        };
        let place = session.stage.floor_of(of.0).below(*middle).as_vec3();
        let height_m = actor.figure.height_m as f32;
        let radius_m = height_m * 6.0;
        let placed = Transform {
            translation: place,
            rotation: session.stage.floor_of(of.0).tilt().as_quat(),
            scale: Vec3::splat(2.2 * radius_m),
        };
        transform.set_if_neq(placed);
        let linear = |rgb: Rgb, last: f32| Vec3::from_slice(&rgb.linear()).extend(last);
        let look = Look {
            backdrop: linear(studio.backdrop, 1.0),
            line: linear(studio.line, if session.view.dark { 0.34 } else { 0.4 }),
            middle_and_radius: place.extend(radius_m),
            cell: Vec4::X,
        };
        let base = colour(studio.floor);
        let is_new =
            |known: &FloorMaterial| known.extension.look != look || known.base.base_color != base;
        if materials.get(&material.0).is_some_and(is_new)
            && let Some(mut known) = materials.get_mut(&material.0)
        {
            known.extension.look = look;
            known.base.base_color = base;
        }
    }
}
