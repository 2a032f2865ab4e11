//! What the meter of provenance found: bits, bandwidth, traces of codecs and of resampling. Facts
//! and scores, no opinion.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::measure::Spots;

/// All of it, for one file.
#[derive(Clone, Debug, PartialEq)]
pub struct ProvenanceFacts {
    pub summary: Provenance,
    /// Where energy over 20 kHz passes -60 dBFS (size: dBFS, RMS of one look). Looks are taken
    /// all the time at the start and for a quarter of the time later.
    pub ultrasonic: Spots,
    /// Quiet passages of 16-bit samples that were rounded without dither (size: their least noise,
    /// dB over that of triangular dither).
    pub undithered: Spots,
}

/// The part for the record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Provenance {
    pub lossy: LossyOrigin,
    /// `None` where nothing speaks for it.
    pub upsampled: Option<Upsampled>,
    /// One a channel, in file order.
    pub channels: Vec<ChannelProvenance>,
}

/// One channel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChannelProvenance {
    pub bits: BitsUsed,
    pub bandwidth: Bandwidth,
    pub levels: OuterBands,
    pub upsampled: Option<Upsampled>,
}

/// How many bits carry something.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BitsUsed {
    /// The depth that the header says; `None` for floating point.
    pub header_bits: Option<u32>,
    /// Header depth (32 for floats) less the zero bits at the end that all samples share. `None`
    /// when silent, or where floats are finer than 32 bits.
    pub used_bits: Option<u32>,
    /// Padding that is hidden: by dither, or by a gain afterwards.
    pub hidden: Option<HiddenPadding>,
}

/// Bits that look used and carry nothing but dither or rounding.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HiddenPadding {
    pub kind: PaddingKind,
    /// The depth that is left.
    pub effective_bits: f64,
    /// 0 to 1.
    pub confidence: f64,
}

/// How the padding is hidden.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PaddingKind {
    /// The low bits take few values: padded, then dithered.
    Dithered,
    /// The samples lie on a lattice that is no power of two: padded, then changed in gain.
    Gained,
}

/// Where the spectrum ends.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Bandwidth {
    /// The highest frequency with a step of more than 20 dB within 500 Hz, steady over the file.
    pub edge_hz: Option<f64>,
    /// The step there, dB.
    pub step_db: Option<f64>,
}

/// Levels outside of what is heard.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OuterBands {
    /// RMS over 20 kHz of the loudest look, dBFS (full-scale sine -3.01); `None` for silence and
    /// rates that hold nothing over 20 kHz.
    pub ultrasonic_dbfs: Option<f64>,
    /// The strongest line over 20 kHz of the file's mean spectrum, where it stands 20 dB over its
    /// neighbours: a tone.
    pub ultrasonic_tone_hz: Option<f64>,
    /// Level of that line, dBFS.
    pub ultrasonic_tone_dbfs: Option<f64>,
    /// Energy from 1 to 20 Hz against all energy, dB.
    pub subsonic_db: Option<f64>,
    /// Energy over 16 kHz against the energy below, dB.
    pub over_16_khz_db: Option<f64>,
}

/// A lower sample rate in the file's past.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Upsampled {
    pub original_rate_hz: u32,
    /// The step at the old half rate, dB.
    pub step_db: f64,
    /// Where the old rate's own samples still stand among those between, on a coarser grid than
    /// they: the bits of that grid.
    pub kept_bits: Option<f64>,
    /// How alike the spectrum above the old half rate is to the mirror image of that below it, 0
    /// to 1; `None` where another sign told the old rate.
    #[serde(default)]
    pub image_likeness: Option<f64>,
    /// 0 to 1.
    pub confidence: f64,
}

/// A lossy codec in the file's past.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LossyOrigin {
    /// 0 to 1.
    pub score: f64,
    pub reasons: Vec<LossyReason>,
}

/// One sign of a lossy codec.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", tag = "sign")]
pub enum LossyReason {
    /// At one offset of a codec's frames, and at no other, coefficients fall to nothing.
    Framing {
        family: CodecFamily,
        /// Frame offset in samples from the file's start, less than a hop.
        offset: u32,
        /// Mean fall of the coefficients there below the next best offset, dB.
        fall_db: f64,
        /// The same in standard deviations over the offsets.
        deviations: f64,
    },
    /// A steady, steep low-pass where codecs put theirs.
    CutOff { edge_hz: f64, step_db: f64 },
}

/// Codecs by the transform that they quantise in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CodecFamily {
    /// MPEG audio layer III.
    LayerIii,
    /// A 2048-sample MDCT with sine or Kaiser-Bessel window: AAC and kin.
    Aac,
    /// A 2048-sample MDCT with the power-sine window: Vorbis.
    Vorbis,
    /// A 1920-sample MDCT with short overlap and nothing over 20 kHz: Opus at 48 kHz.
    Opus,
}
