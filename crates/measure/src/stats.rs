//! Sums over frames that several measures share.

/// The largest value with its index; `None` for no values. The first of equals wins.
pub(crate) fn worst(values: &[f64]) -> Option<(usize, f64)> {
    values
        .iter()
        .copied()
        .enumerate()
        .filter(|(_, value)| value.is_finite())
        .reduce(|best, next| if next.1 > best.1 { next } else { best })
}

/// The arithmetic mean; 0 for no values.
pub(crate) fn mean(values: &[f64]) -> f64 {
    if values.is_empty() {
        0.0
    } else {
        values.iter().sum::<f64>() / values.len() as f64
    }
}

/// The largest of some numbers; 0 where there is none above.
pub(crate) fn largest(values: impl Iterator<Item = f64>) -> f64 {
    values.fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_of_few_and_of_none() {
        assert_eq!(worst(&[1.0, 3.0, f64::NAN, 3.0]), Some((1, 3.0)));
        assert_eq!(worst(&[]), None);
        assert_eq!(mean(&[1.0, 2.0]), 1.5);
        assert_eq!(mean(&[]), 0.0);
        assert_eq!(largest([-1.0].into_iter()), 0.0);
    }
}
