//! What a mail says, as plain text and as HTML: the same words in the same order.
//!
//! In: notices of one kind. Out: two texts and the preheader. The file's own story is
//! `record`'s; here is what stands around it.

use maud::{Markup, html};

use super::payload::*;
use super::subject::in_short;
use crate::record::{Fact, Story, facts_fragment, fragment, one_line, plain, wrap};

/// Files that are told in full in one mail. Own choice: a set of 14 alternates is read, a
/// folder of 3,000 is not.
const IN_FULL: usize = 15;
/// Files that are told at all, a line each; the rest is counted.
const IN_LINES: usize = 500;

pub(super) struct Told<'a> {
    pub notices: &'a [&'a Payload],
    pub studio: &'a str,
    pub recipients: &'a [String],
}

impl Told<'_> {
    fn files(&self) -> impl Iterator<Item = (&FileNotice, Option<&ClearAgain>)> {
        self.notices.iter().filter_map(|notice| match notice {
            Payload::Stop(file) | Payload::Advise(file) | Payload::Clear(file) => {
                Some((file, None))
            }
            Payload::ClearAgain(again) => Some((&again.file, Some(again))),
            Payload::Trouble(_) | Payload::Digest(_) => None,
        })
    }

    fn troubles(&self) -> impl Iterator<Item = &Trouble> {
        self.notices.iter().filter_map(|notice| match notice {
            Payload::Trouble(trouble) => Some(trouble),
            _ => None,
        })
    }

    fn digests(&self) -> impl Iterator<Item = &Digest> {
        self.notices.iter().filter_map(|notice| match notice {
            Payload::Digest(digest) => Some(digest),
            _ => None,
        })
    }

    /// What a mail program shows beside the subject: the first thing that is told.
    pub fn preheader(&self) -> String {
        let mut lines: Vec<String> = Vec::new();
        for (file, _) in self.files().take(3) {
            lines.extend(file.story.caution.clone());
            lines.push(format!("{} ({})", file.story.sentence(), file.story.name));
        }
        lines.extend(self.troubles().take(3).map(|t| t.what.clone()));
        lines.extend(self.digests().map(in_short));
        one_line(&lines.join("; "))
    }

    /// A line for each of several files, before they are told in full.
    fn overview(&self) -> Vec<String> {
        let count = self.files().count();
        if count < 2 {
            return Vec::new();
        }
        let mut lines: Vec<String> = (self.files().take(IN_LINES))
            .map(|(file, _)| in_a_line(file))
            .collect();
        if count > IN_LINES {
            let more = count - IN_LINES;
            lines.push(format!("and {more} more: `weighbridge history` lists them"));
        }
        lines
    }

    pub fn plain(&self) -> String {
        let mut out = String::new();
        for line in self.overview() {
            out += &wrap(&line, "- ", "  ");
        }
        let several = !out.is_empty();
        for (file, again) in self.files().take(IN_FULL) {
            if several {
                out += &format!("\n{}\n\n", "-".repeat(72));
            }
            if let Some(again) = again {
                out += &wrap(&again_sentence(again), "", "");
                out.push('\n');
            }
            out += &plain(&with_watch(file), &file.placement);
        }
        for (n, trouble) in self.troubles().enumerate() {
            if n > 0 {
                out.push('\n');
            }
            for line in trouble_lines(trouble) {
                out += &wrap(&line, "", "");
            }
        }
        for digest in self.digests() {
            out += &plain_digest(digest);
        }
        out.push('\n');
        out += &wrap(&self.foot(), "", "");
        out
    }

    pub fn html(&self) -> Markup {
        let overview = self.overview();
        html! {
            @if !overview.is_empty() {
                article { ul { @for line in &overview { li { (line) } } } }
            }
            @for (file, again) in self.files().take(IN_FULL) {
                @if let Some(again) = again {
                    p { (again_sentence(again)) }
                }
                (fragment(&with_watch(file), &file.placement))
            }
            @for trouble in self.troubles() {
                article {
                    @for (n, line) in trouble_lines(trouble).iter().enumerate() {
                        @if n == 0 { h1 { (line) } } @else { p { (line) } }
                    }
                }
            }
            @for digest in self.digests() { (html_digest(digest)) }
            p.foot { (self.foot()) }
        }
    }

    /// Who else got it, and that nobody need answer.
    fn foot(&self) -> String {
        let to = match self.recipients {
            [] => String::new(),
            all => format!(" This went to {}.", all.join(", ")),
        };
        format!("weighbridge at {}.{to}", self.studio)
    }
}

/// The story, which does not know where the file came from, with the watch after its name.
fn with_watch(file: &FileNotice) -> Story {
    let mut story = file.story.clone();
    let after_name = story.file.len().min(1);
    (story.file).insert(after_name, Fact::new("watch", &file.watch));
    story
}

fn again_sentence(again: &ClearAgain) -> String {
    let mut line = "This file was stopped before; this version may go on.".to_owned();
    if let Some(at) = &again.stopped_at {
        line += &format!(" It was stopped at {at}");
        match &again.stopped_for {
            Some(why) => line += &format!(": {why}."),
            None => line.push('.'),
        }
    }
    one_line(&line)
}

fn in_a_line(file: &FileNotice) -> String {
    let story = &file.story;
    let caution = match &story.caution {
        Some(caution) => format!("{caution} "),
        None => String::new(),
    };
    one_line(&format!("{caution}{}: {}", story.name, story.sentence()))
}

fn trouble_lines(trouble: &Trouble) -> Vec<String> {
    let word = if trouble.over {
        "trouble over"
    } else {
        "trouble"
    };
    let mut lines = vec![format!("{word}: {}", one_line(&trouble.what))];
    let when = match trouble.place.as_str() {
        "" => trouble.at.clone(),
        place => format!("{place}, {}", trouble.at),
    };
    lines.push(one_line(&when));
    if !trouble.to_do.is_empty() {
        lines.push(one_line(&trouble.to_do));
    }
    lines
}

/// Counts and states of a digest, in the order in which they are told.
fn digest_facts(digest: &Digest) -> Vec<Fact> {
    let mut all: Vec<Fact> = [
        ("seen", digest.seen),
        ("clear", digest.clear),
        ("advise", digest.advise),
        ("stopped", digest.stopped),
        ("waiting", digest.waiting),
    ]
    .into_iter()
    .map(|(what, count)| Fact::new(what, count.to_string()))
    .collect();
    let since = |since: &Since| format!("{}, since {}", since.name, since.since);
    if let Some(oldest) = &digest.oldest_waiting {
        all.push(Fact::new(
            "oldest",
            format!("{}, not weighed yet", since(oldest)),
        ));
    }
    match &digest.oldest_undelivered {
        Some(oldest) => all.push(Fact::new(
            "undelivered",
            format!("{}; the oldest: {}", digest.undelivered, since(oldest)),
        )),
        None => all.push(Fact::new("undelivered", digest.undelivered.to_string())),
    }
    all
}

fn root_facts(digest: &Digest) -> Vec<Fact> {
    (digest.roots.iter())
        .map(|root| {
            let is = match (root.free_bytes, root.total_bytes) {
                (Some(free), Some(total)) if total > 0 => {
                    let percent = free as f64 / total as f64 * 100.0;
                    format!("{} free ({percent:.0} %)", bytes(free))
                }
                (Some(free), _) => format!("{} free", bytes(free)),
                (None, _) => "not there".into(),
            };
            Fact::new(one_line(&root.name), is)
        })
        .collect()
}

/// Decimal units, as disks are sold.
fn bytes(count: u64) -> String {
    let count = count as f64;
    match count {
        c if c >= 1e12 => format!("{:.1} TB", c / 1e12),
        c if c >= 1e9 => format!("{:.1} GB", c / 1e9),
        c => format!("{:.0} MB", c / 1e6),
    }
}

/// The headings of a digest with their lines, empty ones left out.
fn digest_lists(digest: &Digest) -> Vec<(&'static str, Vec<String>)> {
    let told = digest.files.iter().take(IN_LINES);
    let files: Vec<String> = told
        .map(|file| {
            one_line(&format!(
                "{}: {} ({})",
                file.name, file.sentence, file.watch
            ))
        })
        .collect();
    let lines = |all: &[String]| all.iter().map(|line| one_line(line)).collect::<Vec<_>>();
    let mut all = vec![
        ("Files that ask for a person", files),
        ("Troubles", lines(&digest.troubles)),
        ("Mails that were refused for good", lines(&digest.refused)),
    ];
    all.retain(|(_, lines)| !lines.is_empty());
    all
}

fn digest_sentence(digest: &Digest) -> String {
    one_line(&format!("{}: {}", digest.day, in_short(digest)))
}

fn period(digest: &Digest) -> String {
    one_line(&format!("From {} to {}.", digest.from, digest.to))
}

fn plain_digest(digest: &Digest) -> String {
    let mut out = wrap(&digest_sentence(digest), "", "");
    out += &wrap(&period(digest), "", "");
    out.push('\n');
    let push = |out: &mut String, facts: &[Fact]| {
        for fact in facts {
            *out += &wrap(&fact.is, &format!("  {:15} ", fact.what), &" ".repeat(18));
        }
    };
    push(&mut out, &digest_facts(digest));
    for (title, lines) in digest_lists(digest) {
        out += &format!("\n{title}\n");
        for line in lines {
            out += &wrap(&line, "- ", "  ");
        }
    }
    if !digest.roots.is_empty() {
        out += "\nRoom on the disks\n";
        push(&mut out, &root_facts(digest));
    }
    out
}

fn html_digest(digest: &Digest) -> Markup {
    html! {
        article {
            h1 { (digest_sentence(digest)) }
            p.quiet { (period(digest)) }
            (facts_fragment(&digest_facts(digest)))
            @for (title, lines) in digest_lists(digest) {
                h2 { (title) }
                ul { @for line in &lines { li { (line) } } }
            }
            @if !digest.roots.is_empty() {
                h2 { "Room on the disks" }
                (facts_fragment(&root_facts(digest)))
            }
        }
    }
}
