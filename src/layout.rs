//! Loudspeaker labels of ITU-R BS.2051 and the layouts that the trade uses.
//!
//! A [`Label`] says where a channel plays (`M+030`: middle layer, 30 degrees to the left);
//! a [`Layout`] is an ordered list of them with the names it is known by. Knows nothing of
//! files, loudness or limits. Like `units`, any room may use this file.
//!
//! Positions: azimuth in degrees, left positive, 0 in front; elevation in degrees, up
//! positive (ITU-R BS.2051-3, clause 2). The label gives the nominal position: layer `M`
//! lies at 0, `U` at +30, `B` at -30, `T` at +90.

use std::fmt;
use std::str::FromStr;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One loudspeaker label after ITU-R BS.2051: `M+030`, `U-110`, `T+000`, `B+045`, `LFE1`, ...
#[derive(
    Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(try_from = "String", into = "String")]
#[schemars(with = "String")]
pub struct Label(String);

/// Why a text is no label.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error(
    "{0:?} is no loudspeaker label: a label is a layer (M, U, UH, T or B), a sign and three digits of azimuth, as in M+030, or LFE1, LFE2, M+SC, M-SC"
)]
pub struct NotALabel(String);

impl Label {
    pub fn as_str(&self) -> &str {
        &self.0
    }

    pub fn is_lfe(&self) -> bool {
        self.0.starts_with("LFE")
    }

    /// Nominal (azimuth, elevation) in degrees; `None` for a low-frequency channel.
    ///
    /// `UH` lies at +45; the screen's loudspeakers `M+SC` and `M-SC` at 15 degrees either side
    /// (ITU-R BS.2051-3, clause 3, systems F and G; the screen's edges may move them).
    pub fn position_deg(&self) -> Option<(f64, f64)> {
        if self.is_lfe() {
            return None;
        }
        let (layer, azimuth) = self
            .0
            .split_at(self.0.len() - 4 + usize::from(self.is_screen()));
        let elevation = match layer {
            "U" => 30.0,
            "UH" => 45.0,
            "T" => 90.0,
            "B" => -30.0,
            _ => 0.0,
        };
        let azimuth = match azimuth {
            "+SC" => 15,
            "-SC" => -15,
            digits => digits.parse().expect("a label's azimuth was checked"),
        };
        Some((f64::from(azimuth), elevation))
    }

    fn is_screen(&self) -> bool {
        self.0.ends_with("SC")
    }
}

impl FromStr for Label {
    type Err = NotALabel;

    fn from_str(text: &str) -> Result<Self, NotALabel> {
        let upper = text.trim().to_ascii_uppercase();
        let layer = upper.trim_end_matches(|c: char| c.is_ascii_digit());
        let angular = ["M+", "M-", "U+", "U-", "UH+", "UH-", "T+", "T-", "B+", "B-"]
            .contains(&layer)
            && upper.len() == layer.len() + 3
            && upper[layer.len()..]
                .parse::<u32>()
                .is_ok_and(|deg| deg <= 180);
        match upper.as_str() {
            "LFE" => Ok(Self("LFE1".into())),
            "LFE1" | "LFE2" | "M+SC" | "M-SC" => Ok(Self(upper)),
            _ if angular => Ok(Self(upper)),
            _ => Err(NotALabel(text.to_owned())),
        }
    }
}

impl TryFrom<String> for Label {
    type Error = NotALabel;
    fn try_from(text: String) -> Result<Self, NotALabel> {
        text.parse()
    }
}

impl From<Label> for String {
    fn from(label: Label) -> String {
        label.0
    }
}

impl fmt::Display for Label {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.pad(&self.0)
    }
}

/// A layout: the labels in channel order and the names it goes by.
///
/// `name` is the BS.2051 name (`4+7+0`) where there is one, else the trade's.
#[derive(Debug, PartialEq, Eq)]
pub struct Layout {
    pub name: &'static str,
    /// The trade's name: bed channels, low-frequency channels, height channels.
    pub trade_name: &'static str,
    pub labels: &'static [&'static str],
}

/// The layouts that are known by name, labels in BS.2051 order (side pair before back pair).
///
/// Source: ITU-R BS.2051-3, clause 3, systems A to J; `1.0`, `7.1.2` and `9.1.6` are no
/// layouts of BS.2051: common practice, no source.
pub const LAYOUTS: &[Layout] = &[
    Layout {
        name: "1.0",
        trade_name: "1.0",
        labels: &["M+000"],
    },
    Layout {
        name: "0+2+0",
        trade_name: "2.0",
        labels: &["M+030", "M-030"],
    },
    Layout {
        name: "5.0",
        trade_name: "5.0",
        labels: &["M+030", "M-030", "M+000", "M+110", "M-110"],
    },
    Layout {
        name: "0+5+0",
        trade_name: "5.1",
        labels: &["M+030", "M-030", "M+000", "LFE1", "M+110", "M-110"],
    },
    Layout {
        name: "2+5+0",
        trade_name: "5.1.2",
        labels: &[
            "M+030", "M-030", "M+000", "LFE1", "M+110", "M-110", "U+030", "U-030",
        ],
    },
    Layout {
        name: "4+5+0",
        trade_name: "5.1.4",
        labels: &[
            "M+030", "M-030", "M+000", "LFE1", "M+110", "M-110", "U+030", "U-030", "U+110", "U-110",
        ],
    },
    Layout {
        name: "4+5+1",
        trade_name: "5.1.4 and bottom",
        labels: &[
            "M+030", "M-030", "M+000", "LFE1", "M+110", "M-110", "U+030", "U-030", "U+110",
            "U-110", "B+000",
        ],
    },
    Layout {
        name: "3+7+0",
        trade_name: "7.2.3",
        labels: &[
            "M+000", "M+030", "M-030", "U+045", "U-045", "M+090", "M-090", "M+135", "M-135",
            "UH+180", "LFE1", "LFE2",
        ],
    },
    Layout {
        name: "4+9+0",
        trade_name: "9.1.4",
        labels: &[
            "M+030", "M-030", "M+000", "LFE1", "M+090", "M-090", "M+135", "M-135", "U+045",
            "U-045", "U+135", "U-135", "M+SC", "M-SC",
        ],
    },
    Layout {
        name: "0+7+0",
        trade_name: "7.1",
        labels: &[
            "M+030", "M-030", "M+000", "LFE1", "M+090", "M-090", "M+135", "M-135",
        ],
    },
    Layout {
        name: "7.1.2",
        trade_name: "7.1.2",
        labels: &[
            "M+030", "M-030", "M+000", "LFE1", "M+090", "M-090", "M+135", "M-135", "U+090", "U-090",
        ],
    },
    Layout {
        name: "4+7+0",
        trade_name: "7.1.4",
        labels: &[
            "M+030", "M-030", "M+000", "LFE1", "M+090", "M-090", "M+135", "M-135", "U+045",
            "U-045", "U+135", "U-135",
        ],
    },
    Layout {
        name: "9.1.6",
        trade_name: "9.1.6",
        labels: &[
            "M+030", "M-030", "M+000", "LFE1", "M+090", "M-090", "M+135", "M-135", "M+060",
            "M-060", "U+045", "U-045", "U+090", "U-090", "U+135", "U-135",
        ],
    },
    Layout {
        name: "9+10+3",
        trade_name: "22.2",
        labels: &[
            "M+060", "M-060", "M+000", "LFE1", "M+135", "M-135", "M+030", "M-030", "M+180", "LFE2",
            "M+090", "M-090", "U+045", "U-045", "U+000", "T+000", "U+135", "U-135", "U+090",
            "U-090", "U+180", "B+000", "B+045", "B-045",
        ],
    },
];

/// The layouts of ITU-R BS.2051-3, clause 3 (systems A to J): those that can be rendered to.
pub const RENDERABLE: [&str; 10] = [
    "0+2+0", "0+5+0", "2+5+0", "4+5+0", "4+5+1", "3+7+0", "4+9+0", "9+10+3", "0+7+0", "4+7+0",
];

impl Layout {
    pub fn labels(&self) -> Vec<Label> {
        self.labels
            .iter()
            .map(|l| l.parse().expect("the table's labels are labels"))
            .collect()
    }
}

/// The layout of that name (`4+7+0` or `7.1.4`).
pub fn by_name(name: &str) -> Option<&'static Layout> {
    LAYOUTS
        .iter()
        .find(|layout| layout.name == name || layout.trade_name == name)
}

/// What people of the trade call a layout: `5.1`, `7.1.4`, and `stereo` where two loudspeakers
/// play; a name that is not known stands for itself.
pub fn spoken(name: &str) -> &str {
    match by_name(name) {
        Some(layout) if layout.name == "0+2+0" => "stereo",
        Some(layout) => layout.trade_name,
        None => name,
    }
}

/// The name of the layout that has exactly these labels, in any order.
pub fn name_of(labels: &[Label]) -> Option<&'static str> {
    let mut wanted: Vec<&str> = labels.iter().map(Label::as_str).collect();
    wanted.sort_unstable();
    LAYOUTS
        .iter()
        .find(|layout| {
            let mut have = layout.labels.to_vec();
            have.sort_unstable();
            have == wanted
        })
        .map(|layout| layout.name)
}

/// Why a text describes no channels.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum NotChannels {
    #[error(transparent)]
    Label(#[from] NotALabel),
    #[error("the label {0} stands twice in the list")]
    Twice(Label),
    #[error(
        "{0:?} is neither a layout ({layouts}) nor a list of loudspeaker labels (M+030,M-030,LFE1)",
        layouts = trade_names()
    )]
    Neither(String),
}

fn trade_names() -> String {
    let names: Vec<&str> = LAYOUTS.iter().map(|layout| layout.trade_name).collect();
    names.join(", ")
}

/// Labels from a layout's name or a list (`4+7+0`, `7.1.4`, or `M+030,M-030,LFE1`).
pub fn parse_channels(text: &str) -> Result<Vec<Label>, NotChannels> {
    if let Some(layout) = by_name(text.trim()) {
        return Ok(layout.labels());
    }
    if !text.contains(',') {
        let label: Result<Label, NotALabel> = text.parse();
        return label
            .map(|label| vec![label])
            .map_err(|_| NotChannels::Neither(text.to_owned()));
    }
    let mut labels: Vec<Label> = Vec::new();
    for part in text.split(',') {
        let label: Label = part.parse()?;
        if labels.contains(&label) {
            return Err(NotChannels::Twice(label));
        }
        labels.push(label);
    }
    Ok(labels)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_layout_is_found_by_either_name_and_by_its_labels() {
        assert_eq!(by_name("7.1.4"), by_name("4+7+0"));
        let labels = parse_channels("7.1.2").unwrap();
        assert_eq!(labels.len(), 10);
        assert_eq!(name_of(&labels), Some("7.1.2"));
    }

    #[test]
    fn a_list_of_labels_is_read_and_a_wrong_one_is_named() {
        assert_eq!(parse_channels("M+030, M-030,lfe").unwrap().len(), 3);
        assert!(
            parse_channels("M+030,left")
                .unwrap_err()
                .to_string()
                .contains("\"left\"")
        );
        assert!(parse_channels("M+030,M+030").is_err());
        assert!(parse_channels("M+181").is_err());
        let neither = parse_channels("7.1.5").unwrap_err().to_string();
        assert!(neither.contains("7.1.4, 9.1.6"), "{neither}");
    }

    #[test]
    fn left_is_positive_and_layers_have_elevations() {
        let at = |l: &str| l.parse::<Label>().unwrap().position_deg();
        assert_eq!(at("M-110"), Some((-110.0, 0.0)));
        assert_eq!(at("U+045"), Some((45.0, 30.0)));
        assert_eq!(at("UH+180"), Some((180.0, 45.0)));
        assert_eq!(at("M-SC"), Some((-15.0, 0.0)));
        assert_eq!(at("LFE1"), None);
    }
}
