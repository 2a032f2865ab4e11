//! Numbers and words of an object-based master.

use crate::adm::bed_layout as bed_layout_of;
use crate::judge::check::{Case, Check, FAULT, NUMBER};
use crate::judge::facts::AdmRead;
use crate::judge::reading::{Number, Reading, read_from};
use crate::measure::{Immersive, Place, Places};
use crate::measured::{Measured, NotMeasured};
use crate::profile::{Severity, Takes};
use crate::render::Scene;
use crate::units::Frames;

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[
    TRACK_COUNT,
    OBJECT_COUNT,
    PROGRAMME_LENGTH,
    BED_LFE_CONTENT,
    BED_AGAINST_OBJECTS,
    FOLD_HEADROOM,
    BED_LAYOUT,
];

pub const TRACK_COUNT: Check = Check {
    id: "immersive.track_count",
    title: "number of tracks",
    definition: "Tracks of an object-based file.",
    unit: "tracks",
    cannot_see: "Whether each is wanted.",
    read: track_count,
    ..NUMBER
};

pub const OBJECT_COUNT: Check = Check {
    id: "immersive.object_count",
    title: "number of objects",
    definition: "Objects that are heard.",
    unit: "objects",
    cannot_see: "Whether each is wanted.",
    read: object_count,
    ..NUMBER
};

pub const PROGRAMME_LENGTH: Check = Check {
    id: "immersive.programme_length",
    title: "programme length against the audio",
    definition: "The end of the programme less the end of the audio.",
    unit: "s",
    cannot_see: "A programme that has no end.",
    read: programme_length,
    ..NUMBER
};

pub const BED_LFE_CONTENT: Check = Check {
    id: "immersive.bed-lfe-content",
    title: "high frequencies in the low-frequency channel",
    definition: "Energy over 500 Hz less energy from 20 to 120 Hz of a low-frequency channel before rendering.",
    unit: "dB",
    cannot_see: "A channel under -70 dBFS.",
    read: lfe_content,
    ..NUMBER
};

pub const BED_AGAINST_OBJECTS: Check = Check {
    id: "immersive.bed_against_objects",
    title: "bed against objects",
    definition: "Integrated loudness of the bed alone less that of the objects alone, each as it sounds in the main render.",
    unit: "LU",
    cannot_see: "What was intended.",
    read: bed_against_objects,
    ..NUMBER
};

pub const FOLD_HEADROOM: Check = Check {
    id: "immersive.fold_headroom",
    title: "headroom lost in stereo",
    definition: "True peak of the render to 0+2+0 less that of the main render.",
    unit: "dB",
    cannot_see: "Other ways of folding down.",
    read: fold_headroom,
    ..NUMBER
};

pub const BED_LAYOUT: Check = Check {
    id: "immersive.bed_layout",
    title: "bed layout",
    definition: "The layout of the bed by its loudspeaker labels. 7.1.2 is no layout of BS.2051: it is known by its labels, and rendered by them.",
    severity: Severity::Stop,
    cannot_see: "Whether the right sound is on each channel.",
    takes: Takes::Layout,
    read: bed_layout,
    ..FAULT
};

fn adm<'a>(case: &Case<'a>) -> Measured<AdmRead<'a>> {
    Measured::of(case.facts.adm, || NotMeasured::NoAdm)
}

fn not_rendered(adm: AdmRead) -> NotMeasured {
    NotMeasured::NotRendered {
        why: adm.not_rendered.unwrap_or("no scene").to_owned(),
    }
}

fn scene<'a>(case: &Case<'a>) -> Measured<(AdmRead<'a>, &'a Scene)> {
    adm(case)
        .and_then(|adm| Measured::of(adm.scene.map(|scene| (adm, scene)), || not_rendered(adm)))
}

/// What was measured of the renders.
pub fn rendered<'a>(case: &Case<'a>) -> Measured<&'a Immersive> {
    adm(case).and_then(|adm| {
        let immersive = case.facts.measurements.and_then(|m| m.immersive.as_deref());
        Measured::of(immersive, || not_rendered(adm))
    })
}

fn track_count(case: &Case) -> Reading {
    read_from(adm(case), |_| match case.facts.format {
        Some(format) => Reading::number(format.channels as f64, "file"),
        None => Reading::not_measured(NotMeasured::NoContainer),
    })
}

fn object_count(case: &Case) -> Reading {
    read_from(scene(case), |(_, scene)| {
        let objects = scene.items.iter().filter(|item| !item.is_bed());
        Reading::number(objects.count() as f64, "file")
    })
}

fn bed_layout(case: &Case) -> Reading {
    read_from(scene(case), |(adm, scene)| {
        let channels = scene.items.iter().filter_map(|item| item.speaker_channel());
        match bed_layout_of(adm.model, channels) {
            Some(value) => Reading::Word {
                value,
                subject: "bed".into(),
            },
            None => Reading::Lacking("the master has no bed".into()),
        }
    })
}

/// A programme need not say how long it is (ITU-R BS.2076-2, clause 5.8.1).
fn programme_length(case: &Case) -> Reading {
    read_from(scene(case), |(adm, scene)| {
        let end = scene
            .programme
            .and_then(|index| adm.model.programmes[index].end);
        match (end, case.facts.measurements) {
            (_, None) => Reading::not_measured(NotMeasured::Unread),
            (Some(end), Some(measured)) => Reading::number(
                end.seconds() - measured.frames.at(measured.sample_rate).0,
                "programme",
            ),
            (None, Some(_)) => Reading::NoFault("the programme states no end".into()),
        }
    })
}

fn lfe_content(case: &Case) -> Reading {
    read_from(rendered(case), |immersive| {
        let worst = (immersive.lfe.iter())
            .filter_map(|lfe| Some((lfe, lfe.high_less_low_db?)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        match worst {
            Some((lfe, high)) => Reading::number(high, format!("track {}", lfe.track)),
            None => Reading::nothing(
                immersive.parts.layout.clone(),
                "no low-frequency channel sounds",
            ),
        }
    })
}

fn bed_against_objects(case: &Case) -> Reading {
    read_from(rendered(case), |immersive| {
        let parts = &immersive.parts;
        let Some(difference) = parts.bed_less_objects_lu else {
            return Reading::nothing(parts.layout.clone(), "bed and objects do not both sound");
        };
        let mut places = parts.objects_buried.clone();
        places.total += parts.bed_buried.total;
        places
            .listed
            .extend(parts.bed_buried.listed.iter().cloned());
        places
            .listed
            .sort_by(|a, b| a.start_s.0.total_cmp(&b.start_s.0));
        Number::new(difference.value(), parts.layout.clone())
            .at(places)
            .into()
    })
}

fn fold_headroom(case: &Case) -> Reading {
    read_from(rendered(case), |immersive| {
        let Some(fold) = &immersive.fold else {
            return Reading::not_measured(NotMeasured::NoRender {
                layout: "0+2+0".into(),
            });
        };
        let Some(lost) = fold.headroom_lost_db else {
            return Reading::nothing(immersive.parts.layout.clone(), "every sample is zero");
        };
        let mut places = Places::default();
        if let Some(at) = fold.at_s {
            let rate = f64::from(case.facts.sample_rate_hz());
            places.push(Place {
                start_s: at,
                end_s: at,
                start_frame: Frames((at.0 * rate).round() as u64),
                value: fold.true_peak_dbtp.map(|peak| peak.value()),
                ..Place::default()
            });
        }
        Number::new(lost, format!("{} against {}", fold.to, fold.from))
            .at(places)
            .into()
    })
}
