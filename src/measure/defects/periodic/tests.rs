//! What the house promises of mutes and tones at one period.

use proptest::prelude::*;

use super::super::testing::{cut, noise};
use super::*;

const RATE: u32 = 8000;

fn facts(planes: &[&[f64]], block: usize) -> PeriodicFacts {
    let mut meter = PeriodicMeter::new(Hertz::new(RATE).expect("not 0"), planes.len());
    cut(planes, block, |part| meter.feed(part));
    meter.finish()
}

fn mutes(starts: &[usize], lengths: &[usize], block: usize) -> PeriodicFacts {
    let mut samples = noise(50 * RATE as usize, 3);
    for (&start, &length) in starts.iter().zip(lengths) {
        samples[start..start + length].fill(0.0);
    }
    facts(&[&samples, &samples], block)
}

/// Notes that come and go in time with nothing, under quiet noise.
fn music(seconds: usize) -> Vec<f64> {
    let mut samples = noise(seconds * RATE as usize, 5);
    let (mut start, mut note) = (0, 0usize);
    while start < samples.len() {
        let hertz = 110.0 * (1.0 + (note * 7 % 12) as f64 / 4.0);
        let length = 1500 + note * note * 389 % 3100;
        let end = (start + length).min(samples.len());
        for (n, sample) in samples[start..end].iter_mut().enumerate() {
            let t = n as f64 / f64::from(RATE);
            let fade = (-3.0 * t).exp();
            *sample = 0.02 * *sample + 0.3 * fade * (std::f64::consts::TAU * hertz * t).sin();
        }
        (start, note) = (end, note + 1);
    }
    samples
}

/// `length` samples of a tone of 1 kHz, added at each of the places.
fn beeps(samples: &mut [f64], starts: &[usize], length: usize, level: f64) {
    for &start in starts {
        for n in 0..length {
            let t = n as f64 / f64::from(RATE);
            samples[start + n] += level * (std::f64::consts::TAU * 1000.0 * t).sin();
        }
    }
}

fn sure(row: &Option<PeriodicRow>) -> bool {
    row.as_ref().is_some_and(|row| row.confidence >= Spot::SURE)
}

#[test]
fn equal_mutes_at_equal_distances_are_told_together() {
    let starts = [40_000, 136_000, 232_000, 328_000];
    let whole = mutes(&starts, &[4000; 4], 400_000);
    let found = whole.mutes.clone().expect("a row");
    assert_eq!(found.start_frames, [40_000, 136_000, 232_000, 328_000]);
    assert_eq!((found.period_s, found.length_s), (12.0, 0.5));
    assert!(found.confidence > 0.5);
    assert_eq!(mutes(&starts, &[4000; 4], 777), whole);
}

#[test]
fn other_lengths_other_distances_and_rhythms_are_no_row() {
    let starts = [40_000, 136_000, 232_000, 328_000];
    let late = [40_000, 136_000, 232_000, 328_200];
    let rhythm: Vec<usize> = (1..12).map(|i| i * 32_000).collect();
    assert!(!sure(
        &mutes(&starts, &[4000, 4000, 4400, 4000], 4096).mutes
    ));
    assert!(!sure(&mutes(&late, &[4000; 4], 4096).mutes));
    assert!(!sure(&mutes(&rhythm, &[4000; 11], 4096).mutes));
}

#[test]
fn three_are_noted_and_no_more() {
    let found = mutes(&[40_000, 180_000, 320_000], &[4000; 3], 4096).mutes;
    assert!(found.is_some_and(|row| row.count == 3 && row.confidence < Spot::SURE));
}

#[test]
fn music_that_repeats_itself_has_its_stops_and_tones_as_its_own() {
    let mut part = music(12);
    beeps(&mut part, &[60_000], 3000, 0.3);
    part[30_000..34_000].fill(0.0);
    let found = facts(&[&part.repeat(5)], 4096);
    assert!(!sure(&found.mutes), "{found:?}");
    assert!(!sure(&found.tones), "{found:?}");
}

#[test]
fn notes_without_a_period_are_no_row() {
    let mut samples = music(60);
    beeps(
        &mut samples,
        &[30_000, 130_000, 241_000, 390_000],
        3000,
        0.3,
    );
    assert!(!sure(&facts(&[&samples], 4096).tones));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(6))]

    #[test]
    fn tones_at_one_period_are_found_there_whatever_scale_polarity_order_and_cut(
        first in 20_000usize..80_000,
        period in 82_000usize..95_000,
        gain in 0.3f64..1.0,
        turned in any::<bool>(),
        noisy in any::<bool>(),
        block in 500usize..20_000,
    ) {
        let clean = music(60);
        let mut marked = clean.clone();
        let starts: Vec<usize> = (0..)
            .map(|n| first + n * period)
            .take_while(|start| start + 4000 < marked.len())
            .collect();
        if noisy {
            let burst = noise(3000, 9);
            for start in &starts {
                let place = &mut marked[*start..start + 3000];
                place.iter_mut().zip(&burst).for_each(|(sample, burst)| *sample += burst);
            }
        } else {
            beeps(&mut marked, &starts, 3000, 0.2);
        }
        let scale = if turned { -gain } else { gain };
        let scaled: Vec<f64> = marked.iter().map(|v| v * scale).collect();
        let other: Vec<f64> = marked.iter().map(|v| v * 0.5 * scale).collect();
        let found = facts(&[&scaled, &other], block);
        let row = found.tones.clone().expect("a row");
        prop_assert!(row.confidence >= Spot::SURE, "{:?}", row);
        prop_assert_eq!(row.count, starts.len() as u64);
        for (frame, start) in row.start_frames.iter().zip(&starts) {
            prop_assert!(frame.abs_diff(*start as u64) < 1200, "{} for {}", frame, start);
        }
        prop_assert_eq!(&facts(&[&other, &scaled], scaled.len()), &found);
        prop_assert!(!sure(&facts(&[&clean], block).tones));
    }
}
