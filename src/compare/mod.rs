//! A master against the mix it came from: same parts, same movement, same timing, same level.
//!
//! In: what both files say of their tracks (a [`Side`] each), then their samples, block by
//! block in turn. Out: a [`Comparison`] of numbers and places. Any cut into blocks gives the
//! same result, bit for bit; what is kept over time is six levels a track and 100 ms.
//! Knows nothing of files and of what is allowed: a difference is a fact here and an opinion
//! in `judge`.

mod balance;
mod bands;
mod beds;
mod buffer;
mod comparer;
mod correlate;
mod curve;
mod likeness;
mod movement;
mod pairing;
mod path;
mod report;
mod side;
mod spot;
mod timing;
mod types;

#[cfg(test)]
mod tests;

pub use comparer::{Comparer, Wants};
pub use side::{CompareError, Limits, Side};
pub use types::*;
