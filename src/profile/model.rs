//! A profile as other rooms see it: resolved, checked, immutable.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::layout::Label;

/// The limits for one kind of delivery.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Profile {
    pub name: String,
    pub title: String,
    /// One or two sentences for `weighbridge profiles NAME`.
    pub about: String,
    /// The names it extends, nearest first.
    pub extends: Vec<String>,
    /// Where it was read from: `built in`, or the operator's file.
    pub origin: String,
    /// Labels for files that do not say where their channels play.
    pub channels: Option<Vec<Label>>,
    /// Layouts that an object-based file is rendered to, the main one first; without any those
    /// that the limits name, and [`Profile::RENDERS`].
    pub renders: Option<Vec<String>>,
    /// By check id, in id order; `ID@LAYOUT` where the limit is for one render.
    pub limits: BTreeMap<String, Limit>,
    /// BLAKE3 of the resolved limits in canonical JSON: two profiles that judge alike have one
    /// digest, whatever their layout as text.
    pub digest: String,
    /// Where figures lay in the studio's own masters, by figure. They decide nothing.
    pub yardsticks: Yardsticks,
}

/// By figure: the id of a check, or `translation.` and the name of a view.
pub type Yardsticks = BTreeMap<String, Yardstick>;

/// Where one figure lay in masters that were approved and sent. In the figure's own unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Yardstick {
    pub lowest: f64,
    pub median: f64,
    pub highest: f64,
    /// In how many files it was read.
    pub files: u64,
    /// Of the trial, `YYYY-MM-DD`.
    pub date: String,
}

/// What is asked of one check.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Limit {
    pub rule: Rule,
    /// Passing the limit by no more than this only advises (readings differ between meters).
    pub margin: f64,
    pub severity: Severity,
    /// Document and clause, or `common practice, no source`.
    pub source: String,
    /// The render it is read on; `None` for the file's own channels.
    pub render: Option<String>,
    /// It is about files that are compared with a mix, and asks nothing of any other.
    pub if_compared: bool,
    /// A number that keeps the limit and lies below this advises: the aim is missed.
    pub advise_below: Option<f64>,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Rule {
    AtMost(f64),
    AtLeast(f64),
    /// Both ends belong to it.
    Within(f64, f64),
    Target {
        target: f64,
        tolerance: f64,
    },
    OneOf(Vec<Choice>),
    /// The text is matched by the pattern, whole.
    Matches(#[serde(with = "pattern_text")] regex::Regex),
    /// These must be there and not empty.
    Required(Vec<String>),
    /// The fault must not occur at all (damage, ...).
    Never,
    /// Nothing is asked: the value is noted.
    Report,
}

/// A pattern as its text.
mod pattern_text {
    use regex::Regex;
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(pattern: &Regex, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(pattern.as_str())
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Regex, D::Error> {
        Regex::new(&String::deserialize(from)?).map_err(serde::de::Error::custom)
    }
}

/// A value that a limit may allow: numbers are compared as numbers, texts without regard to case.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Choice {
    Number(f64),
    Text(String),
}

/// How a passed limit is taken.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    Note,
    Advise,
    Stop,
}

impl Profile {
    /// Where a profile names none: the surround render on which the trade reads loudness, and
    /// stereo. Common practice, no source.
    pub const RENDERS: [&'static str; 2] = ["0+5+0", "0+2+0"];

    /// The renders to make of an object-based file, the main one first; `binaural` is not among
    /// them.
    pub fn layouts(&self) -> Vec<String> {
        let mut layouts: Vec<String> = match &self.renders {
            Some(renders) => renders.clone(),
            None => Self::RENDERS.map(str::to_owned).to_vec(),
        };
        layouts.extend(
            self.limits
                .values()
                .filter_map(|limit| limit.render.clone()),
        );
        let mut known = Vec::new();
        for layout in layouts {
            if layout != "binaural" && !known.contains(&layout) {
                known.push(layout);
            }
        }
        known
    }

    /// All limits on one check: the plain one, then those on single renders.
    pub fn limits_on<'a>(&'a self, check: &'a str) -> impl Iterator<Item = &'a Limit> {
        self.limits
            .iter()
            .filter(move |(key, _)| key.split('@').next() == Some(check))
            .map(|(_, limit)| limit)
    }
}
