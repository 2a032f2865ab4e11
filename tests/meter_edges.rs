//! The meters where they are tempted to look away: material on which the true-peak search and
//! its reading filter disagree most, and samples that no audio has.

use std::f64::consts::PI;

use weighbridge::layout;
use weighbridge::measure::{Measurements, signals};
use weighbridge::units::{DbTp, Dbfs, Hertz};

fn measured(samples: &[Vec<f64>]) -> Measurements {
    let rate = Hertz::new(48_000).unwrap();
    let labels = (samples.len() == 2).then(|| layout::parse_channels("2.0").unwrap());
    signals::measure(samples, rate, labels, 4096)
}

/// White noise of nearly normal distribution, driven 9 dB into a clipper at 0.9.
fn clipped_noise(seed: u64) -> Vec<f64> {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let mut uniform = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    };
    (0..16_384)
        .map(|_| {
            (0..4)
                .map(|_| 0.69 * uniform())
                .sum::<f64>()
                .clamp(-0.9, 0.9)
        })
        .collect()
}

/// The reading filter as `true_peak_filter` states it (128 taps, Kaiser window, 32 points a
/// sample), everywhere and not where a search sends it.
fn read_everywhere(samples: &[f64]) -> f64 {
    const SIDE: i64 = 64;
    let bessel = |x: f64| {
        let (mut term, mut sum) = (1.0, 1.0);
        for k in 1..60 {
            term *= (x / 2.0 / f64::from(k)).powi(2);
            sum += term;
        }
        sum
    };
    let mut top = 0.0f64;
    for step in 0..32 {
        let fraction = f64::from(step) / 32.0;
        let taps: Vec<f64> = (1 - SIDE..=SIDE)
            .map(|k| {
                let distance = k as f64 - fraction;
                let inside = (1.0 - (distance / SIDE as f64).powi(2)).max(0.0);
                let x = PI * distance;
                let sinc = if x == 0.0 { 1.0 } else { x.sin() / x };
                sinc * bessel(5.0 * inside.sqrt())
            })
            .collect();
        let gain: f64 = taps.iter().sum();
        for n in -SIDE..samples.len() as i64 + SIDE {
            let sum: f64 = (1 - SIDE..=SIDE)
                .zip(&taps)
                .filter_map(|(k, tap)| {
                    let at = usize::try_from(n + k).ok()?;
                    samples.get(at).map(|sample| sample * tap)
                })
                .sum();
            top = top.max((sum / gain).abs());
        }
    }
    20.0 * top.log10()
}

// On hard-clipped bright material the 48-tap filter of BS.1770-5 Annex 2, by which the meter
// searches, hides up to 2 dB, and not everywhere alike.
#[test]
fn the_search_misses_no_peak_that_the_reading_filter_would_read() {
    let noise: Vec<Vec<f64>> = (1..=8).map(clipped_noise).collect();
    for (channel, samples) in measured(&noise).channels.iter().zip(&noise) {
        let read = channel.true_peak_dbtp.map(DbTp::value).unwrap();
        let everywhere = read_everywhere(samples);
        // The parabola may add a little to the grid's highest point.
        assert!(
            (-0.001..0.02).contains(&(read - everywhere)),
            "{}: {read}, everywhere {everywhere}",
            channel.label
        );
    }
}

#[test]
fn samples_beyond_all_audio_still_have_a_peak_that_no_limit_lets_through() {
    for level in [1e300, 1e-300] {
        let file = measured(&[vec![level; 48_000], vec![0.0; 48_000]]);
        let wanted = 20.0 * f64::log10(level);
        let peak = file.peaks.true_peak_dbtp.map(DbTp::value).unwrap();
        assert!((peak - wanted).abs() < 0.1, "{level}: {peak}");
        assert_eq!(file.channels[0].overs > 0, level > 1.0);
        let loudness = file.loudness.ok().unwrap();
        assert_eq!(
            loudness.momentary_max_lufs.is_some(),
            loudness.momentary_max_at_s.is_some(),
            "a place belongs to a reading"
        );
    }
}

#[test]
fn the_true_peak_is_never_under_the_sample_peak() {
    for seed in 1..=40u64 {
        let noise = clipped_noise(seed);
        let length = 1 + (seed as usize * 7) % 200;
        let file = measured(&[noise[..length].to_vec()]);
        let sample = file.peaks.sample_peak_dbfs.map(Dbfs::value).unwrap();
        let peak = file.peaks.true_peak_dbtp.map(DbTp::value).unwrap();
        assert!(
            peak >= sample - 1e-9,
            "{length} frames: {peak} under {sample}"
        );
    }
}
