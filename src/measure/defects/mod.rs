//! Meters of faults: every place, with a confidence; no opinion.


mod gap_edges;
mod gap_verdict;
mod gaps;


mod slabs;
mod zeros;

pub use gap_edges::Around;
pub use gaps::{Filling, Gap, GapFacts, GapMeter};
pub use zeros::{DataLayout, ZeroBlock, ZeroBlocks, ZeroFacts};
