//! Where in the take the playback is, in seconds: real time passes in, frames come out.

/// Slowest and fastest playback, as factors on real time.
pub const SPEEDS: std::ops::RangeInclusive<f64> = 0.05..=4.0;

/// Part of a frame by which rounding may miss the frame that was asked for.
const NEAR: f64 = 1e-6;

/// A playback clock. It knows frames and seconds only, nothing of what is played.
#[derive(Clone, Debug, PartialEq)]
pub struct Clock {
    /// Number of frames, at least 1.
    frames: usize,
    /// Time from frame to frame, seconds.
    frame_time_secs: f64,
    /// Place in the take, seconds after its first frame.
    at_secs: f64,
    /// Whether time passes.
    pub is_playing: bool,
    /// Whether the end is followed by the beginning.
    pub is_looping: bool,
    /// Factor on real time.
    speed: f64,
    /// First and last frame of the part that is played; the whole take where absent.
    range: Option<(usize, usize)>,
}

impl Default for Clock {
    fn default() -> Self {
        Self::new(1, 1.0 / 30.0)
    }
}

impl Clock {
    /// A clock at the first frame, at rest.
    pub fn new(frames: usize, frame_time_secs: f64) -> Self {
        Self {
            frames: frames.max(1),
            frame_time_secs: if frame_time_secs > 0.0 {
                frame_time_secs
            } else {
                1.0
            },
            at_secs: 0.0,
            is_playing: false,
            is_looping: true,
            speed: 1.0,
            range: None,
        }
    }

    /// The same choices of loop and speed for another take, from its first frame.
    pub fn for_take(&self, frames: usize, frame_time_secs: f64) -> Self {
        Self {
            is_looping: self.is_looping,
            speed: self.speed,
            ..Self::new(frames, frame_time_secs)
        }
    }

    /// Number of frames, at least 1.
    pub fn frames(&self) -> usize {
        self.frames
    }

    /// Last frame.
    pub fn last(&self) -> usize {
        self.frames - 1
    }

    /// Time from frame to frame, seconds.
    pub fn frame_time_secs(&self) -> f64 {
        self.frame_time_secs
    }

    /// The frame to show.
    pub fn frame(&self) -> usize {
        ((self.at_secs / self.frame_time_secs + NEAR) as usize).min(self.last())
    }

    /// Factor on real time.
    pub fn speed(&self) -> f64 {
        self.speed
    }

    /// Sets the speed, held within [`SPEEDS`].
    pub fn set_speed(&mut self, speed: f64) {
        if speed.is_finite() {
            self.speed = speed.clamp(*SPEEDS.start(), *SPEEDS.end());
        }
    }

    /// First and last frame that are played.
    pub fn bounds(&self) -> (usize, usize) {
        self.range.unwrap_or((0, self.last()))
    }

    /// The part that is played, where it is not the whole take.
    pub fn range(&self) -> Option<(usize, usize)> {
        self.range
    }

    /// Plays only these frames, in either order; `None` plays the whole take.
    pub fn set_range(&mut self, range: Option<(usize, usize)>) {
        self.range = range
            .map(|(a, b)| (a.min(b).min(self.last()), a.max(b).min(self.last())))
            .filter(|(first, last)| first < last);
    }

    /// Goes to a frame, the last one where it lies past the end.
    pub fn seek(&mut self, frame: usize) {
        self.at_secs = frame.min(self.last()) as f64 * self.frame_time_secs;
    }

    /// Stops, and goes on or back by whole frames.
    pub fn step(&mut self, frames: i64) {
        self.is_playing = false;
        let target = self.frame() as i64 + frames;
        self.seek(usize::try_from(target).unwrap_or(0));
    }

    /// Starts or stops. At the end of what is played it starts from its beginning.
    pub fn toggle(&mut self) {
        self.is_playing = !self.is_playing;
        let (first, last) = self.bounds();
        let is_outside = !(first..last).contains(&self.frame());
        if self.is_playing && is_outside {
            self.seek(first);
        }
    }

    /// Lets real time pass, seconds since the last call, however long a picture took to draw.
    pub fn advance(&mut self, elapsed_secs: f64) {
        let passes = self.is_playing && elapsed_secs > 0.0;
        if !passes {
            return;
        }
        let (first, last) = self.bounds();
        let (start, end) = (
            first as f64 * self.frame_time_secs,
            last as f64 * self.frame_time_secs,
        );
        self.at_secs += elapsed_secs * self.speed;
        if self.at_secs < end {
            return;
        }
        if !self.is_looping {
            self.at_secs = end;
            self.is_playing = false;
            return;
        }
        // The last frame is shown for as long as every other.
        let length = end - start + self.frame_time_secs;
        if self.at_secs >= end + self.frame_time_secs {
            self.at_secs = start + (self.at_secs - start).rem_euclid(length);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn playing(frames: usize) -> Clock {
        let mut clock = Clock::new(frames, 1.0 / 120.0);
        clock.toggle();
        clock
    }

    #[test]
    fn real_time_is_kept_whatever_the_display() {
        for rate in [24.0, 60.0, 144.0, 7.3] {
            let mut clock = playing(1200);
            let pictures = (2.5 * rate) as usize;
            for _ in 0..pictures {
                clock.advance(1.0 / rate);
            }
            let passed = pictures as f64 / rate;
            assert!((clock.at_secs - passed).abs() < 1e-9, "{rate} per second");
        }
    }

    #[test]
    fn speed_is_a_factor_on_real_time() {
        let mut clock = playing(1200);
        clock.set_speed(0.25);
        clock.advance(2.0);
        assert_eq!(clock.frame(), 60);
        clock.set_speed(f64::NAN);
        clock.set_speed(1e9);
        assert_eq!(clock.speed(), 4.0);
    }

    #[test]
    fn a_loop_shows_every_frame_equally_long() {
        let mut clock = playing(5);
        let mut shown = [0; 5];
        for _ in 0..50 {
            shown[clock.frame()] += 1;
            clock.advance(1.0 / 120.0);
        }
        assert_eq!(shown, [10; 5]);
    }

    #[test]
    fn a_range_is_played_again_and_again() {
        let mut clock = playing(100);
        clock.set_range(Some((40, 20)));
        assert_eq!(clock.bounds(), (20, 40));
        clock.seek(39);
        clock.advance(3.0 / 120.0);
        assert_eq!(clock.frame(), 21);
        clock.set_range(Some((7, 7)));
        assert_eq!(clock.range(), None);
    }

    #[test]
    fn without_a_loop_it_stops_at_the_end_and_starts_over() {
        let mut clock = playing(10);
        clock.is_looping = false;
        clock.advance(5.0);
        assert_eq!((clock.frame(), clock.is_playing), (9, false));
        clock.toggle();
        assert_eq!((clock.frame(), clock.is_playing), (0, true));
    }

    #[test]
    fn steps_stay_within_the_take() {
        let mut clock = playing(10);
        clock.step(-1);
        assert_eq!((clock.frame(), clock.is_playing), (0, false));
        clock.step(3);
        assert_eq!(clock.frame(), 3);
        clock.step(100);
        assert_eq!(clock.frame(), 9);
    }

    #[test]
    fn every_frame_that_is_sought_is_shown() {
        let mut clock = Clock::new(5000, 1.0 / 119.88);
        for frame in 0..5000 {
            clock.seek(frame);
            assert_eq!(clock.frame(), frame);
        }
    }
}
