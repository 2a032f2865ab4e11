//! The daily summary and the status page's look: how the house stands, from the ledger.

use std::path::Path;

use jiff::{Timestamp, ToSpan, ZonedDateTime};

use super::house::House;
use crate::config::RecordPlace;
use crate::ledger::{FileStory, LedgerError, NewNotice, NoticeKind};
use crate::notice::{Digest, FileLine, Payload, Root, Since};
use crate::record::{printable, rfc3339};
use crate::service::{Line, View};

/// Rows of the summary and the page.
const ROWS: u32 = 200;

/// Files the summary of the day that ends at `now`; false where it was filed already.
pub(super) fn file_digest(house: &House, now: &ZonedDateTime) -> Result<bool, LedgerError> {
    let payload = Payload::Digest(digest(house, now)?);
    house.ledger.notice(NewNotice {
        kind: NoticeKind::Digest,
        key: format!("digest {}", now.date()),
        payload_json: payload.to_json(),
        at: now.timestamp(),
    })
}

fn digest(house: &House, now: &ZonedDateTime) -> Result<Digest, LedgerError> {
    let from = now
        .timestamp()
        .checked_sub(24.hours())
        .unwrap_or(Timestamp::UNIX_EPOCH);
    let counts = house.ledger.counts_since(from)?;
    let of = |words: &[&str]| {
        words
            .iter()
            .filter_map(|word| counts.verdicts.get(*word))
            .sum()
    };
    let under_way = house.ledger.under_way()?;
    let mails = house.ledger.undelivered_mails()?;
    let (refused, waiting): (Vec<_>, Vec<_>) = mails.into_iter().partition(|mail| mail.refused);
    let recent = house.ledger.recent(ROWS)?;
    let today = recent
        .iter()
        .filter(|story| story.weighed_at.is_some_and(|at| at >= from));
    let marked = today.filter(|story| story.verdict.as_deref().is_some_and(|v| v != "clear"));
    Ok(Digest {
        from: rfc3339(from, now),
        to: rfc3339(now.timestamp(), now),
        day: now.strftime("%A %-d %B %Y").to_string(),
        seen: counts.verdicts.values().sum(),
        clear: of(&["clear"]),
        advise: of(&["advise"]),
        stopped: of(&["stop", "unread"]),
        waiting: under_way.len() as u64,
        oldest_waiting: under_way
            .iter()
            .min_by_key(|file| file.since)
            .map(|file| Since {
                name: format!("{}:{}", file.watch, shown(&file.path)),
                since: rfc3339(file.since, now),
            }),
        files: marked.map(file_line).collect(),
        troubles: house.alarms.active(),
        undelivered: waiting.len() as u64,
        oldest_undelivered: waiting
            .iter()
            .min_by_key(|mail| mail.made_at)
            .map(|mail| Since {
                name: mail.subject.clone(),
                since: rfc3339(mail.made_at, now),
            }),
        refused: refused
            .iter()
            .filter(|mail| mail.made_at >= from)
            .map(|mail| {
                format!(
                    "{}: {}",
                    mail.subject,
                    mail.error.as_deref().unwrap_or("no reason")
                )
            })
            .collect(),
        roots: roots(house),
    })
}

fn file_line(story: &FileStory) -> FileLine {
    let word = match story.verdict.as_deref() {
        Some("stop") => "stopped",
        Some(word) => word,
        None => "",
    };
    FileLine {
        watch: story.watch.clone(),
        name: shown(&story.path),
        sentence: format!("{word}: {}", story.reason.as_deref().unwrap_or_default()),
    }
}

fn shown(path: &Path) -> String {
    printable(path.as_os_str())
}

fn roots(house: &House) -> Vec<Root> {
    let mut all = vec![root("state", &house.config.studio.state)];
    for watch in &house.config.watches {
        all.push(root(&watch.name, &watch.folder));
        for (name, folder) in [
            ("quarantine", &watch.quarantine),
            ("release", &watch.release),
        ] {
            all.extend(folder.as_deref().map(|folder| root(name, folder)));
        }
        if let RecordPlace::Folder(folder) = &watch.record {
            all.push(root("record", folder));
        }
    }
    all.dedup_by(|a, b| a.name == b.name && a.free_bytes == b.free_bytes);
    all
}

fn root(name: &str, folder: &Path) -> Root {
    let room = rustix::fs::statvfs(folder).ok();
    let bytes = |blocks: fn(&rustix::fs::StatVfs) -> u64| {
        room.as_ref()
            .map(|room| blocks(room).saturating_mul(room.f_frsize))
    };
    Root {
        name: name.to_owned(),
        free_bytes: bytes(|room| room.f_bavail),
        total_bytes: bytes(|room| room.f_blocks),
    }
}

/// How the house stands now, for the status page.
pub(super) fn view(house: &House) -> Result<View, LedgerError> {
    let now = ZonedDateTime::now();
    let midnight = now
        .start_of_day()
        .map_or(now.timestamp(), |start| start.timestamp());
    let mails = house.ledger.undelivered_mails()?;
    let mut troubles = house.alarms.active();
    troubles.extend(mails.iter().filter(|mail| mail.refused).map(|mail| {
        let why = mail.error.as_deref().unwrap_or("no reason was given");
        format!("the mail {:?} was refused for good: {why}", mail.subject)
    }));
    Ok(View {
        studio: house.config.studio.name.clone(),
        at: rfc3339(now.timestamp(), &now),
        troubles,
        under_way: house
            .ledger
            .under_way()?
            .into_iter()
            .map(|file| Line {
                at: rfc3339(file.since, &now),
                name: format!("{}:{}", file.watch, shown(&file.path)),
                word: file.state.word().to_owned(),
                place: file.why.unwrap_or_default(),
                reason: String::new(),
            })
            .collect(),
        past: house
            .ledger
            .recent(ROWS)?
            .into_iter()
            .map(|story| past(story, &now))
            .collect(),
        today: house
            .ledger
            .counts_since(midnight)?
            .verdicts
            .into_iter()
            .collect(),
        mails_waiting: mails.iter().filter(|mail| !mail.refused).count() as u64,
    })
}

fn past(story: FileStory, now: &ZonedDateTime) -> Line {
    let word = story.state.word();
    let place = match &story.place {
        Some(place) if place.path != story.path => format!("{word}, now at {place}"),
        _ => word.to_owned(),
    };
    Line {
        at: rfc3339(story.weighed_at.unwrap_or(story.settled_at), now),
        name: format!("{}:{}", story.watch, shown(&story.path)),
        word: story
            .verdict
            .unwrap_or_else(|| story.state.word().to_owned()),
        place,
        reason: story.reason.unwrap_or_default(),
    }
}
