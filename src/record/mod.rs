//! The sidecar: all that is known of one file, versioned, with a published JSON Schema; and
//! the story that every face tells of it.
//!
//! In: what was weighed, judged and done. Out: a [`Sidecar`] as JSON, a [`Story`] as plain
//! text or HTML, the note that lies where a stopped file lay. Moves no files (custody writes
//! the bytes where they belong).

mod elsewhere;
mod face;
mod figures;
mod heard;
#[cfg(test)]
pub(crate) mod invented;
mod make;
mod note;
mod sidecar;
mod story;

pub use crate::names::{one_line, printable, unprintable};
pub use face::{Placement, STYLE, facts_fragment, fragment, page, plain, ways_on, wrap};
pub use figures::{Figure, view_key};
pub use make::*;
pub use note::note_text;
pub use sidecar::*;
pub use story::{Fact, Row, Story, asks_for_a_person, follows, is_figure, quantity, word};
