//! A [`Story`] as plain text for a page of 72 columns, and as a fragment of HTML.
//!
//! In: a story, and where the file is now. Out: text. The HTML goes through maud, which
//! escapes everything; its looks are [`STYLE`]: one column, ink and paper, vermilion beside
//! the word stop and blue beside advise (Okabe and Ito 2008), never colour alone.

use maud::{Markup, PreEscaped, html};

use super::story::*;
use crate::judge::{Finding, Outcome, Verdict};
use crate::measured::NotMeasured;
use crate::names::one_line;
use crate::profile::Severity;

/// Where a file is now, and the ways on.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Placement {
    /// `quarantine:album/x.wav`, relative to a named root.
    pub now: String,
    /// The whole path, to be copied; empty where it is not known.
    #[serde(default)]
    pub path: String,
    /// `false` where it lies where it lay.
    pub moved: bool,
    /// A sentence each.
    pub ways: Vec<String>,
}

impl Placement {
    /// What stands before the place, and after it: where it is, and that it is untouched.
    fn around(&self, story: &Story) -> (&'static str, String) {
        let before = match self.moved {
            true => "It is now at ",
            false => "It stays at ",
        };
        let after = match (&story.blake3, self.moved) {
            (Some(digest), true) => {
                let short = digest.get(..16).unwrap_or(digest);
                format!(", untouched: BLAKE3 {short}… before and after the move.")
            }
            _ => ", untouched.".into(),
        };
        (before, after)
    }
}

/// What a person can do about a file that may not go on.
pub fn ways_on(verdict: Verdict, findings: &[Finding]) -> Vec<String> {
    let waits_for_mix = findings.iter().any(|finding| {
        let why = &finding.not_measured;
        finding.weight == Some(Severity::Stop)
            && matches!(why, Some(NotMeasured::NotCompared { .. }))
    });
    let all: &[&str] = match verdict {
        Verdict::Stop if waits_for_mix => &[
            "Put the mix where it belongs, under the name given above: this file is then weighed \
             again by itself.",
            "Export it again under the same name: the new file is weighed by itself, and this \
             notice is closed when it is clear.",
            "If it is meant to be like this, it is yours to take from where it is now; nothing \
             goes out by itself.",
        ],
        Verdict::Clear | Verdict::Advise => &[],
        Verdict::Stop => &[
            "Export it again under the same name: the new file is weighed by itself, and this \
             notice is closed when it is clear.",
            "If it is meant to be like this, it is yours to take from where it is now; nothing \
             goes out by itself.",
        ],
        Verdict::Unread => &[
            "Export or copy it again under the same name: it is weighed anew when it is whole.",
            "If it opens elsewhere, keep it where it is now and tell whoever looks after \
             weighbridge: what cannot be measured does not go out.",
        ],
    };
    all.iter().map(|way| one_line(way)).collect()
}

/// Columns of plain text: fits a phone held sideways and a quoted reply.
const COLUMNS: usize = 72;

/// A paragraph in lines of at most `COLUMNS`, the first after `first`, the others after
/// `rest`. A word that is longer stays whole: a digest must be copied in one piece.
pub fn wrap(text: &str, first: &str, rest: &str) -> String {
    let mut out = first.to_owned();
    let mut column = first.chars().count();
    let mut at_start = true;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if !at_start && column + 1 + length > COLUMNS {
            out.push('\n');
            out.push_str(rest);
            column = rest.chars().count();
        } else if !at_start {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += length;
        at_start = false;
    }
    out.push('\n');
    out
}

/// The whole story as plain text, without a blank line at its end.
pub fn plain(story: &Story, placement: &Placement) -> String {
    let mut out = String::new();
    if let Some(caution) = &story.caution {
        out += &wrap(caution, "", "");
        out.push('\n');
    }
    out += &wrap(&story.sentence(), "", "");
    // A name may hold spaces in a row: it is a line of its own, unwrapped, to be copied.
    out += &format!("{}\n\n", story.name);
    let (before, after) = placement.around(story);
    out += &wrap(
        &format!("{before}{}{after}", one_line(&placement.now)),
        "",
        "",
    );
    if !placement.path.is_empty() {
        out += &format!("{}\n", one_line(&placement.path));
    }
    if !placement.ways.is_empty() {
        out += "\nWays on\n";
        for way in &placement.ways {
            out += &wrap(way, "- ", "  ");
        }
    }
    let (rows, not_made) = story.rows_told();
    if !rows.is_empty() {
        out += "\nFound and asked\n";
    }
    for row in rows {
        out += &plain_row(row);
    }
    if let Some(not_made) = &not_made {
        out += &format!("\n{not_made}\n");
    }
    if !story.notes.is_empty() {
        out += "\nNoted\n";
        for note in &story.notes {
            out += &wrap(note, "- ", "  ");
        }
    }
    if let Some(clear) = story.clear_line() {
        out += &format!("\n{clear}\n");
    }
    for (title, facts) in story.lists() {
        out += &format!("\n{title}\n");
        for fact in facts {
            let first = format!("  {:16} ", fact.what);
            match fact.what.as_str() {
                "name" => out += &format!("{first}{}\n", fact.is),
                _ => out += &wrap(&fact.is, &first, &" ".repeat(19)),
            }
        }
    }
    out
}

fn plain_row(row: &Row) -> String {
    let mut out = wrap(
        &format!("{}: {}", outcome(row.outcome), row.title),
        "\n",
        "  ",
    );
    out += &wrap(&row.says, "  ", "  ");
    let found = Some(&row.found).filter(|found| !found.is_empty());
    let parts = [("found", found), ("asked", row.asked.as_ref())];
    let told = parts.map(|(what, is)| is.map(|is| format!("{what} {is}")));
    let mut line = told.into_iter().flatten().collect::<Vec<_>>().join(", ");
    if let Some(by) = &row.by {
        line += &format!(": {by}");
    }
    if !line.is_empty() {
        out += &wrap(&line, "  ", "  ");
    }
    for place in &row.places {
        out += &wrap(place, "  at ", "     ");
    }
    if row.more_places > 0 {
        out += &format!("  and {} more places\n", row.more_places);
    }
    out += &wrap(&format!("limit of: {}", row.source), "  ", "  ");
    out
}

fn outcome(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Stop => "stop",
        Outcome::Advise => "advise",
        Outcome::Unmeasured => "unmeasured",
        Outcome::Note => "note",
        Outcome::Clear => "clear",
    }
}

/// The whole story as a fragment of HTML, to stand in a page that has [`STYLE`].
pub fn fragment(story: &Story, placement: &Placement) -> Markup {
    let (before, after) = placement.around(story);
    let (rows, not_made) = story.rows_told();
    html! {
        article {
            @if let Some(caution) = &story.caution {
                p.caution { (caution) }
            }
            h1 {
                span class=(accent(story.verdict)) { (word(story.verdict)) }
                @if !story.reason.is_empty() { ": " (story.reason) }
            }
            p.name { (story.name) }
            p { (before) span.path { (placement.now) } (after) }
            @if !placement.path.is_empty() { p.name { (placement.path) } }
            @if !placement.ways.is_empty() {
                ul { @for way in &placement.ways { li { (way) } } }
            }
            @if !rows.is_empty() {
                h2 { "Found and asked" }
                @for row in rows { (row_fragment(row)) }
            }
            @if let Some(not_made) = &not_made {
                p.quiet { (not_made) }
            }
            @if !story.notes.is_empty() {
                h2 { "Noted" }
                ul { @for note in &story.notes { li { (note) } } }
            }
            @if let Some(clear) = story.clear_line() {
                p.quiet { (clear) }
            }
            @for (title, facts) in story.lists() {
                h2 { (title) }
                (facts_fragment(facts))
            }
        }
    }
}

/// Facts as two columns.
pub fn facts_fragment(facts: &[Fact]) -> Markup {
    html! {
        table.facts {
            @for fact in facts {
                tr { th { (fact.what) } td { (parts_fragment(&fact.is)) } }
            }
        }
    }
}

/// On a phone a line breaks between two figures, not between a number and its unit.
fn parts_fragment(text: &str) -> Markup {
    /// Longer parts may break anywhere. Own choice: three quarters of a phone's column.
    const WHOLE: usize = 24;
    if !text.contains("LUFS, ") {
        return html! { (text) };
    }
    html! {
        @for (n, part) in text.split(", ").enumerate() {
            @if n > 0 { ", " }
            @if part.chars().count() <= WHOLE { span.whole { (part) } } @else { (part) }
        }
    }
}

fn row_fragment(row: &Row) -> Markup {
    let accent = match row.outcome {
        Outcome::Stop => "stop",
        Outcome::Advise => "advise",
        _ => "plain",
    };
    html! {
        section class=(format!("row {accent}-row")) {
            h3 { span class=(accent) { (outcome(row.outcome)) } " " (row.title) }
            p { (row.says) }
            table.facts {
                @if !row.found.is_empty() {
                    tr {
                        th { "found" }
                        td { b { (row.found) } @if let Some(by) = &row.by { ", " (by) } }
                    }
                }
                @if let Some(asked) = &row.asked {
                    tr { th { "asked" } td { (asked) } }
                }
                @if !row.places.is_empty() {
                    tr {
                        th { "where" }
                        td {
                            @for place in &row.places { (place_fragment(place)) }
                            @if row.more_places > 0 { div { "and " (row.more_places) " more" } }
                        }
                    }
                }
                tr { th { "limit of" } td.prose { (row.source) } }
            }
        }
    }
}

/// A place whose parts stay whole where a line breaks: `M-030` has a hyphen.
fn place_fragment(place: &str) -> Markup {
    html! {
        div.place {
            @for (n, part) in place.split(", ").enumerate() {
                @if n > 0 { ", " }
                span.whole { (part) }
            }
        }
    }
}

fn accent(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Stop | Verdict::Unread => "stop",
        Verdict::Advise => "advise",
        Verdict::Clear => "plain",
    }
}

/// A whole page: `preheader` is the line that a mail program shows beside the subject.
pub fn page(title: &str, preheader: &str, body: &Markup) -> String {
    html! {
        (maud::DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                div.preheader style="display:none;max-height:0;overflow:hidden" { (preheader) }
                main { (body) }
            }
        }
    }
    .into_string()
}

/// The looks of every page and mail.
pub const STYLE: &str = "\
:root{color-scheme:light dark}
body{margin:0;background:#fff;color:#1a1a1a;font:16px/1.45 system-ui,-apple-system,'Segoe UI',\
Roboto,sans-serif;-webkit-text-size-adjust:100%}
main{max-width:38em;margin:0 auto;padding:20px 16px 40px}
h1{font-size:20px;line-height:1.3;margin:0 0 10px}
h2{font-size:16px;margin:28px 0 8px;padding-top:14px;border-top:1px solid #d0d0d0}
h3{font-size:16px;margin:0 0 4px}
p,ul{margin:0 0 10px}
ul{padding-left:1.2em}
li{margin-bottom:6px}
.name,.facts td{font-family:ui-monospace,Menlo,Consolas,monospace;font-size:14px;\
font-variant-numeric:tabular-nums;overflow-wrap:anywhere}
.name{white-space:pre-wrap}
.path{font-family:ui-monospace,Menlo,Consolas,monospace;font-size:14px;overflow-wrap:anywhere}
.facts{border-collapse:collapse;width:100%;margin:0 0 6px;table-layout:fixed}
.facts th{font-weight:400;text-align:left;vertical-align:top;width:9em;padding:2px 8px 2px 0;\
color:#5a5a5a;font-size:14px}
.facts td{vertical-align:top;padding:2px 0}
.facts td.prose{font-family:inherit}
.place{padding-left:1em;text-indent:-1em;margin-bottom:3px}
.whole{white-space:nowrap}
.row p{margin-bottom:4px}
.row{margin:0 0 18px;padding-left:10px;border-left:3px solid #8a8a8a}
.stop-row{border-left-color:#D55E00}
.advise-row{border-left-color:#0072B2}
.stop,.advise{font-weight:700;text-decoration:underline;text-decoration-thickness:3px;\
text-underline-offset:3px}
.stop{text-decoration-color:#D55E00}
.advise{text-decoration-color:#0072B2}
.caution{font-weight:700;font-size:20px;line-height:1.3;border:3px solid #D55E00;padding:10px}
.quiet,.foot{color:#5a5a5a}
.foot{font-size:14px;margin-top:28px;padding-top:14px;border-top:1px solid #d0d0d0}
article+article{margin-top:40px;padding-top:28px;border-top:3px solid #1a1a1a}
@media (prefers-color-scheme:dark){
body{background:#161616;color:#ececec}
h2,.foot{border-top-color:#444}
.facts th,.quiet,.foot{color:#a8a8a8}
article+article{border-top-color:#ececec}
}
";

#[cfg(test)]
mod tests {
    use super::super::{Sidecar, invented, note_text};
    use super::*;

    fn placement() -> Placement {
        Placement {
            now: "quarantine:album/x.wav".into(),
            path: "/srv/audio/quarantine/album/x.wav".into(),
            moved: true,
            ways: ways_on(Verdict::Stop, &[]),
        }
    }

    fn story(sidecar: &Sidecar) -> Story {
        Story::of(sidecar, &|check| {
            (check == "loudness.integrated").then(|| "integrated loudness".into())
        })
    }

    // The order of shared words: verdict, place, ways on, findings worst first, the clear ones
    // as one line, the file.
    #[test]
    fn a_face_tells_in_the_houses_order() {
        let text = plain(&story(&invented::stopped("x.wav")), &placement());
        let mut at = 0;
        for words in [
            "stopped: 1.6 LU too loud on the 5.1 re-render",
            "It is now at quarantine:album/x.wav, untouched: BLAKE3",
            "\n/srv/audio/quarantine/album/x.wav\n",
            "Export it again",
            "stop: integrated loudness, 0+5+0",
            "found -16.4 LUFS, asked at most -18.0 LUFS: 1.6 LU over",
            "stop: peaks: true peak, 0+5+0",
            "at 0:42.113, sample 2021424, M+030, -0.31 dBTP",
            "limit of: EBU R 128 (2023), clause h",
            "unmeasured: loudness: range, 0+5+0",
            "found not measured",
            "advise: edges: head silence",
            "Noted",
            "41 other checks clear",
            "read on          0+2+0, the file's own channels",
            "integrated       -16.4 LUFS",
            "WAVE PCM, 24 bit, 48000 Hz, 2 channels, 6:00.000",
        ] {
            let found = text[at..].find(words);
            at += found.unwrap_or_else(|| panic!("{words:?} is missing or too early:\n{text}"));
        }
    }

    #[test]
    fn of_a_file_that_could_not_be_read_it_is_said_once_that_nothing_was_measured() {
        let mut sidecar = invented::stopped("x.wav");
        sidecar.verdict = Verdict::Unread;
        for check in &mut sidecar.checks[1..] {
            check.outcome = Outcome::Unmeasured;
        }
        let asked = |check: &&crate::judge::Finding| check.limit.is_some();
        let not_made = sidecar.checks[1..].iter().filter(asked).count();
        let story = story(&sidecar);
        let text = plain(&story, &placement());
        let said = format!("{not_made} checks were not made: there is nothing to measure");
        assert!(text.contains(&said), "{text}");
        assert!(!text.contains("unmeasured:"), "{text}");
        assert!(text.contains("stop: integrated loudness"), "{text}");
        let html = fragment(&story, &placement()).into_string();
        assert!(
            html.contains(&said) && !html.contains("unmeasured"),
            "{html}"
        );
    }

    #[test]
    fn what_was_found_in_words_is_not_called_unmeasured() {
        let mut sidecar = invented::stopped("x.wav");
        sidecar.checks.truncate(1);
        sidecar.checks[0].value = None;
        sidecar.checks[0].limit = None;
        let text = plain(&story(&sidecar), &placement());
        assert!(
            !text.contains("not measured") && !text.contains("found "),
            "{text}"
        );
        let html = fragment(&story(&sidecar), &placement()).into_string();
        assert!(
            !html.contains("not measured") && !html.contains("<th>found"),
            "{html}"
        );
    }

    #[test]
    fn a_figure_is_told_once_and_the_layout_before_it() {
        let text = plain(&story(&invented::stopped("x.wav")), &placement());
        let (before, figures) = text.split_once("\nFigures\n").unwrap();
        assert!(figures.starts_with("  read on "), "{figures}");
        for what in ["short-term max", "momentary max", "sample peak"] {
            assert!(
                figures.contains(what) && !before.contains(what),
                "{what}: {text}"
            );
        }
    }

    #[test]
    fn the_caution_comes_before_everything() {
        let mut sidecar = invented::stopped("x.wav");
        sidecar.caution = Some("Do not play this at listening level".into());
        let story = story(&sidecar);
        assert!(plain(&story, &placement()).starts_with("Do not play"));
        let html = fragment(&story, &placement()).into_string();
        assert!(html.find("Do not play") < html.find("stopped"));
    }

    #[test]
    fn a_number_close_to_its_limit_is_written_so_that_they_differ() {
        let mut sidecar = invented::stopped("x.wav");
        for (value, found, by) in [
            (-17.96, "-17.96 LUFS", "0.04 LU over"),
            (-17.996, "-17.996 LUFS", "0.004 LU over"),
            (-16.4, "-16.4 LUFS", "1.6 LU over"),
        ] {
            sidecar.checks[0].value = Some(crate::profile::Choice::Number(value));
            let row = &story(&sidecar).rows[0];
            assert_eq!((row.found.as_str(), row.by.as_deref()), (found, Some(by)));
        }
        for (limit, by) in [
            ("at least -15.0 LUFS", Some("1.4 LU under")),
            ("-20.0 to -18.0 LUFS", Some("1.6 LU over")),
            ("-14.0 to -12.0 LUFS", Some("2.4 LU under")),
            ("-18.0 ±0.5 LUFS", Some("1.1 LU over")),
            ("at most", None),
            ("one of 1, 2 or 3", None),
            ("-17.0 to -16.0 LUFS", None),
        ] {
            sidecar.checks[0].limit = Some(limit.into());
            assert_eq!(story(&sidecar).rows[0].by.as_deref(), by, "{limit}");
        }
    }

    #[test]
    fn every_kind_of_record_has_a_face() {
        for sidecar in invented::all_kinds() {
            let story = story(&sidecar);
            let text = plain(&story, &placement());
            assert!(text.contains(&story.name));
            let start = word(sidecar.verdict);
            assert!(text.starts_with(start), "{start}: {text}");
        }
    }

    #[test]
    fn html_of_a_nasty_name_holds_no_tag_of_it() {
        let sidecar = invented::stopped("<img src=x onerror=alert(1)>\".wav");
        let html = page("x", "<i>", &fragment(&story(&sidecar), &placement()));
        assert!(!html.contains("<img") && !html.contains("<i>"), "{html}");
    }

    #[test]
    fn the_note_tells_why_and_where_below_the_line_that_custody_writes() {
        let sidecar = invented::stopped("x\n.wav");
        let note = note_text(&sidecar, &placement(), &|_| None);
        assert!(note.starts_with("\nstopped: 1.6 LU too loud"), "{note}");
        assert!(note.contains("quarantine:album/x.wav") && note.contains(r"x\x0a.wav"));
        assert!(note.ends_with("clear version arrives.\n"));
    }
}
