//! What a person can choose about a retarget. All of it can be kept in a RON file.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use thiserror::Error;
use understudy_anatomy::Side;

use crate::balance::BalanceSettings;
use crate::joint_angle::Movement;
use crate::keys::HandKey;
use crate::posture::Posture;
use crate::secondary::Secondary;
use crate::touch::TouchSettings;

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

/// How far joints go where the solver turns them. What plain transfer and what is laid over it have
/// already is the performance and stays.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct LimitSettings {
    /// Whether joints are kept within their ranges at all.
    pub enabled: bool,
    /// Width of the zone before the end of a range in which a joint turns less and less easily, degrees.
    pub soft_deg: f64,
    /// Ranges of this character instead of those of people
    /// ([`published_deg`](crate::joint_angle::Movement::published_deg)), least and greatest angle,
    /// degrees, by joint and movement: `"knee flexion"`, or `"left knee flexion"` for one side alone,
    /// `"left (pair 2) knee flexion"` of another pair of limbs. The more particular name counts.
    pub ranges_deg: BTreeMap<String, [f64; 2]>,
}

impl Default for LimitSettings {
    fn default() -> Self {
        Self {
            enabled: true,
            soft_deg: 5.0,
            ranges_deg: BTreeMap::new(),
        }
    }
}

/// What a key of [`LimitSettings::ranges_deg`] may be.
const RANGE_KEYS: &str = "one of hip flexion, hip abduction, knee flexion, ankle dorsiflexion, \
    shoulder flexion, elbow flexion, wrist bend, neck flexion, neck lateral bend, neck rotation; \
    but for the neck with left or right before it for one side, and with left (pair 2) or right (pair 2) \
    for another pair of limbs";

impl LimitSettings {
    /// Least and greatest angle of a movement of a limb, by its side and pair, degrees.
    pub fn range_deg(&self, movement: Movement, (side, pair): (Side, usize)) -> [f64; 2] {
        let key = movement.key();
        let of_side = format!("{} {key}", side.word());
        let of_pair = format!("{} (pair {}) {key}", side.word(), pair + 1);
        let of_limb = match pair {
            0 => of_side,
            _ => of_pair,
        };
        let own = self.ranges_deg.get(&of_limb);
        let own = own.filter(|_| movement.is_sided());
        let found = own.or_else(|| self.ranges_deg.get(key));
        found.copied().unwrap_or(movement.published_deg())
    }

    fn check(&self) -> Result<(), SettingsError> {
        let degrees = "from 0 to 90 degrees";
        within("limits.soft_deg", self.soft_deg, 0.0, 90.0, degrees)?;
        for (key, range) in &self.ranges_deg {
            if !is_range_key(key) {
                return Err(SettingsError {
                    field: "a name in limits.ranges_deg".into(),
                    value: format!("\"{key}\""),
                    allowed: RANGE_KEYS,
                });
            }
            let field = format!("limits.ranges_deg of \"{key}\"");
            for degrees in range {
                within(&field, *degrees, -360.0, 360.0, "from -360 to 360 degrees")?;
            }
            if range[0] >= range[1] {
                return Err(SettingsError {
                    field,
                    value: format!("{range:?}"),
                    allowed: "the least angle, then the greatest",
                });
            }
        }
        Ok(())
    }
}

/// Whether a range may have this name.
fn is_range_key(key: &str) -> bool {
    let is_of = |key: &str, is_sided: bool| {
        let mut all = Movement::ALL.into_iter();
        all.any(|movement| movement.key() == key && (movement.is_sided() || !is_sided))
    };
    let sides = [Side::Left, Side::Right].map(|side| format!("{} ", side.word()));
    let mut sides = sides.iter();
    let Some(of_side) = sides.find_map(|side| key.strip_prefix(side.as_str())) else {
        return is_of(key, false);
    };
    let Some(of_pair) = of_side.strip_prefix("(pair ") else {
        return is_of(of_side, true);
    };
    of_pair.split_once(") ").is_some_and(|(pair, key)| {
        // The first pair has no number.
        pair.parse::<usize>().is_ok_and(|pair| pair > 1) && is_of(key, true)
    })
}

/// Which frames are solved together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum Together {
    /// All frames of the clip at once, smooth in time.
    #[default]
    Clip,
    /// Every frame by itself, as if it were the whole clip: what holds between frames is only where
    /// each contact stands. Something to compare with; corrections begin and end with contacts, at
    /// once.
    Frame,
}

impl Together {
    /// Time over which a correction fades, seconds: none where every frame is by itself.
    pub fn fade_secs(self, secs: f64) -> f64 {
        match self {
            Self::Clip => secs,
            Self::Frame => 0.0,
        }
    }
}

/// All choices of a retarget.
#[derive(Clone, Debug, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// Which frames are solved together.
    pub together: Together,
    /// Pose of the take that corresponds to the character's rest.
    pub reference: Reference,
    /// Horizontal travel.
    pub travel: Travel,
    /// Factor on the height of the hips above the floor, after scaling by leg length; the legs bend
    /// or stretch by it, the feet stay.
    pub pelvis_height: Option<f64>,
    /// Turns added to joints of the character after alignment: name to rotation vector in
    /// degrees, in the character's world axes at rest.
    pub offsets_deg: BTreeMap<String, [f64; 3]>,
    /// Further pairs of arms.
    pub extra_arms: ExtraArms,
    /// Changes of posture.
    pub posture: Posture,
    /// Changes keyed by hand, laid over the motion.
    pub keys: Vec<HandKey>,
    /// What tails, ears, wings, further arms and necks do, by the name of the first joint of the
    /// chain.
    pub secondary: BTreeMap<String, Secondary>,
    /// Contact detection.
    pub contacts: ContactSettings,
    /// Foot plants.
    pub plants: PlantSettings,
    /// The centre of mass over the feet.
    pub balance: BalanceSettings,
    /// Touches of hands and forearms.
    pub touches: TouchSettings,
    /// How far joints go.
    pub limits: LimitSettings,
    /// Height of the take's floor along its up axis, metres; estimated where absent.
    pub floor_height_m: Option<f64>,
    /// Whether the floor is level even where the take seems to show a slope of two degrees or more.
    pub level_floor: bool,
}

/// A setting that is out of its range.
#[derive(Clone, Debug, PartialEq, Error)]
#[error("{field} is {value}; it must be {allowed}")]
pub struct SettingsError {
    /// The field, with the names of the structures around it: `plants.fade_secs`.
    pub field: String,
    /// What it holds.
    pub value: String,
    /// What it may hold.
    pub allowed: &'static str,
}

impl Settings {
    /// Every joint of the character that is named, with the field that names it.
    pub fn joint_names(&self) -> impl Iterator<Item = (&'static str, &str)> {
        let offsets = self.offsets_deg.keys().map(|name| ("offsets_deg", name));
        let keys = self.keys.iter().map(|key| ("keys", &key.joint));
        let chains = self.secondary.keys().map(|name| ("secondary", name));
        let drivers = self.secondary.values().filter_map(|rule| match rule {
            Secondary::Follow { joint, .. } => Some(("secondary", joint)),
            Secondary::Rest | Secondary::Spring { .. } => None,
        });
        let all = offsets.chain(keys).chain(chains).chain(drivers);
        all.map(|(field, name)| (field, name.as_str()))
    }

    /// Checks every number against its range.
    ///
    /// # Errors
    /// The first field that is out of its range.
    pub fn check(&self) -> Result<(), SettingsError> {
        let positive = "a number above 0";
        if let Travel::Factor(factor) = self.travel {
            within("travel", factor, 0.0, 1000.0, "a factor from 0 to 1000")?;
        }
        if let Some(factor) = self.pelvis_height {
            within(
                "pelvis_height",
                factor,
                0.1,
                10.0,
                "a factor from 0.1 to 10",
            )?;
        }
        if let Some(height) = self.floor_height_m {
            within(
                "floor_height_m",
                height,
                f64::MIN,
                f64::MAX,
                "a number of metres",
            )?;
        }
        for (name, offset) in &self.offsets_deg {
            for degrees in offset {
                let field = format!("offsets_deg of \"{name}\"");
                within(&field, *degrees, -360.0, 360.0, "from -360 to 360 degrees")?;
            }
        }
        self.posture.check()?;
        for key in &self.keys {
            check_key(key)?;
        }
        for (name, rule) in &self.secondary {
            if let Some((field, value, allowed)) = rule.first_out_of_range() {
                return Err(SettingsError {
                    field: format!("secondary of \"{name}\": {field}"),
                    value: value.to_string(),
                    allowed,
                });
            }
        }
        let plants = &self.plants;
        let seconds = "from 0.01 to 10 seconds";
        within("plants.fade_secs", plants.fade_secs, 0.01, 10.0, seconds)?;
        let bend = "from 0 to 0.5 radians";
        within(
            "plants.straightest_knee",
            plants.straightest_knee,
            0.0,
            0.5,
            bend,
        )?;
        within(
            "plants.largest_pop",
            plants.largest_pop,
            0.01,
            1000.0,
            positive,
        )?;
        self.balance.check()?;
        self.touches.check()?;
        self.limits.check()?;
        self.contacts.check()
    }
}

impl BalanceSettings {
    fn check(&self) -> Result<(), SettingsError> {
        let share = "from 0 to 1";
        within("balance.strength", self.strength, 0.0, 1.0, share)?;
        let seconds = "from 0.01 to 10 seconds";
        within("balance.fade_secs", self.fade_secs, 0.01, 10.0, seconds)?;
        let legs = "from 0 to 1 leg length";
        within("balance.furthest", self.furthest, 0.0, 1.0, legs)
    }
}

impl TouchSettings {
    fn check(&self) -> Result<(), SettingsError> {
        let factor = "a factor from 0 to 5";
        within("touches.reach", self.reach, 0.0, 5.0, factor)?;
        let share = "above 0 and at most 1";
        within("touches.strength", self.strength, 1e-3, 1.0, share)?;
        let seconds = "from 0.01 to 10 seconds";
        within("touches.fade_secs", self.fade_secs, 0.01, 10.0, seconds)?;
        let metres = "from -1 to 1 metre";
        within("touches.clearance_m", self.clearance_m, -1.0, 1.0, metres)?;
        let bend = "from 0 to 0.5 radians";
        let elbow = self.straightest_elbow;
        within("touches.straightest_elbow", elbow, 0.0, 0.5, bend)?;
        let limits = &self.limits;
        let hands = "above 0 and at most 10 hand lengths";
        let speed = "above 0 and at most 1000 hand lengths per second";
        for (field, value, most, allowed) in [
            ("near", limits.near, 10.0, hands),
            ("rise", limits.rise, 10.0, hands),
            ("speed", limits.speed, 1000.0, speed),
            ("hit_speed", limits.hit_speed, 1000.0, speed),
        ] {
            let field = format!("touches.limits.{field}");
            within(&field, value, f64::MIN_POSITIVE, most, allowed)?;
        }
        let shortest = limits.shortest_secs;
        let seconds = "from 0 to 10 seconds";
        within("touches.limits.shortest_secs", shortest, 0.0, 10.0, seconds)
    }
}

impl Posture {
    fn check(&self) -> Result<(), SettingsError> {
        let degrees = "from -60 to 60 degrees";
        for (field, value) in [
            ("hips_forward_deg", self.hips_forward_deg),
            ("stoop_deg", self.stoop_deg),
            ("shoulders_up_deg", self.shoulders_up_deg),
            ("arms_out_deg", self.arms_out_deg),
            ("head_down_deg", self.head_down_deg),
            ("head_left_deg", self.head_left_deg),
        ] {
            within(&format!("posture.{field}"), value, -60.0, 60.0, degrees)?;
        }
        let factor = "a factor from 0.1 to 5";
        within("posture.stance_width", self.stance_width, 0.1, 5.0, factor)
    }
}

fn check_key(key: &HandKey) -> Result<(), SettingsError> {
    let field = format!("key of \"{}\" at frame {}", key.joint, key.frame);
    for degrees in key.turn_deg {
        within(&field, degrees, -360.0, 360.0, "from -360 to 360 degrees")?;
    }
    for metres in key.shift_m {
        within(&field, metres, -100.0, 100.0, "from -100 to 100 metres")?;
    }
    Ok(())
}

impl ContactSettings {
    fn check(&self) -> Result<(), SettingsError> {
        let metres = "above 0 and at most 1 leg length";
        let least = f64::MIN_POSITIVE;
        for (field, value) in [
            ("start_height", self.start_height),
            ("end_height", self.end_height),
            ("rise", self.rise),
            ("toe_rise", self.toe_rise),
        ] {
            within(&format!("contacts.{field}"), value, least, 1.0, metres)?;
        }
        let speed = "above 0 and at most 10 leg lengths per second";
        for (field, value) in [
            ("start_speed", self.start_speed),
            ("end_speed", self.end_speed),
        ] {
            within(&format!("contacts.{field}"), value, least, 10.0, speed)?;
        }
        for (field, start, end) in [
            ("end_height", self.start_height, self.end_height),
            ("end_speed", self.start_speed, self.end_speed),
        ] {
            let allowed = "at least as large as the value that starts a contact";
            within(&format!("contacts.{field}"), end, start, f64::MAX, allowed)?;
        }
        let seconds = "from 0 to 1 second";
        within(
            "contacts.shortest_secs",
            self.shortest_secs,
            0.0,
            1.0,
            seconds,
        )?;
        within(
            "contacts.shortest_gap_secs",
            self.shortest_gap_secs,
            0.0,
            1.0,
            seconds,
        )?;
        within(
            "contacts.cutoff_hz",
            self.cutoff_hz,
            1.0,
            1000.0,
            "from 1 to 1000 Hz",
        )
    }
}

fn within(
    field: &str,
    value: f64,
    least: f64,
    most: f64,
    allowed: &'static str,
) -> Result<(), SettingsError> {
    // NaN lies in no range.
    if (least..=most).contains(&value) {
        return Ok(());
    }
    Err(SettingsError {
        field: field.to_owned(),
        value: value.to_string(),
        allowed,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn defaults_are_within_their_ranges() {
        assert_eq!(Settings::default().check(), Ok(()));
    }

    #[test]
    fn bad_numbers_are_named() {
        let check = |change: fn(&mut Settings), field: &str| {
            let mut settings = Settings::default();
            change(&mut settings);
            let error = settings.check().expect_err(field);
            assert_eq!(error.field, field);
            assert!(error.to_string().contains("must be"), "{error}");
        };
        check(|s| s.travel = Travel::Factor(-3.0), "travel");
        check(|s| s.pelvis_height = Some(f64::INFINITY), "pelvis_height");
        check(|s| s.floor_height_m = Some(f64::NAN), "floor_height_m");
        check(|s| s.plants.fade_secs = -1.0, "plants.fade_secs");
        check(
            |s| s.plants.straightest_knee = -9.0,
            "plants.straightest_knee",
        );
        check(|s| s.plants.largest_pop = 0.0, "plants.largest_pop");
        check(|s| s.contacts.cutoff_hz = 0.0, "contacts.cutoff_hz");
        check(|s| s.contacts.shortest_secs = 1e9, "contacts.shortest_secs");
        check(|s| s.contacts.end_speed = 0.01, "contacts.end_speed");
        check(|s| s.balance.strength = 1.5, "balance.strength");
        check(|s| s.balance.fade_secs = 0.0, "balance.fade_secs");
        check(|s| s.balance.furthest = f64::NAN, "balance.furthest");
        check(|s| s.touches.strength = 0.0, "touches.strength");
        check(|s| s.touches.limits.near = f64::NAN, "touches.limits.near");
        check(|s| s.limits.soft_deg = -1.0, "limits.soft_deg");
        check(
            |s| s.limits.ranges_deg = BTreeMap::from([("wrist bend".into(), [0.0, f64::NAN])]),
            "limits.ranges_deg of \"wrist bend\"",
        );
        check(
            |s| s.limits.ranges_deg = BTreeMap::from([("knee flexion".into(), [90.0, 10.0])]),
            "limits.ranges_deg of \"knee flexion\"",
        );
        check(
            |s| s.posture.hips_forward_deg = 99.0,
            "posture.hips_forward_deg",
        );
        check(
            |s| {
                let spring = Secondary::Spring {
                    hertz: 0.0,
                    damping: 1.0,
                    most_deg: 40.0,
                };
                s.secondary = BTreeMap::from([("tail_1".into(), spring)]);
            },
            "secondary of \"tail_1\": hertz",
        );
        check(
            |s| {
                s.keys = vec![HandKey {
                    joint: "head".into(),
                    frame: 4,
                    turn_deg: [0.0, f64::NAN, 0.0],
                    shift_m: [0.0; 3],
                    fade_in: 3,
                    fade_out: 3,
                }];
            },
            "key of \"head\" at frame 4",
        );
        check(
            |s| s.offsets_deg = BTreeMap::from([("arm".into(), [0.0, 999.0, 0.0])]),
            "offsets_deg of \"arm\"",
        );
    }

    #[test]
    fn ranges_have_names_and_the_particular_one_counts() {
        let check = |key: &str| {
            let mut settings = Settings::default();
            let ranges = &mut settings.limits.ranges_deg;
            ranges.insert(key.to_owned(), [1.0, 2.0]);
            settings.check()
        };
        for movement in Movement::ALL {
            let key = movement.key();
            assert_eq!(check(key), Ok(()));
            assert!(RANGE_KEYS.contains(key), "{key}");
            let of_side = ["left", "right (pair 2)"].map(|limb| check(&format!("{limb} {key}")));
            for of_side in of_side {
                assert_eq!(of_side.is_ok(), movement.is_sided(), "{key}");
            }
        }
        for wrong in [
            "",
            "knee",
            "l knee flexion",
            "left",
            "left (pair 1) knee flexion",
            "left (pair two) knee flexion",
            "left (pair 2)",
            "left neck flexion",
        ] {
            let error = check(wrong).expect_err(wrong).to_string();
            let wanted =
                format!("a name in limits.ranges_deg is \"{wrong}\"; it must be one of hip");
            assert!(error.starts_with(&wanted), "{error}");
        }
        let ranges = [
            ("knee flexion", [0.0, 90.0]),
            ("left knee flexion", [-5.0, 170.0]),
        ];
        let limits = LimitSettings {
            ranges_deg: ranges.map(|(key, range)| (key.into(), range)).into(),
            ..LimitSettings::default()
        };
        let knee = |limb| limits.range_deg(Movement::KneeFlexion, limb);
        assert_eq!(knee((Side::Left, 0)), [-5.0, 170.0]);
        assert_eq!(knee((Side::Left, 1)), [0.0, 90.0]);
        assert_eq!(knee((Side::Right, 0)), [0.0, 90.0]);
        let hip = limits.range_deg(Movement::HipFlexion, (Side::Left, 0));
        assert_eq!(hip, [-30.0, 120.0]);
    }
}
