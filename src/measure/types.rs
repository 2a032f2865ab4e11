//! The plain types that the meters hand on: numbers with units, places with times.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::immersive::Immersive;
use super::survey::Survey;
use crate::layout::Label;
use crate::units::{DbTp, Dbfs, Frames, Hertz, Lu, Lufs, Seconds};

/// Everything that was measured on one file, or on one render of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Measurements {
    pub sample_rate: Hertz,
    pub frames: Frames,
    /// On what the loudness was read; `None` where nobody says where the channels play.
    pub measured_on: Option<MeasuredOn>,
    /// `None` without `measured_on`; its fields are `None` where the quantity does not exist.
    pub loudness: Option<Loudness>,
    pub peaks: Peaks,
    /// In file order.
    pub channels: Vec<ChannelMeasurements>,
    pub edges: Edges,
    /// Places where the true peak passed the ceiling that the meter was told, in time order.
    pub overs: Places,
    /// Runs of consecutive samples at full scale, in time order.
    pub full_scale_runs: Places,
    /// Of an object-based file: its renders and parts. `loudness`, `peaks`, `overs` and
    /// `measured_on` are then those of the main render, the rest of the file's own tracks.
    pub immersive: Option<Box<Immersive>>,
    /// Of what ears miss; `None` where nothing of it was wanted.
    pub survey: Option<Box<Survey>>,
}

/// Why there is no loudness.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoLoudness {
    /// Nobody says where the channels play, and their weights hang on that (ITU-R BS.1770-5,
    /// Annex 3).
    NoLabels { channels: usize },
}

impl Measurements {
    /// Why there is no loudness; `None` where it was measured, silence included. Of an
    /// object-based file that was not rendered the reason is the render's.
    pub fn no_loudness(&self) -> Option<NoLoudness> {
        let channels = self.channels.len();
        (self.loudness.is_none() && self.measured_on.is_none())
            .then_some(NoLoudness::NoLabels { channels })
    }

    /// Takes the figures of the main render for the file's own, and keeps all of them. What is
    /// left elsewhere is that of the renders.
    pub fn heard_on(&mut self, mut immersive: Immersive) {
        if let Some(survey) = &mut self.survey {
            survey.translation = immersive.translation.take();
        }
        if let Some(main) = immersive.renders.first() {
            self.measured_on = main.measured_on.clone();
            self.loudness = main.loudness.clone();
            self.overs = main.overs.clone();
            self.peaks = Peaks {
                sample_peak_dbfs: self.peaks.sample_peak_dbfs,
                ..main.peaks.clone()
            };
        }
        self.immersive = Some(Box::new(immersive));
    }
}

/// The layout behind a loudness figure (the same music reads up to 7 LU apart between layouts).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MeasuredOn {
    /// BS.2051 name (`0+5+0`), a trade name (`7.1.2`), or the labels joined by `,`.
    pub layout: String,
    pub labels: Vec<Label>,
    /// Loudness weight of each channel (BS.1770-5 Annex 3, Table 4); 0 for LFE.
    pub weights: Vec<f64>,
    /// Name and version of the renderer; `None` where the file's own channels were read.
    pub renderer: Option<String>,
}

/// Loudness of a whole programme (ITU-R BS.1770-5; EBU Tech 3341, Tech 3342).
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Loudness {
    pub integrated_lufs: Option<Lufs>,
    pub momentary_max_lufs: Option<Lufs>,
    /// Where the loudest 400 ms begin.
    pub momentary_max_at_s: Option<Seconds>,
    pub short_term_max_lufs: Option<Lufs>,
    /// Where the loudest 3 s begin.
    pub short_term_max_at_s: Option<Seconds>,
    /// The loudest 400 ms among those that follow 400 ms at least 20 LU softer; `null` where
    /// nothing rises so.
    #[serde(default)]
    pub sudden_max_lufs: Option<Lufs>,
    /// Where they begin.
    #[serde(default)]
    pub sudden_max_at_s: Option<Seconds>,
    pub range_lu: Option<Lu>,
    /// `false` under 60 s: too few data points (EBU Tech 3342; R 128 note 2).
    pub range_stable: bool,
    /// Gating blocks that passed both gates.
    pub gated_blocks: u64,
}

/// Peaks over all channels.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Peaks {
    pub true_peak_dbtp: Option<DbTp>,
    pub true_peak_at_s: Option<Seconds>,
    /// How much lower a meter with the 48-tap filter of BS.1770-5 Annex 2 could read this
    /// file: on limited masters the figure depends on the filter.
    pub true_peak_margin_db: Option<f64>,
    /// The interpolator in words: taps, oversampling, refinement.
    pub true_peak_filter: String,
    pub sample_peak_dbfs: Option<Dbfs>,
    pub peak_to_loudness_lu: Option<Lu>,
}

/// What was measured on one channel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChannelMeasurements {
    /// BS.2051 label, or the channel's number from 1 (`ch 3`) where nobody says.
    pub label: String,
    pub true_peak_dbtp: Option<DbTp>,
    pub sample_peak_dbfs: Option<Dbfs>,
    pub rms_dbfs: Option<Dbfs>,
    /// Mean of all samples, full scale = 1.0.
    pub dc_offset: f64,
    /// Runs of at least 3 consecutive samples at full scale.
    pub full_scale_runs: u64,
    pub longest_full_scale_run: u64,
    pub overs: u64,
}

/// Start and end of the programme.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Edges {
    /// From the first sample to the first 10 ms whose RMS in any channel is over -60 dBFS;
    /// the whole length for silence.
    pub head_silence_s: Seconds,
    /// From the last such 10 ms to the end.
    pub tail_silence_s: Seconds,
    /// Exact zeros in all channels at the start and at the end, in frames.
    pub head_zero_frames: Frames,
    pub tail_zero_frames: Frames,
}

/// Places of one kind: all are counted, the first [`Places::KEPT`] are listed.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Places {
    pub total: u64,
    pub listed: Vec<Place>,
}

impl Places {
    /// Own choice: enough for any person and any sidecar, little for memory.
    pub const KEPT: usize = 10_000;

    pub fn push(&mut self, place: Place) {
        self.total += 1;
        if self.listed.len() < Self::KEPT {
            self.listed.push(place);
        }
    }
}

/// One place in the programme.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Place {
    pub start_s: Seconds,
    pub end_s: Seconds,
    /// The first frame of the place.
    pub start_frame: Frames,
    /// BS.2051 label, or `ch 3`; `None` for all channels together.
    pub channel: Option<String>,
    /// In the unit of the check that points here.
    pub value: Option<f64>,
    /// 0 to 1, how sure the meter is that this is a fault and no music; `None` where the place
    /// is a fact and no opinion.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub confidence: Option<f64>,
    /// The mix has the same at the same place.
    #[serde(skip_serializing_if = "std::ops::Not::not", default)]
    pub inherited: bool,
    /// Of check, channel, time range and digest, so that a person's word can bind to it.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub identity: Option<String>,
}
