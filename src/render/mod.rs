//! A renderer after ITU-R BS.2127-1: a model and blocks of samples in, blocks of loudspeaker
//! signals out, to the layouts of ITU-R BS.2051.
//!
//! Knows nothing of loudness, files or limits. Memory is bounded by the metadata, never by the
//! length of the audio; the size of the blocks that go in does not change one bit of what comes out.

pub mod allocentric;
pub mod conversion;
pub mod divergence;
pub mod geometry;
pub mod object_gains;
pub mod point;
pub mod polar;
pub mod screen;
pub mod speakers;

#[cfg(test)]
mod tests;
