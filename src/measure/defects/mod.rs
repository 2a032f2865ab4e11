//! Meters of faults inside the music: what a listener takes for an error and not for the piece.
//!
//! In: planes of samples, cut in any way. Out: facts with places and a confidence. Knows no
//! files, no limits, no other version of the piece.

mod analysis;
mod bursts;
mod candidates;
mod clicks;
mod dc;
mod discontinuities;
mod gap_edges;
mod gap_verdict;
mod gaps;
pub mod hum;
mod periodic;
mod prediction;
mod repeats;
mod seams;
mod slabs;
mod splices;
#[cfg(test)]
mod testing;
#[cfg(test)]
mod tests;
mod zeros;

pub use bursts::{BurstFacts, BurstMeter};
pub use clicks::ClickFacts;
pub use dc::{ChannelDc, DcFacts, DcMeter};
pub use discontinuities::{DiscontinuityFacts, DiscontinuityMeter};
pub use gap_edges::Around;
pub use gaps::{Filling, Gap, GapFacts, GapMeter};
pub use periodic::{PeriodicFacts, PeriodicMeter};
pub use repeats::{RepeatFacts, RepeatMeter};
pub use splices::SpliceFacts;
pub use zeros::{DataLayout, ZeroBlock, ZeroBlocks, ZeroFacts};
