//! The numbers of one file under the names that limits and yardsticks use.
//!
//! In: a [`Report`]. Out: a [`Figure`] each: the id of a check with its value, or `translation.`
//! and the name of a view with its change in loudness. Of an object-based master the main render's
//! stand under the plain names, those of another render under `ID@LAYOUT`. Judges nothing.

use super::sidecar::{Measured, Report};
use crate::judge::{self, Outcome};
use crate::measure::translation::View;
use crate::measure::{Loudness, Peaks};
use crate::profile::Choice;

/// One number of one file.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// `loudness.integrated`, `peaks.true_peak@0+2+0`, `translation.telephone_band`
    pub key: String,
    /// In words.
    pub title: String,
    /// `LUFS`, `LU`, `dBTP`, `s`, ...
    pub unit: String,
    pub value: f64,
}

/// Units of figures that can be compared from one master to the next; counts, rates and words are
/// not among them.
const COMPARABLE: [&str; 7] = ["LUFS", "LU", "dB", "dBTP", "dBFS", "s", "deg"];

impl Report {
    /// All figures, in the order in which they are told; each key once. What was not measured has
    /// no figure.
    pub fn figures(&self) -> Vec<Figure> {
        let Some(measured) = &self.measured else {
            return Vec::new();
        };
        let mut all = List(Vec::new());
        all.sound("", measured.loudness.as_ref(), &measured.peaks);
        all.renders(measured);
        all.check(
            "edges.leading_silence",
            "",
            Some(measured.edges.head_silence_s.0),
        );
        all.check(
            "edges.trailing_silence",
            "",
            Some(measured.edges.tail_silence_s.0),
        );
        all.translation(measured);
        for finding in &self.checks {
            if let (Some(Choice::Number(value)), false) =
                (&finding.value, finding.outcome == Outcome::Unmeasured)
            {
                all.found(&finding.check, *value);
            }
        }
        all.0
    }
}

/// The figure of a view: its change against another view, where it has one.
pub fn view_key(view: &View) -> String {
    format!("translation.{}", view.name.replace([' ', '-'], "_"))
}

struct List(Vec<Figure>);

impl List {
    fn push(&mut self, figure: Figure) {
        let known = self.0.iter().any(|other| other.key == figure.key);
        if figure.value.is_finite() && !known {
            self.0.push(figure);
        }
    }

    fn check(&mut self, id: &str, at: &str, value: Option<f64>) {
        let (Some(check), Some(value)) = (judge::check(id), value) else {
            return;
        };
        let on = at.strip_prefix('@').map(crate::layout::spoken);
        self.push(Figure {
            key: format!("{id}{at}"),
            title: match on {
                Some(layout) => format!("{}, {layout}", check.title),
                None => check.title.to_owned(),
            },
            unit: check.unit.to_owned(),
            value,
        });
    }

    fn sound(&mut self, at: &str, loudness: Option<&Loudness>, peaks: &Peaks) {
        if let Some(heard) = loudness {
            let lufs = |value: Option<crate::units::Lufs>| value.map(|value| value.value());
            self.check("loudness.integrated", at, lufs(heard.integrated_lufs));
            self.check(
                "loudness.short_term_max",
                at,
                lufs(heard.short_term_max_lufs),
            );
            self.check("loudness.momentary_max", at, lufs(heard.momentary_max_lufs));
            // Under 60 s a range says little (EBU Tech 3342).
            let range = heard.range_lu.filter(|_| heard.range_stable);
            self.check("loudness.range", at, range.map(|range| range.value()));
        }
        let true_peak = peaks.true_peak_dbtp.map(|peak| peak.value());
        self.check("peaks.true_peak", at, true_peak);
        let sample_peak = peaks.sample_peak_dbfs.map(|peak| peak.value());
        // The tracks of an object-based master are not what is heard.
        self.check(
            "peaks.sample_peak",
            at,
            sample_peak.filter(|_| at.is_empty()),
        );
        let to_loudness = peaks.peak_to_loudness_lu.map(|ratio| ratio.value());
        self.check("peaks.peak_to_loudness", at, to_loudness);
    }

    fn renders(&mut self, measured: &Measured) {
        let main = measured.measured_on.as_ref().map(|on| on.layout.as_str());
        for (layout, render) in &measured.renders {
            if Some(layout.as_str()) != main && render.head.is_none() {
                let at = format!("@{layout}");
                self.sound(&at, render.loudness.as_ref(), &render.peaks);
            }
        }
    }

    fn translation(&mut self, measured: &Measured) {
        let survey = measured.survey.as_ref();
        let Some(table) = survey.and_then(|survey| survey.translation.as_ref()) else {
            return;
        };
        for view in &table.views {
            if let (Some(change), Some(against)) = (view.change_lu, &view.against) {
                self.push(Figure {
                    key: view_key(view),
                    title: format!("{} against {against}", view.name),
                    unit: "LU".to_owned(),
                    value: change.value(),
                });
            }
        }
        let lu = |value: Option<crate::units::Lu>| value.map(|value| value.value());
        self.check("translation.mono_loss", "", lu(table.mono_loss_lu));
        self.check(
            "translation.mono_window",
            "",
            lu(table.mono_worst_window_lu),
        );
        self.check("translation.mono_band", "", table.mono_worst_band_loss_db);
        let low_end = table.low_end_lost_without_lfe_db;
        self.check("translation.low_end", "", low_end);
    }

    /// Any other number that a check found.
    fn found(&mut self, id: &str, value: f64) {
        let comparable = judge::check(id).is_some_and(|check| COMPARABLE.contains(&check.unit));
        // The range is told above where it is stable; a length is no figure of sound.
        if comparable && !matches!(id, "duration.length" | "loudness.range") {
            self.check(id, "", Some(value));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::invented;
    use super::*;

    fn value(figures: &[Figure], key: &str) -> Option<f64> {
        figures.iter().find(|f| f.key == key).map(|f| f.value)
    }

    #[test]
    fn each_figure_stands_once_under_the_name_of_its_check() {
        let figures = invented::immersive("x.wav").figures();
        let mut keys: Vec<&str> = figures.iter().map(|figure| figure.key.as_str()).collect();
        keys.sort_unstable();
        let count = keys.len();
        keys.dedup();
        assert_eq!(keys.len(), count);
        // As the invented file's faces tell them: 5.1 is the main render.
        assert_eq!(value(&figures, "loudness.integrated"), Some(-16.4));
        assert_eq!(value(&figures, "loudness.integrated@0+2+0"), Some(-17.2));
        assert_eq!(value(&figures, "loudness.integrated@binaural"), None);
    }

    #[test]
    fn a_file_that_could_not_be_read_has_no_figures() {
        let unread = invented::all_kinds().pop().unwrap();
        assert_eq!(unread.figures(), []);
    }
}
