//! Meters of faults inside the music: what a listener takes for an error and not for the piece.
//!
//! In: planes of samples, cut in any way. Out: facts with places and a confidence. Knows no
//! files, no limits, no other version of the piece.

mod analysis;
mod bursts;
mod candidates;
mod clicks;
mod discontinuities;
mod prediction;
mod splices;
#[cfg(test)]
mod tests;

pub use bursts::{BurstFacts, BurstMeter};
pub use clicks::ClickFacts;
pub use discontinuities::{DiscontinuityFacts, DiscontinuityMeter};
pub use splices::SpliceFacts;
