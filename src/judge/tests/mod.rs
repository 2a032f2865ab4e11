//! What the house promises of a judgement. Facts are made by hand (here); expected numbers
//! stand in the tests or in the documents named beside them.

mod absence;
mod catalogued;
mod faulty;
mod immersive;
mod limited;
mod properties;
mod survey;
mod unmeasured;
mod versions;

use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::fs;
use std::sync::{LazyLock, Mutex};

use super::*;
use crate::layout::{self, Label};
use crate::measure::{
    ChannelMeasurements, Edges, Loudness, MeasuredOn, Measurements, Peaks, Place, Places, Survey,
    SurveyMeters, SurveyOrder, SurveyWants,
};
use crate::measured::{Measured, NotMeasured};
use crate::profile::{Choice, Profile, Severity, Takes};
use crate::specimen::{
    Bext, Container, Encoding, Format, LabelSource, Metadata, Oddity, OddityKind, Rival,
};
use crate::units::{DbTp, Dbfs, Frames, Hertz, Lu, Lufs, Seconds};

const EVERY_ODDITY: &[OddityKind] = &[
    OddityKind::DataTruncated,
    OddityKind::HeaderUnfinished,
    OddityKind::HeaderSaysLess,
    OddityKind::SizesDisagree,
    OddityKind::Ds64Missing,
    OddityKind::PadMissing,
    OddityKind::TrailingBytes,
    OddityKind::ChunkTwice,
    OddityKind::TwoReadings(Rival::Axml),
    OddityKind::FormatFields,
    OddityKind::PartialFrame,
    OddityKind::FloatNan,
    OddityKind::FloatInf,
    OddityKind::FloatDenormal,
    OddityKind::DecodeErrors,
    OddityKind::StreamDigest,
    OddityKind::ExtensionDiffers,
    OddityKind::MetadataDamaged,
    OddityKind::LabelsForAnotherCount,
];

/// One file's facts, owned; a three-minute stereo master that every stereo profile clears.
#[derive(Clone)]
struct File {
    name: String,
    format: Option<Format>,
    metadata: Metadata,
    oddities: Vec<Oddity>,
    measurements: Option<Measurements>,
    unread: Option<String>,
    incomplete: Option<String>,
}

fn dbtp(level: f64) -> Option<DbTp> {
    DbTp::from_linear(10f64.powf(level / 20.0))
}

fn dbfs(level: f64) -> Option<Dbfs> {
    Dbfs::from_linear(10f64.powf(level / 20.0))
}

/// Every fault meter has run, and none has found anything. Made once a layout: meters are large.
fn nothing_found(labels: Option<&[Label]>, channels: usize) -> Survey {
    type Made = (Option<Vec<Label>>, usize, Survey);
    static MADE: LazyLock<Mutex<Vec<Made>>> = LazyLock::new(Mutex::default);
    let mut made = MADE.lock().unwrap();
    let known = made
        .iter()
        .find(|(of, count, _)| of.as_deref() == labels && *count == channels);
    if let Some((_, _, survey)) = known {
        return survey.clone();
    }
    let mut survey = SurveyMeters::new(SurveyOrder {
        object_based: false,
        sample_rate: Hertz::new(48_000).unwrap(),
        channels,
        labels: labels.map(<[Label]>::to_vec),
        bits: Some(24),
        floats: false,
        data: None,
        wants: SurveyWants {
            clicks: true,
            defects: true,
            ends: true,
            channels: true,
            provenance: true,
            translation: true,
        },
    })
    .finish();
    if let Measured::Is(defects) = &mut survey.defects {
        // What is said of an offset is sure.
        for channel in &mut defects.dc.channels {
            channel.confidence = 1.0;
        }
    }
    made.push((labels.map(<[Label]>::to_vec), channels, survey.clone()));
    survey
}

fn file(layout: &str) -> File {
    let layout = layout::by_name(layout).expect("a layout");
    let labels = layout.labels();
    let rate = Hertz::new(48_000).unwrap();
    let frames = Frames(180 * 48_000);
    let channel = |label: &Label| ChannelMeasurements {
        label: label.to_string(),
        true_peak_dbtp: dbtp(-1.5),
        sample_peak_dbfs: dbfs(-1.8),
        rms_dbfs: dbfs(-18.0),
        dc_offset: 0.000_01,
        full_scale_runs: 0,
        longest_full_scale_run: 0,
        overs: 0,
    };
    File {
        name: "Harbour_Lights.wav".into(),
        format: Some(Format {
            container: Container::Wave,
            encoding: Encoding::Pcm,
            sample_rate: rate,
            bit_depth: Some(24),
            channels: labels.len(),
            labels: Some(labels.clone()),
            labels_from: Some(LabelSource::File),
            frames: Some(frames),
        }),
        metadata: Metadata::default(),
        oddities: Vec::new(),
        measurements: Some(Measurements {
            sample_rate: rate,
            frames,
            measured_on: Some(MeasuredOn {
                layout: layout.name.into(),
                weights: vec![1.0; labels.len()],
                labels: labels.clone(),
                renderer: None,
            }),
            loudness: Measured::Is(Loudness {
                integrated_lufs: Lufs::new(-18.5),
                momentary_max_lufs: Lufs::new(-12.0),
                momentary_max_at_s: Some(Seconds(61.0)),
                short_term_max_lufs: Lufs::new(-14.0),
                short_term_max_at_s: Some(Seconds(60.0)),
                range_lu: Lu::new(6.3),
                range_stable: true,
                gated_blocks: 1700,
                ..Loudness::default()
            }),
            peaks: Peaks {
                true_peak_dbtp: dbtp(-1.5),
                true_peak_at_s: Some(Seconds(61.2)),
                true_peak_margin_db: Some(0.1),
                true_peak_filter: "96 taps, 4 times".into(),
                sample_peak_dbfs: dbfs(-1.8),
                peak_to_loudness_lu: Lu::new(17.0),
            },
            channels: labels.iter().map(channel).collect(),
            edges: Edges {
                head_silence_s: Seconds(0.1),
                tail_silence_s: Seconds(1.0),
                ..Edges::default()
            },
            overs: Places::default(),
            full_scale_runs: Places::default(),
            immersive: None,
            survey: Some(Box::new(nothing_found(Some(&labels), labels.len()))),
        }),
        unread: None,
        incomplete: None,
    }
}

impl File {
    fn facts(&self) -> Facts<'_> {
        Facts {
            name: OsStr::new(&self.name),
            format: self.format.as_ref(),
            metadata: &self.metadata,
            oddities: &self.oddities,
            adm: None,
            against: None,
            file_written: None,
            measurements: self.measurements.as_ref(),
            unread: self.unread.as_deref(),
            incomplete: self.incomplete.as_deref(),
        }
    }

    fn measured(&mut self) -> &mut Measurements {
        self.measurements.as_mut().unwrap()
    }

    fn loudness(&mut self) -> &mut Loudness {
        self.measured().loudness.as_mut().ok().unwrap()
    }

    fn odd(mut self, kind: OddityKind, says: &str) -> Self {
        self.oddities.push(Oddity {
            kind,
            says: says.into(),
            at: None,
            channel: None,
            count: 1,
        });
        self
    }

    fn by(&self, profile: &str) -> Judgement {
        judge(&self.facts(), built_in().get(profile).unwrap())
    }

    /// Judged by a profile with these limits alone.
    fn by_limits(&self, limits: &str) -> Judgement {
        judge(&self.facts(), &house(limits))
    }

    /// A file that could not be read as audio.
    fn unreadable(mut self, why: &str) -> Self {
        self.measurements = None;
        self.unread = Some(why.into());
        self
    }

    /// A file whose channels nobody has named.
    fn unlabelled(mut self) -> Self {
        let format = self.format.as_mut().unwrap();
        format.labels = None;
        format.labels_from = None;
        let measured = self.measured();
        measured.measured_on = None;
        measured.loudness = Measured::Not(NotMeasured::NoLabels {
            channels: measured.channels.len(),
        });
        measured.peaks.peak_to_loudness_lu = None;
        measured.survey = Some(Box::new(nothing_found(None, measured.channels.len())));
        for (n, channel) in measured.channels.iter_mut().enumerate() {
            channel.label = format!("ch {}", n + 1);
        }
        self
    }
}

pub(super) fn built_in() -> ProfileSet {
    load_profiles(None).expect("the built-in profiles are right")
}

pub(super) fn house(limits: &str) -> Profile {
    let folder = tempfile::tempdir().unwrap();
    let text = format!("name = \"house\"\ntitle = \"House\"\n{limits}");
    fs::write(folder.path().join("house.toml"), text).unwrap();
    load_profiles(Some(folder.path()))
        .unwrap()
        .get("house")
        .unwrap()
        .clone()
}

fn finding<'a>(judgement: &'a Judgement, check: &str) -> &'a Finding {
    judgement
        .findings
        .iter()
        .find(|finding| finding.check == check)
        .unwrap_or_else(|| panic!("no finding for {check}"))
}

fn over(start: f64, value: f64) -> Place {
    Place {
        start_s: Seconds(start),
        end_s: Seconds(start + 0.001),
        start_frame: Frames((start * 48_000.0) as u64),
        channel: Some("M+030".into()),
        value: Some(value),
        ..Place::default()
    }
}
