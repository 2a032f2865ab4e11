//! What is read for a check: the value, what it was read on, its places.
//!
//! In: facts. Out: a [`Reading`]; where there is none, the reason and what to do. Compares
//! nothing: the limit only says on which render.

use super::catalogue::Check;
use super::facts::Facts;
use super::immersive;
use super::movement;
use super::survey;
use super::versions;
use super::words::Style;
use crate::layout;
use crate::measure::{Measurements, Place, Places};
use crate::profile::Limit;
use crate::units::{Frames, Lufs, Seconds};

/// What was read for one check.
pub enum Reading {
    Number {
        value: f64,
        subject: String,
        places: Places,
        /// Stands in place of the usual sentence's beginning.
        phrase: Option<String>,
    },
    Word {
        value: String,
        subject: String,
    },
    /// The file has no such property, so it cannot have the one that is asked.
    Lacking(String),
    /// Nothing so loud or so high exists: keeps every upper limit, and no other.
    Nothing {
        subject: String,
        says: String,
    },
    Unmeasured {
        subject: String,
        says: String,
        brief: String,
    },
}

impl Reading {
    /// The same, said of a render: two ears are no pair of loudspeakers.
    fn on(mut self, render: &str) -> Self {
        match &mut self {
            Self::Number { subject, .. }
            | Self::Word { subject, .. }
            | Self::Nothing { subject, .. }
            | Self::Unmeasured { subject, .. } => *subject = render.to_owned(),
            Self::Lacking(_) => {}
        }
        self
    }
}

/// Reads the value of a check on what the limit asks it of.
pub fn read(check: &Check, limit: &Limit, facts: &Facts) -> Reading {
    match check.id {
        "container.kind" | "format.encoding" | "format.sample_rate" | "format.bit_depth"
        | "format.channels" | "format.layout" => read_format(check, facts),
        id if id.starts_with("immersive.") => immersive::read(check, facts),
        id if id.starts_with("movement.") => movement::read(check, facts),
        _ if facts.measurements.is_some() && survey::is_ours(check) => survey::read(check, facts),
        id if id.starts_with("versions.") => versions::read(check, facts),
        _ => match facts.measurements {
            Some(measured) => match &limit.render {
                Some(render) => read_render(check, render, measured, facts),
                None => read_sound(check, measured),
            },
            None => Reading::Unmeasured {
                subject: limit.render.clone().unwrap_or_else(|| "file".into()),
                says: format!(
                    "{}: not measured, the file could not be read as audio",
                    check.title
                ),
                brief: "not measured: the file could not be read as audio".into(),
            },
        },
    }
}

fn read_format(check: &Check, facts: &Facts) -> Reading {
    let Some(format) = facts.format else {
        return Reading::Unmeasured {
            subject: "file".into(),
            says: format!(
                "{} is not known: the container could not be made out",
                check.title
            ),
            brief: "the container could not be made out".into(),
        };
    };
    let subject = "file".to_owned();
    let number = |value: f64| Reading::Number {
        value,
        subject: "file".into(),
        places: Places::default(),
        phrase: None,
    };
    match check.id {
        "container.kind" => Reading::Word {
            value: spelt(&format.container),
            subject,
        },
        "format.encoding" => Reading::Word {
            value: spelt(&format.encoding),
            subject,
        },
        "format.sample_rate" => number(f64::from(format.sample_rate.value())),
        "format.channels" => Reading::Number {
            value: format.channels as f64,
            subject,
            places: Places::default(),
            phrase: Some(Style::of(check.unit).with_unit(&format.channels.to_string())),
        },
        "format.bit_depth" => match format.bit_depth {
            Some(bits) => number(f64::from(bits)),
            None => Reading::Lacking(format!("{} has no bit depth", spelt(&format.encoding))),
        },
        _ => match &format.labels {
            Some(labels) => Reading::Word {
                value: layout::name_of(labels).map_or_else(
                    || {
                        labels
                            .iter()
                            .map(|l| l.as_str())
                            .collect::<Vec<_>>()
                            .join(",")
                    },
                    str::to_owned,
                ),
                subject,
            },
            None => Reading::Unmeasured {
                subject,
                says: nobody_says("the channel layout is not known", format.channels),
                brief: format!("nobody says where the {} channels play", format.channels),
            },
        },
    }
}

/// The exact spelling of the sidecar.
fn spelt(value: &impl serde::Serialize) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(text)) => text,
        _ => String::new(),
    }
}

fn nobody_says(what: &str, channels: usize) -> String {
    format!(
        "{what}: nobody says where the {channels} channels play; set `channels` in the route or the profile, to a layout such as 7.1.4 or to labels"
    )
}

/// On a render: the file's own channels serve where they are that layout already.
fn read_render(check: &Check, render: &str, measured: &Measurements, facts: &Facts) -> Reading {
    if let Some(immersive) = &measured.immersive {
        let of_layout = immersive.renders.iter().find(|made| {
            made.measured_on
                .as_ref()
                .is_some_and(|on| on.layout == render)
        });
        let ears = immersive.binaural.as_ref().filter(|_| render == "binaural");
        if let Some(made) = of_layout.or(ears.map(|ears| &ears.measured)) {
            return read_sound(check, made).on(render);
        }
    }
    let own = measured
        .measured_on
        .as_ref()
        .is_some_and(|on| on.renderer.is_none() && on.layout == render);
    if own {
        return read_sound(check, measured);
    }
    let spoken = layout::spoken(render);
    let (why, brief) = match facts.adm.map(|adm| adm.not_rendered) {
        // Why stands among the figures, and most often it is a fault with a finding of its own.
        Some(Some(_)) => (
            "the master could not be rendered",
            "the master could not be rendered".to_owned(),
        ),
        Some(None) if render == "binaural" => (
            "no set of head-related responses is named in the configuration",
            "no binaural render: no set of head-related responses is named".to_owned(),
        ),
        Some(None) => (
            "that render was not made",
            format!("no {spoken} render was made"),
        ),
        None => (
            "the file has no audio definition metadata to render",
            "no audio definition metadata to render".to_owned(),
        ),
    };
    Reading::Unmeasured {
        subject: render.to_owned(),
        says: format!(
            "{} was not measured: it is asked on the {spoken} render, and {why}; a person must \
             decide",
            check.title
        ),
        brief,
    }
}

fn read_sound(check: &Check, measured: &Measurements) -> Reading {
    let (rate, frames) = (measured.sample_rate, measured.frames);
    let length = frames.at(rate);
    let number = |value: f64| Reading::Number {
        value,
        subject: "file".into(),
        places: Places::default(),
        phrase: None,
    };
    let place = |start: f64, end: f64| Place {
        start_s: Seconds(start),
        end_s: Seconds(end),
        start_frame: Frames((start * f64::from(rate.value())).round() as u64),
        channel: None,
        value: None,
        ..Place::default()
    };
    let with = |value: f64, place: Option<Place>| {
        let mut places = Places::default();
        place.into_iter().for_each(|place| places.push(place));
        Reading::Number {
            value,
            subject: "file".into(),
            places,
            phrase: None,
        }
    };
    match check.id {
        "loudness.integrated"
        | "loudness.short_term_max"
        | "loudness.momentary_max"
        | "loudness.range" => read_loudness(check, measured),
        "peaks.true_peak" => match measured.peaks.true_peak_dbtp {
            Some(peak) => Reading::Number {
                value: peak.value(),
                subject: layout_of(measured),
                places: measured.overs.clone(),
                phrase: None,
            },
            None => no_peak(check, measured),
        },
        "peaks.sample_peak" => match measured.peaks.sample_peak_dbfs {
            Some(peak) => number(peak.value()),
            None => no_peak(check, measured),
        },
        "peaks.peak_to_loudness" => match measured.peaks.peak_to_loudness_lu {
            Some(ratio) => Reading::Number {
                value: ratio.value(),
                subject: layout_of(measured),
                places: Places::default(),
                phrase: None,
            },
            None => no_loudness(check, measured),
        },
        "peaks.full_scale_runs" => {
            let total = measured.full_scale_runs.total;
            let longest = measured
                .channels
                .iter()
                .map(|c| c.longest_full_scale_run)
                .max();
            Reading::Number {
                value: total as f64,
                subject: "file".into(),
                places: measured.full_scale_runs.clone(),
                phrase: Some(match total {
                    0 => "no run of samples at full scale".into(),
                    1 => format!("1 run of {} samples at full scale", longest.unwrap_or(0)),
                    _ => format!(
                        "{total} runs of samples at full scale, the longest {} samples",
                        longest.unwrap_or(0)
                    ),
                }),
            }
        }
        "levels.dc_offset" => {
            let worst = measured
                .channels
                .iter()
                // Backwards, so that of equals the first is told.
                .rev()
                .max_by(|a, b| a.dc_offset.abs().total_cmp(&b.dc_offset.abs()));
            let mut places = Places::default();
            for channel in &measured.channels {
                places.push(Place {
                    channel: Some(channel.label.clone()),
                    value: Some(channel.dc_offset),
                    ..place(0.0, length.0)
                });
            }
            match worst {
                Some(channel) => Reading::Number {
                    value: channel.dc_offset.abs(),
                    subject: channel.label.clone(),
                    places,
                    phrase: None,
                },
                None => number(0.0),
            }
        }
        "edges.leading_silence" => {
            let head = measured.edges.head_silence_s.0;
            with(head, (head > 0.0).then(|| place(0.0, head)))
        }
        "edges.trailing_silence" => {
            let tail = measured.edges.tail_silence_s.0;
            let start = (length.0 - tail).max(0.0);
            with(tail, (tail > 0.0).then(|| place(start, length.0)))
        }
        _ => number(length.0),
    }
}

fn no_peak(check: &Check, measured: &Measurements) -> Reading {
    Reading::Nothing {
        subject: layout_of(measured),
        says: format!("no {}: every sample is zero", check.title),
    }
}

fn no_loudness(check: &Check, measured: &Measurements) -> Reading {
    if measured.loudness.is_none() {
        let channels = measured.channels.len();
        return Reading::Unmeasured {
            subject: "file".into(),
            says: nobody_says(&format!("{} was not measured", check.title), channels),
            brief: format!("loudness not measured: nobody says where the {channels} channels play"),
        };
    }
    let why = no_loudness_because(check, measured);
    Reading::Unmeasured {
        subject: layout_of(measured),
        says: format!("no {}: {why}", check.title),
        brief: format!("no loudness: {why}"),
    }
}

/// Windows of EBU Tech 3341, clause 2.1; an incomplete one is not used (BS.1770-5, Annex 1).
fn no_loudness_because(check: &Check, measured: &Measurements) -> &'static str {
    let length = measured.frames.at(measured.sample_rate).0;
    match check.id {
        "loudness.short_term_max" | "loudness.range" if length < 3.0 => {
            "the file is shorter than 3 s"
        }
        _ if length < 0.4 => "the file is shorter than 400 ms",
        "loudness.short_term_max" | "loudness.momentary_max" => {
            "nothing sounds that counts for loudness"
        }
        _ => "nothing passes the gate",
    }
}

/// The layout behind a figure; the renderer stands beside it in the record.
fn layout_of(measured: &Measurements) -> String {
    let on = measured.measured_on.as_ref();
    on.map_or_else(|| "file".into(), |on| on.layout.clone())
}

fn read_loudness(check: &Check, measured: &Measurements) -> Reading {
    let Some(loudness) = &measured.loudness else {
        return no_loudness(check, measured);
    };
    let window = |at: Option<Seconds>, length: f64, value: f64| {
        let mut places = Places::default();
        if let Some(Seconds(start)) = at {
            places.push(Place {
                start_s: Seconds(start),
                end_s: Seconds(start + length),
                start_frame: Frames(
                    (start * f64::from(measured.sample_rate.value())).round() as u64
                ),
                channel: None,
                value: Some(value),
                ..Place::default()
            });
        }
        places
    };
    let value = |lufs: Option<Lufs>| lufs.map(Lufs::value);
    let (found, at, length) = match check.id {
        "loudness.integrated" => (value(loudness.integrated_lufs), None, 0.0),
        "loudness.short_term_max" => (
            value(loudness.short_term_max_lufs),
            loudness.short_term_max_at_s,
            3.0,
        ),
        "loudness.momentary_max" => (
            value(loudness.momentary_max_lufs),
            loudness.momentary_max_at_s,
            0.4,
        ),
        _ => (loudness.range_lu.map(|range| range.value()), None, 0.0),
    };
    match found {
        Some(value) => Reading::Number {
            value,
            subject: layout_of(measured),
            places: window(at, length, value),
            phrase: None,
        },
        None => no_loudness(check, measured),
    }
}
