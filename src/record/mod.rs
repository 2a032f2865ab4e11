//! The sidecar: all that is known of one file, versioned, with a published JSON Schema.
//!
//! In: what was weighed, judged and done. Out: a [`Sidecar`] as JSON. Moves no files (custody
//! writes the bytes where they belong).

mod sidecar;

pub use sidecar::*;
