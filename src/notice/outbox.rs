//! The outbox as the mail loop needs it; the ledger keeps it.
//!
//! Every call blocks until it is on disk. A notice is waiting until it is done or part of a
//! mail; a mail is due until it is sent or refused.

use jiff::Timestamp;

/// A notice that waits to be mailed.
#[derive(Clone, Debug, PartialEq)]
pub struct WaitingNotice {
    pub id: i64,
    /// [`super::Payload`] as JSON.
    pub payload_json: String,
    /// RFC 3339.
    pub at: String,
}

/// A mail that was composed and shall be sent.
#[derive(Clone, Debug, PartialEq)]
pub struct NewMail {
    pub message_id: String,
    pub subject: String,
    pub to: Vec<String>,
    pub raw: Vec<u8>,
}

/// A mail that was neither sent nor refused.
#[derive(Clone, Debug, PartialEq)]
pub struct DueMail {
    pub id: i64,
    pub message_id: String,
    pub subject: String,
    pub to: Vec<String>,
    pub raw: Vec<u8>,
    /// How often it was tried.
    pub attempts: u32,
}

pub type OutboxError = Box<dyn std::error::Error + Send + Sync>;

pub trait Outbox {
    /// Puts a notice into the outbox, unless one with that kind and key was there before.
    fn notice(
        &self,
        kind: &str,
        key: &str,
        payload_json: &str,
        at: Timestamp,
    ) -> Result<(), OutboxError>;

    /// In the order in which they came.
    fn waiting_notices(&self) -> Result<Vec<WaitingNotice>, OutboxError>;

    /// These need no mail of their own.
    fn notices_done(&self, ids: &[i64]) -> Result<(), OutboxError>;

    /// In one transaction: the mail is there and these notices are part of it.
    fn make_mail(&self, ids: &[i64], mail: &NewMail) -> Result<(), OutboxError>;

    /// Mails that are neither sent nor refused and whose next attempt is not after `until`.
    fn due_mails(&self, until: Timestamp) -> Result<Vec<DueMail>, OutboxError>;

    fn mail_sent(&self, id: i64) -> Result<(), OutboxError>;

    /// Counts an attempt; it is tried again.
    fn mail_failed(&self, id: i64, next_at: Timestamp, error: &str) -> Result<(), OutboxError>;

    /// Never tried again; kept for `status` and the next daily summary.
    fn mail_refused(&self, id: i64, error: &str) -> Result<(), OutboxError>;
}
