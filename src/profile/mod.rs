//! Limits per delivery type: the model, inheritance, the built-in profiles.
//!
//! In: TOML, and what the catalogue says of its checks. Out: a [`ProfileSet`] whose limits are
//! resolved and checked, or an error with file, line and what would be right. Knows nothing of
//! samples.

mod built_in;
mod check;
mod digest;
mod known;
mod model;
mod raw;
mod set;
#[cfg(test)]
mod tests;
mod yardstick;

pub use known::{KnownCheck, Takes};
pub use model::*;
pub use set::{ProfileError, ProfileSet, is_plain, load, load_with_file};
