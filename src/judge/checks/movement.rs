//! A master against the mix it came from: same parts, same movement, same timing, same level over
//! time. Mastering leaves movement untouched: the reason of the group's name.

use crate::compare::{
    Comparison, Exchange, LevelChangeKind, ObjectChange, Part, TrackChange, TrackOffset,
};
use crate::judge::check::{Case, Check, FAULT, NUMBER};
use crate::judge::reading::{Fault, Number, Reading, read_from};
use crate::measure::{Place, Places};
use crate::measured::{Measured, NotMeasured};
use crate::profile::Severity;
use crate::units::{Frames, Seconds};

use super::found::{Found, told, weight};

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[
    NOT_COMPARED,
    MISSING,
    EXTRA,
    POSITION,
    LOST,
    METADATA,
    OFFSET,
    TRACK_OFFSET,
    SLIPPED,
    LEVEL_CHANGE,
    GONE,
    POLARITY,
    BED_EXCHANGED,
    TRACK_GAIN,
    BALANCE,
    LENGTH,
];

pub const NOT_COMPARED: Check = Check {
    id: "movement.not_compared",
    title: "master not compared with its mix",
    definition: "A mix was named and the two could not be compared.",
    cannot_see: "Anything about the mix.",
    read: not_compared,
    ..FAULT
};

pub const MISSING: Check = Check {
    id: "movement.missing",
    title: "part that is missing",
    definition: "A bed channel or object of the mix is not in the master.",
    severity: Severity::Stop,
    cannot_see: "A part that was left out on purpose.",
    read: missing,
    ..FAULT
};

pub const EXTRA: Check = Check {
    id: "movement.extra",
    title: "part that the mix does not have",
    definition: "A bed channel or object of the master is not in the mix.",
    cannot_see: "Why it was added.",
    read: extra,
    ..FAULT
};

pub const POSITION: Check = Check {
    id: "movement.position",
    title: "largest position difference",
    definition: "The largest angle between the position of an object in the master and in the mix, at any time.",
    unit: "deg",
    severity: Severity::Stop,
    cannot_see: "A movement that was changed on purpose.",
    read: position,
    ..NUMBER
};

pub const LOST: Check = Check {
    id: "movement.lost",
    title: "lost movement",
    definition: "An object moves in the mix by more than 30 degrees in all, and in the master by less than a tenth of that.",
    severity: Severity::Stop,
    cannot_see: "Movement of less than that.",
    read: lost,
    ..FAULT
};

pub const METADATA: Check = Check {
    id: "movement.metadata",
    title: "other metadata than the mix",
    definition: "Size, gain, diffuseness, times or other properties of an object, or a bed channel's label or place, differ.",
    cannot_see: "Whether the change was wanted.",
    read: metadata,
    ..FAULT
};

pub const OFFSET: Check = Check {
    id: "movement.offset",
    title: "offset against the mix",
    definition: "Samples by which the master is late against the mix, by most tracks.",
    unit: "samples",
    severity: Severity::Stop,
    cannot_see: "An offset of more than the search range; tracks that have nothing in common.",
    read: offset,
    ..NUMBER
};

pub const TRACK_OFFSET: Check = Check {
    id: "movement.track_offset",
    title: "track out of time",
    definition: "A track has another offset than the others.",
    severity: Severity::Stop,
    cannot_see: "A track that was processed beyond likeness.",
    read: track_offset,
    ..FAULT
};

pub const SLIPPED: Check = Check {
    id: "movement.slipped",
    title: "slipped edit",
    definition: "The offset of a track jumps on the way.",
    severity: Severity::Stop,
    cannot_see: "A slip in silence.",
    read: slipped,
    ..FAULT
};

pub const LEVEL_CHANGE: Check = Check {
    id: "movement.level_change",
    title: "level change over time",
    definition: "The farthest that a track's level, master less mix, goes from its own static gain in any 3 s, in the band where it is least.",
    unit: "dB",
    cannot_see: "Changes shorter than 3 s, and whether they were wanted.",
    read: level_change,
    ..NUMBER
};

pub const GONE: Check = Check {
    id: "movement.gone",
    title: "sound that is gone",
    definition: "The mix sounds where the master is silent, on the same track.",
    severity: Severity::Stop,
    cannot_see: "Sound that was removed on purpose.",
    read: gone,
    ..FAULT
};

pub const POLARITY: Check = Check {
    id: "movement.polarity",
    title: "inverted polarity",
    definition: "A track of the master is that of the mix upside down.",
    severity: Severity::Stop,
    cannot_see: "Polarity that changes on the way.",
    read: polarity,
    ..FAULT
};

pub const BED_EXCHANGED: Check = Check {
    id: "movement.bed_exchanged",
    title: "bed channels exchanged",
    definition: "Channels of the bed are each most like another one of the mix's bed: the sum of correlations is better by 0.2, or the side signal of a pair is turned around.",
    severity: Severity::Stop,
    cannot_see: "Channels that are alike or silent, beds of more than 16 channels, labels that occur twice.",
    read: bed_exchanged,
    ..FAULT
};

pub const TRACK_GAIN: Check = Check {
    id: "movement.track_gain",
    title: "level of a track against the others",
    definition: "The farthest that a track's static level change, master less mix, lies from the median of all tracks.",
    unit: "dB",
    cannot_see: "Whether the change was wanted; masters of fewer than three tracks.",
    read: track_gain,
    ..NUMBER
};

pub const BALANCE: Check = Check {
    id: "movement.balance",
    title: "bed against objects, master less mix",
    definition: "Difference of the static level changes of bed and objects.",
    unit: "dB",
    cannot_see: "Parts that do not sound together.",
    read: balance,
    ..NUMBER
};

pub const LENGTH: Check = Check {
    id: "movement.length",
    title: "other length than the mix",
    definition: "Master and mix have different lengths.",
    severity: Severity::Note,
    cannot_see: "Whether the tail was cut or the head.",
    read: length,
    ..FAULT
};

/// What the comparison with the mix found.
pub fn compared<'a>(case: &Case<'a>) -> Measured<&'a Comparison> {
    let against = Measured::of(case.facts.against, || NotMeasured::NoCompanion);
    against.and_then(|against| match against.result {
        Ok(comparison) => Measured::Is(comparison),
        // No mix is named for this file, though there is a rule for others.
        Err(_) if against.mix.is_none() => Measured::Not(NotMeasured::NoCompanion),
        Err(why) => {
            let mix = against.mix.unwrap_or_default().to_string_lossy();
            Measured::Not(NotMeasured::NotCompared {
                why: format!("{mix}: {why}"),
            })
        }
    })
}

/// A reading of faults in the comparison, as far as sample by sample goes.
fn faults(case: &Case, find: impl FnOnce(&Comparison) -> Vec<Found>) -> Reading {
    read_from(compared(case), |comparison| {
        let found = find(comparison);
        match other_rate(comparison) {
            Some(why) if found.is_empty() => Reading::not_measured(why),
            Some(_) | None => told(case, found),
        }
    })
}

pub fn other_rate(comparison: &Comparison) -> Option<NotMeasured> {
    let (master, mix) = (comparison.master_sample_rate_hz, comparison.sample_rate_hz);
    (master != mix).then(|| NotMeasured::OtherSampleRate {
        master_hz: master.value(),
        mix_hz: mix.value(),
    })
}

fn not_compared(case: &Case) -> Reading {
    let Some(against) = case.facts.against else {
        return Reading::not_measured(NotMeasured::NoCompanion);
    };
    let mix = against.mix.unwrap_or_default().to_string_lossy();
    let fault = |says: String| {
        Reading::Fault(Fault {
            unasked: Some(case.check.severity),
            subject: "mix".into(),
            brief: Some(case.check.title.to_owned()),
            detail: Some(says.clone()),
            ..Fault::new(says)
        })
    };
    match against.result {
        Ok(comparison) => match other_rate(comparison) {
            Some(why) => fault(format!("not compared with {mix} sample by sample: {why}")),
            None => Reading::NoFault(format!("compared with {mix}")),
        },
        Err(why) if against.mix.is_none() => fault(why.to_owned()),
        Err(why) => fault(format!("not compared with {mix}: {why}")),
    }
}

pub fn called(part: &Part) -> String {
    match (&part.channel, &part.object_id) {
        (Some(channel), Some(_)) if *channel != part.name => format!("{} ({channel})", part.name),
        _ => part.name.clone(),
    }
}

fn changes(comparison: &Comparison) -> impl Iterator<Item = &ObjectChange> {
    comparison
        .movement
        .iter()
        .flat_map(|movement| &movement.changed.listed)
}

/// `960 samples late`, `1 sample early`.
fn late(frames: i64) -> String {
    let word = if frames > 0 { "late" } else { "early" };
    let unit = if frames.abs() == 1 {
        "sample"
    } else {
        "samples"
    };
    format!("{} {unit} {word}", frames.unsigned_abs())
}

fn missing(case: &Case) -> Reading {
    faults(case, |comparison| {
        let parts = comparison.parts.missing.listed.iter();
        parts
            .map(|part| {
                let says = format!("{} is in the mix and not in the master", called(part));
                Found::new(case.check.severity, called(part), says)
            })
            .collect()
    })
}

fn extra(case: &Case) -> Reading {
    faults(case, |comparison| {
        let parts = comparison.parts.extra.listed.iter();
        parts
            .map(|part| {
                let says = format!("{} is in the master and not in the mix", called(part));
                Found::new(case.check.severity, called(part), says)
            })
            .collect()
    })
}

fn lost(case: &Case) -> Reading {
    faults(case, |comparison| {
        changes(comparison)
            .filter(|change| change.movement_lost)
            .map(|change| {
                let says = format!(
                    "{} moves by {:.0} degrees in the mix and by {:.0} in the master",
                    called(&change.part),
                    change.path_deg.mix,
                    change.path_deg.master
                );
                Found::new(case.check.severity, called(&change.part), says)
                    .at(change.first_difference_at_s)
            })
            .collect()
    })
}

fn metadata(case: &Case) -> Reading {
    faults(case, |comparison| changed_metadata(case, comparison))
}

fn changed_metadata(case: &Case, comparison: &Comparison) -> Vec<Found> {
    let limits = &comparison.limits;
    let severity = case.check.severity;
    let mut found: Vec<Found> = changes(comparison)
        .filter_map(|change| {
            let mut what = Vec::new();
            if change.largest_gain_difference > limits.value {
                what.push(format!(
                    "gain by up to {:.3}",
                    change.largest_gain_difference
                ));
            }
            if change.largest_size_difference > limits.value {
                what.push(format!(
                    "size by up to {:.2}",
                    change.largest_size_difference
                ));
            }
            if change.largest_diffuse_difference > limits.value {
                what.push(format!(
                    "diffuseness by up to {:.2}",
                    change.largest_diffuse_difference
                ));
            }
            if change.largest_distance_difference > limits.value {
                what.push(format!(
                    "distance by up to {:.2}",
                    change.largest_distance_difference
                ));
            }
            if change.blocks_with_other_interpolation > 0 {
                what.push(format!(
                    "interpolation in {} blocks",
                    change.blocks_with_other_interpolation
                ));
            }
            if change.blocks_with_other_properties > 0 {
                what.push(format!(
                    "other properties in {} blocks",
                    change.blocks_with_other_properties
                ));
            }
            if change.mute.is_some() {
                what.push("mute".to_owned());
            }
            if change.start_s.is_some() || change.duration_s.is_some() {
                what.push("start or duration".to_owned());
            }
            if what.is_empty() {
                return None;
            }
            let says = format!("{} differs in {}", called(&change.part), what.join(", "));
            Some(Found::new(severity, called(&change.part), says).at(change.first_difference_at_s))
        })
        .collect();
    let beds = comparison
        .movement
        .iter()
        .flat_map(|movement| &movement.beds_changed.listed);
    found.extend(beds.map(|bed| {
        let says = format!(
            "the bed channel {} has another place, label or gain",
            called(&bed.part)
        );
        Found::new(severity, called(&bed.part), says)
    }));
    found
}

fn track_offset(case: &Case) -> Reading {
    faults(case, |comparison| {
        let of = |track: &TrackOffset, severity| {
            let says = format!(
                "{} is {} against the other tracks",
                called(&track.part),
                late(track.deviation_frames)
            );
            Found::new(severity, called(&track.part), says)
        };
        let timing = &comparison.timing;
        let beyond = timing.deviating.listed.iter();
        // What a filter does to an onset is no timing.
        let within = timing.within_filter_delay.listed.iter();
        beyond
            .map(|track| of(track, case.check.severity))
            .chain(within.map(|track| of(track, Severity::Note)))
            .collect()
    })
}

fn slipped(case: &Case) -> Reading {
    faults(case, |comparison| {
        let slips = comparison.timing.slips.listed.iter();
        slips
            .map(|slip| {
                let says = format!(
                    "{} goes on {} somewhere from {:.1} to {:.1} s",
                    called(&slip.part),
                    late(slip.jump_frames),
                    slip.after_s.0,
                    slip.before_s.0
                );
                Found::new(case.check.severity, called(&slip.part), says).at(Some(slip.after_s))
            })
            .collect()
    })
}

fn gone(case: &Case) -> Reading {
    faults(case, |comparison| {
        (comparison.level_changes.listed.iter())
            .filter(|change| change.kind == LevelChangeKind::Missing)
            .map(|change| {
                let says = format!(
                    "{} sounds in the mix from {:.1} to {:.1} s and not in the master",
                    called(&change.part),
                    change.start_s.0,
                    change.end_s.0
                );
                // A fade takes the beginning and the end away; what is cut off does not fade.
                let fade = change.faded && at_an_end(comparison, change.start_s, change.end_s);
                let severity = match fade {
                    true => case.check.severity.min(Severity::Advise),
                    false => case.check.severity,
                };
                Found::new(severity, called(&change.part), says).at(Some(change.start_s))
            })
            .collect()
    })
}

fn bed_exchanged(case: &Case) -> Reading {
    let exchanges = compared(case).and_then(|comparison| {
        let exchanges = comparison.bed_exchanges();
        exchanges.map(|exchanges| (comparison, exchanges))
    });
    read_from(exchanges, |(comparison, exchanges)| {
        let found = exchanges.iter().filter_map(|exchange| {
            let severity = weight(exchange.confidence)?;
            Some(exchanged(
                comparison,
                exchange,
                severity.min(case.check.severity),
            ))
        });
        told(case, found.collect())
    })
}

fn exchanged(comparison: &Comparison, exchange: &Exchange, severity: Severity) -> Found {
    let parts = || comparison.tracks.listed.iter();
    let mix = |track: u32| parts().find(|change| change.part.track == Some(track));
    let master = |track: u32| parts().find(|change| change.master_track == track);
    let name = |track: u32, change: Option<&TrackChange>| {
        change.map_or_else(|| format!("track {track}"), |change| called(&change.part))
    };
    let moves = exchange.tracks.iter().zip(&exchange.found_at);
    let moves: Vec<(String, String)> = moves
        .map(|(&track, &at)| (name(track, mix(track)), name(at, master(at))))
        .collect();
    let names: Vec<&str> = moves.iter().map(|(from, _)| from.as_str()).collect();
    let says: Vec<String> = moves
        .iter()
        .map(|(from, at)| format!("{from} of the mix plays on {at}"))
        .collect();
    Found::new(severity, names.join(", "), says.join(", "))
}

fn polarity(case: &Case) -> Reading {
    faults(case, |comparison| {
        let tracks = comparison.tracks.listed.iter();
        tracks
            .filter(|track| track.polarity_inverted)
            .map(|track| {
                let says = format!("{} has inverted polarity", called(&track.part));
                Found::new(case.check.severity, called(&track.part), says)
            })
            .collect()
    })
}

fn length(case: &Case) -> Reading {
    faults(case, |comparison| {
        let difference = comparison.length_difference_frames;
        if difference == 0 {
            return Vec::new();
        }
        let word = if difference > 0 { "longer" } else { "shorter" };
        let says = format!(
            "the master is {} samples {word} than the mix",
            difference.unsigned_abs()
        );
        vec![Found::new(case.check.severity, "file", says)]
    })
}

/// A fade is no longer than this. Own choice: mastering fades of a few seconds, and the 3 s over which
/// a level is read.
const FADE_S: f64 = 5.0;

/// Whether a place lies where the programme is faded in or out.
fn at_an_end(comparison: &Comparison, start: Seconds, end: Seconds) -> bool {
    let length = comparison.mix_frames.at(comparison.sample_rate_hz).0;
    end.0 < FADE_S || start.0 > length - FADE_S
}

fn place(comparison: &Comparison, start: Seconds, end: Seconds, part: &Part, value: f64) -> Place {
    let rate = f64::from(comparison.sample_rate_hz.value());
    Place {
        start_s: start,
        end_s: end,
        start_frame: Frames((start.0 * rate).round() as u64),
        channel: Some(called(part)),
        value: Some(value),
        ..Place::default()
    }
}

fn position(case: &Case) -> Reading {
    read_from(compared(case), |comparison| {
        let largest = match comparison.position_deg() {
            Measured::Is(largest) => largest,
            Measured::Not(why) => return Reading::not_measured(why),
        };
        let mut places = Places::default();
        for change in changes(comparison) {
            if let Some(at) = change.largest_angle_at_s
                && change.largest_angle_deg > comparison.limits.angle_deg
            {
                let angle = change.largest_angle_deg;
                places.push(place(comparison, at, at, &change.part, angle));
            }
        }
        places
            .listed
            .sort_by(|a, b| a.start_s.0.total_cmp(&b.start_s.0));
        let movement = comparison.movement.as_ref();
        let subject = movement.and_then(|movement| movement.largest_angle_object.clone());
        Number::new(largest, subject.unwrap_or_else(|| "objects".into()))
            .at(places)
            .into()
    })
}

fn offset(case: &Case) -> Reading {
    read_from(compared(case), |comparison| {
        read_from(comparison.offset_frames(), |offset| {
            Reading::number(offset as f64, "most tracks")
        })
    })
}

fn level_change(case: &Case) -> Reading {
    read_from(compared(case), |comparison| {
        let largest = match comparison.level_change_db() {
            Measured::Is(largest) => largest,
            Measured::Not(why) => return Reading::not_measured(why),
        };
        let worst = (comparison.tracks.listed.iter())
            .filter(|track| track.largest_change_db.is_some())
            .max_by(|a, b| {
                let change = |track: &TrackChange| track.largest_change_db.unwrap_or(0.0).abs();
                change(a).total_cmp(&change(b))
            });
        let mut places = Places::default();
        for change in &comparison.level_changes.listed {
            if matches!(
                change.kind,
                LevelChangeKind::Louder | LevelChangeKind::Quieter
            ) {
                places.push(place(
                    comparison,
                    change.start_s,
                    change.end_s,
                    &change.part,
                    change.deviation_db,
                ));
            }
        }
        let subject = worst.map_or_else(|| "mix".to_owned(), |track| called(&track.part));
        let fades = !places.listed.is_empty()
            && (places.listed.iter())
                .all(|place| at_an_end(comparison, place.start_s, place.end_s));
        Reading::Number(Number {
            doubt: fades.then_some((
                Severity::Advise,
                "; at the beginning and the end it may be a fade",
            )),
            ..Number::new(largest, subject).at(places)
        })
    })
}

fn track_gain(case: &Case) -> Reading {
    read_from(compared(case), |comparison| {
        if let Measured::Not(why) = comparison.level_change_db() {
            return Reading::not_measured(why);
        }
        let tracks: Vec<(&TrackChange, f64)> = (comparison.tracks.listed.iter())
            .filter_map(|track| Some((track, track.static_gain_db?)))
            .collect();
        let mut gains: Vec<f64> = tracks.iter().map(|(_, gain)| *gain).collect();
        gains.sort_by(f64::total_cmp);
        if gains.len() < 3 {
            return Reading::nothing("mix", "fewer than three tracks sound in both");
        }
        let median = gains[gains.len() / 2];
        let worst = (tracks.iter())
            .map(|(track, gain)| (track, gain - median))
            .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
        match worst {
            Some((track, apart)) => Reading::number(apart.abs(), called(&track.part)),
            None => Reading::nothing("mix", "no track sounds in both"),
        }
    })
}

fn balance(case: &Case) -> Reading {
    read_from(compared(case), |comparison| match comparison.balance_db() {
        Measured::Is(difference) => Reading::number(difference, "bed less objects"),
        Measured::Not(NotMeasured::NothingSounds) => {
            Reading::NoFault("bed and objects do not both sound".into())
        }
        Measured::Not(why) => Reading::not_measured(why),
    })
}
