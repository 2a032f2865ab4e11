//! A renderer after ITU-R BS.2127-1: a model and blocks of samples in, blocks of loudspeaker
//! signals out, to the layouts of ITU-R BS.2051.
//!
//! Knows nothing of loudness, files or limits. Memory is bounded by the metadata, never by the
//! length of the audio; the size of the blocks that go in does not change one bit of what comes out.

pub mod binaural;
pub mod point;
pub mod speakers;
