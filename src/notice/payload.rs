//! What there is to tell, before it is a mail: kept as JSON in the ledger's outbox.
//!
//! In: a sidecar, or what the daemon met. Out: a [`Payload`]. Knows nothing of mail. Keys may
//! be added, not renamed: a notice may have been written by the version before.

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::record::{Placement, Story, one_line};

/// One notice.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Payload {
    /// A file that may not go on: verdict stop or unread.
    Stop(FileNotice),
    Advise(FileNotice),
    Clear(FileNotice),
    /// A later revision of a stopped file that is clear or advise.
    ClearAgain(ClearAgain),
    Trouble(Trouble),
    /// The daily summary.
    Digest(Digest),
}

/// What was found out about one file, and what was done with it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FileNotice {
    pub watch: String,
    /// When it was weighed: RFC 3339 with the zone.
    pub at: String,
    pub story: Story,
    pub placement: Placement,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClearAgain {
    #[serde(flatten)]
    pub file: FileNotice,
    /// When the revision before was stopped: RFC 3339 with the zone.
    pub stopped_at: Option<String>,
    /// Why it was: its reason.
    pub stopped_for: Option<String>,
    /// The Message-ID of the mail that told of the stop, so that this one closes its thread.
    pub stop_message_id: Option<String>,
}

/// Something that the operator must act on, or that hinders the house.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trouble {
    pub at: String,
    /// What happened, one sentence: `the folder /srv/audio/outbound is not there`.
    pub what: String,
    /// Where: `watch outbound`; empty where it has no place.
    pub place: String,
    /// What to do, one sentence; empty where nothing is to be done.
    pub to_do: String,
    /// `true` when it tells that an earlier trouble is over.
    pub over: bool,
}

/// A day in the house. Counts are of what happened between `from` and `to`; the rest is as it
/// is at `to`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Digest {
    /// RFC 3339 with the zone.
    pub from: String,
    pub to: String,
    /// The day for people: `Monday 4 May 2026`.
    pub day: String,
    pub seen: u64,
    pub clear: u64,
    pub advise: u64,
    pub stopped: u64,
    /// Files that arrived and are not weighed yet.
    pub waiting: u64,
    pub oldest_waiting: Option<Since>,
    /// What was stopped or advised in the day, a line each: name, and the sentence.
    pub files: Vec<FileLine>,
    /// Troubles of the day, a sentence each.
    pub troubles: Vec<String>,
    /// Mails that could not be delivered yet.
    pub undelivered: u64,
    pub oldest_undelivered: Option<Since>,
    /// Mails that the mail server refused for good: subject, and what it said.
    pub refused: Vec<String>,
    pub roots: Vec<Root>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Since {
    pub name: String,
    /// RFC 3339 with the zone.
    pub since: String,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FileLine {
    pub watch: String,
    pub name: String,
    /// `stopped: 1.6 LU too loud`
    pub sentence: String,
}

/// A folder of the house and the room that is left there.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Root {
    /// `exports`, `quarantine`, `state`
    pub name: String,
    /// `None` where the folder is not there.
    pub free_bytes: Option<u64>,
    pub total_bytes: Option<u64>,
}

/// What `when` of the mail section asks about; also the outbox's `kind` column.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    Stop,
    Trouble,
    Advise,
    Clear,
    ClearAgain,
    Digest,
}

impl Kind {
    pub fn word(self) -> &'static str {
        match self {
            Self::Stop => "stop",
            Self::Trouble => "trouble",
            Self::Advise => "advise",
            Self::Clear => "clear",
            Self::ClearAgain => "clear_again",
            Self::Digest => "digest",
        }
    }
}

impl Payload {
    /// The payload for a weighed file, by its verdict.
    pub fn of_file(file: FileNotice) -> Self {
        use crate::judge::Verdict::*;
        match file.story.verdict {
            Stop | Unread => Self::Stop(file),
            Advise => Self::Advise(file),
            Clear => Self::Clear(file),
        }
    }

    pub fn kind(&self) -> Kind {
        match self {
            Self::Stop(_) => Kind::Stop,
            Self::Advise(_) => Kind::Advise,
            Self::Clear(_) => Kind::Clear,
            Self::ClearAgain(_) => Kind::ClearAgain,
            Self::Trouble(_) => Kind::Trouble,
            Self::Digest(_) => Kind::Digest,
        }
    }

    /// As the outbox keeps it.
    pub fn to_json(&self) -> String {
        serde_json::to_string(self).expect("all keys of a notice are texts: it has a JSON")
    }

    /// The same with every text in it made one line, whoever wrote it: where all of it has gone
    /// through here, no template can forget one.
    pub fn one_lined(&self) -> Self {
        fn clean(value: &mut Value) {
            match value {
                Value::String(text) => *text = one_line(text),
                Value::Array(all) => all.iter_mut().for_each(clean),
                Value::Object(all) => all.values_mut().for_each(clean),
                _ => {}
            }
        }
        let mut value = serde_json::to_value(self).expect("a notice has a JSON");
        clean(&mut value);
        serde_json::from_value(value).expect("only the contents of texts were changed")
    }

    /// Reads what [`Payload::to_json`] wrote. What cannot be read is not lost: it becomes a
    /// trouble that says so and quotes it.
    pub fn from_json(text: &str, at: &str) -> Self {
        serde_json::from_str(text).unwrap_or_else(|error| {
            let quoted: String = text.chars().take(400).collect();
            Self::Trouble(Trouble {
                at: at.to_owned(),
                what: format!("a notice in the outbox could not be read ({error}): {quoted}"),
                place: "ledger".into(),
                to_do: "`weighbridge history` shows what was done with the files of that time"
                    .into(),
                over: false,
            })
        })
    }
}
