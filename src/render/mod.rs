//! A renderer after ITU-R BS.2127-1: a model and blocks of samples in, blocks of loudspeaker
//! signals out, to the layouts of ITU-R BS.2051.
//!
//! [`select`] says what is heard of a file (programme, complementary objects), a [`Renderer`]
//! makes loudspeaker signals of it. Knows nothing of loudness, files or limits. Memory is bounded
//! by the metadata, never by the length of the audio; the size of the blocks that go in does not
//! change one bit of what comes out.

mod allocation;
pub mod allocentric;
mod bed;
pub mod binaural;
pub mod conversion;
mod convolver;
pub mod decorrelators;
pub mod direct_speakers;
pub mod divergence;
pub mod float_wave;
mod gains;
pub mod geometry;
pub mod hoa;
mod items;
mod matrix;
mod mix;
pub mod object_gains;
pub mod point;
pub mod polar;
mod renderer;
mod scene;
pub mod screen;
pub mod speakers;
mod voice;
#[cfg(test)]
mod whole_renders;

pub use bed::bed_gains;
pub use renderer::{CHUNK, Deaf, Heard, Listener, Rendered, Renderer};
pub use scene::{
    Choice, CutInterpolation, HoaGroup, Item, Kind, Scene, SceneError, Tap, cut_interpolations,
    select,
};
pub use speakers::SpeakerLayout;
pub use voice::{Ramp, Stretch};

use crate::adm::Model;
use crate::adm::block::Blocks;

/// The name and version of this renderer, as every figure read on a render names it.
pub const RENDERER: &str = concat!(
    "weighbridge ",
    env!("CARGO_PKG_VERSION"),
    " (ITU-R BS.2127-1)"
);

/// True for a loudspeaker channel that is low-frequency by its frequency element or by its label.
pub fn is_lfe(model: &Model, item: &Item) -> bool {
    let Some(channel) = item.speaker_channel() else {
        return false;
    };
    let channel = &model.channels[channel];
    let labels = match &channel.blocks {
        Blocks::DirectSpeakers(blocks) => blocks.first().map_or(&[][..], |block| &block.labels),
        _ => &[],
    };
    direct_speakers::is_lfe(&channel.frequency, labels)
}

/// No gain that is meant is larger (120 dB), and sums of such ones stay numbers: own choice.
const MAX_GAIN: f64 = 1e6;

/// Why a scene cannot be rendered. Blocks are counted from 0 in file order.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum RenderError {
    #[error("the metadata play track {track}, the file has {tracks}")]
    NoTrack { track: usize, tracks: usize },
    #[error("block {block} starts before the block before it ends")]
    Overlap { block: usize },
    #[error("block {block}: interpolationLength is longer than the block")]
    Interpolation { block: usize },
    #[error("block {block} ends after its audioObject")]
    OutsideObject { block: usize },
    #[error("block {block} has one of rtime and duration, and needs both or neither")]
    HalfTimed { block: usize },
    #[error("block {block} has a gain of over 120 dB, its audioObject's included")]
    Gain { block: usize },
    #[error("the matrices hold back {frames} frames of tracks in all, {most} can be held")]
    Delays { frames: u64, most: u64 },
    #[error("{channel}: {error}")]
    Channel {
        channel: String,
        error: Box<RenderError>,
    },
    #[error("{channel}: positionOffset and position are not both polar or both Cartesian")]
    Offset { channel: String },
    #[error("HOA: {0}")]
    Hoa(#[from] hoa::HoaError),
    #[error(transparent)]
    NoPanner(#[from] polar::NoPanner),
    #[error("binaural: {0}")]
    Binaural(#[from] binaural::BinauralError),
}

impl RenderError {
    /// The same with the channel that it happened in.
    fn in_channel(self, model: &Model, item: &Item, part: usize) -> Self {
        let channel = match &item.kind {
            Kind::Object { channel } | Kind::Speaker { channel, .. } => *channel,
            Kind::Hoa(group) => group.channels[part],
        };
        Self::Channel {
            channel: model.channels[channel].id.clone(),
            error: Box::new(self),
        }
    }
}

#[cfg(test)]
mod tests;
