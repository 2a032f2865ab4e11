//! One weighed file as a person reads it on a terminal, in the order of every face: verdict
//! and reason, where the file is, what was found against what was asked, the figures.
//!
//! In: a [`Sidecar`], the place to name. Out: a string that ends with a line feed. What is told
//! comes from [`Story`], as for notes and mails; the form is this file's. Pure; measures and
//! judges nothing.

use std::fmt::Write;

use crate::judge::{Finding, Outcome, Verdict};
use crate::record::{self, FormatFacts, Measured, Row, Sidecar, Story, one_line};
use crate::units::Seconds;

use super::text::{self, Accent, Paint};

/// What is to be shown of one file.
pub struct Face<'a> {
    pub sidecar: &'a Sidecar,
    /// Where the file is now, and what was done with it, in words.
    pub place: &'a str,
    /// The catalogue's name of a check.
    pub title: &'a dyn Fn(&str) -> Option<String>,
    pub columns: usize,
    pub paint: Paint,
}

impl Face<'_> {
    pub fn render(&self) -> String {
        let story = Story::of(self.sidecar, self.title);
        let mut out = String::new();
        if let Some(caution) = &story.caution {
            let line = text::hanging("caution: ", caution, self.columns);
            out.push_str(&painted(&line, "caution", Accent::Vermilion, self.paint));
        }
        out.push_str(&sentence(&story, self.columns, self.paint));
        out.push_str(&text::hanging("  where   ", self.place, self.columns));
        if !story.rows.is_empty() {
            out.push('\n');
            out.push_str(&self.table(&story.rows));
        }
        for note in &story.notes {
            out.push_str(&text::hanging("  note: ", note, self.columns));
        }
        if let Some(clear) = story.clear_line() {
            let _ = writeln!(out, "  {clear}");
        }
        out.push('\n');
        out.push_str(&text::hanging("  ", &figures(self.sidecar), self.columns));
        if let Some(blake3) = &story.blake3 {
            let _ = writeln!(out, "  blake3 {blake3}");
        }
        out
    }

    /// One row a finding, and below it what the columns do not say.
    fn table(&self, told: &[Row]) -> String {
        // The story's rows are the findings that are neither clear nor noted, in their order.
        let findings = self
            .sidecar
            .checks
            .iter()
            .filter(|finding| !matches!(finding.outcome, Outcome::Clear | Outcome::Note));
        let mut rows = vec![["", "check", "found", "asked", "by"].map(str::to_owned)];
        rows.extend(findings.zip(told).map(|(finding, row)| cells(finding, row)));
        let layout = TableLayout::of(&rows, self.columns);

        let mut out = layout.lines(&rows[0]);
        for (row, cells) in told.iter().zip(&rows[1..]) {
            let accent = match row.outcome {
                Outcome::Stop => Accent::Vermilion,
                Outcome::Advise => Accent::Blue,
                Outcome::Clear | Outcome::Note | Outcome::Unmeasured => Accent::None,
            };
            let line = layout.lines(cells);
            out.push_str(&painted(&line, &cells[0], accent, self.paint));
            let indent = " ".repeat(layout.detail_indent());
            let says_it = cells[2] == "-" || row.outcome == Outcome::Unmeasured;
            out.push_str(&text::hanging(&indent, &detail(row, says_it), self.columns));
        }
        out
    }
}

/// `stopped: NAME: REASON`, the word in its colour.
fn sentence(story: &Story, columns: usize, paint: Paint) -> String {
    let word = record::word(story.verdict);
    let name = &story.name;
    let whole = if story.reason.is_empty() {
        name.clone()
    } else {
        format!("{name}: {}", story.reason)
    };
    let line = text::hanging(&format!("{word}: "), &whole, columns);
    painted(&line, word, accent_of(story.verdict), paint)
}

fn cells(finding: &Finding, row: &Row) -> [String; 5] {
    let found = match (&finding.value, row.outcome) {
        (_, Outcome::Unmeasured) => "not measured".to_owned(),
        (None, _) => "-".to_owned(),
        (Some(_), _) => row.found.clone(),
    };
    [
        outcome_word(row.outcome).to_owned(),
        row.check.clone(),
        found,
        row.asked.clone().unwrap_or_else(|| "-".to_owned()),
        row.by.clone().unwrap_or_default(),
    ]
}

/// The check in words, the sentence where there is no number, then where, then whose limit.
fn detail(row: &Row, says_it: bool) -> String {
    let mut parts: Vec<String> = vec![row.title.clone()];
    if says_it {
        parts.push(row.says.clone());
    }
    if let Some(first) = row.places.first() {
        let mut place = format!("at {first}");
        let more = row.places.len() as u64 - 1 + row.more_places;
        if more > 0 {
            let _ = write!(place, ", and {} more", text::grouped(more));
        }
        parts.push(place);
    }
    parts.push(row.source.clone());
    parts.retain(|part| !part.is_empty());
    parts.join("; ")
}

/// Widths of the findings table: check and distance never break, found and asked share the rest.
struct TableLayout {
    widths: [usize; 5],
}

impl TableLayout {
    const INDENT: usize = 2;
    const GAP: usize = 2;
    /// Under this a column would break every word: own choice.
    const NARROWEST: usize = 12;

    fn of(rows: &[[String; 5]], columns: usize) -> Self {
        let mut widths = [0; 5];
        for row in rows {
            for (width, cell) in widths.iter_mut().zip(row) {
                *width = text::width(cell).max(*width);
            }
        }
        let fixed = Self::INDENT + 4 * Self::GAP + widths[0] + widths[1] + widths[4];
        let rest = columns.saturating_sub(fixed);
        let found = widths[2].min((rest / 2).max(Self::NARROWEST));
        widths[3] = widths[3].min(rest.saturating_sub(found).max(Self::NARROWEST));
        widths[2] = widths[2].min(rest.saturating_sub(widths[3]).max(found));
        Self { widths }
    }

    fn detail_indent(&self) -> usize {
        Self::INDENT + self.widths[0] + Self::GAP
    }

    /// The row, on as many lines as its fullest cell needs.
    fn lines(&self, row: &[String; 5]) -> String {
        let cells: Vec<Vec<String>> = row
            .iter()
            .zip(self.widths)
            .map(|(cell, width)| text::wrapped(cell, width))
            .collect();
        let height = cells.iter().map(Vec::len).max().unwrap_or(0);
        let mut out = String::new();
        for line in 0..height {
            let parts: Vec<String> = cells
                .iter()
                .zip(self.widths)
                .map(|(cell, width)| text::left(cell.get(line).map_or("", String::as_str), width))
                .collect();
            let joined = parts.join(&" ".repeat(Self::GAP));
            let _ = writeln!(out, "{}{}", " ".repeat(Self::INDENT), joined.trim_end());
        }
        out
    }
}

fn outcome_word(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Clear => "clear",
        Outcome::Note => "note",
        Outcome::Advise => "advise",
        Outcome::Stop => "stop",
        Outcome::Unmeasured => "unmeasured",
    }
}

pub fn accent_of(verdict: Verdict) -> Accent {
    match verdict {
        Verdict::Clear => Accent::None,
        Verdict::Advise => Accent::Blue,
        Verdict::Stop | Verdict::Unread => Accent::Vermilion,
    }
}

/// Colours the first `word` of `line`.
pub fn painted(line: &str, word: &str, accent: Accent, paint: Paint) -> String {
    line.replacen(word, &paint.accent(accent, word), 1)
}

/// Loudness with the layout and renderer behind it, true peak, range, duration, format, profile.
pub fn figures(sidecar: &Sidecar) -> String {
    let mut parts: Vec<String> = Vec::new();
    match &sidecar.measured {
        Some(measured) => parts.extend(measured_figures(measured)),
        None => parts.push("nothing could be measured".to_owned()),
    }
    if let Some(format) = &sidecar.format {
        parts.push(Seconds(format.duration_s).to_string());
        parts.push(format_figures(format));
    }
    parts.push(format!("profile {}", one_line(&sidecar.profile.name)));
    parts.join("; ")
}

fn measured_figures(measured: &Measured) -> Vec<String> {
    let mut parts = Vec::new();
    match (&measured.measured_on, &measured.loudness) {
        (Some(on), Some(loudness)) => {
            let renderer = match &on.renderer {
                Some(renderer) => format!("rendered by {}", one_line(renderer)),
                None => "the file's own channels".to_owned(),
            };
            let value = match loudness.integrated_lufs {
                Some(integrated) => format!("{:.1} LUFS", integrated.value()),
                None => "no loudness (silent, or too short)".to_owned(),
            };
            parts.push(format!("{value} on {} ({renderer})", one_line(&on.layout)));
        }
        _ => parts.push("no loudness: nobody says where the channels play".to_owned()),
    }
    match measured.peaks.true_peak_dbtp {
        Some(peak) => parts.push(format!("true peak {:.1} dBTP", peak.value())),
        None => parts.push("no true peak (silent)".to_owned()),
    }
    if let Some(loudness) = &measured.loudness
        && let Some(range) = loudness.range_lu
    {
        let doubt = if loudness.range_stable {
            ""
        } else {
            " (under a minute: not firm)"
        };
        parts.push(format!("range {:.1} LU{doubt}", range.value()));
    }
    parts
}

fn format_figures(format: &FormatFacts) -> String {
    let mut out = format!(
        "{} {}",
        spelled(&format.container),
        spelled(&format.encoding)
    );
    if let Some(bits) = format.bit_depth {
        let _ = write!(out, " {bits} bit");
    }
    let _ = write!(out, ", {} Hz, ", format.sample_rate_hz);
    out.push_str(&text::counted(
        format.channels as u64,
        "channel",
        "channels",
    ));
    if let Some(layout) = &format.layout {
        let _ = write!(out, " ({})", one_line(layout));
    }
    out
}

/// The sidecar's spelling of a container or an encoding, so that both faces use one word.
fn spelled(fact: &impl serde::Serialize) -> String {
    match serde_json::to_value(fact) {
        Ok(serde_json::Value::String(word)) => word,
        _ => "unknown".to_owned(),
    }
}
