//! What the house promises of the views: against formulas of the standards, and however the
//! blocks are cut.

use proptest::prelude::*;

use super::third_octaves::NOMINAL;
use super::*;
use crate::layout;

const RATE: u32 = 48_000;

fn noise(seed: u64, frames: usize) -> Vec<f64> {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    (0..frames)
        .map(|_| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            0.3 * ((state >> 33) as f64 / f64::from(1u32 << 30) - 1.0)
        })
        .collect()
}

fn sine(hertz: f64, frames: usize) -> Vec<f64> {
    let turn = std::f64::consts::TAU * hertz / f64::from(RATE);
    (0..frames).map(|n| 0.5 * (turn * n as f64).sin()).collect()
}

fn measured(layout: &str, planes: &[Vec<f64>], cut: usize) -> TranslationFacts {
    let labels = layout::by_name(layout).unwrap().labels();
    let rate = Hertz::new(RATE).unwrap();
    let mut meter = TranslationMeter::new(rate, Fold::of_channels(&labels).unwrap());
    let frames = planes[0].len();
    for at in (0..frames).step_by(cut) {
        let block: Vec<&[f64]> = planes
            .iter()
            .map(|p| &p[at..(at + cut).min(frames)])
            .collect();
        meter.feed(&block);
    }
    meter.finish()
}

fn stereo(left: &[f64], right: &[f64]) -> TranslationFacts {
    measured("2.0", &[left.to_vec(), right.to_vec()], 4800)
}

fn view<'a>(facts: &'a TranslationFacts, name: &str) -> &'a View {
    facts
        .table
        .views
        .iter()
        .find(|view| view.name == name)
        .unwrap()
}

// Power of (L + R)/2 in both against that of L and R, equally strong with correlation r:
// 10 lg((1 + r)/2).
#[test]
fn mono_loses_what_the_correlation_says() {
    let (a, b) = (noise(1, 240_000), noise(2, 240_000));
    for r in [1.0f64, 0.5, 0.3, 0.0, -0.3, -0.5, -0.75] {
        let side = (1.0 - r * r).sqrt();
        let right: Vec<f64> = a.iter().zip(&b).map(|(a, b)| r * a + side * b).collect();
        let facts = stereo(&a, &right);
        let wanted = -10.0 * ((1.0 + r) / 2.0).log10();
        let read = facts.table.mono_loss_lu.unwrap().value();
        // Two stretches of noise correlate by chance: 0.01 at this length.
        assert!(
            (read - wanted).abs() < 0.15,
            "r {r}: {read} against {wanted}"
        );
        // At -0.5 the loss is the limit itself: chance decides window by window.
        if r != -0.5 {
            assert_eq!(facts.mono_losses.total > 0, wanted > 6.0, "r {r}");
        }
    }
}

// ITU-R BS.1770-5, Annex 1: 997 Hz at 0 dBFS in one front channel is -3.01 LKFS.
#[test]
fn five_one_folds_by_bs_775() {
    let tone = sine(997.0, 192_000);
    let zeros = vec![0.0; tone.len()];
    let level = |channel: usize| {
        let planes: Vec<Vec<f64>> = (0..6)
            .map(|c| {
                if c == channel {
                    tone.clone()
                } else {
                    zeros.clone()
                }
            })
            .collect();
        let facts = measured("5.1", &planes, 4800);
        view(&facts, "stereo fold")
            .loudness_lufs
            .map(|lufs| lufs.value())
    };
    let half = 20.0 * 0.5f64.log10();
    assert!((level(0).unwrap() - (-3.01 + half)).abs() < 0.02);
    // 0.7071 to both: the same power; 0.7071 to one: 3.01 dB less.
    assert!((level(2).unwrap() - (-3.01 + half)).abs() < 0.02);
    assert!((level(4).unwrap() - (-6.02 + half)).abs() < 0.02);
    assert_eq!(level(3), None);
}

// Butterworth: 3.01 dB down at the edges, whatever the order; 24 dB an octave beyond.
#[test]
fn a_band_is_three_db_down_at_its_published_edges() {
    for (name, low, high) in [
        ("telephone band", 300.0, 3400.0),
        ("small loudspeaker", 100.0, 8000.0),
        ("wide-band call", 50.0, 7000.0),
    ] {
        let lost = |hertz: f64| {
            let tone = sine(hertz, 144_000);
            let facts = stereo(&tone, &tone);
            view(&facts, name).change_lu.unwrap().value()
        };
        for edge in [low, high] {
            assert!(
                (lost(edge) + 3.01).abs() < 0.1,
                "{name} at {edge}: {}",
                lost(edge)
            );
        }
        assert!(lost(1000.0).abs() < 0.05, "{name}: {}", lost(1000.0));
        assert!(
            (lost(low / 2.0) + 24.1).abs() < 0.3,
            "{name}: {}",
            lost(low / 2.0)
        );
    }
}

// IEC 61260-1: a sine at a band's centre lies in that band alone; its level is the sine's own.
#[test]
fn a_tone_stands_in_its_third_octave() {
    for (band, exact) in
        (0..30).map(|band| (band, 1000.0 * 10f64.powf((band as f64 - 17.0) / 10.0)))
    {
        let tone = sine(exact, 144_000);
        let facts = stereo(&tone, &vec![0.0; tone.len()]);
        let levels = &view(&facts, "stereo fold").bands_db;
        let read = levels[band].unwrap();
        // The tone begins and ends at once: a little of it lies elsewhere.
        assert!((read + 9.03).abs() < 0.35, "{} Hz: {read}", NOMINAL[band]);
        for (other, level) in levels
            .iter()
            .enumerate()
            .filter(|(other, _)| *other != band)
        {
            assert!(
                level.is_none_or(|l| l < read - 15.0),
                "{exact} Hz in band {other}"
            );
        }
    }
}

// White noise: the power of a band goes with its width, 10 lg 10^0.1 = 1 dB a band.
#[test]
fn white_noise_rises_one_db_a_band() {
    let facts = stereo(&noise(3, 480_000), &noise(4, 480_000));
    let levels = &view(&facts, "stereo fold").bands_db;
    let (at_100, at_10k) = (levels[7].unwrap(), levels[27].unwrap());
    assert!((at_10k - at_100 - 20.0).abs() < 1.5, "{at_100} to {at_10k}");
}

#[test]
fn a_wide_band_is_named_as_the_one_that_mono_takes() {
    let (bass, pad) = (sine(100.0, 192_000), sine(1000.0, 192_000));
    let left: Vec<f64> = bass
        .iter()
        .zip(&pad)
        .map(|(b, p)| 0.5 * b + 0.3 * p)
        .collect();
    let right: Vec<f64> = bass
        .iter()
        .zip(&pad)
        .map(|(b, p)| 0.5 * b - 0.3 * p)
        .collect();
    let table = stereo(&left, &right).table;
    assert_eq!(table.mono_worst_band_hz, Some(1000.0));
    assert!(table.mono_worst_band_loss_db.unwrap() > 30.0);
}

#[test]
fn a_soundbar_that_drops_the_lfe_loses_the_low_end() {
    let mut planes = vec![vec![0.0; 192_000]; 6];
    planes[0] = sine(440.0, 192_000);
    planes[1] = planes[0].clone();
    planes[3] = sine(50.0, 192_000);
    let facts = measured("5.1", &planes, 4800);
    assert!(facts.table.low_end_lost_without_lfe_db.unwrap() > 20.0);
    let with = view(&facts, "soundbar with LFE")
        .loudness_lufs
        .unwrap()
        .value();
    let without = view(&facts, "soundbar without LFE")
        .loudness_lufs
        .unwrap()
        .value();
    assert!(with > without + 0.5, "{with} against {without}");
}

#[test]
fn bass_alone_is_not_carried_and_bass_with_harmonics_is() {
    let low = sine(60.0, 240_000);
    let table = stereo(&low, &low).table;
    assert!(table.bass_share.unwrap() > 0.9);
    assert!(table.bass_carried_share.unwrap() < 0.1);
    let harmonics = sine(180.0, 240_000);
    let both: Vec<f64> = low
        .iter()
        .zip(&harmonics)
        .map(|(l, h)| 0.5 * (l + h))
        .collect();
    assert!(stereo(&both, &both).table.bass_carried_share.unwrap() > 0.9);
}

#[test]
fn silence_has_no_table_of_numbers() {
    let facts = stereo(&vec![0.0; 96_000], &vec![0.0; 96_000]);
    assert!(
        facts
            .table
            .views
            .iter()
            .all(|view| view.loudness_lufs.is_none())
    );
    assert_eq!(facts.table.mono_worst_band_hz, None);
}

// Half a sample off the samples, a sine at a quarter of the rate peaks 3.01 dB over them.
#[test]
fn a_true_peak_between_the_samples_is_read() {
    let tone: Vec<f64> = (0..48_000)
        .map(|n| 0.5 * (std::f64::consts::FRAC_PI_2 * (f64::from(n) + 0.5)).sin())
        .collect();
    let peak = view(&stereo(&tone, &tone), "mono")
        .true_peak_dbtp
        .unwrap()
        .value();
    // EBU Tech 3341, Table 1: +0.2, -0.4 dB.
    assert!((-6.42..=-5.82).contains(&peak), "{peak}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(8))]
    #[test]
    fn any_cut_into_blocks_gives_the_same_table(cut in 1usize..20_000, seed in 1u64..1000) {
        let mut left = noise(seed, 30_000);
        left[9_000..24_000].fill(0.0);
        let planes = [left.clone(), left.iter().map(|v| 0.2 * v).collect()];
        prop_assert_eq!(measured("2.0", &planes, cut), measured("2.0", &planes, 30_000));
    }
}
