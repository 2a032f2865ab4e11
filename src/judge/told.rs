//! A finding on its way to the verdict: with what it weighs and how it is told in few words.

use super::check::Check;
use super::types::{Finding, Outcome};
use crate::measure::Places;
use crate::measured::NotMeasured;
use crate::profile::{Choice, Severity};

/// Own choice: all that a person can listen to, and 100 kB in a sidecar.
pub const PLACES_LISTED: usize = 1000;

/// A finding, clear until it is said otherwise; what it does to the verdict, and its words for the verdict's reason.
pub struct Told {
    pub finding: Finding,
    /// `1.6 LU too loud`
    pub brief: String,
    /// What follows in brackets where there is room: `-16.4, asked: at most -18.0 LUFS`.
    pub detail: Option<String>,
}

impl Told {
    pub fn new(check: &Check, subject: impl Into<String>, source: &str) -> Self {
        Self {
            finding: Finding {
                check: check.id.to_owned(),
                subject: subject.into(),
                value: None,
                unit: check.unit.to_owned(),
                limit: None,
                outcome: Outcome::Clear,
                says: String::new(),
                source: source.to_owned(),
                places: Vec::new(),
                places_total: 0,
                identity: None,
                not_measured: None,
                weight: None,
            },
            brief: String::new(),
            detail: None,
        }
    }

    pub fn value(mut self, value: impl Into<Option<Choice>>) -> Self {
        self.finding.value = value.into();
        self
    }

    pub fn limit(mut self, words: Option<String>) -> Self {
        self.finding.limit = words;
        self
    }

    pub fn says(mut self, says: impl Into<String>) -> Self {
        self.finding.says = says.into();
        self
    }

    /// The words for the verdict's reason; without them it takes what the finding says.
    pub fn brief(mut self, brief: impl Into<String>, detail: Option<String>) -> Self {
        self.brief = brief.into();
        self.detail = detail;
        self
    }

    pub fn places(mut self, places: &Places) -> Self {
        self.finding.places = places.listed.iter().take(PLACES_LISTED).cloned().collect();
        self.finding.places_total = places.total;
        self
    }

    /// The limit is passed, and this is how that is taken.
    pub fn failed(mut self, severity: Severity) -> Self {
        self.finding.outcome = match severity {
            Severity::Stop => Outcome::Stop,
            Severity::Advise => Outcome::Advise,
            Severity::Note => Outcome::Note,
        };
        self.finding.weight = (severity > Severity::Note).then_some(severity);
        self
    }

    /// Nothing was asked.
    pub fn noted(self) -> Self {
        self.failed(Severity::Note)
    }

    /// Was not measured: `severity` is what the limit weighs, if there is one.
    pub fn not_measured(mut self, why: NotMeasured, severity: Option<Severity>) -> Self {
        self.finding.outcome = Outcome::Unmeasured;
        self.finding.not_measured = Some(why);
        self.finding.weight = severity.filter(|severity| *severity > Severity::Note);
        self
    }

    /// The words for the verdict's reason.
    pub fn in_brief(&self) -> &str {
        if self.brief.is_empty() {
            &self.finding.says
        } else {
            &self.brief
        }
    }
}
