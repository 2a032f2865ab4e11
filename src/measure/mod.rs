//! Meters: every number and every place, no opinion.
//!
//! In: blocks of samples and the labels that say where each channel plays. Out: a
//! [`Measurements`]. Pure functions of samples: any cut into blocks gives the same result,
//! bit for bit. Knows no files and no limits.

mod types;

pub use types::*;
