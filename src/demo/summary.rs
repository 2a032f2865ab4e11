//! What the demo says at its end: what became of each file, where to look, what to try.
//!
//! In: rows and paths. Out: text that ends with a line feed, at most 80 columns but for paths.
//! Pure.

use std::fmt::Write;
use std::path::PathBuf;

use super::scenario::{HEARING, LEFT_ALONE};

/// One file of the scenario and what became of it.
#[derive(Clone, Debug)]
pub struct DemoRow {
    /// Path below its watch, as [`crate::record::printable`] writes it.
    pub name: String,
    /// The demo's folder in which it should lie at the end.
    pub ends_in: &'static str,
    pub expected: &'static str,
    /// The verdict's word, or [`LEFT_ALONE`]; `None` where nothing was heard of it.
    pub found: Option<String>,
    /// The verdict's reason, or what was special about it.
    pub says: String,
    /// How it comes to that, where the reason does not tell.
    pub why: Option<&'static str>,
    /// What its renders read.
    pub heard: Option<String>,
    /// What is not as it should be, a sentence each.
    pub faults: Vec<String>,
}

impl DemoRow {
    pub fn is_as_told(&self) -> bool {
        self.found.as_deref() == Some(self.expected) && self.faults.is_empty()
    }
}

/// How the demo ended.
#[derive(Clone, Debug)]
pub struct Ending {
    pub rows: Vec<DemoRow>,
    /// What is not as it should be and belongs to no file, a sentence each.
    pub troubles: Vec<String>,
    /// The demo's folder.
    pub dir: PathBuf,
    /// How this program was called: what to type to call it again.
    pub program: String,
    pub mails: usize,
}

impl Ending {
    pub fn is_as_told(&self) -> bool {
        self.troubles.is_empty() && self.rows.iter().all(DemoRow::is_as_told)
    }
}

/// What it sounds like is the point of this one.
const RENDERED: &str = "quarantine/Ferry Bell_immersive.wav";

/// Narrow enough for any terminal.
pub const COLUMNS: usize = 80;

/// Folders at the end, and what it means to lie there.
const GROUPS: [(&str, &str); 3] = [
    ("dispatch", "released to dispatch/"),
    ("exports", "kept in exports/"),
    ("quarantine", "quarantined in quarantine/"),
];

pub fn summary(ending: &Ending) -> String {
    let mut out = String::new();
    let (as_told, not): (Vec<&DemoRow>, Vec<&DemoRow>) =
        ending.rows.iter().partition(|row| row.is_as_told());
    for (folder, title) in GROUPS {
        let here = |row: &&&DemoRow| row.ends_in == folder && row.expected != LEFT_ALONE;
        group(&mut out, title, as_told.iter().filter(here).copied());
    }
    let alone = |row: &&&DemoRow| row.expected == LEFT_ALONE;
    group(&mut out, LEFT_ALONE, as_told.iter().filter(alone).copied());
    group(&mut out, "not as the scenario says", not.iter().copied());
    for trouble in &ending.troubles {
        out.push_str(&hanging("trouble: ", trouble));
    }
    if !ending.troubles.is_empty() {
        out.push('\n');
    }
    out.push_str(&verdict(ending, as_told.len()));
    out.push_str(&where_to_look(ending));
    out
}

fn group<'a>(out: &mut String, title: &str, rows: impl Iterator<Item = &'a DemoRow>) {
    let mut rows = rows.peekable();
    if rows.peek().is_none() {
        return;
    }
    let _ = writeln!(out, "{title}");
    for row in rows {
        let found = match row.found.as_deref() {
            Some(LEFT_ALONE) => "",
            Some(found) => found,
            None => "-",
        };
        let _ = writeln!(out, "  {found:7} {}", cut_middle(&row.name, COLUMNS - 10));
        let mut below = |text: &str| out.push_str(&hanging("          ", text));
        let said = [Some(row.says.as_str()), row.why, row.heard.as_deref()];
        for text in said.into_iter().flatten().filter(|text| !text.is_empty()) {
            below(text);
        }
        match row.found.as_deref() {
            None => below(&format!(
                "NOT AS TOLD: nothing was heard of it, asked: {}",
                row.expected
            )),
            Some(found) if found != row.expected => {
                below(&format!("NOT AS TOLD: {found}, asked: {}", row.expected));
            }
            Some(_) => {}
        }
        for fault in &row.faults {
            below(&format!("NOT AS TOLD: {fault}"));
        }
    }
    out.push('\n');
}

fn verdict(ending: &Ending, as_told: usize) -> String {
    let count = ending.rows.len();
    let mut text = format!("{as_told} of {count} files ended as the scenario says.");
    if ending.is_as_told() {
        text.push_str(
            " Each was found again, byte for byte the same, at one place only; each weighed file \
             has its sidecar, each stopped one its note and its mail. The daemon stopped cleanly.",
        );
    }
    hanging("", &text)
}

fn where_to_look(ending: &Ending) -> String {
    let mut out = format!(
        "\nEverything lies in {}\nLook there at\n",
        ending.dir.display()
    );
    let mails = match ending.mails {
        1 => "mails/1.html, as it came: 1.eml".to_owned(),
        n => format!("mails/1.html, as it came: 1.eml; there are {n}"),
    };
    for (what, path) in [
        (
            "sidecar",
            "quarantine/Harbour Lights/02 Slack Tide.wav.sidecar.json",
        ),
        (
            "note",
            "exports/Harbour Lights/02 Slack Tide.wav.stopped.txt",
        ),
        ("mail", &mails),
        ("page", "page.html, as it was before the daemon stopped"),
        ("log", "daemon.log"),
    ] {
        let _ = writeln!(out, "  {what:9}{path}");
    }
    let dir = quoted(&ending.dir.to_string_lossy());
    let program = quoted(&ending.program);
    let _ = write!(
        out,
        "\nTry next\n\
         \x20 D={dir}\n\
         \x20 export WEIGHBRIDGE_CONFIG=\"$D/weighbridge.toml\"\n\
         \x20 {program} history\n\
         \x20 {program} show '02 Slack Tide.wav'\n\
         \x20 {program} verify \"$D/quarantine\"\n\
         \x20 {program} weigh \"$D/exports\" --profile broadcast-r128\n\
         \x20 {program} render \"$D/{RENDERED}\" --layout 0+5+0 --out \"$D/heard.wav\"\n"
    );
    let _ = write!(out, "\n{}", hanging("", HEARING));
    out
}

/// The text in lines of at most [`COLUMNS`], the first after `first`, the others as far in.
pub fn hanging(first: &str, text: &str) -> String {
    let indent = first.chars().count();
    let mut out = first.to_owned();
    let mut column = indent;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if column > indent && column + 1 + length > COLUMNS {
            let _ = write!(out, "\n{:indent$}", "");
            column = indent;
        } else if column > indent {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += length;
    }
    out.push('\n');
    out
}

/// At most `longest` characters; names differ at their start and at their end.
pub fn cut_middle(text: &str, longest: usize) -> String {
    let all: Vec<char> = text.chars().collect();
    if all.len() <= longest {
        return text.to_owned();
    }
    let kept = longest.saturating_sub(1);
    let (head, tail) = (kept - kept / 2, kept / 2);
    let start: String = all[..head].iter().collect();
    let end: String = all[all.len() - tail..].iter().collect();
    format!("{start}…{end}")
}

/// A word that can be pasted into a shell.
pub fn quoted(text: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "/._-".contains(c);
    if text.chars().all(plain) {
        text.to_owned()
    } else {
        format!("'{}'", text.replace('\'', r"'\''"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(
        name: &str,
        ends_in: &'static str,
        expected: &'static str,
        found: Option<&str>,
        says: &str,
    ) -> DemoRow {
        DemoRow {
            name: name.into(),
            ends_in,
            expected,
            found: found.map(Into::into),
            says: says.into(),
            why: None,
            heard: None,
            faults: Vec::new(),
        }
    }

    fn ending(rows: Vec<DemoRow>, troubles: &[&str]) -> Ending {
        Ending {
            rows,
            troubles: troubles.iter().map(|text| (*text).to_owned()).collect(),
            dir: "/tmp/it's a demo".into(),
            program: "target/release/weighbridge".into(),
            mails: 2,
        }
    }

    #[test]
    fn the_end_of_the_demo_says_what_happened_and_where_to_look() {
        let rows = vec![
            row(
                "01 Harbour Lights.wav",
                "exports",
                "clear",
                Some("clear"),
                "as asked",
            ),
            row(
                "02 Slack Tide.wav",
                "quarantine",
                "stop",
                Some("stop"),
                "1.6 LU too loud (-12.4, asked: at most -14.0 LUFS)",
            ),
            DemoRow {
                why: Some("two objects meet"),
                heard: Some("read: -18.5 LUFS, 0.6 dBTP on 0+5+0".into()),
                ..row(
                    "Ferry Bell_immersive.wav",
                    "quarantine",
                    "stop",
                    Some("stop"),
                    "a true-peak over on 0+5+0 (0.6, asked: at most -1.0 dBTP)",
                )
            },
            row(
                "._01 Harbour Lights.wav",
                "exports",
                LEFT_ALONE,
                Some(LEFT_ALONE),
                "droppings",
            ),
        ];
        assert_eq!(
            summary(&ending(rows, &[])),
            r#"kept in exports/
  clear   01 Harbour Lights.wav
          as asked

quarantined in quarantine/
  stop    02 Slack Tide.wav
          1.6 LU too loud (-12.4, asked: at most -14.0 LUFS)
  stop    Ferry Bell_immersive.wav
          a true-peak over on 0+5+0 (0.6, asked: at most -1.0 dBTP)
          two objects meet
          read: -18.5 LUFS, 0.6 dBTP on 0+5+0

left alone
          ._01 Harbour Lights.wav
          droppings

4 of 4 files ended as the scenario says. Each was found again, byte for byte the
same, at one place only; each weighed file has its sidecar, each stopped one its
note and its mail. The daemon stopped cleanly.

Everything lies in /tmp/it's a demo
Look there at
  sidecar  quarantine/Harbour Lights/02 Slack Tide.wav.sidecar.json
  note     exports/Harbour Lights/02 Slack Tide.wav.stopped.txt
  mail     mails/1.html, as it came: 1.eml; there are 2
  page     page.html, as it was before the daemon stopped
  log      daemon.log

Try next
  D='/tmp/it'\''s a demo'
  export WEIGHBRIDGE_CONFIG="$D/weighbridge.toml"
  target/release/weighbridge history
  target/release/weighbridge show '02 Slack Tide.wav'
  target/release/weighbridge verify "$D/quarantine"
  target/release/weighbridge weigh "$D/exports" --profile broadcast-r128
  target/release/weighbridge render "$D/quarantine/Ferry Bell_immersive.wav" --layout 0+5+0 --out "$D/heard.wav"

caution before you listen: "03 Lamp Room.wav" holds three short clicks near full
scale; turn the level down first
"#
        );
    }

    #[test]
    fn what_is_not_as_told_is_said_and_counted() {
        let mut lost = row("a.wav", "dispatch", "clear", Some("clear"), "as asked");
        lost.faults.push("its bytes are nowhere to be found".into());
        let silent = row("b.wav", "quarantine", "stop", None, "too loud");
        let other = row("c.wav", "quarantine", "stop", Some("clear"), "too loud");
        let ending = ending(vec![lost, silent, other], &["the page gave no answer"]);
        assert!(!ending.is_as_told());
        let text = summary(&ending);
        assert!(
            text.starts_with(
                "not as the scenario says
  clear   a.wav
          as asked
          NOT AS TOLD: its bytes are nowhere to be found
  -       b.wav
          too loud
          NOT AS TOLD: nothing was heard of it, asked: stop
  clear   c.wav
          too loud
          NOT AS TOLD: clear, asked: stop

trouble: the page gave no answer

0 of 3 files ended as the scenario says.

Everything lies in"
            ),
            "{text}"
        );
    }

    #[test]
    fn a_trouble_alone_is_enough_to_fail() {
        let good = || vec![row("a.wav", "exports", "clear", Some("clear"), "")];
        assert!(ending(good(), &[]).is_as_told());
        assert!(!ending(good(), &["the daemon died"]).is_as_told());
    }
}
