//! What is left of the programme on other systems.

use crate::judge::check::{Case, Check, Meter, NUMBER};
use crate::judge::reading::{Number, Reading, read_from};
use crate::measure::Survey;
use crate::measure::translation::TranslationFacts;
use crate::measured::{Measured, NotMeasured};

use super::immersive_figures::rendered;
use super::survey::group;

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[MONO_LOSS, MONO_WINDOW, MONO_BAND, LOW_END];

pub const MONO_LOSS: Check = Check {
    id: "translation.mono_loss",
    title: "loss in mono",
    definition: "Loudness of the stereo fold less that of mono, mono played by both loudspeakers; of an object-based master the fold is its 0+2+0 render.",
    unit: "LU",
    source: "ITU-R BS.1770-5 for the loudness; equal power sums lose 3.01 LU, which is no fault",
    cannot_see: "Where in the programme it is lost; what a phone does besides.",
    needs: &[Meter::Translation],
    read: mono_loss,
    ..NUMBER
};

pub const MONO_WINDOW: Check = Check {
    id: "translation.mono_window",
    title: "worst loss in mono",
    definition: "The same of the 3 s window that loses most.",
    unit: "LU",
    source: "ITU-R BS.1770-5 for the loudness; common practice, no source",
    cannot_see: "Shorter moments.",
    needs: &[Meter::Translation],
    read: mono_window,
    ..NUMBER
};

pub const MONO_BAND: Check = Check {
    id: "translation.mono_band",
    title: "band that mono loses",
    definition: "The third-octave band that loses most in mono, among those within 20 dB of the loudest.",
    unit: "dB",
    source: "IEC 61260-1 (bands); common practice, no source",
    cannot_see: "Single notes.",
    needs: &[Meter::Translation],
    read: mono_band,
    ..NUMBER
};

pub const LOW_END: Check = Check {
    id: "translation.low_end",
    title: "low end without LFE",
    definition: "Level from 20 to 120 Hz with the LFE less that without it: what a bar that drops the LFE does not play.",
    unit: "dB",
    source: "common practice, no source; ITU-R BS.2127's stereo has no LFE, so that of the 0+5+0 render is taken",
    cannot_see: "What a bar does with the LFE.",
    needs: &[Meter::Translation],
    read: low_end,
    ..NUMBER
};

fn of_views(case: &Case, read: impl FnOnce(&Survey, &TranslationFacts) -> Reading) -> Reading {
    if case.facts.format.is_some_and(|format| format.channels == 1) {
        return Reading::nothing("file", "a single channel loses nothing in mono");
    }
    let views = match (group(case, |survey| &survey.translation), rendered(case)) {
        // Of an object-based master it is taken from its renders.
        (
            Measured::Not(NotMeasured::NotAsked),
            Measured::Not(why @ NotMeasured::NotRendered { .. }),
        ) => Measured::Not(why),
        (views, _) => views,
    };
    read_from(views, |(survey, facts)| read(survey, facts))
}

/// A figure that exists wherever something sounds.
fn figure(value: Option<f64>) -> Reading {
    match value {
        Some(value) => Reading::number(value, "file"),
        None => Reading::nothing("file", "nothing sounds that mono could lose"),
    }
}

fn mono_loss(case: &Case) -> Reading {
    of_views(case, |_, facts| {
        figure(facts.table.mono_loss_lu.map(|loss| loss.value()))
    })
}

fn mono_window(case: &Case) -> Reading {
    const WINDOW_S: f64 = 3.0;
    of_views(case, |survey, facts| {
        match facts.table.mono_worst_window_lu {
            Some(loss) => Number::new(loss.value(), "file")
                .at(survey.places(&facts.mono_losses))
                .into(),
            None if case.facts.duration_s() < WINDOW_S => {
                Reading::not_measured(NotMeasured::TooShort { needs_s: WINDOW_S })
            }
            None => figure(None),
        }
    })
}

fn mono_band(case: &Case) -> Reading {
    of_views(case, |_, facts| figure(facts.table.mono_worst_band_loss_db))
}

fn low_end(case: &Case) -> Reading {
    of_views(case, |_, facts| {
        match facts.table.low_end_lost_without_lfe_db {
            Some(lost) => Reading::number(lost, "file"),
            None => Reading::nothing("file", "there is no LFE that a bar could drop"),
        }
    })
}
