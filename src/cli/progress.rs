//! Progress on a terminal: one line for each file being read, one for the whole.
//!
//! In: counters that the weighing threads advance. Out: lines on standard error, redrawn in
//! place, and only where that is a terminal; otherwise nothing at all. The lines themselves
//! are made by a pure function. Knows not what is done with the bytes.

use std::io::{self, IsTerminal, Write};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use super::text;

/// How far one file is. Advanced by the thread that reads it, read by the one that draws.
#[derive(Debug, Default)]
pub struct Meter {
    begun: AtomicBool,
    ended: AtomicBool,
    bytes_done: AtomicU64,
    bytes_total: AtomicU64,
}

impl Meter {
    /// `bytes_total` as the folder says it, before the file is opened.
    pub fn of(bytes_total: u64) -> Self {
        let meter = Self::default();
        meter.bytes_total.store(bytes_total, Ordering::Relaxed);
        meter
    }

    pub fn begin(&self) {
        self.begun.store(true, Ordering::Relaxed);
    }

    pub fn advance(&self, bytes_done: u64, bytes_total: u64) {
        self.bytes_done.store(bytes_done, Ordering::Relaxed);
        self.bytes_total.store(bytes_total, Ordering::Relaxed);
    }

    /// The file is done with, whatever came out: what was not read counts as read.
    pub fn end(&self) {
        let total = self.bytes_total.load(Ordering::Relaxed);
        self.bytes_done.store(total, Ordering::Relaxed);
        self.ended.store(true, Ordering::Relaxed);
    }

    pub fn look(&self) -> Look {
        Look {
            begun: self.begun.load(Ordering::Relaxed),
            ended: self.ended.load(Ordering::Relaxed),
            bytes_done: self.bytes_done.load(Ordering::Relaxed),
            bytes_total: self.bytes_total.load(Ordering::Relaxed),
        }
    }
}

/// What a [`Meter`] showed at one moment.
#[derive(Clone, Copy, Debug, Default)]
pub struct Look {
    pub begun: bool,
    pub ended: bool,
    pub bytes_done: u64,
    pub bytes_total: u64,
}

/// The lines for one moment, each at most `columns` wide: files under way in the order given,
/// then the whole. `doing` says what is being done (`weighing`).
pub fn lines(doing: &str, files: &[(&str, Look)], columns: usize) -> Vec<String> {
    let under_way: Vec<(&str, String, String)> = files
        .iter()
        .filter(|(_, look)| look.begun && !look.ended)
        .map(|(name, look)| {
            (
                *name,
                percent(look.bytes_done, look.bytes_total),
                size(look),
            )
        })
        .collect();
    let size_columns = under_way
        .iter()
        .map(|(_, _, size)| text::width(size))
        .max()
        .unwrap_or(0);
    let mut out = Vec::new();
    for (name, percent, size) in under_way {
        let far = format!("{percent}  {}", text::right(&size, size_columns));
        let room = columns.saturating_sub(text::width(doing) + text::width(&far) + 5);
        let name = text::shortened(name, room);
        out.push(format!("  {doing} {}  {far}", text::left(&name, room)));
    }
    let ended = files.iter().filter(|(_, look)| look.ended).count();
    let whole = files.iter().fold(Look::default(), |sum, (_, look)| Look {
        bytes_done: sum.bytes_done.saturating_add(look.bytes_done),
        bytes_total: sum.bytes_total.saturating_add(look.bytes_total),
        ..sum
    });
    out.push(text::shortened(
        &format!(
            "  {ended} of {}  {}  {}",
            text::counted(files.len() as u64, "file", "files"),
            percent(whole.bytes_done, whole.bytes_total),
            size(&whole)
        ),
        columns,
    ));
    out
}

fn percent(done: u64, total: u64) -> String {
    // Rounded down, so that 100 % means done.
    let percent = match total {
        0 => 0,
        _ => (u128::from(done) * 100 / u128::from(total)).min(100),
    };
    format!("{percent:3} %")
}

fn size(look: &Look) -> String {
    let mega = |bytes: u64| bytes as f64 / 1e6;
    format!(
        "{:.1} of {:.1} MB",
        mega(look.bytes_done),
        mega(look.bytes_total)
    )
}

/// Draws lines at the end of standard error and takes them away again.
pub struct Board {
    shown: bool,
    drawn: usize,
    columns: usize,
}

impl Board {
    /// A board that draws only where standard error is a terminal that can move its cursor.
    pub fn on_stderr(columns: usize) -> Self {
        let dumb = std::env::var_os("TERM").is_some_and(|term| term == "dumb");
        Self {
            shown: io::stderr().is_terminal() && !dumb,
            drawn: 0,
            columns,
        }
    }

    pub fn is_shown(&self) -> bool {
        self.shown
    }

    pub fn draw(&mut self, doing: &str, files: &[(&str, Look)]) {
        if !self.shown {
            return;
        }
        let lines = lines(doing, files, self.columns.saturating_sub(1));
        let drawing = redraw(self.drawn, &lines);
        self.drawn = lines.len();
        put(&drawing);
    }

    /// Leaves the cursor where the first line stood, so that a result can be printed there.
    pub fn clear(&mut self) {
        if self.drawn > 0 {
            put(&redraw(self.drawn, &[]));
            self.drawn = 0;
        }
    }
}

/// Up over what was drawn, erase to the end of the screen, and the new lines.
fn redraw(drawn: usize, lines: &[String]) -> String {
    let mut out = String::new();
    if drawn > 0 {
        out.push_str(&format!("\x1b[{drawn}A\r\x1b[J"));
    }
    for line in lines {
        out.push_str(line);
        out.push('\n');
    }
    out
}

/// Progress is a courtesy: a terminal that went away ends no weighing.
fn put(drawing: &str) {
    let mut stderr = io::stderr().lock();
    let _ = stderr.write_all(drawing.as_bytes());
    let _ = stderr.flush();
}

#[cfg(test)]
mod tests {
    use super::*;

    fn look(begun: bool, ended: bool, done: u64, total: u64) -> Look {
        Look {
            begun,
            ended,
            bytes_done: done,
            bytes_total: total,
        }
    }

    #[test]
    fn each_file_under_way_has_a_line_and_so_has_the_whole() {
        let files = [
            (
                "01 Harbour Lights.wav",
                look(true, true, 20_000_000, 20_000_000),
            ),
            (
                "02 Slack Tide.wav",
                look(true, false, 10_000_000, 40_000_000),
            ),
            (
                "03 A title that is longer than any line could hold, take seven, revision 12.wav",
                look(true, false, 0, 600_000),
            ),
            ("04 Ferry Bell.wav", look(false, false, 0, 1_400_000)),
        ];
        assert_eq!(
            lines("weighing", &files, 79).join("\n"),
            "  weighing 02 Slack Tide.wav                              25 %  10.0 of 40.0 MB\n\
             \x20 weighing 03 A title that is lon…even, revision 12.wav    0 %    0.0 of 0.6 MB\n\
             \x20 1 of 4 files   48 %  30.0 of 62.0 MB"
        );
    }

    #[test]
    fn a_hundred_per_cent_means_done() {
        assert_eq!(percent(999, 1000), " 99 %");
        assert_eq!(percent(1000, 1000), "100 %");
        assert_eq!(percent(0, 0), "  0 %");
        assert_eq!(percent(u64::MAX, 1), "100 %");
    }

    #[test]
    fn old_lines_are_taken_away_before_new_ones_are_drawn() {
        assert_eq!(redraw(0, &["a".into()]), "a\n");
        assert_eq!(redraw(2, &["a".into()]), "\x1b[2A\r\x1b[Ja\n");
        assert_eq!(redraw(2, &[]), "\x1b[2A\r\x1b[J");
    }

    #[test]
    fn a_file_that_broke_off_does_not_hold_the_whole_below_a_hundred() {
        let meter = Meter::of(1000);
        meter.begin();
        meter.advance(10, 1000);
        meter.end();
        let look = meter.look();
        assert_eq!((look.bytes_done, look.ended), (1000, true));
    }
}
