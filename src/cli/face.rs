//! One weighed file as a person reads it on a terminal, in the order of every face: verdict
//! and reason, where the file is, what was found against what was asked, the figures.
//!
//! In: a [`Sidecar`], the place to name, the profile it was judged by. Out: a string that ends
//! with a line feed. Pure; measures nothing and judges nothing.

use std::fmt::Write;

use crate::judge::{Finding, Outcome, Verdict};
use crate::profile::Profile;
use crate::record::{FormatFacts, Measured, Sidecar};
use crate::units::Seconds;

use super::amount;
use super::text::{self, Accent, Paint};

/// What is to be shown of one file.
pub struct Face<'a> {
    pub sidecar: &'a Sidecar,
    /// Where the file is now, and what was done with it, in words.
    pub place: &'a str,
    /// The profile that it was judged by, for the distance from each limit; without it that
    /// column stays empty.
    pub profile: Option<&'a Profile>,
    pub columns: usize,
    pub paint: Paint,
}

impl Face<'_> {
    pub fn render(&self) -> String {
        let mut out = String::new();
        if let Some(caution) = &self.sidecar.caution {
            let line = text::hanging("caution: ", &text::visible(caution), self.columns);
            out.push_str(&painted(&line, "caution", Accent::Vermilion, self.paint));
        }
        out.push_str(&self.sentence());
        out.push_str(&text::hanging("  where   ", self.place, self.columns));
        out.push_str(&self.findings());
        out.push('\n');
        out.push_str(&text::hanging("  ", &figures(self.sidecar), self.columns));
        let _ = writeln!(out, "  blake3 {}", self.sidecar.file.digests.blake3);
        out
    }

    fn sentence(&self) -> String {
        let word = self.sidecar.verdict.word();
        let name = text::visible(&self.sidecar.file.name);
        let reason = text::visible(&self.sidecar.reason);
        let whole = if reason.is_empty() {
            name
        } else {
            format!("{name}: {reason}")
        };
        let line = text::hanging(&format!("{word}: "), &whole, self.columns);
        painted(&line, word, accent_of(self.sidecar.verdict), self.paint)
    }

    fn findings(&self) -> String {
        let checks = &self.sidecar.checks;
        let clear = checks
            .iter()
            .filter(|f| f.outcome == Outcome::Clear)
            .count() as u64;
        let (noted, shown): (Vec<&Finding>, Vec<&Finding>) = checks
            .iter()
            .filter(|finding| finding.outcome != Outcome::Clear)
            .partition(|finding| is_bare_note(finding));

        let mut out = String::new();
        if !shown.is_empty() {
            out.push('\n');
            out.push_str(&self.table(&shown));
        }
        if !noted.is_empty() {
            let list: Vec<String> = noted.iter().map(|finding| bare_note(finding)).collect();
            out.push_str(&text::hanging("  noted: ", &list.join(", "), self.columns));
        }
        if clear > 0 {
            let (one, many) = if shown.is_empty() {
                ("check clear", "checks clear")
            } else {
                ("other check clear", "other checks clear")
            };
            let _ = writeln!(out, "  {}", text::counted(clear, one, many));
        }
        out
    }

    /// One row a finding, and below it where and whose limit it is.
    fn table(&self, findings: &[&Finding]) -> String {
        let mut rows = vec![["", "check", "found", "asked", "by"].map(str::to_owned)];
        rows.extend(findings.iter().map(|finding| self.row(finding)));
        let layout = TableLayout::of(&rows, self.columns);

        let mut out = layout.lines(&rows[0]);
        for (finding, row) in findings.iter().zip(&rows[1..]) {
            let accent = match finding.outcome {
                Outcome::Stop => Accent::Vermilion,
                Outcome::Advise => Accent::Blue,
                Outcome::Clear | Outcome::Note | Outcome::Unmeasured => Accent::None,
            };
            out.push_str(&painted(&layout.lines(row), &row[0], accent, self.paint));
            let indent = " ".repeat(layout.detail_indent());
            out.push_str(&text::hanging(&indent, &detail(finding), self.columns));
        }
        out
    }

    fn row(&self, finding: &Finding) -> [String; 5] {
        let by = self
            .profile
            .and_then(|profile| profile.limits.get(&finding.check))
            .zip(finding.value.as_ref())
            .filter(|_| finding.outcome != Outcome::Unmeasured)
            .and_then(|(limit, value)| amount::passed_by(value, &limit.rule));
        let found = match (&finding.value, finding.outcome) {
            (_, Outcome::Unmeasured) => "not measured".to_owned(),
            (Some(value), _) => amount::found(value, &finding.unit, by),
            (None, _) => "-".to_owned(),
        };
        [
            outcome_word(finding.outcome).to_owned(),
            text::visible(&finding.check),
            found,
            finding
                .limit
                .as_deref()
                .map_or("-".to_owned(), text::visible),
            by.map_or(String::new(), |by| amount::distance(by, &finding.unit)),
        ]
    }
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

/// A figure that nobody set a limit for: a word is enough.
fn is_bare_note(finding: &Finding) -> bool {
    finding.outcome == Outcome::Note && finding.limit.is_none() && finding.value.is_some()
}

fn bare_note(finding: &Finding) -> String {
    let value = finding
        .value
        .as_ref()
        .map(|value| amount::found(value, &finding.unit, None));
    format!(
        "{} {}",
        text::visible(&finding.check),
        value.unwrap_or_default()
    )
}

/// What the columns do not say: the sentence where there is no number, then where, then whose
/// limit.
fn detail(finding: &Finding) -> String {
    let mut parts: Vec<String> = Vec::new();
    if finding.value.is_none() || finding.outcome == Outcome::Unmeasured {
        parts.push(text::visible(&finding.says));
    }
    if !matches!(finding.subject.as_str(), "" | "file") {
        parts.push(format!("on {}", text::visible(&finding.subject)));
    }
    if let Some(place) = places(finding) {
        parts.push(place);
    }
    parts.push(text::visible(&finding.source));
    parts.retain(|part| !part.is_empty());
    parts.join("; ")
}

/// The first place, and how many more: `at 0:03.120 M+030 (sample 149760), and 2 more`.
fn places(finding: &Finding) -> Option<String> {
    let first = finding.places.first()?;
    let mut out = format!("at {}", first.start_s);
    if let Some(channel) = &first.channel {
        let _ = write!(out, " {}", text::visible(channel));
    }
    let _ = write!(out, " (sample {})", first.start_frame.0);
    let all = finding.places_total.max(finding.places.len() as u64);
    if all > 1 {
        let _ = write!(out, ", and {} more", text::grouped(all - 1));
    }
    Some(out)
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
    parts.push(format!("profile {}", text::visible(&sidecar.profile.name)));
    parts.join("; ")
}

fn measured_figures(measured: &Measured) -> Vec<String> {
    let mut parts = Vec::new();
    match (&measured.measured_on, &measured.loudness) {
        (Some(on), Some(loudness)) => {
            let renderer = match &on.renderer {
                Some(renderer) => format!("rendered by {}", text::visible(renderer)),
                None => "the file's own channels".to_owned(),
            };
            let value = match loudness.integrated_lufs {
                Some(integrated) => format!("{:.1} LUFS", integrated.value()),
                None => "no loudness (silent, or too short)".to_owned(),
            };
            parts.push(format!(
                "{value} on {} ({renderer})",
                text::visible(&on.layout)
            ));
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
        let _ = write!(out, " ({})", text::visible(layout));
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
