//! What is in a file: container, metadata, channels, damage, and its samples as blocks.
//!
//! In: a path, and the labels that profile or operator give to files that do not say. Out: a
//! [`Specimen`] of facts, and one pass over the bytes that feeds digests and a [`BlockSink`]
//! together. Opens read-only, follows no symbolic link, allocates nothing that a header asks
//! for, and knows no limits: an oddity is a fact here and an opinion in `judge`.

mod block;
mod caf;
mod coded;
mod completeness;
mod core_audio;
mod digest;
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

#[cfg(test)]
mod tests;
mod text;
mod wave;

pub use block::{Block, BlockSink};
pub use completeness::{Completeness, completeness};
pub use digest::digest_file;
pub use error::{OpenError, ReadError};
pub use facts::*;
pub use opened::{Reading, Specimen};
