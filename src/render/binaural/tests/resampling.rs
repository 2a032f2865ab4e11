//! Responses at another rate are the same filters.

use std::f64::consts::TAU;

use super::super::resample::{Response, resample};
use super::noise;

/// Rates from and to, Hz.
const RATES: [(f64, f64); 6] = [
    (44_100.0, 48_000.0),
    (44_100.0, 96_000.0),
    (44_100.0, 192_000.0),
    (48_000.0, 44_100.0),
    (96_000.0, 48_000.0),
    (48_828.125, 48_000.0),
];

fn one(taps: &[f64], delay: f64, from: f64, to: f64) -> (Vec<f64>, usize) {
    let mut made = resample(&[Response { taps, delay }], from, to);
    (made.responses.remove(0), made.lead)
}

/// The response of a filter at a frequency, with its first taps before time 0.
fn response_at(taps: &[f64], lead: usize, hz: f64, rate: f64) -> (f64, f64) {
    let mut sum = (0.0, 0.0);
    for (index, tap) in taps.iter().enumerate() {
        let turn = -TAU * hz / rate * (index as f64 - lead as f64);
        sum = (sum.0 + tap * turn.cos(), sum.1 + tap * turn.sin());
    }
    sum
}

#[test]
fn a_sine_comes_out_as_the_same_sine_100_db_clean() {
    for (from, to) in RATES {
        let lower = f64::min(from, to) / 2.0;
        for part in [0.01, 0.3, 0.7, 0.93] {
            let hz = part * lower;
            let sine = |index: f64, rate: f64| (TAU * hz * index / rate).sin();
            let before: Vec<f64> = (0..2000).map(|n| sine(f64::from(n), from)).collect();
            let (after, lead) = one(&before, 0.0, from, to);
            // Where the kernel sees nothing of the sine's ends. A filter is scaled by from / to.
            let margin = (600.0 * to / from) as usize;
            let worst = (lead + margin..after.len() - margin)
                .map(|n| after[n] * to / from - sine(n as f64 - lead as f64, to))
                .fold(0.0, |worst: f64, error| worst.max(error.abs()));
            assert!(worst < 1e-5, "{from} to {to}, {hz} Hz: {worst:e}");
        }
    }
}

#[test]
fn what_the_lower_rate_cannot_hold_is_gone_by_100_db() {
    for (from, to) in RATES.into_iter().filter(|(from, to)| from > to) {
        for part in [1.0, 1.01, 1.05] {
            let hz = part * to / 2.0;
            if hz >= from / 2.0 {
                continue;
            }
            let sine: Vec<f64> = (0..6000)
                .map(|n| (TAU * hz * f64::from(n) / from).cos())
                .collect();
            let (after, lead) = one(&sine, 0.0, from, to);
            let margin = (600.0 * to / from) as usize;
            let worst = after[lead + margin..after.len() - margin]
                .iter()
                .fold(0.0, |worst: f64, v| worst.max((v * to / from).abs()));
            assert!(worst < 1e-5, "{from} to {to}, {hz} Hz: {worst:e}");
        }
    }
}

#[test]
fn the_filter_is_the_same_in_amplitude_and_in_time_up_to_the_passband() {
    let taps = noise(1, 200);
    for (from, to) in RATES {
        for delay in [0.0, 7.25] {
            let (after, lead) = one(&taps, delay, from, to);
            for step in 1..40 {
                let hz = f64::from(step) / 40.0 * 0.93 * f64::min(from, to) / 2.0;
                // A delay of so many old samples is a turn of the phase.
                let (re, im) = response_at(&taps, 0, hz, from);
                let turn = -TAU * hz / from * delay;
                let expected = (
                    re * turn.cos() - im * turn.sin(),
                    re * turn.sin() + im * turn.cos(),
                );
                let found = response_at(&after, lead, hz, to);
                let error = (found.0 - expected.0).hypot(found.1 - expected.1);
                // Taps up to 1, 200 of them: responses around 8. 100 dB below.
                assert!(error < 8e-5, "{from} to {to}, {delay}, {hz} Hz: {error:e}");
            }
        }
    }
}

#[test]
fn at_the_same_rate_not_a_bit_changes() {
    let taps = noise(2, 50);
    let (after, lead) = one(&taps, 3.0, 48_000.0, 48_000.0);
    assert_eq!(lead, 0);
    assert_eq!(after[..3], [0.0; 3]);
    assert_eq!(after[3..], taps[..]);
}
