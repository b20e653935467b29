//! Settings that were made for one take and character, used on others: what does not fit these is left
//! out, and named.

use understudy_anatomy::mapping::resolve;
use understudy_motion::Skeleton;
use understudy_solver::settings::Reference;
use understudy_solver::{Secondary, Settings};

/// Settings without what a character's skeleton and a take of `frames` frames do not have; and what
/// was left out, a line each.
pub fn fitted_settings(
    settings: &Settings,
    skeleton: &Skeleton,
    frames: Option<usize>,
) -> (Settings, Vec<String>) {
    let has = |name: &str| skeleton.find(name).is_some() || resolve(skeleton, name).is_ok();
    let is_in_take = |frame: usize| frames.is_none_or(|frames| frame < frames);
    let mut fitted = settings.clone();
    let mut left_out = Vec::new();
    fitted.offsets_deg.retain(|joint, _| {
        let keep = has(joint);
        if !keep {
            left_out.push(format!("the turn of joint \"{joint}\""));
        }
        keep
    });
    fitted.keys.retain(|key| {
        let (joint, frame) = (&key.joint, key.frame);
        let keep = has(joint) && is_in_take(frame);
        if !has(joint) {
            left_out.push(format!("the key of joint \"{joint}\" at frame {frame}"));
        } else if !keep {
            left_out.push(format!(
                "the key of joint \"{joint}\" at frame {frame}, after the end of the take"
            ));
        }
        keep
    });
    fitted.secondary.retain(|joint, rule| {
        let missing = match rule {
            _ if !has(joint) => Some(joint),
            Secondary::Follow { joint: driver, .. } if !has(driver) => Some(&*driver),
            _ => None,
        };
        match missing {
            Some(missing) if missing == joint => {
                left_out.push(format!("what the chain of joint \"{joint}\" does"));
            }
            Some(driver) => left_out.push(format!(
                "what the chain of joint \"{joint}\" does, which follows joint \"{driver}\""
            )),
            None => {}
        }
        missing.is_none()
    });
    if let Reference::Frame(frame) = fitted.reference
        && !is_in_take(frame)
    {
        left_out.push(format!(
            "reference frame {frame}, after the end of the take"
        ));
        fitted.reference = Reference::Rest;
    }
    (fitted, left_out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;
    use understudy_motion::{DVec3, Joint};
    use understudy_solver::HandKey;

    #[test]
    fn what_a_character_lacks_is_left_out_by_name_and_the_rest_is_kept() {
        let skeleton = Skeleton::new(vec![
            Joint::new("hips", None, DVec3::ZERO),
            Joint::new("tail_1", Some(0), DVec3::Z),
        ])
        .unwrap();
        let key = |joint: &str, frame: usize| HandKey {
            joint: joint.into(),
            frame,
            turn_deg: [1.0, 0.0, 0.0],
            shift_m: [0.0; 3],
            fade_in: 3,
            fade_out: 3,
        };
        let mut settings = Settings {
            reference: Reference::Frame(70),
            keys: vec![key("hips", 4), key("hips", 90), key("horn", 4)],
            offsets_deg: BTreeMap::from([
                ("hips".into(), [1.0, 2.0, 3.0]),
                ("ear_1".into(), [0.0; 3]),
            ]),
            secondary: BTreeMap::from([
                ("tail_1".into(), Secondary::Rest),
                ("wing_1".into(), Secondary::Rest),
            ]),
            ..Settings::default()
        };
        settings.posture.stoop_deg = 7.0;
        let (fitted, left_out) = fitted_settings(&settings, &skeleton, Some(60));
        let expected = Settings {
            reference: Reference::Rest,
            keys: vec![key("hips", 4)],
            offsets_deg: BTreeMap::from([("hips".into(), [1.0, 2.0, 3.0])]),
            secondary: BTreeMap::from([("tail_1".into(), Secondary::Rest)]),
            ..settings.clone()
        };
        assert_eq!(fitted, expected);
        let all = left_out.join("\n");
        for word in [
            "\"ear_1\"",
            "\"horn\"",
            "frame 90",
            "\"wing_1\"",
            "frame 70",
        ] {
            assert!(all.contains(word), "{word} is not named in: {all}");
        }
        assert_eq!(left_out.len(), 5, "{all}");
        let (same, none) = fitted_settings(&fitted, &skeleton, Some(60));
        assert_eq!((same, none), (fitted, Vec::new()));
    }
}
