//! Which gaps are faults, and how sure that is.
//!
//! In: the gaps of a file with their facts. Out: two lists of places. Knows no samples.
//!
//! All weights are own choices, measured on two hundred labelled dropouts of 1 to 500 ms and on
//! four hours of music of many characters: exact zeros within audible music come from editing
//! or from a fault, nearly never from instruments; what is edited has soft edges, a grid, or
//! comes often.

use super::super::spot::ramp;
use super::super::{Spot, Spots};
use super::gaps::{Filling, Gap};
use crate::units::Hertz;

/// Surest that a gap can be: a person may have cut it so.
const ZEROS: f64 = 0.92;
const NEAR_SILENCE: f64 = 0.85;
const HELD: f64 = 0.7;
/// A fade into zeros and out of them: a driver's, or an editor's.
const FADED: f64 = 0.8;

/// Longer ones with soft edges are stops and mutes. Own choice: some of a driver's buffers.
const FADED_S: f64 = 0.25;

/// Gaps of 10 s before and after: up to so many are told one by one.
const FEW: f64 = 6.0;
const AROUND_S: f64 = 10.0;

/// What is played to a grid keeps to it within 2.5 ms, and no grid is finer than 50 ms.
const GRID_TOLERANCE_S: f64 = 2.5e-3;
const FINEST_GRID_S: f64 = 0.05;

/// From this length on, three gaps of equal length are pauses that somebody made.
const PAUSE_S: f64 = 0.1;

/// One loss: a gap of one channel, or the gaps that all channels have together.
struct Loss {
    channel: Option<usize>,
    start: u64,
    end: u64,
    held: bool,
    /// Far under its surroundings, whatever its edges are.
    deep: bool,
    /// Told for what is around it, not for its edges.
    faded: bool,
    confidence: f64,
    /// Level of its gaps together, by which their confidences are weighed.
    weight: f64,
    /// Levels before and after of its first gap.
    levels: [f64; 2],
}

/// Under this a waveform may rest at zero by itself.
const SHORT_S: f64 = 2e-3;

/// The gaps by start. The first list is of all channels together, the second of single ones.
pub(super) fn verdict(gaps: &[Gap], rate: Hertz) -> (Spots, Spots) {
    let rate = f64::from(rate.value());
    let losses = together(gaps, rate);
    let (mut all, mut single) = (Spots::default(), Spots::default());
    for (index, loss) in losses.iter().enumerate() {
        let habit = habit(&losses, index, rate);
        // Soft edges on a grid are a gate's; no device fails on a beat.
        let confidence = match loss.faded && habit == Habit::Grid {
            true => loss.confidence.min(0.4),
            false => loss.confidence,
        };
        // Soft gates, decays and pauses are no gaps at all.
        if confidence < 0.1 {
            continue;
        }
        let spots = if loss.channel.is_some() {
            &mut single
        } else {
            &mut all
        };
        spots.push(Spot {
            start: loss.start,
            end: loss.end,
            channel: loss.channel,
            size: (loss.end - loss.start) as f64 / rate,
            confidence,
            inherited: false,
            summarised: habit != Habit::Seldom,
        });
    }
    (all, single)
}

/// Joins the gaps that channels have at the same time.
fn together(gaps: &[Gap], rate: f64) -> Vec<Loss> {
    let mut losses: Vec<Loss> = Vec::new();
    // The newest loss of all channels: gaps come by start, so no other can meet the next one.
    let mut common: Option<usize> = None;
    for gap in gaps {
        let around = &gap.around;
        let weight = around
            .level_before
            .min(around.level_after)
            .max(f64::MIN_POSITIVE);
        let (hard, faded) = (by_itself(gap, rate), faded(gap, rate));
        let confidence = hard.max(faded);
        let deep = gap.filling != Filling::Held && weight > 40.0 * around.inside;
        if !gap.alone
            && let Some(loss) = common.and_then(|index| losses.get_mut(index))
            && gap.start < loss.end
        {
            let both = weight + loss.weight;
            loss.confidence = (loss.confidence * loss.weight + confidence * weight) / both;
            loss.weight = both;
            loss.deep |= deep;
            loss.faded |= faded > hard;
            loss.end = loss.end.max(gap.end);
            continue;
        }
        if !gap.alone {
            common = Some(losses.len());
        }
        losses.push(Loss {
            channel: gap.alone.then_some(gap.channel),
            start: gap.start,
            end: gap.end,
            held: gap.filling == Filling::Held,
            deep,
            faded: faded > hard,
            confidence,
            weight,
            levels: [around.level_before, around.level_after],
        });
    }
    losses
}

/// How sure, by the gap itself.
fn by_itself(gap: &Gap, rate: f64) -> f64 {
    let around = &gap.around;
    let edge = around.start_edge.min(around.end_edge);
    let missed = around.start_cut.min(around.end_cut);
    let cut = (around.start_cut.max(around.start_last)).min(around.end_cut.max(around.end_last));
    let level = around.level_before.min(around.level_after);
    // A wave that is made of steps rests at one value by itself.
    let smooth = ramp(around.stepped, 0.5, 0.25);
    let short = ((gap.end - gap.start) as f64) < SHORT_S * rate;
    // A stop ends what has decayed, or begins something new out of nothing.
    let goes_on = ramp(around.decayed, 0.12, 0.4).min(ramp(around.attacked, 0.0, 0.2));
    match gap.filling {
        Filling::Zeros => {
            let hard = (ramp(edge, 0.3, 0.5) + ramp(cut, 0.0, 0.2)) / 2.0;
            let heard = ramp(level, 2e-3, 8e-3);
            // Zeros of a coarse quantiser are no zeros, and a steady pulse rests at its zeros.
            let fine = ramp(level / around.step, 10.0, 30.0);
            let noise = ramp(around.noisiness, 0.3, 0.6);
            let broken = if short {
                ramp(missed, 0.0, 0.12).max(noise)
            } else {
                1.0
            };
            // What is broken off in mid-wave at both ends is no stop.
            let stop = goes_on.max(0.4 + 0.4 * ramp(missed, 0.3, 0.6));
            let heard = heard.max(0.3 + 0.6 * ramp(missed, 0.3, 0.6));
            ZEROS * ramp(hard, 0.2, 0.8) * stop * heard * fine * broken.max(0.3) * smooth
        }
        Filling::NearSilence => {
            let hard = ramp(edge, 0.3, 0.5).min(ramp(cut, 0.15, 0.25));
            let deep = ramp(level / around.inside.max(1e-9), 40.0, 70.0);
            let heard = ramp(level, 1e-3, 4e-3);
            let long = if short {
                ramp(missed, 0.1, 0.35).max(0.5)
            } else {
                1.0
            };
            NEAR_SILENCE * hard * deep * goes_on * heard * long
        }
        Filling::Held if gap.extreme => 0.0,
        Filling::Held => HELD * ramp(missed, 0.1, 0.3) * goes_on * ramp(level, 1e-3, 4e-3) * smooth,
    }
}

/// How sure, where the edges are soft: music does not fall to exact zeros and come back as the
/// same sound within a few buffers.
fn faded(gap: &Gap, rate: f64) -> f64 {
    let around = &gap.around;
    if gap.filling == Filling::Held || gap.zeros == 0 {
        return 0.0;
    }
    // The level behind the fade, which takes a part of the 5 ms at the edge.
    let before = around.level_before / around.decayed.max(1e-3);
    let after = around.level_after / around.attacked.max(1e-3);
    let alike = (before / after.max(f64::MIN_POSITIVE)).log10().abs() * 20.0;
    let level = before.min(after);
    FADED
        * ramp((gap.end - gap.start) as f64 / rate, FADED_S, 0.6 * FADED_S)
        * ramp(around.distance, 6.0, 3.5)
        * ramp(alike, 18.0, 9.0)
        * ramp(around.decayed.min(around.attacked), 0.08, 0.25)
        * ramp(level, 2e-3, 8e-3)
        // Zeros of a coarse quantiser are no zeros.
        * ramp(level / around.step, 10.0, 30.0)
        * ramp(around.stepped, 0.5, 0.25)
}

/// The company of a loss.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Habit {
    /// It stands by itself.
    Seldom,
    /// The file does it often, or the same loss comes back with the same music around it.
    Often,
    /// On a musical grid.
    Grid,
}

/// Where the file does it often, or to a grid, or where the same loss comes back with the same
/// music around it, it may be meant: told with the others in one sentence, and as sure as before.
fn habit(losses: &[Loss], index: usize, rate: f64) -> Habit {
    let loss = &losses[index];
    let is_short = |loss: &Loss| ((loss.end - loss.start) as f64) < SHORT_S * rate;
    let alike: Vec<&Loss> = losses
        .iter()
        .filter(|other| other.held == loss.held && (other.held || other.deep))
        .filter(|other| is_short(other) == is_short(loss))
        .collect();
    let near = (AROUND_S * rate) as u64;
    let often = alike
        .iter()
        .filter(|other| other.start.abs_diff(loss.start) < near)
        .count() as f64;
    let few = if loss.held { 2.0 } else { FEW };
    let length = loss.end - loss.start;
    let same_length = |other: &Loss| {
        let difference = (other.end - other.start).abs_diff(length) as f64;
        difference <= (0.01 * length as f64).max(4.0)
    };
    let same_levels = |other: &Loss| {
        let pairs = other.levels.iter().zip(&loss.levels);
        pairs.clone().all(|(a, b)| (a - b).abs() < 2e-3 * b)
    };
    let twins: Vec<u64> = alike
        .iter()
        .filter(|o| same_length(o))
        .map(|o| o.start)
        .collect();
    let copies = alike
        .iter()
        .filter(|o| same_length(o) && same_levels(o))
        .count();
    let starts: Vec<u64> = alike.iter().map(|o| o.start).collect();
    let ends: Vec<u64> = alike.iter().map(|o| o.end).collect();
    let grid = (twins.len() >= 4 && on_grid(&twins, loss.start, rate))
        || (alike.len() >= 6
            && (on_grid(&starts, loss.start, rate) || on_grid(&ends, loss.end, rate)));
    let pauses = twins.len() >= 3 && length as f64 > PAUSE_S * rate;
    if grid {
        Habit::Grid
    } else if copies > 1 || pauses || often > few {
        Habit::Often
    } else {
        Habit::Seldom
    }
}

/// Four of five places are whole periods from `origin`, the period being the least distance of
/// two or a half, a third, a quarter of it.
fn on_grid(places: &[u64], origin: u64, rate: f64) -> bool {
    let distances = places.windows(2).map(|pair| pair[1].abs_diff(pair[0]));
    let Some(least) = distances.filter(|&d| d as f64 > FINEST_GRID_S * rate).min() else {
        return false;
    };
    (1..=4).any(|part| {
        let period = least as f64 / f64::from(part);
        if period < FINEST_GRID_S * rate {
            return false;
        }
        let keeping = places
            .iter()
            .filter(|&&place| {
                let periods = place.abs_diff(origin) as f64 / period;
                (periods - periods.round()).abs() * period < GRID_TOLERANCE_S * rate
            })
            .count();
        5 * keeping >= 4 * places.len()
    })
}
