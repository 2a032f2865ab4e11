//! The ledger as the mail loop's outbox.

use jiff::Timestamp;

use crate::ledger::{self, Ledger, MailId, NoticeKind};
use crate::notice::{DueMail, NewMail, Outbox, OutboxError, WaitingNotice};

/// Joins the two rooms, which do not know each other's types.
pub(super) struct LedgerOutbox(pub(super) Ledger);

impl Outbox for LedgerOutbox {
    fn notice(
        &self,
        kind: &str,
        key: &str,
        payload_json: &str,
        at: Timestamp,
    ) -> Result<(), OutboxError> {
        self.0.notice(ledger::NewNotice {
            kind: NoticeKind::from_word(kind)?,
            key: key.to_owned(),
            payload_json: payload_json.to_owned(),
            at,
        })?;
        Ok(())
    }

    fn waiting_notices(&self) -> Result<Vec<WaitingNotice>, OutboxError> {
        let waiting = self.0.waiting_notices()?;
        let one = |notice: ledger::Notice| WaitingNotice {
            id: notice.id,
            payload_json: notice.payload_json,
            at: notice.at.to_string(),
        };
        Ok(waiting.into_iter().map(one).collect())
    }

    fn notices_done(&self, ids: &[i64]) -> Result<(), OutboxError> {
        Ok(self.0.notices_done(ids)?)
    }

    fn make_mail(&self, ids: &[i64], mail: &NewMail) -> Result<(), OutboxError> {
        self.0.make_mail(
            ids,
            ledger::NewMail {
                message_id: mail.message_id.clone(),
                subject: mail.subject.clone(),
                to: mail.to.clone(),
                raw: mail.raw.clone(),
            },
        )?;
        Ok(())
    }

    fn due_mails(&self, until: Timestamp) -> Result<Vec<DueMail>, OutboxError> {
        let due = self.0.due_mails(until)?;
        let one = |mail: ledger::Mail| DueMail {
            id: mail.id.0,
            message_id: mail.message_id,
            subject: mail.subject,
            to: mail.to,
            raw: mail.raw,
            attempts: mail.attempts,
        };
        Ok(due.into_iter().map(one).collect())
    }

    fn mail_sent(&self, id: i64) -> Result<(), OutboxError> {
        Ok(self.0.mail_sent(MailId(id), Timestamp::now())?)
    }

    fn mail_failed(&self, id: i64, next_at: Timestamp, error: &str) -> Result<(), OutboxError> {
        Ok(self.0.mail_failed(MailId(id), next_at, error)?)
    }

    fn mail_refused(&self, id: i64, error: &str) -> Result<(), OutboxError> {
        Ok(self.0.mail_refused(MailId(id), error)?)
    }
}
