//! What the demo says at its end: what became of each file, where to look, what to try.
//!
//! In: rows and paths. Out: text that ends with a line feed, at most 80 columns but for paths.
//! Pure.

use std::fmt::Write;
use std::path::{Path, PathBuf};

use crate::record::printable;

use super::scenario::HEARING;

/// One file of the scenario and what became of it.
#[derive(Clone, Debug)]
pub struct DemoRow {
    /// As [`printable`] writes it.
    pub name: String,
    pub watch: String,
    pub expected: String,
    /// The verdict's word, or `left alone`; `None` where nothing was heard of it.
    pub found: Option<String>,
    /// The verdict's reason.
    pub reason: String,
    /// Where the file is now, as `ROOT:path`.
    pub place: String,
}

impl DemoRow {
    pub fn is_as_expected(&self) -> bool {
        self.found.as_deref() == Some(self.expected.as_str())
    }
}

/// Where there is something to look at.
#[derive(Clone, Debug)]
pub struct DemoPlaces {
    pub config: PathBuf,
    /// A sidecar, as an example.
    pub sidecar: Option<PathBuf>,
    /// A note that lies where a stopped file lay.
    pub note: Option<PathBuf>,
    /// A folder of the mails that the demo's own server took, or a sentence about them.
    pub mails: String,
    /// The status page, while the demo's daemon still runs.
    pub page: Option<String>,
}

/// Narrow enough for any terminal.
const COLUMNS: usize = 80;

pub fn summary(rows: &[DemoRow], places: &DemoPlaces) -> String {
    let mut out = String::new();
    for row in rows {
        out.push_str(&told(row));
    }
    let as_told = rows.iter().filter(|row| row.is_as_expected()).count();
    let _ = writeln!(
        out,
        "\n{as_told} of {} files ended as the scenario says.\n",
        rows.len()
    );

    let mut look = |what: &str, at: &str| {
        let _ = writeln!(out, "  {what:10}{at}");
    };
    if let Some(sidecar) = &places.sidecar {
        look("a sidecar", &shown(sidecar));
    }
    if let Some(note) = &places.note {
        look("a note", &shown(note));
    }
    look("mails", &places.mails);
    if let Some(page) = &places.page {
        look("status", page);
    }
    out.push('\n');
    out.push_str(&paragraph(HEARING));
    let config = quoted(&places.config);
    let _ = write!(
        out,
        "\nTry next:\n\
         \x20 weighbridge history --config {config}\n\
         \x20 weighbridge show '02 Slack Tide.wav' --config {config}\n\
         \x20 weighbridge run --config {config}\n\
         \x20   (then put a file of your own into the exports folder beside it)\n"
    );
    out
}

/// `stop    exports   02 Slack Tide.wav` and below it the reason and the place.
fn told(row: &DemoRow) -> String {
    let found = row.found.as_deref().unwrap_or("no word");
    let mut out = format!("{found:11} {:9} {}\n", row.watch, row.name);
    let mut below = |text: &str| {
        if !text.is_empty() {
            let _ = writeln!(out, "{:21} {text}", "");
        }
    };
    if !row.is_as_expected() {
        below(&format!("NOT AS TOLD: the scenario says {}", row.expected));
    }
    below(&row.reason);
    below(&row.place);
    out
}

fn paragraph(text: &str) -> String {
    let mut out = String::new();
    let mut column = 0;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if column > 0 && column + 1 + length > COLUMNS {
            out.push('\n');
            column = 0;
        } else if column > 0 {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += length;
    }
    out.push('\n');
    out
}

fn shown(path: &Path) -> String {
    printable(path.as_os_str())
}

/// A path that can be pasted into a shell.
fn quoted(path: &Path) -> String {
    let text = path.to_string_lossy();
    let plain = |c: char| c.is_ascii_alphanumeric() || "/._-".contains(c);
    if text.chars().all(plain) {
        text.into_owned()
    } else {
        format!("'{}'", text.replace('\'', r"'\''"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_end_of_the_demo_says_what_happened_and_where_to_look() {
        let row =
            |name: &str, expected: &str, found: Option<&str>, reason: &str, place: &str| DemoRow {
                name: name.into(),
                watch: "exports".into(),
                expected: expected.into(),
                found: found.map(Into::into),
                reason: reason.into(),
                place: place.into(),
            };
        let rows = [
            row(
                "01 Harbour Lights.wav",
                "clear",
                Some("clear"),
                "",
                "exports:01 Harbour Lights.wav",
            ),
            row(
                "02 Slack Tide.wav",
                "stop",
                Some("stop"),
                "1.6 LU too loud (-12.4, asked: at most -14.0 LUFS)",
                "quarantine:02 Slack Tide.wav",
            ),
            row("04 Ferry Bell.wav", "stop", None, "", ""),
        ];
        let places = DemoPlaces {
            config: "/tmp/it's a demo/weighbridge.toml".into(),
            sidecar: Some("/tmp/demo/quarantine/02 Slack Tide.wav.sidecar.json".into()),
            note: None,
            mails: "3, in /tmp/demo/mails".into(),
            page: None,
        };
        assert_eq!(
            summary(&rows, &places),
            r#"clear       exports   01 Harbour Lights.wav
                      exports:01 Harbour Lights.wav
stop        exports   02 Slack Tide.wav
                      1.6 LU too loud (-12.4, asked: at most -14.0 LUFS)
                      quarantine:02 Slack Tide.wav
no word     exports   04 Ferry Bell.wav
                      NOT AS TOLD: the scenario says stop

2 of 3 files ended as the scenario says.

  a sidecar /tmp/demo/quarantine/02 Slack Tide.wav.sidecar.json
  mails     3, in /tmp/demo/mails

caution before you listen: "03 Lamp Room.wav" holds three short clicks near full
scale; turn the level down first

Try next:
  weighbridge history --config '/tmp/it'\''s a demo/weighbridge.toml'
  weighbridge show '02 Slack Tide.wav' --config '/tmp/it'\''s a demo/weighbridge.toml'
  weighbridge run --config '/tmp/it'\''s a demo/weighbridge.toml'
    (then put a file of your own into the exports folder beside it)
"#
        );
    }
}
