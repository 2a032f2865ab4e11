//! Honest masters: whatever mastering does without changing time, parts or polarity is not told
//! as if it did; and real offsets are found to the sample beside it.

use std::f64::consts::TAU;

use super::signals::*;
use super::{compare, feed, side};
use crate::compare::{Comparison, LevelChangeKind};
use crate::measured::NotMeasured;

const SECONDS: f64 = 14.0;

fn at(n: usize) -> f64 {
    n as f64 / f64::from(RATE)
}

fn made(of: impl FnMut(usize) -> f64) -> Vec<f64> {
    (0..frames(SECONDS)).map(of).collect()
}

/// Plucked strings after Karplus and Strong (1983): a burst of noise in a damped delay line.
fn plucked(seed: u64) -> Vec<f64> {
    let mut dice = Dice::new(seed);
    let mut out = vec![0.0; frames(SECONDS)];
    let mut start = 0;
    while start < out.len() {
        let pitch = 82.4 * 2_f64.powf(dice.below(30) as f64 / 12.0);
        let period = (f64::from(RATE) / pitch) as usize;
        let mut line: Vec<f64> = (0..period)
            .map(|_| 0.3 * (2.0 * dice.share() - 1.0))
            .collect();
        let end = (start + frames(1.2)).min(out.len());
        for (n, sample) in out[start..end].iter_mut().enumerate() {
            let (here, next) = (n % period, (n + 1) % period);
            *sample += line[here];
            line[here] = 0.498 * (line[here] + line[next]);
        }
        start += frames(0.15 + 0.25 * dice.share());
    }
    out
}

/// Chords of frequency modulation, struck every so often.
fn fm(seed: u64) -> Vec<f64> {
    let mut dice = Dice::new(seed);
    let mut out = vec![0.0; frames(SECONDS)];
    let mut start = 0;
    while start < out.len() {
        let pitch = 110.0 * 2_f64.powf(dice.below(24) as f64 / 12.0);
        let ratio = [1.0, 1.41, 2.0, 3.5][dice.below(4)];
        let end = (start + frames(1.5)).min(out.len());
        for (n, sample) in out[start..end].iter_mut().enumerate() {
            let t = at(n);
            let index = 4.0 * (-3.0 * t).exp();
            let phase = TAU * pitch * t + index * (TAU * pitch * ratio * t).sin();
            *sample += 0.15 * (1.0 - (-200.0 * t).exp()) * (-2.0 * t).exp() * phase.sin();
        }
        start += frames(0.2 + 0.4 * dice.share());
    }
    out
}

/// A drum kit that nobody programmed: every stroke is another one.
fn drums(seed: u64) -> Vec<f64> {
    let mut dice = Dice::new(seed);
    let mut out = vec![0.0; frames(SECONDS)];
    let mut beat = 0;
    let mut start = 0;
    while start < out.len() {
        let loud = 0.3 + 0.3 * dice.share();
        let end = (start + frames(0.4)).min(out.len());
        let kind = [0, 2, 1, 2][beat % 4];
        for (n, sample) in out[start..end].iter_mut().enumerate() {
            let t = at(n);
            let noise = 2.0 * dice.share() - 1.0;
            *sample += loud
                * match kind {
                    0 => (-9.0 * t).exp() * (TAU * (48.0 * t - 3.0 * (-30.0 * t).exp())).sin(),
                    1 => (-14.0 * t).exp() * (0.6 * noise + 0.3 * (TAU * 190.0 * t).sin()),
                    _ => 0.3 * (-60.0 * t).exp() * noise,
                };
        }
        beat += 1;
        start += frames(0.12 + 0.02 * dice.share());
    }
    out
}

fn tone(hertz: f64) -> Vec<f64> {
    made(|n| 0.3 * (TAU * hertz * at(n)).sin())
}

fn tremolo() -> Vec<f64> {
    made(|n| 0.3 * (0.6 + 0.4 * (TAU * 5.0 * at(n)).sin()) * (TAU * 330.0 * at(n)).sin())
}

/// Four partials that beat slowly.
fn drone() -> Vec<f64> {
    made(|n| {
        let partials = [55.0, 110.3, 164.6, 220.9];
        let sum: f64 = partials
            .iter()
            .map(|hertz| (TAU * hertz * at(n)).sin())
            .sum();
        0.1 * sum
    })
}

/// Half a second of struck notes, the same again and again.
fn repeated() -> Vec<f64> {
    let bar = notes(77, 0.5);
    made(|n| bar[n % bar.len()])
}

fn sub_bass() -> Vec<f64> {
    made(|n| {
        let t = at(n);
        let pitch = [41.2, 46.2, 55.0, 36.7][(t / 1.5) as usize % 4];
        0.4 * (1.0 - (-40.0 * (t % 1.5)).exp()) * (-0.8 * (t % 1.5)).exp() * (TAU * pitch * t).sin()
    })
}

type Carrier = (&'static str, fn() -> Vec<f64>);

const MUSIC: [Carrier; 4] = [
    ("plucked", || plucked(1)),
    ("fm", || fm(2)),
    ("drums", || drums(3)),
    ("notes", || notes(4, SECONDS)),
];

const REPEATING: [Carrier; 6] = [
    ("tone", || tone(440.0)),
    ("high tone", || tone(3_000.0)),
    ("tremolo", tremolo),
    ("drone", drone),
    ("repeated", repeated),
    ("sub bass", sub_bass),
];

/// A biquad of the cookbook formulas; `kind` chooses.
fn filter(samples: &[f64], kind: &str, hertz: f64, q: f64) -> Vec<f64> {
    let (sin, cos) = (TAU * hertz / f64::from(RATE)).sin_cos();
    let alpha = sin / (2.0 * q);
    let b = match kind {
        "high-pass" => [(1.0 + cos) / 2.0, -1.0 - cos, (1.0 + cos) / 2.0],
        _ => [1.0 - alpha, -2.0 * cos, 1.0 + alpha],
    };
    biquad(samples, b, [1.0 + alpha, -2.0 * cos, 1.0 - alpha])
}

/// One pole: y = x (1 - p) + p y.
fn one_pole(samples: &[f64], hertz: f64) -> Vec<f64> {
    let p = (-TAU * hertz / f64::from(RATE)).exp();
    let mut y = 0.0;
    let filtered = samples.iter().map(|x| {
        y = x * (1.0 - p) + p * y;
        y
    });
    filtered.collect()
}

/// Later by `delay` samples: a windowed sine cardinal of 33 taps, whose own 16 are taken off.
fn fraction(samples: &[f64], delay: f64) -> Vec<f64> {
    let taps: Vec<f64> = (-16..=16)
        .map(|n| {
            let x = f64::from(n) - delay;
            let sinc = if x == 0.0 {
                1.0
            } else {
                (0.5 * TAU * x).sin() / (0.5 * TAU * x)
            };
            sinc * (0.5 + 0.5 * (TAU * x / 36.0).cos())
        })
        .collect();
    let read = |n: i64| -> f64 {
        let n = usize::try_from(n).ok();
        n.and_then(|n| samples.get(n)).copied().unwrap_or(0.0)
    };
    (0..samples.len() as i64)
        .map(|n| {
            taps.iter()
                .zip(-16_i64..=16)
                .map(|(tap, k)| tap * read(n - k))
                .sum()
        })
        .collect()
}

/// The gain of a compressor of `ratio` over `threshold` with 5 and 100 ms, from all tracks.
fn compressor(tracks: &[Vec<f64>], threshold_db: f64, ratio: f64) -> Vec<f64> {
    let (attack, release) = (
        (-1.0 / (0.005 * f64::from(RATE))).exp(),
        (-1.0 / (0.1 * f64::from(RATE))).exp(),
    );
    let mut level: f64 = 0.0;
    (0..tracks[0].len())
        .map(|n| {
            let sum: f64 = tracks.iter().map(|track| track[n]).sum();
            let speed = if sum.abs() > level { attack } else { release };
            level = speed * level + (1.0 - speed) * sum.abs();
            let over = 20.0 * level.max(1e-6).log10() - threshold_db;
            10_f64.powf(-over.max(0.0) * (1.0 - 1.0 / ratio) / 20.0)
        })
        .collect()
}

fn times(samples: &[f64], gains: &[f64]) -> Vec<f64> {
    samples
        .iter()
        .zip(gains)
        .map(|(sample, gain)| sample * gain)
        .collect()
}

/// Three decibels louder against a ceiling, with 1 ms of look-ahead taken off again.
fn limited(samples: &[f64]) -> Vec<f64> {
    let ceiling = samples.iter().fold(0.0_f64, |most, s| most.max(s.abs()));
    let loud = gain_db(samples, 3.0);
    let mut gain = 1.0;
    let release = (-1.0 / (0.05 * f64::from(RATE))).exp();
    let ahead = frames(0.001);
    (0..loud.len())
        .map(|n| {
            let about = &loud[n..(n + ahead).min(loud.len())];
            let peak = about.iter().fold(0.0_f64, |most, s| most.max(s.abs()));
            let least = (ceiling / peak.max(ceiling)).min(1.0);
            gain = if least < gain {
                least
            } else {
                1.0 - release * (1.0 - gain)
            };
            gain = f64::min(gain, least);
            loud[n] * gain
        })
        .collect()
}

type Process = (&'static str, fn(&[f64]) -> Vec<f64>);

const PROCESSES: [Process; 12] = [
    ("gain", |s| gain_db(s, -2.5)),
    ("one pole at 8 kHz", |s| one_pole(s, 8_000.0)),
    ("low-pass at 14 kHz", |s| low_pass(s, 14_000.0)),
    ("low-pass at 6 kHz", |s| low_pass(s, 6_000.0)),
    ("shelf +1", |s| high_shelf(s, 5_000.0, 1.0)),
    ("shelf -3", |s| high_shelf(s, 2_000.0, -3.0)),
    ("high-pass at 30 Hz", |s| {
        filter(s, "high-pass", 30.0, 0.707)
    }),
    ("all-pass at 1 kHz", |s| {
        filter(s, "all-pass", 1_000.0, 0.707)
    }),
    ("0.6 of a sample", |s| fraction(s, 0.6)),
    ("saturated", |s| saturate(s, 1.5)),
    ("limited", limited),
    ("compressed", |s| {
        let own = [s.to_vec()];
        times(s, &compressor(&own, -20.0, 2.0))
    }),
];

/// What would be told of timing, polarity and lost sound.
fn told(found: &Comparison) -> Vec<String> {
    let mut told = Vec::new();
    let timing = &found.timing;
    let filter = timing.filter_delay_frames as i64;
    if let Some(offset) = timing.offset_frames.filter(|offset| offset.abs() > filter) {
        told.push(format!("offset {offset}"));
    }
    for track in &timing.deviating.listed {
        told.push(format!("{} by {}", track.part.name, track.deviation_frames));
    }
    for slip in &timing.slips.listed {
        told.push(format!("{} slips by {}", slip.part.name, slip.jump_frames));
    }
    for change in &found.level_changes.listed {
        match change.kind {
            LevelChangeKind::Missing => {
                told.push(format!("{} gone at {}", change.part.name, change.start_s.0));
            }
            LevelChangeKind::Added => told.push(format!("{} added", change.part.name)),
            _ if change.deviation_db.abs() > 4.0 => {
                told.push(format!(
                    "{} {:.1} dB",
                    change.part.name, change.deviation_db
                ));
            }
            _ => {}
        }
    }
    for track in found
        .tracks
        .listed
        .iter()
        .filter(|track| track.polarity_inverted)
    {
        told.push(format!("{} inverted", track.part.name));
    }
    if let Some(versions) = &found.versions {
        told.extend(super::versions::told(versions));
    }
    // One track that was processed is out of balance: that is true.
    told.retain(|told| told != "same audio" && !told.starts_with("level "));
    told
}

fn wrong(cases: impl Iterator<Item = (String, Comparison)>) {
    let mut wrong = Vec::new();
    for (name, found) in cases {
        let told = told(&found);
        if !told.is_empty() {
            wrong.push(format!("{name}: {told:?}"));
        }
    }
    assert!(
        wrong.is_empty(),
        "{} wrong\n{}",
        wrong.len(),
        wrong.join("\n")
    );
}

#[test]
fn one_processed_track_among_others_is_on_time() {
    let others = [plucked(11), drums(12)];
    wrong(MUSIC.iter().chain(&REPEATING).flat_map(|(carrier, make)| {
        let track = make();
        let mix = [others[0].clone(), track.clone(), others[1].clone()];
        PROCESSES.map(|(process, of)| {
            let mut master = mix.clone();
            master[1] = of(&track);
            (format!("{carrier}, {process}"), compare(&master, &mix))
        })
    }));
}

#[test]
fn the_whole_programme_processed_alike_is_on_time() {
    wrong(MUSIC.iter().chain(&REPEATING).flat_map(|(carrier, make)| {
        let mix = [make(), plucked(21)];
        PROCESSES.map(|(process, of)| {
            let master = [of(&mix[0]), of(&mix[1])];
            (format!("{carrier}, {process}"), compare(&master, &mix))
        })
    }));
}

#[test]
fn a_stereo_master_of_linked_dynamics_is_its_mix() {
    wrong(MUSIC.iter().flat_map(|(carrier, make)| {
        let (middle, side) = (make(), gain_db(&plucked(31), -8.0));
        let inverse: Vec<f64> = side.iter().map(|s| -s).collect();
        let mix = [sum(&middle, &side), sum(&middle, &inverse)];
        [(-22.0, 1.5), (-26.0, 2.0)].map(|(threshold, ratio)| {
            let gains = compressor(&mix, threshold, ratio);
            let master = mix
                .clone()
                .map(|track| saturate(&times(&track, &gains), 1.2));
            (format!("{carrier}, {ratio}:1"), compare(&master, &mix))
        })
    }));
}

#[test]
fn offsets_are_found_exactly_on_music_and_not_at_all_where_it_repeats() {
    for offset in [37, 64, 512, 2_112, -480] {
        for (carrier, make) in MUSIC {
            let mix = [make()];
            let master = [late(&times(&mix[0], &compressor(&mix, -20.0, 2.0)), offset)];
            let timing = compare(&master, &mix).timing;
            assert_eq!(timing.offset_frames, Some(offset), "{carrier} {timing:?}");
        }
    }
    for (carrier, make) in REPEATING {
        let mix = [make()];
        let found = compare(&[gain_db(&mix[0], -1.0)], &mix);
        let timing = &found.timing;
        // The first stroke may tell it.
        if let Some(offset) = timing.offset_frames {
            assert!(offset.abs() <= 8, "{carrier} {timing:?}");
            continue;
        }
        assert_eq!(
            timing.offset_not_measured,
            Some(NotMeasured::RepeatsItself),
            "{carrier}"
        );
        assert_eq!(timing.tracks_that_repeat, 1, "{carrier}");
        assert_eq!(
            found.offset_frames().why_not(),
            Some(&NotMeasured::RepeatsItself)
        );
    }
}

#[test]
fn the_same_samples_have_no_offset_whatever_the_signal() {
    for (carrier, make) in REPEATING.iter().chain(&MUSIC) {
        let mix = [make(), tone(997.0)];
        let found = compare(&mix, &mix);
        assert!(found.identical_audio, "{carrier}");
        assert_eq!(told(&found), [""; 0], "{carrier}");
        for track in &found.tracks.listed {
            assert_eq!(track.offset_frames, Some(0), "{carrier}");
            assert_eq!(track.static_gain_db, Some(0.0), "{carrier}");
            assert!(
                track.largest_change_db.is_none_or(|db| db == 0.0),
                "{carrier}"
            );
        }
        let mut other = mix.clone();
        other[1][300_000] += 1e-6;
        assert!(!compare(&other, &mix).identical_audio);
        let mut longer = mix.clone();
        longer.iter_mut().for_each(|track| track.push(0.0));
        assert!(!compare(&longer, &mix).identical_audio);
    }
}

#[test]
fn a_track_that_is_muted_or_moved_is_still_told() {
    let mix = [plucked(41), drums(42), fm(43)];
    let mut master = mix.clone();
    let hole = frames(5.0)..frames(7.0);
    master[0][hole].fill(0.0);
    master[1] = late(&mix[1], 480);
    master[2] = mix[2].iter().map(|s| -s).collect();
    let found = compare(&master, &mix);
    assert!(found.level_changes.listed.iter().any(|change| {
        change.kind == LevelChangeKind::Missing && (change.start_s.0 - 5.0).abs() < 0.2
    }));
    assert_eq!(found.timing.deviating.listed[0].deviation_frames, 480);
    assert!(found.tracks.listed[2].polarity_inverted);
    assert!(!found.tracks.listed[0].polarity_inverted);
}

#[test]
fn reasons_are_told_where_there_is_no_reading() {
    let mut other = side(1);
    other.sample_rate = 44_100;
    let mix = [plucked(51)];
    let found = feed((&other, &side(1)), (&mix, &mix), || 4_800).0;
    let why = NotMeasured::OtherSampleRate {
        master_hz: 44_100,
        mix_hz: 48_000,
    };
    assert_eq!(found.offset_frames().why_not(), Some(&why));
    assert_eq!(found.level_change_db().why_not(), Some(&why));
    let unlike = compare(&[noise(1, 8.0, 0.2)], &[noise(2, 8.0, 0.2)]);
    assert_eq!(
        unlike.offset_frames().why_not(),
        Some(&NotMeasured::NothingInCommon)
    );
    let short = compare(&[noise(1, 0.3, 0.2)], &[noise(2, 0.3, 0.2)]);
    assert_eq!(
        short.offset_frames().why_not(),
        Some(&NotMeasured::TooShort { needs_s: 1.0 })
    );
    assert_eq!(short.position_deg().why_not(), Some(&NotMeasured::NoAdm));
}
