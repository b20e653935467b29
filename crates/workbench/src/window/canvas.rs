//! What is drawn to: the window, or a picture in memory where there is no screen.

use bevy::camera::RenderTarget;
use bevy::prelude::*;
use bevy::render::render_resource::TextureFormat;
use bevy::window::WindowRef;

/// What is drawn to.
#[derive(Resource, Default)]
pub struct Canvas {
    picture: Option<(Handle<Image>, UVec2)>,
}

/// Draws to a picture in memory.
pub fn plugin(app: &mut App, width: u32, height: u32) {
    let format = TextureFormat::Rgba8UnormSrgb;
    let image = Image::new_target_texture(width, height, format, None);
    let handle = app.world_mut().resource_mut::<Assets<Image>>().add(image);
    app.insert_resource(Canvas {
        picture: Some((handle, UVec2::new(width, height))),
    });
}

impl Canvas {
    /// What cameras draw to.
    pub fn target(&self) -> RenderTarget {
        match &self.picture {
            Some((handle, _)) => RenderTarget::Image(handle.clone().into()),
            None => RenderTarget::Window(WindowRef::Primary),
        }
    }

    /// Size of the picture, physical pixels; none of a window, which knows its own.
    pub fn size(&self) -> UVec2 {
        self.picture.as_ref().map_or(UVec2::ZERO, |(_, size)| *size)
    }
}
