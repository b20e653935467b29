//! The text of an AMC file as values of a skeleton's degrees of freedom.

use std::collections::BTreeMap;

use crate::asf::skeleton::{AngleUnit, AsfSkeleton, Dof};
use crate::error::FileError;
use crate::text::{Line, clip, counted, lines, parse_number};

/// Values of one frame.
#[derive(Clone, Debug, PartialEq)]
pub struct AmcFrame {
    /// The number the file gives the frame.
    pub number: u64,
    /// Line of that number, counted from 1.
    pub line: usize,
    /// Values of the root and then of every bone of the skeleton, file units.
    pub values: Vec<f64>,
}

/// An AMC file, read by its skeleton.
#[derive(Clone, Debug, PartialEq)]
pub struct AmcMotion {
    /// Unit of angles.
    pub angle_unit: AngleUnit,
    /// Frames per second, in the rare file that says so.
    pub frame_rate: Option<f64>,
    /// Frames with rising numbers; a number may be left out.
    pub frames: Vec<AmcFrame>,
}

/// A motion and what was mended while reading it.
#[derive(Clone, Debug, PartialEq)]
pub struct ParsedAmc {
    /// The file as data.
    pub motion: AmcMotion,
    /// Recoverable defects, each with the first line that shows it.
    pub warnings: Vec<String>,
}

/// More frames than this in a row cannot be mended: a tenth of a second in the open captures.
const LONGEST_GAP: u64 = 12;

/// Reads the text of an AMC file.
///
/// Mended with a warning: a bone that a frame leaves out keeps the values of the frame before (0
/// in the first frame), bones the skeleton does not have are left out, and up to 12 missing frame
/// numbers in a row are allowed.
///
/// # Errors
/// No frame, values before the first frame number, numbers that do not rise or leave out more, a
/// bone listed twice in a frame or with the wrong number of values, values that are not finite.
pub fn parse_amc(text: &str, skeleton: &AsfSkeleton) -> Result<ParsedAmc, FileError> {
    let mut parser = Parser::new(skeleton);
    for line in lines(text) {
        parser.line(line)?;
    }
    parser.finish()
}

/// A defect that many frames share: the first line and how many frames.
#[derive(Clone, Copy, Debug)]
struct Repeated {
    line: usize,
    count: usize,
}

struct Parser<'a> {
    skeleton: &'a AsfSkeleton,
    /// First value of the root (0) and of bone `i` (`i + 1`), and the end of the last.
    first_values: Vec<usize>,
    motion: AmcMotion,
    /// Whether the frame that is being read has given the root and each bone.
    given: Vec<bool>,
    missing: BTreeMap<usize, Repeated>,
    unknown: BTreeMap<String, Repeated>,
    warnings: Vec<String>,
    last_line: usize,
}

impl<'a> Parser<'a> {
    fn new(skeleton: &'a AsfSkeleton) -> Self {
        let mut first_values = vec![0];
        let mut next = skeleton.root.order.len();
        for bone in &skeleton.bones {
            first_values.push(next);
            next += bone.dof.len();
        }
        first_values.push(next);
        Self {
            skeleton,
            first_values,
            motion: AmcMotion {
                angle_unit: skeleton.angle_unit,
                frame_rate: None,
                frames: Vec::new(),
            },
            given: vec![false; skeleton.bones.len() + 1],
            missing: BTreeMap::new(),
            unknown: BTreeMap::new(),
            warnings: Vec::new(),
            last_line: 1,
        }
    }

    fn dof(&self, part: usize) -> &'a [Dof] {
        match part.checked_sub(1) {
            None => &self.skeleton.root.order,
            Some(bone) => &self.skeleton.bones[bone].dof,
        }
    }

    fn name(&self, part: usize) -> &'a str {
        match part.checked_sub(1) {
            None => "root",
            Some(bone) => &self.skeleton.bones[bone].name,
        }
    }

    fn line(&mut self, line: Line<'_>) -> Result<(), FileError> {
        self.last_line = line.number;
        let text = line.text.split('#').next().unwrap_or_default();
        let mut words = text.split_whitespace();
        let Some(first) = words.next() else {
            return Ok(());
        };
        let rest: Vec<&str> = words.collect();
        if let Some(keyword) = first.strip_prefix(':') {
            return self.keyword(line.number, keyword, &rest);
        }
        match first.parse::<u64>() {
            Ok(number) if rest.is_empty() => self.open_frame(line.number, number),
            _ => self.values(line.number, first, &rest),
        }
    }

    fn keyword(&mut self, line: usize, keyword: &str, rest: &[&str]) -> Result<(), FileError> {
        match keyword.to_ascii_lowercase().as_str() {
            "degrees" => self.motion.angle_unit = AngleUnit::Degrees,
            "radians" => self.motion.angle_unit = AngleUnit::Radians,
            "fully-specified" => {}
            "samples-per-second" => {
                let word = rest.first().copied().unwrap_or_default();
                let rate = parse_number(line, "the number of samples per second", word)?;
                if rate <= 0.0 {
                    return Err(FileError::at_line(
                        line,
                        format!("{rate} samples per second make no motion; it must be above 0"),
                    ));
                }
                self.motion.frame_rate = Some(rate);
            }
            _ => self.warnings.push(format!(
                "line {line}: keyword \":{}\" is unknown and left out",
                clip(keyword)
            )),
        }
        Ok(())
    }

    fn open_frame(&mut self, line: usize, number: u64) -> Result<(), FileError> {
        self.close_frame();
        if let Some(before) = self.motion.frames.last() {
            self.check_number(line, number, before.number)?;
        }
        let values = match self.motion.frames.last() {
            Some(before) => before.values.clone(),
            None => vec![0.0; self.first_values.last().copied().unwrap_or_default()],
        };
        self.given.fill(false);
        self.motion.frames.push(AmcFrame {
            number,
            line,
            values,
        });
        Ok(())
    }

    fn check_number(&mut self, line: usize, number: u64, before: u64) -> Result<(), FileError> {
        if number <= before {
            return Err(FileError::at_line(
                line,
                format!("frame {number} follows frame {before}; frame numbers must rise"),
            ));
        }
        let left_out = number - before - 1;
        if left_out > LONGEST_GAP {
            return Err(FileError::at_line(
                line,
                format!(
                    "frame {number} follows frame {before}; {left_out} frames in a row are \
                     missing, more than the {LONGEST_GAP} that can be filled in"
                ),
            ));
        }
        if left_out > 0 {
            self.warnings.push(format!(
                "line {line}: frame {number} follows frame {before}; {} filled in between them",
                match left_out {
                    1 => "1 frame is".to_owned(),
                    count => format!("{count} frames are"),
                }
            ));
        }
        Ok(())
    }

    /// Counts what the frame that was read lacks.
    fn close_frame(&mut self) {
        let Some(frame) = self.motion.frames.last() else {
            return;
        };
        let line = frame.line;
        for part in 0..self.given.len() {
            if !self.given[part] && !self.dof(part).is_empty() {
                count(&mut self.missing, part, line);
            }
        }
    }

    fn values(&mut self, line: usize, name: &str, words: &[&str]) -> Result<(), FileError> {
        let fail = |message: String| Err(FileError::at_line(line, message));
        if self.motion.frames.is_empty() {
            return fail(format!(
                "expected the number of the first frame, found \"{}\"",
                clip(name)
            ));
        }
        let part = match name.eq_ignore_ascii_case("root") {
            true => Some(0),
            false => self.skeleton.find(name).map(|bone| bone + 1),
        };
        let Some(part) = part else {
            count(&mut self.unknown, clip(name), line);
            return Ok(());
        };
        if self.given[part] {
            return fail(format!("\"{}\" is listed twice in this frame", clip(name)));
        }
        self.given[part] = true;
        let expected = self.dof(part).len();
        if words.len() != expected {
            return fail(format!(
                "\"{}\" has {}, the skeleton gives it {}; is this the right ASF file?",
                clip(name),
                counted(words.len(), "value"),
                counted(expected, "degree") + " of freedom"
            ));
        }
        let first = self.first_values[part];
        if let Some(frame) = self.motion.frames.last_mut() {
            for (index, word) in words.iter().enumerate() {
                let what = format!("value {} of \"{}\"", index + 1, clip(name));
                frame.values[first + index] = parse_number(line, &what, word)?;
            }
        }
        Ok(())
    }

    fn finish(mut self) -> Result<ParsedAmc, FileError> {
        self.close_frame();
        if self.motion.frames.is_empty() {
            return Err(FileError::at_line(
                self.last_line,
                "the file ends without a frame; is it cut off, or no AMC file?",
            ));
        }
        for (&part, Repeated { line, count }) in &self.missing {
            self.warnings.push(format!(
                "line {line}: {} without \"{}\"; it keeps its values of the frame before",
                counted(*count, "frame"),
                clip(self.name(part))
            ));
        }
        for (name, Repeated { line, count }) in &self.unknown {
            self.warnings.push(format!(
                "line {line}: the skeleton has no bone \"{name}\"; {} left out",
                match count {
                    1 => "1 line was".to_owned(),
                    count => format!("{count} lines were"),
                }
            ));
        }
        Ok(ParsedAmc {
            motion: self.motion,
            warnings: self.warnings,
        })
    }
}

fn count<K: Ord>(counts: &mut BTreeMap<K, Repeated>, key: K, line: usize) {
    let found = counts.entry(key).or_insert(Repeated { line, count: 0 });
    found.count += 1;
}
