//! What can be wrong with a description or a request.

use thiserror::Error;

/// Why no body could be made.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum BodyError {
    /// The text is no description.
    #[error("line {line}, column {column}: {message}")]
    Syntax {
        /// Line of the text, counted from 1.
        line: usize,
        /// Column of the line, counted from 1.
        column: usize,
        /// What was found and expected.
        message: String,
    },
    /// A number is out of its range.
    #[error("{field} is {value}; give a number from {low} to {high}")]
    OutOfRange {
        /// The field as written in the description.
        field: String,
        /// The value found.
        value: f64,
        /// Smallest value allowed.
        low: f64,
        /// Largest value allowed.
        high: f64,
    },
    /// A text field is empty.
    #[error("{field} is empty; give the body a name")]
    NoName {
        /// The field as written in the description.
        field: String,
    },
    /// Up and facing lie on one line.
    #[error("facing is {facing}, which lies along up; choose an axis across it")]
    Facing {
        /// The facing found.
        facing: String,
    },
    /// A joint lies under the floor in the rest pose.
    #[error(
        "joint \"{joint}\" rests {depth_m:.3} m under the floor; shorten its limb, lengthen the legs or choose another rest"
    )]
    BelowFloor {
        /// Name of the joint.
        joint: String,
        /// Depth under the floor, metres.
        depth_m: f64,
    },
    /// No take of that name.
    #[error("no take is called \"{name}\"; there are: {names}")]
    NoTake {
        /// The name asked for.
        name: String,
        /// Names there are.
        names: String,
    },
    /// No capture fault of that name.
    #[error("no capture fault is called \"{name}\"; there are: {names}")]
    NoFault {
        /// The name asked for.
        name: String,
        /// Names there are.
        names: String,
    },
    /// The joints found make no skeleton, or the motion no clip.
    #[error("{0}; report the description that led here")]
    Inconsistent(String),
}
