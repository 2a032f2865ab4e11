//! The note that lies where a stopped file lay, `NAME.EXT.stopped.txt`: in plain words why,
//! where the file is now, and what to do.
//!
//! In: the sidecar and the file's place. Out: the note's text. Who writes and removes it is
//! custody's affair.

use super::Sidecar;
use super::face::{Placement, plain};
use super::story::Story;

/// The note's text below custody's first line; ends with a newline. `title` gives the catalogue's name of a check.
pub fn note_text(
    sidecar: &Sidecar,
    placement: &Placement,
    title: &dyn Fn(&str) -> Option<String>,
) -> String {
    let story = plain(&Story::of(sidecar, title), placement);
    format!("\n{story}\nThis note goes away when a clear version arrives.\n")
}
