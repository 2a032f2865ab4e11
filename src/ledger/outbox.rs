//! What has to be told, and the mails that tell it.
//!
//! A notice is kept with what happened (one transaction); a mail is kept whole before it is
//! sent. So a mail server that is down loses nothing, and a kill between two steps doubles
//! nothing but, at worst, a mail whose answer was lost: it goes out again under the same
//! Message-ID.

use jiff::Timestamp;
use rusqlite::{OptionalExtension, Row, Transaction, params};
use serde::{Deserialize, Serialize};

use super::files::FileId;
use super::text::{self, stamp};
use super::{Ledger, LedgerError};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum NoticeKind {
    Stop,
    Advise,
    Clear,
    Trouble,
    Digest,
}

impl NoticeKind {
    pub fn word(self) -> &'static str {
        match self {
            Self::Stop => "stop",
            Self::Advise => "advise",
            Self::Clear => "clear",
            Self::Trouble => "trouble",
            Self::Digest => "digest",
        }
    }

    /// The kind of that word.
    pub fn from_word(word: &str) -> Result<Self, LedgerError> {
        [
            Self::Stop,
            Self::Advise,
            Self::Clear,
            Self::Trouble,
            Self::Digest,
        ]
        .into_iter()
        .find(|kind| kind.word() == word)
        .ok_or_else(|| LedgerError::Word(word.to_owned()))
    }
}

/// Something that people have to be told.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct NewNotice {
    pub kind: NoticeKind,
    /// The same key is told once and never again.
    pub key: String,
    pub payload_json: String,
    #[serde(with = "text::timestamp")]
    pub at: Timestamp,
}

/// A notice in the outbox.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Notice {
    pub id: i64,
    pub kind: NoticeKind,
    pub key: String,
    pub payload_json: String,
    pub at: Timestamp,
    /// The file it is about, where it came with a deed.
    pub file: Option<FileId>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct MailId(pub i64);

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewMail {
    pub message_id: String,
    pub subject: String,
    pub to: Vec<String>,
    /// The complete message (RFC 5322), as it goes to the server at every attempt.
    pub raw: Vec<u8>,
}

/// A mail that waits to be sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mail {
    pub id: MailId,
    pub message_id: String,
    pub subject: String,
    pub to: Vec<String>,
    pub raw: Vec<u8>,
    /// How often it was tried.
    pub attempts: u32,
    pub next_at: Timestamp,
}

impl Ledger {
    /// Puts a notice into the outbox. `false` if its key was noticed before.
    pub fn notice(&self, notice: NewNotice) -> Result<bool, LedgerError> {
        self.write(move |transaction| insert(transaction, &notice, None))
    }

    /// What is not yet in a mail, oldest first.
    pub fn waiting_notices(&self) -> Result<Vec<Notice>, LedgerError> {
        self.call(|connection| {
            let sql = LedgerError::sql("be read");
            let mut statement = connection
                .prepare(
                    "SELECT id, kind, key, payload, at, file FROM notices
                     WHERE mail IS NULL AND done_at IS NULL ORDER BY id",
                )
                .map_err(&sql)?;
            let rows = statement
                .query_map([], |row| {
                    Ok((
                        row.get::<_, i64>(0)?,
                        row.get::<_, String>(1)?,
                        row.get::<_, String>(2)?,
                        row.get::<_, String>(3)?,
                        row.get::<_, String>(4)?,
                        row.get::<_, Option<i64>>(5)?,
                    ))
                })
                .map_err(&sql)?;
            let mut waiting = Vec::new();
            for row in rows {
                let (id, kind, key, payload_json, at, file) = row.map_err(&sql)?;
                waiting.push(Notice {
                    id,
                    kind: NoticeKind::from_word(&kind)?,
                    key,
                    payload_json,
                    at: text::time(&at)?,
                    file: file.map(FileId),
                });
            }
            Ok(waiting)
        })
    }

    /// These need no mail of their own.
    pub fn notices_done(&self, notice_ids: &[i64]) -> Result<(), LedgerError> {
        let ids = notice_ids.to_vec();
        self.write(move |transaction| {
            let now = stamp(Timestamp::now());
            for id in ids {
                transaction
                    .execute(
                        "UPDATE notices SET done_at = ?2 WHERE id = ?1",
                        params![id, now],
                    )
                    .map_err(LedgerError::sql("be written"))?;
            }
            Ok(())
        })
    }

    /// The Message-ID of the mail that told of the stop of this file, where there was one.
    pub fn message_id_of_stop(&self, file: FileId) -> Result<Option<String>, LedgerError> {
        self.call(move |connection| {
            connection
                .query_row(
                    "SELECT message_id FROM notices JOIN mails ON mails.id = notices.mail
                     WHERE notices.file = ?1 AND notices.kind = 'stop'",
                    [file.0],
                    |row| row.get(0),
                )
                .optional()
                .map_err(LedgerError::sql("be read"))
        })
    }

    /// Makes one mail of several notices, due at once. Refused as a whole where one of them is
    /// in a mail already.
    pub fn make_mail(&self, notice_ids: &[i64], mail: NewMail) -> Result<MailId, LedgerError> {
        let members = notice_ids.to_vec();
        self.write(move |transaction| {
            let sql = LedgerError::sql("be written");
            let now = stamp(Timestamp::now());
            transaction
                .execute(
                    "INSERT INTO mails (message_id, subject, recipients, raw, made_at, next_at)
                     VALUES (?1, ?2, ?3, ?4, ?5, ?5)",
                    params![
                        mail.message_id,
                        mail.subject,
                        text::json("recipients", &mail.to)?,
                        mail.raw,
                        now
                    ],
                )
                .map_err(&sql)?;
            let id = transaction.last_insert_rowid();
            for member in members {
                let marked = transaction
                    .execute(
                        "UPDATE notices SET mail = ?2 WHERE id = ?1 AND mail IS NULL",
                        params![member, id],
                    )
                    .map_err(&sql)?;
                if marked != 1 {
                    return Err(LedgerError::AlreadyMailed(member));
                }
            }
            Ok(MailId(id))
        })
    }

    /// Mails that are neither sent nor refused, and whose next attempt is not after `now`.
    pub fn due_mails(&self, now: Timestamp) -> Result<Vec<Mail>, LedgerError> {
        self.call(move |connection| {
            let sql = LedgerError::sql("be read");
            let mut statement = connection
                .prepare(
                    "SELECT id, message_id, subject, recipients, raw, attempts, next_at FROM mails
                     WHERE sent_at IS NULL AND refused_at IS NULL AND next_at <= ?1 ORDER BY id",
                )
                .map_err(&sql)?;
            let mut rows = statement.query([stamp(now)]).map_err(&sql)?;
            let mut due = Vec::new();
            while let Some(row) = rows.next().map_err(&sql)? {
                due.push(mail(row)?);
            }
            Ok(due)
        })
    }

    /// The server took it.
    pub fn mail_sent(&self, mail: MailId, at: Timestamp) -> Result<(), LedgerError> {
        self.touch_mail(
            mail,
            "UPDATE mails SET sent_at = ?2, attempts = attempts + 1, error = ?3",
            at,
            None,
        )
    }

    /// The server was not there, or asked to come later.
    pub fn mail_failed(
        &self,
        mail: MailId,
        next_at: Timestamp,
        error: &str,
    ) -> Result<(), LedgerError> {
        self.touch_mail(
            mail,
            "UPDATE mails SET next_at = ?2, attempts = attempts + 1, error = ?3",
            next_at,
            Some(error),
        )
    }

    /// The server refused it for good: it is not tried again, and stays among the undelivered.
    pub fn mail_refused(&self, mail: MailId, error: &str) -> Result<(), LedgerError> {
        self.touch_mail(
            mail,
            "UPDATE mails SET refused_at = ?2, attempts = attempts + 1, error = ?3",
            Timestamp::now(),
            Some(error),
        )
    }

    fn touch_mail(
        &self,
        mail: MailId,
        update: &'static str,
        at: Timestamp,
        error: Option<&str>,
    ) -> Result<(), LedgerError> {
        let error = error.map(str::to_owned);
        self.write(move |transaction| {
            let touched = transaction
                .execute(
                    &format!("{update} WHERE id = ?1 AND sent_at IS NULL AND refused_at IS NULL"),
                    params![mail.0, stamp(at), error],
                )
                .map_err(LedgerError::sql("be written"))?;
            if touched == 1 {
                Ok(())
            } else {
                Err(LedgerError::NoSuchMail(mail.0))
            }
        })
    }
}

/// `false` if the key was there.
pub(super) fn insert(
    transaction: &Transaction<'_>,
    notice: &NewNotice,
    file: Option<FileId>,
) -> Result<bool, LedgerError> {
    let new = transaction
        .execute(
            "INSERT INTO notices (kind, key, payload, at, file) VALUES (?1, ?2, ?3, ?4, ?5)
             ON CONFLICT (key) DO NOTHING",
            params![
                notice.kind.word(),
                notice.key,
                notice.payload_json,
                stamp(notice.at),
                file.map(|file| file.0)
            ],
        )
        .map_err(LedgerError::sql("be written"))?;
    Ok(new == 1)
}

fn mail(row: &Row<'_>) -> Result<Mail, LedgerError> {
    let sql = LedgerError::sql("be read");
    let (recipients, next_at): (String, String) =
        (row.get(3).map_err(&sql)?, row.get(6).map_err(&sql)?);
    Ok(Mail {
        id: MailId(row.get(0).map_err(&sql)?),
        message_id: row.get(1).map_err(&sql)?,
        subject: row.get(2).map_err(&sql)?,
        to: text::from_json("recipients", &recipients)?,
        raw: row.get(4).map_err(&sql)?,
        attempts: row.get(5).map_err(&sql)?,
        next_at: text::time(&next_at)?,
    })
}
