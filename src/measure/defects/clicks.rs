//! Clicks: has a finding been made by a disturbance that was added to a few samples of music?
//!
//! In: findings of the exact look and their neighbours in time. Out: a confidence from 0 to 1,
//! [`Spot::SURE`] where it is worth a person's time. The finding itself is the test of
//! S. V. Vaseghi and P. J. W. Rayner (IEE Proc. I 137(1), 1990, from memory) with the interpolation of
//! A. Janssen, R. Veldhuis and L. Vries (IEEE Trans. ASSP 34(2), 1986, from memory): a click is what a few
//! replaced samples take away to the last bit. An onset excites what follows and stays; a step
//! leaves a ramp; a record's crackle and a glitch track have many alike.
//!
//! All limits are own choices, measured on some hours of released music and look-alikes with and
//! without clicks put in.

use super::analysis::Finding;
use super::discontinuities::{Event, Neighbours, decibels};
use crate::measure::spot::ramp;
use crate::measure::{Spot, Spots};

/// What the meter of clicks found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ClickFacts {
    /// One a click and channel. `size`: the largest sample that was added, in dBFS.
    pub clicks: Spots,
}

/// Seconds on each side in which others like it make a texture, and from how many others on the
/// clicks may be the style of the material. Own choice: a record's crackle has more within ten
/// seconds, a failing device mostly fewer; ragged clicks and steps are also what edits and onsets
/// leave, so that fewer are told one by one. They stay as sure as they are: more of a fault is no
/// less of one.
const PULSES: (f64, usize) = (5.0, 7);
const RAGGED: (f64, usize) = (10.0, 2);
/// Others may be that much weaker and still count, dB.
const WEAKER_DB: f64 = 12.0;

/// How sure it is that this is a click, and whether it is one of many alike.
pub(super) fn confidence(event: &Event, neighbours: &Neighbours) -> (f64, bool) {
    let sure = by_itself(event, neighbours.channels);
    if sure < Spot::SURE {
        return (sure, false);
    }
    let explained = decibels(event.finding.explained);
    let (seconds, many) = if event.finding.pulse { PULSES } else { RAGGED };
    let alike = neighbours.places(seconds, |other| {
        by_itself(other, neighbours.channels) > 0.0
            && decibels(other.finding.explained) > explained - WEAKER_DB
    });
    (sure, alike >= many || neighbours.twins() > 1)
}

/// How sure, whatever is near it.
fn by_itself(event: &Event, channels: usize) -> f64 {
    let finding = &event.finding;
    if !is_shaped_like_one(event) {
        return 0.0;
    }
    let explained = decibels(finding.explained);
    let over_8_khz = 2.0 * decibels(finding.over_8_khz);
    let left = decibels(finding.left / limit_left(finding));
    let close = finding.close_before.max(finding.close_after);
    let rise = decibels(finding.rise).abs();
    // In all channels alike it may be a sample that begins hard: asks for more.
    let more = if channels > 1 && event.others > 0.6 * event.ratio {
        6.0
    } else {
        0.0
    };
    if finding.pulse {
        let audible = if explained > 40.0 { 11.0 } else { 23.0 };
        return ramp(explained, 21.0 + more, 33.0 + more)
            .min(ramp(over_8_khz, audible - 3.0, audible + 3.0))
            .min(ramp(left, 3.0, -3.0))
            .min(ramp(close, 3.0, 1.0))
            .min(ramp(rise, 20.0, 14.0));
    }
    // A ragged click, a decaying one, or a step. An onset of music is as ragged, so all of it has
    // to be plainer: in 28 minutes of game music one place in nine that met the limits of a pulse
    // met these, none was told.
    let sure = ramp(explained, 33.0 + more, 45.0 + more)
        .min(ramp(over_8_khz, 14.0, 22.0))
        .min(ramp(left, 3.0, -3.0))
        .min(ramp(close, 2.6, 1.4))
        .min(ramp(rise, 16.0, 10.0));
    // Where one side is a copy, a block came twice: another meter tells that.
    if finding.copied { sure.min(0.4) } else { sure }
}

/// How much may be left when the samples are replaced: the surroundings, twice; after a strong
/// click the errors of the model.
fn limit_left(finding: &Finding) -> f64 {
    // A decay goes on behind the widest disturbance that is looked for.
    let share = if finding.pulse { 2e-4 } else { 5e-3 };
    (finding.explained * share).max(2.0)
}

fn is_shaped_like_one(event: &Event) -> bool {
    let finding = &event.finding;
    let widest = match decibels(finding.explained) {
        strong if strong > 42.0 => 12,
        middling if middling > 36.0 => 8,
        _ => 6,
    };
    finding.width <= widest && !finding.clipping && finding.flat < 6
}

/// The place of a click.
pub(super) fn spot(event: &Event, confidence: f64, summarised: bool) -> Spot {
    Spot {
        start: event.frame,
        end: event.frame + event.finding.width as u64,
        channel: Some(event.channel),
        size: 20.0 * event.finding.added.max(1e-10).log10(),
        confidence,
        inherited: false,
        summarised,
    }
}
