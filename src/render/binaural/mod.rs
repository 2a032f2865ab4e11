//! Binaural rendering: what two ears hear of a loudspeaker render.
//!
//! In: the blocks of a render to a layout of ITU-R BS.2051 and a set of head-related impulse
//! responses from an AES69 (SOFA) file. Out: two ears, as many samples as went in, and the facts
//! that the record names the set by. Knows nothing of the model, of loudness or of limits.
//!
//! A binaural figure is a proxy: it belongs to one head, which is nobody's in the audience. What
//! is chosen here and not given by a standard is marked `own choice` where it stands.

mod convolver;
mod direction;
mod renderer;
mod resample;
mod set;
mod sofa;
#[cfg(test)]
mod tests;

pub use renderer::{BinauralError, BinauralFacts, BinauralRenderer};
pub use set::{HeadSet, HeadSetError, HeadSetFacts};

/// The loudspeakers that are made audible for the ears: the commonest room of the trade.
pub const VIRTUAL_LAYOUT: &str = "4+7+0";
