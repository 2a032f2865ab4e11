//! What arrived: scanning (the truth), kernel events (a hint that brings a look forward),
//! settling, identity, names to leave alone.
//!
//! In: a [`WatchOrder`] for each watch, and [`Hooks`]: whether a file is structurally complete,
//! whether it was dealt with before, which root was there last time. Out, through a bounded
//! channel: an [`Arrival`] for each file that has settled, and what is wrong with a folder.
//! Knows no audio, no ledger, and moves nothing. Each arrival wants exactly one answer,
//! [`WatchHandle::done`] or [`WatchHandle::given_back`]; until then the path is not handed out
//! again, so that no two weighings of one path run at once.

mod happening;
mod hints;
mod identity;
mod names;
mod order;
mod root;
mod scanner;
mod settling;
mod sweep;
mod teller;
mod tree;
mod watch;

#[cfg(test)]
mod tests;

pub use happening::{Arrival, Happening, Probe};
pub use identity::Identity;
pub use names::{NameRules, NameSays};
pub use order::{Hooks, WatchOrder};
pub use root::RootMemory;
pub use watch::{Standing, WatchHandle, start};
