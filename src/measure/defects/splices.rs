//! Splices: is a place one where samples are missing or come twice and the music goes on?
//!
//! In: findings of the exact look with their seam, and their company in time. Out: a confidence
//! from 0 to 1. A splice is a seam (see [`super::seams`]): two places of one piece that meet
//! between two samples, in all channels at once, both sides of about one level. An edit that the
//! artist wants looks the same: only its company tells, a beat, a second edit close by, the same
//! edit again.
//!
//! All limits are own choices, measured on some hours of released music and look-alikes with and
//! without pieces cut out at random.

use super::discontinuities::{Event, Neighbours, decibels};
use super::seams::Seam;
use crate::measure::spot::ramp;
use crate::measure::{Spot, Spots};

/// What the meter of splices found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SpliceFacts {
    /// All channels together; `start` and `end` are the first frame after the join. `size`: how
    /// far the prediction error rises over its surroundings, in dB.
    pub splices: Spots,
}

/// Fainter than this what looks like a pulse may be one that the predictor makes a step of, dB.
const FAINT_PULSE_DB: f64 = 50.0;
/// Other seams may be that much weaker and still count, dB.
const WEAKER_DB: f64 = 12.0;
/// Two of about one strength so close are a way of working.
const PAIR_S: f64 = 1.0;
const PAIR_DB: f64 = 10.0;
/// How far the distances of three seams may miss a simple ratio and still be a beat, seconds.
const BEAT_S: f64 = 0.004;
/// Shorter distances are no beat, seconds.
const SHORTEST_BEAT_S: f64 = 0.1;

/// From that many others on, the splices may be the style of the material. Own choice.
const MANY: usize = 3;

/// How sure it is that this is a splice, and whether its company says that it may be meant.
pub(super) fn confidence(event: &Event, seam: &Seam, neighbours: &Neighbours) -> (f64, bool) {
    let finding = &event.finding;
    let burst = decibels(finding.burst);
    let faint_pulse = finding.pulse && burst < FAINT_PULSE_DB;
    if finding.copied || finding.clipping || finding.flat >= 6 || faint_pulse {
        return (0.0, false);
    }
    // Where both sides differ much, a sound begins or ends.
    let change = decibels(finding.rise)
        .abs()
        .max(decibels(finding.louder).abs());
    // Of a strong step something leaks to both sides, as prediction is never perfect.
    let ordinary = (4.2 + seam.crossing / 12.0).min(10.0);
    let louder = seam.rest_by_louder.max(1e-6);
    let sure = ramp(seam.step(), 2.0, 4.4)
        * ramp(seam.rest, 1.2 * ordinary, 0.8 * ordinary)
        * ramp(seam.crossing, 1.2 * louder, 2.8 * louder)
        * ramp(change, 26.0, 14.0)
        * ramp(20.0 * finding.level.max(1e-10).log10(), -66.0, -54.0);
    if sure < 0.25 {
        return (sure, false);
    }
    let stronger_than =
        |db: f64| neighbours.seams(|other, _| decibels(other.finding.burst) > burst - db);
    let others = stronger_than(WEAKER_DB);
    let same = |a: f64, b: f64| (a - b).abs() < 0.1 * a.max(b);
    let twins = neighbours.seams(|other, its| {
        same(other.finding.burst, finding.burst)
            && same(other.finding.level, finding.level)
            && same(its.crossing, seam.crossing)
    });
    let pairs = stronger_than(PAIR_DB);
    let summarised = others.len() >= MANY
        || !twins.is_empty()
        || pairs.iter().any(|&apart| apart < PAIR_S)
        || is_on_a_beat(&others);
    (sure, summarised)
}

/// Whether two others lie at distances in the ratio of small whole numbers: music, not chance.
fn is_on_a_beat(distances: &[f64]) -> bool {
    const RATIOS: [(f64, f64); 5] = [(1.0, 1.0), (1.0, 2.0), (1.0, 3.0), (1.0, 4.0), (2.0, 3.0)];
    distances.iter().enumerate().any(|(index, &a)| {
        distances[index + 1..].iter().any(|&b| {
            let (near, far) = (a.min(b), a.max(b));
            near > SHORTEST_BEAT_S
                && RATIOS
                    .iter()
                    .any(|(short, long)| (far * short - near * long).abs() < BEAT_S)
        })
    })
}

/// The same step twice in one file may be material that repeats, however far apart.
pub(super) fn summarise_repeated(splices: &mut Spots) {
    let sizes: Vec<f64> = splices.listed.iter().map(|spot| spot.size).collect();
    for (index, spot) in splices.listed.iter_mut().enumerate() {
        let again = sizes
            .iter()
            .enumerate()
            .any(|(other, size)| other != index && (size - spot.size).abs() < 0.05);
        spot.summarised |= again;
    }
}

/// The place of a splice.
pub(super) fn spot(event: &Event, seam: &Seam, confidence: f64, summarised: bool) -> Spot {
    let frame = event.frame.saturating_add_signed(seam.offset as i64);
    Spot {
        start: frame,
        end: frame,
        channel: None,
        size: decibels(event.finding.burst),
        confidence,
        inherited: false,
        summarised,
    }
}
