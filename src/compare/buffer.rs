//! The last seconds of one file, track by track, addressed by frame.
//!
//! In: planar blocks of any size. Out: any stretch that is still held; what lies before the
//! first frame, behind the last, or was no number is silence. Samples are kept as f32: a
//! 24-bit sample fits whole.

use std::collections::VecDeque;

/// 80 dB above full scale: beyond lies nothing but broken floats, whose squares run over.
const LARGEST: f32 = 1e4;

/// Frames that are rounded at once, so that the loop has no ends of a ring in it.
const PIECE: usize = 1024;

#[derive(Debug)]
pub(super) struct Buffer {
    tracks: Vec<VecDeque<f32>>,
    wanted: Vec<bool>,
    /// Frame number of the first one held.
    start: u64,
    /// Frames fed so far.
    pub(super) fed: u64,
    pub(super) ended: bool,
}

impl Buffer {
    /// `wanted[track]` tells which tracks are kept; `frames` is how many are expected to be held.
    pub(super) fn new(wanted: Vec<bool>, frames: i64) -> Self {
        let room = usize::try_from(frames).unwrap_or(0);
        let tracks = wanted.iter().map(|&wanted| {
            // Rings that grow by doubling would hold up to twice as much.
            VecDeque::with_capacity(if wanted { room } else { 0 })
        });
        Self {
            tracks: tracks.collect(),
            wanted,
            start: 0,
            fed: 0,
            ended: false,
        }
    }

    /// Takes a block. Tracks that are shorter than the longest, or not there, are filled with
    /// silence.
    pub(super) fn feed(&mut self, block: &[&[f64]]) {
        let mut piece = [0.0; PIECE];
        let frames = block.iter().map(|track| track.len()).max().unwrap_or(0);
        for (index, (kept, &wanted)) in self.tracks.iter_mut().zip(&self.wanted).enumerate() {
            if !wanted {
                continue;
            }
            let samples = block.get(index).copied().unwrap_or(&[]);
            for samples in samples.chunks(PIECE) {
                let piece = &mut piece[..samples.len()];
                for (kept, &sample) in piece.iter_mut().zip(samples) {
                    let sample = sample as f32;
                    *kept = if sample.abs() <= LARGEST { sample } else { 0.0 };
                }
                kept.extend(&*piece);
            }
            kept.extend(std::iter::repeat_n(0.0, frames - samples.len()));
        }
        self.fed += frames as u64;
    }

    /// Whether everything before `frame` is there, or never will be.
    pub(super) fn reaches(&self, frame: i64) -> bool {
        self.ended || i64::try_from(self.fed).is_ok_and(|fed| fed >= frame)
    }

    pub(super) fn forget_before(&mut self, frame: i64) {
        let frame = u64::try_from(frame).unwrap_or(0).min(self.fed);
        let Some(gone) = frame.checked_sub(self.start).filter(|&gone| gone > 0) else {
            return;
        };
        for track in &mut self.tracks {
            let gone = usize::try_from(gone).unwrap_or(usize::MAX).min(track.len());
            track.drain(..gone);
        }
        self.start = frame;
    }

    #[cfg(test)]
    pub(super) fn held(&self) -> u64 {
        self.fed - self.start
    }

    /// Copies the frames from `from` on into `out`.
    pub(super) fn copy(&self, track: usize, from: i64, out: &mut [f32]) {
        let track = &self.tracks[track];
        let skipped = from - self.start as i64;
        let silent = usize::try_from(-skipped).unwrap_or(0).min(out.len());
        let (before, out) = out.split_at_mut(silent);
        before.fill(0.0);
        let skipped = usize::try_from(skipped).unwrap_or(0).min(track.len());
        let there = out.len().min(track.len() - skipped);
        let (out, behind) = out.split_at_mut(there);
        behind.fill(0.0);
        let (first, second) = track.as_slices();
        let in_first = first.len().saturating_sub(skipped).min(there);
        out[..in_first].copy_from_slice(&first[first.len().min(skipped)..][..in_first]);
        let skipped = skipped.saturating_sub(first.len());
        out[in_first..].copy_from_slice(&second[skipped..][..there - in_first]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_stretch_is_read_back_and_what_is_not_there_is_silence() {
        let mut buffer = Buffer::new(vec![true, false], 10);
        let mut fed = Vec::new();
        for block in [3_usize, 1, 7, 20, 5, 64, 2, 33] {
            let samples: Vec<f64> = (0..block).map(|n| (fed.len() + n) as f64 + 1.0).collect();
            buffer.feed(&[&samples, &[]]);
            fed.extend(samples);
            buffer.forget_before(fed.len() as i64 - 40);
        }
        for from in fed.len() as i64 - 40..fed.len() as i64 + 3 {
            for length in [0, 1, 5, 39, 45] {
                let mut out = vec![-1.0; length];
                buffer.copy(0, from, &mut out);
                for (n, &sample) in out.iter().enumerate() {
                    let expected = fed.get(from as usize + n).copied().unwrap_or(0.0);
                    assert_eq!(f64::from(sample), expected, "from {from}, {n}");
                }
            }
        }
        let mut start = [1.0; 4];
        Buffer::new(vec![true], 10).copy(0, -2, &mut start);
        assert_eq!(start, [0.0; 4]);
    }

    #[test]
    fn what_is_no_number_is_silence() {
        let mut buffer = Buffer::new(vec![true], 10);
        buffer.feed(&[&[f64::NAN, f64::INFINITY, -1e300, 1.0]]);
        let mut out = [9.0; 4];
        buffer.copy(0, 0, &mut out);
        assert_eq!(out, [0.0, 0.0, 0.0, 1.0]);
    }
}
