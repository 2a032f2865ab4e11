//! Whether the surround pair leans to the same side as the front pair.
//!
//! In: per block the energies of both pairs in five bands. Out: the correlation of the pairs' level
//! differences over time and bands. Ambience and effects of a source follow its side, so that it
//! is positive; exchanged surrounds make it negative. Own choice, no source: a hint and no more.

use std::ops::Range;

use realfft::num_complex::Complex;

/// Lower edges of the bands, one octave or more each, and the end of the last one.
pub(super) const EDGES: [f64; 6] = [200.0, 400.0, 800.0, 1600.0, 3200.0, 6400.0];
pub(super) const BANDS: usize = EDGES.len() - 1;
/// Too few moments say nothing. Own choice: 15 blocks, about 3 s.
const LEAST: f64 = 15.0 * BANDS as f64;
/// The same for coherence, whose chance value is one over the number: own choice.
const LEAST_BLOCKS: u64 = 30;

#[derive(Clone, Copy, Default)]
struct Sums {
    count: f64,
    front: f64,
    back: f64,
    front_squares: f64,
    back_squares: f64,
    products: f64,
}

pub(super) struct SideMeter {
    bands: [Sums; BANDS],
    bins: Range<usize>,
    blocks: u64,
    /// Cross-spectra summed over time, by line: L with Ls, R with Rs, L with Rs, R with Ls.
    cross: [Vec<Complex<f32>>; 4],
    /// Powers of L, R, Ls, Rs.
    power: [Vec<f32>; 4],
}

/// Front and surround channel of each cross-spectrum.
const COMBINED: [(usize, usize); 4] = [(0, 2), (1, 3), (0, 3), (1, 2)];

impl SideMeter {
    /// `bins`: the lines of the spectrum that are looked at.
    pub(super) fn new(bins: Range<usize>) -> Self {
        let count = bins.len();
        Self {
            bands: [Sums::default(); BANDS],
            bins,
            blocks: 0,
            cross: std::array::from_fn(|_| vec![Complex::default(); count]),
            power: std::array::from_fn(|_| vec![0.0; count]),
        }
    }

    /// The spectra of `[L, R, Ls, Rs]` of one block.
    pub(super) fn lines(&mut self, lines: [&[Complex<f32>]; 4]) {
        self.blocks += 1;
        let lines = lines.map(|lines| &lines[self.bins.clone()]);
        for (power, lines) in self.power.iter_mut().zip(lines) {
            for (power, line) in power.iter_mut().zip(lines) {
                *power += line.norm_sqr();
            }
        }
        for (cross, (front, back)) in self.cross.iter_mut().zip(COMBINED) {
            for (sum, (one, other)) in cross.iter_mut().zip(lines[front].iter().zip(lines[back])) {
                *sum += one * other.conj();
            }
        }
    }

    /// Mean magnitude-squared coherence of the front channels with the surrounds of their own
    /// side and of the other side, 0 to 1, each line with the weight of its power (Welch 1967,
    /// without overlap). A delay of the surrounds well under a block, a gain and an equaliser
    /// leave it; independent sound reads one over the number of blocks, which is taken off.
    pub(super) fn coherence(&self) -> Option<[f64; 2]> {
        if self.blocks < LEAST_BLOCKS {
            return None;
        }
        let chance = 1.0 / self.blocks as f64;
        let of = |pair: usize| {
            let (front, back) = COMBINED[pair];
            let (mut sum, mut weights) = (0.0, 0.0);
            for (line, cross) in self.cross[pair].iter().enumerate() {
                let powers = [front, back].map(|channel| f64::from(self.power[channel][line]));
                let both = powers[0] * powers[1];
                if both > 0.0 {
                    let weight = both.sqrt();
                    sum += weight * f64::from(cross.norm_sqr()) / both;
                    weights += weight;
                }
            }
            match weights > 0.0 {
                true => ((sum / weights - chance) / (1.0 - chance)).max(0.0),
                false => 0.0,
            }
        };
        Some([0.5 * (of(0) + of(1)), 0.5 * (of(2) + of(3))])
    }

    /// `[L, R, Ls, Rs][band]`.
    pub(super) fn block(&mut self, energies: [[f64; BANDS]; 4], floor: f64) {
        for (band, sums) in self.bands.iter_mut().enumerate() {
            let [l, r, ls, rs] = energies.map(|channel| channel[band]);
            if l.min(r).min(ls).min(rs) < floor {
                continue;
            }
            // Clamped: one hard-panned moment must not outweigh the rest.
            let front = (10.0 * (l / r).log10()).clamp(-12.0, 12.0);
            let back = (10.0 * (ls / rs).log10()).clamp(-12.0, 12.0);
            sums.count += 1.0;
            sums.front += front;
            sums.back += back;
            sums.front_squares += front * front;
            sums.back_squares += back * back;
            sums.products += front * back;
        }
    }

    /// Over all bands, each around its own mean.
    pub(super) fn correlation(&self) -> Option<f64> {
        let (mut count, mut front, mut back, mut products) = (0.0, 0.0, 0.0, 0.0);
        for sums in self.bands.iter().filter(|sums| sums.count > 0.0) {
            count += sums.count;
            front += sums.front_squares - sums.front * sums.front / sums.count;
            back += sums.back_squares - sums.back * sums.back / sums.count;
            products += sums.products - sums.front * sums.back / sums.count;
        }
        // Differences of under 0.5 dB are rounding of the material, not movement: own choice.
        let moves = front.min(back) > 0.25 * count;
        (count >= LEAST && moves).then(|| (products / (front * back).sqrt()).clamp(-1.0, 1.0))
    }
}
