//! The floor: lit, so that shadows fall on it, with a grid in metres.

use bevy::asset::embedded_asset;
use bevy::pbr::{ExtendedMaterial, MaterialExtension};
use bevy::prelude::*;
use bevy::render::render_resource::{AsBindGroup, ShaderType};
use bevy::shader::ShaderRef;

/// The material of a floor.
pub type FloorMaterial = ExtendedMaterial<StandardMaterial, FloorLook>;

/// What the floor has besides light and shadow.
#[derive(Asset, AsBindGroup, Clone, Debug, Default, Reflect)]
pub struct FloorLook {
    /// Numbers for the shader.
    #[uniform(100)]
    pub look: Look,
}

/// Numbers for the shader; colours are linear.
#[derive(Clone, Copy, Debug, Default, PartialEq, Reflect, ShaderType)]
pub struct Look {
    /// What the floor fades into.
    pub backdrop: Vec4,
    /// Colour of the lines, and their strength.
    pub line: Vec4,
    /// Middle of what is seen, and the radius within which the floor is seen, metres.
    pub middle_and_radius: Vec4,
    /// Width of a cell, metres, in its first number.
    pub cell: Vec4,
}

impl MaterialExtension for FloorLook {
    fn fragment_shader() -> ShaderRef {
        "embedded://understudy_workbench/window/floor.wgsl".into()
    }

    fn enable_prepass() -> bool {
        false
    }

    fn enable_shadows() -> bool {
        false
    }
}

/// Makes the floor's material known.
pub fn plugin(app: &mut App) {
    embedded_asset!(app, "floor.wgsl");
    app.add_plugins(MaterialPlugin::<FloorMaterial>::default());
}
