//! Signals for the tests of these meters.

/// White noise of -10 dBFS peak, the same for the same seed.
pub(super) fn noise(frames: usize, seed: u64) -> Vec<f64> {
    let mut state = seed;
    (0..frames)
        .map(|_| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            let code = (state >> 40) as f64 - f64::from(1 << 23);
            (code * 0.3).round() / f64::from(1 << 23)
        })
        .collect()
}

/// Two low tones and a little noise: a sound that goes on.
pub(super) fn chord(frames: usize, seed: u64) -> Vec<f64> {
    let turn = std::f64::consts::TAU / 44_100.0;
    noise(frames, seed)
        .iter()
        .enumerate()
        .map(|(i, n)| {
            let t = i as f64 * turn;
            let code = 0.2 * (171.3 * t).sin() + 0.1 * (1_234.5 * t).sin() + 0.05 * n;
            (code * f64::from(1 << 23)).round() / f64::from(1 << 23)
        })
        .collect()
}

/// Hands planes on in blocks.
pub(super) fn cut(planes: &[&[f64]], block: usize, mut feed: impl FnMut(&[&[f64]])) {
    let total = planes[0].len();
    for from in (0..total).step_by(block) {
        let to = (from + block).min(total);
        let part: Vec<&[f64]> = planes.iter().map(|plane| &plane[from..to]).collect();
        feed(&part);
    }
}
