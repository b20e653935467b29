//! The text of an ASF file as a skeleton.

use std::collections::HashMap;

use glam::{DQuat, DVec3};
use understudy_motion::RotationOrder;
use understudy_motion::euler::about_axis;

use crate::error::FileError;
use crate::text::{Line, clip, counted, lines, parse_number};

/// A degree of freedom of a bone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Dof {
    /// Along an axis (0 = X, 1 = Y, 2 = Z) of the bone's own frame, file units.
    Translation(usize),
    /// About an axis (0 = X, 1 = Y, 2 = Z) of the bone's own frame.
    Rotation(usize),
    /// Change of the bone's length, file units (from memory; the open captures do not use it).
    Length,
}

impl Dof {
    /// The degree of freedom of a word such as `rx`, whatever its case.
    pub fn from_word(word: &str) -> Option<Self> {
        match word.to_ascii_lowercase().as_str() {
            "tx" => Some(Self::Translation(0)),
            "ty" => Some(Self::Translation(1)),
            "tz" => Some(Self::Translation(2)),
            "rx" => Some(Self::Rotation(0)),
            "ry" => Some(Self::Rotation(1)),
            "rz" => Some(Self::Rotation(2)),
            "l" => Some(Self::Length),
            _ => None,
        }
    }
}

/// The unit of angles in a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum AngleUnit {
    /// Degrees.
    #[default]
    Degrees,
    /// Radians.
    Radians,
}

impl AngleUnit {
    /// An angle of this unit in radians.
    pub fn to_radians(self, angle: f64) -> f64 {
        match self {
            Self::Degrees => angle.to_radians(),
            Self::Radians => angle,
        }
    }
}

/// The root of an ASF skeleton.
#[derive(Clone, Debug, PartialEq)]
pub struct AsfRoot {
    /// What the values of the root in a frame mean, in order.
    pub order: Vec<Dof>,
    /// Position at rest, file units.
    pub position: DVec3,
    /// Orientation at rest, `world_from_root`.
    pub orientation: DQuat,
}

/// A bone of an ASF skeleton.
#[derive(Clone, Debug, PartialEq)]
pub struct AsfBone {
    /// The name.
    pub name: String,
    /// Index of the bone at whose end this one starts; `None` for the root.
    pub parent: Option<usize>,
    /// From start to end at rest, unit vector in world axes, or 0.
    pub direction: DVec3,
    /// Length, file units.
    pub length: f64,
    /// The frame in which the bone turns, `world_from_axes` at rest.
    pub axes: DQuat,
    /// Degrees of freedom in the order of the values in a frame.
    pub dof: Vec<Dof>,
    /// Lowest and highest value of each degree of freedom, radians or file units; empty where the
    /// file gives none, infinite where it says so.
    pub limits: Vec<(f64, f64)>,
}

impl AsfBone {
    /// From start to end at rest, file units, world axes.
    pub fn vector(&self) -> DVec3 {
        self.direction * self.length
    }
}

/// An ASF file: lengths in file units, angles in radians.
#[derive(Clone, Debug, PartialEq)]
pub struct AsfSkeleton {
    /// Name of the skeleton; may be empty.
    pub name: String,
    /// Notes in the file; may be empty.
    pub documentation: String,
    /// The `length` unit, if the file gives one; a file unit is 1/`length` inches.
    pub length_unit: Option<f64>,
    /// Unit of angles in the file, and in motions that say nothing else.
    pub angle_unit: AngleUnit,
    /// The root.
    pub root: AsfRoot,
    /// Bones, parents before children.
    pub bones: Vec<AsfBone>,
}

impl AsfSkeleton {
    /// The bone of a name, whatever its case.
    pub fn find(&self, name: &str) -> Option<usize> {
        self.bones
            .iter()
            .position(|bone| bone.name.eq_ignore_ascii_case(name))
    }
}

/// A skeleton and what was mended while reading it.
#[derive(Clone, Debug, PartialEq)]
pub struct ParsedAsf {
    /// The file as data.
    pub skeleton: AsfSkeleton,
    /// Recoverable defects, each with its line.
    pub warnings: Vec<String>,
}

/// Reads the text of an ASF file.
///
/// Keywords and bone names may have any case; parentheses and commas count as blanks, `#` starts a
/// comment.
///
/// # Errors
/// Text that is no ASF file: no `:root`, `:bonedata` or `:hierarchy`, a missing or malformed
/// number, an unknown degree of freedom, a bone that is unknown, named twice or hung up twice.
pub fn parse_asf(text: &str) -> Result<ParsedAsf, FileError> {
    let mut parser = Parser::default();
    for line in lines(text) {
        parser.line(line)?;
    }
    parser.finish()
}

/// A product of turns about fixed axes: the first listed is applied first, so it stands rightmost.
pub(super) fn turns_about_fixed_axes(turns: impl IntoIterator<Item = (usize, f64)>) -> DQuat {
    turns
        .into_iter()
        .fold(DQuat::IDENTITY, |product, (axis, angle)| {
            about_axis(axis, angle) * product
        })
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Section {
    #[default]
    None,
    Units,
    Documentation,
    Root,
    Bones,
    Hierarchy,
    Unknown,
}

/// Angles as the file gives them, until its unit is known.
#[derive(Clone, Debug)]
struct RawAxis {
    line: usize,
    angles: [f64; 3],
    order: RotationOrder,
}

#[derive(Clone, Debug, Default)]
struct RawRoot {
    order: Vec<Dof>,
    position: DVec3,
    orientation: [f64; 3],
    orientation_line: usize,
    axis: Option<RotationOrder>,
}

#[derive(Clone, Debug)]
struct RawBone {
    line: usize,
    name: Option<String>,
    direction: DVec3,
    length: f64,
    axis: Option<RawAxis>,
    dof: Vec<Dof>,
    limits: Vec<f64>,
    limits_line: usize,
}

#[derive(Default)]
struct Parser {
    section: Section,
    name: String,
    documentation: Vec<String>,
    length_unit: Option<f64>,
    angle_unit: AngleUnit,
    root: Option<RawRoot>,
    bones: Vec<RawBone>,
    open_bone: Option<RawBone>,
    in_limits: bool,
    hierarchy: Option<Vec<(usize, Vec<String>)>>,
    last_line: usize,
    warnings: Vec<String>,
}

/// The words of a line, split as the format wants it.
struct Words<'a> {
    line: usize,
    words: Vec<&'a str>,
}

impl<'a> Words<'a> {
    fn of(line: Line<'a>) -> Self {
        let text = line.text.split('#').next().unwrap_or_default();
        let is_blank = |letter: char| letter.is_whitespace() || "(),".contains(letter);
        Self {
            line: line.number,
            words: text
                .split(is_blank)
                .filter(|word| !word.is_empty())
                .collect(),
        }
    }

    fn fail<T>(&self, message: impl Into<String>) -> Result<T, FileError> {
        Err(FileError::at_line(self.line, message))
    }

    fn numbers<const N: usize>(&self, first: usize) -> Result<[f64; N], FileError> {
        let keyword = self.words.first().copied().unwrap_or_default();
        let mut numbers = [0.0; N];
        for (index, number) in numbers.iter_mut().enumerate() {
            let Some(word) = self.words.get(first + index) else {
                return self.fail(format!(
                    "\"{}\" needs {}, found {index}",
                    clip(keyword),
                    counted(N, "number")
                ));
            };
            let what = format!("number {} of \"{}\"", index + 1, clip(keyword));
            *number = parse_number(self.line, &what, word)?;
        }
        Ok(numbers)
    }

    fn order(&self, at: usize) -> Result<RotationOrder, FileError> {
        let word = self.words.get(at).copied().unwrap_or_default();
        word.parse().or_else(|message: String| self.fail(message))
    }

    fn dof(&self) -> Result<Vec<Dof>, FileError> {
        let mut found = Vec::new();
        for word in self.words.iter().skip(1) {
            match Dof::from_word(word) {
                Some(dof) if found.contains(&dof) => {
                    return self.fail(format!("\"{}\" is listed twice", clip(word)));
                }
                Some(dof) => found.push(dof),
                None => {
                    return self.fail(format!(
                        "\"{}\" is no degree of freedom; use tx, ty, tz, rx, ry, rz or l",
                        clip(word)
                    ));
                }
            }
        }
        Ok(found)
    }
}

impl Parser {
    fn line(&mut self, line: Line<'_>) -> Result<(), FileError> {
        self.last_line = line.number;
        let words = Words::of(line);
        if let Some(keyword) = words.words.first().and_then(|word| word.strip_prefix(':')) {
            return self.keyword(&keyword.to_ascii_lowercase(), &words);
        }
        if self.section == Section::Documentation {
            self.documentation.push(line.text.trim().to_owned());
            return Ok(());
        }
        let Some(first) = words.words.first() else {
            return Ok(());
        };
        let first = first.to_ascii_lowercase();
        match self.section {
            Section::Units => self.unit(&first, &words),
            Section::Root => self.root(&first, &words),
            Section::Bones => self.bone(&first, &words),
            Section::Hierarchy => self.branch(&first, &words),
            Section::None => words.fail(format!(
                "an ASF file starts with a keyword such as \":version\", found \"{}\"",
                clip(&first)
            )),
            Section::Documentation | Section::Unknown => Ok(()),
        }
    }

    fn keyword(&mut self, keyword: &str, words: &Words<'_>) -> Result<(), FileError> {
        if let Some(bone) = &self.open_bone {
            return words.fail(format!(
                "the bone that begins in line {} has no \"end\"",
                bone.line
            ));
        }
        self.section = match keyword {
            "version" => Section::None,
            "name" => {
                self.name = words.words[1..].join(" ");
                Section::None
            }
            "units" => Section::Units,
            "documentation" => Section::Documentation,
            "root" => {
                self.root.get_or_insert_default();
                Section::Root
            }
            "bonedata" => Section::Bones,
            "hierarchy" => {
                self.hierarchy.get_or_insert_default();
                Section::Hierarchy
            }
            other => {
                self.warn(
                    words.line,
                    format!("section \":{}\" is unknown and left out", clip(other)),
                );
                Section::Unknown
            }
        };
        Ok(())
    }

    fn warn(&mut self, line: usize, message: impl AsRef<str>) {
        self.warnings
            .push(format!("line {line}: {}", message.as_ref()));
    }

    fn unit(&mut self, first: &str, words: &Words<'_>) -> Result<(), FileError> {
        match first {
            "length" => {
                let [length] = words.numbers(1)?;
                if length <= 0.0 {
                    return words.fail(format!("the length unit is {length}; it must be above 0"));
                }
                self.length_unit = Some(length);
            }
            "angle" => {
                let unit = words.words.get(1).copied().unwrap_or_default();
                self.angle_unit = match unit.to_ascii_lowercase().as_str() {
                    "deg" | "degrees" => AngleUnit::Degrees,
                    "rad" | "radians" => AngleUnit::Radians,
                    _ => {
                        return words.fail(format!(
                            "angle should be deg or rad, found \"{}\"",
                            clip(unit)
                        ));
                    }
                };
            }
            "mass" => {}
            _ => self.warn(words.line, format!("unit \"{}\" is unknown", clip(first))),
        }
        Ok(())
    }

    fn root(&mut self, first: &str, words: &Words<'_>) -> Result<(), FileError> {
        let mut unknown = false;
        let root = self.root.get_or_insert_default();
        match first {
            "order" => root.order = words.dof()?,
            "axis" => root.axis = Some(words.order(1)?),
            "position" => root.position = DVec3::from_array(words.numbers(1)?),
            "orientation" => {
                root.orientation = words.numbers(1)?;
                root.orientation_line = words.line;
            }
            _ => unknown = true,
        }
        if unknown {
            self.warn(
                words.line,
                format!("\"{}\" is unknown in :root", clip(first)),
            );
        }
        Ok(())
    }

    fn bone(&mut self, first: &str, words: &Words<'_>) -> Result<(), FileError> {
        if first == "begin" {
            if let Some(bone) = &self.open_bone {
                let line = bone.line;
                return words.fail(format!(
                    "the bone that begins in line {line} has no \"end\""
                ));
            }
            self.in_limits = false;
            self.open_bone = Some(RawBone::new(words.line));
            return Ok(());
        }
        let Some(mut bone) = self.open_bone.take() else {
            return words.fail(format!("expected \"begin\", found \"{}\"", clip(first)));
        };
        if first == "end" {
            self.bones.push(bone);
            return Ok(());
        }
        let is_known = bone.entry(first, words, &mut self.in_limits)?;
        self.open_bone = Some(bone);
        if !is_known {
            self.warn(
                words.line,
                format!("\"{}\" is unknown in a bone", clip(first)),
            );
        }
        Ok(())
    }

    fn branch(&mut self, first: &str, words: &Words<'_>) -> Result<(), FileError> {
        if first != "begin" && first != "end" {
            let names = words.words.iter().map(|&word| word.to_owned()).collect();
            self.hierarchy
                .get_or_insert_default()
                .push((words.line, names));
        }
        Ok(())
    }

    fn finish(mut self) -> Result<ParsedAsf, FileError> {
        let missing = |what: &str| {
            FileError::at_line(
                self.last_line.max(1),
                format!("the file ends without {what}; is it cut off, or no ASF file?"),
            )
        };
        if self.open_bone.is_some() {
            return Err(missing("the \"end\" of a bone"));
        }
        let root = self.root.take().ok_or_else(|| missing("\":root\""))?;
        let branches = self
            .hierarchy
            .take()
            .ok_or_else(|| missing("\":hierarchy\""))?;
        if root.order.is_empty() {
            return Err(missing("the \"order\" of the root"));
        }
        let raw = std::mem::take(&mut self.bones);
        let order = self.hang_up(&raw, &branches)?;
        let mut place = HashMap::new();
        let mut bones: Vec<AsfBone> = Vec::with_capacity(order.len());
        for (index, parent) in order {
            place.insert(index, bones.len());
            let parent = parent.and_then(|parent| place.get(&parent).copied());
            bones.push(self.finish_bone(&raw[index], parent));
        }
        let root = self.finish_root(&root);
        Ok(ParsedAsf {
            skeleton: AsfSkeleton {
                name: self.name,
                documentation: self.documentation.join("\n").trim().to_owned(),
                length_unit: self.length_unit,
                angle_unit: self.angle_unit,
                root,
                bones,
            },
            warnings: self.warnings,
        })
    }

    /// Bones in depth-first order with their parents.
    fn hang_up(
        &mut self,
        bones: &[RawBone],
        branches: &[(usize, Vec<String>)],
    ) -> Result<Vec<(usize, Option<usize>)>, FileError> {
        let by_name = index_by_name(bones)?;
        let children = children_by_parent(&by_name, branches)?;
        let mut order = Vec::new();
        let below = |parent: Option<usize>| {
            let listed = children.get(&parent).into_iter().flatten();
            listed.rev().map(move |&child| (child, parent))
        };
        let mut open: Vec<(usize, Option<usize>)> = below(None).collect();
        while let Some((bone, parent)) = open.pop() {
            order.push((bone, parent));
            open.extend(below(Some(bone)));
        }
        let mut placed = vec![false; bones.len()];
        for &(bone, _) in &order {
            placed[bone] = true;
        }
        for (index, bone) in bones.iter().enumerate() {
            if !placed[index] {
                let name = clip(bone.name.as_deref().unwrap_or_default());
                self.warn(
                    bone.line,
                    format!("bone \"{name}\" does not hang on the root in :hierarchy; left out"),
                );
            }
        }
        Ok(order)
    }

    fn turn(&mut self, axis: &RawAxis) -> DQuat {
        let used = axis.angles.iter().filter(|angle| **angle != 0.0).count();
        if used > 1 && axis.order.axes() != [0, 1, 2] {
            self.warn(
                axis.line,
                format!(
                    "the three angles are read as turns about {} in this order",
                    axis.order
                ),
            );
        }
        let radians = axis.angles.map(|angle| self.angle_unit.to_radians(angle));
        turns_about_fixed_axes(axis.order.axes().into_iter().zip(radians))
    }

    fn finish_root(&mut self, root: &RawRoot) -> AsfRoot {
        let axis = RawAxis {
            line: root.orientation_line,
            angles: root.orientation,
            order: root.axis.unwrap_or(RotationOrder::XYZ),
        };
        let orientation = self.turn(&axis);
        if root.orientation != [0.0; 3] {
            self.warn(
                root.orientation_line,
                "the root is turned at rest; frames turn it further about world axes",
            );
        }
        AsfRoot {
            order: root.order.clone(),
            position: root.position,
            orientation,
        }
    }

    fn finish_bone(&mut self, raw: &RawBone, parent: Option<usize>) -> AsfBone {
        let name = raw.name.clone().unwrap_or_default();
        let direction = raw.direction.normalize_or_zero();
        if direction == DVec3::ZERO && raw.length != 0.0 {
            self.warn(
                raw.line,
                format!("bone \"{}\" has a length but no direction", clip(&name)),
            );
        }
        let axes = match &raw.axis {
            Some(axis) => self.turn(axis),
            None => DQuat::IDENTITY,
        };
        AsfBone {
            limits: self.limits(raw),
            name,
            parent,
            direction,
            length: raw.length,
            axes,
            dof: raw.dof.clone(),
        }
    }

    fn limits(&mut self, raw: &RawBone) -> Vec<(f64, f64)> {
        if raw.limits.is_empty() {
            return Vec::new();
        }
        let (pairs, rest) = raw.limits.as_chunks::<2>();
        if pairs.len() != raw.dof.len() || !rest.is_empty() {
            self.warn(
                raw.limits_line,
                format!(
                    "{} of limits given for {} of freedom; the limits are left out",
                    counted(raw.limits.len(), "number"),
                    match raw.dof.len() {
                        1 => "1 degree".to_owned(),
                        count => format!("{count} degrees"),
                    }
                ),
            );
            return Vec::new();
        }
        let unit = self.angle_unit;
        pairs
            .iter()
            .zip(&raw.dof)
            .map(|(&[low, high], dof)| match dof {
                Dof::Rotation(_) => (unit.to_radians(low), unit.to_radians(high)),
                _ => (low, high),
            })
            .collect()
    }
}

impl RawBone {
    fn new(line: usize) -> Self {
        Self {
            line,
            name: None,
            direction: DVec3::ZERO,
            length: 0.0,
            axis: None,
            dof: Vec::new(),
            limits: Vec::new(),
            limits_line: line,
        }
    }

    /// Reads one line of a bone; false for a word that is not known.
    fn entry(
        &mut self,
        first: &str,
        words: &Words<'_>,
        in_limits: &mut bool,
    ) -> Result<bool, FileError> {
        // Limits run on over lines without a keyword.
        if *in_limits && first.parse::<f64>().is_ok() {
            self.add_limits(&words.words, words)?;
            return Ok(true);
        }
        *in_limits = first == "limits";
        match first {
            "id" | "bodymass" | "cofmass" | "inertia" => {}
            "name" => {
                let Some(name) = words.words.get(1) else {
                    return words.fail("a bone needs a name");
                };
                self.name = Some((*name).to_owned());
            }
            "direction" => self.direction = DVec3::from_array(words.numbers(1)?),
            "length" => [self.length] = words.numbers(1)?,
            "axis" => {
                self.axis = Some(RawAxis {
                    line: words.line,
                    angles: words.numbers(1)?,
                    order: words.order(4)?,
                });
            }
            "dof" => self.dof = words.dof()?,
            "limits" => {
                self.limits_line = words.line;
                self.add_limits(&words.words[1..], words)?;
            }
            _ => return Ok(false),
        }
        Ok(true)
    }

    fn add_limits(&mut self, numbers: &[&str], words: &Words<'_>) -> Result<(), FileError> {
        for number in numbers {
            match number.parse::<f64>() {
                Ok(value) if !value.is_nan() => self.limits.push(value),
                _ => {
                    return words.fail(format!(
                        "a limit should be a number, inf or -inf, found \"{}\"",
                        clip(number)
                    ));
                }
            }
        }
        Ok(())
    }
}

fn index_by_name(bones: &[RawBone]) -> Result<HashMap<String, usize>, FileError> {
    let mut by_name = HashMap::new();
    for (index, bone) in bones.iter().enumerate() {
        let Some(name) = &bone.name else {
            return Err(FileError::at_line(
                bone.line,
                "the bone that begins here has no name; give it one",
            ));
        };
        let key = name.to_ascii_lowercase();
        if key == "root" || by_name.insert(key, index).is_some() {
            return Err(FileError::at_line(
                bone.line,
                format!("a second bone is called \"{}\"; rename one", clip(name)),
            ));
        }
    }
    Ok(by_name)
}

/// Children of every bone, and of the root under `None`, in the file's order.
fn children_by_parent(
    by_name: &HashMap<String, usize>,
    branches: &[(usize, Vec<String>)],
) -> Result<HashMap<Option<usize>, Vec<usize>>, FileError> {
    let mut children: HashMap<Option<usize>, Vec<usize>> = HashMap::new();
    let mut line_of_child: HashMap<usize, usize> = HashMap::new();
    for (line, names) in branches {
        let find = |name: &String| {
            by_name
                .get(&name.to_ascii_lowercase())
                .copied()
                .ok_or_else(|| {
                    FileError::at_line(
                        *line,
                        format!("no bone of :bonedata is called \"{}\"", clip(name)),
                    )
                })
        };
        let Some((parent, below)) = names.split_first() else {
            continue;
        };
        let parent = match parent.eq_ignore_ascii_case("root") {
            true => None,
            false => Some(find(parent)?),
        };
        for name in below {
            let child = find(name)?;
            if let Some(before) = line_of_child.insert(child, *line) {
                return Err(FileError::at_line(
                    *line,
                    format!(
                        "bone \"{}\" hangs on a bone in line {before} already",
                        clip(name)
                    ),
                ));
            }
            children.entry(parent).or_default().push(child);
        }
    }
    Ok(children)
}
