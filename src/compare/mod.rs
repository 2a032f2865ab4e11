//! A master against the mix it came from: same parts, same movement, same timing, same level;
//! a channel-based file against another version of it: same channels, same edit.
//!
//! In: what both files say of their tracks (a [`Side`] each), then their samples, block by
//! block in turn. Out: a [`Comparison`] of numbers and places. Any cut into blocks gives the
//! same result, bit for bit; what is kept over time is six levels a track and 100 ms, and for
//! channel-based files a level of the whole every 10 ms.
//! Knows nothing of files and of what is allowed: a difference is a fact here and an opinion
//! in `judge`.

mod balance;
mod bands;
mod beds;
mod buffer;
mod comparer;
mod correlate;
mod curve;
mod heard;
mod likeness;
mod movement;
mod pairing;
mod path;
mod remains;
mod rematch;
mod report;
mod side;
mod spot;
mod timing;
mod types;
mod versions;

#[cfg(test)]
mod tests;

pub use comparer::{Comparer, Wants};
pub use remains::{MeasuredRemains, NotHeard, Remainder, RemainderKind, Remains};
pub use side::{CompareError, Limits, Side};
pub use types::*;
pub use versions::{
    Aligned, BandChange, ChannelAgainst, Edit, EditKind, Exchange, ExchangeKind, FloorChange,
    NullTest, RateLabel, TonalBalance, Versions,
};
