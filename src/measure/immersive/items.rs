//! The loudness of each item alone, as it sounds in a render, without rendering it alone.
//!
//! K-weighting is linear and time-invariant, so a channel that gets the track times a gain has
//! the weighted track times that gain: exactly where the gain stands still, nearly where it
//! moves slowly. The energy of an item over a stretch is then the energy of its weighted track
//! times the weighted sum of its squared gains, and on a ramp three such sums.

use super::bank::Bank;
use crate::measure::hop::HopLoudness;
use crate::render::{Heard, Listener, Scene};
use crate::units::{Hertz, Lufs};
use crate::vector::{Work, fast};

/// All items of a scene.
pub(super) struct ItemMeters {
    weights: Vec<f64>,
    /// Per item: the track that feeds it alone, if that is so.
    straight: Vec<Option<usize>>,
    meters: Vec<ItemMeter>,
    rate: Hertz,
    hop: u64,
}

struct ItemMeter {
    /// Energy of the current hop and of the next, as far as a chunk reaches into it.
    energy: [f64; 2],
    loudness: HopLoudness,
    heard_frames: u64,
}

pub(super) struct ItemLoudness {
    pub integrated: Option<Lufs>,
    pub short_term_max: Option<Lufs>,
    pub heard_frames: u64,
}

impl ItemMeters {
    /// `weights`: the loudness weights of the layout's loudspeakers.
    pub(super) fn new(scene: &Scene, weights: Vec<f64>, rate: Hertz) -> Self {
        let straight = scene
            .items
            .iter()
            .map(|item| match item.feeds.as_slice() {
                [feed] if feed.len() == 1 && feed[0].delay_frames == 0 => Some(feed[0].track),
                _ => None,
            })
            .collect();
        let meters = scene
            .items
            .iter()
            .map(|_| ItemMeter {
                energy: [0.0; 2],
                loudness: HopLoudness::new(rate),
                heard_frames: 0,
            })
            .collect();
        Self {
            weights,
            straight,
            meters,
            rate,
            hop: 0,
        }
    }

    /// What listens to the renderer for one chunk; `bank` has weighted the same chunk, whose
    /// first frame is `first_frame`.
    pub(super) fn listener<'a>(&'a mut self, bank: &'a Bank, first_frame: u64) -> ItemListener<'a> {
        ItemListener {
            items: self,
            bank,
            first_frame,
        }
    }

    /// Ends the hops that end by `frame`.
    pub(super) fn close(&mut self, frame: u64) {
        while HopLoudness::start(self.hop + 1, self.rate) <= frame {
            for meter in &mut self.meters {
                meter.loudness.step(meter.energy[0]);
                meter.energy = [meter.energy[1], 0.0];
            }
            self.hop += 1;
        }
    }

    pub(super) fn finish(self) -> Vec<ItemLoudness> {
        let finish = |meter: ItemMeter| ItemLoudness {
            integrated: meter.loudness.integrated(),
            short_term_max: meter.loudness.short_term_max(),
            heard_frames: meter.heard_frames,
        };
        self.meters.into_iter().map(finish).collect()
    }
}

pub(super) struct ItemListener<'a> {
    items: &'a mut ItemMeters,
    bank: &'a Bank,
    first_frame: u64,
}

impl Listener for ItemListener<'_> {
    fn hear(&mut self, heard: &Heard) {
        let Some(track) = self.items.straight[heard.item] else {
            return;
        };
        if !self.bank.sounding[track] {
            return;
        }
        let count = self.items.weights.len();
        // On a ramp the sum of squared gains is a parabola: a + b p + c p^2.
        let (mut a, mut b, mut c) = (0.0, 0.0, 0.0);
        for (index, to) in heard.to.iter().enumerate() {
            let weight = self.items.weights[index % count];
            if weight == 0.0 {
                continue;
            }
            match heard.ramp {
                Some(_) => {
                    let (from, change) = (heard.from[index], to - heard.from[index]);
                    a += weight * from * from;
                    b += weight * 2.0 * from * change;
                    c += weight * change * change;
                }
                None => a += weight * to * to,
            }
        }
        let border = HopLoudness::start(self.items.hop + 1, self.items.rate);
        let meter = &mut self.items.meters[heard.item];
        meter.heard_frames += heard.samples.len() as u64;
        if a == 0.0 && b == 0.0 && c == 0.0 {
            return;
        }
        let start = (heard.first_frame - self.first_frame) as usize;
        let samples = &self.bank.weighted[track][start..start + heard.samples.len()];
        let before = border
            .saturating_sub(heard.first_frame)
            .min(samples.len() as u64) as usize;
        for (slot, range) in [(0, 0..before), (1, before..samples.len())] {
            if range.is_empty() {
                continue;
            }
            let part = &samples[range.clone()];
            meter.energy[slot] += match heard.ramp {
                None => a * fast(Squares(part)),
                Some(ramp) => {
                    let offset = ramp.offset(heard.first_frame + range.start as u64);
                    let [zeroth, first, second] = fast(Moments {
                        samples: part,
                        offset,
                        per_sample: ramp.slope(),
                    });
                    a * zeroth + b * first + c * second
                }
            };
        }
    }
}

struct Squares<'a>(&'a [f64]);

impl Work for Squares<'_> {
    type Output = f64;

    #[inline(always)]
    fn work(self) -> f64 {
        let mut lanes = [0.0; 8];
        let mut rows = self.0.chunks_exact(8);
        for row in &mut rows {
            for (lane, x) in lanes.iter_mut().zip(row) {
                *lane += x * x;
            }
        }
        lanes.iter().sum::<f64>() + rows.remainder().iter().map(|x| x * x).sum::<f64>()
    }
}

/// Sums of x^2, p x^2 and p^2 x^2 along a ramp.
struct Moments<'a> {
    samples: &'a [f64],
    offset: f64,
    per_sample: f64,
}

impl Work for Moments<'_> {
    type Output = [f64; 3];

    #[inline(always)]
    fn work(self) -> [f64; 3] {
        let mut sums = [[0.0; 4]; 3];
        for (row_index, row) in self.samples.chunks(4).enumerate() {
            for (lane, x) in row.iter().enumerate() {
                let p = (self.offset + (4 * row_index + lane) as u32 as f64) * self.per_sample;
                let square = x * x;
                sums[0][lane] += square;
                sums[1][lane] += p * square;
                sums[2][lane] += p * p * square;
            }
        }
        sums.map(|lanes| lanes.iter().sum())
    }
}
