//! How the house stands, as a page.

use maud::{Markup, html};
use serde::Serialize;

use crate::record;

/// One look at the house.
#[derive(Clone, Debug, Default, Serialize)]
pub struct View {
    pub studio: String,
    /// RFC 3339 with the zone.
    pub at: String,
    /// What needs somebody, a sentence each.
    pub troubles: Vec<String>,
    pub under_way: Vec<Line>,
    /// Newest first.
    pub past: Vec<Line>,
    /// Since midnight, by verdict's word.
    pub today: Vec<(String, u64)>,
    pub mails_waiting: u64,
}

/// One file.
#[derive(Clone, Debug, Serialize)]
pub struct Line {
    /// RFC 3339 with the zone.
    pub at: String,
    /// `WATCH:path`
    pub name: String,
    /// A verdict's word, or the state of a file that has none.
    pub word: String,
    /// Where it is now, `ROOT:path`, or why it waits.
    pub place: String,
    /// The verdict's reason; empty where there is none.
    pub reason: String,
}

/// The page: what needs somebody first, then what is under way, then what was.
pub fn render(view: &View) -> String {
    let sentence = match (view.troubles.len(), view.under_way.len()) {
        (0, 0) => "No trouble, nothing is under way.".to_owned(),
        (0, n) => format!(
            "No trouble, {} under way.",
            counted(n, "file is", "files are")
        ),
        (n, _) => format!("{} somebody.", counted(n, "trouble needs", "troubles need")),
    };
    let body = html! {
        h1 { (view.studio) }
        p { (sentence) " " span.quiet { (minute(&view.at)) } }
        @for trouble in &view.troubles {
            div.row.stop-row { p { span.stop { "trouble" } ": " (trouble) } }
        }
        @if view.mails_waiting > 0 {
            p { (counted(view.mails_waiting as usize, "mail waits", "mails wait")) " for the mail server." }
        }
        p {
            "Today: "
            @if view.today.is_empty() { "nothing was weighed" }
            @for (index, (word, count)) in worst_first(&view.today).iter().enumerate() {
                @if index > 0 { ", " }
                (count) " " (word)
            }
            "."
        }
        (list("Under way", &view.under_way, "Nothing is under way."))
        (list("Weighed", &view.past, "Nothing was weighed yet."))
    };
    record::page(&format!("{}: weighbridge", view.studio), &sentence, &body)
}

fn list(title: &str, lines: &[Line], none: &str) -> Markup {
    html! {
        h2 { (title) }
        @if lines.is_empty() { p { (none) } }
        @for line in lines {
            div class=(row_class(&line.word)) {
                p {
                    span class=(word_class(&line.word)) { (line.word) }
                    @if !line.reason.is_empty() { ": " (record::one_line(&line.reason)) }
                }
                p.name { (record::one_line(&line.name)) }
                p.quiet {
                    (minute(&line.at))
                    @if !line.place.is_empty() { ", " (record::one_line(&line.place)) }
                }
            }
        }
    }
}

fn worst_first(today: &[(String, u64)]) -> Vec<&(String, u64)> {
    let order = ["stop", "unread", "advise", "clear"];
    let mut all: Vec<&(String, u64)> = today.iter().collect();
    all.sort_by_key(|(word, _)| order.iter().position(|known| known == word));
    all
}

/// `2026-05-04 17:20` of an RFC 3339 time; anything else as it is.
fn minute(at: &str) -> String {
    match at.get(..16) {
        Some(start) if at.as_bytes().get(10) == Some(&b'T') => start.replacen('T', " ", 1),
        _ => record::one_line(at),
    }
}

fn row_class(word: &str) -> &'static str {
    match word {
        "stop" | "unread" => "row stop-row",
        "advise" => "row advise-row",
        _ => "row",
    }
}

fn word_class(word: &str) -> &'static str {
    match word {
        "stop" | "unread" => "stop",
        "advise" => "advise",
        _ => "plain",
    }
}

fn counted(count: usize, one: &str, many: &str) -> String {
    match count {
        1 => format!("1 {one}"),
        n => format!("{n} {many}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_can_not_write_into_the_page() {
        let line = Line {
            at: "2026-05-04T17:20:11+01:00".into(),
            name: "exports:<script>alert(1)</script>\n.wav".into(),
            word: "stop".into(),
            place: "quarantine:x".into(),
            reason: "too <b>loud</b>".into(),
        };
        let page = render(&View {
            past: vec![line],
            ..View::default()
        });
        assert!(!page.contains("<script>alert") && !page.contains("<b>loud"));
        assert!(page.contains("&lt;script&gt;alert(1)"));
    }

    #[test]
    fn the_day_is_counted_worst_first_and_times_are_short() {
        let page = render(&View {
            at: "2026-05-04T17:20:11+01:00".into(),
            today: [("advise", 1), ("clear", 5), ("stop", 2)]
                .map(|(word, count)| (word.to_owned(), count))
                .to_vec(),
            ..View::default()
        });
        assert!(page.contains("2 stop, 1 advise, 5 clear."), "{page}");
        assert!(page.contains("2026-05-04 17:20") && !page.contains("17:20:11"));
    }

    #[test]
    fn trouble_stands_first_and_in_words() {
        let view = View {
            troubles: vec!["the share is away".into()],
            ..View::default()
        };
        let page = render(&view);
        let (trouble, list) = (
            page.find("the share is away").unwrap(),
            page.find("Under way").unwrap(),
        );
        assert!(trouble < list && page.contains("1 trouble needs somebody."));
    }
}
