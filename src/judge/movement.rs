//! A master against the mix it came from, before the judge: same parts, same movement, same
//! timing, same level over time.
//!
//! In: what the comparison found. Out: one finding a check; nothing where no mix was named.
//! Mastering leaves movement untouched: the owner's rule, and the reason of the group's name.

use super::catalogue::{Check, of_practice as check};
use super::facts::Facts;
use super::immersive::{Found, tell};
use super::readings::Reading;
use super::told::Told;
use crate::compare::{Comparison, LevelChangeKind, ObjectChange, Part};
use crate::measure::{Place, Places};
use crate::profile::{Limit, Severity, Takes};
use crate::units::{Frames, Seconds};

use Severity::{Advise, Note, Stop};
use Takes::{Fault, Number};

#[rustfmt::skip]
pub const MOVEMENT: &[Check] = &[
    check("movement.not_compared", "master that was not held against its mix", "A mix was named and the two could not be compared.", "", Advise, Fault, "Anything about the mix."),
    check("movement.missing", "part that is missing", "A bed channel or object of the mix is not in the master.", "", Stop, Fault, "A part that was left out on purpose."),
    check("movement.extra", "part that the mix does not have", "A bed channel or object of the master is not in the mix.", "", Advise, Fault, "Why it was added."),
    check("movement.position", "largest position difference", "The largest angle between the position of an object in the master and in the mix, at any time.", "deg", Stop, Number, "A movement that was changed on purpose."),
    check("movement.lost", "lost movement", "An object moves in the mix by more than 30 degrees in all, and in the master by less than a tenth of that.", "", Stop, Fault, "Movement of less than that."),
    check("movement.metadata", "other metadata than the mix", "Size, gain, diffuseness, times or other properties of an object, or a bed channel's label or place, differ.", "", Advise, Fault, "Whether the change was wanted."),
    check("movement.offset", "offset against the mix", "Samples by which the master is late against the mix, by most tracks.", "samples", Stop, Number, "An offset of more than the search range; tracks that have nothing in common."),
    check("movement.track_offset", "track out of time", "A track has another offset than the others.", "", Stop, Fault, "A track that was processed beyond likeness."),
    check("movement.slipped", "slipped edit", "The offset of a track jumps on the way.", "", Stop, Fault, "A slip in silence."),
    check("movement.level_change", "level change over time", "The farthest that a track's level, master less mix, goes from its own static gain in any 3 s, in the band where it is least.", "dB", Advise, Number, "Changes shorter than 3 s, and whether they were wanted."),
    check("movement.gone", "sound that is gone", "The mix sounds where the master is silent, on the same track.", "", Stop, Fault, "Sound that was removed on purpose."),
    check("movement.polarity", "inverted polarity", "A track of the master is that of the mix upside down.", "", Advise, Fault, "Polarity that changes on the way."),
    check("movement.balance", "bed against objects, master less mix", "Difference of the static level changes of bed and objects.", "dB", Advise, Number, "Parts that do not sound together."),
    check("movement.length", "other length than the mix", "Master and mix have different lengths.", "", Note, Fault, "Whether the tail was cut or the head."),
];

pub fn is_ours(check: &Check) -> bool {
    check.id.starts_with("movement.")
}

/// Of no meaning for these two files: no mix was named, there is no comparison, or one of them has
/// not both a bed and objects.
pub fn is_moot(check: &Check, facts: &Facts) -> bool {
    if !is_ours(check) {
        return false;
    }
    match facts.against.map(|against| against.result) {
        None => true,
        Some(Err(_)) => check.takes == Takes::Number,
        Some(Ok(comparison)) => match check.id {
            "movement.balance" => comparison.balance.is_none(),
            "movement.position" => comparison.movement.is_none(),
            _ => false,
        },
    }
}

pub fn is_fault(check: &Check) -> bool {
    is_ours(check) && check.takes == Takes::Fault
}

/// The finding of a fault; `None` where there is nothing to tell.
pub fn fault(check: &Check, limit: Option<&Limit>, facts: &Facts) -> Option<Told> {
    let against = facts.against?;
    let found = match against.result {
        Ok(comparison)
            if check.id == "movement.not_compared"
                && comparison.master_sample_rate_hz != comparison.sample_rate_hz =>
        {
            vec![one(
                check,
                "mix",
                format!(
                    "not held against {} sample by sample: this file runs at {} Hz, that one at {} Hz",
                    against.mix.unwrap_or_default().to_string_lossy(),
                    comparison.master_sample_rate_hz.value(),
                    comparison.sample_rate_hz.value()
                ),
                None,
            )]
        }
        Ok(comparison) => found(check, comparison),
        Err(why) if check.id == "movement.not_compared" => vec![one(
            check,
            "mix",
            match against.mix {
                Some(mix) => format!("not held against {}: {why}", mix.to_string_lossy()),
                None => why.to_owned(),
            },
            None,
        )],
        Err(_) => Vec::new(),
    };
    tell(check, limit, facts, found)
}

fn one(check: &Check, subject: impl Into<String>, says: String, at: Option<Seconds>) -> Found {
    Found {
        severity: check.severity,
        subject: subject.into(),
        says,
        count: 1,
        at_s: at.map(|at| at.0),
    }
}

fn called(part: &Part) -> String {
    match (&part.channel, &part.object_id) {
        (Some(channel), Some(_)) if *channel != part.name => format!("{} ({channel})", part.name),
        _ => part.name.clone(),
    }
}

fn found(check: &Check, comparison: &Comparison) -> Vec<Found> {
    match check.id {
        "movement.missing" => listed(&comparison.parts.missing.listed, |part| {
            one(
                check,
                called(part),
                format!("{} is in the mix and not in the master", called(part)),
                None,
            )
        }),
        "movement.extra" => listed(&comparison.parts.extra.listed, |part| {
            one(
                check,
                called(part),
                format!("{} is in the master and not in the mix", called(part)),
                None,
            )
        }),
        "movement.lost" => changes(comparison)
            .filter(|change| change.movement_lost)
            .map(|change| {
                let says = format!(
                    "{} moves by {:.0} degrees in the mix and by {:.0} in the master",
                    called(&change.part),
                    change.path_deg.mix,
                    change.path_deg.master
                );
                one(
                    check,
                    called(&change.part),
                    says,
                    change.first_difference_at_s,
                )
            })
            .collect(),
        "movement.metadata" => metadata(check, comparison),
        "movement.track_offset" => listed(&comparison.timing.deviating.listed, |track| {
            let says = format!(
                "{} is {} against the other tracks",
                called(&track.part),
                late(track.deviation_frames)
            );
            one(check, called(&track.part), says, None)
        }),
        "movement.slipped" => listed(&comparison.timing.slips.listed, |slip| {
            let says = format!(
                "{} goes on {} somewhere from {:.1} to {:.1} s",
                called(&slip.part),
                late(slip.jump_frames),
                slip.after_s.0,
                slip.before_s.0
            );
            one(check, called(&slip.part), says, Some(slip.after_s))
        }),
        "movement.gone" => comparison
            .level_changes
            .listed
            .iter()
            .filter(|change| change.kind == LevelChangeKind::Missing)
            .map(|change| {
                let says = format!(
                    "{} sounds in the mix from {:.1} to {:.1} s and not in the master",
                    called(&change.part),
                    change.start_s.0,
                    change.end_s.0
                );
                one(check, called(&change.part), says, Some(change.start_s))
            })
            .collect(),
        "movement.polarity" => comparison
            .tracks
            .listed
            .iter()
            .filter(|track| track.polarity_inverted)
            .map(|track| {
                one(
                    check,
                    called(&track.part),
                    format!("{} is upside down", called(&track.part)),
                    None,
                )
            })
            .collect(),
        "movement.length" if comparison.length_difference_frames != 0 => {
            let difference = comparison.length_difference_frames;
            let word = if difference > 0 { "longer" } else { "shorter" };
            let says = format!(
                "the master is {} samples {word} than the mix",
                difference.unsigned_abs()
            );
            vec![one(check, "file", says, None)]
        }
        _ => Vec::new(),
    }
}

fn listed<T>(list: &[T], of: impl Fn(&T) -> Found) -> Vec<Found> {
    list.iter().map(of).collect()
}

fn changes(comparison: &Comparison) -> impl Iterator<Item = &ObjectChange> {
    comparison
        .movement
        .iter()
        .flat_map(|movement| &movement.changed.listed)
}

/// `960 samples late`, `37 samples early`.
fn late(frames: i64) -> String {
    let word = if frames > 0 { "late" } else { "early" };
    format!("{} samples {word}", frames.unsigned_abs())
}

fn metadata(check: &Check, comparison: &Comparison) -> Vec<Found> {
    let limits = &comparison.limits;
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
            Some(one(
                check,
                called(&change.part),
                says,
                change.first_difference_at_s,
            ))
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
        one(check, called(&bed.part), says, None)
    }));
    found
}

/// Reads the value of a number.
pub fn read(check: &Check, facts: &Facts) -> Reading {
    let nothing = |says: &str| Reading::Nothing {
        subject: "mix".into(),
        says: says.to_owned(),
    };
    let Some(against) = facts.against else {
        return nothing("no mix was named");
    };
    let comparison = match against.result {
        Ok(comparison) => comparison,
        // Told once, by its own check.
        Err(_) => return nothing("there is no comparison"),
    };
    let place = |start: Seconds, end: Seconds, channel: String, value: f64| Place {
        start_s: start,
        end_s: end,
        start_frame: Frames(
            (start.0 * f64::from(comparison.sample_rate_hz.value())).round() as u64,
        ),
        channel: Some(channel),
        value: Some(value),
        ..Place::default()
    };
    let number = |value: f64, subject: String, places: Places| Reading::Number {
        value,
        subject,
        places,
        phrase: None,
    };
    match check.id {
        "movement.position" => match &comparison.movement {
            Some(movement) => {
                let mut places = Places::default();
                for change in changes(comparison) {
                    if let Some(at) = change.largest_angle_at_s
                        && change.largest_angle_deg > comparison.limits.angle_deg
                    {
                        places.push(place(
                            at,
                            at,
                            called(&change.part),
                            change.largest_angle_deg,
                        ));
                    }
                }
                places
                    .listed
                    .sort_by(|a, b| a.start_s.0.total_cmp(&b.start_s.0));
                let subject = movement.largest_angle_object.clone();
                number(
                    movement.largest_angle_deg,
                    subject.unwrap_or_else(|| "objects".into()),
                    places,
                )
            }
            None => nothing("one of the two has no audio definition metadata"),
        },
        "movement.offset" => match comparison.timing.offset_frames {
            Some(offset) => number(offset as f64, "most tracks".into(), Places::default()),
            None => nothing("no track was found to be the same music"),
        },
        "movement.level_change" => {
            let worst = comparison
                .tracks
                .listed
                .iter()
                .filter_map(|track| Some((track, track.largest_change_db?.abs())))
                .max_by(|a, b| a.1.total_cmp(&b.1));
            let Some((track, largest)) = worst else {
                return nothing("no track sounds in both");
            };
            let mut places = Places::default();
            for change in &comparison.level_changes.listed {
                let moved = matches!(
                    change.kind,
                    LevelChangeKind::Louder | LevelChangeKind::Quieter
                );
                if moved {
                    places.push(place(
                        change.start_s,
                        change.end_s,
                        called(&change.part),
                        change.deviation_db,
                    ));
                }
            }
            number(largest, called(&track.part), places)
        }
        _ => match comparison
            .balance
            .as_ref()
            .and_then(|b| b.static_gain_difference_db)
        {
            Some(difference) => number(difference, "bed less objects".into(), Places::default()),
            None => nothing("bed and objects do not both sound"),
        },
    }
}
