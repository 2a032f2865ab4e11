//! What is measured between the channels of a file, and the places where something is wrong.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::measure::Spots;
use crate::units::{Dbfs, Lu, Seconds};

/// Everything of one file. A finding about the whole file is a spot from its first frame to its
/// end; the rest are scalars for the record.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ChannelFacts {
    pub scalars: ChannelScalars,
    /// One channel of a pair is inverted. The size is the correlation; both channels of the pair
    /// are named, because a pair alone does not tell which of the two it is.
    pub polarity: Spots,
    /// Passages of opposite sign. The size is the lowest correlation of a 3 s window.
    pub anti_phase: Spots,
    /// Two channels are one signal. The size is the level of what differs, dB under the signal;
    /// the channel is the second of the pair.
    pub dual_mono: Spots,
    /// A constant delay inside a pair. The channel is the late one, the size is in samples.
    pub channel_delay: Spots,
    /// A constant difference in gain. The channel is the quieter one, the size is in dB.
    pub level_imbalance: Spots,
    /// A channel holds nothing but noise. The size is its level in dBFS.
    pub only_noise: Spots,
    /// The low-frequency content stands in another channel than the label says. The channel is
    /// the one that looks like it; the size is its `high_less_low_db`.
    pub channel_order: Spots,
    /// A channel labelled LFE is not band-limited. The size is its `high_less_low_db`.
    pub lfe_full_range: Spots,
    /// A channel labelled LFE is silent while others have bass. The size is the others' level
    /// from 20 to 120 Hz in dBFS.
    pub lfe_silent: Spots,
    /// The surround pair seems exchanged left to right; the size is the correlation of the two
    /// pairs' balance, or how much more each front channel has in common with the surround
    /// channel of the other side than with that of its own.
    pub surround_swapped: Spots,
    /// What the lists above tell of pairs, with both channels named.
    pub pair_findings: Vec<PairFinding>,
    /// What was measured, and why the rest was not.
    pub coverage: ChannelCoverage,
}

/// A finding about two channels over the whole file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PairFinding {
    pub fault: PairFault,
    /// Channels of the file, from 0.
    pub left: usize,
    pub right: usize,
    /// In the unit of the list of that name.
    pub size: f64,
    /// 0 to 1.
    pub confidence: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PairFault {
    Polarity,
    DualMono,
    Delay,
    LevelImbalance,
}

/// What was measured between the channels. `None` where it was; otherwise why it was not: an
/// empty list then says nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ChannelCoverage {
    /// Of polarity, anti-phase passages, dual mono and delay.
    pub pairs: PairsFrom,
    /// Of the level imbalance.
    pub balance: Option<Uncovered>,
    /// Of channel order and low-frequency channels.
    pub order: Option<Uncovered>,
    /// Of exchanged surrounds.
    pub sides: Option<Uncovered>,
}

/// How the pairs that were looked at were chosen.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PairsFrom {
    /// Mirror images by their labels.
    #[default]
    Labels,
    TwoChannels,
    /// Nobody says where the channels play: every two of them.
    EveryTwo {
        channels: usize,
    },
    /// The same of more than 16 channels: each with the next one.
    Neighbours {
        channels: usize,
    },
    /// One channel, or none: there is no pair.
    NoPair,
    /// Tracks of an object-based master are no pairs.
    Objects {
        tracks: usize,
    },
}

/// Why something between channels was not measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Uncovered {
    /// Nobody says where the channels play.
    NoLabels { channels: usize },
    /// Tracks of an object-based master: its beds are looked at by themselves.
    Objects { tracks: usize },
    /// The layout has no such channels.
    NoSuchChannels,
}

/// The numbers for the record.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChannelScalars {
    /// In file order.
    pub channels: Vec<ChannelContent>,
    /// Channels that belong together, the front pair first.
    pub pairs: Vec<PairFacts>,
    /// `null` where there is no low-frequency channel by label, or none by content.
    pub order: Option<OrderFacts>,
    /// Correlation of the balance of the front pair with that of the surround pair over time, -1
    /// to 1; `null` without both pairs or without movement.
    pub surround_balance_correlation: Option<f64>,
    /// Mean coherence of each front channel with the surround channel of its own side, and with
    /// that of the other side, 200 Hz to 6.4 kHz, 0 to 1; `null` where too little sounds.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub surround_coherence: Option<[f64; 2]>,
    /// Labels (or `ch 3`) of the channels that never pass -80 dBFS.
    pub silent_channels: Vec<String>,
}

/// What one channel holds.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChannelContent {
    /// BS.2051 label, or `ch 3` from 1.
    pub label: String,
    pub sample_peak_dbfs: Option<Dbfs>,
    pub rms_dbfs: Option<Dbfs>,
    /// Energy over 500 Hz less energy from 20 to 120 Hz, dB; `null` under -70 dBFS.
    pub high_less_low_db: Option<f64>,
    /// Geometric less arithmetic mean of the power spectrum from 200 Hz to 10 kHz, dB: 0 for
    /// white noise, -20 and less for music; `null` in silence.
    pub flatness_db: Option<f64>,
    /// Under -70 dBFS and flat: noise or dither, no programme.
    pub only_noise: bool,
}

/// Two channels that belong together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PairFacts {
    pub left: String,
    pub right: String,
    /// Over the whole file, -1 to 1; `null` where one of them is silent.
    pub correlation: Option<f64>,
    /// Of the bands 20 to 250 Hz, 250 Hz to 2 kHz, 2 to 8 kHz.
    pub correlation_low: Option<f64>,
    pub correlation_mid: Option<f64>,
    pub correlation_high: Option<f64>,
    /// Lowest of the 3 s windows in which both sound (over -60 dBFS), and where it begins.
    pub correlation_min: Option<f64>,
    pub correlation_min_at_s: Option<Seconds>,
    /// Share of those windows under -0.5, 0 to 1.
    pub below_minus_half: Option<f64>,
    /// Equal bit for bit over the whole file, and not silent.
    pub identical: bool,
    /// What is left of the second channel after taking the first, scaled, from it; dB under it.
    pub residual_db: Option<f64>,
    /// Where the whitened cross-correlation of the whole file is strongest, in samples: positive
    /// where the right one is late.
    pub lag_samples: Option<i64>,
    /// Its value there, and at no lag, -1 to 1; and the share of 3 s stretches with their own
    /// maximum there, 0 to 1.
    pub lag_peak: Option<f64>,
    pub peak_at_zero: Option<f64>,
    pub lag_share: Option<f64>,
    /// Loudness of the left channel less that of the right one, over the file, and the 10th and
    /// 90th percentile over time.
    pub balance_lu: Option<Lu>,
    pub balance_p10_lu: Option<Lu>,
    pub balance_p90_lu: Option<Lu>,
    /// Left less right, dB, of what both channels have in common: where the histogram of the
    /// level differences of in-phase components peaks; and the shares of the histogram within
    /// 0.3 dB of that peak and of 0 dB.
    pub common_balance_db: Option<f64>,
    pub common_share: Option<f64>,
    pub common_share_at_zero: Option<f64>,
}

/// Where the low-frequency content stands.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OrderFacts {
    /// Channel numbers from 1.
    pub labelled_lfe: Vec<usize>,
    pub looks_like_lfe: Vec<usize>,
    /// The known order that fits better than the file's labels: `L C R Ls Rs LFE`.
    pub fits_order: Option<String>,
}
