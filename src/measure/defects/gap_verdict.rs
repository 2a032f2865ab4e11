//! Which gaps are faults, and how sure that is.
//!
//! In: the gaps of a file with their facts. Out: two lists of places. Knows no samples.
//!
//! All weights are own choices, measured on two hundred labelled dropouts of 1 to 500 ms and on
//! four hours of music of many characters: exact zeros within audible music come from editing
//! or from a fault, nearly never from instruments; what is edited has soft edges, a grid, or
//! comes often.

use super::super::{Spot, Spots};
use super::gaps::{Filling, Gap};
use crate::units::Hertz;

/// Surest that a gap can be: a person may have cut it so.
const ZEROS: f64 = 0.92;
const NEAR_SILENCE: f64 = 0.85;
const HELD: f64 = 0.7;

/// Gaps of 10 s before and after: up to so many are accidents, twice as many are a style.
const FEW: f64 = 6.0;
const AROUND_S: f64 = 10.0;

/// What is played to a grid keeps to it within 2.5 ms, and no grid is finer than 50 ms.
const GRID_TOLERANCE_S: f64 = 2.5e-3;
const FINEST_GRID_S: f64 = 0.05;

/// One loss: a gap of one channel, or the gaps that all channels have together.
struct Loss {
    channel: Option<usize>,
    start: u64,
    end: u64,
    filling: Filling,
    confidence: f64,
    /// Loudest of its gaps, against which the others count less.
    level: f64,
}

/// The gaps by start. The first list is of all channels together, the second of single ones.
pub(super) fn verdict(gaps: &[Gap], rate: Hertz) -> (Spots, Spots) {
    let losses = together(gaps);
    let (mut all, mut single) = (Spots::default(), Spots::default());
    for (index, loss) in losses.iter().enumerate() {
        let confidence = loss.confidence * habit(&losses, index, rate);
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
            size: (loss.end - loss.start) as f64 / f64::from(rate.value()),
            confidence,
            inherited: false,
        });
    }
    (all, single)
}

/// Joins the gaps that channels have at the same time.
fn together(gaps: &[Gap]) -> Vec<Loss> {
    let mut losses: Vec<Loss> = Vec::new();
    // The newest loss of all channels: gaps come by start, so no other can meet the next one.
    let mut common: Option<usize> = None;
    for gap in gaps {
        let level = gap.around.level_before.min(gap.around.level_after);
        let confidence = alone(gap);
        if !gap.alone
            && let Some(loss) = common.and_then(|index| losses.get_mut(index))
            && gap.start < loss.end
        {
            let both = level + loss.level;
            loss.confidence = (loss.confidence * loss.level + confidence * level) / both;
            loss.level = both;
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
            filling: gap.filling,
            confidence,
            level: level.max(f64::MIN_POSITIVE),
        });
    }
    losses
}

/// 0 at `none` and before, 1 at `full` and after.
fn rise(value: f64, none: f64, full: f64) -> f64 {
    ((value - none) / (full - none)).clamp(0.0, 1.0)
}

/// How sure, by the gap itself.
fn alone(gap: &Gap) -> f64 {
    let around = &gap.around;
    let edge = around.start_edge.min(around.end_edge);
    let cut = (around.start_cut.max(around.start_last)).min(around.end_cut.max(around.end_last));
    let level = around.level_before.min(around.level_after);
    // A stop ends what has decayed, or begins something new out of nothing.
    let goes_on = rise(around.decayed, 0.12, 0.4).min(rise(around.attacked, 0.0, 0.2));
    let heard = rise(level, 1e-3, 4e-3);
    match gap.filling {
        Filling::Zeros => {
            let hard = (rise(edge, 0.3, 0.5) + rise(cut, 0.0, 0.2)) / 2.0;
            ZEROS * rise(hard, 0.2, 0.8) * goes_on.max(0.4) * heard.max(0.3)
        }
        Filling::NearSilence => {
            let hard = rise(edge, 0.3, 0.5).min(rise(cut, 0.17, 0.27));
            let deep = rise(level / around.inside.max(1e-9), 40.0, 70.0);
            NEAR_SILENCE * hard * deep * goes_on * heard
        }
        Filling::Held if gap.extreme => 0.0,
        Filling::Held => HELD * rise(cut, 0.2, 0.4) * goes_on * heard,
    }
}

/// 1 for a loss that stands by itself; less where the file does it often, or to a grid.
fn habit(losses: &[Loss], index: usize, rate: Hertz) -> f64 {
    let rate = f64::from(rate.value());
    let loss = &losses[index];
    let alike: Vec<&Loss> = losses
        .iter()
        .filter(|other| other.filling == loss.filling && other.confidence > 0.1)
        .collect();
    let near = (AROUND_S * rate) as u64;
    let often = alike
        .iter()
        .filter(|other| other.start.abs_diff(loss.start) < near)
        .count() as f64;
    let few = if loss.filling == Filling::Held { 2.0 } else { FEW };
    let seldom = 1.0 - 0.7 * rise(often, few, 2.0 * few);
    let length = (loss.end - loss.start) as f64;
    let same_length = |other: &&&Loss| {
        let difference = (other.end - other.start).abs_diff(loss.end - loss.start) as f64;
        difference <= (0.01 * length).max(4.0)
    };
    let twins: Vec<u64> = alike.iter().filter(same_length).map(|o| o.start).collect();
    let starts: Vec<u64> = alike.iter().map(|o| o.start).collect();
    let ends: Vec<u64> = alike.iter().map(|o| o.end).collect();
    let grid = (twins.len() >= 4 && on_grid(&twins, loss.start, rate))
        || (alike.len() >= 6
            && (on_grid(&starts, loss.start, rate) || on_grid(&ends, loss.end, rate)));
    if grid { seldom.min(0.4) } else { seldom }
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
