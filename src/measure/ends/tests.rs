//! What the house promises of starts and ends: what is cut, what fades, what is meant.

use std::f64::consts::PI;

use proptest::prelude::*;

use super::*;

const RATE: u32 = 8000;

/// Steady partials around -14 dBFS RMS.
fn music(seconds: f64) -> Vec<f64> {
    (0..(seconds * f64::from(RATE)) as usize)
        .map(|n| {
            let t = n as f64 / f64::from(RATE);
            let wave = |hz: f64| (2.0 * PI * hz * t).sin();
            0.2 * wave(171.3) + 0.15 * wave(407.9) + 0.1 * wave(1013.7)
        })
        .collect()
}

/// Over the last `seconds`, straight in dB, down to `depth_db` at the end.
fn faded(mut samples: Vec<f64>, seconds: f64, depth_db: f64) -> Vec<f64> {
    let length = (seconds * f64::from(RATE)) as usize;
    let from = samples.len() - length;
    for (n, sample) in samples[from..].iter_mut().enumerate() {
        *sample *= 10f64.powf(-depth_db * n as f64 / length as f64 / 20.0);
    }
    samples
}

/// Rises over 50 ms from nothing.
fn risen(mut samples: Vec<f64>) -> Vec<f64> {
    let length = RATE as usize / 20;
    for (n, sample) in samples[..length].iter_mut().enumerate() {
        *sample *= (n as f64 / length as f64).powi(2);
    }
    samples
}

fn facts(samples: &[f64], cut: usize) -> EndsFacts {
    let mut meter = EndsMeter::new(Hertz::new(RATE).expect("not 0"), 2);
    let other: Vec<f64> = samples.iter().map(|v| v * 0.5).collect();
    for (block, other) in samples.chunks(cut).zip(other.chunks(cut)) {
        meter.feed(&[other, block]);
    }
    meter.finish()
}

/// Start, cut tail, chopped tail: where they are told of.
fn told(facts: &EndsFacts) -> [Option<u64>; 3] {
    [&facts.abrupt_start, &facts.cut_tail, &facts.chopped_tail].map(|spots| {
        let sure = |spot: &&Spot| spot.confidence >= Spot::SURE;
        spots.listed.iter().find(sure).map(|spot| spot.start)
    })
}

#[test]
fn music_that_rises_and_is_faded_out_is_left_alone() {
    let whole = faded(risen(music(8.0)), 4.0, 100.0);
    let found = facts(&whole, 1000);
    assert_eq!(told(&found), [None; 3]);
    let fade = found.figures.fade.expect("it is faded");
    assert!((2.0..4.5).contains(&fade.length_s.0), "{fade:?}");
}

#[test]
fn silence_has_no_ends() {
    assert_eq!(facts(&[0.0; 20_000], 999), EndsFacts::default());
}

#[test]
fn a_cold_ending_before_a_pause_is_no_cut_and_a_loud_note_cut_off_is_one() {
    let with_fade_ms = |ms: usize| {
        let mut music = risen(music(3.0));
        let (from, length) = (music.len() - ms * 8, (ms * 8) as f64);
        for (n, sample) in music[from..].iter_mut().enumerate() {
            *sample *= 1.0 - n as f64 / length;
        }
        [music, vec![0.0; RATE as usize]].concat()
    };
    for ms in [2, 5, 20] {
        assert_eq!(told(&facts(&with_fade_ms(ms), 1000)), [None; 3]);
    }
    let [start, cut, chopped] = told(&facts(&with_fade_ms(0), 1000));
    assert_eq!([start, chopped], [None; 2]);
    assert!(cut.is_some_and(|at| at.abs_diff(24_000) < 8), "{cut:?}");
}

#[test]
fn the_fall_of_a_fade_and_what_is_left_of_it_are_told() {
    // 10 dB per second from -11.4 dBFS RMS, stopped after 4 s.
    let found = facts(&faded(risen(music(8.0)), 4.0, 40.0), 1000);
    let slope = found
        .figures
        .end_slope_db_per_s
        .expect("longer than a second");
    assert!((slope - 10.0).abs() < 1.0, "{slope}");
    let left = found.figures.left_until_silence_s.expect("it falls").0;
    assert!((2.0..3.2).contains(&left), "{left}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]

    #[test]
    fn music_cut_at_both_ends_is_told_at_both(
        from in 0usize..8000, length in 24_000usize..40_000, cut in 1usize..9000, gain in 0.3f64..1.5,
    ) {
        let sign = if from % 2 == 0 { gain } else { -gain };
        let whole: Vec<f64> = music(8.0).iter().map(|v| v * sign).collect();
        let part = &whole[from..from + length];
        // A cut at a moment near zero looks like an attack, which starts from there.
        prop_assume!(part[..3].iter().any(|v| v.abs() > 0.15 * gain));
        let found = facts(part, cut);
        prop_assert_eq!(told(&found), [Some(0), Some(length as u64), None]);
        prop_assert_eq!(&found, &facts(part, length));
    }

    #[test]
    fn a_fade_that_stops_early_is_told_where_it_stops(
        depth_db in 26.0f64..44.0, zeros in 0usize..16_000, cut in 1usize..9000,
        turned in any::<bool>(),
    ) {
        let mut programme = faded(risen(music(9.0)), 4.0, depth_db);
        let sign = if turned { -1.0 } else { 1.0 };
        programme.iter_mut().for_each(|v| *v *= sign);
        let end = programme.len() as u64;
        programme.resize(programme.len() + zeros, 0.0);
        let found = facts(&programme, cut);
        let [start, _, chopped] = told(&found);
        prop_assert_eq!(start, None);
        prop_assert!(chopped.is_some_and(|at| at <= end && at + 40 >= end), "{:?}", chopped);
    }
}
