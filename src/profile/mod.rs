//! Limits per delivery type: the model, inheritance, the built-in profiles.
//!
//! In: TOML. Out: a [`Profile`] whose limits are resolved and checked against the catalogue's
//! ids, or an error with file, line and what would be right. Knows nothing of samples.

mod model;

pub use model::*;
