//! What the meters of clicks, splices and bursts promise, on small invented music.

use proptest::prelude::*;

use super::{BurstFacts, BurstMeter, DiscontinuityFacts, DiscontinuityMeter};
use crate::measure::{Spot, Spots};
use crate::units::Hertz;

const RATE: usize = 44_100;

/// Uniform numbers from -1 to 1; a xorshift generator (G. Marsaglia 2003, from memory).
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

/// Some chords, a little noise that a low-pass has gone over, two channels that differ.
fn music(frames: usize, seed: u64) -> Vec<Vec<f64>> {
    (0..2)
        .map(|channel| {
            let mut dice = Dice(0x9E37_79B9_7F4A_7C15 ^ (seed * 77 + channel + 1));
            let mut low = 0.0;
            (0..frames)
                .map(|n| {
                    let t = n as f64 / RATE as f64;
                    low += 0.2 * (dice.roll() - low);
                    let tones: f64 = [110.0, 277.2, 329.6, 1_318.5]
                        .iter()
                        .enumerate()
                        .map(|(k, f)| {
                            let phase = k as f64 * 1.7 + channel as f64 * 0.6;
                            (std::f64::consts::TAU * f * t + phase).sin() / (k + 1) as f64
                        })
                        .sum();
                    let swell = 1.0 + 0.4 * (std::f64::consts::TAU * 0.7 * t).sin();
                    0.1 * tones * swell + 0.001 * low + 2e-5 * dice.roll()
                })
                .collect()
        })
        .collect()
}

fn cut(planes: &[Vec<f64>], block: usize) -> Vec<Vec<&[f64]>> {
    (0..planes[0].len())
        .step_by(block)
        .map(|at| {
            let end = (at + block).min(planes[0].len());
            planes.iter().map(|plane| &plane[at..end]).collect()
        })
        .collect()
}

fn discontinuities(planes: &[Vec<f64>], block: usize) -> DiscontinuityFacts {
    let rate = Hertz::new(RATE as u32).expect("not zero");
    let mut meter = DiscontinuityMeter::new(rate, planes.len());
    cut(planes, block)
        .iter()
        .for_each(|planes| meter.feed(planes));
    meter.finish()
}

fn bursts(planes: &[Vec<f64>], block: usize) -> BurstFacts {
    let rate = Hertz::new(RATE as u32).expect("not zero");
    let mut meter = BurstMeter::new(rate, planes.len());
    cut(planes, block)
        .iter()
        .for_each(|planes| meter.feed(planes));
    meter.finish()
}

fn sure(spots: &Spots) -> Vec<(u64, Option<usize>)> {
    let sure = spots.listed.iter().filter(|s| s.confidence >= Spot::SURE);
    sure.map(|spot| (spot.start, spot.channel)).collect()
}

/// A join in mid-wave is heard as a click; nothing else is one.
fn all_near(clicks: &Spots, at: usize) -> bool {
    sure(clicks)
        .iter()
        .all(|(frame, _)| frame.abs_diff(at as u64) < 48)
}

fn with_click(at: usize, channel: usize, width: usize, height: f64) -> Vec<Vec<f64>> {
    let mut planes = music(2 * RATE, 3);
    for k in 0..width {
        planes[channel][at + k] += if k % 2 == 0 { height } else { -height };
    }
    planes
}

fn without(planes: &[Vec<f64>], at: usize, frames: usize) -> Vec<Vec<f64>> {
    let join = |plane: &Vec<f64>| [&plane[..at], &plane[at + frames..]].concat();
    planes.iter().map(join).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(6))]

    #[test]
    fn a_click_is_found_where_it_is_and_nowhere_else(
        at in 3_000..80_000usize, channel in 0..2usize, half in 0..3usize, gain in 0.01..2.0f64,
    ) {
        let mut planes = with_click(at, channel, 2 * half + 1, 0.02);
        planes.iter_mut().flatten().for_each(|v| *v *= -gain);
        let facts = discontinuities(&planes, 4_800);
        prop_assert_eq!(sure(&facts.clicks.clicks), vec![(at as u64, Some(channel))]);
        prop_assert!(sure(&facts.splices.splices).is_empty());
        let size = facts.clicks.clicks.listed[0].size;
        // The estimate errs by what the music's noise lets it: far under a decibel here.
        prop_assert!((size - 20.0 * (0.02 * gain).log10()).abs() < 1.0, "size {size}");
    }

    #[test]
    fn any_cut_into_blocks_gives_the_same_places_bit_for_bit(block in 1_000..9_000usize) {
        let planes = without(&with_click(30_000, 1, 1, 0.05), 60_000, 1_621);
        prop_assert_eq!(discontinuities(&planes, block), discontinuities(&planes, 88_200));
    }

    #[test]
    fn missing_samples_are_a_splice_at_their_place_and_nowhere_else(
        at in 20_000..60_000usize, ms in 5..300usize, seed in 1..40u64, gain in 0.02..2.0f64,
    ) {
        let whole = music(2 * RATE, seed);
        let frames = ms * RATE / 1_000;
        // By luck both waves may meet with little of a step.
        let step = |plane: &Vec<f64>| (plane[at] - plane[at + frames]).abs();
        prop_assume!(whole.iter().all(|plane| step(plane) > 0.02));
        let joined = without(&whole, at, frames);
        let facts = discontinuities(&joined, 4_096);
        let found = sure(&facts.splices.splices);
        prop_assert_eq!(found.len(), 1, "{:?}", facts);
        prop_assert!(found[0].0.abs_diff(at as u64) < 8 && found[0].1.is_none(), "{:?}", found);
        prop_assert!(all_near(&facts.clicks.clicks, at), "{:?}", facts);

        let turned: Vec<Vec<f64>> = joined
            .iter()
            .rev()
            .map(|plane| plane.iter().map(|v| -gain * v).collect())
            .collect();
        prop_assert_eq!(sure(&discontinuities(&turned, 4_800).splices.splices), found);
    }
}

#[test]
fn a_piece_cut_out_where_the_wave_jumps_is_a_splice_and_heard_as_a_click_there() {
    let whole = music(2 * RATE, 5);
    // Half a period of 110 Hz and some: the chord goes on elsewhere in its wave.
    let facts = discontinuities(&without(&whole, 44_321, 1_203), 4_096);
    let found = sure(&facts.splices.splices);
    assert_eq!(found.len(), 1, "{facts:?}");
    assert!(found[0].0.abs_diff(44_321) < 48, "{found:?}");
    assert!(all_near(&facts.clicks.clicks, 44_321), "{facts:?}");
}

#[test]
fn cuts_on_a_beat_are_told_together_and_others_one_by_one() {
    let cut_at = |places: [usize; 3]| {
        let mut planes = music(5 * RATE, 5);
        for (number, place) in places.into_iter().enumerate() {
            planes = without(&planes, place, 1_203 + number * 77);
        }
        let splices = discontinuities(&planes, 4_096).splices.splices;
        (sure(&splices).len(), splices.summarised())
    };
    assert_eq!(cut_at([44_321, 104_321, 164_321]), (3, 3));
    assert_eq!(cut_at([44_321, 99_102, 164_321]), (3, 0));
}

#[test]
fn channel_order_changes_nothing_but_the_numbers() {
    let planes = with_click(50_000, 0, 3, 0.03);
    let swapped = vec![planes[1].clone(), planes[0].clone()];
    assert_eq!(
        sure(&discontinuities(&planes, 4_800).clicks.clicks),
        [(50_000, Some(0))]
    );
    assert_eq!(
        sure(&discontinuities(&swapped, 4_800).clicks.clicks),
        [(50_000, Some(1))]
    );
}

#[test]
fn music_without_faults_and_silence_have_none() {
    for planes in [music(2 * RATE, 9), vec![vec![0.0; 2 * RATE]; 2]] {
        let facts = discontinuities(&planes, 4_800);
        assert!(sure(&facts.clicks.clicks).is_empty(), "{facts:?}");
        assert!(sure(&facts.splices.splices).is_empty(), "{facts:?}");
        assert_eq!(bursts(&planes, 4_800).bursts.total, 0);
    }
}

#[test]
fn a_click_in_digital_silence_is_a_click() {
    let mut planes = vec![vec![0.0; RATE]; 2];
    planes[1][20_001] = 0.1;
    let facts = discontinuities(&planes, 4_800);
    assert_eq!(sure(&facts.clicks.clicks), [(20_001, Some(1))]);
}

#[test]
fn crackle_all_along_is_told_in_one_sentence() {
    let mut planes = music(3 * RATE, 4);
    let places: Vec<usize> = (2_000..3 * RATE - 2_000).step_by(6_007).collect();
    for &at in &places {
        planes[at % 2][at] += 0.03;
    }
    let clicks = discontinuities(&planes, 4_800).clicks.clicks;
    assert_eq!(sure(&clicks).len(), places.len());
    assert_eq!(clicks.summarised(), places.len());
}

#[test]
fn more_clicks_are_never_less_of_a_fault() {
    for count in [1, 2, 5, 12, 40] {
        let mut planes = music(12 * RATE, 4);
        for n in 0..count {
            // No two alike, at no regular distance.
            let at = 9_000 + n * 12_007 + n * n * 31 % 5_000;
            planes[n % 2][at] += 0.02 + 0.003 * n as f64;
        }
        let clicks = discontinuities(&planes, 4_800).clicks.clicks;
        assert_eq!(sure(&clicks).len(), count);
        let together = count >= 12;
        assert_eq!(clicks.summarised() > 0, together, "{count}");
    }
}

#[test]
fn a_lone_click_of_any_shape_is_one() {
    let mut dice = Dice(7);
    let ragged: Vec<f64> = (0..9).map(|_| dice.roll()).collect();
    let decaying: Vec<f64> = (0..12)
        .map(|n| (-f64::from(n) / 3.0).exp() * (f64::from(n) * 1.1).cos())
        .collect();
    let step: Vec<f64> = (0..2_000).map(|n| (-f64::from(n) / 400.0).exp()).collect();
    for (name, shape) in [("ragged", ragged), ("decaying", decaying), ("step", step)] {
        for both in [false, true] {
            let mut planes = music(2 * RATE, 8);
            for plane in planes.iter_mut().skip(usize::from(!both)) {
                for (sample, added) in plane[40_000..].iter_mut().zip(&shape) {
                    *sample += 0.2 * added;
                }
            }
            let clicks = discontinuities(&planes, 4_096).clicks.clicks;
            assert!(!sure(&clicks).is_empty(), "{name} {both} {clicks:?}");
            assert!(all_near(&clicks, 40_000), "{name} {both} {clicks:?}");
            assert_eq!(clicks.summarised(), 0);
        }
    }
}

#[test]
fn a_buffer_that_is_played_again_is_no_splice() {
    let mut planes = music(2 * RATE, 5);
    for plane in &mut planes {
        plane.copy_within(40_000..40_512, 40_512);
    }
    assert!(sure(&discontinuities(&planes, 4_800).splices.splices).is_empty());
}

fn with_noise(from: usize, frames: usize, height: f64) -> Vec<Vec<f64>> {
    let mut planes = music(2 * RATE, 6);
    let mut dice = Dice(99);
    for plane in &mut planes {
        plane[from..from + frames].fill_with(|| height * dice.roll());
    }
    planes
}

#[test]
fn full_scale_noise_in_all_channels_is_a_burst_and_quiet_noise_is_none() {
    let loud = bursts(&with_noise(30_000, 4_410, 1.0), 777);
    assert_eq!(loud, bursts(&with_noise(30_000, 4_410, 1.0), 4_800));
    let found = &loud.bursts.listed;
    assert_eq!(found.len(), 1);
    assert!(found[0].confidence >= Spot::SURE && found[0].start.abs_diff(30_000) < 512);
    // Uniform noise to full scale has a mean square of one third: -4.77 dBFS.
    assert!((found[0].size + 4.77).abs() < 0.3, "{}", found[0].size);
    assert!(sure(&bursts(&with_noise(30_000, 4_410, 0.03), 4_800).bursts).is_empty());
    assert!(sure(&bursts(&with_noise(30_000, 40_000, 1.0), 4_800).bursts).is_empty());
}

#[test]
fn more_bursts_are_never_less_of_a_fault() {
    for count in [1, 3, 5, 9] {
        let mut planes = music(12 * RATE, 6);
        let mut dice = Dice(99);
        for plane in &mut planes {
            for n in 0..count {
                let from = 20_000 + n * 50_000;
                plane[from..from + 4_410].fill_with(|| dice.roll());
            }
        }
        let found = bursts(&planes, 4_800).bursts;
        assert_eq!(sure(&found).len(), count);
        assert_eq!(found.summarised(), if count < 4 { 0 } else { count });
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(6))]

    #[test]
    fn a_burst_is_found_where_it_is_whatever_polarity_order_and_cut(
        at in 20_000..60_000usize, frames in 2_000..6_000usize, gain in 0.7..1.0f64,
        turned in any::<bool>(), swapped in any::<bool>(), block in 500..9_000usize,
    ) {
        let mut planes = with_noise(at, frames, 1.0);
        let scale = if turned { -gain } else { gain };
        planes.iter_mut().flatten().for_each(|v| *v *= scale);
        if swapped {
            planes.swap(0, 1);
        }
        let found = bursts(&planes, block);
        let places = sure(&found.bursts);
        prop_assert_eq!(places.len(), 1);
        prop_assert!(places[0].0.abs_diff(at as u64) < 512 && places[0].1.is_none());
        prop_assert_eq!(bursts(&planes, 2 * RATE), found);
    }
}
