//! The image of an older sample rate: what a short resampler leaves above the old half rate is
//! the mirror image of what lies below it.
//!
//! In: complex spectra of one channel. Out: for each older rate, how alike the two sides of its
//! half are. A click is its own mirror image about every frequency, so that the likeness about
//! two frequencies nearby is taken away.

use realfft::num_complex::Complex;

/// Rates that music is brought up from.
const OLD_RATES: [u32; 3] = [44_100, 48_000, 88_200];
/// From the middle to the first line that is looked at, and to the last, in Hz. Own choice: the
/// images of a short resampler are strongest there.
const NEAR_HZ: f64 = 120.0;
const FAR_HZ: f64 = 1_200.0;
/// The other middles, in Hz to either side.
const BESIDE_HZ: f64 = 350.0;
/// Mean square of the lines below the middle without which a look says nothing: -100 dBFS.
const SOUNDS: f64 = 1e-10;
/// Looks without which nothing is said.
const ENOUGH: u32 = 8;
/// Mean likeness, from 0 to 1, from which it is told. Own choice: different sounds have 0.1.
const ALIKE: f64 = 0.3;

/// One channel's images of all older rates.
#[derive(Clone, Debug, Default)]
pub(super) struct Images {
    sums: [Sum; OLD_RATES.len()],
}

#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    looks: u32,
    likeness: f64,
}

/// The rate whose image was found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Image {
    pub(super) original_rate_hz: u32,
    pub(super) likeness: f64,
    pub(super) confidence: f64,
}

impl Images {
    /// `spectrum`: from 0 Hz to half the rate; `norm` makes mean squares of squared magnitudes.
    pub(super) fn look(&mut self, spectrum: &[Complex<f64>], rate: u32, norm: f64) {
        let line_hz = f64::from(rate) / 2.0 / (spectrum.len() - 1).max(1) as f64;
        for (sum, old) in self.sums.iter_mut().zip(OLD_RATES) {
            let old = f64::from(old);
            if old / 2.0 + BESIDE_HZ + FAR_HZ >= f64::from(rate) / 2.0 {
                continue;
            }
            let about = |middle: f64| about(spectrum, 2.0 * middle / line_hz, line_hz);
            let (likeness, below) = about(old / 2.0);
            if below * norm < SOUNDS {
                continue;
            }
            let beside = [-BESIDE_HZ, BESIDE_HZ].map(|shift| about(old / 2.0 + shift).0);
            sum.looks += 1;
            sum.likeness += likeness - beside[0].max(beside[1]);
        }
    }

    pub(super) fn found(&self) -> Option<Image> {
        let found = self.sums.iter().zip(OLD_RATES).filter_map(|(sum, old)| {
            let likeness = sum.likeness / f64::from(sum.looks.max(1));
            (sum.looks >= ENOUGH && likeness >= ALIKE).then(|| Image {
                original_rate_hz: old,
                likeness,
                confidence: (0.5 + 0.5 * (likeness - ALIKE) / ALIKE).min(0.95),
            })
        });
        found.max_by(|one, other| one.likeness.total_cmp(&other.likeness))
    }
}

/// How alike the lines below and above half of `sum_lines` are, turned over, whatever their
/// levels; and the energy of those below.
fn about(spectrum: &[Complex<f64>], sum_lines: f64, line_hz: f64) -> (f64, f64) {
    let middle = sum_lines / 2.0;
    let from = (middle + NEAR_HZ / line_hz).ceil() as usize;
    let to = (middle + FAR_HZ / line_hz) as usize;
    let total = sum_lines.round() as usize;
    let (mut product, mut energy) = (Complex::<f64>::default(), 0.0);
    for above in from..to {
        let (low, high) = (spectrum[total - above], spectrum[above]);
        energy += low.norm_sqr();
        let both = low * high;
        let size = both.norm();
        if size > 0.0 {
            product += both / size;
        }
    }
    (product.norm() / (to - from).max(1) as f64, energy)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::provenance::spectrum::Transform;

    const RATE: u32 = 48_000;

    fn noise(seed: u64, frames: usize) -> Vec<f64> {
        let mut state = seed;
        (0..frames)
            .map(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                (state >> 33) as f64 / f64::from(1_u32 << 30) - 1.0
            })
            .collect()
    }

    /// Samples taken at the old rate and drawn together by straight lines: an interpolator whose
    /// images lie some 10 to 30 dB down.
    fn straight_lines(old: &[f64], old_rate: u32) -> Vec<f64> {
        let ratio = f64::from(old_rate) / f64::from(RATE);
        let frames = (old.len() as f64 / ratio) as usize - 2;
        (0..frames)
            .map(|n| {
                let at = n as f64 * ratio;
                let (index, part) = (at as usize, at.fract());
                old[index] * (1.0 - part) + old[index + 1] * part
            })
            .collect()
    }

    fn found(samples: &[f64]) -> Option<Image> {
        let mut transform = Transform::new(4096);
        let mut images = Images::default();
        let mut powers = Vec::new();
        for stage in samples.chunks_exact(4096) {
            transform.powers(stage, &mut powers);
            images.look(transform.spectrum(), RATE, 1.0 / 4096.0_f64.powi(2));
        }
        images.found()
    }

    #[test]
    fn the_image_of_a_short_resampler_tells_the_old_rate() {
        let image = found(&straight_lines(&noise(1, 120_000), 44_100)).expect("an image");
        assert_eq!(image.original_rate_hz, 44_100);
        assert!(image.confidence > 0.6, "{image:?}");
    }

    #[test]
    fn noise_and_clicks_have_no_image() {
        assert_eq!(found(&noise(2, 120_000)), None);
        let clicks: Vec<f64> = (0..120_000)
            .map(|n| if n % 1_777 == 5 { 0.9 } else { 0.0 })
            .collect();
        assert_eq!(found(&clicks), None);
    }
}
