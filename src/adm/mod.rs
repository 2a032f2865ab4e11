//! The Audio Definition Model (ITU-R BS.2076): what an immersive file says of its tracks.
//!
//! In: the `axml` chunk as a stream of bytes and the rows of `chna`. Out: a [`Model`] with
//! the file's own ids, and a list of findings, each in a plain sentence with its clause.
//! Knows nothing of rendering, loudness or limits.

pub mod block;
pub mod model;
pub mod time;

pub use model::Model;
