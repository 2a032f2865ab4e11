//! What the judge hands on.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::measure::Place;
use crate::measured::NotMeasured;
use crate::profile::{Choice, Severity};

/// One finding per check, and the verdict.
#[derive(Clone, Debug, PartialEq)]
pub struct Judgement {
    pub verdict: Verdict,
    /// One short sentence without full stop, the verdict's reason, as in a mail's subject:
    /// `1.6 LU too loud (-16.4, asked: at most -18.0 LUFS), and 3 true-peak overs`.
    pub reason: String,
    /// `Some` when playing the file could hurt: the sentence that opens every face.
    pub caution: Option<String>,
    /// Worst first, then in catalogue order; clear ones last.
    pub findings: Vec<Finding>,
}

/// What one check found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// `group.name`
    pub check: String,
    /// What it was read on: a layout, a channel, a chunk, `file`.
    pub subject: String,
    pub value: Option<Choice>,
    /// `LUFS`, `dBTP`, `s`, ...; empty where there is none.
    pub unit: String,
    /// What was asked, in words: `at most -18.0 LUFS`.
    pub limit: Option<String>,
    pub outcome: Outcome,
    /// One plain sentence without full stop for a tired engineer.
    pub says: String,
    /// Whose limit: document and clause, or `common practice, no source`.
    pub source: String,
    /// Places, in time order; at most 1000 are listed.
    #[serde(rename = "where", default)]
    pub places: Vec<Place>,
    /// All places, listed or not.
    #[serde(default)]
    pub places_total: u64,
    /// Of check, subject and digest: the same finding on the same bytes has it again, and no
    /// other has it. `None` where the file's digest is not known.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub identity: Option<String>,
    /// Why it was not measured, where the outcome is `unmeasured`.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub not_measured: Option<NotMeasured>,
    /// What it does to the verdict; `null` or absent where it does nothing.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub weight: Option<Severity>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Outcome {
    Clear,
    Note,
    Advise,
    Stop,
    /// Could not be measured; `says` and `not_measured` have the reason. Never taken for a pass.
    Unmeasured,
}

/// Worst last, so that the worst of several is their maximum.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    Clear,
    /// Goes on, with remarks.
    Advise,
    Stop,
    /// Could not be measured: treated as stop.
    Unread,
}

impl Verdict {
    /// The word that every face uses.
    pub fn word(self) -> &'static str {
        match self {
            Self::Clear => "clear",
            Self::Advise => "advise",
            Self::Stop => "stop",
            Self::Unread => "unread",
        }
    }

    /// Whether a file with this verdict may go on.
    pub fn goes_on(self) -> bool {
        matches!(self, Self::Clear | Self::Advise)
    }
}
