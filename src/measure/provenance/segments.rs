//! Chooses the few segments in which the frames of a codec are searched: steady, with energy at
//! high frequencies, spread over the file, in bounded memory.
//!
//! In: stages of all channels. Out: up to [`Segments::KEPT`] pairs of neighbouring channels.

use crate::vector::{Work, fast};

/// Samples in a segment; a divisor of the stages' places, so that segments start at multiples
/// of the MDCT's hop.
pub(super) const SEGMENT: usize = 4096;

/// One segment: a pair of channels, or one channel alone.
#[derive(Clone, Debug)]
pub(super) struct Segment {
    /// Frame of its first sample.
    pub(super) start: u64,
    pub(super) left: Vec<f32>,
    pub(super) right: Option<Vec<f32>>,
    worth: f64,
    epoch: u64,
}

impl Segment {
    /// Own choice: 30 dB under the loudest eighth is a gap.
    const GAP: f64 = 1e-3;

    /// Whether left, right, mid and side go on throughout. A block of a transform that just fits
    /// into a gap of one of them finds nothing there, like one that a coder has emptied.
    pub(super) fn steady(&self) -> [bool; 4] {
        let left = &self.left;
        let right = self.right.as_deref().unwrap_or(&[]);
        let both = |f: fn(f32, f32) -> f32| -> Vec<f64> {
            let pairs = left.iter().zip(right);
            pairs.map(|(&a, &b)| f64::from(f(a, b))).collect()
        };
        let wide = |plane: &[f32]| plane.iter().map(|&v| f64::from(v)).collect::<Vec<f64>>();
        [
            wide(left),
            wide(right),
            both(|a, b| a + b),
            both(|a, b| a - b),
        ]
        .map(|signal| {
            let (mut least, mut most) = (f64::INFINITY, 0.0f64);
            for part in signal.chunks_exact(SEGMENT / 8) {
                let energy = fast(SecondDifference(part)) / part.len() as f64;
                (least, most) = (least.min(energy), most.max(energy));
            }
            least > (most * Self::GAP).max(Segments::FAINTEST) && most > 0.0
        })
    }
}

/// The best segment of each stretch of the file; stretches grow with the file.
#[derive(Debug, Default)]
pub(super) struct Segments {
    kept: Vec<Segment>,
    /// Looks a stretch holds.
    stretch: u64,
    looks: u64,
}

impl Segments {
    /// Own choice: bounds the search to some 100 ms.
    pub(super) const KEPT: usize = 6;
    /// Own choice: under this mean square of the second difference (-100 dBFS) there are no high
    /// frequencies to look at.
    const FAINTEST: f64 = 1e-10;

    /// Takes the first samples of a stage, `[channel][frame]`.
    pub(super) fn look(&mut self, start: u64, planes: &[&[f64]]) {
        let epoch = self.looks / self.stretch.max(1);
        self.looks += 1;
        let best = planes.chunks(2).map(|pair| (worth(pair), pair)).fold(
            None,
            |best: Option<(f64, &[&[f64]])>, next| match best {
                Some(held) if held.0 >= next.0 => Some(held),
                _ => Some(next),
            },
        );
        let Some((worth, pair)) = best.filter(|(worth, _)| *worth > Self::FAINTEST) else {
            return;
        };
        let held = self.kept.last().filter(|held| held.epoch == epoch);
        if held.is_some_and(|held| held.worth >= worth) {
            return;
        }
        if held.is_some() {
            self.kept.pop();
        }
        let copy = |plane: &&[f64]| plane[..SEGMENT].iter().map(|&v| v as f32).collect();
        self.kept.push(Segment {
            start,
            left: copy(&pair[0]),
            right: pair.get(1).map(copy),
            worth,
            epoch,
        });
        if self.kept.len() == 2 * Self::KEPT {
            self.widen();
        }
    }

    /// Doubles the stretches and keeps the better segment of each.
    fn widen(&mut self) {
        self.stretch = 2 * self.stretch.max(1);
        let mut merged: Vec<Segment> = Vec::with_capacity(2 * Self::KEPT);
        for mut segment in self.kept.drain(..) {
            segment.epoch /= 2;
            match merged.last_mut() {
                Some(last) if last.epoch == segment.epoch => {
                    if segment.worth > last.worth {
                        *last = segment;
                    }
                }
                _ => merged.push(segment),
            }
        }
        self.kept = merged;
    }

    /// The best ones, in file order.
    pub(super) fn finish(mut self) -> Vec<Segment> {
        self.kept.sort_by(|a, b| b.worth.total_cmp(&a.worth));
        self.kept.truncate(Self::KEPT);
        self.kept.sort_by_key(|segment| segment.start);
        self.kept
    }
}

/// The least energy of the second difference in eighths of the segment, in the stronger channel:
/// an attack would make the coder take short blocks, so steadiness counts.
fn worth(pair: &[&[f64]]) -> f64 {
    let of = |plane: &&[f64]| {
        let parts = plane[..SEGMENT].chunks(SEGMENT / 8);
        parts
            .map(|part| fast(SecondDifference(part)) / part.len() as f64)
            .fold(f64::INFINITY, f64::min)
    };
    pair.iter().map(of).fold(0.0, f64::max)
}

/// Energy of the second difference.
struct SecondDifference<'a>(&'a [f64]);

impl Work for SecondDifference<'_> {
    type Output = f64;

    #[inline(always)]
    fn work(self) -> f64 {
        const WIDE: usize = 8;
        let (before, last, next) = (self.0, &self.0[1..], &self.0[2..]);
        let mut sums = [0.0; WIDE];
        let whole = next.len() / WIDE * WIDE;
        for at in (0..whole).step_by(WIDE) {
            for lane in 0..WIDE {
                let second = before[at + lane] - 2.0 * last[at + lane] + next[at + lane];
                sums[lane] += second * second;
            }
        }
        for (lane, at) in (whole..next.len()).enumerate() {
            let second = before[at] - 2.0 * last[at] + next[at];
            sums[lane] += second * second;
        }
        sums.iter().sum()
    }
}
