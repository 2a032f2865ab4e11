//! The mail loop: waiting notices become mails, mails go out, what fails is tried again.
//!
//! In: an [`Outbox`], a [`MailOrder`], a wake-up for new notices, the word to stop. Out:
//! mails. The outbox is the truth: after a crash at any line, the next start goes on from what
//! it says. A mail whose "taken" was not heard is sent again under the same Message-ID.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use lettre::message::Mailbox;
use tokio::sync::{Notify, watch};
use tokio::time::{Instant, sleep_until};
use tracing::{error, info, warn};

use super::compose::{Composed, compose};
use super::mailer::*;
use super::outbox::*;
use super::payload::*;
use crate::config::{Mail, When};
use crate::record::one_line;

/// Who is told of what, and through which server.
pub struct MailOrder {
    studio: String,
    from: Mailbox,
    to: Vec<Mailbox>,
    when: When,
    mailer: Mailer,
    pace: Pace,
}

/// The loop's times.
#[derive(Clone, Debug)]
pub struct Pace {
    /// A burst is over when nothing came for so long.
    pub quiet: Duration,
    /// A burst is cut after so long.
    pub gather: Duration,
    /// One conversation with the server.
    pub send_limit: Duration,
    /// From the start of one attempt to the next; the last one stands for all further ones.
    pub retries: Vec<Duration>,
    /// How long a conversation may go on after the word to stop.
    pub grace: Duration,
}

impl Default for Pace {
    /// Own choices, but for the last retry: they come at least once a minute.
    fn default() -> Self {
        Self {
            quiet: Duration::from_secs(2),
            gather: Duration::from_secs(10),
            send_limit: SEND_LIMIT,
            retries: [5, 15, 60].map(Duration::from_secs).to_vec(),
            grace: Duration::from_secs(10),
        }
    }
}

impl Pace {
    fn retry(&self, attempts: u32) -> Duration {
        let index = usize::try_from(attempts).unwrap_or(usize::MAX);
        let last = self.retries.len().saturating_sub(1);
        let wait = self.retries.get(index.min(last)).copied();
        wait.unwrap_or(Duration::from_secs(60))
    }
}

impl MailOrder {
    /// From the checked configuration; reads the credential.
    pub fn new(studio: &str, mail: &Mail, pace: Pace) -> Result<Self, MailOrderError> {
        let mailbox = |text: &String| -> Result<Mailbox, MailOrderError> {
            (text.parse()).map_err(|source| MailOrderError::Address {
                address: text.clone(),
                source,
            })
        };
        let from = mailbox(&mail.from)?;
        Ok(Self {
            studio: studio.to_owned(),
            to: mail.to.iter().map(mailbox).collect::<Result<_, _>>()?,
            when: mail.when,
            mailer: Mailer::new(mail, &from, pace.send_limit)?,
            from,
            pace,
        })
    }

    fn at_once(&self, payload: &Payload) -> bool {
        match payload {
            Payload::Stop(_) => self.when.stop,
            Payload::Trouble(_) => self.when.trouble,
            Payload::Advise(_) => self.when.advise,
            Payload::Clear(_) => self.when.clear,
            // Whoever was told of the stop is told that it is over.
            Payload::ClearAgain(again) => {
                self.when.clear || (self.when.stop && again.stop_message_id.is_some())
            }
            Payload::Digest(_) => true,
        }
    }
}

/// Runs until `stop` turns true. `order` is `None` without a mail section: notices are then
/// logged and done.
pub async fn deliver(
    outbox: Arc<dyn Outbox + Send + Sync>,
    order: Option<MailOrder>,
    wake: Arc<Notify>,
    mut stop: watch::Receiver<bool>,
) {
    let mut post = Post {
        outbox,
        next_try: HashMap::new(),
        server_away: 0,
        server_next: Instant::now(),
        look_at_once: false,
    };
    // Where nobody is left who could say stop, the house is coming down.
    while !*stop.borrow() && stop.has_changed().is_ok() {
        let again_at = match &order {
            None => post.log_all().await,
            Some(order) => match post.gather(order, &wake, &mut stop).await {
                Ok(()) => post.send_all(order, &mut stop).await,
                Err(error) => Err(error),
            },
        };
        let again_at = again_at.unwrap_or_else(|failed| {
            error!(error = %failed, "the outbox can not be read or written: I try again in 5 s");
            Instant::now() + Duration::from_secs(5)
        });
        tokio::select! {
            () = wake.notified() => {}
            () = sleep_until(again_at) => {}
            () = stopped(&mut stop) => {}
        }
    }
}

/// Returns when the word to stop came, or nobody is left who could say it.
async fn stopped(stop: &mut watch::Receiver<bool>) {
    let _ = stop.wait_for(|stop| *stop).await;
}

struct Post {
    outbox: Arc<dyn Outbox + Send + Sync>,
    /// When each mail may be tried again, on our own clock: a wall clock that jumps back must
    /// not hold mails up. After a start all are tried at once.
    next_try: HashMap<i64, Instant>,
    /// Failures in a row that had nothing to do with the mail.
    server_away: u32,
    server_next: Instant,
    /// A notice of our own waits.
    look_at_once: bool,
}

/// Where nothing is due, the outbox is looked at again after so long: a wake-up is a hint.
const LOOK_AGAIN: Duration = Duration::from_secs(30);

impl Post {
    /// Runs a call of the outbox on a thread that may wait for the disk.
    async fn ask<T: Send + 'static>(
        &self,
        call: impl FnOnce(&dyn Outbox) -> Result<T, OutboxError> + Send + 'static,
    ) -> Result<T, OutboxError> {
        let outbox = Arc::clone(&self.outbox);
        tokio::task::spawn_blocking(move || call(&*outbox)).await?
    }

    async fn waiting(&self) -> Result<Vec<(WaitingNotice, Payload)>, OutboxError> {
        let waiting = self.ask(|outbox| outbox.waiting_notices()).await?;
        let read = |notice: WaitingNotice| {
            let payload = Payload::from_json(&notice.payload_json, &notice.at);
            (notice, payload)
        };
        Ok(waiting.into_iter().map(read).collect())
    }

    async fn log_all(&self) -> Result<Instant, OutboxError> {
        let waiting = self.waiting().await?;
        for (_, payload) in &waiting {
            log(payload);
        }
        self.done(waiting.iter().map(|(notice, _)| notice.id))
            .await?;
        Ok(Instant::now() + LOOK_AGAIN)
    }

    async fn done(&self, ids: impl Iterator<Item = i64>) -> Result<(), OutboxError> {
        let ids: Vec<i64> = ids.collect();
        if ids.is_empty() {
            return Ok(());
        }
        self.ask(move |outbox| outbox.notices_done(&ids)).await
    }

    /// Waits for the end of a burst, then makes the mails of it.
    async fn gather(
        &self,
        order: &MailOrder,
        wake: &Notify,
        stop: &mut watch::Receiver<bool>,
    ) -> Result<(), OutboxError> {
        let mut waiting = self.waiting().await?;
        let wanted = |all: &[(WaitingNotice, Payload)]| {
            all.iter()
                .filter(|(_, payload)| order.at_once(payload))
                .count()
        };
        let latest = Instant::now() + order.pace.gather;
        let mut quiet = Instant::now() + order.pace.quiet;
        let mut count = wanted(&waiting);
        while count > 0 && Instant::now() < quiet.min(latest) {
            tokio::select! {
                () = wake.notified() => {}
                () = sleep_until(quiet.min(latest)) => {}
                // They wait in the outbox for the next start.
                () = stopped(stop) => return Ok(()),
            }
            waiting = self.waiting().await?;
            if wanted(&waiting) > count {
                count = wanted(&waiting);
                quiet = Instant::now() + order.pace.quiet;
            }
        }
        self.make_mails(order, waiting).await
    }

    async fn make_mails(
        &self,
        order: &MailOrder,
        waiting: Vec<(WaitingNotice, Payload)>,
    ) -> Result<(), OutboxError> {
        let (wanted, others): (Vec<_>, Vec<_>) = waiting
            .into_iter()
            .partition(|(_, payload)| order.at_once(payload));
        self.done(others.iter().map(|(notice, _)| notice.id))
            .await?;
        for group in groups(&wanted) {
            let ids: Vec<i64> = group.iter().map(|(notice, _)| notice.id).collect();
            let payloads: Vec<&Payload> = group.iter().map(|(_, payload)| payload).collect();
            let now = Timestamp::now();
            let Composed {
                subject,
                message_id,
                raw,
            } = compose(&payloads, &order.studio, &order.from, &order.to, now)?;
            let mail = NewMail {
                message_id,
                subject,
                to: order.to.iter().map(|to| to.email.to_string()).collect(),
                raw,
            };
            self.ask(move |outbox| outbox.make_mail(&ids, &mail))
                .await?;
        }
        Ok(())
    }

    /// Sends what may be sent now; returns when to look again.
    async fn send_all(
        &mut self,
        order: &MailOrder,
        stop: &mut watch::Receiver<bool>,
    ) -> Result<Instant, OutboxError> {
        // All of them, however far off the ledger thinks they are: `next_try` decides.
        let until = Timestamp::now() + SignedDuration::from_hours(366 * 24);
        let mut due = self.ask(move |outbox| outbox.due_mails(until)).await?;
        // Mails that failed often go last, so that none stands in the way of the others.
        due.sort_by_key(|mail| (mail.attempts, mail.id));
        self.next_try
            .retain(|id, _| due.iter().any(|mail| mail.id == *id));
        for mail in due {
            let now = Instant::now();
            let not_yet = self.next_try.get(&mail.id).is_some_and(|at| *at > now);
            if not_yet || self.server_next > now || *stop.borrow() {
                continue;
            }
            let sending = order.mailer.send(&mail.to, &mail.raw);
            let leaving = async {
                stopped(stop).await;
                tokio::time::sleep(order.pace.grace).await;
            };
            let answer = tokio::select! {
                answer = sending => answer,
                // Not heard to the end: it is sent again after the next start.
                () = leaving => return Ok(now),
            };
            self.settle(order, mail, now, answer).await?;
        }
        if std::mem::take(&mut self.look_at_once) {
            return Ok(Instant::now());
        }
        let next = self.next_try.values().min().copied();
        let next = next.unwrap_or(Instant::now() + LOOK_AGAIN);
        Ok(next.max(self.server_next).min(Instant::now() + LOOK_AGAIN))
    }

    /// Writes down how an attempt ended that began at `began`.
    async fn settle(
        &mut self,
        order: &MailOrder,
        mail: DueMail,
        began: Instant,
        answer: Result<Sent, NotSent>,
    ) -> Result<(), OutboxError> {
        let DueMail {
            id,
            subject,
            message_id,
            attempts,
            ..
        } = mail;
        if !matches!(answer, Err(NotSent::Away(_))) {
            self.server_away = 0;
        }
        match answer {
            Ok(sent) => {
                self.next_try.remove(&id);
                self.ask(move |outbox| outbox.mail_sent(id)).await?;
                info!(%subject, %message_id, "mailed");
                self.tell_refused_recipients(sent.refused).await
            }
            Err(NotSent::Refused(said)) => {
                let said = one_line(&said);
                error!(%subject, %message_id, server_said = %said,
                    "the mail server refused a mail for good: it is not tried again");
                self.next_try.remove(&id);
                self.ask(move |outbox| outbox.mail_refused(id, &said)).await
            }
            Err(NotSent::Deferred(said)) => {
                let wait = order.pace.retry(attempts);
                self.later(id, subject, said, began, wait).await
            }
            Err(NotSent::Away(said)) => {
                let wait = order.pace.retry(self.server_away);
                self.server_away = self.server_away.saturating_add(1);
                self.server_next = began + wait;
                self.later(id, subject, said, began, wait).await
            }
        }
    }

    async fn later(
        &mut self,
        id: i64,
        subject: String,
        said: String,
        began: Instant,
        wait: Duration,
    ) -> Result<(), OutboxError> {
        let said = one_line(&said);
        let next = began + wait;
        let left = next.saturating_duration_since(Instant::now());
        warn!(%subject, error = %said, again_in_s = left.as_secs_f64(),
            "a mail could not be sent: it is tried again");
        self.next_try.insert(id, next);
        let left = SignedDuration::try_from(left)?;
        let next_at = Timestamp::now().checked_add(left)?;
        self.ask(move |outbox| outbox.mail_failed(id, next_at, &said))
            .await
    }

    /// The others have the mail, so that they can be told that one has not.
    async fn tell_refused_recipients(
        &mut self,
        refused: Vec<(String, String)>,
    ) -> Result<(), OutboxError> {
        for (who, said) in refused {
            let (who, said) = (one_line(&who), one_line(&said));
            error!(recipient = %who, server_said = %said, "the mail server refuses a recipient");
            let now = Timestamp::now();
            let trouble = Payload::Trouble(Trouble {
                at: now.to_string(),
                what: format!("the mail server refuses the recipient {who}: {said}"),
                place: "notice.mail".into(),
                to_do: "Correct `to` in the configuration; nobody else misses anything.".into(),
                over: false,
            });
            let (key, json) = (format!("recipient {who}"), trouble.to_json());
            let kind = Kind::Trouble.word();
            self.ask(move |outbox| outbox.notice(kind, &key, &json, now))
                .await?;
            self.look_at_once = true;
        }
        Ok(())
    }
}

type Group<'a> = Vec<&'a (WaitingNotice, Payload)>;

/// One mail each: all stops, all advised, all clear, all troubles; each thread that is closed,
/// each summary. What may hurt comes first.
fn groups(wanted: &[(WaitingNotice, Payload)]) -> Vec<Group<'_>> {
    let mut all: Vec<(Kind, Group<'_>)> = Vec::new();
    for notice in wanted {
        let kind = notice.1.kind();
        let alone = matches!(kind, Kind::ClearAgain | Kind::Digest);
        match all.iter_mut().find(|(of, _)| *of == kind && !alone) {
            Some((_, group)) => group.push(notice),
            None => all.push((kind, vec![notice])),
        }
    }
    all.sort_by_key(|(kind, _)| *kind);
    let may_hurt = |payload: &Payload| match payload {
        Payload::Stop(file) | Payload::Advise(file) => file.story.caution.is_some(),
        _ => false,
    };
    for (_, group) in &mut all {
        group.sort_by_key(|(_, payload)| !may_hurt(payload));
    }
    all.into_iter().map(|(_, group)| group).collect()
}

/// Without a mail section the log is where people are told.
fn log(payload: &Payload) {
    match payload {
        Payload::Stop(file) => warn!(
            watch = file.watch,
            file = file.story.name,
            reason = file.story.reason,
            caution = file.story.caution,
            now_at = file.placement.now,
            "stopped"
        ),
        Payload::Advise(file) | Payload::Clear(file) => info!(
            watch = file.watch,
            file = file.story.name,
            reason = file.story.reason,
            now_at = file.placement.now,
            verdict = file.story.verdict.word(),
            "may go on"
        ),
        Payload::ClearAgain(again) => info!(
            watch = again.file.watch,
            file = again.file.story.name,
            now_at = again.file.placement.now,
            "clear again"
        ),
        Payload::Trouble(trouble) if trouble.over => {
            info!(what = trouble.what, place = trouble.place, "trouble over");
        }
        Payload::Trouble(trouble) => {
            let Trouble {
                what, place, to_do, ..
            } = trouble;
            error!(what, place, to_do, "trouble");
        }
        Payload::Digest(digest) => info!(
            seen = digest.seen,
            clear = digest.clear,
            advise = digest.advise,
            stopped = digest.stopped,
            waiting = digest.waiting,
            "daily summary"
        ),
    }
}

/// The next time of the daily summary after `now`: that time of day in `now`'s zone.
///
/// A time that a clock change skips is taken at the first moment after the gap.
pub fn next_digest(now: &jiff::ZonedDateTime, at: jiff::civil::Time) -> jiff::ZonedDateTime {
    let zone = now.time_zone();
    let today = now.date();
    let tomorrow = today.tomorrow().unwrap_or(today);
    [today, tomorrow]
        .into_iter()
        .filter_map(|day| day.to_datetime(at).to_zoned_datetime(zone.clone()).ok())
        .find(|time| time.timestamp() > now.timestamp())
        .unwrap_or_else(|| now.clone())
}
