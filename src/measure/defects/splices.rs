//! Splices: is a finding a place where samples are missing and the music goes on as before?
//!
//! In: findings of the exact look and their neighbours in time. Out: a confidence from 0 to 1.
//! The prediction error bursts in all channels at one sample, no few samples explain it but as a
//! ramp towards a step, and both sides sound alike. The test for one signal on both sides by
//! linear prediction is trade practice (no source); the model of the step as that of
//! S. J. Godsill and P. J. W. Rayner, "Digital Audio Restoration", 1998, for discontinuities
//! (from memory). An edit that the artist wants looks the same: only its company tells.
//!
//! All limits are own choices, measured on some hours of released music and look-alikes with and
//! without pieces cut out at random.

use super::discontinuities::{Event, Neighbours, decibels, ramp};
use crate::measure::{Spot, Spots};

/// What the meter of splices found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SpliceFacts {
    /// All channels together; `start` and `end` are the first frame after the join. `size`: how
    /// far the prediction error rises over its surroundings, in dB.
    pub splices: Spots,
}

/// Seconds on each side in which other joins make a way of working.
const TEXTURE_S: f64 = 10.0;
/// Others may be that much weaker and still count, dB.
const WEAKER_DB: f64 = 15.0;

/// What is asked of a join, by how far it stands out: the fainter, the more alike the sides.
struct Asked {
    close: f64,
    change_db: f64,
    ratio: f64,
    left: f64,
}

/// How sure it is that this is a splice.
pub(super) fn confidence(event: &Event, neighbours: &Neighbours) -> f64 {
    let finding = &event.finding;
    let burst = decibels(finding.burst);
    if finding.pulse || finding.copied || finding.clipping || finding.flat >= 6 {
        return 0.0;
    }
    let asked = match burst {
        strong if strong >= 46.0 => Asked {
            close: 2.0,
            change_db: 15.0,
            ratio: 7.0,
            left: f64::MAX,
        },
        _ => Asked {
            close: 2.0,
            change_db: 13.0,
            ratio: 7.0,
            left: 5.0,
        },
    };
    let change = decibels(finding.rise)
        .abs()
        .max(decibels(finding.louder).abs());
    let least = if neighbours.channels > 1 {
        event.ratio.min(event.others)
    } else {
        event.ratio
    };
    let around = |value: f64, limit: f64| ramp(value, 1.4 * limit, 0.6 * limit);
    let sure = ramp(burst, 36.0, 44.0)
        .min(around(
            finding.close_before.max(finding.close_after),
            asked.close,
        ))
        .min(around(change, asked.change_db))
        .min(ramp(f64::from(least), 0.6 * asked.ratio, 1.4 * asked.ratio))
        .min(if finding.left <= asked.left { 1.0 } else { 0.0 });
    if sure < 0.25 {
        return sure;
    }
    let alike = neighbours.places(TEXTURE_S, |other| {
        let far = if neighbours.channels > 1 {
            other.others
        } else {
            other.ratio
        };
        decibels(other.finding.burst) > (burst - WEAKER_DB).max(30.0) && far > 5.0
    });
    let sure = sure.min(ramp(alike as f64, 4.0, 1.0));
    if neighbours.twins() > 0 {
        sure.min(0.3)
    } else {
        sure
    }
}

/// The same step twice in one file is material that repeats, however far apart: not sure.
pub(super) fn doubt_repeated(splices: &mut Spots) {
    let sizes: Vec<f64> = splices.listed.iter().map(|spot| spot.size).collect();
    for (index, spot) in splices.listed.iter_mut().enumerate() {
        let again = sizes
            .iter()
            .enumerate()
            .any(|(other, size)| other != index && (size - spot.size).abs() < 0.02);
        if again {
            spot.confidence = spot.confidence.min(0.3);
        }
    }
}

/// The place of a splice.
pub(super) fn spot(event: &Event, confidence: f64) -> Spot {
    Spot {
        start: event.frame,
        end: event.frame,
        channel: None,
        size: decibels(event.finding.burst),
        confidence,
        inherited: false,
    }
}
