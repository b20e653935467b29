//! A BVH file as data, nothing interpreted: file units, degrees, channels in the file's order.

use glam::DVec3;
use thiserror::Error;

use crate::bvh::write::number_text;
use crate::text::is_name;

/// One of the six channels a joint can have.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Channel {
    /// Position along an axis (0 = X, 1 = Y, 2 = Z), file units.
    Position(usize),
    /// Rotation about an axis (0 = X, 1 = Y, 2 = Z), degrees.
    Rotation(usize),
}

impl Channel {
    /// X, Y and Z position.
    pub const POSITIONS: [Self; 3] = [Self::Position(0), Self::Position(1), Self::Position(2)];

    const NAMES: [(Self, &'static str); 6] = [
        (Self::Position(0), "Xposition"),
        (Self::Position(1), "Yposition"),
        (Self::Position(2), "Zposition"),
        (Self::Rotation(0), "Xrotation"),
        (Self::Rotation(1), "Yrotation"),
        (Self::Rotation(2), "Zrotation"),
    ];

    /// The channel of a word such as `Xposition`, whatever its case.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::NAMES
            .iter()
            .find(|(_, name)| name.eq_ignore_ascii_case(word))
            .map(|&(channel, _)| channel)
    }

    /// The word for the channel, such as `Xposition`; empty for an axis above 2.
    pub fn word(self) -> &'static str {
        Self::NAMES
            .iter()
            .find(|(channel, _)| *channel == self)
            .map_or("", |&(_, name)| name)
    }

    /// The axis of a position channel.
    pub fn position_axis(self) -> Option<usize> {
        match self {
            Self::Position(axis) => Some(axis),
            Self::Rotation(_) => None,
        }
    }

    /// The axis of a rotation channel.
    pub fn rotation_axis(self) -> Option<usize> {
        match self {
            Self::Rotation(axis) => Some(axis),
            Self::Position(_) => None,
        }
    }
}

/// The end of a bone without a further joint.
#[derive(Clone, Debug, PartialEq)]
pub struct EndSite {
    /// What follows the word `End`; nearly always `Site`.
    pub label: String,
    /// From the joint, file units.
    pub offset: DVec3,
}

/// A `ROOT` or `JOINT` block.
#[derive(Clone, Debug, PartialEq)]
pub struct BvhJoint {
    /// The name; may be empty or occur twice.
    pub name: String,
    /// Index of the parent, smaller than the joint's own; `None` for a `ROOT`.
    pub parent: Option<usize>,
    /// From the parent, file units.
    pub offset: DVec3,
    /// Channels in the file's order.
    pub channels: Vec<Channel>,
    /// End sites in the file's order.
    pub end_sites: Vec<EndSite>,
}

/// Why parts make no BVH document.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum BvhError {
    /// There is no joint.
    #[error("a BVH document needs at least one ROOT")]
    NoJoints,
    /// The joints are not in the order in which a file nests them.
    #[error("joint \"{0}\" is out of order; a joint must follow its parent or a branch beside it")]
    Order(String),
    /// A name, or the label of an end site, that a file cannot hold.
    #[error(
        "{0:?} cannot be written as a name; it needs to be one line without outer blanks or braces"
    )]
    Name(String),
    /// The frame time is zero, negative or undefined.
    #[error("a frame time of {0} s makes no motion; it must be above 0")]
    FrameTime(f64),
    /// The number of values does not fit.
    #[error("{found} values given, {expected} needed")]
    Values {
        /// Frames × channels.
        expected: usize,
        /// Values given.
        found: usize,
    },
    /// A value or offset is infinite or undefined.
    #[error("a BVH document cannot hold numbers that are not finite")]
    NotFinite,
}

/// A BVH file: joints in the order of the file, and every channel value as it was read.
#[derive(Clone, Debug, PartialEq)]
pub struct BvhDocument {
    joints: Vec<BvhJoint>,
    first_channels: Vec<usize>,
    channel_count: usize,
    frame_count: usize,
    frame_time_secs: f64,
    frame_time_text: Option<String>,
    values: Vec<f64>,
}

/// A number with so many decimals, without the sign of a zero. One too large for that stays.
fn rounded(value: f64, decimals: u8) -> f64 {
    let factor = 10.0_f64.powi(i32::from(decimals));
    let scaled = (value * factor).round() / factor;
    if scaled.is_finite() {
        scaled + 0.0
    } else {
        value
    }
}

impl BvhDocument {
    /// A document from its parts; `values` holds frame after frame, each with the channels of all
    /// joints in turn (file units and degrees).
    ///
    /// # Errors
    /// No joint, joints that are not in depth-first order, a frame time that is not above 0, the
    /// wrong number of values, or a number that is not finite.
    pub fn new(
        joints: Vec<BvhJoint>,
        frame_time_secs: f64,
        frame_count: usize,
        values: Vec<f64>,
    ) -> Result<Self, BvhError> {
        check_order(&joints)?;
        check_names(&joints)?;
        if !(frame_time_secs.is_finite() && frame_time_secs > 0.0) {
            return Err(BvhError::FrameTime(frame_time_secs));
        }
        let first_channels = joints
            .iter()
            .scan(0, |next, joint| {
                let first = *next;
                *next += joint.channels.len();
                Some(first)
            })
            .collect();
        let channel_count: usize = joints.iter().map(|joint| joint.channels.len()).sum();
        let expected = channel_count.saturating_mul(frame_count);
        if values.len() != expected {
            return Err(BvhError::Values {
                expected,
                found: values.len(),
            });
        }
        let offsets_finite = joints.iter().all(|joint| {
            joint.offset.is_finite() && joint.end_sites.iter().all(|site| site.offset.is_finite())
        });
        if !offsets_finite || values.iter().any(|value| !value.is_finite()) {
            return Err(BvhError::NotFinite);
        }
        Ok(Self {
            joints,
            first_channels,
            channel_count,
            frame_count,
            frame_time_secs,
            frame_time_text: None,
            values,
        })
    }

    /// The same document with its frame time as it was printed. Text that is another number, or
    /// is printed that way anyway, is left out.
    pub fn with_frame_time_text(mut self, text: &str) -> Self {
        let same = text.parse() == Ok(self.frame_time_secs);
        let usual = text == number_text(self.frame_time_secs);
        self.frame_time_text = (same && !usual).then(|| text.to_owned());
        self
    }

    /// The same document with lengths (offsets and positions) and angles rounded to so many
    /// decimals, which makes a file several times smaller. A thousandth of a degree moves the end
    /// of an arm by about 0.01 mm, a thousandth of a centimetre is 0.01 mm: less than any capture
    /// resolves.
    pub fn rounded(mut self, length_decimals: u8, angle_decimals: u8) -> Self {
        let lengths = |vector: DVec3| {
            let [x, y, z] = vector.to_array();
            DVec3::new(
                rounded(x, length_decimals),
                rounded(y, length_decimals),
                rounded(z, length_decimals),
            )
        };
        for joint in &mut self.joints {
            joint.offset = lengths(joint.offset);
            for site in &mut joint.end_sites {
                site.offset = lengths(site.offset);
            }
        }
        let channels = self.joints.iter().flat_map(|joint| &joint.channels);
        let decimals: Vec<u8> = channels
            .map(|channel| match channel {
                Channel::Position(_) => length_decimals,
                Channel::Rotation(_) => angle_decimals,
            })
            .collect();
        for (value, &decimals) in self.values.iter_mut().zip(decimals.iter().cycle()) {
            *value = rounded(*value, decimals);
        }
        self
    }

    /// All joints, depth first, as in the file.
    pub fn joints(&self) -> &[BvhJoint] {
        &self.joints
    }

    /// Number of values in a frame.
    pub fn channel_count(&self) -> usize {
        self.channel_count
    }

    /// Number of frames; may be 0.
    pub fn frame_count(&self) -> usize {
        self.frame_count
    }

    /// Time from frame to frame, seconds.
    pub fn frame_time_secs(&self) -> f64 {
        self.frame_time_secs
    }

    /// The frame time as the file prints it, where that is not the shortest way.
    pub fn frame_time_text(&self) -> Option<&str> {
        self.frame_time_text.as_deref()
    }

    /// Values of one frame, the channels of all joints in turn; empty past the end.
    pub fn frame(&self, frame: usize) -> &[f64] {
        let first = frame.saturating_mul(self.channel_count);
        self.values
            .get(first..first.saturating_add(self.channel_count))
            .unwrap_or_default()
    }

    /// Index, in a frame, of the first value of a joint.
    ///
    /// # Panics
    /// If there is no such joint.
    pub fn first_channel(&self, joint: usize) -> usize {
        self.first_channels[joint]
    }

    /// Values of one joint in one frame, in the order of its channels; empty past the last frame.
    ///
    /// # Panics
    /// If there is no such joint.
    pub fn joint_values(&self, frame: usize, joint: usize) -> &[f64] {
        let first = self.first_channels[joint];
        let count = self.joints[joint].channels.len();
        self.frame(frame)
            .get(first..first + count)
            .unwrap_or_default()
    }

    /// Children of a joint, in the file's order.
    pub fn children(&self, joint: usize) -> impl Iterator<Item = usize> + '_ {
        (0..self.joints.len()).filter(move |&child| self.joints[child].parent == Some(joint))
    }
}

/// Every joint must hang on the joint before it or on one of that joint's ancestors.
fn check_order(joints: &[BvhJoint]) -> Result<(), BvhError> {
    if joints.is_empty() {
        return Err(BvhError::NoJoints);
    }
    let mut open: Vec<usize> = Vec::new();
    for (index, joint) in joints.iter().enumerate() {
        let depth = match joint.parent {
            None => Some(0),
            Some(parent) => open.iter().position(|&at| at == parent).map(|at| at + 1),
        };
        let depth = depth.ok_or_else(|| BvhError::Order(joint.name.clone()))?;
        open.truncate(depth);
        open.push(index);
    }
    Ok(())
}

fn check_names(joints: &[BvhJoint]) -> Result<(), BvhError> {
    let names = joints.iter().flat_map(|joint| {
        let labels = joint.end_sites.iter().map(|site| &site.label);
        std::iter::once(&joint.name).chain(labels)
    });
    match names.into_iter().find(|name| !is_name(name)) {
        Some(name) => Err(BvhError::Name(name.clone())),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn joint(name: &str, parent: Option<usize>) -> BvhJoint {
        BvhJoint {
            name: name.into(),
            parent,
            offset: DVec3::ZERO,
            channels: vec![Channel::Rotation(2)],
            end_sites: vec![],
        }
    }

    #[test]
    fn parts_that_do_not_fit_are_refused() {
        let check = |parents: &[Option<usize>], time: f64, values: usize, expected: &str| {
            let joints = parents
                .iter()
                .map(|&parent| joint("stalk", parent))
                .collect();
            let error = BvhDocument::new(joints, time, 2, vec![0.0; values]).unwrap_err();
            assert!(error.to_string().contains(expected), "{error}");
        };
        check(&[], 0.1, 0, "at least one ROOT");
        check(&[None], 0.0, 2, "frame time");
        check(&[None], f64::NAN, 2, "frame time");
        check(&[None], 0.1, 3, "3 values given, 2 needed");
        check(&[Some(0)], 0.1, 2, "out of order");
        check(&[Some(7)], 0.1, 2, "out of order");
        // Breadth first: the last joint's parent was closed by its sister.
        check(&[None, Some(0), Some(0), Some(1)], 0.1, 8, "out of order");
    }

    #[test]
    fn values_are_found_by_joint() {
        let joints = vec![joint("a", None), joint("b", Some(0)), joint("c", None)];
        let document = BvhDocument::new(joints, 0.1, 2, vec![1., 2., 3., 4., 5., 6.]).unwrap();
        assert_eq!(document.frame(1), [4., 5., 6.]);
        assert_eq!(document.frame(2), [0.0; 0]);
        assert_eq!(document.joint_values(0, 2), [3.]);
        assert_eq!(document.children(0).collect::<Vec<_>>(), [1]);
    }

    #[test]
    fn channels_have_words() {
        for channel in [0, 1, 2]
            .into_iter()
            .flat_map(|axis| [Channel::Position(axis), Channel::Rotation(axis)])
        {
            assert_eq!(Channel::from_word(channel.word()), Some(channel));
            let shouted = channel.word().to_uppercase();
            assert_eq!(Channel::from_word(&shouted), Some(channel));
        }
        assert_eq!(Channel::from_word("Wrotation"), None);
    }
}
