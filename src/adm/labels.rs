//! speakerLabels as files write them, and the loudspeakers of ITU-R BS.2051 that they mean.
//!
//! In: the text of a speakerLabel: a BS.2051 label, its URN, or a name of the trade. Out: a
//! [`Label`], or whether it is a low-frequency channel. Knows nothing of positions.

use crate::layout::Label;

/// The label of a BS.2051 URN (`urn:itu:bs:2051:0:speaker:M+030`), or the text itself.
///
/// Source: ITU-R BS.2094-2 names loudspeakers by such URNs; the number is the edition's.
fn without_urn(label: &str) -> &str {
    let label = label.trim();
    let head = "urn:itu:bs:2051:";
    match label.get(..head.len()) {
        Some(start) if start.eq_ignore_ascii_case(head) => {
            let mut parts = label[head.len()..].splitn(3, ':');
            match (parts.next(), parts.next(), parts.next()) {
                (Some(edition), Some(kind), Some(name))
                    if edition.bytes().all(|byte| byte.is_ascii_digit())
                        && kind.eq_ignore_ascii_case("speaker") =>
                {
                    name
                }
                _ => label,
            }
        }
        _ => label,
    }
}

/// Whether a speakerLabel says that the channel is a low-frequency one.
///
/// `LFE`, `LFE1`, `LFE2`, `LFEL`, `LFER` and their URNs: ITU-R BS.2127-1, clause 8
/// (DirectSpeakers). `RC_LFE`: common practice, no source; the reference renderer of BS.2127
/// does not take it so and plays it full-range in front.
pub fn is_lfe_label(label: &str) -> bool {
    let label = without_urn(label);
    ["LFE", "LFE1", "LFE2", "LFEL", "LFER", "RC_LFE"]
        .iter()
        .any(|known| label.eq_ignore_ascii_case(known))
}

/// Names of the trade. From memory, no source: surrounds without `r` for rear are the side
/// pair in a bed of seven, heights without a position are the middle pair of 7.1.2.
const TRADE: &[(&str, &[&str])] = &[
    ("M+030", &["L", "FL"]),
    ("M-030", &["R", "FR"]),
    ("M+000", &["C", "FC"]),
    ("LFE1", &["LFE", "LFE1", "LFEL"]),
    ("LFE2", &["LFE2", "LFER"]),
    ("M+090", &["Ls", "Lss", "SiL"]),
    ("M-090", &["Rs", "Rss", "SiR"]),
    ("M+135", &["Lrs", "Lb", "Lsr", "Lbs", "BL"]),
    ("M-135", &["Rrs", "Rb", "Rsr", "Rbs", "BR"]),
    ("M+060", &["Lw", "Lwide"]),
    ("M-060", &["Rw", "Rwide"]),
    ("M+SC", &["Lsc"]),
    ("M-SC", &["Rsc"]),
    ("M+180", &["Cs", "BC"]),
    ("U+045", &["Ltf", "Lhf", "TpFL"]),
    ("U-045", &["Rtf", "Rhf", "TpFR"]),
    ("U+090", &["Lts", "Ltm", "Lh", "Lhs", "TpSiL"]),
    ("U-090", &["Rts", "Rtm", "Rh", "Rhs", "TpSiR"]),
    ("U+135", &["Ltr", "Lhr", "TpBL"]),
    ("U-135", &["Rtr", "Rhr", "TpBR"]),
    ("T+000", &["Ts", "TpC", "VOG"]),
];

/// The loudspeaker of BS.2051 that a speakerLabel means: `M+030`, `M+30` (early files),
/// `urn:itu:bs:2051:0:speaker:M+030`, `L` or `RC_L`; `None` for what is not known.
///
/// The trade's `Ls` is the side pair of a 7.1.2 bed, so it becomes `M+090`; a 5.1 bed plays it
/// at 110 degrees, which the caller knows by the bed's other channels.
pub fn bed_label(label: &str) -> Option<Label> {
    let plain = without_urn(label);
    if is_lfe_label(plain) {
        let second = plain.eq_ignore_ascii_case("LFE2") || plain.eq_ignore_ascii_case("LFER");
        return if second { "LFE2" } else { "LFE1" }.parse().ok();
    }
    if let Ok(label) = plain.parse() {
        return Some(label);
    }
    // M+30 for M+030: BS.2051-0 and early files.
    if let Some((layer, azimuth)) = plain.find(['+', '-']).map(|sign| plain.split_at(sign + 1))
        && (1..=2).contains(&azimuth.len())
    {
        return format!("{layer}{azimuth:0>3}").parse().ok();
    }
    let name = match plain.get(..3) {
        Some(head) if head.eq_ignore_ascii_case("RC_") => &plain[3..],
        _ => plain,
    };
    TRADE
        .iter()
        .find(|(_, names)| names.iter().any(|known| known.eq_ignore_ascii_case(name)))
        .and_then(|(label, _)| label.parse().ok())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout;

    #[test]
    fn a_712_bed_is_known_however_the_trade_labels_it() {
        let wanted = layout::parse_channels("7.1.2").unwrap();
        for bed in [
            "M+030,M-030,M+000,LFE1,M+090,M-090,M+135,M-135,U+090,U-090",
            "RC_L,RC_R,RC_C,RC_LFE,RC_Lss,RC_Rss,RC_Lrs,RC_Rrs,RC_Lts,RC_Rts",
            "RC_L,RC_R,RC_C,RC_LFE,RC_Ls,RC_Rs,RC_Lb,RC_Rb,RC_Lh,RC_Rh",
            "L,R,C,LFE,Lss,Rss,Lrs,Rrs,Ltm,Rtm",
            "L,R,C,LFE,Ls,Rs,Lrs,Rrs,Lts,Rts",
        ] {
            let labels: Vec<Label> = bed.split(',').map(|l| bed_label(l).unwrap()).collect();
            assert_eq!(labels, wanted, "{bed}");
        }
    }

    /// Labels of ITU-R BS.2094-2 are URNs of BS.2051.
    #[test]
    fn a_urn_is_read_as_the_label_it_ends_in() {
        let label = |text: &str| bed_label(text).map(String::from);
        assert_eq!(
            label("urn:itu:bs:2051:0:speaker:M-110").as_deref(),
            Some("M-110")
        );
        assert_eq!(
            label("urn:itu:bs:2051:1:speaker:LFE").as_deref(),
            Some("LFE1")
        );
        assert_eq!(label("M+30").as_deref(), Some("M+030"));
        assert_eq!(label("UH+180").as_deref(), Some("UH+180"));
        for text in [
            "",
            "urn:itu:bs:2051:0:pack:M+030",
            "X+030",
            "M+",
            "M+1234",
            "ü",
        ] {
            assert_eq!(label(text), None, "{text}");
        }
    }

    /// ITU-R BS.2127-1, clause 8: which labels make an LFE; `RC_LFE`: common practice.
    #[test]
    fn a_low_frequency_channel_is_known_by_its_label() {
        for label in [
            "LFE",
            "LFE1",
            "LFE2",
            "LFEL",
            "LFER",
            "RC_LFE",
            "urn:itu:bs:2051:0:speaker:LFE2",
        ] {
            assert!(is_lfe_label(label), "{label}");
        }
        for label in [
            "M+030",
            "LFE3",
            "RC_L",
            "C",
            "urn:itu:bs:2051:x:speaker:LFE",
        ] {
            assert!(!is_lfe_label(label), "{label}");
        }
    }
}
