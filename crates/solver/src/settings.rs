//! What a person can choose about a retarget. All of it can be kept in a RON file.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// How far the character travels over the floor.
#[derive(Clone, Copy, Debug, PartialEq, Default, Serialize, Deserialize)]
pub enum Travel {
    /// By the ratio of leg lengths: steps fit the character's legs.
    #[default]
    LegLength,
    /// As far as the performer.
    Kept,
    /// The performer's travel times a factor.
    Factor(f64),
}

/// Which pose of the take corresponds to the character's rest pose.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum Reference {
    /// The rest pose of the take's skeleton.
    #[default]
    Rest,
    /// A frame of the take, counted from 0.
    Frame(usize),
}

/// What further pairs of arms do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum ExtraArms {
    /// They move as the first pair does.
    #[default]
    Follow,
    /// They keep their rest pose relative to the chest.
    Rest,
}

/// Thresholds of contact detection. Heights are in leg lengths, speeds in leg lengths per second,
/// so that they hold for any size of body; times in seconds.
///
/// Common practice (no published source): a part counts as planted below a few centimetres and a
/// few decimetres per second for an adult. A stretch within the wide limits is a contact where some
/// frame of it lies within the narrow ones.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ContactSettings {
    /// A contact needs a frame below this height.
    pub start_height: f64,
    /// A contact ends above this height.
    pub end_height: f64,
    /// A contact of heel or ball ends where it has risen by this much above its own height on the
    /// floor: they roll up slowly.
    pub rise: f64,
    /// The same for the toe, which is the last to leave, and fast.
    pub toe_rise: f64,
    /// A contact needs a frame below this speed.
    pub start_speed: f64,
    /// A contact ends above this speed.
    pub end_speed: f64,
    /// Shorter contacts are dropped, seconds.
    pub shortest_secs: f64,
    /// Shorter gaps between two contacts of one part are closed, seconds.
    pub shortest_gap_secs: f64,
    /// Positions are low-passed at this frequency before speeds are taken, Hz; lower where the take
    /// is noisy.
    pub cutoff_hz: f64,
}

impl Default for ContactSettings {
    fn default() -> Self {
        Self {
            start_height: 0.035,
            end_height: 0.05,
            rise: 0.004,
            toe_rise: 0.02,
            start_speed: 0.15,
            end_speed: 0.25,
            shortest_secs: 0.06,
            shortest_gap_secs: 0.08,
            cutoff_hz: 30.0,
        }
    }
}

/// How feet are planted.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct PlantSettings {
    /// Whether feet are planted at all; without, the result is the plain transfer.
    pub enabled: bool,
    /// Time over which a correction falls to 1/e outside a plant, seconds.
    pub fade_secs: f64,
    /// Knees are kept at least this bent where a planted leg would stretch further, radians.
    pub straightest_knee: f64,
    /// Angular acceleration of a knee against the peak of the take's own knee; where it would be
    /// larger, pelvis and swinging foot give way.
    pub largest_pop: f64,
}

impl Default for PlantSettings {
    fn default() -> Self {
        Self {
            enabled: true,
            fade_secs: 0.12,
            straightest_knee: 0.07,
            largest_pop: 1.0,
        }
    }
}

/// All choices of a retarget.
#[derive(Clone, Debug, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// Pose of the take that corresponds to the character's rest.
    pub reference: Reference,
    /// Horizontal travel.
    pub travel: Travel,
    /// Factor on the height of the pelvis above the floor, after scaling by leg length.
    pub pelvis_height: Option<f64>,
    /// Turns added to joints of the character after alignment: name to rotation vector in
    /// degrees, in the character's world axes at rest.
    pub offsets_deg: BTreeMap<String, [f64; 3]>,
    /// Further pairs of arms.
    pub extra_arms: ExtraArms,
    /// Contact detection.
    pub contacts: ContactSettings,
    /// Foot plants.
    pub plants: PlantSettings,
    /// Height of the take's floor along its up axis, metres; estimated where absent.
    pub floor_height_m: Option<f64>,
    /// Whether the floor is level even where the take seems to show a slope of two degrees or more.
    pub level_floor: bool,
}
