//! Two versions of a channel-based file: what was done to one of them is found, there and
//! nowhere else, and a master is none of it.

use super::signals::*;
use super::{compare, feed, side};
use crate::compare::{Comparison, EditKind, ExchangeKind, Versions};

/// A pair with something in the middle, and sides `db` over it.
fn pair(seed: u64, seconds: f64, db: f64) -> [Vec<f64>; 2] {
    let middle = notes(seed, seconds);
    let sides = gain_db(&notes(seed + 100, seconds), db);
    let other: Vec<f64> = sides.iter().map(|s| -s).collect();
    [sum(&middle, &sides), sum(&middle, &other)]
}

fn mastered_pair(mix: &[Vec<f64>]) -> Vec<Vec<f64>> {
    mix.iter().map(|channel| mastered(channel)).collect()
}

fn upside_down(samples: &[f64]) -> Vec<f64> {
    samples.iter().map(|s| -s).collect()
}

fn versions(master: &[Vec<f64>], mix: &[Vec<f64>]) -> Versions {
    compare(master, mix).versions.expect("channels")
}

/// What would be told to a person.
pub(super) fn told(found: &Versions) -> Vec<String> {
    let mut told = Vec::new();
    for exchange in found.exchanges.iter().filter(|one| one.confidence >= 0.5) {
        told.push(format!("{:?} {:?}", exchange.kind, exchange.tracks));
    }
    for (index, channel) in found.channels.iter().enumerate() {
        if channel.inverted && channel.inverted_confidence >= 0.5 {
            told.push(format!("inverted {index}"));
        }
        if channel.delay_frames.is_some_and(|frames| frames != 0) && channel.delay_confidence >= 0.5
        {
            told.push(format!("delay {index} {}", channel.delay_frames.unwrap()));
        }
        let level = channel.level_change_db.filter(|db| db.abs() > 0.5);
        if let Some(level) = level.filter(|_| channel.level_confidence >= 0.5) {
            told.push(format!("level {index} {level:.1}"));
        }
        if channel.missing {
            told.push(format!("missing {index}"));
        }
    }
    for edit in found
        .edits
        .listed
        .iter()
        .filter(|one| one.confidence >= 0.5)
    {
        told.push(format!(
            "{:?} at {:.3}",
            edit.kind, edit.start_in_master_s.0
        ));
    }
    if found.null.as_ref().is_some_and(|null| null.same_audio) {
        told.push("same audio".to_owned());
    }
    if found
        .rate
        .as_ref()
        .is_some_and(|rate| rate.confidence >= 0.5)
    {
        told.push("rate".to_owned());
    }
    told
}

#[test]
fn a_master_is_its_mix_and_nothing_else() {
    for seed in [1, 2, 3] {
        let mix = pair(seed, 12.0, -6.0);
        let found = versions(&mastered_pair(&mix), &mix);
        assert_eq!(told(&found), [""; 0], "{seed}");
        let correlation = found.channels[0].correlation.unwrap();
        assert!(correlation > 0.9, "{correlation}");
        // 2 dB from 4 kHz on, half of it there; the highest partials have 3.5 kHz.
        let tone = found.tone.unwrap();
        assert!(tone.largest_change_db.abs() < 3.0, "{tone:?}");
        assert!(tone.largest_band_hz >= 3_000.0, "{tone:?}");
    }
}

#[test]
fn a_channel_that_is_late_is_found_to_the_sample() {
    let mut dice = Dice::new(5);
    for turn in 0..4 {
        let mix = pair(10 + turn, 10.0, -6.0);
        let mut master = mastered_pair(&mix);
        let channel = dice.below(2);
        let frames = 1 + dice.below(2_000) as i64;
        master[channel] = late(&master[channel], frames);
        let told = told(&versions(&master, &mix));
        assert_eq!(told, [format!("delay {channel} {frames}")]);
    }
}

/// The narrower a pair is, the more alike are its channels: what is left tells.
#[test]
fn a_swap_is_found_however_narrow_the_pair_is() {
    for db in [0.0, -6.0, -15.0, -25.0] {
        let mix = pair(21, 10.0, db);
        let mut master = mastered_pair(&mix);
        master.swap(0, 1);
        assert_eq!(told(&versions(&master, &mix)), ["LeftRight [1, 2]"], "{db}");
        master[0] = upside_down(&master[0]);
        let both = told(&versions(&master, &mix));
        assert_eq!(both, ["LeftRight [1, 2]", "inverted 1"], "{db}");
    }
    // Channels that have nothing in common are found in each other's places, too.
    let mix = [notes(31, 10.0), notes(32, 10.0)];
    let master = [late(&mix[1], 300), late(&mix[0], 300)];
    assert_eq!(told(&versions(&master, &mix)), ["LeftRight [1, 2]"]);
    // And of a pair that is one signal nobody can say.
    let mono = [mix[0].clone(), mix[0].clone()];
    assert_eq!(told(&versions(&mastered_pair(&mono), &mono)), [""; 0]);
}

#[test]
fn channels_upside_down_are_told_one_by_one() {
    for db in [0.0, -25.0] {
        let mix = pair(41, 8.0, db);
        let mut master = mastered_pair(&mix);
        master[1] = upside_down(&master[1]);
        assert_eq!(told(&versions(&master, &mix)), ["inverted 1"]);
        master[0] = upside_down(&master[0]);
        let both = told(&versions(&master, &mix));
        assert_eq!(both, ["inverted 0", "inverted 1"]);
    }
}

#[test]
fn a_channel_out_of_balance_is_told_with_its_decibels() {
    let mix = pair(51, 8.0, -6.0);
    for (channel, db) in [(0, -1.0), (1, 3.0)] {
        let mut master = mix.clone();
        master[channel] = gain_db(&mix[channel], db);
        let found = versions(&master, &mix);
        assert_eq!(told(&found), [format!("level {channel} {db:.1}")]);
    }
}

#[test]
fn channels_of_a_surround_file_are_found_wherever_they_are() {
    let mix: Vec<Vec<f64>> = (0..6)
        .map(|n| match n {
            3 => low_pass(&notes(63, 8.0), 100.0),
            _ => notes(60 + n, 8.0),
        })
        .collect();
    let order = |order: [usize; 6]| order.map(|n| mix[n].clone()).to_vec();
    let found = |order_of: [usize; 6]| told(&versions(&order(order_of), &mix));
    assert_eq!(found([0, 1, 2, 3, 4, 5]), ["same audio"]);
    assert_eq!(found([0, 1, 2, 3, 5, 4]), ["Surround [5, 6]"]);
    assert_eq!(found([1, 0, 2, 3, 4, 5]), ["LeftRight [1, 2]"]);
    assert_eq!(
        found([4, 5, 2, 3, 0, 1]),
        ["Surround [1, 5]", "Surround [2, 6]"]
    );
    // The order of film.
    let film = versions(&order([0, 2, 1, 4, 5, 3]), &mix);
    assert!(
        film.exchanges
            .iter()
            .all(|one| one.kind == ExchangeKind::Other)
    );
    assert_eq!(
        film.exchanges
            .iter()
            .map(|one| one.tracks.len())
            .sum::<usize>(),
        5
    );
    let mut silent = mix.clone();
    silent[2] = vec![0.0; silent[2].len()];
    let told = told(&versions(&silent, &mix));
    assert!(told.contains(&"missing 2".to_owned()), "{told:?}");
}

/// Each kind at a place and of a length that the dice choose.
#[test]
fn an_edit_is_found_at_its_place_and_nowhere_else() {
    let mut dice = Dice::new(77);
    for turn in 0..10 {
        let mix = pair(200 + turn, 16.0, -6.0);
        let at = frames(4.0 + 6.0 * dice.share());
        let length = frames(0.25 + 1.5 * dice.share());
        let other = pair(300 + turn, 2.0, -6.0);
        let mut master = if turn % 2 == 0 {
            mix.to_vec()
        } else {
            mastered_pair(&mix)
        };
        let kind = [
            EditKind::Inserted,
            EditKind::Removed,
            EditKind::Replaced,
            EditKind::Silenced,
            EditKind::Lowered,
        ][turn as usize / 2];
        let length = match kind {
            EditKind::Silenced => length.max(frames(0.5)),
            _ => length,
        };
        for (channel, other) in master.iter_mut().zip(&other) {
            match kind {
                EditKind::Inserted => {
                    channel.splice(at..at, other[..length].iter().copied());
                }
                EditKind::Removed => {
                    channel.drain(at..at + length);
                }
                EditKind::Replaced => channel[at..at + length].copy_from_slice(&other[..length]),
                EditKind::Silenced => channel[at..at + length].fill(0.0),
                _ => channel[at..at + length].iter_mut().for_each(|s| *s *= 0.5),
            }
        }
        let found = versions(&master, &mix);
        let sure: Vec<_> = found
            .edits
            .listed
            .iter()
            .filter(|e| e.confidence >= 0.5)
            .collect();
        assert_eq!(sure.len(), 1, "{turn} {kind:?} at {at}: {:#?}", found.edits);
        let edit = sure[0];
        assert_eq!(edit.kind, kind, "{turn}");
        let (start, seconds) = (at as f64 / 48_000.0, length as f64 / 48_000.0);
        // The label schema's tolerance.
        assert!(
            (edit.start_s.0 - start).abs() < 0.05,
            "{turn} {start} {edit:?}"
        );
        let (in_mix, in_master) = (edit.length_in_mix_s.0, edit.length_in_master_s.0);
        let expected = match kind {
            EditKind::Inserted => (0.0, seconds),
            EditKind::Removed => (seconds, 0.0),
            _ => (seconds, seconds),
        };
        assert!(
            (in_mix - expected.0).abs() < 0.05,
            "{turn} {seconds} {edit:?}"
        );
        assert!(
            (in_master - expected.1).abs() < 0.05,
            "{turn} {seconds} {edit:?}"
        );
        assert_eq!(told(&found).len(), 1, "{:?}", told(&found));
    }
}

#[test]
fn a_frame_of_the_master_is_found_in_the_mix() {
    let mix = pair(401, 14.0, -6.0);
    let mut master = mix.to_vec();
    let at = frames(6.0);
    let silence = std::iter::repeat_n(0.0, frames(3.0));
    for channel in &mut master {
        channel.splice(at..at, silence.clone());
    }
    let found = compare(&master, &mix);
    assert_eq!(found.aligned(100), Some(100));
    let behind = frames(11.0) as u64;
    assert_eq!(found.aligned(behind), Some(frames(8.0) as i64));
    assert_eq!(found.aligned(frames(7.5) as u64), None);
}

/// To whole steps of 16 bits, with dither of two steps' triangle.
fn sixteen_bits(samples: &[f64], seed: u64) -> Vec<f64> {
    let mut dice = Dice::new(seed);
    let step = 1.0 / 32_768.0;
    let dithered = samples.iter().map(|sample| {
        let dither = dice.share() - dice.share();
        ((sample / step + dither).round() * step).clamp(-1.0, 1.0)
    });
    dithered.collect()
}

#[test]
fn the_same_audio_is_told_and_what_was_done_to_it_is_not() {
    let mix = pair(501, 8.0, -6.0);
    let same = |master: &[Vec<f64>]| {
        let null = versions(master, &mix).null.unwrap();
        (null.identical_samples, null.same_audio, null.same_but_gain)
    };
    assert_eq!(same(&mix), (true, true, false));
    let dithered: Vec<Vec<f64>> = mix.iter().map(|c| sixteen_bits(c, 9)).collect();
    assert_eq!(same(&dithered), (false, true, false));
    let softer: Vec<Vec<f64>> = mix.iter().map(|c| gain_db(c, -1.0)).collect();
    assert_eq!(same(&softer), (false, false, true));
    assert_eq!(same(&mastered_pair(&mix)), (false, false, false));
    let mut clicked = mix.to_vec();
    clicked[1][200_000] += 0.1;
    assert_eq!(same(&clicked), (false, false, false));
    // Gain g: -20 lg g; of one channel.
    let mut one = mix.to_vec();
    one[0] = gain_db(&one[0], -1.0);
    assert_eq!(same(&one), (false, false, false));
    let gain = versions(&softer, &mix).null.unwrap().gain_db;
    assert!((gain + 1.0).abs() < 1e-3, "{gain}");
}

/// Played `ratio` times as long, by straight lines between samples.
fn stretched(samples: &[f64], ratio: f64) -> Vec<f64> {
    let length = (samples.len() as f64 * ratio) as usize;
    (0..length)
        .map(|n| {
            let at = n as f64 / ratio;
            let (below, share) = (at as usize, at.fract());
            let of = |n: usize| samples.get(n).copied().unwrap_or(0.0);
            of(below) + share * (of(below + 1) - of(below))
        })
        .collect()
}

#[test]
fn a_wrong_rate_on_the_label_is_told() {
    let mix = pair(601, 14.0, -6.0).to_vec();
    // The label alone: the same samples at another rate.
    let mut other = side(2);
    other.sample_rate = 44_100;
    let relabelled = feed((&other, &side(2)), (&mix, &mix), || 4_800).0;
    let rate = |found: &Comparison| found.versions.clone().unwrap().rate.unwrap();
    let found = rate(&relabelled);
    assert!(found.confidence > 0.8, "{found:?}");
    assert!((found.ratio - 160.0 / 147.0).abs() < 1e-9);
    assert_eq!(relabelled.timing.offset_frames, None);
    // Converted from there to the same label.
    for ratio in [147.0 / 160.0, 160.0 / 147.0, 2.0] {
        let master: Vec<_> = mix.iter().map(|c| stretched(c, ratio)).collect();
        let found = rate(&compare(&master, &mix));
        assert!(found.confidence > 0.8, "{ratio} {found:?}");
    }
    // Rightly converted, and another piece that is as long.
    let right: Vec<_> = mix.iter().map(|c| stretched(c, 147.0 / 160.0)).collect();
    let found = feed((&other, &side(2)), (&right, &mix), || 4_800).0;
    assert!(rate(&found).confidence < 0.1, "{:?}", found.versions);
    assert!(found.length_difference_frames.abs() < 10);
    let piece: Vec<_> = pair(700, 14.0 * 160.0 / 147.0, -6.0).to_vec();
    assert!(rate(&compare(&piece, &mix)).confidence < 0.1);
}

#[test]
fn scale_and_the_order_of_channels_change_no_outcome() {
    let mix = pair(801, 10.0, -6.0);
    let mut master = mastered_pair(&mix);
    for channel in &mut master {
        channel.drain(200_000..240_000);
    }
    let straight = told(&versions(&master, &mix));
    let turned = |c: &[Vec<f64>]| vec![gain_db(&c[1], -6.0), gain_db(&c[0], -6.0)];
    assert_eq!(told(&versions(&turned(&master), &turned(&mix))), straight);
    assert_eq!(straight.len(), 1, "{straight:?}");
}

#[test]
fn an_edit_is_the_same_in_any_cut_into_blocks() {
    let mix = pair(901, 12.0, -6.0);
    let mut master = mix.to_vec();
    for channel in &mut master {
        channel.drain(200_000..340_000);
    }
    let mut dice = Dice::new(3);
    let run = |size: &mut dyn FnMut() -> usize| {
        let found = feed((&side(2), &side(2)), (&master, &mix), size).0;
        serde_json::to_string(&found).unwrap()
    };
    let whole = run(&mut || usize::MAX / 2);
    assert!(run(&mut || 1 + dice.below(30_000)) == whole);
    assert!(run(&mut || 997) == whole);
}
