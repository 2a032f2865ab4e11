//! What a speakerLabel says: a loudspeaker of BS.2051, written plainly, as a URN, or with a label
//! of the trade.
//!
//! In: a label as the file has it. Out: labels of BS.2051. Knows nothing of layouts.

/// The BS.2051 label in `label`: the end of a URN (`urn:itu:bs:2051:0:speaker:M+030`), with
/// `LFE`, `LFEL` and `LFER` under their names of today (BS.2127-1, clause 8.1). Anything else comes
/// back as it is.
pub fn bs2051(label: &str) -> &str {
    let label = without_urn(label.trim());
    match label {
        "LFE" | "LFEL" => "LFE1",
        "LFER" => "LFE2",
        other => other,
    }
}

fn without_urn(label: &str) -> &str {
    let Some(rest) = label.strip_prefix("urn:itu:bs:2051:") else {
        return label;
    };
    match rest.split_once(":speaker:") {
        Some((edition, label))
            if !edition.is_empty() && edition.bytes().all(|byte| byte.is_ascii_digit()) =>
        {
            label
        }
        _ => label,
    }
}

/// Labels of room-centric beds and the loudspeakers that they mean, the first choice first.
///
/// Source: common practice, no source. `Ls` and `Rs` are the surrounds of a 5.1 bed; one of 7.1.2 has
/// side (`Lss`) and rear (`Lrs`) surrounds and one pair of top loudspeakers (`Lts`).
const TRADE: [(&str, &[&str]); 20] = [
    ("L", &["M+030"]),
    ("R", &["M-030"]),
    ("C", &["M+000"]),
    ("Ls", &["M+110"]),
    ("Rs", &["M-110"]),
    ("Lss", &["M+090"]),
    ("Rss", &["M-090"]),
    ("Lrs", &["M+135"]),
    ("Rrs", &["M-135"]),
    ("Lw", &["M+060"]),
    ("Rw", &["M-060"]),
    ("Lts", &["U+090"]),
    ("Rts", &["U-090"]),
    ("Ltf", &["U+045", "U+030"]),
    ("Rtf", &["U-045", "U-030"]),
    ("Ltr", &["U+135", "U+110"]),
    ("Rtr", &["U-135", "U-110"]),
    ("LFE", &["LFE1"]),
    ("LFE1", &["LFE1"]),
    ("LFE2", &["LFE2"]),
];

/// The loudspeakers of BS.2051 that `label` may mean, the first choice first.
pub fn loudspeakers(label: &str) -> impl Iterator<Item = &str> {
    let trade = label.trim().strip_prefix("RC_").and_then(|name| {
        let known = TRADE.iter().find(|(known, _)| *known == name);
        known.map(|(_, meant)| *meant)
    });
    let plain = trade.is_none().then(|| bs2051(label));
    trade.unwrap_or_default().iter().copied().chain(plain)
}

/// Does `label` name a low-frequency channel?
pub fn is_lfe(label: &str) -> bool {
    loudspeakers(label).any(|label| matches!(label, "LFE1" | "LFE2"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_urn_and_a_plain_label_say_the_same() {
        assert_eq!(bs2051("urn:itu:bs:2051:0:speaker:M+030"), "M+030");
        assert_eq!(bs2051("urn:itu:bs:2051:12:speaker:LFEL"), "LFE1");
        assert_eq!(bs2051("LFE"), "LFE1");
        assert_eq!(bs2051("LFER"), "LFE2");
        for no_urn in [
            "urn:itu:bs:2051::speaker:M+030",
            "urn:itu:bs:2051:x:speaker:M+030",
        ] {
            assert_eq!(bs2051(no_urn), no_urn);
        }
    }

    #[test]
    fn a_label_of_the_trade_means_a_loudspeaker() {
        let meant = |label| loudspeakers(label).collect::<Vec<_>>();
        assert_eq!(meant("RC_Lss"), ["M+090"]);
        assert_eq!(meant("RC_Rtf"), ["U-045", "U-030"]);
        assert_eq!(meant("RC_Nonsense"), ["RC_Nonsense"]);
        assert_eq!(meant("M+030"), ["M+030"]);
    }

    #[test]
    fn every_name_of_a_low_frequency_channel_is_known() {
        let names = ["LFE", "LFE1", "LFE2", "LFEL", "LFER", "RC_LFE"];
        assert!(names.into_iter().all(is_lfe));
        assert!(is_lfe("urn:itu:bs:2051:0:speaker:LFE"));
        assert!(!["RC_L", "M+030", "", "LFE3"].into_iter().any(is_lfe));
    }

    /// Every label that we read the trade's labels as is one.
    #[test]
    fn the_table_names_loudspeakers() {
        for (_, meant) in TRADE {
            for label in meant {
                let parsed: crate::layout::Label = label.parse().unwrap();
                assert_eq!(parsed.as_str(), *label);
            }
        }
    }
}
