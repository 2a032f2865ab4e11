//! A sample-rate label that is wrong: 48 kHz samples under a 44.1 kHz header or the reverse, seen
//! against a companion of the same music.
//!
//! In: two files' lengths and rates. Out: which way they differ. Knows nothing of their samples;
//! whoever asks should see that they hold the same music once the label is put right.

use crate::units::{Frames, Hertz};

/// 48,000 : 44,100.
const RATIO: f64 = 160.0 / 147.0;
/// Own choice; the house's notes on the trade, H6 gives 1.0884 and 0.9188, the ratio and its inverse to four digits.
const TOLERANCE: f64 = 0.001;

/// Which of two durations is too long.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RateLabel {
    /// The first lasts 48/44.1 of the second: it may hold 48 kHz samples labelled 44.1 kHz (or the
    /// multiples of both).
    FirstTooSlow,
    /// The first lasts 44.1/48 of the second.
    FirstTooFast,
}

/// `None` where the durations' ratio is neither 48/44.1 nor its inverse to 0.1 %, or a file is
/// empty.
pub fn rate_label(first: (Frames, Hertz), second: (Frames, Hertz)) -> Option<RateLabel> {
    let seconds = |(frames, rate): (Frames, Hertz)| frames.0 as f64 / f64::from(rate.value());
    let (first, second) = (seconds(first), seconds(second));
    if first <= 0.0 || second <= 0.0 {
        return None;
    }
    let near = |ratio: f64| (ratio / RATIO - 1.0).abs() <= TOLERANCE;
    if near(first / second) {
        Some(RateLabel::FirstTooSlow)
    } else if near(second / first) {
        Some(RateLabel::FirstTooFast)
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(frames: u64, rate: u32) -> (Frames, Hertz) {
        (Frames(frames), Hertz::new(rate).expect("not 0"))
    }

    #[test]
    fn forty_eight_under_a_label_of_forty_four_one_is_told_both_ways() {
        let right = file(9_600_000, 48_000);
        let wrong = file(9_600_000, 44_100);
        assert_eq!(rate_label(wrong, right), Some(RateLabel::FirstTooSlow));
        assert_eq!(rate_label(right, wrong), Some(RateLabel::FirstTooFast));
    }

    #[test]
    fn resampled_companions_and_other_lengths_are_not_told() {
        let right = file(9_600_000, 48_000);
        assert_eq!(rate_label(right, file(8_820_000, 44_100)), None);
        assert_eq!(rate_label(right, file(9_000_000, 48_000)), None);
        assert_eq!(rate_label(right, file(0, 48_000)), None);
    }
}
