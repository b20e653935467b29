//! Bodies for the solver's tests.

// Not every test file uses all of it.
#![allow(dead_code)]

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use understudy_anatomy::Body;
use understudy_bodies::takes::take as built_in_take;
use understudy_bodies::{Character as Made, Description, character, demo_take, skeleton_and_body};
use understudy_motion::clip::Interpolation;
use understudy_motion::{Clip, Skeleton};
use understudy_solver::contacts::runs;
use understudy_solver::{
    Character, Contacts, FootPart, PlantSettings, Retargeted, Settings, SolveError, Take, retarget,
};

/// A skeleton with its meaning.
#[derive(Clone)]
pub struct Figure {
    pub skeleton: Arc<Skeleton>,
    pub body: Body,
}

impl Figure {
    /// A human of 1.75 m, changed.
    pub fn made(change: impl Fn(&mut Description)) -> Self {
        let mut description = Description::human("someone", 1.75);
        change(&mut description);
        Self::of(&description)
    }

    /// Skeleton and body of a description; the solver needs no flesh.
    fn of(description: &Description) -> Self {
        let (skeleton, body) =
            skeleton_and_body(description).expect("the description is within all ranges");
        Self {
            skeleton: Arc::new(skeleton),
            body,
        }
    }

    /// A character of `assets/bodies`.
    pub fn cast(name: &str) -> Self {
        Self::of(&cast_description(name))
    }

    /// Carries a valid take of this figure onto another.
    pub fn retarget(
        &self,
        clip: &Clip,
        character: &Figure,
        settings: &Settings,
        contacts: Option<&Contacts>,
    ) -> Retargeted {
        self.try_retarget(clip, character, settings, contacts)
            .expect("a valid take solves")
    }

    /// Carries a take of this figure onto another, or says why not.
    pub fn try_retarget(
        &self,
        clip: &Clip,
        character: &Figure,
        settings: &Settings,
        contacts: Option<&Contacts>,
    ) -> Result<Retargeted, SolveError> {
        let take = Take {
            clip,
            body: &self.body,
            surface: None,
        };
        let onto = Character {
            skeleton: &character.skeleton,
            body: &character.body,
            surface: None,
        };
        retarget(take, onto, settings, contacts)
    }
}

/// What a character of `assets/bodies` is made from.
pub fn cast_description(name: &str) -> Description {
    let folder = env!("CARGO_MANIFEST_DIR");
    let path = format!("{folder}/../../assets/bodies/{name}.ron");
    let text = std::fs::read_to_string(path).expect("the cast is part of the repository");
    Description::from_ron(&text).expect("the cast is valid")
}

/// One of the cast, made; once for all tests of a file.
pub fn cast(name: &str) -> Made {
    static MADE: Mutex<BTreeMap<String, Made>> = Mutex::new(BTreeMap::new());
    let mut made = MADE.lock().expect("no test panics while it makes one");
    let new = || character(&cast_description(name)).expect("the cast is valid");
    made.entry(name.to_owned()).or_insert_with(new).clone()
}

/// A built-in take carried from the performer's bones onto a character with its skin.
pub fn carried_onto_skin(take_name: &str, onto: &Made, settings: &Settings) -> Retargeted {
    let performer = cast("performer");
    let clip = built_in_take(take_name).expect("one of the takes").clip;
    let performed = Take {
        clip: &clip,
        body: &performer.body,
        surface: None,
    };
    let skeleton = Arc::new(onto.skeleton.clone());
    let character = Character {
        skeleton: &skeleton,
        body: &onto.body,
        surface: Some(&onto.surface),
    };
    retarget(performed, character, settings, None).expect("a valid take solves")
}

/// Settings that plant no foot.
pub fn plain_only() -> Settings {
    Settings {
        plants: PlantSettings {
            enabled: false,
            ..PlantSettings::default()
        },
        ..Settings::default()
    }
}

/// Who moves in the demo take.
pub fn performer() -> Figure {
    Figure::made(|_| {})
}

/// The demo take, at fewer frames per second so that the tests are quick.
pub fn take() -> Clip {
    let clip = demo_take()
        .expect("the demo take is part of the crate")
        .clip;
    clip.resampled(1.0 / 30.0, Interpolation::Hermite)
        .expect("a sound rate")
}

/// Most slide of a planted part within a plant, metres.
pub fn worst_slide_m(result: &Retargeted) -> f64 {
    let worlds = result.solved.worlds();
    let mut worst: f64 = 0.0;
    for (foot, parts) in result.feet.iter().zip(&result.planted_parts) {
        for (index, part) in FootPart::ALL.into_iter().enumerate() {
            let Some(point) = foot.point(part) else {
                continue;
            };
            let mask: Vec<bool> = parts.iter().map(|down| down[index]).collect();
            for (first, last) in runs(&mask) {
                let start = point.world(&worlds[first]);
                for world in &worlds[first..=last] {
                    worst = worst.max(point.world(world).distance(start));
                }
            }
        }
    }
    worst
}
