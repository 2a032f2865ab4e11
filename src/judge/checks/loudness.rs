//! Loudness, on the file's own channels or on a render.

use crate::judge::check::{Case, Check, NUMBER, Words};
use crate::judge::reading::{Number, Reading, read_from};
use crate::measure::{Loudness, Measurements, Place, Places};
use crate::measured::NotMeasured;
use crate::profile::Severity;
use crate::units::{Frames, Lufs, Seconds};

use super::rendered::{layout_of, on_asked_render};

/// Windows of EBU Tech 3341, clause 2.1; an incomplete one is not used (BS.1770-5, Annex 1).
const SHORT_TERM_S: f64 = 3.0;
const MOMENTARY_S: f64 = 0.4;

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[INTEGRATED, SHORT_TERM_MAX, MOMENTARY_MAX, RANGE];

pub const INTEGRATED: Check = Check {
    id: "loudness.integrated",
    title: "integrated loudness",
    definition: "K-weighted loudness of the whole programme, gated at -70 LUFS and 10 LU below the level so gated.",
    unit: "LUFS",
    source: "ITU-R BS.1770-5 Annex 1 and Annex 3 (weights by position); EBU Tech 3341",
    severity: Severity::Stop,
    cannot_see: "How loud single passages are. It differs between layouts by up to 7 LU, so it names its own.",
    on_renders: true,
    read: integrated,
    words: Words::Loudness,
    ..NUMBER
};

pub const SHORT_TERM_MAX: Check = Check {
    id: "loudness.short_term_max",
    title: "short-term maximum",
    definition: "The loudest 3 s, not gated.",
    unit: "LUFS",
    source: "EBU Tech 3341, clause 2.1",
    severity: Severity::Stop,
    cannot_see: "Peaks shorter than 3 s.",
    on_renders: true,
    read: short_term_max,
    words: Words::Maximum,
    ..NUMBER
};

pub const MOMENTARY_MAX: Check = Check {
    id: "loudness.momentary_max",
    title: "momentary maximum",
    definition: "The loudest 400 ms, not gated.",
    unit: "LUFS",
    source: "EBU Tech 3341, clause 2.1",
    severity: Severity::Stop,
    cannot_see: "Peaks shorter than 400 ms.",
    on_renders: true,
    read: momentary_max,
    words: Words::Maximum,
    ..NUMBER
};

pub const RANGE: Check = Check {
    id: "loudness.range",
    title: "loudness range",
    definition: "Spread of the short-term loudness between its 10th and 95th percentile, gated at -70 LUFS and 20 LU below the level so gated.",
    unit: "LU",
    source: "EBU Tech 3342; EBU R 128 (2023) note 2: not meant for less than a minute",
    cannot_see: "Programmes under a minute: too few data points, so a limit only notes there.",
    on_renders: true,
    read: range,
    ..NUMBER
};

fn integrated(case: &Case) -> Reading {
    on_asked_render(case, |measured| {
        whole(measured, MOMENTARY_S, |loudness| {
            loudness.integrated_lufs.map(Lufs::value)
        })
    })
}

fn range(case: &Case) -> Reading {
    on_asked_render(case, |measured| {
        let read = whole(measured, SHORT_TERM_S, |loudness| {
            loudness.range_lu.map(|range| range.value())
        });
        let stable = measured.loudness.get().is_none_or(|of| of.range_stable);
        match read {
            Reading::Number(number) if !stable => Reading::Number(Number {
                aside: Some(", unstable under 60 s"),
                doubt: Some((Severity::Note, "")),
                ..number
            }),
            other => other,
        }
    })
}

fn short_term_max(case: &Case) -> Reading {
    on_asked_render(case, |measured| {
        window(measured, SHORT_TERM_S, |loudness| {
            (loudness.short_term_max_lufs, loudness.short_term_max_at_s)
        })
    })
}

fn momentary_max(case: &Case) -> Reading {
    on_asked_render(case, |measured| {
        window(measured, MOMENTARY_S, |loudness| {
            (loudness.momentary_max_lufs, loudness.momentary_max_at_s)
        })
    })
}

/// A figure of the whole programme.
fn whole(
    measured: &Measurements,
    needs_s: f64,
    of: impl FnOnce(&Loudness) -> Option<f64>,
) -> Reading {
    read_from(measured.loudness.as_ref(), |loudness| match of(loudness) {
        Some(value) => Reading::number(value, layout_of(measured)),
        None => none_such(measured, needs_s),
    })
}

/// The loudest window, with its place.
fn window(
    measured: &Measurements,
    length_s: f64,
    of: impl FnOnce(&Loudness) -> (Option<Lufs>, Option<Seconds>),
) -> Reading {
    read_from(measured.loudness.as_ref(), |loudness| {
        let (value, at) = of(loudness);
        let Some(value) = value.map(Lufs::value) else {
            return none_such(measured, length_s);
        };
        let mut places = Places::default();
        if let Some(Seconds(start)) = at {
            let rate = f64::from(measured.sample_rate.value());
            places.push(Place {
                start_s: Seconds(start),
                end_s: Seconds(start + length_s),
                start_frame: Frames((start * rate).round() as u64),
                value: Some(value),
                ..Place::default()
            });
        }
        Number::new(value, layout_of(measured)).at(places).into()
    })
}

/// Silence has no loudness, and neither has what is shorter than its window.
pub fn none_such(measured: &Measurements, needs_s: f64) -> Reading {
    let short = measured.frames.at(measured.sample_rate).0 < needs_s;
    Reading::NotMeasured {
        subject: layout_of(measured),
        why: match short {
            true => NotMeasured::TooShort { needs_s },
            false => NotMeasured::NothingSounds,
        },
    }
}
