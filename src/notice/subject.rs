//! A mail's subject: alone it must tell what happened, on the width of a phone's list.
//!
//! In: notices of one kind. Out: one line of about 120 characters, without control characters.
//! Cut is the middle of a name, never the reason.

use super::payload::*;
use crate::judge::Verdict;
use crate::record::{one_line, word};

/// Own choice: mail programs show 40 to 130 characters.
const LONGEST: usize = 120;
/// A name keeps at least so much, else it is no name.
const NAME_AT_LEAST: usize = 30;
/// A reason alone may not fill the line.
const REASON_AT_MOST: usize = 80;

/// Opens the subject where a file could hurt.
pub const CAUTION: &str = "do not play loud";

/// The subject of a mail with these notices, all of one kind; at least one.
pub fn subject(notices: &[&Payload], studio: &str) -> String {
    let files: Vec<&FileNotice> = notices.iter().filter_map(|n| file_of(n)).collect();
    let line = match (notices, files.as_slice()) {
        ([Payload::Digest(digest), ..], _) => {
            format!(
                "daily summary, {studio}, {}: {}",
                digest.day,
                in_short(digest)
            )
        }
        ([Payload::ClearAgain(again)], _) => one_file(&again.file, after_a_stop(&again.file)),
        (_, [file]) => one_file(file, word(file.story.verdict)),
        (_, [first, ..]) => {
            let what = match notices[0] {
                Payload::ClearAgain(again) => after_a_stop(&again.file),
                _ if files.iter().any(|f| f.story.verdict.goes_on()) => word(first.story.verdict),
                _ => "stopped",
            };
            several_files(&files, what)
        }
        _ => troubles(notices),
    };
    // A mail program would decode what looks like an encoded word (RFC 2047); a name that is
    // written like one is shown with its question mark as a byte.
    let line = one_line(&line).replace("=?", "=\\x3f");
    cut_end(&line, LONGEST)
}

/// What became of a file whose revision before was stopped.
fn after_a_stop(file: &FileNotice) -> &'static str {
    match file.story.verdict {
        Verdict::Clear => "clear again",
        _ => "no longer stopped",
    }
}

fn file_of(notice: &Payload) -> Option<&FileNotice> {
    match notice {
        Payload::Stop(file) | Payload::Advise(file) | Payload::Clear(file) => Some(file),
        Payload::ClearAgain(again) => Some(&again.file),
        Payload::Trouble(_) | Payload::Digest(_) => None,
    }
}

fn one_file(file: &FileNotice, word: &str) -> String {
    let reason = cut_end(
        &without_brackets(&one_line(&file.story.reason)),
        REASON_AT_MOST,
    );
    let caution = match file.story.caution {
        Some(_) => format!("{CAUTION}, "),
        None => String::new(),
    };
    let start = format!("{caution}{word}: ");
    let end = match reason.as_str() {
        "" => String::new(),
        reason => format!(": {reason}"),
    };
    let taken = start.chars().count() + end.chars().count();
    let room = LONGEST.saturating_sub(taken).max(NAME_AT_LEAST);
    let name = cut_middle(&one_line(&file.story.name), room);
    // With the longest caution and reason the line is a little over: the reason's end gives way.
    cut_end(&format!("{start}{name}{end}"), LONGEST)
}

fn several_files(files: &[&FileNotice], word: &str) -> String {
    let mut watches: Vec<&str> = files.iter().map(|f| f.watch.as_str()).collect();
    watches.sort_unstable();
    watches.dedup();
    let caution = match files.iter().any(|f| f.story.caution.is_some()) {
        true => format!("{CAUTION}, "),
        false => String::new(),
    };
    let count = files.len();
    let mut line = match watches.len() {
        1..=3 => format!(
            "{caution}{word}: {count} files in {}: ",
            watches.join(" and ")
        ),
        n => format!("{caution}{word}: {count} files in {n} folders: "),
    };
    for (told, file) in files.iter().enumerate() {
        let name = cut_middle(&one_line(&file.story.name), 40);
        let rest = format!(" and {} more", count - told);
        let comma = if told == 0 { "" } else { ", " };
        let with_it = line.chars().count() + comma.len() + name.chars().count();
        let last = told + 1 == count;
        if told > 0 && with_it + if last { 0 } else { rest.len() } > LONGEST {
            return line + &rest;
        }
        line = line + comma + &name;
    }
    line
}

fn troubles(notices: &[&Payload]) -> String {
    let all: Vec<&Trouble> = (notices.iter())
        .filter_map(|notice| match notice {
            Payload::Trouble(trouble) => Some(trouble),
            _ => None,
        })
        .collect();
    let worst = all.iter().find(|t| !t.over).or(all.first());
    let Some(worst) = worst else {
        return "weighbridge".into();
    };
    let word = if worst.over {
        "trouble over"
    } else {
        "trouble"
    };
    match all.len() {
        1 => format!("{word}: {}", worst.what),
        n => format!("{word}: {} (and {} more)", cut_end(&worst.what, 90), n - 1),
    }
}

/// `nothing arrived`, or `14 files: 12 clear, 2 stopped`.
pub fn in_short(digest: &Digest) -> String {
    let mut line = match digest.seen {
        0 => "nothing arrived".to_owned(),
        1 => "1 file".to_owned(),
        n => format!("{n} files"),
    };
    let mails = |count: u64| if count == 1 { "mail" } else { "mails" };
    let refused = digest.refused.len() as u64;
    let counts = [
        (digest.stopped, "stopped".to_owned()),
        (digest.advise, "advise".to_owned()),
        (digest.clear, "clear".to_owned()),
        (digest.waiting, "waiting".to_owned()),
        (
            digest.undelivered,
            format!("{} undelivered", mails(digest.undelivered)),
        ),
        (refused, format!("{} refused", mails(refused))),
    ];
    let told = counts.into_iter().filter(|(count, _)| *count > 0);
    for (n, (count, words)) in told.enumerate() {
        line += &format!("{} {count} {words}", if n == 0 { ":" } else { "," });
    }
    line
}

/// A reason without what stands in round brackets: the figures are in the mail.
fn without_brackets(text: &str) -> String {
    let mut out = String::new();
    let mut rest = text;
    while let Some(open) = rest.find('(') {
        let Some(close) = rest[open..].find(')') else {
            break;
        };
        out.push_str(rest[..open].trim_end());
        rest = &rest[open + close + 1..];
    }
    out + rest
}

fn cut_end(text: &str, longest: usize) -> String {
    if text.chars().count() <= longest {
        return text.to_owned();
    }
    let kept: String = text.chars().take(longest - 1).collect();
    kept.trim_end().to_owned() + "…"
}

/// Keeps the start and, of the end, the part with revision and extension.
pub fn cut_middle(text: &str, longest: usize) -> String {
    let all: Vec<char> = text.chars().collect();
    if all.len() <= longest {
        return text.to_owned();
    }
    let end = (longest - 1) / 2;
    let start = longest - 1 - end;
    let tail = &all[all.len() - end..];
    all[..start]
        .iter()
        .chain(['…'].iter())
        .chain(tail)
        .collect()
}
