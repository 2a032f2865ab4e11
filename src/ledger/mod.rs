//! The only SQL: what was seen, weighed, decided, moved and mailed, in `ledger.sqlite` in the
//! state folder. One writer thread owns the connection; [`Ledger`] is the handle to it, and
//! [`Reader`] looks on from another process.
//!
//! In and out: plain rows. What a call has returned is on the disk and survives a kill or a
//! power cut at any instant (the one exception is `arriving`, which is news, not knowledge).
//! Knows no audio and touches no file of a user.

mod basis;
mod error;
mod events;
mod files;
mod handle;
mod journal;
mod lock;
mod outbox;
mod place;
mod questions;
mod reader;
mod roots;
mod schema;
mod text;
mod troubles;

#[cfg(test)]
mod tests;

pub use basis::{AwaitingMix, Basis, MixBasis};
pub use error::LedgerError;
pub use events::{CustodyEvent, CustodyEventKind};
pub use files::{Earlier, FileId, FileKey, FileState, LastSidecar, RevisionOf, Seen, Weighing};
pub use handle::Ledger;
pub use journal::{DeedKind, Intent, IntentId, OpenIntent, Outcome};
pub use outbox::{Mail, MailId, NewMail, NewNotice, Notice, NoticeKind};
pub use place::{Place, Root};
pub use questions::{Counts, FileStory, UndeliveredMail, UnderWay};
pub use reader::Reader;
pub use troubles::ActiveTrouble;
