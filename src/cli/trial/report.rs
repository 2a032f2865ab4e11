//! A trial as a person reads it, and as programs do.
//!
//! In: verdicts, rows of checks, spreads, proposals. Out: text that fits a terminal, or JSON by
//! serde. Pure.

use serde::{Serialize, Serializer};

use super::proposal::Proposal;
use super::spread::{CheckRow, Spread};
use crate::cli::text::{self, Accent, Paint};
use crate::cli::weigh::total;
use crate::judge::Verdict;
use crate::record::{one_line, quantity};

/// All that a trial found.
#[derive(Debug, Serialize)]
pub struct Report {
    pub folder: String,
    /// `YYYY-MM-DD`
    pub date: String,
    /// Folders that could not be looked into: what is in them is unknown.
    pub unreadable_folders: u64,
    /// One a profile.
    pub groups: Vec<Group>,
    /// The profile that was written.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub written: Option<String>,
}

/// What one profile says of its files.
#[derive(Debug, Serialize)]
pub struct Group {
    pub profile: String,
    pub digest: String,
    /// What chose the profile.
    pub because: Vec<String>,
    #[serde(serialize_with = "counts")]
    pub verdicts: Vec<Verdict>,
    /// Files that could not be read, and why.
    pub unread: Vec<(String, String)>,
    pub checks: Vec<CheckRow>,
    pub figures: Vec<Spread>,
    pub proposed: Vec<Proposal>,
}

/// `{"stop": 1, "unread": 0, "advise": 2, "clear": 9}`
fn counts<S: Serializer>(verdicts: &[Verdict], to: S) -> Result<S::Ok, S::Error> {
    let order = [
        Verdict::Stop,
        Verdict::Unread,
        Verdict::Advise,
        Verdict::Clear,
    ];
    let of = |verdict: Verdict| verdicts.iter().filter(|v| **v == verdict).count();
    to.collect_map(order.map(|verdict| (verdict.word(), of(verdict))))
}

/// Names of files are shortened to this. Own choice: one of them fits a line.
const NAME_COLUMNS: usize = 60;

impl Report {
    pub fn new(folder: String, date: String, unreadable_folders: u64) -> Self {
        Self {
            folder,
            date,
            unreadable_folders,
            groups: Vec::new(),
            written: None,
        }
    }

    pub fn text(&self, columns: usize, paint: Paint) -> String {
        let mut verdicts: Vec<Verdict> = Vec::new();
        for group in &self.groups {
            verdicts.extend(&group.verdicts);
        }
        let sentence = match verdicts.len() {
            0 => "no audio files".to_owned(),
            _ => total(&verdicts),
        };
        let mut out = text::hanging("trial: ", &sentence, columns);
        out.push_str(&format!(
            "  where   {} (nothing was changed)\n",
            self.folder
        ));
        for group in &self.groups {
            let several = self.groups.len() > 1;
            out.push_str(&group.text(several, columns, paint));
        }
        if let Some(written) = &self.written {
            out.push('\n');
            let group = self.groups.first();
            let limits = group.is_some_and(|group| group.proposed.iter().any(Proposal::is_made));
            let what = match limits {
                true => "The limits and the figures are written to",
                false => "No limit was made; what the figures allow is written to",
            };
            out.push_str(&text::hanging(
                "",
                &format!("{what} {written}. To judge by it:"),
                columns,
            ));
            out.push_str(&format!("  weighbridge weigh FILE --profile {written}\n"));
        }
        out
    }
}

impl Group {
    fn text(&self, several: bool, columns: usize, paint: Paint) -> String {
        let mut out = String::new();
        if several {
            out.push('\n');
        }
        let chosen = format!("{}: {}", self.profile, self.because.join("; "));
        out.push_str(&text::hanging("  profile ", &chosen, columns));
        if several {
            out.push_str(&text::hanging(
                "  files   ",
                &total(&self.verdicts),
                columns,
            ));
        }
        out.push_str(&self.told(columns, paint));
        if !self.unread.is_empty() {
            out.push_str("\n  Not read\n");
            for (file, why) in &self.unread {
                let line = format!("{file}: {}", one_line(why));
                out.push_str(&text::hanging("    ", &line, columns));
            }
        }
        out.push_str(&self.spreads(columns));
        out.push_str(&self.proposals(columns));
        out
    }

    fn told(&self, columns: usize, paint: Paint) -> String {
        let mut out = "\n  What would have been told\n".to_owned();
        if self.checks.is_empty() {
            out.push_str("    nothing\n");
        }
        for row in &self.checks {
            let (word, accent) = match (row.stop, row.advise) {
                (0, 0) => ("unmeasured", Accent::None),
                (0, _) => ("advise", Accent::Blue),
                _ => ("stop", Accent::Vermilion),
            };
            let mut counts = Vec::new();
            for (count, what) in [
                (row.stop, "stop"),
                (row.advise, "advise"),
                (row.unmeasured, "not measured"),
            ] {
                if count > 0 {
                    counts.push(format!("{count} {what}"));
                }
            }
            let line = format!("{} ({}): {}", row.title, row.check, counts.join(", "));
            let line = text::hanging(&format!("    {word:10}  "), &line, columns);
            out.push_str(&line.replacen(word, &paint.accent(accent, word), 1));
            for worst in &row.worst {
                let line = format!("{}: {}", worst.file, worst.says);
                out.push_str(&text::hanging("                  ", &line, columns));
            }
            let more = row.files() - row.worst.len();
            if more > 0 {
                out.push_str(&format!("                  and {more} more\n"));
            }
        }
        out
    }

    fn spreads(&self, columns: usize) -> String {
        if self.figures.is_empty() {
            return String::new();
        }
        let mut rows = vec![["", "files", "lowest", "median", "highest"].map(str::to_owned)];
        rows.extend(self.figures.iter().map(|spread| {
            let number = |value: f64| digits(value, &spread.unit);
            [
                format!("{}, {}", spread.title, spread.unit),
                spread.files.to_string(),
                number(spread.lowest.value),
                number(spread.median),
                number(spread.highest.value),
            ]
        }));
        let width = |column: usize| rows.iter().map(|row| text::width(&row[column])).max();
        let widths: Vec<usize> = (0..5).map(|column| width(column).unwrap_or(0)).collect();
        let line = |row: &[String; 5]| {
            let mut line = format!("    {}", text::left(&row[0], widths[0]));
            for (cell, width) in row.iter().zip(&widths).skip(1) {
                line.push_str("  ");
                line.push_str(&text::right(cell, *width));
            }
            format!("{}\n", line.trim_end())
        };
        let mut out = "\n  Your own masters, each figure between its ends\n".to_owned();
        out.push_str(&line(&rows[0]));
        for (row, spread) in rows[1..].iter().zip(&self.figures) {
            out.push_str(&line(row));
            // What reads the same needs no names.
            if row[2] != row[4] {
                let [low, high] = [&spread.lowest, &spread.highest]
                    .map(|end| text::shortened(&end.file, NAME_COLUMNS));
                let ends = format!("lowest {low}, highest {high}");
                out.push_str(&text::hanging("      ", &ends, columns));
            }
        }
        out
    }

    fn proposals(&self, columns: usize) -> String {
        if self.proposed.is_empty() {
            return String::new();
        }
        let mut out = "\n  Limits that would fit them (none of these stops)\n".to_owned();
        let mut rows = Vec::new();
        for proposal in &self.proposed {
            let asked = match (proposal.asked(), proposal.severity) {
                (Some(asked), Some(severity)) => {
                    let severity = format!("{severity:?}").to_lowercase();
                    format!("{severity}: {asked}")
                }
                _ => "none".to_owned(),
            };
            let says = match &proposal.remark {
                Some(remark) => format!("{asked}; {}", one_line(remark)),
                None => asked,
            };
            rows.push(vec![proposal.figure.clone(), says]);
        }
        out.push_str(&text::table("    ", &rows, columns).concat());
        out.push_str(&text::hanging(
            "    ",
            "A limit lies beyond the lowest and the highest master by half of the distance between \
             them, from 20 files on by a quarter, by 1 to 3 dB or LU, at least by 0.5 s \
             (own choice). Of fewer than 5 files none is made.",
            columns,
        ));
        out
    }
}

/// A number with the decimals of its unit, without the unit.
fn digits(value: f64, unit: &str) -> String {
    match unit {
        // Seconds as faces write them have many decimals; here they stand in a column.
        "s" | "deg" => format!("{value:.2}"),
        _ => {
            let text = quantity(value, unit, 1);
            text.trim_end_matches(unit).trim_end().to_owned()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::spread::{End, WorstFile};
    use super::*;

    fn report() -> Report {
        let end = |value: f64, file: &str| End {
            value,
            file: file.into(),
        };
        let mut report = Report::new("/srv/audio/approved".into(), "2026-05-04".into(), 0);
        report.groups = vec![Group {
            profile: "stereo-music".into(),
            digest: "ab".repeat(32),
            because: vec!["--profile stereo-music".into()],
            verdicts: vec![Verdict::Stop, Verdict::Clear, Verdict::Unread],
            unread: vec![("notes.wav".into(), "not audio: plain text".into())],
            checks: vec![CheckRow {
                check: "peaks.true_peak".into(),
                title: "true peak".into(),
                stop: 1,
                advise: 0,
                unmeasured: 0,
                worst: vec![WorstFile {
                    file: "03 Lamp Room.wav".into(),
                    says: "0.5 dBTP, asked at most -1.0 dBTP".into(),
                }],
            }],
            figures: vec![Spread {
                figure: "loudness.integrated".into(),
                title: "integrated loudness".into(),
                unit: "LUFS".into(),
                files: 2,
                lowest: end(-14.25, "01 Harbour Lights.wav"),
                median: -11.0,
                highest: end(-8.0, "03 Lamp Room.wav"),
            }],
            proposed: vec![Proposal {
                figure: "loudness.integrated".into(),
                unit: "LUFS".into(),
                at_least: None,
                at_most: None,
                severity: None,
                remark: Some("2 of at least 5 files that are needed have it".into()),
            }],
        }];
        report
    }

    #[test]
    fn a_trial_says_what_was_told_where_the_own_masters_lie_and_what_would_fit() {
        assert_eq!(report().text(80, Paint::Plain), TOLD);
    }

    const TOLD: &str = "\
trial: 3 files: 1 stop, 1 unread, 1 clear
  where   /srv/audio/approved (nothing was changed)
  profile stereo-music: --profile stereo-music

  What would have been told
    stop        true peak (peaks.true_peak): 1 stop
                  03 Lamp Room.wav: 0.5 dBTP, asked at most -1.0 dBTP

  Not read
    notes.wav: not audio: plain text

  Your own masters, each figure between its ends
                               files  lowest  median  highest
    integrated loudness, LUFS      2   -14.2   -11.0     -8.0
      lowest 01 Harbour Lights.wav, highest 03 Lamp Room.wav

  Limits that would fit them (none of these stops)
    loudness.integrated  none; 2 of at least 5 files that are needed have it
    A limit lies beyond the lowest and the highest master by half of the
    distance between them, from 20 files on by a quarter, by 1 to 3 dB or LU, at
    least by 0.5 s (own choice). Of fewer than 5 files none is made.
";

    #[test]
    fn every_line_fits_a_terminal_of_80_columns() {
        for line in report().text(80, Paint::Plain).lines() {
            assert!(text::width(line) <= 80, "{line}");
        }
    }

    #[test]
    fn programs_get_the_verdicts_counted_in_one_order() {
        let json = serde_json::to_string(&report()).unwrap();
        assert!(
            json.contains(r#""verdicts":{"stop":1,"unread":1,"advise":0,"clear":1}"#),
            "{json}"
        );
    }
}
