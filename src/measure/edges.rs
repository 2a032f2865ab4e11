//! Where the programme begins and ends: silence and exact zeros at head and tail.

use super::types::Edges;
use crate::units::{Frames, Hertz, Seconds};

/// Mean square of -60 dBFS over 10 ms. Common practice, no source.
const SOUND: f64 = 1e-6;

/// Takes 10 ms steps and, in between, the stretches that hold a sample other than zero.
#[derive(Default)]
pub(super) struct EdgeMeter {
    /// First frame of the first step with sound and the end of the last one.
    sound: Option<(u64, u64)>,
    /// First frame that is not zero in every channel, and the last one.
    nonzero: Option<(u64, u64)>,
}

impl EdgeMeter {
    /// A step from `start` to `end` (frames) whose loudest channel has that mean square.
    pub(super) fn step(&mut self, start: u64, end: u64, mean_square: f64) {
        if mean_square > SOUND {
            let first = self.sound.map_or(start, |(first, _)| first);
            self.sound = Some((first, end));
        }
    }

    /// A stretch from frame `at` on may hold samples other than zero.
    pub(super) fn sound_in<'a>(
        &mut self,
        at: u64,
        channels: impl Iterator<Item = &'a [f64]> + Clone,
    ) {
        let last = channels
            .clone()
            .filter_map(|c| c.iter().rposition(|&v| v != 0.0))
            .max();
        let Some(last) = last else { return };
        let first = match self.nonzero {
            Some((first, _)) => first,
            None => {
                let first = channels
                    .filter_map(|c| c.iter().position(|&v| v != 0.0))
                    .min();
                at + first.unwrap_or(last) as u64
            }
        };
        self.nonzero = Some((first, at + last as u64));
    }

    pub(super) fn finish(&self, length: Frames, rate: Hertz) -> Edges {
        let seconds = |frames: u64| -> Seconds { Frames(frames).at(rate) };
        let (head, tail) = match self.sound {
            Some((first, end)) => (first, length.0 - end),
            None => (length.0, length.0),
        };
        let (head_zero, tail_zero) = match self.nonzero {
            Some((first, last)) => (first, length.0 - 1 - last),
            None => (length.0, length.0),
        };
        Edges {
            head_silence_s: seconds(head),
            tail_silence_s: seconds(tail),
            head_zero_frames: Frames(head_zero),
            tail_zero_frames: Frames(tail_zero),
        }
    }
}
