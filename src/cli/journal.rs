//! What the ledger tells, in words: what is under way, what was, one file's record.
//!
//! In: plain rows, filled by whoever reads the ledger. Out: text that ends with a line feed;
//! `status --json` serialises the same rows. Pure; knows no SQL.

use serde::Serialize;

use crate::ledger::CustodyEvent;
use crate::record::one_line;

use super::face::painted;
use super::text::{self, Accent, Paint};

/// The state of the house at one moment.
#[derive(Clone, Debug, Serialize)]
pub struct Status {
    pub studio: String,
    /// Where the ledger lies.
    pub state: String,
    /// Whether a daemon is at work on it now.
    pub running: bool,
    /// In the order in which they arrived.
    pub under_way: Vec<UnderWay>,
    /// Files dealt with since midnight, by verdict.
    pub today: Vec<Count>,
    /// Mails that the server did not take yet.
    pub mails_waiting: u64,
    /// Sentences about what needs somebody, as a mail that was refused for good; of a daemon
    /// that does not run, what it knew when it ended.
    pub troubles: Vec<String>,
}

/// One file between its arrival and its last place.
#[derive(Clone, Debug, Serialize)]
pub struct UnderWay {
    pub watch: String,
    /// Below the watch's folder; bytes that are not UTF-8 as `\xNN`.
    pub name: String,
    /// `arriving`, `settled`, `weighed`.
    pub state: String,
    /// RFC 3339 with the zone.
    pub since: String,
    pub bytes: u64,
    /// Why it waits, where that is known.
    pub why: Option<String>,
}

/// How many files had this verdict.
#[derive(Clone, Debug, Serialize)]
pub struct Count {
    /// The verdict's word.
    pub verdict: String,
    pub files: u64,
}

/// One weighing that is over.
#[derive(Clone, Debug, Serialize)]
pub struct Past {
    /// RFC 3339 with the zone.
    pub at: String,
    /// The verdict's word.
    pub verdict: String,
    pub watch: String,
    pub name: String,
    pub reason: String,
    /// `released`, `kept`, `quarantined`; empty while it is under way.
    pub event: String,
}

pub fn status(status: &Status, columns: usize, paint: Paint) -> String {
    let place = format!(
        "{}: ledger in {}",
        one_line(&status.studio),
        one_line(&status.state)
    );
    let mut out = text::hanging("", &place, columns);
    if !status.running {
        let says = "the daemon is not running: nothing is weighed, moved or mailed until it is";
        let line = text::hanging("", says, columns);
        out.push_str(&painted(&line, "not running", Accent::Vermilion, paint));
    }
    for trouble in &status.troubles {
        let line = text::hanging("trouble: ", &one_line(trouble), columns);
        out.push_str(&painted(&line, "trouble", Accent::Vermilion, paint));
    }
    if status.under_way.is_empty() {
        out.push_str("  nothing is under way\n");
    } else {
        out.push('\n');
        let rows: Vec<Vec<String>> = status.under_way.iter().map(under_way_row).collect();
        out.push_str(&text::table("  ", &rows, columns).concat());
        out.push('\n');
    }
    let counts: Vec<String> = status
        .today
        .iter()
        .filter(|count| count.files > 0)
        .map(|count| {
            format!(
                "{} {}",
                text::grouped(count.files),
                one_line(&count.verdict)
            )
        })
        .collect();
    if !counts.is_empty() {
        out.push_str(&text::hanging("  today: ", &counts.join(", "), columns));
    }
    if status.mails_waiting > 0 {
        let waiting = text::counted(status.mails_waiting, "mail waits", "mails wait");
        out.push_str(&format!("  {waiting} for the server\n"));
    }
    out
}

fn under_way_row(file: &UnderWay) -> Vec<String> {
    let mut says = format!("{}:{}", one_line(&file.watch), one_line(&file.name));
    if let Some(why) = &file.why {
        says.push_str(": ");
        says.push_str(&one_line(why));
    }
    vec![
        one_line(&file.state),
        minute(&file.since),
        format!("{:.1} MB", file.bytes as f64 / 1e6),
        says,
    ]
}

/// Newest first, as handed in. A name is never broken, so that it can be copied; the reason
/// stands below it.
pub fn history(past: &[Past], columns: usize, paint: Paint) -> String {
    if past.is_empty() {
        return "nothing was weighed yet\n".to_owned();
    }
    let widest = |cell: fn(&Past) -> &str| {
        let widths = past.iter().map(|row| text::width(&one_line(cell(row))));
        widths.max().unwrap_or(0)
    };
    let (verdicts, events) = (widest(|row| &row.verdict), widest(|row| &row.event));
    let mut out = String::new();
    for row in past {
        let at = minute(&row.at);
        let verdict = text::left(&one_line(&row.verdict), verdicts);
        let event = text::left(&one_line(&row.event), events);
        let (watch, name) = (one_line(&row.watch), one_line(&row.name));
        let line = format!("{at}  {verdict}  {event}  {watch}:{name}\n");
        out.push_str(&painted(
            &line,
            &row.verdict,
            accent_of(&row.verdict),
            paint,
        ));
        if !row.reason.is_empty() {
            let below = " ".repeat(text::width(&at) + 2);
            out.push_str(&text::hanging(&below, &one_line(&row.reason), columns));
        }
    }
    out
}

fn accent_of(verdict: &str) -> Accent {
    match verdict {
        "stop" | "unread" => Accent::Vermilion,
        "advise" => Accent::Blue,
        _ => Accent::None,
    }
}

/// The steps of one file's way, oldest first.
pub fn custody(events: &[CustodyEvent], columns: usize) -> String {
    let rows: Vec<Vec<String>> = events
        .iter()
        .map(|event| {
            let mut says = Vec::new();
            match (&event.from, &event.to) {
                (Some(from), Some(to)) => {
                    says.push(format!("{} to {}", one_line(from), one_line(to)))
                }
                (Some(place), None) | (None, Some(place)) => says.push(one_line(place)),
                (None, None) => {}
            }
            says.extend(event.says.as_deref().map(one_line));
            vec![
                second(&event.at),
                event.event.word().to_owned(),
                says.join("; "),
            ]
        })
        .collect();
    text::table("  ", &rows, columns).concat()
}

/// `2026-05-04 17:20` of an RFC 3339 time; anything else as it is.
fn minute(at: &str) -> String {
    clock(at, 16)
}

fn second(at: &str) -> String {
    clock(at, 19)
}

fn clock(at: &str, length: usize) -> String {
    match at.get(..length) {
        Some(start) if at.as_bytes().get(10) == Some(&b'T') => start.replacen('T', " ", 1),
        _ => one_line(at),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::CustodyEventKind;

    #[test]
    fn the_state_of_the_house_is_read_at_a_glance() {
        let house = Status {
            studio: "Tallow Street".into(),
            state: "/var/lib/weighbridge".into(),
            running: true,
            under_way: vec![
                UnderWay {
                    watch: "exports".into(),
                    name: "Harbour Lights/01 Harbour Lights (master).wav".into(),
                    state: "arriving".into(),
                    since: "2026-05-04T17:20:11+01:00".into(),
                    bytes: 51_840_044,
                    why: None,
                },
                UnderWay {
                    watch: "outbound".into(),
                    name: "x\n.wav".into(),
                    state: "weighed".into(),
                    since: "2026-05-04T17:19:01+01:00".into(),
                    bytes: 1_500_000,
                    why: Some("one more person must sign".into()),
                },
            ],
            today: vec![
                Count { verdict: "clear".into(), files: 1204 },
                Count { verdict: "advise".into(), files: 0 },
                Count { verdict: "stop".into(), files: 31 },
            ],
            mails_waiting: 1,
            troubles: vec!["the folder /srv/audio/outbound is not there (watch \"outbound\"): is the share mounted?".into()],
        };
        assert_eq!(
            status(&house, 80, Paint::Plain),
            "\
Tallow Street: ledger in /var/lib/weighbridge
trouble: the folder /srv/audio/outbound is not there (watch \"outbound\"): is the
         share mounted?

  arriving  2026-05-04 17:20  51.8 MB  exports:Harbour Lights/01 Harbour Lights
                                       (master).wav
  weighed   2026-05-04 17:19  1.5 MB   outbound:x\\x0a.wav: one more person must
                                       sign

  today: 1,204 clear, 31 stop
  1 mail waits for the server
"
        );
    }

    #[test]
    fn a_daemon_that_does_not_run_is_told_before_all_else() {
        let house = Status {
            studio: "Tallow Street".into(),
            state: "/var/lib/weighbridge".into(),
            running: false,
            under_way: Vec::new(),
            today: Vec::new(),
            mails_waiting: 0,
            troubles: Vec::new(),
        };
        assert_eq!(
            status(&house, 80, Paint::Plain),
            "\
Tallow Street: ledger in /var/lib/weighbridge
the daemon is not running: nothing is weighed, moved or mailed until it is
  nothing is under way
"
        );
    }

    #[test]
    fn history_says_when_what_and_why() {
        let past = [
            Past {
                at: "2026-05-04T17:20:11+01:00".into(),
                verdict: "stop".into(),
                watch: "exports".into(),
                name: "02 Slack Tide.wav".into(),
                reason: "1.6 LU too loud (-12.4, asked: at most -14.0 LUFS)".into(),
                event: "quarantined".into(),
            },
            Past {
                at: "2026-05-04T17:19:02+01:00".into(),
                verdict: "clear".into(),
                watch: "exports".into(),
                name: "01 Harbour Lights.wav".into(),
                reason: String::new(),
                event: "kept".into(),
            },
        ];
        assert_eq!(
            history(&past, 80, Paint::Plain),
            "\
2026-05-04 17:20  stop   quarantined  exports:02 Slack Tide.wav
                  1.6 LU too loud (-12.4, asked: at most -14.0 LUFS)
2026-05-04 17:19  clear  kept         exports:01 Harbour Lights.wav
"
        );
        assert_eq!(history(&[], 80, Paint::Plain), "nothing was weighed yet\n");
    }

    #[test]
    fn each_step_of_a_file_says_from_where_to_where() {
        let event = |at: &str, event, from: Option<&str>, to: Option<&str>, says: Option<&str>| {
            CustodyEvent {
                at: at.into(),
                event,
                from: from.map(Into::into),
                to: to.map(Into::into),
                says: says.map(Into::into),
            }
        };
        let events = [
            event(
                "2026-05-04T17:20:01+01:00",
                CustodyEventKind::Settled,
                None,
                None,
                None,
            ),
            event(
                "2026-05-04T17:20:11+01:00",
                CustodyEventKind::Quarantined,
                Some("exports:a.wav"),
                Some("quarantine:a (2).wav"),
                Some("the name was taken"),
            ),
        ];
        assert_eq!(
            custody(&events, 80),
            "  2026-05-04 17:20:01  settled
  2026-05-04 17:20:11  quarantined  exports:a.wav to quarantine:a (2).wav; the
                                    name was taken
"
        );
    }
}
