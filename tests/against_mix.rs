//! A master held against its mix, from file to finding. The files are made here with values that
//! are known by construction; what the comparison itself can tell is tested in its own room.

use std::f64::consts::TAU;
use std::ops::ControlFlow;
use std::path::Path;

use weighbridge::judge::{Finding, Outcome, Verdict};
use weighbridge::weigh::{Request, Weighed, weigh};

const RATE: usize = 48_000;

/// Two channels of noise bursts and tones, different in each.
fn music(seconds: usize) -> Vec<[f64; 2]> {
    let mut state = 0x9E37_79B9_7F4A_7C15u64;
    let mut noise = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    };
    (0..seconds * RATE)
        .map(|n| {
            let t = n as f64 / RATE as f64;
            let beat = (-6.0 * (t * 2.0).fract()).exp();
            let left = 0.3 * beat * noise() + 0.05 * (TAU * 220.0 * t).sin();
            let right = 0.3 * beat * noise() + 0.05 * (TAU * 331.0 * t).sin();
            [left, right]
        })
        .collect()
}

fn write(path: &Path, frames: &[[f64; 2]]) {
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: RATE as u32,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for sample in frames.iter().flatten() {
        writer.write_sample((sample * 8_388_607.0) as i32).unwrap();
    }
    writer.finalize().unwrap();
}

fn held(master: &[[f64; 2]], mix: &[[f64; 2]]) -> Weighed {
    held_by("any-audio", master, mix)
}

fn held_by(profile: &str, master: &[[f64; 2]], mix: &[[f64; 2]]) -> Weighed {
    let folder = tempfile::tempdir().unwrap();
    let paths = ["master.wav", "mix.wav"].map(|name| folder.path().join(name));
    write(&paths[0], master);
    write(&paths[1], mix);
    let profiles = weighbridge::judge::load_profiles(None).unwrap();
    let request = Request {
        against: Some(&paths[1]),
        ..Request::new(&paths[0], profiles.get(profile).unwrap())
    };
    weigh(&request, &mut |_, _| ControlFlow::Continue(())).unwrap()
}

fn finding<'a>(weighed: &'a Weighed, check: &str) -> Option<&'a Finding> {
    weighed
        .judgement
        .findings
        .iter()
        .find(|finding| finding.check == check)
}

fn scaled(frames: &[[f64; 2]], gain: f64) -> Vec<[f64; 2]> {
    frames.iter().map(|frame| frame.map(|x| x * gain)).collect()
}

#[test]
fn a_master_that_is_only_louder_has_nothing_against_it() {
    let mix = music(12);
    let weighed = held(&scaled(&mix, 1.4), &mix);
    for finding in weighed
        .judgement
        .findings
        .iter()
        .filter(|f| f.check.starts_with("movement."))
    {
        assert!(
            matches!(finding.outcome, Outcome::Clear | Outcome::Note),
            "{}: {}",
            finding.check,
            finding.says
        );
    }
    let comparison = weighed.against.as_ref().unwrap().result.as_ref().unwrap();
    assert_eq!(comparison.timing.offset_frames, Some(0));
    // 20 lg 1.4 = 2.92 dB.
    let gain = comparison.tracks.listed[0].static_gain_db.unwrap();
    assert!((gain - 20.0 * 1.4f64.log10()).abs() < 0.05, "{gain}");
    assert!(weighed.against.as_ref().unwrap().digests.is_some());
}

#[test]
fn a_master_that_is_late_advises_and_says_by_how_much() {
    let mix = music(12);
    let mut master = vec![[0.0; 2]; 37];
    master.extend_from_slice(&mix);
    let weighed = held(&master, &mix);
    let offset = finding(&weighed, "movement.offset").unwrap();
    assert_eq!(offset.outcome, Outcome::Advise, "{}", offset.says);
    assert!(offset.says.contains("37"), "{}", offset.says);
    assert_eq!(weighed.judgement.verdict, Verdict::Advise);
}

#[test]
fn a_ride_of_six_decibels_is_told_with_its_place() {
    let mix = music(30);
    let master: Vec<[f64; 2]> = mix
        .iter()
        .enumerate()
        .map(|(n, frame)| match n / RATE {
            12..18 => frame.map(|x| x * 0.5),
            _ => *frame,
        })
        .collect();
    let weighed = held(&master, &mix);
    let change = finding(&weighed, "movement.level_change").unwrap();
    // Over 3 dB it advises, over 4 dB it is held: common practice, no source.
    assert_eq!(change.outcome, Outcome::Stop, "{}", change.says);
    let place = change.places.first().expect("a place");
    assert!(place.start_s.0 < 13.5 && place.end_s.0 > 16.5, "{place:?}");
    let Some(weighbridge::profile::Choice::Number(db)) = change.value else {
        panic!("{:?}", change.value)
    };
    // Half the amplitude is 6.02 dB.
    assert!((db - 6.02).abs() < 0.3, "{db}");
}

/// Takes 10 ms out of both channels.
fn with_hole(frames: &[[f64; 2]], at_s: f64) -> Vec<[f64; 2]> {
    let first = (at_s * RATE as f64) as usize;
    let mut frames = frames.to_vec();
    frames[first..first + RATE / 100].fill([0.0; 2]);
    frames
}

// A hole by construction: what was in the mix is the mixer's to say, what is new is told.
#[test]
fn a_dropout_that_the_mix_has_too_is_a_note_and_a_new_one_is_told() {
    let clean = music(12);
    let mix = with_hole(&clean, 4.3);
    let told = |master: &[[f64; 2]]| {
        let weighed = held_by("fault-finding", &scaled(master, 0.8), &mix);
        let found = finding(&weighed, "defect.dropout").unwrap();
        let starts: Vec<f64> = (found.places.iter())
            .map(|place| (place.start_s.0 * 100.0).round() / 100.0)
            .collect();
        (found.outcome, starts, found.says.clone())
    };
    let (outcome, starts, says) = told(&mix);
    assert_eq!((outcome, starts), (Outcome::Note, vec![4.3]), "{says}");
    assert!(
        says.contains("10.0 ms") && says.ends_with("the mix has the same"),
        "{says}"
    );
    let (outcome, starts, says) = told(&with_hole(&mix, 7.8));
    assert_eq!((outcome, starts), (Outcome::Advise, vec![7.8]), "{says}");
}

#[test]
fn a_mix_that_is_not_there_is_told_and_nothing_else_changes() {
    let folder = tempfile::tempdir().unwrap();
    let master = folder.path().join("master.wav");
    write(&master, &music(4));
    let profiles = weighbridge::judge::load_profiles(None).unwrap();
    let profile = profiles.get("any-audio").unwrap();
    let mix = folder.path().join("mix.wav");
    let request = Request {
        against: Some(&mix),
        ..Request::new(&master, profile)
    };
    let held = weigh(&request, &mut |_, _| ControlFlow::Continue(())).unwrap();
    let told = finding(&held, "movement.not_compared").unwrap();
    assert_eq!(told.outcome, Outcome::Advise);
    assert!(told.says.contains("mix.wav"), "{}", told.says);
    let alone = weigh(&Request::new(&master, profile), &mut |_, _| {
        ControlFlow::Continue(())
    })
    .unwrap();
    assert_eq!(held.measurements, alone.measurements);
    assert!(finding(&alone, "movement.not_compared").is_none());
}
