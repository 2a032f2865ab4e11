//! Numbers and words of an immersive master that a profile may limit.

use crate::adm::bed_layout;
use crate::judge::catalogue::Check;
use crate::judge::facts::Facts;
use crate::judge::readings::Reading;
use crate::measure::{Immersive, Place, Places};
use crate::units::Frames;

/// Reads the value of an `immersive.` check that is no fault.
pub fn read(check: &Check, facts: &Facts) -> Reading {
    let Some(adm) = facts.adm else {
        return Reading::Unmeasured {
            subject: "file".into(),
            says: format!("{}: the file has no audio definition metadata", check.title),
            brief: "not measured: the file has no audio definition metadata".into(),
        };
    };
    let number = |value: f64, subject: &str| Reading::Number {
        value,
        subject: subject.into(),
        places: Places::default(),
        phrase: None,
    };
    match check.id {
        "immersive.track_count" => match facts.format {
            Some(format) => number(format.channels as f64, "file"),
            None => unmeasured(check, "the container could not be made out"),
        },
        "immersive.object_count" => match adm.scene {
            Some(scene) => number(
                scene.items.iter().filter(|item| !item.is_bed()).count() as f64,
                "file",
            ),
            None => not_rendered(check),
        },
        "immersive.bed_layout" => match adm.scene {
            Some(scene) => {
                let channels = scene.items.iter().filter_map(|item| item.speaker_channel());
                match bed_layout(adm.model, channels) {
                    Some(layout) => Reading::Word {
                        value: layout,
                        subject: "bed".into(),
                    },
                    None => Reading::Lacking("the master has no bed".into()),
                }
            }
            None => not_rendered(check),
        },
        "immersive.programme_length" if adm.scene.is_none() => not_rendered(check),
        "immersive.programme_length" => {
            let end = adm
                .scene
                .and_then(|scene| scene.programme)
                .and_then(|index| adm.model.programmes[index].end);
            match (end, facts.measurements) {
                (Some(end), Some(measured)) => number(
                    end.seconds() - measured.frames.at(measured.sample_rate).0,
                    "programme",
                ),
                _ => Reading::Nothing {
                    subject: "programme".into(),
                    says: "the programme states no end".into(),
                },
            }
        }
        _ => match facts
            .measurements
            .and_then(|measured| measured.immersive.as_deref())
        {
            Some(immersive) => on_render(check, immersive, facts),
            None => not_rendered(check),
        },
    }
}

fn unmeasured(check: &Check, why: &str) -> Reading {
    Reading::Unmeasured {
        subject: "file".into(),
        says: format!("{}: not measured, {why}", check.title),
        brief: why.to_owned(),
    }
}

/// Why stands among the figures, once for all that is missing.
fn not_rendered(check: &Check) -> Reading {
    unmeasured(check, "the master could not be rendered")
}

fn on_render(check: &Check, immersive: &Immersive, facts: &Facts) -> Reading {
    let on = &immersive.parts.layout;
    let value = |value: f64, subject: String, places: Places| Reading::Number {
        value,
        subject,
        places,
        phrase: None,
    };
    let nothing = |says: &str| Reading::Nothing {
        subject: on.clone(),
        says: says.to_owned(),
    };
    match check.id {
        "immersive.bed-lfe-content" => {
            let worst = immersive
                .lfe
                .iter()
                .filter_map(|lfe| Some((lfe, lfe.high_less_low_db?)))
                .max_by(|a, b| a.1.total_cmp(&b.1));
            match worst {
                Some((lfe, high)) => value(high, format!("track {}", lfe.track), Places::default()),
                None => nothing("no low-frequency channel sounds"),
            }
        }
        "immersive.bed_against_objects" => match immersive.parts.bed_less_objects_lu {
            Some(difference) => {
                let mut places = immersive.parts.objects_buried.clone();
                places.total += immersive.parts.bed_buried.total;
                places
                    .listed
                    .extend(immersive.parts.bed_buried.listed.iter().cloned());
                places
                    .listed
                    .sort_by(|a, b| a.start_s.0.total_cmp(&b.start_s.0));
                value(difference.value(), on.clone(), places)
            }
            None => nothing("bed and objects do not both sound"),
        },
        _ => match &immersive.fold {
            Some(fold) => match fold.headroom_lost_db {
                Some(lost) => {
                    let mut places = Places::default();
                    if let Some(at) = fold.at_s {
                        places.push(Place {
                            start_s: at,
                            end_s: at,
                            start_frame: Frames(
                                (at.0 * f64::from(facts.sample_rate_hz())).round() as u64
                            ),
                            channel: None,
                            value: fold.true_peak_dbtp.map(|peak| peak.value()),
                            ..Place::default()
                        });
                    }
                    value(lost, format!("{} against {}", fold.to, fold.from), places)
                }
                None => nothing("every sample is zero"),
            },
            None => unmeasured(check, "no render to 0+2+0 was made"),
        },
    }
}
