//! The only code that moves, copies, links or removes a user's file, and that puts sidecars and
//! notes beside it.
//!
//! In: a file as it was weighed, and what is to be done with it ([`plan()`], then [`carry_out`]).
//! Out: the file at one place, which the ledger names, or an error and the file where it was.
//! The journal is written before the deed; [`finish_open_intents`] finishes or undoes what was
//! under way when a daemon died. Knows no samples and no limits.

mod access;
mod carry;
mod content;
mod error;
mod folder;
mod names;
mod papers;
mod plan;
mod put;
mod recover;
mod steps;
mod transfer;
mod undo;

#[cfg(test)]
mod tests;

pub use carry::{Done, Papers, carry_out, carry_out_watched};
pub use error::{CustodyError, Remedy};
pub use names::{note_name, numbered, sidecar_name};
pub use papers::{NOTE_FIRST_LINE, remove_note};
pub use plan::{Deed, Plan, plan};
pub use recover::{Ended, Finished, finish_open_intents, finish_open_intents_watched};
pub use steps::{Conduct, Go, Means, Step};
