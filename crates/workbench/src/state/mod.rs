//! The state of the workbench: documents, time, jobs, cameras. Nothing here knows a window.

pub mod asking;
pub mod camera;
pub mod clock;
pub mod command;
pub mod curves;
pub mod document;
pub mod export;
pub mod history;
pub mod jobs;
pub mod layout;
pub mod live;
pub mod model;
pub mod names;
pub mod other;
pub mod palette;
pub mod panes;
pub mod pick;
pub mod pins;
pub mod preferences;
pub mod presets;
pub mod progress;
pub mod rings;
pub mod session;
pub mod stage;
pub mod view;
