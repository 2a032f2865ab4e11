//! Peaks, full scale, direct current.

use crate::judge::check::{Case, Check, FAULT, Meter, NUMBER, Words};
use crate::judge::facts::Facts;
use crate::judge::reading::{Beyond, Number, Reading, read_from};
use crate::measure::{Measurements, Place, Places, Spot};
use crate::measured::{Measured, NotMeasured};
use crate::profile::Severity;

use super::loudness::none_such;
use super::rendered::{layout_of, on_asked_render};
use super::survey::{group, of_places, of_spots, surveyed};

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[
    TRUE_PEAK,
    SAMPLE_PEAK,
    PEAK_TO_LOUDNESS,
    FULL_SCALE_RUNS,
    CLIPPED,
    INTER_SAMPLE_OVER,
    FLOAT_OVER_0DBFS,
    DC_OFFSET,
];

pub const TRUE_PEAK: Check = Check {
    id: "peaks.true_peak",
    title: "true peak",
    definition: "The highest level between and at the samples, by oversampling.",
    unit: "dBTP",
    source: "ITU-R BS.1770-5 Annex 2",
    severity: Severity::Stop,
    cannot_see: "What a lossy codec adds. On limited masters the figure depends on the filter.",
    on_renders: true,
    read: true_peak,
    words: Words::Overs,
    ..NUMBER
};

pub const SAMPLE_PEAK: Check = Check {
    id: "peaks.sample_peak",
    title: "sample peak",
    definition: "The highest sample.",
    unit: "dBFS",
    cannot_see: "Peaks between the samples.",
    on_renders: true,
    read: sample_peak,
    ..NUMBER
};

pub const PEAK_TO_LOUDNESS: Check = Check {
    id: "peaks.peak_to_loudness",
    title: "peak to loudness ratio",
    definition: "True peak less integrated loudness.",
    unit: "LU",
    source: "EBU Tech 3343",
    cannot_see: "How the dynamics are spread over the programme.",
    on_renders: true,
    read: peak_to_loudness,
    ..NUMBER
};

pub const FULL_SCALE_RUNS: Check = Check {
    id: "peaks.full_scale_runs",
    title: "full-scale runs",
    definition: "Runs of at least 3 consecutive samples at full scale in a channel.",
    unit: "runs",
    cannot_see: "Clipping that was turned down afterwards; whether it is meant as a sound.",
    read: full_scale_runs,
    ..NUMBER
};

pub const CLIPPED: Check = Check {
    id: "peaks.clipped",
    title: "clipped passage",
    definition: "Passages of flat tops at or below full scale: at least three samples at the largest value, with corners, at a level that the channel shares. The size is the estimated overshoot.",
    unit: "dB",
    source: "idea of Laguna and Lerch, AES 141, 2016 (abstract); own thresholds",
    cannot_see: "Clipping that was filtered, resampled or coded afterwards, single short tops, and clipping all over the file by little at full scale or just under it, which is taken for the sound of the master. Of what could be heard in music that nobody tuned on it told 25 of 32.",
    needs: &[Meter::Ends],
    read: clipped,
    ..FAULT
};

pub const INTER_SAMPLE_OVER: Check = Check {
    id: "peaks.inter_sample_over",
    title: "peak between samples",
    definition: "Places where the wave passes full scale by more than 0.3 dB between samples that do not.",
    unit: "dBTP",
    source: "ITU-R BS.1770-5 Annex 2; the 0.3 dB are EBU R 128's tolerance for meters, as quoted",
    cannot_see: "What a lossy codec adds.",
    read: inter_sample_over,
    ..FAULT
};

pub const FLOAT_OVER_0DBFS: Check = Check {
    id: "peaks.float_over_0dbfs",
    title: "passage over full scale",
    definition: "Float samples beyond full scale, joined into passages. They clip wherever the file becomes integers.",
    unit: "dBFS",
    source: "IEEE 754 floats hold them; common practice, no source",
    cannot_see: "Whether the next step turns them down first.",
    read: float_over,
    ..FAULT
};

pub const DC_OFFSET: Check = Check {
    id: "levels.dc_offset",
    title: "DC offset",
    definition: "The mean of all samples of a channel, the largest of all channels; full scale = 1.0.",
    unit: "FS",
    cannot_see: "An offset that changes sign or lasts for a part only.",
    read: dc_offset,
    words: Words::OnChannel,
    ..NUMBER
};

fn measured<'a>(case: &Case<'a>) -> Measured<&'a Measurements> {
    Measured::of(case.facts.measurements, || NotMeasured::Unread)
}

/// Why there is no true peak: silence, or tracks of an object-based master, whose peaks are not
/// what is heard.
fn no_true_peak(check: &Check, measured: &Measurements) -> Reading {
    let silent = measured.peaks.sample_peak_dbfs.is_none();
    match measured.loudness.why_not() {
        Some(why) if !silent => Reading::NotMeasured {
            subject: layout_of(measured),
            why: why.clone(),
        },
        Some(_) | None => silence(check, measured),
    }
}

fn silence(check: &Check, measured: &Measurements) -> Reading {
    Reading::nothing(
        layout_of(measured),
        format!("no {}: every sample is zero", check.title),
    )
}

fn true_peak(case: &Case) -> Reading {
    on_asked_render(case, |measured| match measured.peaks.true_peak_dbtp {
        Some(peak) => Reading::Number(Number {
            places: measured.overs.clone(),
            beyond: Beyond::Limit,
            spread: measured.peaks.true_peak_margin_db.unwrap_or(0.0),
            ..Number::new(peak.value(), layout_of(measured))
        }),
        None => no_true_peak(case.check, measured),
    })
}

fn sample_peak(case: &Case) -> Reading {
    on_asked_render(case, |measured| match measured.peaks.sample_peak_dbfs {
        Some(peak) => Reading::number(peak.value(), "file"),
        None => silence(case.check, measured),
    })
}

fn peak_to_loudness(case: &Case) -> Reading {
    on_asked_render(case, |measured| match measured.peaks.peak_to_loudness_lu {
        Some(ratio) => Reading::number(ratio.value(), layout_of(measured)),
        None => read_from(measured.loudness.as_ref(), |_| none_such(measured, 0.4)),
    })
}

fn full_scale_runs(case: &Case) -> Reading {
    read_from(measured(case), |measured| {
        let total = measured.full_scale_runs.total;
        let longest = (measured.channels.iter())
            .map(|channel| channel.longest_full_scale_run)
            .max()
            .unwrap_or(0);
        let phrase = match total {
            0 => "no run of samples at full scale".into(),
            1 => format!("1 run of {longest} samples at full scale"),
            _ => format!("{total} runs of samples at full scale, the longest {longest} samples"),
        };
        Reading::Number(Number {
            phrase: Some(phrase),
            places: measured.full_scale_runs.clone(),
            ..Number::new(total as f64, "file")
        })
    })
}

fn clipped(case: &Case) -> Reading {
    read_from(group(case, |survey| &survey.ends), |(survey, ends)| {
        of_spots(case, survey, &[&ends.clipping.passages], None)
    })
}

/// From here on a peak between samples is told: EBU R 128's tolerance for meters, 0.3 dB, on full
/// scale.
const OVER_DBTP: f64 = 0.3;

/// Overs of samples that are below full scale: the true-peak meter's places.
fn inter_sample_over(case: &Case) -> Reading {
    read_from(measured(case), |measured| {
        if measured.peaks.true_peak_dbtp.is_none() {
            return match no_true_peak(case.check, measured) {
                Reading::Nothing { .. } => case.none_found(),
                other => other,
            };
        }
        let mut places = Places::default();
        for place in &measured.overs.listed {
            let over = place.value.unwrap_or_default();
            if over > 0.0 {
                let sure = if over > OVER_DBTP { 0.9 } else { 0.4 };
                places.push(Place {
                    confidence: Some(sure),
                    ..place.clone()
                });
            }
        }
        of_places(case, places, None, None)
    })
}

/// Samples beyond full scale are a plain fact: noted even where no limit asks.
fn float_over(case: &Case) -> Reading {
    read_from(surveyed(case), |survey| {
        match of_spots(case, survey, &[&survey.over_unity.places], None) {
            Reading::Fault(mut fault) => {
                fault.unasked = Some(Severity::Note);
                fault.into()
            }
            other => other,
        }
    })
}

fn dc_offset(case: &Case) -> Reading {
    read_from(measured(case), |measured| {
        let worst = (measured.channels.iter())
            // Backwards, so that of equals the first is told.
            .rev()
            .max_by(|a, b| a.dc_offset.abs().total_cmp(&b.dc_offset.abs()));
        let Some(worst) = worst else {
            return Reading::number(0.0, "file");
        };
        let mut places = Places::default();
        for channel in &measured.channels {
            places.push(Place {
                end_s: measured.frames.at(measured.sample_rate),
                channel: Some(channel.label.clone()),
                value: Some(channel.dc_offset),
                ..Place::default()
            });
        }
        let doubt = is_dc_in_doubt(case.facts, &worst.label, worst.dc_offset).then_some((
            Severity::Note,
            "; the music's own low end can be so, so it is only noted",
        ));
        Reading::Number(Number {
            places,
            beyond: Beyond::LimitEitherSign,
            doubt,
            ..Number::new(worst.dc_offset.abs(), worst.label.clone())
        })
    })
}

/// A mean that rounds to half a per cent is one, whatever made it. Own choice.
const DC_WITHOUT_DOUBT: f64 = 0.0045;

/// Whether the channel's mean is nothing that the music's own low end could not do.
fn is_dc_in_doubt(facts: &Facts, channel: &str, offset: f64) -> bool {
    let survey = facts.measurements.and_then(|m| m.survey.as_deref());
    let confidence = survey.and_then(|survey| {
        let index = survey.channels.iter().position(|name| name == channel)?;
        Some(survey.defects.get()?.dc.channels.get(index)?.confidence)
    });
    offset.abs() < DC_WITHOUT_DOUBT && confidence.is_some_and(|sure| sure < Spot::SURE)
}
