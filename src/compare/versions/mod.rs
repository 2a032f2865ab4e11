//! Two versions of a channel-based file: channels that changed places, sides or time, passages
//! that were put in, taken out or replaced, the same audio under two names, another rate on the
//! label, another tone or noise.
//!
//! In: both files' samples while they are read, and what the trackers found. Out: [`Versions`].
//! Any cut into blocks gives the same result, bit for bit; what is kept over time is a level
//! every 10 ms of each file. A difference is a fact here and an opinion in `judge`.

mod bed;
mod desk;
mod edits;
mod envelope;
mod matrix;
mod null;
mod passages;
mod rate;
mod refine;
mod rides;
mod swap;
mod told;
mod types;

pub(super) use bed::BedOrder;
pub(super) use desk::{Desk, channel_based};
pub(super) use envelope::{Envelope, RATE as ENVELOPE_RATE, candidates};
pub(super) use matrix::MOST_CHANNELS;
pub(super) use rate::rate_label;
pub(super) use told::{Told, told};
pub use types::*;
