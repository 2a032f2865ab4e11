//! Telling people: mails with their outbox, and the log.
//!
//! In: [`Payload`]s that wait in an [`Outbox`]. Out: mails over SMTP, each with a Message-ID
//! that it keeps over retries. Weighs nothing and moves nothing; mail never holds up custody.

mod body;
mod compose;
mod deliver;
pub mod log;
mod mailer;
mod outbox;
mod payload;
mod subject;

pub use compose::{Composed, compose};
pub use deliver::{MailOrder, Pace, deliver, next_digest};
pub use mailer::*;
pub use outbox::*;
pub use payload::*;
pub use subject::subject;
