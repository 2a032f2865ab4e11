//! What arrived: scanning (the truth), kernel events (a hint), settling, identity, names to
//! leave alone.
//!
//! In: watches, and a function that says whether a file is structurally complete (intake knows
//! no audio). Out: an [`Arrival`] for each file that has settled, and alarms about roots.

mod identity;

pub use identity::Identity;
