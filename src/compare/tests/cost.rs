//! What it costs. Run with `--release -- --ignored --nocapture`.

use super::side;
use super::signals::*;
use crate::compare::{Comparer, Limits, Wants};

/// Everything sounds, which is the dearest: a silent track costs a copy.
#[test]
#[ignore = "a measurement, not a check"]
fn cost_in_times_real_time() {
    let seconds = 10.0;
    for (what, alike) in [("the same music", true), ("nothing in common", false)] {
        for tracks in [12, 128] {
            let music: Vec<Vec<f64>> = (0..8).map(|n| notes(n + 1, seconds)).collect();
            let other: Vec<Vec<f64>> = (0..8)
                .map(|n| {
                    if alike {
                        mastered(&music[n])
                    } else {
                        noise(n as u64, seconds, 0.1)
                    }
                })
                .collect();
            let mut comparer =
                Comparer::new(&side(tracks), &side(tracks), &Limits::default()).unwrap();
            let (mut at_mix, mut at_master) = (0, 0);
            let repeats = 12;
            let begun = cpu_seconds();
            let total = repeats * music[0].len() / 4_800 * 4_800;
            while at_mix < total || at_master < total {
                let master =
                    comparer.wants() == Wants::Master && at_master < total || at_mix >= total;
                let (at, from) = if master {
                    (&mut at_master, &other)
                } else {
                    (&mut at_mix, &music)
                };
                let start = *at % music[0].len();
                let block: Vec<&[f64]> = (0..tracks)
                    .map(|n| &from[n % 8][start..start + 4_800])
                    .collect();
                *at += 4_800;
                if master {
                    comparer.feed_master(&block)
                } else {
                    comparer.feed_mix(&block)
                }
            }
            let fed = cpu_seconds();
            let found = comparer.finish();
            let ended = cpu_seconds();
            println!(
                "{tracks} tracks, {what}: {:.1} times real time on one core, of it {:.3} s at the end; {} measured",
                seconds * repeats as f64 / (ended - begun),
                ended - fed,
                found.timing.tracks_measured,
            );
        }
    }
}

/// Of this thread: others share the machine.
fn cpu_seconds() -> f64 {
    let schedule = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap();
    let nanoseconds: f64 = schedule.split(' ').next().unwrap().parse().unwrap();
    nanoseconds / 1e9
}
