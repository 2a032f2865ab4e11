//! What the file states of itself in its metadata, against what was measured.

use crate::judge::check::{Case, Check, FAULT};
use crate::judge::reading::{Reading, read_from};
use crate::measure::Measurements;
use crate::measured::{Measured, NotMeasured};
use crate::profile::Severity;
use crate::specimen::{DateFault, Quantity, StatedFigure};

use super::found::{Found, told};

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[LOUDNESS_STATED, DATE_STATED];

pub const LOUDNESS_STATED: Check = Check {
    id: "metadata.loudness_disagrees",
    title: "stated loudness that disagrees",
    definition: "Loudness or true peak that bext, the INFO list or tags state is not what the file reads: over 0.5 LU, or 0.5 dB of true peak. Of an object-based master the bext chunk has a check of its own.",
    source: "EBU Tech 3285 v2, clause 2.3, clause number from memory; the tolerances are our own choice",
    cannot_see: "Figures in fields that no standard names.",
    read: loudness_stated,
    ..FAULT
};

pub const DATE_STATED: Check = Check {
    id: "metadata.date",
    title: "date that cannot be right",
    definition: "A date in bext or the INFO list is none of the calendar, lies more than a day after the file was last written, or two fields name different days.",
    source: "EBU Tech 3285 v2, clause 2.3, clause number from memory; RIFF INFO ICRD; common practice, no source",
    severity: Severity::Note,
    cannot_see: "A plausible date of another project.",
    read: date_stated,
    ..FAULT
};

/// Own choice, five times what EBU Tech 3341 allows a meter.
const LOUDNESS_LU: f64 = 0.5;
const TRUE_PEAK_DB: f64 = 0.5;
/// Own choice: meters differ more in the range than in the loudness.
const RANGE_LU: f64 = 1.0;

fn loudness_stated(case: &Case) -> Reading {
    let stated = case.facts.metadata.stated_figures();
    // Of an object-based master bext is held against the render, by its own check.
    let stated: Vec<&StatedFigure> = (stated.iter())
        .filter(|figure| case.facts.adm.is_none() || !figure.field.starts_with("bext"))
        .collect();
    let measured = Measured::of(case.facts.measurements, || NotMeasured::Unread);
    read_from(measured, |measured| {
        let mut found = Vec::new();
        for figure in stated {
            match wrong(figure, measured) {
                Measured::Is(Some(says)) => {
                    found.push(Found::new(case.check.severity, figure.field.clone(), says));
                }
                Measured::Is(None) => {}
                Measured::Not(why) => return Reading::not_measured(why),
            }
        }
        told(case, found)
    })
}

/// What a figure gets wrong, in words.
fn wrong(figure: &StatedFigure, measured: &Measurements) -> Measured<Option<String>> {
    let peak = measured.peaks.true_peak_dbtp.map(|peak| peak.value());
    let of_loudness =
        |of: fn(&crate::measure::Loudness) -> Option<f64>| measured.loudness.as_ref().map(of);
    let (what, unit, read, by) = match figure.quantity {
        Quantity::Integrated => (
            "an integrated loudness",
            "LUFS",
            of_loudness(|of| of.integrated_lufs.map(|value| value.value())),
            LOUDNESS_LU,
        ),
        Quantity::Range => (
            "a loudness range",
            "LU",
            of_loudness(|of| of.range_lu.map(|value| value.value())),
            RANGE_LU,
        ),
        Quantity::MaxMomentary => (
            "a momentary maximum",
            "LUFS",
            of_loudness(|of| of.momentary_max_lufs.map(|value| value.value())),
            LOUDNESS_LU,
        ),
        Quantity::MaxShortTerm => (
            "a short-term maximum",
            "LUFS",
            of_loudness(|of| of.short_term_max_lufs.map(|value| value.value())),
            LOUDNESS_LU,
        ),
        Quantity::MaxTruePeak => ("a true peak", "dBTP", Measured::Is(peak), TRUE_PEAK_DB),
        // A sample peak is stated too: only a peak that the file does not have is wrong.
        Quantity::Peak => {
            let sample = measured.peaks.sample_peak_dbfs.map(|peak| peak.value());
            let between = sample.zip(peak).is_some_and(|(sample, peak)| {
                (sample - TRUE_PEAK_DB..=peak + TRUE_PEAK_DB).contains(&figure.value)
            });
            let read = match between {
                true => Some(figure.value),
                false => peak,
            };
            ("a peak", "dB", Measured::Is(read), TRUE_PEAK_DB)
        }
    };
    read.map(|read| {
        let stated = figure.value;
        let field = &figure.field;
        match read {
            Some(read) if (stated - read).abs() > by => Some(format!(
                "{field} states {what} of {stated:.1} {unit}, the file reads {read:.1}"
            )),
            Some(_) => None,
            None => Some(format!(
                "{field} states {what} of {stated:.1} {unit}, and the file has none"
            )),
        }
    })
}

fn date_stated(case: &Case) -> Reading {
    let faults = case.facts.metadata.date_faults(case.facts.file_written);
    let found = faults.iter().map(|fault| {
        let (field, says) = match fault {
            DateFault::Impossible(stated) => (
                stated.field,
                format!(
                    "{} states {:?}, which is no date",
                    stated.field, stated.text
                ),
            ),
            DateFault::AfterFile {
                stated,
                file_written,
            } => (
                stated.field,
                format!(
                    "{} states {}, and the file was last written on {file_written}",
                    stated.field, stated.text
                ),
            ),
            DateFault::Disagree(one, other) => (
                one.field,
                format!(
                    "{} states {}, and {} states {}",
                    one.field, one.text, other.field, other.text
                ),
            ),
        };
        let severity = match fault {
            // A file that was taken up again keeps the day on which it was begun.
            DateFault::Disagree(one, other) => match (one.date, other.date) {
                (Some(one), Some(other)) if one.year() != other.year() => Severity::Advise,
                _ => Severity::Note,
            },
            DateFault::Impossible(_) | DateFault::AfterFile { .. } => Severity::Advise,
        };
        Found::new(severity, field, says)
    });
    if case.facts.format.is_none() {
        return Reading::not_measured(NotMeasured::NoContainer);
    }
    told(case, found.collect())
}
