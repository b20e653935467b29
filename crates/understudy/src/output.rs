//! What is printed, and where: results to stdout, everything else to stderr.

use std::fmt::Display;
use std::io::Write;
use std::path::Path;

use understudy_motion::LengthUnit;

use understudy_scene::{Exit, Failure};

/// Prints a result to stdout. A reader that has seen enough (`| head`) is no failure.
///
/// # Errors
/// A stdout that cannot be written for another reason, such as a full disk.
pub fn print(text: &str) -> Result<Exit, Failure> {
    let mut stdout = std::io::stdout().lock();
    let written = stdout
        .write_all(text.as_bytes())
        .and_then(|()| stdout.flush());
    match written {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => Err(Failure {
            exit: Exit::Output,
            message: format!("the result cannot be printed: {error}"),
        }),
        _ => Ok(Exit::Done),
    }
}

/// Prints an error to stderr. Every line says whose it is.
pub fn complain(problem: &dyn Display) {
    to_stderr("", problem);
}

/// Prints warnings about a file to stderr.
pub fn warn(path: &Path, warnings: &[String]) {
    for warning in warnings {
        to_stderr("note: ", &format_args!("{}: {warning}", path.display()));
    }
}

fn to_stderr(kind: &str, text: &dyn Display) {
    let text = text.to_string();
    let mut stderr = std::io::stderr().lock();
    for line in text.lines() {
        // Where even stderr is gone, the exit code still tells.
        let _ = writeln!(stderr, "understudy: {kind}{line}");
    }
}

/// A unit of length for people: "cm", "0.0564444 m".
pub fn unit_text(unit: LengthUnit) -> String {
    match unit {
        LengthUnit::Custom(metres) => format!("{metres:.7} m"),
        named => named.to_string(),
    }
}

/// Where the text of a column stands in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Align {
    /// At the left, for words.
    Left,
    /// At the right, for numbers.
    Right,
}

/// Rows of text in columns as wide as their widest cell.
#[derive(Clone, Debug)]
pub struct Table {
    aligns: Vec<Align>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// An empty table with a column per alignment.
    pub fn new(aligns: &[Align]) -> Self {
        Self {
            aligns: aligns.to_vec(),
            rows: Vec::new(),
        }
    }

    /// Adds a row; cells beyond the last column are left out.
    pub fn row(&mut self, cells: impl IntoIterator<Item = impl Into<String>>) {
        self.rows.push(cells.into_iter().map(Into::into).collect());
    }

    /// Whether there is no row.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// The table as text, each line indented by so many spaces.
    pub fn text(&self, indent: usize) -> String {
        let width = |column: usize| {
            let cells = self.rows.iter().filter_map(|row| row.get(column));
            cells.map(|cell| cell.chars().count()).max().unwrap_or(0)
        };
        let widths: Vec<usize> = (0..self.aligns.len()).map(width).collect();
        let mut text = String::new();
        for row in &self.rows {
            let mut line = " ".repeat(indent);
            for ((cell, align), &width) in row.iter().zip(&self.aligns).zip(&widths) {
                let padding = " ".repeat(width.saturating_sub(cell.chars().count()));
                match align {
                    Align::Left => line.extend([cell.as_str(), padding.as_str()]),
                    Align::Right => line.extend([padding.as_str(), cell.as_str()]),
                }
                line.push_str("  ");
            }
            text.push_str(line.trim_end());
            text.push('\n');
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_line_up() {
        let mut table = Table::new(&[Align::Left, Align::Right]);
        table.row(["slide", "0.5"]);
        table.row(["höhe", "12.25"]);
        assert_eq!(table.text(2), "  slide    0.5\n  höhe   12.25\n");
    }
}
