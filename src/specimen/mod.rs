//! What is in a file: container, metadata, channels, damage, and its samples as blocks.
//!
//! In: a path, and the labels that profile or operator give to files that do not say. Out: a
//! [`Specimen`] of facts, and one pass over the bytes that feeds digests and a [`BlockSink`]
//! together. Opens read-only, follows no symbolic link, allocates nothing that a header asks
//! for, and knows no limits: an oddity is a fact here and an opinion in `judge`.
//!
//! | container | read | not read |
//! | --- | --- | --- |
//! | WAVE, RF64, BW64 | PCM of 8 to 32 bits, floats of 32 and 64; all chunks | ADPCM, A-law, mu-law, MP3 in WAVE; big-endian RIFX |
//! | AIFF, AIFF-C | PCM, floats; NAME, AUTH, (c), ANNO, MARK, ID3 | compressed AIFF-C |
//! | CAF | PCM, floats; ALAC by the decoding library (AAC, FLAC, MP3 as it says, not tried) | A-law, mu-law, Opus |
//! | FLAC | all; MD5 checked, frames counted | sample rate or channels that change on the way |
//! | MP3 | layer III; length from a Xing or VBRI head alone | ID3v1 and APE tags, layers I and II |
//! | AAC (ADTS, MP4) | LC, one and two channels; the coder's delay stays in | HE-AAC, more channels |
//! | MP4 | AAC, ALAC, PCM as its first sound track (FLAC, MP3 not tried) | edit lists, Opus |
//! | Ogg | Vorbis of one and two channels, FLAC | Opus, Vorbis of more channels |
//!
//! Linear PCM of all containers goes through one path of our own (`linear`, `pcm`); the rest
//! through the decoding library (`coded`), whose panics are caught.

mod block;
mod caf;
mod chunk;
mod coded;
mod completeness;
mod core_audio;
mod digest;
mod doubled;
mod error;
mod facts;
mod iff;
mod labels;
mod linear;
mod metadata;
mod opened;
mod pcm;
mod riff;
mod sniff;
mod source;
mod stated;

#[cfg(test)]
mod tests;
mod text;
mod wave;

pub use block::{Block, BlockSink};
pub use chunk::ChunkReader;
pub use completeness::{Completeness, completeness};
pub use digest::digest_file;
pub use error::{OpenError, ReadError};
pub use facts::*;
pub use opened::{Reading, Specimen};
pub use stated::{DateFault, Quantity, StatedDate, StatedFigure};
