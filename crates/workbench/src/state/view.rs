//! What is shown and from where.

use super::camera::{Angle, Orbit};
use super::rings::RingAxes;
use super::stage::Who;

/// What is drawn of a body.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Show {
    /// The skin alone.
    Surface,
    /// The bones alone.
    Bones,
    /// The skin with the bones drawn over it.
    Both,
    /// Bones in a skin of glass.
    XRay,
}

impl Show {
    /// All, in the order a key goes through them.
    pub const ALL: [Self; 4] = [Self::Surface, Self::Bones, Self::Both, Self::XRay];

    /// For people and the command line.
    pub fn word(self) -> &'static str {
        match self {
            Self::Surface => "surface",
            Self::Bones => "bones",
            Self::Both => "both",
            Self::XRay => "x-ray",
        }
    }

    /// The one after it.
    pub fn next(self) -> Self {
        next_of(&Self::ALL, self)
    }
}

/// How the two bodies share the space.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Arrangement {
    /// Each in a view of its own.
    SideBySide,
    /// One over the other, the performer at the character's size.
    Overlay,
    /// Each in a view of its own, with where the character was and will be.
    Onion,
    /// The character twice, with the settings that are worked on and those compared with.
    Compare,
    /// One body alone.
    Alone(Who),
}

impl Arrangement {
    /// Those a key goes through.
    pub const ALL: [Self; 4] = [Self::SideBySide, Self::Overlay, Self::Onion, Self::Compare];

    /// For people.
    pub fn word(self) -> &'static str {
        match self {
            Self::SideBySide => "side by side",
            Self::Overlay => "one over the other",
            Self::Onion => "onion skin",
            Self::Compare => "A and B",
            Self::Alone(Who::Performer) => "performer alone",
            Self::Alone(Who::Character) => "character alone",
            Self::Alone(Who::Other) => "B alone",
        }
    }

    /// The one after it.
    pub fn next(self) -> Self {
        next_of(&Self::ALL, self)
    }

    /// The bodies that have a view of their own, left to right.
    pub fn views(self) -> &'static [Who] {
        match self {
            Self::SideBySide | Self::Onion => &[Who::Performer, Who::Character],
            Self::Overlay | Self::Alone(Who::Character) => &[Who::Character],
            Self::Compare => &[Who::Character, Who::Other],
            Self::Alone(Who::Performer) => &[Who::Performer],
            Self::Alone(Who::Other) => &[Who::Other],
        }
    }
}

fn next_of<T: Copy + PartialEq>(all: &[T], current: T) -> T {
    let at = all.iter().position(|one| *one == current);
    let next = at.map_or(0, |at| (at + 1) % all.len().max(1));
    all.get(next).copied().unwrap_or(current)
}

/// What is shown and from where.
#[derive(Clone, Debug, PartialEq)]
pub struct View {
    /// How the bodies share the space.
    pub arrangement: Arrangement,
    /// What is drawn of them.
    pub show: Show,
    /// Whether the character moves as plain transfer has it, before feet are planted.
    pub before: bool,
    /// Cameras: performer's, character's, that of the character with other settings.
    pub orbits: [Orbit; 3],
    /// Whether cameras move as one.
    pub linked: bool,
    /// Whether cameras go along with the bodies.
    pub follow: bool,
    /// Whether contacts are marked on the bodies.
    pub contacts: bool,
    /// Whether slides and depths are marked.
    pub faults: bool,
    /// What the rings around the chosen joint turn about.
    pub ring_axes: RingAxes,
    /// Dark or light window.
    pub dark: bool,
}

impl Default for View {
    fn default() -> Self {
        Self {
            arrangement: Arrangement::SideBySide,
            show: Show::Surface,
            before: false,
            orbits: [Orbit::default(); 3],
            linked: true,
            follow: true,
            contacts: true,
            faults: true,
            ring_axes: RingAxes::default(),
            dark: true,
        }
    }
}

impl View {
    /// The camera of a body.
    pub fn orbit(&self, who: Who) -> &Orbit {
        match who {
            Who::Performer => &self.orbits[0],
            Who::Character => &self.orbits[1],
            Who::Other => &self.orbits[2],
        }
    }

    /// Moves the camera of a body, and with linked cameras the others too.
    pub fn set_orbit(&mut self, who: Who, orbit: Orbit) {
        match (self.linked, who) {
            (true, _) => self.orbits = [orbit; 3],
            (false, Who::Performer) => self.orbits[0] = orbit,
            (false, Who::Character) => self.orbits[1] = orbit,
            (false, Who::Other) => self.orbits[2] = orbit,
        }
    }

    /// Looks at all bodies from another side.
    pub fn look_from(&mut self, angle: Angle) {
        for orbit in &mut self.orbits {
            *orbit = orbit.looking_from(angle);
        }
    }

    /// Frames the whole of every body again, from where the cameras look now.
    pub fn frame_bodies(&mut self) {
        let fresh = Orbit::default();
        for orbit in &mut self.orbits {
            orbit.distance = fresh.distance;
            orbit.shift = fresh.shift;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn linked_cameras_move_as_one() {
        let mut view = View::default();
        let near = Orbit::default().zoomed(0.5);
        view.set_orbit(Who::Performer, near);
        assert_eq!(view.orbits, [near; 3]);
        view.linked = false;
        view.set_orbit(Who::Character, Orbit::default());
        assert_eq!(view.orbits, [near, Orbit::default(), near]);
        view.look_from(Angle::Top);
        view.frame_bodies();
        assert_eq!(
            view.orbit(Who::Performer).distance,
            Orbit::default().distance
        );
    }

    #[test]
    fn keys_go_through_all_and_come_back() {
        let mut show = Show::Surface;
        for _ in Show::ALL {
            show = show.next();
        }
        assert_eq!(show, Show::Surface);
        let alone = Arrangement::Alone(Who::Performer);
        assert_eq!(alone.next(), Arrangement::SideBySide);
    }
}
