//! What remains of a master when its mix, equalised and with moving gain, is taken away: a list
//! of places to listen to, and whether the two are the same music at all.
//!
//! In: the samples of both, aligned. Out: [`Remains`]. Every window of 43 ms is predicted from the
//! mix: through one transfer function, learnt over some seconds and smooth over frequency, and by
//! a gain that is free from window to window but smooth over frequency. Equalisers, compressors,
//! limiters and fades are of that kind. A part that was lost, added or changed in level is not:
//! it sits on some bins and not on their neighbours. Knows nothing of what is allowed.

mod clicks;
mod equaliser;
mod gain;
mod history;
mod layout;
mod meter;
mod places;
mod types;

#[cfg(test)]
mod tests;

pub(in crate::compare) use meter::{Meter, Source};
pub use types::{MeasuredRemains, NotHeard, Remainder, RemainderKind, Remains};
