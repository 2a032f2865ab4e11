//! Telling people: mails with their outbox, and the log.
//!
//! In: [`Payload`]s that wait in an [`Outbox`]. Out: mails over SMTP, each with a Message-ID
//! that it keeps over retries. Weighs nothing and moves nothing; mail never holds up custody.

mod payload;
mod subject;

pub use payload::*;
pub use subject::subject;
