//! What a profile says, key for key; nothing is decided here.

use std::collections::BTreeMap;

use serde::Deserialize;
use toml::Spanned;

use super::model::Choice;

/// Every key with an example of how it is written.
pub const KEYS: &[(&str, &str)] = &[
    ("name", "name = \"house-stereo\", as the file is called"),
    ("title", "title = \"Stereo master, house rules\""),
    ("about", "about = \"When to use it, in a sentence.\""),
    ("extends", "extends = \"stereo-music\""),
    (
        "channels",
        "channels = \"7.1.4\", or labels: channels = \"M+030,M-030,M+000,LFE1\"",
    ),
    (
        "renders",
        "renders = [\"0+5+0\", \"0+2+0\"], the main one first",
    ),
    (
        "limits",
        "a table for each check: [limits.\"loudness.integrated\"], or on one render: [limits.\"loudness.integrated@0+2+0\"]",
    ),
    ("at_most", "at_most = -1.0"),
    ("at_least", "at_least = 4.0"),
    ("within", "within = [-20.0, -16.0]"),
    ("target", "target = -23.0 with tolerance = 0.2"),
    ("tolerance", "tolerance = 0.2 beside target"),
    ("one_of", "one_of = [44100, 48000]"),
    ("matches", "matches = '[A-Z]+_.*\\.wav'"),
    (
        "required",
        "required = [\"bext.originator\", \"info.INAM\"]",
    ),
    ("never", "never = true"),
    ("report", "report = true"),
    ("off", "off = true"),
    ("margin", "margin = 0.1"),
    ("severity", "severity = \"stop\", \"advise\" or \"note\""),
    ("source", "source = \"common practice, no source\""),
    ("render", "render = \"0+5+0\""),
    ("if_compared", "if_compared = true"),
    (
        "advise_below",
        "advise_below = -19.0 beside a limit on a number",
    ),
    (
        "yardstick",
        "a table for each figure: [yardstick.\"translation.telephone_band\"]",
    ),
    ("lowest", "lowest = -11.0"),
    ("median", "median = -7.5"),
    ("highest", "highest = -4.0"),
    ("files", "files = 40"),
    ("date", "date = \"2026-05-04\""),
];

type Said<T> = Option<Spanned<T>>;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawProfile {
    pub name: Said<String>,
    pub title: Said<String>,
    pub about: Option<String>,
    pub extends: Said<String>,
    pub channels: Said<String>,
    pub renders: Said<Vec<Spanned<String>>>,
    #[serde(default)]
    pub limits: BTreeMap<Spanned<String>, Spanned<RawLimit>>,
    #[serde(default)]
    pub yardstick: BTreeMap<Spanned<String>, RawYardstick>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawYardstick {
    pub lowest: Said<f64>,
    pub median: Said<f64>,
    pub highest: Said<f64>,
    pub files: Said<u64>,
    pub date: Said<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawLimit {
    pub at_most: Said<f64>,
    pub at_least: Said<f64>,
    pub within: Said<(f64, f64)>,
    pub target: Said<f64>,
    pub tolerance: Said<f64>,
    pub one_of: Said<Vec<Spanned<Choice>>>,
    pub matches: Said<String>,
    pub required: Said<Vec<Spanned<String>>>,
    pub never: Said<bool>,
    pub report: Said<bool>,
    pub off: Said<bool>,
    pub margin: Said<f64>,
    pub severity: Said<String>,
    pub source: Said<String>,
    pub render: Said<String>,
    pub if_compared: Said<bool>,
    pub advise_below: Said<f64>,
}
