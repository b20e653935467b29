//! The text of a BVH file as a document.

use glam::DVec3;

use crate::bvh::document::{BvhDocument, BvhJoint, Channel, EndSite};
use crate::error::FileError;
use crate::text::{Line, Scanner, Token, clip, counted, parse_number};

/// A document and what was mended while reading it.
#[derive(Clone, Debug, PartialEq)]
pub struct ParsedBvh {
    /// The file as data.
    pub document: BvhDocument,
    /// Recoverable defects, each with its line.
    pub warnings: Vec<String>,
}

/// Deepest nesting of joints; a body has some 30 levels, fingers included.
const DEEPEST: usize = 1000;

/// Reads the text of a BVH file.
///
/// Keywords may have any case; words may be parted by any blanks, lines end in LF, CRLF or CR.
/// Names run to the end of their line and may be missing. A frame is a line; frames that wrap
/// over several lines are accepted only where all wrap at the same places and their number agrees
/// with `Frames:`.
///
/// # Errors
/// Text that is no BVH file: a missing keyword, number or brace, channels that do not exist, a
/// frame time that is not above 0, values that are not finite, a frame with too few or too many
/// values, or a number of frames other than the file promises. Every error holds its line.
pub fn parse_bvh(text: &str) -> Result<ParsedBvh, FileError> {
    let mut parser = Parser::new(text);
    parser.hierarchy()?;
    let header = parser.motion_header()?;
    let values = parser.frames(&header)?;
    let last_line = parser.scanner.line();
    let document = BvhDocument::new(
        parser.joints,
        header.frame_time_secs,
        header.frame_count,
        values,
    )
    .map_err(|error| FileError::at_line(last_line, error.to_string()))?
    .with_frame_time_text(header.frame_time_text);
    Ok(ParsedBvh {
        document,
        warnings: parser.warnings,
    })
}

struct Parser<'a> {
    scanner: Scanner<'a>,
    joints: Vec<BvhJoint>,
    warnings: Vec<String>,
}

/// A block whose closing brace is still to come, and what it has given so far.
struct Block {
    joint: usize,
    is_end_site: bool,
    line: usize,
    has_offset: bool,
    has_channels: bool,
    has_children: bool,
}

impl Block {
    fn new(line: usize, joint: usize, is_end_site: bool) -> Self {
        Self {
            joint,
            is_end_site,
            line,
            has_offset: false,
            has_channels: false,
            has_children: false,
        }
    }
}

struct MotionHeader<'a> {
    frame_count: usize,
    frames_line: usize,
    frame_time_secs: f64,
    frame_time_text: &'a str,
}

impl<'a> Parser<'a> {
    fn new(text: &'a str) -> Self {
        Self {
            scanner: Scanner::new(text),
            joints: Vec::new(),
            warnings: Vec::new(),
        }
    }

    fn warn(&mut self, line: usize, message: impl AsRef<str>) {
        self.warnings
            .push(format!("line {line}: {}", message.as_ref()));
    }

    fn expect_word(&mut self, what: &str) -> Result<Token<'a>, FileError> {
        self.scanner.next_word().ok_or_else(|| {
            FileError::at_line(
                self.scanner.line(),
                format!("the file ends where {what} should stand; is it cut off?"),
            )
        })
    }

    fn number(&mut self, what: &str) -> Result<f64, FileError> {
        let token = self.expect_word(what)?;
        parse_number(token.line, what, token.text)
    }

    fn hierarchy(&mut self) -> Result<(), FileError> {
        let first = self.expect_word("\"HIERARCHY\"")?;
        if !first.text.eq_ignore_ascii_case("HIERARCHY") {
            return Err(FileError::at_line(
                first.line,
                format!(
                    "a BVH file starts with \"HIERARCHY\", found \"{}\"",
                    clip(first.text)
                ),
            ));
        }
        loop {
            let token = self.expect_word("\"ROOT\" or \"MOTION\"")?;
            if token.text.eq_ignore_ascii_case("ROOT") {
                self.root(token.line)?;
            } else if token.text.eq_ignore_ascii_case("MOTION") && !self.joints.is_empty() {
                return Ok(());
            } else {
                return Err(self.misplaced(token, "\"ROOT\" or \"MOTION\""));
            }
        }
    }

    fn misplaced(&self, token: Token<'_>, expected: &str) -> FileError {
        let hint = match token.text {
            "}" => "; there is one \"}\" too many",
            _ if token.text.eq_ignore_ascii_case("MOTION") && self.joints.is_empty() => {
                "; the hierarchy has no ROOT"
            }
            _ if token.text.eq_ignore_ascii_case("MOTION") => "; a \"}\" is missing above",
            _ => "",
        };
        FileError::at_line(
            token.line,
            format!("expected {expected}, found \"{}\"{hint}", clip(token.text)),
        )
    }

    /// One `ROOT` with everything below it; blocks are kept on a stack of our own, so that deep
    /// nesting cannot exhaust the program's.
    fn root(&mut self, line: usize) -> Result<(), FileError> {
        let mut open = vec![self.open_joint(line, None)?];
        while let Some(block) = open.last_mut() {
            let expected = "\"OFFSET\", \"CHANNELS\", \"JOINT\", \"End Site\" or \"}\"";
            let token = self.expect_word(expected)?;
            match token.text.to_ascii_uppercase().as_str() {
                "OFFSET" => self.offset(token, block)?,
                "CHANNELS" => self.channels(token, block)?,
                "JOINT" => {
                    Self::refuse_in_end_site(token, block)?;
                    block.has_children = true;
                    let parent = Some(block.joint);
                    open.push(self.open_joint(token.line, parent)?);
                }
                "END" => {
                    Self::refuse_in_end_site(token, block)?;
                    let joint = block.joint;
                    open.push(self.open_end_site(token.line, joint)?);
                }
                "}" => {
                    if let Some(block) = open.pop() {
                        self.close(&block);
                    }
                }
                _ => return Err(self.misplaced(token, expected)),
            }
            if open.len() > DEEPEST {
                return Err(FileError::at_line(
                    token.line,
                    format!("joints nest deeper than {DEEPEST} levels; this is no body"),
                ));
            }
        }
        Ok(())
    }

    fn refuse_in_end_site(token: Token<'_>, block: &Block) -> Result<(), FileError> {
        if block.is_end_site {
            return Err(FileError::at_line(
                token.line,
                format!(
                    "an End Site holds an OFFSET only, found \"{}\"",
                    clip(token.text)
                ),
            ));
        }
        Ok(())
    }

    fn open_joint(&mut self, line: usize, parent: Option<usize>) -> Result<Block, FileError> {
        let name = self.scanner.name().to_owned();
        if name.is_empty() {
            self.warn(line, "a joint has no name");
        }
        self.open_brace(&name)?;
        self.joints.push(BvhJoint {
            name,
            parent,
            offset: DVec3::ZERO,
            channels: Vec::new(),
            end_sites: Vec::new(),
        });
        Ok(Block::new(line, self.joints.len() - 1, false))
    }

    fn open_end_site(&mut self, line: usize, joint: usize) -> Result<Block, FileError> {
        let label = self.scanner.name().to_owned();
        self.open_brace("an end site")?;
        self.joints[joint].end_sites.push(EndSite {
            label,
            offset: DVec3::ZERO,
        });
        Ok(Block::new(line, joint, true))
    }

    fn open_brace(&mut self, owner: &str) -> Result<(), FileError> {
        let token = self.expect_word("\"{\"")?;
        if token.text == "{" {
            return Ok(());
        }
        Err(FileError::at_line(
            token.line,
            format!(
                "expected \"{{\" to open the block of \"{}\", found \"{}\"",
                clip(owner),
                clip(token.text)
            ),
        ))
    }

    fn offset(&mut self, token: Token<'_>, block: &mut Block) -> Result<(), FileError> {
        let owner = self.joints[block.joint].name.clone();
        if block.has_offset {
            return Err(FileError::at_line(
                token.line,
                format!("\"{}\" has a second OFFSET; keep one", clip(&owner)),
            ));
        }
        block.has_offset = true;
        let mut offset = DVec3::ZERO;
        for (axis, name) in ["X", "Y", "Z"].into_iter().enumerate() {
            offset[axis] = self.number(&format!("{name} of the OFFSET of \"{}\"", clip(&owner)))?;
        }
        let joint = &mut self.joints[block.joint];
        if !block.is_end_site {
            joint.offset = offset;
        } else if let Some(site) = joint.end_sites.last_mut() {
            site.offset = offset;
        }
        Ok(())
    }

    fn channels(&mut self, token: Token<'_>, block: &mut Block) -> Result<(), FileError> {
        Self::refuse_in_end_site(token, block)?;
        let owner = clip(&self.joints[block.joint].name);
        let fail = |message: &str| Err(FileError::at_line(token.line, message));
        if block.has_channels {
            return fail(&format!("\"{owner}\" has a second CHANNELS; keep one"));
        }
        if block.has_children {
            return fail(&format!(
                "CHANNELS of \"{owner}\" must stand before its child joints, \
                 or the order of the values is unclear"
            ));
        }
        block.has_channels = true;
        let count = self.count(&format!("the number of channels of \"{owner}\""))?;
        let mut channels = Vec::new();
        for _ in 0..count {
            channels.push(self.channel(&owner, count, &channels)?);
        }
        self.joints[block.joint].channels = channels;
        Ok(())
    }

    fn channel(
        &mut self,
        owner: &str,
        count: usize,
        before: &[Channel],
    ) -> Result<Channel, FileError> {
        let what = format!("channel {} of {count} of \"{owner}\"", before.len() + 1);
        let token = self.expect_word(&what)?;
        let fail = |message: String| Err(FileError::at_line(token.line, message));
        let Some(channel) = Channel::from_word(token.text) else {
            return fail(format!(
                "{what} should be one of Xposition, Yposition, Zposition, Xrotation, Yrotation, \
                 Zrotation, found \"{}\"",
                clip(token.text)
            ));
        };
        let rotations = before
            .iter()
            .filter(|other| other.rotation_axis().is_some());
        if channel.rotation_axis().is_some() && rotations.count() == 3 {
            return fail(format!("\"{owner}\" has more than three rotation channels"));
        }
        if channel.position_axis().is_some() && before.contains(&channel) {
            return fail(format!("\"{owner}\" has two channels {}", channel.word()));
        }
        Ok(channel)
    }

    fn count(&mut self, what: &str) -> Result<usize, FileError> {
        let token = self.expect_word(what)?;
        token.text.parse().map_err(|_| {
            FileError::at_line(
                token.line,
                format!(
                    "{what} should be a whole number, found \"{}\"",
                    clip(token.text)
                ),
            )
        })
    }

    fn close(&mut self, block: &Block) {
        if block.has_offset {
            return;
        }
        let owner = clip(&self.joints[block.joint].name);
        let of = if block.is_end_site {
            "an End Site of "
        } else {
            ""
        };
        self.warn(
            block.line,
            format!("{of}\"{owner}\" has no OFFSET; 0 0 0 was taken"),
        );
    }

    fn motion_header(&mut self) -> Result<MotionHeader<'a>, FileError> {
        self.keyword(&["Frames"], "\"Frames:\"")?;
        let frames_line = self.scanner.line();
        let frame_count = self.count("the number of frames")?;
        self.keyword(&["Frame", "Time"], "\"Frame Time:\"")?;
        let token = self.expect_word("the frame time")?;
        let frame_time_secs = parse_number(token.line, "the frame time", token.text)?;
        if frame_time_secs <= 0.0 {
            return Err(FileError::at_line(
                token.line,
                format!(
                    "the frame time is {frame_time_secs} s; it must be above 0, \
                     such as 0.0333333 for 30 frames per second"
                ),
            ));
        }
        Ok(MotionHeader {
            frame_count,
            frames_line,
            frame_time_secs,
            frame_time_text: token.text,
        })
    }

    fn keyword(&mut self, words: &[&str], what: &str) -> Result<(), FileError> {
        for word in words {
            if !self.scanner.skip_prefix(word) {
                let token = self.expect_word(what)?;
                return Err(self.misplaced(token, what));
            }
        }
        self.scanner.skip_prefix(":");
        Ok(())
    }

    fn frames(&mut self, header: &MotionHeader<'_>) -> Result<Vec<f64>, FileError> {
        let needed: usize = self.joints.iter().map(|joint| joint.channels.len()).sum();
        let mut rows = Vec::new();
        let mut values = Vec::new();
        for line in self.scanner.remaining_lines() {
            let before = values.len();
            read_row(line, &mut values)?;
            if values.len() > before {
                rows.push(Row {
                    line: line.number,
                    count: values.len() - before,
                });
            }
        }
        if needed == 0 {
            return self.frames_without_channels(header, &rows);
        }
        let frames = match rows.iter().find(|row| row.count != needed) {
            None => rows.clone(),
            Some(odd) => match join_rows(&rows, needed, header.frame_count) {
                Some(frames) => {
                    self.warn(odd.line, "frames wrap over several lines; they were joined");
                    frames
                }
                None => return Err(self.wrong_row(odd, needed, &rows)),
            },
        };
        check_frame_count(header, &frames)?;
        Ok(values)
    }

    fn frames_without_channels(
        &self,
        header: &MotionHeader<'_>,
        rows: &[Row],
    ) -> Result<Vec<f64>, FileError> {
        const MOST: usize = 1_000_000;
        if let Some(row) = rows.first() {
            return Err(self.wrong_row(row, 0, rows));
        }
        if header.frame_count > MOST {
            return Err(FileError::at_line(
                header.frames_line,
                format!(
                    "{} frames are promised, but no joint has channels",
                    header.frame_count
                ),
            ));
        }
        Ok(Vec::new())
    }

    fn wrong_row(&self, row: &Row, needed: usize, rows: &[Row]) -> FileError {
        let is_last = rows.last().is_some_and(|last| last.line == row.line);
        let hint = if is_last && row.count < needed {
            "; the file may be cut off here"
        } else {
            ""
        };
        FileError::at_line(
            row.line,
            format!(
                "this frame has {}, the channels above need {needed}{}{hint}",
                counted(row.count, "value"),
                self.channel_summary()
            ),
        )
    }

    /// " (6 for "pelvis", 3 for "spine" and 63 for 21 other joints)".
    fn channel_summary(&self) -> String {
        const SHOWN: usize = 3;
        let with_channels = || {
            self.joints
                .iter()
                .filter(|joint| !joint.channels.is_empty())
        };
        let mut parts: Vec<String> = with_channels()
            .take(SHOWN)
            .map(|joint| format!("{} for \"{}\"", joint.channels.len(), clip(&joint.name)))
            .collect();
        let others = with_channels().skip(SHOWN).count();
        if others > 0 {
            let rest: usize = with_channels()
                .skip(SHOWN)
                .map(|joint| joint.channels.len())
                .sum();
            parts.push(format!("{rest} for {}", counted(others, "other joint")));
        }
        if parts.is_empty() {
            String::new()
        } else {
            format!(" ({})", parts.join(", "))
        }
    }
}

/// A line with values.
#[derive(Clone, Debug)]
struct Row {
    line: usize,
    count: usize,
}

fn read_row(line: Line<'_>, values: &mut Vec<f64>) -> Result<(), FileError> {
    for (index, word) in line.text.split_whitespace().enumerate() {
        // The text of the error is made only where it is needed; captures have millions of values.
        match word.parse::<f64>() {
            Ok(value) if value.is_finite() => values.push(value),
            _ => {
                let what = format!("value {} of this frame", index + 1);
                values.push(parse_number(line.number, &what, word)?);
            }
        }
    }
    Ok(())
}

/// Joins lines to frames of `needed` values. Only if every frame starts with a line, all break at
/// the same places and there are as many as promised is it certain what was meant.
fn join_rows(rows: &[Row], needed: usize, promised: usize) -> Option<Vec<Row>> {
    let mut pattern = 0;
    let mut sum = 0;
    while sum < needed {
        sum += rows.get(pattern)?.count;
        pattern += 1;
    }
    let regular = sum == needed
        && pattern > 1
        && rows.len() == promised.checked_mul(pattern)?
        && rows
            .iter()
            .zip(rows.iter().skip(pattern))
            .all(|(row, next)| row.count == next.count);
    regular.then(|| {
        rows.iter()
            .step_by(pattern)
            .map(|row| Row {
                line: row.line,
                count: needed,
            })
            .collect()
    })
}

fn check_frame_count(header: &MotionHeader<'_>, frames: &[Row]) -> Result<(), FileError> {
    let promised = header.frame_count;
    let found = frames.len();
    let said = format!("line {} says \"Frames: {promised}\"", header.frames_line);
    if let Some(surplus) = frames.get(promised) {
        return Err(FileError::at_line(
            surplus.line,
            format!(
                "{said}, but here follows frame {} of {found}; correct the number \
                 or remove what is too much",
                promised + 1
            ),
        ));
    }
    if found < promised {
        let line = frames.last().map_or(header.frames_line, |row| row.line);
        return Err(FileError::at_line(
            line,
            format!(
                "the motion ends here after {}, but {said}; the file may be cut off: \
                 fetch it again, or correct the number if the rest is not needed",
                counted(found, "frame")
            ),
        ));
    }
    Ok(())
}
