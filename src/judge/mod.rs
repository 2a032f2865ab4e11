//! The catalogue of checks, and from limits to findings to a verdict.
//!
//! In: a specimen's facts, its measurements, a profile. Out: a [`Judgement`]. Pure: the same
//! facts and the same profile give the same judgement, on any day and any host. Opens no file
//! and sees no sample.

mod types;

pub use types::*;
