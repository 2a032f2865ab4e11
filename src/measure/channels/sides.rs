//! Whether the surround pair leans to the same side as the front pair.
//!
//! In: per block the energies of both pairs in five bands. Out: the correlation of the pairs' level
//! differences over time and bands. Ambience and effects of a source follow its side, so that it
//! is positive; exchanged surrounds make it negative. Own choice, no source: a hint and no more.

/// Lower edges of the bands, one octave or more each, and the end of the last one.
pub(super) const EDGES: [f64; 6] = [200.0, 400.0, 800.0, 1600.0, 3200.0, 6400.0];
pub(super) const BANDS: usize = EDGES.len() - 1;
/// Too few moments say nothing. Own choice: 15 blocks, about 3 s.
const LEAST: f64 = 15.0 * BANDS as f64;

#[derive(Clone, Copy, Default)]
struct Sums {
    count: f64,
    front: f64,
    back: f64,
    front_squares: f64,
    back_squares: f64,
    products: f64,
}

#[derive(Default)]
pub(super) struct SideMeter {
    bands: [Sums; BANDS],
}

impl SideMeter {
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
