//! Cuts what comes in blocks of any size into slabs of one size with a piece of the past in
//! front, so that a meter sees the same samples together whatever the blocks were.
//!
//! In: planes of any length. Out: [`Slab`]s, in order, the last one shorter. Knows nothing of
//! what is looked for.

use std::ops::Range;

/// Frames that are new in each slab; a power of two.
pub(super) const BODY: usize = 4096;

/// So many bodies fit behind the past before it is moved to the front again.
const BODIES: usize = 4;

pub(super) struct Slabs {
    /// One a channel: the past, then the body.
    planes: Vec<Vec<f64>>,
    past: usize,
    /// Index in the planes of the body's first frame.
    base: usize,
    /// New frames so far.
    filled: usize,
    /// Frame in the file of the body's first.
    body_at: u64,
}

/// What a meter sees at a time.
pub(super) struct Slab<'a> {
    planes: Planes<'a>,
    /// Index in the planes of the first frame of the past.
    from: usize,
    /// Index in [`Slab::plane`] of the body's first frame, and of the end of the body.
    pub body: Range<usize>,
    /// Frame in the file of the body's first frame.
    pub body_at: u64,
}

/// Kept by the slabs, or, where no past is asked for, the caller's own.
enum Planes<'a> {
    Kept(&'a [Vec<f64>]),
    Given(&'a [&'a [f64]]),
}

impl Slab<'_> {
    /// Past and body of a channel.
    pub fn plane(&self, channel: usize) -> &[f64] {
        self.past_and_body(channel).unwrap_or_default()
    }

    /// The new frames of a channel; `None` past the last channel.
    pub fn channel(&self, channel: usize) -> Option<&[f64]> {
        Some(&self.past_and_body(channel)?[self.body.clone()])
    }

    fn past_and_body(&self, channel: usize) -> Option<&[f64]> {
        let plane = match self.planes {
            Planes::Kept(planes) => &planes.get(channel)?[..],
            Planes::Given(planes) => planes.get(channel)?,
        };
        Some(&plane[self.from..self.from + self.body.end])
    }

    /// Frame in the file of an index of the planes; `None` before the first frame.
    pub fn frame(&self, index: usize) -> Option<u64> {
        (self.body_at + index as u64).checked_sub(self.body.start as u64)
    }

    /// Index in the planes of a frame of the file; `None` if it is not, or no longer, there.
    pub fn index(&self, frame: u64) -> Option<usize> {
        let index = (frame + self.body.start as u64).checked_sub(self.body_at)?;
        usize::try_from(index)
            .ok()
            .filter(|&index| index <= self.body.end)
    }

    /// Frame in the file after the last one.
    pub fn end(&self) -> u64 {
        self.body_at + self.body.len() as u64
    }

    /// Index of the first frame that is part of the file.
    pub fn first(&self) -> usize {
        (self.body.start as u64).saturating_sub(self.body_at) as usize
    }
}

impl Slabs {
    /// `past`: how many frames before the body a meter wants to look back.
    pub fn new(channels: usize, past: usize) -> Self {
        Self {
            planes: vec![vec![0.0; past + BODIES * BODY]; channels],
            past,
            base: past,
            filled: 0,
            body_at: 0,
        }
    }

    pub fn feed(&mut self, planes: &[&[f64]], mut take: impl FnMut(&Slab)) {
        let total = planes.first().map_or(0, |plane| plane.len());
        let mut done = 0;
        while done < total {
            let count = (BODY - self.filled).min(total - done);
            if count == BODY && self.past == 0 {
                take(&Slab {
                    planes: Planes::Given(planes),
                    from: done,
                    body: 0..BODY,
                    body_at: self.body_at,
                });
                self.body_at += BODY as u64;
                done += BODY;
                continue;
            }
            let to = self.base + self.filled;
            for (kept, plane) in self.planes.iter_mut().zip(planes) {
                kept[to..to + count].copy_from_slice(&plane[done..done + count]);
            }
            self.filled += count;
            done += count;
            if self.filled == BODY {
                take(&self.slab());
                self.base += BODY;
                if self.base + BODY > self.past + BODIES * BODY {
                    for plane in &mut self.planes {
                        plane.copy_within(self.base - self.past..self.base, 0);
                    }
                    self.base = self.past;
                }
                self.body_at += BODY as u64;
                self.filled = 0;
            }
        }
    }

    /// The last slab; its body may be empty.
    pub fn slab(&self) -> Slab<'_> {
        Slab {
            planes: Planes::Kept(&self.planes),
            from: self.base - self.past,
            body: self.past..self.past + self.filled,
            body_at: self.body_at,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slab_holds_the_same_frames_however_they_came() {
        let samples: Vec<f64> = (0..6 * BODY + 777).map(|i| i as f64).collect();
        let cut_by = |size: usize| {
            let mut slabs = Slabs::new(1, 100);
            let mut seen = Vec::new();
            let mut look = |slab: &Slab| {
                let first = slab.first();
                assert_eq!(slab.frame(first), Some(slab.plane(0)[first] as u64));
                assert_eq!(slab.index(slab.body_at), Some(slab.body.start));
                seen.push((slab.body_at, slab.plane(0).to_vec()));
            };
            for block in samples.chunks(size) {
                slabs.feed(&[block], &mut look);
            }
            look(&slabs.slab());
            seen
        };
        let whole = cut_by(samples.len());
        assert_eq!(whole.len(), 7);
        assert_eq!(whole[6].1.len(), 100 + 777);
        for size in [1, 7, 1000, BODY] {
            assert_eq!(cut_by(size), whole, "blocks of {size}");
        }
    }
}
