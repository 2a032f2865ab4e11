//! What remains of a master when its mix is taken away with gain, offset, a smooth equaliser and the
//! gain movement of compression: places to listen to, and whether it is the same music at all.

use crate::compare::{Comparison, MeasuredRemains, NotHeard, Remainder, RemainderKind, Remains};
use crate::judge::check::{Case, Check, FAULT};
use crate::judge::reading::{Fault, Reading, read_from};
use crate::measure::{Place, Places, Spot};
use crate::measured::{Measured, NotMeasured};
use crate::profile::Severity;
use crate::units::Frames;

use super::movement::{called, compared, other_rate};

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[OTHER_MUSIC, REMAINS, OBJECTS_REMAIN];

pub const OTHER_MUSIC: Check = Check {
    id: "versions.other_music",
    title: "other music than the mix",
    definition: "Less than a fifth of the master is explained by the mix with gain, offset and an equaliser, on average over time and bands.",
    source: "own method on windows of 43 ms; own thresholds, counted on made songs",
    severity: Severity::Stop,
    cannot_see: "Another take or version of the same song that is played alike; files of less than 3 s. A single part alone against its mix can look like it.",
    read: other_music,
    ..FAULT
};

pub const REMAINS: Check = Check {
    id: "versions.remains",
    title: "difference that no mastering explains",
    definition: "Places at which the master, less its mix with gain, offset, a smooth equaliser and the gain movement of compression taken into account, leaves more than honest processing does: a hole, a click, an edit, a part that is missing or has another level.",
    source: "own method on windows of 43 ms; own thresholds, counted on honest and faulty pairs of made songs",
    cannot_see: "What lies more than 30 dB under the programme, the first seconds before the offset is known, drums whose level changed by 3 dB, a part that changed by 3 dB among others of its band, and left and right swapped where they are nearly equal. Gain reduction of more than 6 dB within milliseconds can look like it. A passage of more than half a second can be told some seconds too long.",
    read: remains,
    ..FAULT
};

pub const OBJECTS_REMAIN: Check = Check {
    id: "movement.remains",
    title: "difference in a part that no mastering explains",
    definition: "The same of each bed channel and object of an object-based master against its counterpart in the mix.",
    source: "own method on windows of 43 ms; own thresholds, counted on honest and faulty pairs of made songs",
    cannot_see: "What lies more than 30 dB under the part, and parts that have no counterpart: movement.missing and movement.extra tell those.",
    read: objects_remain,
    ..FAULT
};

/// Less of the master than this is explained by another song's mix, more by its own. Own choice
/// between counted values: 55 pairs of unlike songs up to 0.12, 10 instrumental and main mixes
/// against each other 0.38 to 0.87, 552 honest pairs 0.99 and more.
const SAME_MUSIC: f64 = 0.2;

/// What remains, or why it was not measured.
fn heard(comparison: &Comparison) -> Measured<&Remains> {
    match &comparison.remains {
        MeasuredRemains::Is(remains) => Measured::Is(remains),
        MeasuredRemains::Not(why) => Measured::Not(match why {
            NotHeard::OtherSampleRate => {
                other_rate(comparison).unwrap_or(NotMeasured::NothingInCommon)
            }
            NotHeard::NoPairs => NotMeasured::NothingInCommon,
            NotHeard::TooShort { needs_s } => NotMeasured::TooShort { needs_s: *needs_s },
        }),
    }
}

fn other_music(case: &Case) -> Reading {
    read_from(compared(case), |comparison| {
        if comparison.identical_audio {
            return case.none_found();
        }
        if let Some(why) = other_rate(comparison) {
            return Reading::not_measured(why);
        }
        let remains = match heard(comparison) {
            Measured::Is(remains) => remains,
            Measured::Not(why) => return Reading::not_measured(why),
        };
        let mix = case.facts.against.and_then(|against| against.mix);
        let mix = mix.unwrap_or_default().to_string_lossy();
        let fault = |says: String| {
            Reading::Fault(Fault {
                unasked: Some(case.check.severity),
                brief: Some(case.check.title.to_owned()),
                detail: Some(mix.to_string()),
                ..Fault::new(says)
            })
        };
        if remains.same_music >= SAME_MUSIC {
            return case.none_found();
        }
        match comparison.offset_frames() {
            Measured::Is(_) | Measured::Not(NotMeasured::NothingInCommon) => fault(format!(
                "{mix} explains {:.0} % of it",
                remains.same_music * 100.0
            )),
            // Of a loop nothing is known but that it repeats itself.
            Measured::Not(why) => Reading::not_measured(why),
        }
    })
}

fn remains(case: &Case) -> Reading {
    read_from(compared(case), |comparison| match comparison.versions {
        Some(_) => told(case, comparison),
        None => Reading::not_measured(NotMeasured::OtherKind),
    })
}

fn objects_remain(case: &Case) -> Reading {
    read_from(compared(case), |comparison| match comparison.movement {
        Some(_) => told(case, comparison),
        None => Reading::not_measured(NotMeasured::OtherKind),
    })
}

fn told(case: &Case, comparison: &Comparison) -> Reading {
    if comparison.identical_audio {
        return case.none_found();
    }
    read_from(heard(comparison), |remains| {
        let sure: Vec<&Remainder> = (remains.places.iter())
            .filter(|place| place.confidence >= Spot::SURE)
            .collect();
        let Some(worst) = sure.first() else {
            return case.none_found();
        };
        let mut places = Places::default();
        let mut in_time = sure.clone();
        in_time.sort_by(|a, b| a.start_s.0.total_cmp(&b.start_s.0));
        for one in in_time {
            places.push(place(comparison, one));
        }
        places.total = places.total.max(remains.total);
        let mut says = sentence(comparison, worst);
        if places.total > 1 {
            says.push_str(&format!(", and {} more places", places.total - 1));
        }
        Reading::Fault(Fault {
            // A person listens: it stops nothing.
            at_most: Severity::Advise,
            unasked: Some(Severity::Advise),
            subject: part(comparison, worst.track),
            brief: Some(case.check.title.to_owned()),
            detail: Some(sentence(comparison, worst)),
            places,
            ..Fault::new(says)
        })
    })
}

/// The name of a track of the mix.
fn part(comparison: &Comparison, track: u32) -> String {
    let found = (comparison.tracks.listed.iter()).find(|change| change.part.track == Some(track));
    found.map_or_else(|| format!("track {track}"), |change| called(&change.part))
}

/// `0:12.300 to 0:12.400, 2000 to 8000 Hz, on Vocal: 14 dB under the programme, not explained by
/// gain or equaliser`
fn sentence(comparison: &Comparison, place: &Remainder) -> String {
    let on = part(comparison, place.track);
    let level = place.level_db;
    let side = match level < 0.0 {
        true => "under",
        false => "over",
    };
    let size = level.abs();
    match place.kind {
        RemainderKind::Click => format!(
            "a click at {} on {on}, {size:.0} dB {side} the programme, that the mix does not have",
            place.start_s
        ),
        RemainderKind::Passage => format!(
            "{} to {}, {} to {} Hz, on {on}: {size:.0} dB {side} the programme, not explained by gain or equaliser",
            place.start_s,
            place.end_s,
            place.from_hz.value(),
            place.to_hz.value()
        ),
    }
}

fn place(comparison: &Comparison, of: &Remainder) -> Place {
    let rate = f64::from(comparison.sample_rate_hz.value());
    Place {
        start_s: of.start_s,
        end_s: of.end_s,
        start_frame: Frames((of.start_s.0 * rate).round().max(0.0) as u64),
        channel: Some(part(comparison, of.track)),
        value: Some(of.level_db),
        confidence: Some(of.confidence),
        ..Place::default()
    }
}
