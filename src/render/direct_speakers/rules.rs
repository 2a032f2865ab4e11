//! Mapping rules from the loudspeakers of the common definitions to those of a layout
//! (ITU-R BS.2127-1, clause 8.3 and its table of rules).
//!
//! In: the layout of a common-definition pack, a label, the layout that is rendered to. Out: gains
//! of loudspeakers. A rule stands once, for the left; the right is its mirror image.

use crate::render::speakers::SpeakerLayout;

/// Where the loudspeaker `input` is heard. Of a label's rules the first whose loudspeakers the
/// output has applies.
struct Rule {
    input: &'static str,
    /// Loudspeakers of the output with their shares of the power.
    shares: &'static [(&'static str, f64)],
    only: Only,
}

/// Which layouts a rule is for.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Only {
    Any,
    /// Sound of 9+10+3.
    From22,
    /// Sound of the layouts with two low-frequency channels.
    FromTwoLfe,
    /// The same, played on such a layout.
    FromAndToTwoLfe,
}

const TWO_LFE: [&str; 2] = ["9+10+3", "3+7+0"];

impl Only {
    fn allows(self, from: &str, to: &str) -> bool {
        match self {
            Self::Any => true,
            Self::From22 => from == "9+10+3",
            Self::FromTwoLfe => TWO_LFE.contains(&from),
            Self::FromAndToTwoLfe => TWO_LFE.contains(&from) && TWO_LFE.contains(&to),
        }
    }
}

/// The layout of a pack of the common definitions (ITU-R BS.2094-1) for which there are rules.
///
/// There are none for 7.1.2 (`AP_00010016`): its channels go by their labels and positions.
pub fn layout_of_pack(id: &str) -> Option<&'static str> {
    let number = id.strip_prefix("AP_").filter(|number| number.len() == 8)?;
    let layout = match u32::from_str_radix(number, 16).ok()? {
        0x0001_0001 => "0+1+0",
        0x0001_0002 => "0+2+0",
        0x0001_0003 | 0x0001_000c => "0+5+0",
        0x0001_0004 => "2+5+0",
        0x0001_0005 => "4+5+0",
        0x0001_0007 => "3+7+0",
        0x0001_0008 => "4+9+0",
        0x0001_0009 => "9+10+3",
        0x0001_000f => "0+7+0",
        0x0001_0010 => "4+5+1",
        0x0001_0017 => "4+7+0",
        _ => return None,
    };
    Some(layout)
}

/// The pack of the common definitions that has the loudspeakers of a layout, and rules.
pub fn pack_of_layout(name: &str) -> Option<String> {
    let mut ids = (1..=0x17).map(|number| format!("AP_000100{number:02x}"));
    ids.find(|id| layout_of_pack(id) == Some(name))
}

/// The loudspeakers of `to` and their gains for the loudspeaker `label` of the layout `from`;
/// `None` when no rule tells.
pub fn gains(from: &str, label: &str, to: &SpeakerLayout) -> Option<Vec<(usize, f64)>> {
    let on_the_right = label.contains('-');
    let side = |label: &str| {
        if on_the_right {
            mirrored(label)
        } else {
            label.to_owned()
        }
    };
    let input = side(label);
    RULES
        .iter()
        .filter(|rule| rule.input == input && rule.only.allows(from, to.name))
        .find_map(|rule| {
            let outputs = rule.shares.iter().map(|(label, share)| {
                let speaker = to.index_of(&side(label))?;
                Some((speaker, share.sqrt()))
            });
            outputs.collect()
        })
}

/// The label of the loudspeaker on the other side.
pub fn mirrored(label: &str) -> String {
    if label.ends_with("000") || label.ends_with("180") {
        return label.to_owned();
    }
    let swap = |character| match character {
        '+' => '-',
        '-' => '+',
        other => other,
    };
    label.chars().map(swap).collect()
}

const fn any(input: &'static str, shares: &'static [(&'static str, f64)]) -> Rule {
    let only = Only::Any;
    Rule {
        input,
        shares,
        only,
    }
}

const fn from_22(input: &'static str, shares: &'static [(&'static str, f64)]) -> Rule {
    let only = Only::From22;
    Rule {
        input,
        shares,
        only,
    }
}

const fn from_two_lfe(input: &'static str, shares: &'static [(&'static str, f64)]) -> Rule {
    let only = Only::FromTwoLfe;
    Rule {
        input,
        shares,
        only,
    }
}

const fn from_and_to_two_lfe(input: &'static str, shares: &'static [(&'static str, f64)]) -> Rule {
    let only = Only::FromAndToTwoLfe;
    Rule {
        input,
        shares,
        only,
    }
}

#[rustfmt::skip]
const RULES: [Rule; 85] = [
    any("M+000", &[("M+000", 1.0)]),
    any("M+000", &[("M+030", 1.0 / 2.0), ("M-030", 1.0 / 2.0)]),
    any("M+060", &[("M+060", 1.0)]),
    any("M+060", &[("M+030", 2.0 / 3.0), ("M+110", 1.0 / 3.0)]),
    any("M+060", &[("M+030", 1.0 / 2.0), ("M+090", 1.0 / 2.0)]),
    any("M+060", &[("M+030", 1.0)]),
    any("M+090", &[("M+090", 1.0)]),
    from_22("M+090", &[("M+030", 1.0 / 3.0), ("M+110", 2.0 / 3.0)]),
    any("M+090", &[("M+030", 1.0 / 2.0), ("M+110", 1.0 / 2.0)]),
    any("M+090", &[("M+030", 1.0 / 2.0)]),
    any("M+110", &[("M+110", 1.0)]),
    any("M+110", &[("M+135", 1.0)]),
    any("M+110", &[("M+030", 1.0 / 2.0)]),
    any("M+135", &[("M+135", 1.0)]),
    any("M+135", &[("M+110", 1.0)]),
    any("M+135", &[("M+030", 1.0 / 2.0)]),
    any("M+180", &[("M+180", 1.0)]),
    any("M+180", &[("M+135", 1.0 / 2.0), ("M-135", 1.0 / 2.0)]),
    any("M+180", &[("M+110", 1.0 / 2.0), ("M-110", 1.0 / 2.0)]),
    any("M+180", &[("M+030", 1.0 / 4.0), ("M-030", 1.0 / 4.0)]),
    any("U+000", &[("U+000", 1.0)]),
    any("U+000", &[("U+030", 1.0 / 2.0), ("U-030", 1.0 / 2.0)]),
    any("U+000", &[("U+045", 1.0 / 2.0), ("U-045", 1.0 / 2.0)]),
    any("U+000", &[("M+000", 1.0)]),
    any("U+000", &[("M+030", 1.0 / 2.0), ("M-030", 1.0 / 2.0)]),
    any("U+030", &[("U+030", 1.0)]),
    any("U+030", &[("U+045", 1.0)]),
    any("U+030", &[("M+030", 1.0)]),
    any("U+045", &[("U+045", 1.0)]),
    any("U+045", &[("U+030", 1.0)]),
    any("U+045", &[("M+030", 1.0)]),
    any("U+090", &[("U+090", 1.0)]),
    from_22("U+090", &[("U+045", 2.0 / 3.0), ("UH+180", 1.0 / 3.0)]),
    any("U+090", &[("U+030", 1.0 / 2.0), ("U+110", 1.0 / 2.0)]),
    any("U+090", &[("U+045", 1.0 / 2.0), ("U+135", 1.0 / 2.0)]),
    any("U+090", &[("M+090", 1.0)]),
    any("U+090", &[("U+030", 1.0 / 2.0), ("M+110", 1.0 / 2.0)]),
    any("U+090", &[("M+030", 1.0 / 2.0), ("M+110", 1.0 / 2.0)]),
    any("U+090", &[("M+030", 1.0 / 2.0)]),
    any("U+110", &[("U+110", 1.0)]),
    any("U+110", &[("U+135", 1.0)]),
    any("U+110", &[("U+045", 1.0 / 2.0), ("UH+180", 1.0 / 2.0)]),
    any("U+110", &[("M+110", 1.0)]),
    any("U+110", &[("M+135", 1.0)]),
    any("U+110", &[("M+030", 1.0 / 2.0)]),
    any("U+135", &[("U+135", 1.0)]),
    any("U+135", &[("U+110", 1.0)]),
    from_22("U+135", &[("U+045", 1.0 / 3.0), ("UH+180", 2.0 / 3.0)]),
    any("U+135", &[("U+045", 1.0 / 2.0), ("UH+180", 1.0 / 2.0)]),
    any("U+135", &[("M+135", 1.0)]),
    any("U+135", &[("M+110", 1.0)]),
    any("U+135", &[("M+030", 1.0 / 2.0)]),
    any("U+180", &[("U+180", 1.0)]),
    any("U+180", &[("UH+180", 1.0)]),
    any("U+180", &[("U+135", 1.0 / 2.0), ("U-135", 1.0 / 2.0)]),
    any("U+180", &[("U+110", 1.0 / 2.0), ("U-110", 1.0 / 2.0)]),
    any("U+180", &[("M+135", 1.0 / 2.0), ("M-135", 1.0 / 2.0)]),
    any("U+180", &[("M+110", 1.0 / 2.0), ("M-110", 1.0 / 2.0)]),
    any("U+180", &[("M+030", 1.0 / 4.0), ("M-030", 1.0 / 4.0)]),
    any("UH+180", &[("UH+180", 1.0)]),
    any("UH+180", &[("U+180", 1.0)]),
    any("UH+180", &[("U+135", 1.0 / 2.0), ("U-135", 1.0 / 2.0)]),
    any("UH+180", &[("U+110", 1.0 / 2.0), ("U-110", 1.0 / 2.0)]),
    any("UH+180", &[("M+135", 1.0 / 2.0), ("M-135", 1.0 / 2.0)]),
    any("UH+180", &[("M+110", 1.0 / 2.0), ("M-110", 1.0 / 2.0)]),
    any("UH+180", &[("M+030", 1.0 / 4.0), ("M-030", 1.0 / 4.0)]),
    any("T+000", &[("T+000", 1.0)]),
    any("T+000", &[("U+045", 1.0 / 4.0), ("U-045", 1.0 / 4.0), ("U+135", 1.0 / 4.0), ("U-135", 1.0 / 4.0)]),
    any("T+000", &[("U+030", 1.0 / 4.0), ("U-030", 1.0 / 4.0), ("U+110", 1.0 / 4.0), ("U-110", 1.0 / 4.0)]),
    any("T+000", &[("U+045", 1.0 / 3.0), ("U-045", 1.0 / 3.0), ("UH+180", 1.0 / 3.0)]),
    any("T+000", &[("U+045", 1.0 / 4.0), ("U-045", 1.0 / 4.0), ("M+135", 1.0 / 4.0), ("M-135", 1.0 / 4.0)]),
    any("T+000", &[("U+030", 1.0 / 4.0), ("U-030", 1.0 / 4.0), ("M+110", 1.0 / 4.0), ("M-110", 1.0 / 4.0)]),
    any("T+000", &[("M+030", 1.0 / 4.0), ("M-030", 1.0 / 4.0), ("M+135", 1.0 / 4.0), ("M-135", 1.0 / 4.0)]),
    any("T+000", &[("M+030", 1.0 / 4.0), ("M-030", 1.0 / 4.0), ("M+110", 1.0 / 4.0), ("M-110", 1.0 / 4.0)]),
    any("T+000", &[("M+030", 1.0 / 4.0), ("M-030", 1.0 / 4.0)]),
    any("B+000", &[("B+000", 1.0)]),
    any("B+000", &[("M+000", 1.0)]),
    any("B+000", &[("M+030", 1.0 / 2.0), ("M-030", 1.0 / 2.0)]),
    any("B+045", &[("B+045", 1.0)]),
    any("B+045", &[("M+030", 1.0)]),
    from_and_to_two_lfe("LFE1", &[("LFE1", 1.0)]),
    from_and_to_two_lfe("LFE2", &[("LFE2", 1.0)]),
    from_two_lfe("LFE1", &[("LFE1", 1.0 / 2.0)]),
    from_two_lfe("LFE2", &[("LFE1", 1.0 / 2.0)]),
    any("LFE1", &[("LFE1", 1.0)]),
];
