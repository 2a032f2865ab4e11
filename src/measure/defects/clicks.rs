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

use super::discontinuities::{Event, Neighbours, decibels};
use crate::measure::spot::ramp;
use crate::measure::{Spot, Spots};

/// What the meter of clicks found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ClickFacts {
    /// One a click and channel. `size`: the largest sample that was added, in dBFS.
    pub clicks: Spots,
}

/// Seconds on each side in which others like it make a texture.
const TEXTURE_S: f64 = 5.0;
/// Others may be that much weaker and still count, dB.
const WEAKER_DB: f64 = 12.0;

/// How sure it is that this is a click.
pub(super) fn confidence(event: &Event, neighbours: &Neighbours) -> f64 {
    let finding = &event.finding;
    let explained = decibels(finding.explained);
    if !is_shaped_like_one(event) {
        return 0.0;
    }
    // In all channels alike it may be a sample that begins hard: asks for more.
    let more = if neighbours.channels > 1 && event.others > 0.6 * event.ratio {
        6.0
    } else {
        0.0
    };
    let over_8_khz = 2.0 * decibels(finding.over_8_khz);
    let audible = if explained > 40.0 { 11.0 } else { 23.0 };
    let mut sure = ramp(explained, 21.0 + more, 33.0 + more)
        .min(ramp(over_8_khz, audible - 3.0, audible + 3.0))
        .min(ramp(decibels(finding.left / limit_left(event)), 3.0, -3.0))
        .min(ramp(
            finding.close_before.max(finding.close_after),
            3.0,
            1.0,
        ))
        .min(ramp(decibels(finding.rise).abs(), 20.0, 14.0));
    if sure < 0.25 {
        return sure;
    }
    let alike = neighbours.places(TEXTURE_S, |other| {
        is_shaped_like_one(other)
            && decibels(other.finding.explained) > (explained - WEAKER_DB).max(20.0)
            && other.finding.left < 1.5 * limit_left(other)
            && other.finding.over_8_khz > 6.0
    });
    sure = sure.min(ramp(alike as f64, 10.0, 3.0));
    if neighbours.twins() > 1 {
        sure = sure.min(0.3);
    }
    if finding.pulse { sure } else { sure.min(0.4) }
}

/// How much may be left when the samples are replaced: the surroundings, twice; after a strong
/// click the errors of the model.
fn limit_left(event: &Event) -> f64 {
    (event.finding.explained * 2e-4).max(2.0)
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
pub(super) fn spot(event: &Event, confidence: f64) -> Spot {
    Spot {
        start: event.frame,
        end: event.frame + event.finding.width as u64,
        channel: Some(event.channel),
        size: 20.0 * event.finding.added.max(1e-10).log10(),
        confidence,
        inherited: false,
    }
}
