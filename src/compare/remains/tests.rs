//! Masters made here from mixes made here: what was put in must be told, what a mastering does
//! must not. The expected values are the places at which something was put in.

use super::super::tests::{compare, signals::*};
use super::{MeasuredRemains, RemainderKind, Remains};

const SECONDS: f64 = 8.0;

fn remains(master: &[f64], mix: &[f64]) -> Remains {
    match compare(&[master.to_vec()], &[mix.to_vec()]).remains {
        MeasuredRemains::Is(remains) => remains,
        MeasuredRemains::Not(why) => panic!("not measured: {why:?}"),
    }
}

fn mix(seed: u64) -> Vec<f64> {
    sum(&notes(seed, SECONDS), &notes(seed + 100, SECONDS))
}

#[test]
fn honest_mastering_leaves_nothing() {
    type Move = fn(&[f64]) -> Vec<f64>;
    let moves: [(&str, Move); 6] = [
        ("copy", |mix| mix.to_vec()),
        ("gain", |mix| gain_db(mix, -4.0)),
        ("shelf", |mix| high_shelf(mix, 4_000.0, 3.0)),
        ("low-pass", |mix| low_pass(mix, 16_000.0)),
        ("gain that moves by 3 dB", |mix| {
            ride(mix, |s| 1.5 * (s * 9.0).sin())
        }),
        ("late", |mix| late(mix, 7)),
    ];
    for seed in [1, 2] {
        let mix = mix(seed);
        for (name, mastered) in moves {
            let found = remains(&mastered(&mix), &mix);
            assert_eq!(found.places, [], "{name}, seed {seed}");
            assert!(
                found.same_music > 0.9,
                "{name}, seed {seed}: {}",
                found.same_music
            );
        }
    }
}

#[test]
fn what_was_put_in_is_told_where_it_is() {
    type Fault = fn(&mut [f64], &[f64]);
    // From second 4 on, as long as is written.
    let faults: [(&str, f64, Fault); 3] = [
        ("hole", 0.05, |stretch, _| stretch.fill(0.0)),
        ("other bar", 1.0, |stretch, other| {
            stretch.copy_from_slice(&other[..stretch.len()]);
        }),
        ("reversed", 0.7, |stretch, _| stretch.reverse()),
    ];
    for seed in [3, 4] {
        let mix = mix(seed);
        for (name, seconds, fault) in faults {
            let mut master = gain_db(&mix, 1.5);
            let stretch = frames(4.0)..frames(4.0 + seconds);
            fault(&mut master[stretch], &mix[frames(1.3)..]);
            let found = remains(&master, &mix);
            let told = found
                .places
                .iter()
                .any(|place| place.start_s.0 < 4.0 + seconds && place.end_s.0 > 4.0);
            assert!(told, "{name}, seed {seed}: {:?}", found.places);
        }
    }
}

#[test]
fn a_single_sample_is_told_as_a_click() {
    for (seed, size) in [(5, 0.5), (6, 0.1)] {
        let mix = mix(seed);
        let mut master = mix.clone();
        let at = frames(4.321);
        master[at] += size;
        let found = remains(&master, &mix);
        let click = found.places.iter().find(|p| p.kind == RemainderKind::Click);
        let click = click.unwrap_or_else(|| panic!("seed {seed}: {:?}", found.places));
        // To the frame.
        assert!((click.start_s.0 - at as f64 / f64::from(RATE)).abs() < 1.5 / f64::from(RATE));
    }
}

#[test]
fn a_part_at_another_level_is_told() {
    for (seed, db) in [(7, -4.4), (8, -200.0)] {
        let (part, rest) = (notes(seed, SECONDS), notes(seed + 100, SECONDS));
        let found = remains(&sum(&gain_db(&part, db), &rest), &sum(&part, &rest));
        assert!(found.total > 0, "seed {seed}, {db} dB");
    }
}

#[test]
fn another_song_is_not_the_same_music() {
    let found = remains(&mix(9), &mix(19));
    assert!(found.same_music < 0.5, "{}", found.same_music);
}
