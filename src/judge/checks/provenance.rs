//! Where the samples came from.

use crate::judge::check::{Case, Check, FAULT, Meter};
use crate::judge::reading::{Reading, read_from};
use crate::measure::provenance::{CodecFamily, LossyReason, PaddingKind, ProvenanceFacts};
use crate::measure::{Place, Places, Survey};
use crate::profile::Severity;

use super::survey::{group, of_places, of_spots};

/// Common practice, no source: louder than this it is no residue of a converter.
const ULTRASONIC_TONE_DBFS: f64 = -60.0;
/// Common practice, no source.
const SUBSONIC_DB: f64 = -20.0;

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[
    BIT_DEPTH,
    UNDITHERED,
    UPSAMPLED,
    LOSSY_ORIGIN,
    ULTRASONIC,
    SUBSONIC,
];

pub const BIT_DEPTH: Check = Check {
    id: "provenance.bit_depth",
    title: "padded word",
    definition: "Fewer bits are used than the header says: low bits that are always zero, or dither on a coarser grid.",
    unit: "bit",
    cannot_see: "Padding behind an equaliser, a mix, a moving gain or a resampler.",
    needs: &[Meter::Provenance],
    read: bit_depth,
    ..FAULT
};

pub const UNDITHERED: Check = Check {
    id: "provenance.undithered",
    title: "passage without dither",
    definition: "16-bit samples that were rounded or cut from more bits without dither: a quiet passage holds less noise that cannot be predicted than triangular dither leaves (a quarter of a squared step, -96.3 dBFS), by 4 dB and more.",
    unit: "dB",
    source: "Lipshitz, Wannamaker and Vanderkooy, JAES 40(5), 1992 (what dither leaves), from memory; own method on the geometric mean of the spectrum",
    severity: Severity::Note,
    cannot_see: "Whether it is meant: what was made in 16 bits, by a game or a sampler, and what was decoded from a lossy file looks the same. Files without passages under -48 dBFS or with noise of their own there; rectangular dither, which dies away in a fade, looks like none.",
    needs: &[Meter::Provenance],
    read: undithered,
    ..FAULT
};

pub const UPSAMPLED: Check = Check {
    id: "provenance.upsampled",
    title: "upsampled file",
    definition: "Nothing but the floor above the edge of a lower sample rate, with a resampler's step there; or, above the half of a lower rate, the mirror image of what lies below it; or samples by turns on a coarse grid and off it, where a resampler to a multiple of the rate has kept the old ones.",
    unit: "Hz",
    source: "own methods on the long-term spectrum and on the grid of the samples; common practice, no source",
    cannot_see: "Processing after the resampling; a file that a low-pass or a codec had ended before; soft resamplers, of which the old rate may be told wrongly; a low-pass that was meant. Of music that nobody tuned on, much of it coded before, it told 23 of 30.",
    needs: &[Meter::Provenance],
    least_s: 0.7,
    read: upsampled,
    ..FAULT
};

pub const LOSSY_ORIGIN: Check = Check {
    id: "provenance.lossy_origin",
    title: "lossy origin",
    definition: "The music carries the marks of a lossy codec: at one framing of a codec's transform many coefficients are zero; a steep low-pass where codecs put theirs is a second sign, and little alone.",
    unit: "score",
    source: "framing search of a codec's transform: Kim and Rafii, EUSIPCO 2018; Derrien, JAES 67(3), 2019 (abstracts); own thresholds",
    cannot_see: "Rates over 50 kHz, files that were resampled or equalised after decoding, Opus at 44.1 kHz or low rates, other codecs. It is never proof.",
    needs: &[Meter::Provenance],
    least_s: 0.2,
    read: lossy_origin,
    ..FAULT
};

pub const ULTRASONIC: Check = Check {
    id: "provenance.ultrasonic",
    title: "ultrasonic tone",
    definition: "A line above 20 kHz over -60 dBFS that stands 20 dB over its neighbours.",
    unit: "dBFS",
    cannot_see: "Noise up there, which cymbals make too: its level is among the figures.",
    needs: &[Meter::Provenance],
    read: ultrasonic,
    ..FAULT
};

pub const SUBSONIC: Check = Check {
    id: "provenance.subsonic",
    title: "subsonic energy",
    definition: "Energy under 20 Hz within 20 dB of the whole.",
    unit: "dB",
    severity: Severity::Note,
    cannot_see: "Whether a low bass is meant.",
    needs: &[Meter::Provenance],
    least_s: 1.0,
    read: subsonic,
    ..FAULT
};

fn of_origin(case: &Case, read: impl FnOnce(&Survey, &ProvenanceFacts) -> Reading) -> Reading {
    read_from(
        group(case, |survey| &survey.provenance),
        |(survey, found)| read(survey, found),
    )
}

/// A place that is the whole file.
fn whole(case: &Case, channel: Option<&String>, value: f64, sure: f64) -> Place {
    Place {
        end_s: (case.facts.measurements)
            .map(|measured| measured.frames.at(measured.sample_rate))
            .unwrap_or_default(),
        channel: channel.cloned(),
        value: Some(value),
        confidence: Some(sure),
        ..Place::default()
    }
}

fn bit_depth(case: &Case) -> Reading {
    of_origin(case, |survey, found| {
        let mut places = Places::default();
        let mut least: Option<f64> = None;
        let mut words = None;
        for (of, name) in found.summary.channels.iter().zip(&survey.channels) {
            let Some(header) = of.bits.header_bits else {
                continue;
            };
            let (used, sure, how) = match (&of.bits.hidden, of.bits.used_bits) {
                (_, Some(used)) if used < header => (f64::from(used), 1.0, ""),
                (Some(hidden), _) => {
                    let how = match hidden.kind {
                        PaddingKind::Dithered => ", and dither beneath",
                        PaddingKind::Gained => ", with a gain behind",
                    };
                    (hidden.effective_bits, hidden.confidence, how)
                }
                _ => continue,
            };
            places.push(whole(case, Some(name), used, sure));
            words.get_or_insert(format!("{used:.0} of {header} bits are used{how}"));
            least = Some(least.map_or(used, |least| least.min(used)));
        }
        of_places(case, places, words, least)
    })
}

fn undithered(case: &Case) -> Reading {
    let says = |place: &Place| {
        let under = -place.value.unwrap_or_default();
        let on = place.channel.as_deref().unwrap_or("all channels");
        format!(
            "16 bits without dither: at {} on {on}, in a quiet passage, the noise is {under:.1} dB under that of dither",
            place.start_s
        )
    };
    of_origin(case, |survey, found| {
        of_spots(case, survey, &[&found.undithered], Some(&says))
    })
}

fn upsampled(case: &Case) -> Reading {
    of_origin(case, |_, found| {
        let Some(of) = &found.summary.upsampled else {
            return case.none_found();
        };
        let rate = f64::from(of.original_rate_hz);
        let mut places = Places::default();
        places.push(whole(case, None, rate, of.confidence));
        let says = match of.kept_bits {
            Some(bits) => format!(
                "it was {rate:.0} Hz: its samples of {bits:.0} bits still stand among those that were put between"
            ),
            None if of.image_likeness.is_some() => format!(
                "it was {rate:.0} Hz: above {:.0} Hz stands the mirror image of what lies below, {:.0} dB down",
                rate / 2.0,
                of.step_db
            ),
            None => format!(
                "it was {rate:.0} Hz: a step of {:.0} dB at {:.0} Hz, and nothing above",
                of.step_db,
                rate / 2.0
            ),
        };
        of_places(case, places, Some(says), Some(rate))
    })
}

fn lossy_origin(case: &Case) -> Reading {
    of_origin(case, |_, found| {
        let lossy = &found.summary.lossy;
        let mut places = Places::default();
        let reasons: Vec<String> = lossy.reasons.iter().map(reason).collect();
        if !reasons.is_empty() {
            places.push(whole(case, None, lossy.score, lossy.score));
        }
        let says = format!(
            "signs of a lossy codec, score {:.2}: {}; it is no proof",
            lossy.score,
            reasons.join("; ")
        );
        of_places(case, places, Some(says), Some(lossy.score))
    })
}

fn reason(reason: &LossyReason) -> String {
    match reason {
        LossyReason::Framing {
            family,
            offset,
            fall_db,
            ..
        } => {
            let family = match family {
                CodecFamily::LayerIii => "MPEG layer III",
                CodecFamily::Aac => "AAC",
                CodecFamily::Vorbis => "Vorbis",
                CodecFamily::Opus => "Opus",
            };
            format!(
                "the frames of {family} at offset {offset}, where coefficients fall by {fall_db:.1} dB"
            )
        }
        LossyReason::CutOff { edge_hz, step_db } => format!(
            "a low-pass of {step_db:.0} dB at {:.1} kHz",
            edge_hz / 1000.0
        ),
    }
}

fn ultrasonic(case: &Case) -> Reading {
    of_origin(case, |survey, found| {
        let mut places = Places::default();
        let mut says = None;
        for (of, name) in found.summary.channels.iter().zip(&survey.channels) {
            // Noise up there is in the figures only: cymbals make it too.
            let tone = of.levels.ultrasonic_tone_dbfs.unwrap_or(f64::NEG_INFINITY);
            if tone > ULTRASONIC_TONE_DBFS {
                let hz = of.levels.ultrasonic_tone_hz.unwrap_or_default();
                places.push(whole(case, Some(name), tone, 0.8));
                says = Some(format!("a tone at {hz:.0} Hz of {tone:.1} dBFS"));
            }
        }
        of_places(case, places, says, None)
    })
}

fn subsonic(case: &Case) -> Reading {
    of_origin(case, |survey, found| {
        let mut places = Places::default();
        let mut says = None;
        for (of, name) in found.summary.channels.iter().zip(&survey.channels) {
            let level = of.levels.subsonic_db.unwrap_or(f64::NEG_INFINITY);
            if level > SUBSONIC_DB {
                places.push(whole(case, Some(name), level, 0.6));
                says.get_or_insert(format!("energy under 20 Hz is {level:.1} dB of the whole"));
            }
        }
        of_places(case, places, says, None)
    })
}
