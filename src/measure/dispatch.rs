//! The hot loops of the true-peak search, compiled twice: for any x86-64, and for AVX2
//! where the machine has it. The only unsafe code of the house: a call of a function that
//! needs AVX2, after asking the processor. No fused multiply-add in either, so both give the
//! same bits; a test holds them against each other.

use super::true_peak::{SEARCH_TAPS, SIDE, TILE, WINDOW};

/// Points of the search on one phase: sample `i` of the tile and its neighbours.
type Points = [f32; TILE + 2];

/// Largest magnitude.
pub(super) fn largest(window: &[f64]) -> f64 {
    #[cfg(target_arch = "x86_64")]
    if std::arch::is_x86_feature_detected!("avx2") {
        #[expect(
            unsafe_code,
            reason = "the processor was asked for AVX2 one line above"
        )]
        return unsafe { largest_avx2(window) };
    }
    largest_body(window)
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn largest_avx2(window: &[f64]) -> f64 {
    largest_body(window)
}

#[inline(always)]
fn largest_body(window: &[f64]) -> f64 {
    let mut lanes = [0.0f64; 16];
    let mut rows = window.chunks_exact(16);
    for row in &mut rows {
        for (lane, value) in lanes.iter_mut().zip(row) {
            let magnitude = value.abs();
            *lane = if magnitude > *lane { magnitude } else { *lane };
        }
    }
    let rest = rows
        .remainder()
        .iter()
        .fold(0.0f64, |top, value| top.max(value.abs()));
    lanes.iter().fold(rest, |top, &lane| top.max(lane))
}

/// The reading filter's output at one point: `samples` and `taps` one against one.
pub(super) fn dot(samples: &[f64], taps: &[f64; 2 * SIDE]) -> f64 {
    #[cfg(target_arch = "x86_64")]
    if std::arch::is_x86_feature_detected!("avx2") {
        #[expect(
            unsafe_code,
            reason = "the processor was asked for AVX2 one line above"
        )]
        return unsafe { dot_avx2(samples, taps) };
    }
    dot_body(samples, taps)
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn dot_avx2(samples: &[f64], taps: &[f64; 2 * SIDE]) -> f64 {
    dot_body(samples, taps)
}

#[inline(always)]
fn dot_body(samples: &[f64], taps: &[f64; 2 * SIDE]) -> f64 {
    // Sixteen running sums in a fixed order: fast, and the same bits on every host.
    let mut lanes = [0.0; 16];
    for (x, h) in samples.chunks_exact(16).zip(taps.chunks_exact(16)) {
        for lane in 0..16 {
            lanes[lane] += x[lane] * h[lane];
        }
    }
    let mut width = 8;
    while width > 0 {
        for lane in 0..width {
            lanes[lane] += lanes[lane + width];
        }
        width /= 2;
    }
    lanes[0]
}

/// Fills `points[phase][i]` with the search filter's output, and returns the largest magnitude
/// among the tile's own points (`i` from 1 to `TILE`).
///
/// `window` holds [`WINDOW`] samples; point `i` of a phase uses `window[i .. i + 12]`.
pub(super) fn search(
    window: &[f64],
    phases: &[[f32; SEARCH_TAPS]],
    points: &mut [Points; 4],
) -> f64 {
    #[cfg(target_arch = "x86_64")]
    if std::arch::is_x86_feature_detected!("avx2") {
        #[expect(
            unsafe_code,
            reason = "the processor was asked for AVX2 one line above"
        )]
        return unsafe { search_avx2(window, phases, points) };
    }
    search_body(window, phases, points)
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn search_avx2(window: &[f64], phases: &[[f32; SEARCH_TAPS]], points: &mut [Points; 4]) -> f64 {
    search_body(window, phases, points)
}

#[inline(always)]
fn search_body(window: &[f64], phases: &[[f32; SEARCH_TAPS]], points: &mut [Points; 4]) -> f64 {
    let window: &[f64; WINDOW] = window.try_into().expect("the caller cuts a whole window");
    let mut x = [0.0f32; WINDOW];
    for (to, from) in x.iter_mut().zip(window) {
        *to = *from as f32;
    }
    let mut tops = [0.0f32; TILE];
    for (taps, out) in phases.iter().zip(points.iter_mut()) {
        let mut sums = [0.0f32; TILE];
        for (k, tap) in taps.iter().enumerate() {
            let x: &[f32; TILE] = x[k + 1..k + 1 + TILE]
                .try_into()
                .expect("inside the window");
            for (sum, sample) in sums.iter_mut().zip(x) {
                *sum += tap * sample;
            }
        }
        for (top, sum) in tops.iter_mut().zip(&sums) {
            let magnitude = sum.abs();
            *top = if magnitude > *top { magnitude } else { *top };
        }
        out[1..=TILE].copy_from_slice(&sums);
        let single = |i: usize| {
            taps.iter()
                .zip(&x[i..])
                .map(|(tap, sample)| tap * sample)
                .sum()
        };
        out[0] = single(0);
        out[TILE + 1] = single(TILE + 1);
    }
    f64::from(tops.iter().fold(0.0f32, |top, &value| top.max(value)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_compilations_give_the_same_bits() {
        let mut seed = 7u64;
        let mut next = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (seed >> 33) as f64 / (1u64 << 30) as f64 - 1.0
        };
        let phases: Vec<[f32; SEARCH_TAPS]> = (0..4)
            .map(|_| std::array::from_fn(|_| next() as f32))
            .collect();
        for _ in 0..200 {
            let window: Vec<f64> = (0..WINDOW).map(|_| next()).collect();
            let (mut plain, mut chosen) = ([[0.0; TILE + 2]; 4], [[0.0; TILE + 2]; 4]);
            let top = search_body(&window, &phases, &mut plain);
            assert_eq!(search(&window, &phases, &mut chosen), top);
            assert_eq!(plain, chosen);
            let taps: [f64; 2 * SIDE] = std::array::from_fn(|_| next());
            let samples: Vec<f64> = (0..2 * SIDE).map(|_| next()).collect();
            assert_eq!(dot(&samples, &taps), dot_body(&samples, &taps));
            let plain: f64 = samples.iter().zip(&taps).map(|(x, h)| x * h).sum();
            assert!((dot(&samples, &taps) - plain).abs() < 1e-12);
            let far = window.iter().fold(0.0f64, |top, v| top.max(v.abs()));
            assert_eq!(largest(&window), far);
        }
    }
}
