//! What a folder of masters shows: which checks would have told something, and between which ends
//! each figure lies.
//!
//! In: one [`Trialled`] a file, which keeps what is needed of its sidecar and no more. Out: rows for
//! checks and for figures. Pure; prints nothing.

use serde::Serialize;

use crate::judge::{self, Outcome, Verdict};
use crate::record::{self, Figure, Sidecar, Story};

/// What is kept of one weighed file.
pub struct Trialled {
    /// Its path below the folder, printable.
    pub file: String,
    pub verdict: Verdict,
    pub reason: String,
    told: Vec<Told>,
    figures: Vec<Figure>,
}

/// One finding that asks for a person.
struct Told {
    check: String,
    outcome: Outcome,
    /// `0.5 dBTP, asked at most -1.0 dBTP`, or the finding's sentence.
    says: String,
    /// How far the limit is missed, or how many places there are: larger is worse.
    weight: f64,
}

/// How often a check would have told something.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CheckRow {
    pub check: String,
    pub title: String,
    pub stop: usize,
    pub advise: usize,
    /// Asked for and not measured.
    pub unmeasured: usize,
    /// Worst first, at most [`CheckRow::WORST`].
    pub worst: Vec<WorstFile>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WorstFile {
    pub file: String,
    pub says: String,
}

impl CheckRow {
    /// Own choice: what can be listened to in one sitting.
    const WORST: usize = 3;

    pub fn files(&self) -> usize {
        self.stop + self.advise + self.unmeasured
    }
}

/// Between which ends one figure lies.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Spread {
    pub figure: String,
    pub title: String,
    pub unit: String,
    /// In how many files it was measured.
    pub files: usize,
    pub lowest: End,
    /// The middle one; of an even count the mean of the two in the middle.
    pub median: f64,
    pub highest: End,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct End {
    pub value: f64,
    pub file: String,
}

impl Trialled {
    pub fn of(file: String, sidecar: &Sidecar) -> Self {
        let story = Story::of(sidecar, &judge::title);
        let findings = sidecar
            .checks
            .iter()
            .filter(|f| record::asks_for_a_person(f));
        let told = findings
            .zip(&story.rows)
            .filter(|(_, row)| !row.follows)
            .map(|(finding, row)| {
                let by = row.by.as_deref().and_then(|by| by.split(' ').next());
                let by = by.and_then(|number| number.parse::<f64>().ok());
                Told {
                    check: row.check.clone(),
                    outcome: row.outcome,
                    says: match (&row.by, &row.asked) {
                        (Some(_), Some(asked)) => format!("{}, asked {asked}", row.found),
                        _ => row.says.clone(),
                    },
                    weight: by.unwrap_or(finding.places_total as f64),
                }
            })
            .collect();
        Self {
            file,
            verdict: sidecar.verdict,
            reason: story.reason.clone(),
            told,
            figures: sidecar.figures(),
        }
    }
}

/// One row a check that told something, stops before advice, the most frequent first.
pub fn checks(files: &[Trialled]) -> Vec<CheckRow> {
    let mut rows: Vec<CheckRow> = Vec::new();
    for check in judge::catalogue() {
        // The worst finding of each file on this check.
        let mut told: Vec<(&Trialled, &Told)> = files
            .iter()
            .filter_map(|file| {
                let of_check = file.told.iter().filter(|told| told.check == check.id);
                let worst = of_check.max_by_key(|told| severity(told.outcome))?;
                Some((file, worst))
            })
            .collect();
        if told.is_empty() {
            continue;
        }
        told.sort_by(|(_, a), (_, b)| {
            (severity(b.outcome).cmp(&severity(a.outcome))).then(b.weight.total_cmp(&a.weight))
        });
        let count = |outcome| told.iter().filter(|(_, t)| t.outcome == outcome).count();
        rows.push(CheckRow {
            check: check.id.to_owned(),
            title: check.title.to_owned(),
            stop: count(Outcome::Stop),
            advise: count(Outcome::Advise),
            unmeasured: count(Outcome::Unmeasured),
            worst: (told.iter().take(CheckRow::WORST))
                .map(|(file, told)| WorstFile {
                    file: file.file.clone(),
                    says: told.says.clone(),
                })
                .collect(),
        });
    }
    rows.sort_by_key(|row| std::cmp::Reverse((row.stop, row.files())));
    rows
}

fn severity(outcome: Outcome) -> u8 {
    match outcome {
        Outcome::Stop => 3,
        Outcome::Advise => 2,
        Outcome::Unmeasured => 1,
        Outcome::Note | Outcome::Clear => 0,
    }
}

/// One row a figure, in the order in which files tell them.
pub fn spreads(files: &[Trialled]) -> Vec<Spread> {
    let mut keys: Vec<&Figure> = Vec::new();
    for figure in files.iter().flat_map(|file| &file.figures) {
        if !keys.iter().any(|known| known.key == figure.key) {
            keys.push(figure);
        }
    }
    keys.iter()
        .filter_map(|figure| spread(files, figure))
        .collect()
}

fn spread(files: &[Trialled], figure: &Figure) -> Option<Spread> {
    let mut values: Vec<(f64, &str)> = files
        .iter()
        .filter_map(|file| {
            let found = file.figures.iter().find(|own| own.key == figure.key)?;
            Some((found.value, file.file.as_str()))
        })
        .collect();
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let end = |(value, file): &(f64, &str)| End {
        value: *value,
        file: (*file).to_owned(),
    };
    let middle = (values.len().checked_sub(1)?) / 2;
    let median = match values.len() % 2 {
        1 => values[middle].0,
        _ => f64::midpoint(values[middle].0, values[middle + 1].0),
    };
    Some(Spread {
        figure: figure.key.clone(),
        title: figure.title.clone(),
        unit: figure.unit.clone(),
        files: values.len(),
        lowest: end(values.first()?),
        median,
        highest: end(values.last()?),
    })
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub fn trialled(file: &str, figures: &[(&str, &str, f64)]) -> Trialled {
        Trialled {
            file: file.into(),
            verdict: Verdict::Clear,
            reason: String::new(),
            told: Vec::new(),
            figures: figures
                .iter()
                .map(|(key, unit, value)| Figure {
                    key: (*key).into(),
                    title: (*key).into(),
                    unit: (*unit).into(),
                    value: *value,
                })
                .collect(),
        }
    }

    fn told(check: &str, outcome: Outcome, weight: f64) -> Told {
        Told {
            check: check.into(),
            outcome,
            says: format!("misses by {weight}"),
            weight,
        }
    }

    #[test]
    fn a_spread_names_the_files_at_its_ends_and_the_median_of_an_even_count_is_the_mean() {
        let key = "loudness.integrated";
        let files: Vec<Trialled> = [("a", -9.0), ("b", -14.0), ("c", -11.0), ("d", -10.0)]
            .iter()
            .map(|(file, value)| trialled(file, &[(key, "LUFS", *value)]))
            .collect();
        let spread = &spreads(&files)[0];
        assert_eq!((spread.files, spread.median), (4, -10.5));
        assert_eq!(
            (spread.lowest.value, spread.lowest.file.as_str()),
            (-14.0, "b")
        );
        assert_eq!(
            (spread.highest.value, spread.highest.file.as_str()),
            (-9.0, "a")
        );
        assert_eq!(spreads(&files[..3])[0].median, -11.0);
    }

    #[test]
    fn a_check_counts_each_file_once_and_the_worst_comes_first() {
        let mut files = [trialled("a", &[]), trialled("b", &[]), trialled("c", &[])];
        files[0].told = vec![told("peaks.true_peak", Outcome::Stop, 0.4)];
        files[1].told = vec![
            told("peaks.true_peak", Outcome::Stop, 1.5),
            told("peaks.true_peak", Outcome::Advise, 9.0),
            told("edges.trailing_silence", Outcome::Advise, 2.0),
        ];
        files[2].told = vec![told("edges.trailing_silence", Outcome::Advise, 1.0)];
        let rows = checks(&files);
        let counts: Vec<_> = rows
            .iter()
            .map(|row| (row.check.as_str(), row.stop, row.advise))
            .collect();
        assert_eq!(
            counts,
            [("peaks.true_peak", 2, 0), ("edges.trailing_silence", 0, 2)]
        );
        let worst: Vec<&str> = rows[0].worst.iter().map(|w| w.file.as_str()).collect();
        assert_eq!(worst, ["b", "a"]);
    }
}
