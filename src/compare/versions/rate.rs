//! Whether one file is the other played at another sample rate.
//!
//! In: the level curves of both, in steps of 10 ms of their own time. Out: the ratio of two
//! rates under which they lie over each other, if there is one. Knows no samples: pitch and
//! tempo change together, and the tempo is enough.

use super::envelope::{Envelope, products};
use super::types::RateLabel;
use crate::units::Hertz;

/// Steps that are looked at: five minutes tell as much as fifty.
const MOST: usize = 30_000;
/// Steps without which nothing is told: 3 s.
const LEAST: usize = 300;
/// Steps that the start may be off by, either way: 1.5 s.
const START: i64 = 150;
/// How far the ratio of the durations may be from that of two rates: a cut tail or some silence.
/// Own choice.
const NEAR: f64 = 0.03;

/// Ratios of two rates that are in use: 44.1 and 48 kHz and their doubles.
fn ratios() -> impl Iterator<Item = f64> {
    let families = [1.0, 160.0 / 147.0, 147.0 / 160.0];
    families
        .into_iter()
        .flat_map(|family| [0.25, 0.5, 1.0, 2.0, 4.0].map(|octave| family * octave))
        .filter(|&ratio| ratio != 1.0)
}

/// Frames and rates of master and mix; `same_samples` where they were found to lie over each
/// other at their labels.
pub(in crate::compare) fn rate_label(
    (master, mix): (&Envelope, &Envelope),
    (master_frames, mix_frames): (u64, u64),
    (master_rate, mix_rate): (u32, u32),
    same_samples: bool,
) -> Option<RateLabel> {
    let seconds = |frames: u64, rate: u32| frames as f64 / f64::from(rate);
    let (master_s, mix_s) = (
        seconds(master_frames, master_rate),
        seconds(mix_frames, mix_rate),
    );
    if mix.levels.len() < LEAST || master.levels.len() < LEAST {
        return None;
    }
    let duration_ratio = master_s / mix_s;
    let off = |ratio: f64| (duration_ratio / ratio - 1.0).abs();
    let nearest = ratios()
        .filter(|&ratio| off(ratio) < NEAR)
        .min_by(|one, other| off(*one).total_cmp(&off(*other)));
    if nearest.is_none() && master_rate == mix_rate {
        return None;
    }
    let step = |envelope: &Envelope, rate: u32| envelope.hop as f64 / f64::from(rate);
    // Steps of the master for one of the mix.
    let steps = step(mix, mix_rate) / step(master, master_rate);
    let as_labelled = alike(master, mix, steps);
    let stretched = nearest.map_or(0.0, |ratio| alike(master, mix, steps * ratio));
    // Own measurement on 16 pairs of real music: the same music at the right ratio 0.84 and more,
    // at another 0.13 to 0.37.
    let sure = ((stretched - 0.6) / 0.25).clamp(0.0, 1.0);
    let apart = ((stretched - as_labelled - 0.05) / 0.15).clamp(0.0, 1.0);
    Some(RateLabel {
        master_sample_rate_hz: Hertz::new(master_rate)?,
        mix_sample_rate_hz: Hertz::new(mix_rate)?,
        duration_ratio,
        ratio: nearest.unwrap_or(1.0),
        correlation: stretched.max(-1.0),
        correlation_as_labelled: as_labelled,
        // Where the samples lie over each other as they are, the rates are the same.
        confidence: if same_samples { 0.0 } else { sure.min(apart) },
    })
}

/// The best correlation of the curves when one step of the mix is `steps` of the master.
fn alike(master: &Envelope, mix: &Envelope, steps: f64) -> f64 {
    let stretched = master.stretched(steps);
    let one = mix.course(0, mix.levels.len().min(MOST));
    let other = stretched.course(0, stretched.levels.len());
    let mut best = 0.0_f64;
    for start in -START..=START {
        // What lies before and behind is left out: silence lies over silence anywhere.
        let from = usize::try_from(-start).unwrap_or(0);
        let behind = usize::try_from(start).unwrap_or(0);
        let (Some(one), Some(other)) = (one.get(from..), other.get(behind..)) else {
            continue;
        };
        let count = one.len().min(other.len());
        if count < LEAST {
            continue;
        }
        let (cross, square) = products(&one[..count], &other[..count]);
        let (_, energy) = products(&one[..count], &one[..count]);
        if square > 0.0 && energy > count as f32 {
            best = best.max(f64::from(cross) / (f64::from(energy) * f64::from(square)).sqrt());
        }
    }
    best
}
