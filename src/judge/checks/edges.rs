//! How the programme begins and ends, and how long it is.

use crate::judge::check::{Case, Check, FAULT, Meter, NUMBER};
use crate::judge::reading::{Number, Reading, read_from};
use crate::measure::{Edges, Measurements, Place, Places};
use crate::measured::{Measured, NotMeasured};
use crate::profile::Severity;
use crate::units::{Frames, Seconds};

use super::survey::{group, of_spots};

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[
    LEADING_SILENCE,
    TRAILING_SILENCE,
    ABRUPT_START,
    CUT_TAIL,
    CHOPPED_TAIL,
    DIGITAL_SILENCE,
    LENGTH,
];

pub const LEADING_SILENCE: Check = Check {
    id: "edges.leading_silence",
    title: "leading silence",
    definition: "From the first sample to the first 10 ms whose RMS in any channel is over -60 dBFS.",
    unit: "s",
    cannot_see: "Whether a quiet beginning is music.",
    read: leading_silence,
    ..NUMBER
};

pub const TRAILING_SILENCE: Check = Check {
    id: "edges.trailing_silence",
    title: "trailing silence",
    definition: "From the last 10 ms whose RMS in any channel is over -60 dBFS to the end.",
    unit: "s",
    cannot_see: "Whether a quiet ending is music.",
    read: trailing_silence,
    ..NUMBER
};

pub const ABRUPT_START: Check = Check {
    id: "edges.abrupt_start",
    title: "cut start",
    definition: "The first frame is within sounding music, not before it.",
    unit: "dBFS",
    cannot_see: "Hard starts and gapless albums, which begin so too; cuts near a zero crossing.",
    needs: &[Meter::Ends],
    read: abrupt_start,
    ..FAULT
};

pub const CUT_TAIL: Check = Check {
    id: "edges.cut_tail",
    title: "cut end",
    definition: "The file ends within sounding music, or a loud note stops without any fade before silence at the end.",
    unit: "dBFS",
    cannot_see: "Cold endings that were cut on purpose, and gapless albums.",
    needs: &[Meter::Ends],
    read: cut_tail,
    ..FAULT
};

pub const CHOPPED_TAIL: Check = Check {
    id: "edges.chopped_tail",
    title: "chopped tail",
    definition: "A level at least 15 dB under the programme that is still falling and stops between -30 and -73 dBFS, at the end or before zeros.",
    unit: "dBFS",
    cannot_see: "Decays into a high noise floor; gated endings, which look the same.",
    needs: &[Meter::Ends],
    read: chopped_tail,
    ..FAULT
};

pub const DIGITAL_SILENCE: Check = Check {
    id: "edges.digital_silence",
    title: "passage of digital silence",
    definition: "All channels are exactly zero for at least 100 ms, within the programme.",
    unit: "s",
    source: "EBU QC item 0078B (Audio Silence), its example of 100 ms",
    severity: Severity::Note,
    cannot_see: "Whether the stop is meant: it is common in music.",
    needs: &[Meter::Ends],
    read: digital_silence,
    ..FAULT
};

pub const LENGTH: Check = Check {
    id: "duration.length",
    title: "duration",
    definition: "Sample frames that were read, over the sample rate.",
    unit: "s",
    cannot_see: "Whether it is the right piece.",
    read: length,
    ..NUMBER
};

fn measured<'a>(case: &Case<'a>) -> Measured<&'a Measurements> {
    Measured::of(case.facts.measurements, || NotMeasured::Unread)
}

fn length(case: &Case) -> Reading {
    read_from(measured(case), |measured| {
        Reading::number(measured.frames.at(measured.sample_rate).0, "file")
    })
}

fn leading_silence(case: &Case) -> Reading {
    read_from(measured(case), |measured| {
        let head = heard(measured).head_silence_s.0;
        lasting(measured, head, 0.0, head)
    })
}

fn trailing_silence(case: &Case) -> Reading {
    read_from(measured(case), |measured| {
        let tail = heard(measured).tail_silence_s.0;
        let end = measured.frames.at(measured.sample_rate).0;
        lasting(measured, tail, (end - tail).max(0.0), end)
    })
}

/// Head and tail as they are heard: of an object-based master those of its main render.
fn heard(measured: &Measurements) -> &Edges {
    let immersive = measured.immersive.as_ref();
    (immersive.and_then(|immersive| immersive.edges())).unwrap_or(&measured.edges)
}

fn lasting(measured: &Measurements, seconds: f64, start: f64, end: f64) -> Reading {
    let mut places = Places::default();
    if seconds > 0.0 {
        let rate = f64::from(measured.sample_rate.value());
        places.push(Place {
            start_s: Seconds(start),
            end_s: Seconds(end),
            start_frame: Frames((start * rate).round() as u64),
            ..Place::default()
        });
    }
    Number::new(seconds, "file").at(places).into()
}

fn level(place: &Place) -> f64 {
    place.value.unwrap_or_default()
}

fn abrupt_start(case: &Case) -> Reading {
    read_from(group(case, |survey| &survey.ends), |(survey, found)| {
        let says =
            |place: &Place| format!("the file begins within sound ({:.1} dBFS)", level(place));
        of_spots(case, survey, &[&found.ends.abrupt_start], Some(&says))
    })
}

fn cut_tail(case: &Case) -> Reading {
    read_from(group(case, |survey| &survey.ends), |(survey, found)| {
        let silence_s = found.ends.figures.after_sound_s.0;
        let says = |place: &Place| match silence_s < 0.01 {
            true => format!("the file ends within sound ({:.1} dBFS)", level(place)),
            false => format!(
                "a note is cut off at {:.1} dBFS, {silence_s:.2} s before the end of the file",
                level(place)
            ),
        };
        of_spots(case, survey, &[&found.ends.cut_tail], Some(&says))
    })
}

fn chopped_tail(case: &Case) -> Reading {
    read_from(group(case, |survey| &survey.ends), |(survey, found)| {
        let says = |place: &Place| {
            format!(
                "the tail stops at {:.1} dBFS, before it is gone",
                level(place)
            )
        };
        of_spots(case, survey, &[&found.ends.chopped_tail], Some(&says))
    })
}

fn digital_silence(case: &Case) -> Reading {
    read_from(group(case, |survey| &survey.ends), |(survey, found)| {
        of_spots(case, survey, &[&found.silences.gaps], None)
    })
}
