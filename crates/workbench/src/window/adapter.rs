//! Whether there is a screen and a graphics adapter, before a window is asked for.

use bevy::tasks::block_on;

/// What draws.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Adapter {
    /// Its name.
    pub name: String,
    /// Whether the processor draws, slowly.
    pub is_software: bool,
}

/// The adapter that a window would get. Pictures that are drawn to memory need no screen.
///
/// # Errors
/// No screen or no adapter; the text says what to do.
pub fn find(needs_screen: bool) -> Result<Adapter, String> {
    if needs_screen && cfg!(target_os = "linux") && !has_screen() {
        return Err(
            "there is no screen (neither DISPLAY nor WAYLAND_DISPLAY is set); log in to a desktop, \
             or use the command line, `understudy`, which needs none"
                .to_owned(),
        );
    }
    let instance =
        wgpu::Instance::new(wgpu::InstanceDescriptor::new_without_display_handle_from_env());
    let wanted = wgpu::RequestAdapterOptions {
        power_preference: wgpu::PowerPreference::HighPerformance,
        ..wgpu::RequestAdapterOptions::default()
    };
    match block_on(instance.request_adapter(&wanted)) {
        Ok(adapter) => {
            let info = adapter.get_info();
            Ok(Adapter {
                is_software: info.device_type == wgpu::DeviceType::Cpu,
                name: info.name,
            })
        }
        Err(_) => Err(
            "there is no graphics adapter with Vulkan, Metal, Direct3D 12 or OpenGL; install its \
             driver (on Debian without a graphics card: mesa-vulkan-drivers), or use the command \
             line, `understudy`, which needs none"
                .to_owned(),
        ),
    }
}

fn has_screen() -> bool {
    let is_set = |name: &str| std::env::var_os(name).is_some_and(|value| !value.is_empty());
    is_set("DISPLAY") || is_set("WAYLAND_DISPLAY")
}
