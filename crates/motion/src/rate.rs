//! Frame rates as people say them, and the times of frames.

/// Rates that have a name in the trade, frames per second; fractional ones are exact quotients
/// (SMPTE ST 12-1 counts at 30000/1001 and 24000/1001).
const NAMED: [(f64, &str); 16] = [
    (24000.0 / 1001.0, "23.976"),
    (24.0, "24"),
    (25.0, "25"),
    (30000.0 / 1001.0, "29.97"),
    (30.0, "30"),
    (48.0, "48"),
    (50.0, "50"),
    (60000.0 / 1001.0, "59.94"),
    (60.0, "60"),
    (90.0, "90"),
    (100.0, "100"),
    (120000.0 / 1001.0, "119.88"),
    (120.0, "120"),
    (150.0, "150"),
    (200.0, "200"),
    (240.0, "240"),
];

/// The rate as a person says it: "120" for a frame time of 0.00833333 s.
///
/// A frame time printed with six decimals is off by up to 5e-7 s, so a named rate is taken where
/// it lies within that.
pub fn spoken_rate(frame_time_secs: f64) -> String {
    let printed_error_secs = 6e-7;
    let nearest = NAMED.iter().min_by(|a, b| {
        let misfit = |rate: f64| (1.0 / rate - frame_time_secs).abs();
        misfit(a.0).total_cmp(&misfit(b.0))
    });
    match nearest {
        Some((rate, name)) if (1.0 / rate - frame_time_secs).abs() < printed_error_secs => {
            (*name).to_owned()
        }
        _ => format!("{:.3}", 1.0 / frame_time_secs),
    }
}

/// The frame time a person means by a rate: "29.97" is 1001/30000 s.
///
/// `None` for text that is no positive number.
pub fn frame_time_from_spoken(text: &str) -> Option<f64> {
    let text = text.trim();
    if let Some((rate, _)) = NAMED.iter().find(|(_, name)| *name == text) {
        return Some(1.0 / rate);
    }
    let rate: f64 = text.parse().ok()?;
    (rate.is_finite() && rate > 0.0).then_some(1.0 / rate)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn printed_frame_times_have_names() {
        let check = |frame_time, name| assert_eq!(spoken_rate(frame_time), name);
        check(0.00833333, "120");
        check(0.008333, "120");
        check(0.033333, "30");
        check(0.0333667, "29.97");
        check(0.0416667, "24");
        check(0.041708, "23.976");
        check(0.01, "100");
        check(0.0123, "81.301");
    }

    #[test]
    fn spoken_rates_are_exact() {
        assert_eq!(frame_time_from_spoken("29.97"), Some(1001.0 / 30000.0));
        assert_eq!(frame_time_from_spoken("120"), Some(1.0 / 120.0));
        assert_eq!(frame_time_from_spoken("0"), None);
        assert_eq!(frame_time_from_spoken("fast"), None);
    }
}
