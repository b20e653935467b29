//! Whether there is a screen and a graphics adapter, before a window is asked for.

use std::panic::{self, AssertUnwindSafe};

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

/// Puts the engine together, which opens the screen on the way and can only panic where that is not
/// reached.
///
/// # Errors
/// A screen that is named but cannot be reached; the text says what to do.
pub fn on_screen(build: impl FnOnce()) -> Result<(), String> {
    let hook = panic::take_hook();
    panic::set_hook(Box::new(|_| {}));
    let built = panic::catch_unwind(AssertUnwindSafe(build));
    panic::set_hook(hook);
    let Err(cause) = built else {
        return Ok(());
    };
    let words = cause.downcast_ref::<String>().map_or("", String::as_str);
    if !words.contains("event loop") {
        panic::resume_unwind(cause);
    }
    let named: Vec<String> = SCREENS
        .iter()
        .filter_map(|name| Some(format!("{name} is {}", set_to(name)?)))
        .collect();
    Err(format!(
        "the screen cannot be reached ({}); log in to the desktop that it belongs to, or correct \
         it, or use the command line, `understudy`, which needs no screen",
        named.join(", ")
    ))
}

/// The variables that name a screen, by X11 and Wayland.
const SCREENS: [&str; 2] = ["DISPLAY", "WAYLAND_DISPLAY"];

fn set_to(name: &str) -> Option<String> {
    let value = std::env::var_os(name)?;
    (!value.is_empty()).then(|| value.to_string_lossy().into_owned())
}

fn has_screen() -> bool {
    SCREENS.iter().any(|name| set_to(name).is_some())
}
