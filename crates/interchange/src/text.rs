//! Lines, tokens and numbers of text files, with line numbers.

use crate::error::FileError;

/// A line of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Line<'a> {
    /// Counted from 1.
    pub number: usize,
    /// The text without its line end.
    pub text: &'a str,
}

/// Splits text into lines; each of LF, CRLF and a lone CR ends one.
pub fn lines(text: &str) -> Vec<Line<'_>> {
    let mut found = Vec::new();
    let mut rest = text;
    while !rest.is_empty() {
        let end = rest.find(['\n', '\r']).unwrap_or(rest.len());
        found.push(Line {
            number: found.len() + 1,
            text: &rest[..end],
        });
        let after = &rest[end..];
        rest = after
            .strip_prefix("\r\n")
            .or_else(|| after.strip_prefix(['\n', '\r']))
            .unwrap_or(after);
    }
    found
}

/// Reads a finite number.
///
/// # Errors
/// Text that is no number, or no finite one; the error says which `thing` was expected.
pub fn parse_number(line: usize, thing: &str, text: &str) -> Result<f64, FileError> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        Ok(_) => Err(FileError::at_line(
            line,
            format!("{thing} is \"{}\"; a finite number is needed", clip(text)),
        )),
        Err(_) if text.replacen(',', ".", 1).parse::<f64>().is_ok() => Err(FileError::at_line(
            line,
            format!(
                "{thing} is \"{}\"; write numbers with a point, not a comma",
                clip(text)
            ),
        )),
        Err(_) => Err(FileError::at_line(
            line,
            format!("{thing} should be a number, found \"{}\"", clip(text)),
        )),
    }
}

/// Text short enough for an error message.
pub fn clip(text: &str) -> String {
    const LONGEST: usize = 40;
    match text.char_indices().nth(LONGEST) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text.to_owned(),
    }
}

/// "1 value", "2 values".
pub fn counted(count: usize, noun: &str) -> String {
    let ending = if count == 1 { "" } else { "s" };
    format!("{count} {noun}{ending}")
}

/// A word, or a brace, of a text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Token<'a> {
    /// Line it stands in, counted from 1.
    pub line: usize,
    /// The word.
    pub text: &'a str,
}

/// Reads a text word by word, or line by line where a rule says so. `{` and `}` at the start or
/// end of a word are words of their own.
#[derive(Clone, Debug)]
pub struct Scanner<'a> {
    lines: Vec<Line<'a>>,
    row: usize,
    column: usize,
}

impl<'a> Scanner<'a> {
    /// Starts at the beginning of a text.
    pub fn new(text: &'a str) -> Self {
        Self {
            lines: lines(text),
            row: 0,
            column: 0,
        }
    }

    /// Number of the line that is being read; of the last line at the end.
    pub fn line(&self) -> usize {
        (self.row + 1).min(self.lines.len().max(1))
    }

    /// What is left of the present line.
    fn remainder(&self) -> Option<&'a str> {
        let line = self.lines.get(self.row)?;
        Some(&line.text[self.column..])
    }

    /// Moves to the next word; the text from there to the end of its line.
    fn seek(&mut self) -> Option<&'a str> {
        loop {
            let rest = self.remainder()?;
            let word = rest.trim_start();
            if word.is_empty() {
                self.row += 1;
                self.column = 0;
            } else {
                self.column += rest.len() - word.len();
                return Some(word);
            }
        }
    }

    /// The next word without moving past it.
    pub fn peek(&mut self) -> Option<Token<'a>> {
        let rest = self.seek()?;
        let length = if rest.starts_with(['{', '}']) {
            1
        } else {
            rest.find(|letter: char| letter.is_whitespace() || letter == '{' || letter == '}')
                .unwrap_or(rest.len())
        };
        Some(Token {
            line: self.line(),
            text: &rest[..length],
        })
    }

    /// The next word.
    pub fn next_word(&mut self) -> Option<Token<'a>> {
        let token = self.peek()?;
        self.column += token.text.len();
        Some(token)
    }

    /// Moves past `word`, whatever its case, if it comes next. It may be glued to what follows.
    pub fn skip_prefix(&mut self, word: &str) -> bool {
        let found = self.seek().is_some_and(|rest| {
            rest.get(..word.len())
                .is_some_and(|start| start.eq_ignore_ascii_case(word))
        });
        if found {
            self.column += word.len();
        }
        found
    }

    /// A name: the rest of the line, trimmed, up to an opening brace that starts a word or ends
    /// the line. Names may hold spaces; a name may be missing.
    pub fn name(&mut self) -> &'a str {
        let Some(rest) = self.remainder() else {
            return "";
        };
        let end = name_end(rest);
        self.column += end;
        rest[..end].trim()
    }

    /// The lines that are left, the present one without what was read of it.
    pub fn remaining_lines(&self) -> impl Iterator<Item = Line<'a>> + '_ {
        self.lines[self.row.min(self.lines.len())..]
            .iter()
            .enumerate()
            .map(|(index, line)| Line {
                number: line.number,
                text: if index == 0 {
                    &line.text[self.column..]
                } else {
                    line.text
                },
            })
    }
}

/// Whether a name reads back as it is from a line of its own.
pub fn is_name(name: &str) -> bool {
    name.trim() == name && !name.contains(['\n', '\r']) && name_end(name) == name.len()
}

fn name_end(rest: &str) -> usize {
    let trimmed = rest.trim_end();
    let starts_word = |at: usize| {
        rest[..at]
            .chars()
            .next_back()
            .is_none_or(char::is_whitespace)
    };
    rest.match_indices('{')
        .map(|(at, _)| at)
        .find(|&at| starts_word(at) || at + 1 == trimmed.len())
        .unwrap_or(rest.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_line_end_counts_once() {
        let check = |text: &str, expected: &[&str]| {
            let found = lines(text);
            let texts: Vec<&str> = found.iter().map(|line| line.text).collect();
            assert_eq!(texts, expected, "{text:?}");
            for (index, line) in found.iter().enumerate() {
                assert_eq!(line.number, index + 1);
            }
        };
        check("", &[]);
        check("a\nb", &["a", "b"]);
        check("a\r\nb\r\n", &["a", "b"]);
        check("a\rb\r", &["a", "b"]);
        check("a\n\n\rb", &["a", "", "", "b"]);
    }

    #[test]
    fn words_and_names() {
        let mut scanner = Scanner::new("ROOT  left hip: 2 {\n\tOFFSET 1{}\n");
        assert_eq!(scanner.next_word().unwrap().text, "ROOT");
        assert_eq!(scanner.name(), "left hip: 2");
        let rest: Vec<_> = std::iter::from_fn(|| scanner.next_word())
            .map(|token| (token.line, token.text))
            .collect();
        let expected = [(1, "{"), (2, "OFFSET"), (2, "1"), (2, "{"), (2, "}")];
        assert_eq!(rest, expected);
        assert_eq!(scanner.name(), "");
    }

    #[test]
    fn names_with_braces_and_missing_names() {
        let check = |line: &str, expected: &str| {
            let mut scanner = Scanner::new(line);
            assert_eq!(scanner.name(), expected, "{line}");
        };
        check(" a{b} c {", "a{b} c");
        check(" tail{", "tail");
        check(" {", "");
        check("", "");
        check(" höft\u{a0}å ", "höft\u{a0}å");
    }

    #[test]
    fn numbers() {
        let check = |text: &str, expected: Option<f64>| {
            assert_eq!(parse_number(1, "a value", text).ok(), expected, "{text}");
        };
        check("1", Some(1.0));
        check("-1.5e+03", Some(-1500.0));
        check("+.5", Some(0.5));
        check("5.", Some(5.0));
        check("1E-2", Some(0.01));
        check("nan", None);
        check("-inf", None);
        check("1e999", None);
        check("", None);
        check("0x10", None);
        let comma = parse_number(4, "value 2", "0,5").unwrap_err().to_string();
        assert!(
            comma.contains("line 4") && comma.contains("comma"),
            "{comma}"
        );
    }

    #[test]
    fn messages_stay_short() {
        assert_eq!(clip("short"), "short");
        assert_eq!(clip(&"ö".repeat(50)), "ö".repeat(40) + "…");
        assert_eq!(counted(1, "value"), "1 value");
        assert_eq!(counted(0, "value"), "0 values");
    }
}
