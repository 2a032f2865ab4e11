//! From notices to one mail: subject, plain text and HTML, as the bytes that go over the wire.
//!
//! In: notices of one kind, who writes to whom. Out: a [`Composed`] mail whose Message-ID is
//! made here, once. Headers are encoded by the mail library and HTML is escaped by the
//! template; before either, every text is made one line, so that a file name can inject
//! nothing. Knows no server.

use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, SystemTime};

use jiff::Timestamp;
use lettre::Message;
use lettre::message::header::{Header, HeaderName, HeaderValue};
use lettre::message::{Mailbox, MultiPart};

use super::body;
use super::payload::*;
use super::subject::subject;
use crate::record::{one_line, page};

/// A mail, ready to be sent again and again as the same bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Composed {
    pub subject: String,
    /// With its angle brackets.
    pub message_id: String,
    pub raw: Vec<u8>,
}

/// RFC 3834, clause 5: nobody's absence note shall answer.
#[derive(Clone)]
struct AutoSubmitted;

impl Header for AutoSubmitted {
    fn name() -> HeaderName {
        HeaderName::new_from_ascii_str("Auto-Submitted")
    }

    fn parse(_: &str) -> Result<Self, Box<dyn std::error::Error + Send + Sync>> {
        Ok(Self)
    }

    fn display(&self) -> HeaderValue {
        HeaderValue::new(Self::name(), "auto-generated".into())
    }
}

/// One mail from notices of one kind (at least one).
///
/// Fails only where the mail library refuses the addresses, which were checked with the
/// configuration.
pub fn compose(
    notices: &[&Payload],
    studio: &str,
    from: &Mailbox,
    to: &[Mailbox],
    now: Timestamp,
) -> Result<Composed, lettre::error::Error> {
    let studio = &one_line(studio);
    let clean: Vec<Payload> = notices.iter().map(|notice| notice.one_lined()).collect();
    let notices: &[&Payload] = &clean.iter().collect::<Vec<_>>();
    let subject = subject(notices, studio);
    let recipients: Vec<String> = to.iter().map(|m| one_line(m.email.as_ref())).collect();
    let told = body::Told {
        notices,
        studio,
        recipients: &recipients,
    };
    let plain = told.plain();
    let html = page(&subject, &told.preheader(), &told.html());

    let seconds = u64::try_from(now.as_second()).unwrap_or_default();
    let date = SystemTime::UNIX_EPOCH + Duration::from_secs(seconds);
    let message_id = new_message_id(from, now, plain.as_bytes());
    let mut builder = Message::builder()
        .from(from.clone())
        .subject(subject.as_str())
        .date(date)
        .message_id(Some(message_id.clone()))
        .header(AutoSubmitted);
    for mailbox in to {
        builder = builder.to(mailbox.clone());
    }
    if let [Payload::ClearAgain(again)] = notices
        && let Some(stop) = again
            .stop_message_id
            .as_deref()
            .filter(|id| is_message_id(id))
    {
        builder = builder.in_reply_to(stop.into()).references(stop.into());
    }
    let parts = MultiPart::alternative_plain_html(plain, html);
    Ok(Composed {
        subject,
        message_id,
        raw: builder.multipart(parts)?.formatted(),
    })
}

/// Unique by time, process, a count and what is said; in the sender's own domain.
fn new_message_id(from: &Mailbox, now: Timestamp, said: &[u8]) -> String {
    static COUNT: AtomicU64 = AtomicU64::new(0);
    let mut hasher = blake3::Hasher::new();
    hasher.update(&now.as_nanosecond().to_le_bytes());
    hasher.update(&std::process::id().to_le_bytes());
    hasher.update(&COUNT.fetch_add(1, Ordering::Relaxed).to_le_bytes());
    hasher.update(said);
    let id = hasher.finalize().to_hex();
    format!("<{}.weighbridge@{}>", &id[..32], from.email.domain())
}

/// Only what this house made may stand in a header that is not encoded.
fn is_message_id(text: &str) -> bool {
    let inner = text
        .strip_prefix('<')
        .and_then(|rest| rest.strip_suffix('>'));
    inner.is_some_and(|inner| {
        inner.len() < 250
            && inner.bytes().filter(|b| *b == b'@').count() == 1
            && inner
                .bytes()
                .all(|b| b.is_ascii_graphic() && !b"<>\"(),:;\\".contains(&b))
    })
}
