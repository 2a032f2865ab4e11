//! Meters of faults: every place, with a confidence; no opinion.

mod dc;
mod gap_edges;
mod gap_verdict;
mod gaps;
mod periodic;
mod repeats;
mod slabs;
#[cfg(test)]
mod testing;
mod zeros;

pub use dc::{ChannelDc, DcFacts, DcMeter};
pub use gap_edges::Around;
pub use gaps::{Filling, Gap, GapFacts, GapMeter};
pub use periodic::{PeriodicFacts, PeriodicMeter, PeriodicMutes};
pub use repeats::{RepeatFacts, RepeatMeter};
pub use zeros::{DataLayout, ZeroBlock, ZeroBlocks, ZeroFacts};
