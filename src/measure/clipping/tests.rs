//! What the house promises of flat tops: where they are found, and what is none.

use std::f64::consts::PI;

use proptest::prelude::*;

use super::*;
use crate::measure::Spot;

const RATE: u32 = 44_100;
const STEP_24: f64 = 1.0 / 8_388_608.0;
const STEP_16: f64 = 1.0 / 32_768.0;

/// Inharmonic partials that never come to more than 0.8 together, 6 s.
fn music() -> Vec<f64> {
    let partials = [(83.1, 0.4), (221.7, 0.2), (947.3, 0.12), (3121.9, 0.08)];
    (0..6 * RATE)
        .map(|n| {
            let t = f64::from(n) / f64::from(RATE);
            let wave = |(hz, level): (f64, f64)| level * (2.0 * PI * hz * t).sin();
            partials.into_iter().map(wave).sum()
        })
        .collect()
}

/// Raised by `gain` for 0.2 s from `start` on, then clipped at full scale.
fn clipped(mut samples: Vec<f64>, start: usize, gain: f64) -> Vec<f64> {
    let length = RATE as usize / 5;
    for (n, sample) in samples[start..start + length].iter_mut().enumerate() {
        let raise = 0.5 - 0.5 * (2.0 * PI * n as f64 / length as f64).cos();
        *sample *= 1.0 + (gain - 1.0) * raise;
    }
    samples.iter().map(|v| v.clamp(-1.0, 1.0)).collect()
}

/// Dither of one step either way, then rounding.
fn dithered(samples: &[f64], step: f64) -> Vec<f64> {
    let mut state = 1u64;
    let mut random = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    let round = |v: &f64| ((v / step + random() - random()).round()) * step;
    samples.iter().map(round).collect()
}

fn facts(planes: &[&[f64]], cut: usize, step: f64) -> ClippingFacts {
    let rate = Hertz::new(RATE).expect("not 0");
    let mut meter = ClippingMeter::new(rate, planes.len(), step);
    let frames = planes[0].len();
    for from in (0..frames).step_by(cut) {
        let to = frames.min(from + cut);
        let block: Vec<&[f64]> = planes.iter().map(|plane| &plane[from..to]).collect();
        meter.feed(&block);
    }
    meter.finish()
}

fn told(facts: &ClippingFacts) -> Vec<Spot> {
    let spots = facts.passages.listed.iter().copied();
    spots.filter(|spot| spot.confidence >= Spot::SURE).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(8))]

    #[test]
    fn a_clipped_passage_is_found_at_its_place_and_nowhere_else(
        start in 5_000usize..240_000, gain in 2.0f64..3.0, cut in 1_000usize..50_000,
    ) {
        let clean = music();
        let faulty = clipped(clean.clone(), start, gain);
        let found = facts(&[&clean, &faulty], cut, STEP_24);
        prop_assert!(!told(&found).is_empty());
        let end = (start + RATE as usize / 5) as u64;
        for spot in &found.passages.listed {
            prop_assert_eq!(spot.channel, Some(1));
            prop_assert!(spot.start >= start as u64 && spot.end <= end);
        }
        prop_assert_eq!(&found, &facts(&[&clean, &faulty], clean.len(), STEP_24));
    }
}

#[test]
fn polarity_scale_and_channel_order_leave_the_places_alone() {
    let faulty = clipped(music(), 40_000, 2.0);
    let clean = music();
    let places = |left: &[f64], right: &[f64], channel| {
        let found = facts(&[left, right], 4096, STEP_24);
        let spots = found.passages.listed.iter();
        assert!(spots.clone().all(|spot| spot.channel == Some(channel)));
        let place = |spot: &Spot| (spot.start, spot.end, (spot.size * 1e9).round());
        spots.map(place).collect::<Vec<_>>()
    };
    let scaled = |factor: f64| faulty.iter().map(|v| v * factor).collect::<Vec<f64>>();
    let wanted = places(&faulty, &clean, 0);
    assert!(!wanted.is_empty());
    assert_eq!(places(&clean, &faulty, 1), wanted);
    assert_eq!(places(&scaled(-1.0), &clean, 0), wanted);
    assert_eq!(places(&scaled(0.5), &clean, 0), wanted);
}

#[test]
fn flat_tops_are_seen_after_the_music_was_turned_down_and_dithered() {
    let quiet: Vec<f64> = clipped(music(), 40_000, 2.5)
        .iter()
        .map(|v| v * 0.6)
        .collect();
    for step in [STEP_16, STEP_24] {
        let found = facts(&[&dithered(&quiet, step)], 4096, step);
        assert!(!told(&found).is_empty());
        let level = found.channels[0]
            .level_dbfs
            .expect("tops were found")
            .value();
        // 20 log 0.6 = -4.437; dither moves the largest sample by less than 2 steps.
        assert!((level + 4.437).abs() < 0.002, "{level}");
    }
}

#[test]
fn a_slow_sine_has_no_flat_tops_however_coarse_its_steps() {
    for hz in [20.0, 41.2, 55.0, 100.0] {
        let sine: Vec<f64> = (0..RATE)
            .map(|n| 0.9 * (2.0 * PI * hz * f64::from(n) / f64::from(RATE)).sin())
            .collect();
        for step in [STEP_16, STEP_24] {
            let rounded: Vec<f64> = sine.iter().map(|v| (v / step).round() * step).collect();
            assert_eq!(facts(&[&rounded], 4096, step).passages.total, 0, "{hz} Hz");
        }
    }
}

#[test]
fn squares_and_staircases_are_no_clipping() {
    let square: Vec<f64> = (0..RATE)
        .map(|n| if n / 75 % 2 == 0 { 0.9 } else { -0.9 })
        .collect();
    let stairs: Vec<f64> = music().chunks(4).flat_map(|held| [held[0]; 4]).collect();
    for wave in [square, stairs] {
        let found = facts(&[&wave], 4096, STEP_16);
        assert_eq!(told(&found), []);
    }
}

#[test]
fn saturation_without_corners_is_no_clipping() {
    let soft: Vec<f64> = music().iter().map(|v| (4.0 * v).tanh() * 0.9).collect();
    assert_eq!(facts(&[&soft], 4096, STEP_24).passages.total, 0);
}

#[test]
fn a_master_that_is_clipped_all_over_at_its_ceiling_is_taken_for_meant() {
    let loud: Vec<f64> = music()
        .iter()
        .map(|v| (v * 2.0).clamp(-0.95, 0.95))
        .collect();
    let found = facts(&[&loud], 4096, STEP_24);
    assert!(found.passages.total > 0 && found.channels[0].share > 0.9);
    assert_eq!(told(&found), []);
}

#[test]
fn a_few_tops_at_one_level_are_told_where_clipping_is_rare() {
    let faulty = clipped(music(), 40_000, 1.65);
    let found = facts(&[&faulty], 4096, STEP_24);
    let figures = &found.channels[0];
    assert!(figures.share < 0.1, "{figures:?}");
    assert!(!told(&found).is_empty(), "{found:?}");
}

#[test]
fn tops_that_agree_in_no_level_are_not_told() {
    let mut samples = music();
    for (half, part) in samples[40_000..60_000].chunks_mut(2_000).enumerate() {
        let level = 0.35 + 0.013 * half as f64;
        part.iter_mut().for_each(|v| *v = v.clamp(-level, level));
    }
    let found = facts(&[&samples], 4096, STEP_24);
    assert!(found.passages.total > 0);
    assert_eq!(told(&found), []);
}
