//! The operator's TOML: what it says (raw), then what it means (checked).
//!
//! In: a file's text. Out: a [`Config`] that can only hold what makes sense, or an error with
//! file, line, caret and what would be right. Runs nothing and opens nothing else but the
//! profiles folder's names.

mod model;

pub use model::*;
