//! Container and format: what the header says.

use crate::judge::check::{Case, Check, FAULT, NUMBER};
use crate::judge::reading::{Number, Reading, read_from};
use crate::judge::words::Style;
use crate::layout::name_of;
use crate::measured::{Measured, NotMeasured};
use crate::profile::{Severity, Takes};
use crate::specimen::{Format, OddityKind};

use super::integrity::oddity;

const CONTAINERS: &[&str] = &[
    "WAVE", "RF64", "BW64", "AIFF", "AIFC", "CAF", "FLAC", "MP3", "MP4", "ADTS", "Ogg",
];

const ENCODINGS: &[&str] = &[
    "PCM", "float", "FLAC", "ALAC", "MP3", "AAC", "Vorbis", "ADPCM",
];

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[
    CONTAINER,
    ENCODING,
    SAMPLE_RATE,
    BIT_DEPTH,
    CHANNELS,
    LAYOUT,
    CHANNEL_LABELS,
    EXTENSION,
];

pub const CONTAINER: Check = Check {
    id: "container.kind",
    title: "container",
    definition: "The wrapping of the samples, from the bytes and not from the name.",
    source: "EBU Tech 3285, EBU Tech 3306, ITU-R BS.2088 and the other containers' own documents",
    severity: Severity::Stop,
    cannot_see: "Whether the container is the one that the name promises: format.extension does.",
    takes: Takes::Word(CONTAINERS),
    read: container,
    ..FAULT
};

pub const ENCODING: Check = Check {
    id: "format.encoding",
    title: "encoding",
    definition: "How the samples are written: linear PCM, float, or the codec.",
    source: "the container's own document",
    severity: Severity::Stop,
    cannot_see: "An earlier lossy generation: a lossy file written as PCM looks like PCM.",
    takes: Takes::Word(ENCODINGS),
    read: encoding,
    ..FAULT
};

pub const SAMPLE_RATE: Check = Check {
    id: "format.sample_rate",
    title: "sample rate",
    definition: "Sample frames a second, as the header says.",
    unit: "Hz",
    source: "the container's own document",
    severity: Severity::Stop,
    cannot_see: "A wrong label: 44.1 kHz audio in a 48 kHz header plays too fast.",
    read: sample_rate,
    ..NUMBER
};

pub const BIT_DEPTH: Check = Check {
    id: "format.bit_depth",
    title: "bit depth",
    definition: "Bits a sample, as the header says. Lossy encodings have none.",
    unit: "bit",
    source: "the container's own document",
    severity: Severity::Stop,
    cannot_see: "16-bit audio in a 24-bit file.",
    read: bit_depth,
    ..NUMBER
};

pub const CHANNELS: Check = Check {
    id: "format.channels",
    title: "channel count",
    definition: "Channels in the file.",
    unit: "channels",
    source: "the container's own document",
    severity: Severity::Stop,
    cannot_see: "Whether they hold different audio.",
    read: channels,
    ..NUMBER
};

pub const LAYOUT: Check = Check {
    id: "format.layout",
    title: "channel layout",
    definition: "Where the channels play: the layout of their labels, from the channel mask, the chna chunk, the route or the profile. The order does not matter here.",
    source: "ITU-R BS.2051 (labels and layouts)",
    severity: Severity::Stop,
    cannot_see: "Channels that were swapped while the labels stayed.",
    takes: Takes::Layout,
    read: layout,
    ..FAULT
};

pub const CHANNEL_LABELS: Check = Check {
    id: "format.channel_labels",
    title: "labels for another channel count",
    definition: "The labels that the route, the profile or --channels gives are not as many as the file's channels, and the file does not say itself where they play.",
    source: "own rule: a layout is never guessed",
    cannot_see: "Labels of the right number in the wrong order.",
    read: |case| oddity(case, OddityKind::LabelsForAnotherCount),
    ..FAULT
};

pub const EXTENSION: Check = Check {
    id: "format.extension",
    title: "name and content",
    definition: "The extension of the name is not the container's.",
    cannot_see: "Containers that share an extension.",
    read: extension,
    ..FAULT
};

fn format<'a>(case: &Case<'a>) -> Measured<&'a Format> {
    Measured::of(case.facts.format, || NotMeasured::NoContainer)
}

/// The exact spelling of the sidecar.
fn spelt(value: &impl serde::Serialize) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(text)) => text,
        _ => String::new(),
    }
}

fn word(value: &impl serde::Serialize) -> Reading {
    Reading::Word {
        value: spelt(value),
        subject: "file".into(),
    }
}

fn container(case: &Case) -> Reading {
    read_from(format(case), |format| word(&format.container))
}

fn encoding(case: &Case) -> Reading {
    read_from(format(case), |format| word(&format.encoding))
}

fn sample_rate(case: &Case) -> Reading {
    read_from(format(case), |format| {
        Reading::number(f64::from(format.sample_rate.value()), "file")
    })
}

fn bit_depth(case: &Case) -> Reading {
    read_from(format(case), |format| match format.bit_depth {
        Some(bits) => Reading::number(f64::from(bits), "file"),
        None => Reading::Lacking(format!("{} has no bit depth", spelt(&format.encoding))),
    })
}

fn channels(case: &Case) -> Reading {
    read_from(format(case), |format| {
        let phrase = Style::of(case.check.unit).with_unit(&format.channels.to_string());
        Reading::Number(Number {
            phrase: Some(phrase),
            ..Number::new(format.channels as f64, "file")
        })
    })
}

fn layout(case: &Case) -> Reading {
    read_from(format(case), |format| match &format.labels {
        Some(labels) => {
            let joined = || {
                let labels: Vec<&str> = labels.iter().map(|label| label.as_str()).collect();
                labels.join(",")
            };
            Reading::Word {
                value: name_of(labels).map_or_else(joined, str::to_owned),
                subject: "file".into(),
            }
        }
        None => Reading::not_measured(NotMeasured::NoLabels {
            channels: format.channels,
        }),
    })
}

fn extension(case: &Case) -> Reading {
    match oddity(case, OddityKind::ExtensionDiffers) {
        Reading::NoFault(_) => {
            Reading::NoFault("the name's extension is the container's".to_owned())
        }
        other => other,
    }
}
