//! Float samples beyond full scale: they clip wherever the file becomes integers.

use super::{Spot, Spots};

/// Samples beyond full scale.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OverUnity {
    pub samples: u64,
    /// Passages: such samples less than `APART` frames from each other. Size: the largest
    /// magnitude, in dBFS. Certain by construction.
    pub places: Spots,
}

/// Own choice: closer than this they are heard as one.
const APART: u64 = 2048;

pub(super) struct OverUnityMeter {
    frames: u64,
    open: Vec<Option<Passage>>,
    found: OverUnity,
}

#[derive(Clone, Copy)]
struct Passage {
    start: u64,
    last: u64,
    largest: f64,
}

impl OverUnityMeter {
    pub(super) fn new(channels: usize) -> Self {
        Self {
            frames: 0,
            open: vec![None; channels],
            found: OverUnity::default(),
        }
    }

    pub(super) fn feed(&mut self, planes: &[&[f64]]) {
        let frames = planes.first().map_or(0, |plane| plane.len());
        for (channel, plane) in planes.iter().enumerate() {
            if plane.iter().fold(0.0f64, |top, v| top.max(v.abs())) <= 1.0 {
                continue;
            }
            for (index, sample) in plane.iter().enumerate() {
                let size = sample.abs();
                if size <= 1.0 {
                    continue;
                }
                self.found.samples += 1;
                let at = self.frames + index as u64;
                match &mut self.open[channel] {
                    Some(passage) if at - passage.last < APART => {
                        passage.last = at;
                        passage.largest = passage.largest.max(size);
                    }
                    open => {
                        let passage = Passage {
                            start: at,
                            last: at,
                            largest: size,
                        };
                        if let Some(ended) = open.replace(passage) {
                            self.found.places.push(spot(channel, ended));
                        }
                    }
                }
            }
        }
        self.frames += frames as u64;
    }

    pub(super) fn finish(mut self) -> OverUnity {
        for (channel, open) in self.open.into_iter().enumerate() {
            if let Some(passage) = open {
                self.found.places.push(spot(channel, passage));
            }
        }
        self.found.places.sort();
        self.found
    }
}

fn spot(channel: usize, passage: Passage) -> Spot {
    Spot {
        start: passage.start,
        end: passage.last + 1,
        channel: Some(channel),
        size: 20.0 * passage.largest.log10(),
        confidence: 1.0,
        inherited: false,
        summarised: false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(left: &[f64], right: &[f64], block: usize) -> OverUnity {
        let mut meter = OverUnityMeter::new(2);
        for (left, right) in left.chunks(block).zip(right.chunks(block)) {
            meter.feed(&[left, right]);
        }
        meter.finish()
    }

    #[test]
    fn samples_over_one_are_counted_and_joined_into_passages_at_any_cut() {
        let left = vec![1.0; 10_000];
        let mut right = vec![-0.5; 10_000];
        for at in [10, 1000, 9000] {
            right[at] = -2.0;
        }
        let whole = found(&left, &right, 10_000);
        assert_eq!(whole.samples, 3);
        let places: Vec<(u64, u64)> = (whole.places.listed.iter())
            .map(|spot| (spot.start, spot.end))
            .collect();
        assert_eq!(places, [(10, 1001), (9000, 9001)]);
        assert!((whole.places.listed[0].size - 6.0206).abs() < 1e-3);
        for block in [1, 7, 999, 4096] {
            assert_eq!(found(&left, &right, block), whole);
        }
    }
}
