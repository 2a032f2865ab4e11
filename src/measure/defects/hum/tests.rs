//! What the house promises of mains hum: found under music, and notes that are none.

use std::f64::consts::PI;

use proptest::prelude::*;

use super::*;

const RATE: u32 = 8000;

fn tone(hz: f64, level: f64, frames: usize) -> impl Iterator<Item = f64> {
    (0..frames).map(move |n| level * (2.0 * PI * hz * n as f64 / f64::from(RATE)).sin())
}

/// Notes of half a second, low ones with all their harmonics, 6 s, then 3 s of a quiet room.
fn music() -> Vec<f64> {
    let mut state = 1u64;
    let mut room = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        ((state >> 33) as f64 / f64::from(1u32 << 30) - 1.0) * 1e-4
    };
    let frames = 9 * RATE as usize;
    (0..frames)
        .map(|n| {
            let t = n as f64 / f64::from(RATE);
            // G1, B1, D2 and A1 with their harmonics.
            let hz = [48.999, 61.735, 73.416, 55.0][(t * 2.0) as usize % 4];
            let decay = (-6.0 * (t % 0.5)).exp();
            let harmonics =
                (1..=8).map(|k| (2.0 * PI * hz * f64::from(k) * t).sin() / f64::from(k));
            let note = if t < 6.0 {
                0.3 * decay * harmonics.sum::<f64>()
            } else {
                0.0
            };
            note + room()
        })
        .collect()
}

/// With harmonics that fall by 6 dB each.
fn with_hum(mut samples: Vec<f64>, hz: f64, level_dbfs: f64) -> Vec<f64> {
    for harmonic in 1..=5u32 {
        let level = 10f64.powf((level_dbfs - 6.0 * f64::from(harmonic - 1)) / 20.0);
        let line = tone(hz * f64::from(harmonic), level, samples.len());
        for (sample, hum) in samples.iter_mut().zip(line) {
            *sample += hum;
        }
    }
    samples
}

fn facts(planes: &[&[f64]], cut: usize) -> HumFacts {
    let mut meter = HumMeter::new(Hertz::new(RATE).expect("not 0"), planes.len());
    let frames = planes[0].len();
    for from in (0..frames).step_by(cut) {
        let to = frames.min(from + cut);
        let block: Vec<&[f64]> = planes.iter().map(|plane| &plane[from..to]).collect();
        meter.feed(&block);
    }
    meter.finish()
}

fn told(facts: &HumFacts) -> Vec<Option<usize>> {
    let sure = facts
        .hums
        .listed
        .iter()
        .filter(|spot| spot.confidence >= Spot::SURE);
    sure.map(|spot| spot.channel).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(8))]

    #[test]
    fn hum_is_found_in_its_channel_with_frequency_and_level(
        mains in 0usize..2, off in -0.1f64..0.1, level in -70.0f64..-45.0, cut in 500usize..40_000,
    ) {
        let hz = MAINS_HZ[mains] + off;
        let faulty = with_hum(music(), hz, level);
        let clean = music();
        let found = facts(&[&clean, &faulty], cut);
        prop_assert_eq!(told(&found), vec![Some(1)]);
        prop_assert_eq!(told(&facts(&[&faulty, &clean], cut)), vec![Some(0)]);
        let figures = found.channels[1].clone().unwrap_or_default();
        prop_assert!((figures.mains_hz - hz).abs() < 0.05, "{} for {}", figures.mains_hz, hz);
        // A sine's RMS is 3.01 dB under its amplitude; between two bins Hann's window reads up
        // to 1.42 dB less, and levels are counted in half dBs.
        let under = level - 3.01 - figures.level_dbfs;
        prop_assert!((-0.6..2.0).contains(&under), "{} for {}", figures.level_dbfs, level);
        prop_assert_eq!(&found, &facts(&[&clean, &faulty], clean.len()));
    }
}

#[test]
fn low_notes_are_no_hum() {
    let held: Vec<f64> = [48.999, 97.999, 146.83, 195.998]
        .iter()
        .map(|hz| tone(*hz, 0.01, 9 * RATE as usize).collect::<Vec<f64>>())
        .reduce(|sum, line| sum.iter().zip(&line).map(|(a, b)| a + b).collect())
        .unwrap_or_default();
    let music = music();
    let both: Vec<f64> = music.iter().zip(&held).map(|(a, b)| a + b).collect();
    assert_eq!(told(&facts(&[&music, &held, &both], 4096)), []);
}

#[test]
fn polarity_and_gain_leave_the_verdict_alone() {
    let faulty = with_hum(music(), 50.0, -55.0);
    for factor in [-1.0, 0.5, 1.9] {
        let other: Vec<f64> = faulty.iter().map(|v| v * factor).collect();
        assert_eq!(told(&facts(&[&other], 4096)), [Some(0)], "times {factor}");
    }
}

#[test]
fn silence_does_not_hum() {
    let found = facts(&[&[0.0; 40_000]], 4096);
    assert_eq!(found.hums.total, 0);
    assert_eq!(found.channels, [None]);
}
