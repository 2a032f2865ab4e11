//! A channel-based file against another version of it, before the judge: same channels, same
//! sides, same edit, and no copy under another name.
//!
//! In: what the comparison found. Out: one finding a check; nothing where no reference was named
//! or where the files are object-based. The comparison is sure to some degree: under half of that
//! nothing is told, and what would stop a file only advises unless it is beyond doubt.

use super::catalogue::{Check, of_practice as check};
use super::facts::Facts;
use super::readings::Reading;
use super::told::Told;
use super::words::asked;
use crate::compare::{
    ChannelAgainst, Comparison, Edit, EditKind, Exchange, ExchangeKind, Part, Versions,
};
use crate::measure::{Place, Places, Spot};
use crate::profile::{Limit, Rule, Severity, Takes};
use crate::units::{Frames, Seconds};

/// Beyond doubt: what may stop a file. Own choice.
const CERTAIN: f64 = 0.8;
/// In dB: the trade's rule G6. Common practice, no source.
const IMBALANCE_DB: f64 = 0.5;

use Severity::{Advise, Stop};
use Takes::{Fault, Number};

#[rustfmt::skip]
pub const VERSIONS: &[Check] = &[
    check("versions.rate_label", "wrong sample rate on the label", "The file is the reference played at another rate: its duration is that of the reference times a ratio of two rates in use, and its level over time is the reference's stretched by that ratio.", "", Stop, Fault, "Files of less than 3 s, music of constant level, and versions whose lengths differ by more than 3 % beside that."),
    check("versions.lr_swapped", "left and right exchanged", "The front channels, or the only two, are each most like the other one of the reference: the sum of correlations is better by 0.2, or the side signal is turned around.", "", Stop, Fault, "A pair whose side signal lies 40 dB under the mid; a swap on the way."),
    check("versions.surround_swapped", "surround channels exchanged", "Surround channels are each most like another surround or front channel of the reference.", "", Stop, Fault, "Channels that are alike or silent."),
    check("versions.channel_order", "channels in another order", "Centre or low-frequency channel and others are each most like another channel of the reference.", "", Stop, Fault, "Channels that are alike or silent."),
    check("versions.polarity", "inverted polarity", "A channel is that of the reference upside down; all of them together only advise.", "", Stop, Fault, "Polarity that changes on the way."),
    check("versions.channel_delay", "delayed channel", "A channel is later or earlier than most channels, against the reference.", "", Advise, Fault, "Parts of a sample; a channel that has nothing in common with the reference's."),
    check("versions.level_imbalance", "channel out of balance", "A channel changed its level by more than 0.5 dB against the others, in each of three bands.", "", Advise, Fault, "Which of two channels was meant; changes of less."),
    check("versions.part_missing", "channel that is missing", "A channel sounds in the reference for a second or more and is silent here throughout.", "", Stop, Fault, "A channel that was left out on purpose."),
    check("versions.version_edit", "other edit than the reference", "Something was put in, taken out, replaced, silenced, lowered or raised at once; what lies about it is the reference.", "", Advise, Fault, "Edits of less than a tenth of a second, edits in silence, moves by more than 10 s at a time, and whether the edit was wanted."),
    check("versions.duplicate", "same audio as the reference", "Every sample is that of the reference, or but for noise 60 dB down.", "", Advise, Fault, "Whether the order asks for the same audio twice; copies that were gained, trimmed or coded."),
    check("versions.tonal_balance", "largest tonal change", "The largest change of a third-octave from 40 Hz to 12.5 kHz against the reference, without the median change of all.", "dB", Advise, Number, "Changes over time; whether the change was wanted."),
    check("versions.null_residual", "what is left of the null test", "Level of the file less gain times reference, against the file, of the channel where most is left.", "dB", Advise, Number, "What changed, and where."),
    check("versions.noise_floor", "change of the noise floor", "Level of the quietest twentieth of the blocks of 100 ms that are no digital silence, against the reference and without the overall gain.", "dB", Advise, Number, "Files without quiet passages: there it is the music that changed."),
];

pub fn is_ours(check: &Check) -> bool {
    check.id.starts_with("versions.")
}

fn versions<'a>(facts: &Facts<'a>) -> Option<(&'a Comparison, &'a Versions)> {
    let comparison = facts.against?.result.ok()?;
    Some((comparison, comparison.versions.as_ref()?))
}

/// No reference was named, or the files are not compared channel by channel, or the reading does
/// not exist for them.
pub fn is_moot(check: &Check, facts: &Facts) -> bool {
    if !is_ours(check) {
        return false;
    }
    let Some((_, versions)) = versions(facts) else {
        return true;
    };
    match check.id {
        "versions.rate_label" => false,
        "versions.tonal_balance" => versions.tone.is_none(),
        "versions.null_residual" => versions.null.is_none(),
        "versions.noise_floor" => versions.floor.is_none(),
        _ => versions.channels.is_empty(),
    }
}

pub fn is_fault(check: &Check) -> bool {
    is_ours(check) && check.takes == Fault
}

/// One thing that is wrong, with its weight and places.
struct Wrong {
    severity: Severity,
    subject: String,
    says: String,
    places: Vec<Place>,
}

/// The finding of a fault; `None` where there is nothing to tell.
pub fn fault(check: &Check, limit: Option<&Limit>, facts: &Facts) -> Option<Told> {
    let (comparison, versions) = versions(facts)?;
    let mut found = found(check, comparison, versions);
    found.sort_by_key(|one| std::cmp::Reverse(one.severity));
    let source = limit.map_or(check.source, |limit| limit.source.as_str());
    let words = limit.and_then(|limit| asked(&limit.rule, check.unit));
    let Some(worst) = found.first() else {
        return limit.map(|_| {
            Told::new(check, "file", source)
                .limit(words)
                .says(format!("no {}", check.title))
        });
    };
    let severity = match limit.map(|limit| (&limit.rule, limit.severity)) {
        None => worst.severity,
        Some((Rule::Report, _)) => Severity::Note,
        // What is not beyond doubt stops nothing, whatever a profile asks.
        Some((_, asked)) => asked.min(worst.severity.max(asked.min(Advise))),
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
    let told = Told::new(check, worst.subject.clone(), source)
        .limit(words)
        .places(&places)
        .says(says)
        .brief(
            check.title,
            Some(worst.says.replace(" (", ", ").replace(['(', ')'], "")),
        );
    Some(match severity {
        Severity::Note => told.noted(),
        severity => told.failed(severity),
    })
}

fn called(part: &Part) -> String {
    part.channel.clone().unwrap_or_else(|| part.name.clone())
}

/// What it weighs when it is so sure; `None` under half.
fn weight(check: &Check, confidence: f64) -> Option<Severity> {
    if confidence < Spot::SURE {
        None
    } else if confidence < CERTAIN {
        Some(check.severity.min(Advise))
    } else {
        Some(check.severity)
    }
}

fn found(check: &Check, comparison: &Comparison, versions: &Versions) -> Vec<Wrong> {
    let length = comparison.master_frames;
    let rate = comparison.master_sample_rate_hz;
    let whole = |channel: Option<String>, value: Option<f64>| Place {
        start_s: Seconds(0.0),
        end_s: length.at(rate),
        start_frame: Frames(0),
        channel,
        value,
        ..Place::default()
    };
    // Channels are those of the mix by name, the same places in the file.
    let of_channel = |channel: &ChannelAgainst, severity: Severity, says: String, value: f64| {
        let name = called(&channel.part);
        Wrong {
            severity,
            places: vec![whole(Some(name.clone()), Some(value))],
            subject: name,
            says,
        }
    };
    let channels = versions.channels.iter();
    match check.id {
        "versions.lr_swapped" => exchanged(check, versions, ExchangeKind::LeftRight, &whole),
        "versions.surround_swapped" => exchanged(check, versions, ExchangeKind::Surround, &whole),
        "versions.channel_order" => exchanged(check, versions, ExchangeKind::Other, &whole),
        "versions.polarity" => {
            let sounding = channels.clone().filter(|channel| channel.most_like_correlation.is_some());
            let all = sounding.clone().count() > 0 && sounding.clone().all(|channel| channel.inverted);
            sounding
                .filter(|channel| channel.inverted)
                .filter_map(|channel| {
                    let severity = weight(check, channel.inverted_confidence)?;
                    // The ear does not tell it where all channels are.
                    let severity = if all { severity.min(Advise) } else { severity };
                    let says = format!("{} is upside down against the reference", called(&channel.part));
                    Some(of_channel(channel, severity, says, channel.inverted_confidence))
                })
                .collect()
        }
        "versions.channel_delay" => channels
            .filter_map(|channel| {
                let frames = channel.delay_frames.filter(|&frames| frames != 0)?;
                let severity = weight(check, channel.delay_confidence)?;
                let word = if frames > 0 { "late" } else { "early" };
                let unit = if frames.abs() == 1 { "sample" } else { "samples" };
                let says = format!(
                    "{} is {} {unit} {word} against the other channels",
                    called(&channel.part),
                    frames.abs()
                );
                Some(of_channel(channel, severity, says, frames as f64))
            })
            .collect(),
        "versions.level_imbalance" => channels
            .filter_map(|channel| {
                let change = channel.level_change_db.filter(|db| db.abs() > IMBALANCE_DB)?;
                let severity = weight(check, channel.level_confidence)?;
                let word = if change > 0.0 { "louder" } else { "softer" };
                let says = format!(
                    "{} is {:.1} dB {word} against the other channels than in the reference",
                    called(&channel.part),
                    change.abs()
                );
                Some(of_channel(channel, severity, says, change))
            })
            .collect(),
        "versions.part_missing" => channels
            .filter(|channel| channel.missing)
            .map(|channel| {
                let says = format!(
                    "{} sounds in the reference for {:.1} s and is silent here",
                    called(&channel.part),
                    channel.sounds_in_mix_s.0
                );
                of_channel(channel, check.severity, says, channel.sounds_in_mix_s.0)
            })
            .collect(),
        "versions.version_edit" => versions
            .edits
            .listed
            .iter()
            .filter_map(|edit| edited(check, edit, f64::from(rate.value())))
            .collect(),
        "versions.duplicate" => versions
            .null
            .iter()
            .filter(|null| null.same_audio)
            .map(|null| {
                let how = if null.identical_samples {
                    "sample by sample".to_owned()
                } else {
                    format!("but for noise at {:.0} dB", null.residual_db)
                };
                Wrong {
                    severity: check.severity,
                    subject: "file".into(),
                    says: format!("the same audio as the reference, {how}"),
                    places: Vec::new(),
                }
            })
            .collect(),
        _ => versions
            .rate
            .iter()
            .filter_map(|rate| {
                let severity = weight(check, rate.confidence)?;
                Some(Wrong {
                    severity,
                    subject: "file".into(),
                    says: format!(
                        "it is the reference played {:.4} times as long: labelled {} Hz, made for {:.0} Hz",
                        rate.duration_ratio,
                        rate.master_sample_rate_hz.value(),
                        f64::from(rate.master_sample_rate_hz.value()) * rate.ratio
                    ),
                    places: Vec::new(),
                })
            })
            .collect(),
    }
}

fn exchanged(
    check: &Check,
    versions: &Versions,
    kind: ExchangeKind,
    whole: &dyn Fn(Option<String>, Option<f64>) -> Place,
) -> Vec<Wrong> {
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
            let severity = weight(check, exchange.confidence)?;
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
                    .map(|(from, _)| whole(Some(from), Some(exchange.confidence)))
                    .collect(),
            })
        })
        .collect()
}

fn edited(check: &Check, edit: &Edit, rate: f64) -> Option<Wrong> {
    let severity = weight(check, edit.confidence)?;
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

/// Reads the value of a number.
pub fn read(check: &Check, facts: &Facts) -> Reading {
    let nothing = || Reading::Nothing {
        subject: "reference".into(),
        says: "there is no comparison".into(),
    };
    let Some((_, versions)) = versions(facts) else {
        return nothing();
    };
    let (value, subject) = match check.id {
        "versions.tonal_balance" => match &versions.tone {
            Some(tone) => (
                tone.largest_change_db,
                format!("{} Hz", tone.largest_band_hz),
            ),
            None => return nothing(),
        },
        "versions.null_residual" => match &versions.null {
            Some(null) => (null.residual_db, "file".to_owned()),
            None => return nothing(),
        },
        _ => match &versions.floor {
            Some(floor) => (floor.change_db, "file".to_owned()),
            None => return nothing(),
        },
    };
    Reading::Number {
        value,
        subject,
        places: Places::default(),
        phrase: None,
    }
}
