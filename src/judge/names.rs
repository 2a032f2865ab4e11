//! What a file's name says of its format: `48k24`, `44.1k16`, `96k`.
//!
//! In: a name. Out: the rates and depths that it states. Knows no header.

use std::sync::LazyLock;

use regex::Regex;

/// A rate, and perhaps a depth, that a name states.
#[derive(Clone, Debug, PartialEq)]
pub struct Stated {
    pub text: String,
    pub rate_hz: u32,
    pub bits: Option<u16>,
}

/// A rate in kHz, `k` or `kHz`, perhaps a depth, as a part of its own between separators.
static STATED: LazyLock<Regex> = LazyLock::new(|| {
    Regex::new(r"(?i)(?:^|[ _\-().,\[\]])((\d{2,3}(?:[.,]\d)?)k(?:hz)?[_\- ]?(?:(16|24|32)(?:[ _\-]?bits?|b|f)?)?)(?:$|[ _\-().,\[\]])")
        .expect("the pattern is constant")
});

/// Rates of the trade; names leave the tenth away. Common practice, no source.
const RATES: &[(&str, u32)] = &[
    ("44", 44_100),
    ("44.1", 44_100),
    ("48", 48_000),
    ("88", 88_200),
    ("88.2", 88_200),
    ("96", 96_000),
    ("176", 176_400),
    ("176.4", 176_400),
    ("192", 192_000),
    ("352.8", 352_800),
    ("384", 384_000),
];

/// All that a name states, in its order.
pub fn stated(name: &str) -> Vec<Stated> {
    let mut found = Vec::new();
    let mut from = 0;
    while let Some(parts) = name.get(from..).and_then(|rest| STATED.captures(rest)) {
        let (Some(all), Some(number)) = (parts.get(1), parts.get(2)) else {
            break;
        };
        let rate = number.as_str().replace(',', ".");
        if let Some((_, rate_hz)) = RATES.iter().find(|(text, _)| *text == rate) {
            found.push(Stated {
                text: all.as_str().trim_end_matches(['_', '-', ' ']).to_owned(),
                rate_hz: *rate_hz,
                bits: parts.get(3).and_then(|bits| bits.as_str().parse().ok()),
            });
        }
        // The separator that ends one part begins the next.
        from += all.end();
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rate_and_depth_are_read_from_the_forms_of_the_trade() {
        let one = |name: &str| {
            let found = stated(name);
            assert_eq!(found.len(), 1, "{name}: {found:?}");
            (found[0].rate_hz, found[0].bits)
        };
        assert_eq!(one("TS_Harbour_MI04_Main_48k24.wav"), (48_000, Some(24)));
        assert_eq!(one("a_44.1k16.wav"), (44_100, Some(16)));
        assert_eq!(one("a 96kHz 24bit.wav"), (96_000, Some(24)));
        assert_eq!(one("a_44k16.flac"), (44_100, Some(16)));
        assert_eq!(one("a-88,2kHz-24-bit.wav"), (88_200, Some(24)));
        assert_eq!(one("a_96k_v2.wav"), (96_000, None));
        assert_eq!(one("a_48k32f.wav"), (48_000, Some(32)));
        assert_eq!(stated("a_96k24_48k24.wav").len(), 2);
    }

    #[test]
    fn other_numbers_in_a_name_state_nothing() {
        for name in [
            "song_320k.mp3",
            "24k_gold.wav",
            "10kites.wav",
            "y2k.wav",
            "a48k24b7.wav",
            "48.wav",
            "a_128k.wav",
        ] {
            assert_eq!(stated(name), [], "{name}");
        }
    }
}
