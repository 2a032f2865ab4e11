//! Silent channels, and what stands between the channels.

use crate::judge::check::{Case, Check, FAULT, Meter};
use crate::judge::facts::Facts;
use crate::judge::reading::{Fault, Reading, read_from};
use crate::judge::words::and;
use crate::measure::channels::{ChannelCoverage, ChannelFacts, PairFault, PairsFrom, Uncovered};
use crate::measure::{ChannelMeasurements, Measurements, Place, Places, Spot, Spots};
use crate::measured::{Measured, NotMeasured};
use crate::profile::{Choice, Severity};
use crate::units::{Frames, Seconds};

use super::survey::{group, of_spots};

/// Under this a channel counts as silent. Own choice: dither in 16 bit (two steps at most)
/// peaks at -84 dBFS.
const SILENT_DBFS: f64 = -80.0;

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[
    CHANNEL_SILENT,
    POLARITY,
    DUAL_MONO,
    CHANNEL_DELAY,
    LEVEL_IMBALANCE,
    CHANNEL_ORDER,
    SURROUND_SWAPPED,
    LFE_FULL_RANGE,
    LFE_SILENT,
];

pub const CHANNEL_SILENT: Check = Check {
    id: "channels.channel_silent",
    title: "silent channels",
    definition: "The whole file, or a channel that is no LFE, never passes -80 dBFS (a little above the dither of 16 bit).",
    source: "own threshold; common practice, no source",
    severity: Severity::Stop,
    cannot_see: "Channels that hold noise and nothing else. One silent channel of several only advises.",
    read: silent,
    ..FAULT
};

pub const POLARITY: Check = Check {
    id: "channels.polarity",
    title: "channel of inverted polarity",
    definition: "Two channels of a pair that hold the same, one upside down: correlation at low frequencies and over the whole file.",
    cannot_see: "Which of the two it is; inversion between channels that have little in common: versions.polarity shows that.",
    needs: &[Meter::Channels],
    least_s: 0.2,
    read: polarity,
    ..FAULT
};

pub const DUAL_MONO: Check = Check {
    id: "channels.dual_mono",
    title: "pair of equal channels",
    definition: "Two channels of a pair are the same, sample for sample or to a gain.",
    cannot_see: "Whether mono is meant.",
    needs: &[Meter::Channels],
    read: dual_mono,
    ..FAULT
};

pub const CHANNEL_DELAY: Check = Check {
    id: "channels.channel_delay",
    title: "channel that is late",
    definition: "One channel of a pair is the other, late by the same number of samples throughout.",
    unit: "samples",
    source: "Knapp and Carter 1976 (generalised cross-correlation with phase transform)",
    cannot_see: "Delays between channels that have little in common; a reference shows those.",
    needs: &[Meter::Channels],
    least_s: 0.2,
    read: channel_delay,
    ..FAULT
};

pub const LEVEL_IMBALANCE: Check = Check {
    id: "channels.level_imbalance",
    title: "pair out of balance",
    definition: "Two channels of a pair that hold nearly the same differ in level throughout.",
    unit: "dB",
    cannot_see: "Imbalance of channels that hold different music; a reference shows that.",
    needs: &[Meter::Channels],
    read: level_imbalance,
    ..FAULT
};

pub const CHANNEL_ORDER: Check = Check {
    id: "channels.channel_order",
    title: "other order of channels",
    definition: "A channel that is not labelled LFE holds what an LFE holds, and the labelled one does not.",
    source: "own thresholds: energy over 500 Hz against 20 to 120 Hz",
    cannot_see: "Orders that leave the LFE in its place; files whose LFE is silent.",
    needs: &[Meter::Channels],
    read: channel_order,
    ..FAULT
};

pub const SURROUND_SWAPPED: Check = Check {
    id: "channels.surround_swapped",
    title: "surround channels exchanged",
    definition: "The surround channels seem exchanged left to right: each has more in common with the front channel of the other side, and their balance moves against that of the front.",
    source: "own method on coherence and balance; own thresholds",
    cannot_see: "Left and right of all pairs exchanged: versions.lr_swapped shows that. Surrounds that have nothing in common with the front.",
    needs: &[Meter::Channels],
    read: surround_swapped,
    ..FAULT
};

pub const LFE_FULL_RANGE: Check = Check {
    id: "channels.lfe_full_range",
    title: "LFE with full-range content",
    definition: "The LFE's energy over 500 Hz is within 24 dB of that from 20 to 120 Hz.",
    unit: "dB",
    source: "a record company's public delivery page asks for a low-pass at 100 to 150 Hz; own threshold",
    cannot_see: "A silent LFE.",
    needs: &[Meter::Channels],
    read: lfe_full_range,
    ..FAULT
};

pub const LFE_SILENT: Check = Check {
    id: "channels.lfe_silent",
    title: "silent LFE",
    definition: "The LFE never passes -80 dBFS while other channels hold low frequencies.",
    severity: Severity::Note,
    cannot_see: "Whether it is left empty on purpose, which is common.",
    needs: &[Meter::Channels],
    read: lfe_silent,
    ..FAULT
};

fn silent(case: &Case) -> Reading {
    let measured = Measured::of(case.facts.measurements, || NotMeasured::Unread);
    read_from(measured, |measured| silent_channels(case.facts, measured))
}

fn silent_channels(facts: &Facts, measured: &Measurements) -> Reading {
    if measured.frames.0 == 0 || measured.channels.is_empty() {
        return Fault::new("the file holds no audio: 0 samples").into();
    }
    let is_silent = |channel: &&ChannelMeasurements| {
        channel
            .sample_peak_dbfs
            .is_none_or(|peak| peak.value() < SILENT_DBFS)
    };
    let silent: Vec<&ChannelMeasurements> = measured.channels.iter().filter(is_silent).collect();
    let length = measured.frames.at(measured.sample_rate);
    let place = |channel: Option<String>| Place {
        start_s: Seconds(0.0),
        end_s: length,
        start_frame: Frames(0),
        channel,
        ..Place::default()
    };
    if silent.len() == measured.channels.len() {
        let mut places = Places::default();
        places.push(place(None));
        return Reading::Fault(Fault {
            brief: Some("the whole file is silent".into()),
            places,
            ..Fault::new("the whole file is silent: no sample passes -80 dBFS")
        });
    }
    let labels: Vec<String> = (silent.iter())
        .filter(|channel| !channel.label.starts_with("LFE"))
        .map(|channel| channel.label.clone())
        .collect();
    // Where it was looked for: dither or noise is no sound either.
    let noise: Vec<String> = channels_of_noise(facts)
        .into_iter()
        .filter(|label| !label.starts_with("LFE") && !labels.contains(label))
        .collect();
    let (labels, how) = match (labels.is_empty(), noise.is_empty()) {
        (true, true) => return Reading::NoFault("every channel holds sound".into()),
        (true, false) => (noise, "noise and nothing else"),
        (false, _) => (labels, "no sample passes -80 dBFS"),
    };
    let mut places = Places::default();
    for label in &labels {
        places.push(place(Some(label.clone())));
    }
    let (subject, verb) = match labels.as_slice() {
        [one] => (one.clone(), "is"),
        _ => ("file".to_owned(), "are"),
    };
    Reading::Fault(Fault {
        // A single silent channel may be meant.
        at_most: Severity::Advise,
        subject,
        value: Some(Choice::Text(labels.join(","))),
        brief: Some(format!("{} {verb} silent", and(&labels))),
        places,
        ..Fault::new(format!("{} {verb} silent: {how}", and(&labels)))
    })
}

/// The labels of channels that hold noise or dither and nothing else.
fn channels_of_noise(facts: &Facts) -> Vec<String> {
    let survey = facts.measurements.and_then(|m| m.survey.as_deref());
    let Some((survey, facts)) = survey.and_then(|survey| Some((survey, survey.between.get()?)))
    else {
        return Vec::new();
    };
    let sure = facts.only_noise.listed.iter();
    sure.filter(|spot| spot.confidence >= Spot::SURE && !spot.inherited)
        .filter_map(|spot| survey.channels.get(spot.channel?).cloned())
        .collect()
}

/// A fault between channels, and why it was not looked for where it was not.
fn between(
    case: &Case,
    of: impl Fn(&ChannelFacts) -> &Spots,
    missing: fn(&ChannelCoverage) -> Option<Uncovered>,
    says: &dyn Fn(&Place) -> String,
) -> Reading {
    read_from(
        group(case, |survey| &survey.between),
        |(survey, facts)| match missing(&facts.coverage) {
            Some(Uncovered::NoLabels { channels }) => {
                Reading::not_measured(NotMeasured::NoLabels { channels })
            }
            Some(Uncovered::Objects { .. }) => {
                Reading::NoFault("tracks of an object-based master are no pairs".into())
            }
            Some(Uncovered::NoSuchChannels) => {
                Reading::NoFault("the layout has no such channels".into())
            }
            None => of_spots(case, survey, &[of(facts)], Some(says)),
        },
    )
}

/// Pairs are looked for in every file: without labels every two channels are one.
fn in_pairs(coverage: &ChannelCoverage) -> Option<Uncovered> {
    match coverage.pairs {
        PairsFrom::Labels
        | PairsFrom::TwoChannels
        | PairsFrom::EveryTwo { .. }
        | PairsFrom::Neighbours { .. } => None,
        PairsFrom::NoPair => Some(Uncovered::NoSuchChannels),
        PairsFrom::Objects { tracks } => Some(Uncovered::Objects { tracks }),
    }
}

/// Whose pair it is, where the file names no channels: `ch 3 and ch 4`.
fn pair(case: &Case, fault: PairFault) -> String {
    let survey = case.facts.measurements.and_then(|m| m.survey.as_deref());
    survey
        .and_then(|survey| {
            let facts = survey.between.get()?;
            let surest = (facts.pair_findings.iter())
                .filter(|found| found.fault == fault)
                .max_by(|a, b| a.confidence.total_cmp(&b.confidence))?;
            let name = |channel: usize| survey.channels.get(channel);
            let (left, right) = (name(surest.left)?, name(surest.right)?);
            Some(format!("{left} and {right}"))
        })
        .unwrap_or_else(|| "a pair".to_owned())
}

fn value(place: &Place) -> f64 {
    place.value.unwrap_or_default()
}

fn polarity(case: &Case) -> Reading {
    between(case, |facts| &facts.polarity, in_pairs, &|place| {
        format!(
            "{} have opposite polarity: their correlation is {:.2}",
            pair(case, PairFault::Polarity),
            value(place)
        )
    })
}

fn dual_mono(case: &Case) -> Reading {
    between(case, |facts| &facts.dual_mono, in_pairs, &|_| {
        format!("{} are the same", pair(case, PairFault::DualMono))
    })
}

fn channel_delay(case: &Case) -> Reading {
    between(case, |facts| &facts.channel_delay, in_pairs, &|place| {
        let on = place.channel.as_deref().unwrap_or("one channel");
        format!("{on} is {:.0} samples late throughout", value(place))
    })
}

fn level_imbalance(case: &Case) -> Reading {
    between(
        case,
        |facts| &facts.level_imbalance,
        |coverage| coverage.balance,
        &|place| {
            let on = place.channel.as_deref().unwrap_or("one channel");
            format!(
                "{on} is {:.1} dB under its partner throughout",
                value(place)
            )
        },
    )
}

fn channel_order(case: &Case) -> Reading {
    let survey = case.facts.measurements.and_then(|m| m.survey.as_deref());
    let fits = survey
        .and_then(|survey| survey.between.get()?.scalars.order.as_ref())
        .and_then(|order| order.fits_order.as_ref())
        .map_or(String::new(), |order| format!("; the order {order} fits"));
    between(
        case,
        |facts| &facts.channel_order,
        |coverage| coverage.order,
        &|place| {
            let on = place.channel.as_deref().unwrap_or("another channel");
            format!("{on} holds what an LFE holds, and the LFE does not{fits}")
        },
    )
}

fn surround_swapped(case: &Case) -> Reading {
    between(
        case,
        |facts| &facts.surround_swapped,
        |coverage| coverage.sides,
        &|_| "each surround channel follows the front channel of the other side".to_owned(),
    )
}

/// From here on an LFE is full-range beyond doubt, dB. Common practice, no source.
const FULL_RANGE_DB: f64 = -12.0;

fn lfe_full_range(case: &Case) -> Reading {
    let read = between(
        case,
        |facts| &facts.lfe_full_range,
        |coverage| coverage.order,
        &|place| {
            format!(
                "the LFE's energy over 500 Hz is {:.1} dB against that from 20 to 120 Hz",
                value(place)
            )
        },
    );
    match read {
        Reading::Fault(fault) => {
            let beyond_doubt = (fault.places.listed.iter())
                .any(|place| place.value.is_some_and(|value| value > FULL_RANGE_DB));
            let at_most = match beyond_doubt {
                true => Severity::Stop,
                false => fault.at_most,
            };
            Reading::Fault(Fault { at_most, ..fault })
        }
        other => other,
    }
}

fn lfe_silent(case: &Case) -> Reading {
    between(
        case,
        |facts| &facts.lfe_silent,
        |coverage| coverage.order,
        &|_| "the LFE is silent, and other channels hold low frequencies".to_owned(),
    )
}
