//! What the comparer is told before the first sample: the two sides, and the limits above
//! which a difference is worth a place in the lists. Holds no verdict.

use std::sync::Arc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::adm;
use crate::layout::Label;

/// One of the two files, as far as it is known without its samples.
#[derive(Clone, Debug)]
pub struct Side {
    /// The Audio Definition Model of the file; `None` compares channel by channel.
    pub model: Option<Arc<adm::Model>>,
    /// Channels in the file: how many slices each feed brings.
    pub tracks: usize,
    pub sample_rate: u32,
    /// Loudspeaker labels in channel order, for files without a model.
    pub labels: Option<Vec<Label>>,
    /// Length in frames as the header says, for the end of blocks without a duration where
    /// no sample is fed.
    pub frames_hint: Option<u64>,
}

/// Why two files cannot be held against each other.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CompareError {
    #[error("a sample rate of {0} Hz is not compared: 8000 to 768000 Hz are")]
    SampleRate(u32),
    #[error("the {0} has no tracks")]
    NoTracks(&'static str),
}

/// Above what a difference is listed, and how long the lists may become.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Limits {
    /// Exporters round positions: common practice, no source.
    pub angle_deg: f64,
    /// Linear; for gains, distances, sizes and diffuseness. Common practice, no source.
    pub value: f64,
    /// Short-term deviation from a track's own static gain that makes a place. Common
    /// practice, no source.
    pub level_change_db: f64,
    /// Peak over median of the correlation below which an offset counts as not measured.
    ///
    /// Own measurement: unrelated noise reaches 7, a common part 20 dB down 28.
    pub confidence: f64,
    /// RMS below which a block of 100 ms is not compared. Common practice, no source.
    pub silence_dbfs: f64,
    /// Entries of each list that are kept; totals count all.
    pub listed: usize,
    /// Points of each track's gain curve; 0 for none.
    pub curve_points: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            angle_deg: 0.1,
            value: 0.001,
            level_change_db: 3.0,
            confidence: 20.0,
            silence_dbfs: -60.0,
            listed: 200,
            curve_points: 200,
        }
    }
}
