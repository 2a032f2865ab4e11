//! The order of the channels of a bed, by what they hold.
//!
//! A low-frequency channel betrays itself: next to nothing over 500 Hz. Where exactly one channel
//! looks so and it is not the one that the label names, the order is wrong; which known order fits
//! is told by what is alike, because the two of a pair have the same colour and level.

use crate::layout::Label;
use crate::measure::spot::ramp;

/// A low-passed channel, in `high_less_low_db`. Pink noise through a fourth-order low-pass at
/// 120 Hz reads -61 dB, through a second-order one at 150 Hz -29.5 dB, unfiltered +3 dB.
pub(super) const LOW_PASSED_DB: f64 = -24.0;
/// From here on a channel is full-range without doubt. Own choice.
pub(super) const FULL_RANGE_DB: f64 = -12.0;

/// Known orders of six and eight channels (film, WAVE with its default mask, and what other
/// containers use); from memory, common practice.
const ORDERS: [(&str, &[&str]); 9] = [
    ("L R LFE C Ls Rs", &["L", "R", "LFE", "C", "Ls", "Rs"]),
    ("L R C LFE Ls Rs", &["L", "R", "C", "LFE", "Ls", "Rs"]),
    ("L C R Ls Rs LFE", &["L", "C", "R", "Ls", "Rs", "LFE"]),
    ("L R Ls Rs C LFE", &["L", "R", "Ls", "Rs", "C", "LFE"]),
    ("C L R Ls Rs LFE", &["C", "L", "R", "Ls", "Rs", "LFE"]),
    ("L R Ls Rs LFE C", &["L", "R", "Ls", "Rs", "LFE", "C"]),
    (
        "L R C LFE Ls Rs Lb Rb",
        &["L", "R", "C", "LFE", "Ls", "Rs", "Lb", "Rb"],
    ),
    (
        "L C R Ls Rs Lb Rb LFE",
        &["L", "C", "R", "Ls", "Rs", "Lb", "Rb", "LFE"],
    ),
    (
        "C L R Ls Rs Lb Rb LFE",
        &["C", "L", "R", "Ls", "Rs", "Lb", "Rb", "LFE"],
    ),
];

/// One channel's part in the question.
pub(super) struct Candidate {
    /// `None` for a channel with too little to say.
    pub high_less_low_db: Option<f64>,
    pub colour: Vec<f64>,
}

/// Where the low-frequency content stands, indices in the file.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Found {
    pub labelled: Vec<usize>,
    pub looks: Vec<usize>,
    pub fits: Option<&'static str>,
    /// 0 to 1: how sure it is that the order is wrong.
    pub confidence: f64,
}

pub(super) fn look(candidates: &[Candidate], labels: &[Label]) -> Found {
    let labelled: Vec<usize> = (0..labels.len()).filter(|&i| labels[i].is_lfe()).collect();
    let reads = |i: usize| candidates[i].high_less_low_db;
    let mut looks: Vec<usize> = (0..candidates.len())
        .filter(|&i| reads(i).is_some_and(|db| db < LOW_PASSED_DB))
        .collect();
    if let (&[labelled], []) = (&labelled[..], &looks[..]) {
        looks.extend(darkest(candidates, labelled));
    }
    let mut found = Found {
        fits: None,
        confidence: 0.0,
        labelled,
        looks,
    };
    let ([labelled], [other]) = (&found.labelled[..], &found.looks[..]) else {
        return found;
    };
    if labelled == other {
        return found;
    }
    found.fits = fitting(candidates, *other);
    // A labelled LFE that is silent is no proof: another channel may be dark on its own.
    let full_range = reads(*labelled).map_or(0.0, |db| between(LOW_PASSED_DB, FULL_RANGE_DB, db));
    let dark = between(
        LOW_PASSED_DB + 4.0,
        LOW_PASSED_DB - 4.0,
        reads(*other).unwrap_or(0.0),
    );
    let known = if found.fits.is_some() { 0.0 } else { 0.15 };
    found.confidence = match reads(*labelled) {
        Some(_) => (0.4 + 0.3 * full_range + 0.28 * dark - known).min(0.98),
        None => 0.3,
    };
    found
}

/// A channel that misses the mark for low-passed ones by little, and lies far under all others
/// while the labelled one is full-range: as dark as bright material gets. Own choice.
fn darkest(candidates: &[Candidate], labelled: usize) -> Option<usize> {
    const FAR_DB: f64 = 20.0;
    let mut reads: Vec<(usize, f64)> = (0..candidates.len())
        .filter_map(|i| Some((i, candidates[i].high_less_low_db?)))
        .collect();
    reads.sort_by(|a, b| a.1.total_cmp(&b.1));
    let (&(darkest, db), &(_, next)) = (reads.first()?, reads.get(1)?);
    let full = candidates[labelled].high_less_low_db? > FULL_RANGE_DB;
    (darkest != labelled && full && db < FULL_RANGE_DB && db < next - FAR_DB).then_some(darkest)
}

/// 0 at `from`, 1 at `to`, straight between.
pub(super) fn between(from: f64, to: f64, value: f64) -> f64 {
    ramp(value, from, to)
}

/// The known order with its LFE at `lfe` whose pairs are most alike.
fn fitting(candidates: &[Candidate], lfe: usize) -> Option<&'static str> {
    let apart = |a: usize, b: usize| -> f64 {
        let (a, b) = (&candidates[a].colour, &candidates[b].colour);
        let sum: f64 = a.iter().zip(b).map(|(a, b)| (a - b).abs()).sum();
        sum / a.len() as f64
    };
    ORDERS
        .iter()
        .filter(|(_, order)| order.len() == candidates.len() && order[lfe] == "LFE")
        .map(|(name, order)| {
            let at = |wanted: &str| order.iter().position(|name| *name == wanted);
            let sum: f64 = [("L", "R"), ("Ls", "Rs"), ("Lb", "Rb")]
                .iter()
                .filter_map(|(left, right)| Some(apart(at(left)?, at(right)?)))
                .sum();
            // Hardly ever met in files of ours: it must fit clearly better.
            let rare = if order[0] == "C" { 3.0 } else { 0.0 };
            (*name, sum + rare)
        })
        .min_by(|(_, a), (_, b)| a.total_cmp(b))
        .map(|(name, _)| name)
}
