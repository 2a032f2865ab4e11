//! One weighed file as a person reads it on a terminal, in the order of every face: verdict
//! and reason, where the file is, what was found against what was asked, the figures.
//!
//! In: a [`Sidecar`], the place to name. Out: a string that ends with a line feed. What is told
//! comes from [`Story`], as for notes and mails; the form is this file's. Pure; measures and
//! judges nothing.

use std::fmt::Write;

use crate::judge::{Finding, Outcome, Verdict};
use crate::profile::Choice;
use crate::record::{self, FormatFacts, Measured, Row, Sidecar, Story, one_line};
use crate::units::Seconds;

use super::text::{self, Accent, Paint};

/// What is to be shown of one file.
pub struct Face<'a> {
    pub sidecar: &'a Sidecar,
    /// Where the file is now, and what was done with it, in words.
    pub place: &'a str,
    /// What chose the profile; `None` where that is not known any more.
    pub because: Option<&'a str>,
    /// The mix, and what chose it; otherwise what the record says of it.
    pub mix: Option<&'a str>,
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
        // Unbroken, so that it can be copied whatever spaces it holds.
        let _ = writeln!(out, "  where   {}", self.place);
        out.push_str(&text::hanging("  profile ", &self.profile(), self.columns));
        if let Some(mix) = self.mix() {
            out.push_str(&text::hanging("  mix     ", &mix, self.columns));
        }
        out.push_str(&self.findings(&story));
        if let Some(unmeasured) = unmeasured(self.sidecar, self.title) {
            let line = text::hanging("  not measured: ", &unmeasured, self.columns);
            out.push_str(&line);
        }
        if let Some(noted) = noted(self.sidecar, self.title) {
            out.push_str(&text::hanging("  noted: ", &noted, self.columns));
        }
        if let Some(clear) = story.clear_line() {
            let _ = writeln!(out, "  {clear}");
        }
        out.push('\n');
        let heard: &[record::Fact] = match is_object_based(self.sidecar) {
            true => &story.figures,
            false => &[],
        };
        let facts = heard.iter().chain(&story.master).chain(&story.elsewhere);
        if facts.clone().next().is_some() {
            let rows: Vec<Vec<String>> = facts
                .map(|fact| vec![fact.what.clone(), fact.is.clone()])
                .collect();
            out.push_str(&text::table("  ", &rows, self.columns).concat());
            out.push('\n');
        }
        out.push_str(&text::hanging("  ", &figures(self.sidecar), self.columns));
        if let Some(blake3) = &story.blake3 {
            let _ = writeln!(out, "  blake3 {blake3}");
        }
        out
    }

    fn profile(&self) -> String {
        let name = one_line(&self.sidecar.profile.name);
        match self.because {
            Some(because) => format!("{name}: {because}"),
            None => name,
        }
    }

    fn mix(&self) -> Option<String> {
        if let Some(mix) = self.mix {
            return Some(mix.to_owned());
        }
        let against = self.sidecar.against.as_ref()?;
        let compared = match against.comparison {
            Some(_) => "",
            None => " (not compared)",
        };
        Some(format!("{}{compared}", one_line(&against.mix)))
    }

    /// One row a finding, and below it what the columns do not say.
    fn findings(&self, story: &Story) -> String {
        // The story's rows are these findings, in their order.
        let told = |finding: &&Finding| record::asks_for_a_person(finding);
        let findings = self.sidecar.checks.iter().filter(told);
        let shown: Vec<_> = findings
            .zip(&story.rows)
            .filter(|(_, row)| !row.follows)
            .collect();
        let (_, not_made) = story.rows_told();

        let mut out = String::new();
        if !shown.is_empty() {
            out.push('\n');
            out.push_str(&self.table(&shown));
        }
        if let Some(says) = not_made {
            let _ = writeln!(out, "  {says}");
        }
        out
    }

    fn table(&self, shown: &[(&Finding, &Row)]) -> String {
        let mut rows = vec![["", "check", "found", "asked", "by"].map(str::to_owned)];
        rows.extend(shown.iter().map(|(finding, row)| cells(finding, row)));
        let layout = TableLayout::of(&rows, self.columns);

        let mut out = layout.lines(&rows[0]);
        for ((finding, row), cells) in shown.iter().zip(&rows[1..]) {
            let accent = match row.outcome {
                Outcome::Stop => Accent::Vermilion,
                Outcome::Advise => Accent::Blue,
                Outcome::Clear | Outcome::Note | Outcome::Unmeasured => Accent::None,
            };
            let line = layout.lines(cells);
            out.push_str(&painted(&line, &cells[0], accent, self.paint));
            let indent = " ".repeat(layout.detail_indent());
            out.push_str(&text::hanging(&indent, &detail(finding, row), self.columns));
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

/// The sentence where there is no number, then on what and where it was read, then whose limit.
fn detail(finding: &Finding, row: &Row) -> String {
    let mut parts: Vec<String> = Vec::new();
    if finding.value.is_none() || row.outcome == Outcome::Unmeasured {
        parts.push(row.says.clone());
    } else if let Some((_, doubt)) = row.says.split_once("; ") {
        // Why a limit that stops only advises.
        parts.push(doubt.to_owned());
    } else if row.by.is_none() && matches!(row.outcome, Outcome::Stop | Outcome::Advise) {
        parts.push(row.says.clone());
    }
    if !matches!(finding.subject.as_str(), "" | "file") {
        parts.push(format!("on {}", one_line(&finding.subject)));
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

/// Figures that nobody set a limit for, but for those that the last line tells.
fn noted(sidecar: &Sidecar, title: &dyn Fn(&str) -> Option<String>) -> Option<String> {
    const TOLD_BELOW: [&str; 4] = [
        "loudness.integrated",
        "loudness.range",
        "peaks.true_peak",
        "duration.length",
    ];
    let below = |check: &str| match is_object_based(sidecar) {
        true => record::is_figure(check) || check == "duration.length",
        // The table of what is left elsewhere says the second.
        false => TOLD_BELOW.contains(&check) || check.starts_with("translation."),
    };
    let notes = (sidecar.checks.iter()).filter(|f| f.outcome == Outcome::Note && !below(&f.check));
    let notes: Vec<String> = notes
        .map(|finding| match (&finding.value, title(&finding.check)) {
            (Some(Choice::Number(value)), Some(title)) if finding.limit.is_none() => {
                format!("{title} {}", record::quantity(*value, &finding.unit, 1))
            }
            _ => one_line(&finding.says),
        })
        .collect();
    (!notes.is_empty()).then(|| notes.join(", "))
}

/// What could not be measured and nobody asked for, by reason: `short-term maximum, loudness
/// range (the file is shorter than 3 s)`.
fn unmeasured(sidecar: &Sidecar, title: &dyn Fn(&str) -> Option<String>) -> Option<String> {
    let mut reasons: Vec<(String, Vec<String>)> = Vec::new();
    let findings = sidecar.checks.iter().filter(|finding| {
        finding.outcome == Outcome::Unmeasured
            && !record::asks_for_a_person(finding)
            && !record::follows(sidecar, finding)
    });
    for finding in findings {
        let name = title(&finding.check).unwrap_or_else(|| finding.check.clone());
        let (_, why) = finding.says.split_once(": ").unwrap_or(("", &finding.says));
        match reasons.iter_mut().find(|(reason, _)| reason == why) {
            Some((_, names)) => names.push(name),
            None => reasons.push((why.to_owned(), vec![name])),
        }
    }
    let told: Vec<String> = reasons
        .iter()
        .map(|(why, names)| format!("{} ({})", names.join(", "), one_line(why)))
        .collect();
    (!told.is_empty()).then(|| told.join("; "))
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

/// Whether renders are told, one a line, in place of the file's own channels.
fn is_object_based(sidecar: &Sidecar) -> bool {
    let measured = sidecar.measured.as_ref();
    measured.is_some_and(|measured| measured.scene.is_some())
}

/// Loudness with the layout behind it, true peak, range, unless they are told already; then
/// duration, format.
fn figures(sidecar: &Sidecar) -> String {
    let mut parts: Vec<String> = Vec::new();
    match &sidecar.measured {
        Some(_) if is_object_based(sidecar) => {}
        Some(measured) => parts.extend(measured_figures(measured)),
        None => parts.push("nothing could be measured".to_owned()),
    }
    if let Some(format) = &sidecar.format {
        parts.push(Seconds(format.duration_s).to_string());
        parts.push(format_figures(format));
    }
    parts.join("; ")
}

fn measured_figures(measured: &Measured) -> Vec<String> {
    let mut parts = Vec::new();
    match (&measured.measured_on, &measured.loudness) {
        (Some(on), Some(loudness)) => {
            let value = match loudness.integrated_lufs {
                Some(integrated) => format!("{:.1} LUFS", integrated.value()),
                None => "no loudness (silent, or too short)".to_owned(),
            };
            let on = one_line(&on.layout);
            parts.push(format!("{value} on {on} (the file's own channels)"));
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
            " (unstable under 60 s)"
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
    out
}

/// The sidecar's spelling of a container or an encoding, so that both faces use one word.
fn spelled(fact: &impl serde::Serialize) -> String {
    match serde_json::to_value(fact) {
        Ok(serde_json::Value::String(word)) => word,
        _ => "unknown".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::invented;

    fn face(sidecar: &Sidecar, paint: Paint) -> String {
        Face {
            sidecar,
            place: "exports/Harbour Lights_MI04_48k24.wav (nothing was moved)",
            because: Some("route \"**/*_MI*.wav\" of watch \"exports\""),
            mix: None,
            title: &|_| None,
            columns: 80,
            paint,
        }
        .render()
    }

    #[test]
    fn a_stopped_file_says_first_why_then_where_then_each_finding() {
        let stopped = invented::stopped("Harbour Lights_MI04_48k24.wav");
        assert_eq!(face(&stopped, Paint::Plain), STOPPED);
    }

    const STOPPED: &str = "\
stopped: Harbour Lights_MI04_48k24.wav: 1.6 LU too loud on the 5.1 re-render
         (-16.4, asked: at most -18.0 LUFS), and 3 true-peak overs
  where   exports/Harbour Lights_MI04_48k24.wav (nothing was moved)
  profile immersive-music: route \"**/*_MI*.wav\" of watch \"exports\"

              check                found         asked               by
  stop        loudness.integrated  -16.4 LUFS    at most -18.0 LUFS  1.6 LU over
              on 0+5+0; house aim of the invented studio
  stop        peaks.true_peak      -0.3 dBTP     at most -1.0 dBTP   0.7 dB over
              on 0+5+0; at 0:42.113, sample 2021424, M+030, -0.31 dBTP, and 2
              more; EBU R 128 (2023), clause h
  unmeasured  loudness.range       not measured  at most 20.0 LU
              the range could not be measured: the piece is shorter than 3 s; on
              0+5+0; common practice, no source
  advise      edges.head_silence   0.2 s         at most 0.1 s       0.1 s over
              on 0+5+0; common practice, no source
  noted: bext names the originator Tallow Street
  41 other checks clear

  turned to published figures  true peak 2.1 dBTP at -14 LUFS, 0.1 at -16, -1.9
                               at -18, -6.9 at -23, -7.9 at -24

  -16.4 LUFS on 0+2+0 (the file's own channels); true peak -0.3 dBTP; range 6.3
  LU; 6:00.000; WAVE PCM 24 bit, 48000 Hz, 2 channels
  blake3 0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f
";

    #[test]
    fn every_loudness_names_the_layout_it_was_read_on() {
        for sidecar in invented::all_kinds() {
            let text = figures(&sidecar);
            for figure in text.split(';').filter(|part| part.contains(" LUFS")) {
                assert!(figure.contains(" on "), "{text}");
            }
        }
    }

    #[test]
    fn what_could_not_be_read_has_no_figures_and_no_digest_that_was_not_taken() {
        let unread = invented::all_kinds().pop().unwrap();
        let mut place = unread.clone();
        place.file.name = "away.wav".into();
        assert_eq!(
            Face {
                sidecar: &place,
                place: "away.wav",
                because: None,
                mix: Some("/srv/mixes/away_mix.wav, by --against"),
                title: &|_| None,
                columns: 80,
                paint: Paint::Plain
            }
            .render(),
            "\
unread: away.wav: reading failed after 4096 bytes: the share was away
  where   away.wav
  profile immersive-music
  mix     /srv/mixes/away_mix.wav, by --against

  nothing could be measured
"
        );
    }

    #[test]
    fn what_nobody_asked_for_and_could_not_be_measured_takes_one_line() {
        let mut short = invented::stopped("x.wav");
        for check in ["loudness.short_term_max", "loudness.range"] {
            let mut finding = short.checks[0].clone();
            finding.check = check.into();
            finding.outcome = Outcome::Unmeasured;
            finding.limit = None;
            finding.says = "no such figure: the file is shorter than 3 s".into();
            short.checks.push(finding);
        }
        let text = face(&short, Paint::Plain);
        let line = "  not measured: loudness.short_term_max, loudness.range (the file is shorter than 3 s)";
        let words = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(words(&text).contains(&words(line)), "{text}");
    }

    #[test]
    fn colour_changes_no_letter() {
        let stopped = invented::stopped("x.wav");
        let colour = face(&stopped, Paint::Colour);
        let mut bare = String::new();
        let mut rest = colour.as_str();
        while let Some(at) = rest.find('\x1b') {
            bare.push_str(&rest[..at]);
            let end = rest[at..].find('m').expect("an escape ends");
            rest = &rest[at + end + 1..];
        }
        bare.push_str(rest);
        assert_ne!(bare, colour);
        assert_eq!(bare, face(&stopped, Paint::Plain));
    }
}
