//! Composes and decomposes Euler angles, line by line, so that other programs can compare.
//!
//! Standard input: lines `ORDER a b c`, an order such as ZXY and three angles in degrees.
//! Standard output: per line the quaternion `x y z w` and the three angles, in degrees, that
//! decomposing it gives.

use std::io::{self, BufRead, Write};
use std::process::ExitCode;

use understudy_motion::RotationOrder;

fn main() -> ExitCode {
    match copy_lines(io::stdin().lock(), io::stdout().lock()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            eprintln!("rotation_orders: {message}");
            ExitCode::FAILURE
        }
    }
}

fn copy_lines(input: impl BufRead, mut output: impl Write) -> Result<(), String> {
    for (index, line) in input.lines().enumerate() {
        let answer = line
            .map_err(|error| error.to_string())
            .and_then(|line| answer(&line))
            .map_err(|error| format!("line {}: {error}", index + 1))?;
        writeln!(output, "{answer}").map_err(|error| error.to_string())?;
    }
    output.flush().map_err(|error| error.to_string())
}

/// The seven numbers for one line. Seventeen digits carry an `f64` through text unchanged.
fn answer(line: &str) -> Result<String, String> {
    let words: Vec<&str> = line.split_whitespace().collect();
    let &[order, a, b, c] = words.as_slice() else {
        return Err(format!("\"{line}\": expected an order and three angles"));
    };
    let order: RotationOrder = order.parse()?;
    let radians = |word: &str| -> Result<f64, String> {
        word.parse()
            .map(f64::to_radians)
            .map_err(|_| format!("\"{word}\" is no number"))
    };
    let rotation = order.compose([radians(a)?, radians(b)?, radians(c)?]);
    let angles = order.decompose(rotation).map(f64::to_degrees);
    let numbers: Vec<String> = rotation
        .to_array()
        .iter()
        .chain(&angles)
        .map(|value| format!("{value:.17e}"))
        .collect();
    Ok(numbers.join(" "))
}
