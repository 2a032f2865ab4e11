//! A channel-based file against another version of it: same channels, same sides, same edit, and no
//! copy under another name.
//!
//! The comparison is sure to some degree: under half of that nothing is told, and what would stop
//! a file only advises unless it is beyond doubt.

use crate::compare::{
    ChannelAgainst, Comparison, Edit, EditKind, Exchange, ExchangeKind, Part, Versions,
};
use crate::judge::check::{Case, Check, FAULT, NUMBER};
use crate::judge::reading::{Fault, Reading, read_from};
use crate::measure::{Place, Places};
use crate::measured::{Measured, NotMeasured};
use crate::profile::Severity;
use crate::units::{Frames, Seconds};

use super::found::weight;
use super::movement::compared;

/// In dB: common practice, no source.
const IMBALANCE_DB: f64 = 0.5;

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[
    RATE_LABEL,
    LR_SWAPPED,
    SURROUND_SWAPPED,
    CHANNEL_ORDER,
    POLARITY,
    CHANNEL_DELAY,
    LEVEL_IMBALANCE,
    PART_MISSING,
    VERSION_EDIT,
    DUPLICATE,
    TONAL_BALANCE,
    NULL_RESIDUAL,
    NOISE_FLOOR,
];

pub const RATE_LABEL: Check = Check {
    id: "versions.rate_label",
    title: "wrong sample rate on the label",
    definition: "The file is the reference played at another rate: its duration is that of the reference times a ratio of two rates in use, and its level over time is the reference's stretched by that ratio.",
    severity: Severity::Stop,
    cannot_see: "Files of less than 3 s, music of constant level, and versions whose lengths differ by more than 3 % beside that.",
    read: rate_label,
    ..FAULT
};

pub const LR_SWAPPED: Check = Check {
    id: "versions.lr_swapped",
    title: "left and right exchanged",
    definition: "The front channels, or the only two, are each most like the other one of the reference: the sum of correlations is better by 0.2, or the side signal is turned around.",
    severity: Severity::Stop,
    cannot_see: "A pair whose side signal lies 40 dB under the mid; a swap on the way.",
    read: lr_swapped,
    ..FAULT
};

pub const SURROUND_SWAPPED: Check = Check {
    id: "versions.surround_swapped",
    title: "surround channels exchanged",
    definition: "Surround channels are each most like another surround or front channel of the reference.",
    severity: Severity::Stop,
    cannot_see: "Channels that are alike or silent.",
    read: surround_swapped,
    ..FAULT
};

pub const CHANNEL_ORDER: Check = Check {
    id: "versions.channel_order",
    title: "channels in another order",
    definition: "Centre or low-frequency channel and others are each most like another channel of the reference.",
    severity: Severity::Stop,
    cannot_see: "Channels that are alike or silent.",
    read: channel_order,
    ..FAULT
};

pub const POLARITY: Check = Check {
    id: "versions.polarity",
    title: "inverted polarity",
    definition: "A channel is that of the reference upside down; all of them together only advise.",
    severity: Severity::Stop,
    cannot_see: "Polarity that changes on the way.",
    read: polarity,
    ..FAULT
};

pub const CHANNEL_DELAY: Check = Check {
    id: "versions.channel_delay",
    title: "delayed channel",
    definition: "A channel is later or earlier than most channels, against the reference.",
    cannot_see: "Parts of a sample; a channel that has nothing in common with the reference's.",
    read: channel_delay,
    ..FAULT
};

pub const LEVEL_IMBALANCE: Check = Check {
    id: "versions.level_imbalance",
    title: "channel out of balance",
    definition: "A channel changed its level by more than 0.5 dB against the others, in each of three bands.",
    cannot_see: "Which of two channels was meant; changes of less.",
    read: level_imbalance,
    ..FAULT
};

pub const PART_MISSING: Check = Check {
    id: "versions.part_missing",
    title: "channel that is missing",
    definition: "A channel sounds in the reference for a second or more and is silent here throughout.",
    severity: Severity::Stop,
    cannot_see: "A channel that was left out on purpose.",
    read: part_missing,
    ..FAULT
};

pub const VERSION_EDIT: Check = Check {
    id: "versions.version_edit",
    title: "other edit than the reference",
    definition: "Something was put in, taken out, replaced, silenced, lowered or raised at once; what lies about it is the reference.",
    cannot_see: "Edits of less than a tenth of a second, edits in silence, moves by more than 10 s at a time, and whether the edit was wanted.",
    read: version_edit,
    ..FAULT
};

pub const DUPLICATE: Check = Check {
    id: "versions.duplicate",
    title: "same audio as the reference",
    definition: "Every sample is that of the reference, or but for noise 60 dB down.",
    cannot_see: "Whether the order asks for the same audio twice; copies that were gained, trimmed or coded.",
    read: duplicate,
    ..FAULT
};

pub const TONAL_BALANCE: Check = Check {
    id: "versions.tonal_balance",
    title: "largest tonal change",
    definition: "The largest change of a third-octave from 40 Hz to 12.5 kHz against the reference, without the median change of all.",
    unit: "dB",
    cannot_see: "Changes over time; whether the change was wanted.",
    read: tonal_balance,
    ..NUMBER
};

pub const NULL_RESIDUAL: Check = Check {
    id: "versions.null_residual",
    title: "what is left of the null test",
    definition: "Level of the file less gain times reference, against the file, of the channel where most is left.",
    unit: "dB",
    cannot_see: "What changed, and where.",
    read: null_residual,
    ..NUMBER
};

pub const NOISE_FLOOR: Check = Check {
    id: "versions.noise_floor",
    title: "change of the noise floor",
    definition: "Level of the quietest twentieth of the blocks of 100 ms that are no digital silence, against the reference and without the overall gain.",
    unit: "dB",
    cannot_see: "Files without quiet passages: there it is the music that changed.",
    read: noise_floor,
    ..NUMBER
};

/// One thing that is wrong, with the most that it weighs, and its places.
struct Wrong {
    severity: Severity,
    subject: String,
    says: String,
    places: Vec<Place>,
}

fn versions<'a>(case: &Case<'a>) -> Measured<(&'a Comparison, &'a Versions)> {
    compared(case).and_then(|comparison| {
        let versions = comparison.versions.as_ref();
        Measured::of(versions.map(|of| (comparison, of)), || {
            NotMeasured::OtherKind
        })
    })
}

/// Why there are no channels that were compared.
fn no_channels(comparison: &Comparison) -> NotMeasured {
    let (master, mix) = (comparison.master_sample_rate_hz, comparison.sample_rate_hz);
    match master == mix {
        true => NotMeasured::NothingInCommon,
        false => NotMeasured::OtherSampleRate {
            master_hz: master.value(),
            mix_hz: mix.value(),
        },
    }
}

/// A reading of faults of channels.
fn faults(case: &Case, find: impl FnOnce(&Comparison, &Versions) -> Vec<Wrong>) -> Reading {
    read_from(versions(case), |(comparison, versions)| {
        match versions.channels.is_empty() {
            true => Reading::not_measured(no_channels(comparison)),
            false => told(case, find(comparison, versions)),
        }
    })
}

fn told(case: &Case, mut found: Vec<Wrong>) -> Reading {
    found.sort_by_key(|one| std::cmp::Reverse(one.severity));
    let Some(worst) = found.first() else {
        return case.none_found();
    };
    let mut places = Places::default();
    let mut all: Vec<&Place> = found.iter().flat_map(|one| &one.places).collect();
    all.sort_by(|one, other| one.start_s.0.total_cmp(&other.start_s.0));
    for place in all {
        places.push(place.clone());
    }
    let mut says = worst.says.clone();
    if found.len() > 1 {
        says.push_str(&format!(", and {} more", found.len() - 1));
    }
    Reading::Fault(Fault {
        at_most: worst.severity,
        unasked: Some(worst.severity.min(case.check.severity)),
        subject: worst.subject.clone(),
        brief: Some(case.check.title.to_owned()),
        detail: Some(worst.says.replace(" (", ", ").replace(['(', ')'], "")),
        places,
        ..Fault::new(says)
    })
}

fn called(part: &Part) -> String {
    part.channel.clone().unwrap_or_else(|| part.name.clone())
}

fn whole(comparison: &Comparison, channel: Option<String>, value: Option<f64>) -> Place {
    Place {
        start_s: Seconds(0.0),
        end_s: comparison
            .master_frames
            .at(comparison.master_sample_rate_hz),
        start_frame: Frames(0),
        channel,
        value,
        ..Place::default()
    }
}

/// Channels are those of the mix by name, the same places in the file.
fn of_channel(
    comparison: &Comparison,
    channel: &ChannelAgainst,
    severity: Severity,
    says: String,
    value: f64,
) -> Wrong {
    let name = called(&channel.part);
    Wrong {
        severity,
        places: vec![whole(comparison, Some(name.clone()), Some(value))],
        subject: name,
        says,
    }
}

fn lr_swapped(case: &Case) -> Reading {
    faults(case, |comparison, versions| {
        exchanged(comparison, versions, ExchangeKind::LeftRight)
    })
}

fn surround_swapped(case: &Case) -> Reading {
    faults(case, |comparison, versions| {
        exchanged(comparison, versions, ExchangeKind::Surround)
    })
}

fn channel_order(case: &Case) -> Reading {
    faults(case, |comparison, versions| {
        exchanged(comparison, versions, ExchangeKind::Other)
    })
}

fn polarity(case: &Case) -> Reading {
    faults(case, |comparison, versions| {
        let sounding =
            (versions.channels.iter()).filter(|channel| channel.most_like_correlation.is_some());
        let all = sounding.clone().count() > 0 && sounding.clone().all(|channel| channel.inverted);
        sounding
            .filter(|channel| channel.inverted)
            .filter_map(|channel| {
                let severity = weight(channel.inverted_confidence)?;
                // The ear does not tell it where all channels are.
                let severity = match all {
                    true => severity.min(Severity::Advise),
                    false => severity,
                };
                let says = format!(
                    "{} has inverted polarity against the reference",
                    called(&channel.part)
                );
                let sure = channel.inverted_confidence;
                Some(of_channel(comparison, channel, severity, says, sure))
            })
            .collect()
    })
}

fn channel_delay(case: &Case) -> Reading {
    faults(case, |comparison, versions| {
        let late = |channel: &ChannelAgainst| {
            let frames = channel.delay_frames.filter(|&frames| frames != 0)?;
            let severity = weight(channel.delay_confidence)?;
            let word = if frames > 0 { "late" } else { "early" };
            let unit = if frames.abs() == 1 {
                "sample"
            } else {
                "samples"
            };
            let says = format!(
                "{} is {} {unit} {word} against the other channels",
                called(&channel.part),
                frames.abs()
            );
            Some(of_channel(
                comparison,
                channel,
                severity,
                says,
                frames as f64,
            ))
        };
        versions.channels.iter().filter_map(late).collect()
    })
}

fn level_imbalance(case: &Case) -> Reading {
    faults(case, |comparison, versions| {
        let moved = |channel: &ChannelAgainst| {
            let change = channel
                .level_change_db
                .filter(|db| db.abs() > IMBALANCE_DB)?;
            let severity = weight(channel.level_confidence)?;
            let word = if change > 0.0 { "louder" } else { "softer" };
            let says = format!(
                "{} is {:.1} dB {word} against the other channels than in the reference",
                called(&channel.part),
                change.abs()
            );
            Some(of_channel(comparison, channel, severity, says, change))
        };
        versions.channels.iter().filter_map(moved).collect()
    })
}

fn part_missing(case: &Case) -> Reading {
    faults(case, |comparison, versions| {
        (versions.channels.iter())
            .filter(|channel| channel.missing)
            .map(|channel| {
                let sounds = channel.sounds_in_mix_s.0;
                let says = format!(
                    "{} sounds in the reference for {sounds:.1} s and is silent here",
                    called(&channel.part),
                );
                of_channel(comparison, channel, Severity::Stop, says, sounds)
            })
            .collect()
    })
}

fn version_edit(case: &Case) -> Reading {
    faults(case, |comparison, versions| {
        let rate = f64::from(comparison.master_sample_rate_hz.value());
        (versions.edits.listed.iter())
            .filter_map(|edit| edited(edit, rate))
            .collect()
    })
}

fn duplicate(case: &Case) -> Reading {
    faults(case, |_, versions| {
        (versions.null.iter())
            .filter(|null| null.same_audio)
            .map(|null| {
                let how = match null.identical_samples {
                    true => "sample by sample".to_owned(),
                    false => format!("but for noise at {:.0} dB", null.residual_db),
                };
                Wrong {
                    severity: Severity::Stop,
                    subject: "file".into(),
                    says: format!("the same audio as the reference, {how}"),
                    places: Vec::new(),
                }
            })
            .collect()
    })
}

fn rate_label(case: &Case) -> Reading {
    read_from(versions(case), |(_, versions)| {
        let found = (versions.rate.iter())
            .filter_map(|rate| {
                let hz = rate.master_sample_rate_hz.value();
                Some(Wrong {
                    severity: weight(rate.confidence)?,
                    subject: "file".into(),
                    says: format!(
                        "it is the reference played {:.4} times as long: labelled {hz} Hz, made for {:.0} Hz",
                        rate.duration_ratio,
                        f64::from(hz) * rate.ratio
                    ),
                    places: Vec::new(),
                })
            })
            .collect();
        told(case, found)
    })
}

fn tonal_balance(case: &Case) -> Reading {
    read_from(versions(case), |(comparison, versions)| {
        match &versions.tone {
            Some(tone) => Reading::number(
                tone.largest_change_db,
                format!("{} Hz", tone.largest_band_hz),
            ),
            None => Reading::not_measured(no_channels(comparison)),
        }
    })
}

fn null_residual(case: &Case) -> Reading {
    read_from(versions(case), |(comparison, versions)| {
        match &versions.null {
            Some(null) => Reading::number(null.residual_db, "file"),
            None => Reading::not_measured(no_channels(comparison)),
        }
    })
}

/// Music without quiet passages has no floor that could have changed.
fn noise_floor(case: &Case) -> Reading {
    read_from(versions(case), |(comparison, versions)| {
        match &versions.floor {
            Some(floor) => Reading::number(floor.change_db, "file"),
            None if versions.channels.is_empty() => Reading::not_measured(no_channels(comparison)),
            None => Reading::NoFault("there is no noise floor to compare".into()),
        }
    })
}

fn exchanged(comparison: &Comparison, versions: &Versions, kind: ExchangeKind) -> Vec<Wrong> {
    let name = |track: u32, place: fn(&ChannelAgainst) -> Option<u32>| {
        let channel = versions
            .channels
            .iter()
            .find(|channel| place(channel) == Some(track));
        channel.map_or_else(|| format!("ch {track}"), |channel| called(&channel.part))
    };
    let of_kind = |exchange: &&Exchange| exchange.kind == kind;
    versions
        .exchanges
        .iter()
        .filter(of_kind)
        .filter_map(|exchange| {
            let severity = weight(exchange.confidence)?;
            let moves: Vec<(String, String)> = exchange
                .tracks
                .iter()
                .zip(&exchange.found_at)
                .map(|(&track, &at)| {
                    (
                        name(track, |channel| channel.part.track),
                        name(at, |channel| Some(channel.master_track)),
                    )
                })
                .collect();
            let says: Vec<String> = moves
                .iter()
                .map(|(from, at)| format!("{from} of the reference plays on {at}"))
                .collect();
            Some(Wrong {
                severity,
                subject: moves
                    .iter()
                    .map(|(from, _)| from.as_str())
                    .collect::<Vec<_>>()
                    .join(" "),
                says: says.join(", "),
                places: moves
                    .into_iter()
                    .map(|(from, _)| whole(comparison, Some(from), Some(exchange.confidence)))
                    .collect(),
            })
        })
        .collect()
}

fn edited(edit: &Edit, rate: f64) -> Option<Wrong> {
    let severity = weight(edit.confidence)?;
    let what = match edit.kind {
        EditKind::Inserted => format!("{:.2} s are put in", edit.length_in_master_s.0),
        EditKind::Removed => format!(
            "{:.2} s of the reference are taken out",
            edit.length_in_mix_s.0
        ),
        EditKind::Replaced => format!("{:.2} s are something else", edit.length_in_master_s.0),
        EditKind::Silenced => format!("{:.2} s are silent", edit.length_in_master_s.0),
        EditKind::Lowered | EditKind::Raised => format!(
            "{:.2} s are {:.1} dB {}",
            edit.length_in_master_s.0,
            edit.level_change_db.unwrap_or(0.0).abs(),
            if edit.kind == EditKind::Lowered {
                "softer"
            } else {
                "louder"
            }
        ),
    };
    let start = edit.start_in_master_s;
    Some(Wrong {
        severity,
        subject: "file".into(),
        says: format!("{what} at {:.2} s", start.0),
        places: vec![Place {
            start_s: start,
            end_s: Seconds(start.0 + edit.length_in_master_s.0),
            start_frame: Frames((start.0 * rate).round() as u64),
            confidence: Some(edit.confidence),
            ..Place::default()
        }],
    })
}
