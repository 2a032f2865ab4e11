//! Values in the text of an axml chunk: numbers, flags, gains, times, ids.
//!
//! Pure functions from text to value; `None` or an error is told by the caller, who knows the
//! element. Source: ITU-R BS.2076-2, clause 5.

use crate::adm::model::TypeDefinition;
use crate::adm::time::{AdmTime, NotATime};

/// A finite number.
pub(super) fn number(text: &str) -> Option<f64> {
    text.trim_ascii()
        .parse()
        .ok()
        .filter(|value: &f64| value.is_finite())
}

pub(super) fn whole(text: &str) -> Option<i64> {
    text.trim_ascii().parse().ok()
}

/// `0` or `1`; the words of XML Schema are taken too.
pub(super) fn flag(text: &str) -> Option<bool> {
    match text.trim_ascii() {
        "0" | "false" => Some(false),
        "1" | "true" => Some(true),
        _ => None,
    }
}

/// The unit of a gain: gainUnit (BS.2076-2, clause 5.4.1).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum GainUnit {
    Linear,
    Decibel,
}

pub(super) fn gain_unit(text: Option<&str>) -> Option<GainUnit> {
    match text.map(str::trim_ascii) {
        None | Some("linear") => Some(GainUnit::Linear),
        Some("dB") => Some(GainUnit::Decibel),
        Some(_) => None,
    }
}

/// A linear gain. `-inf` in decibels is silence: some write it so.
pub(super) fn gain(text: &str, unit: GainUnit) -> Option<f64> {
    match unit {
        GainUnit::Linear => number(text),
        GainUnit::Decibel => {
            let decibels: f64 = text.trim_ascii().parse().ok()?;
            Some(10_f64.powf(decibels / 20.0)).filter(|gain| gain.is_finite())
        }
    }
}

/// A time, and whether it was finer than is kept and so was rounded.
///
/// Rounding is to nanoseconds, or to what fits in long programmes: below a thousandth of a
/// sample.
pub(super) fn time(text: &str) -> Result<(AdmTime, bool), NotATime> {
    match AdmTime::parse(text) {
        Ok(time) => Ok((time, false)),
        Err(NotATime::TooFine(found)) => match AdmTime::nearest(text) {
            Some(time) => Ok((time, true)),
            None => Err(NotATime::TooFine(found)),
        },
        Err(error) => Err(error),
    }
}

/// interpolationLength: decimal seconds (BS.2076-2, clause 5.4.3.3.1), or the form of a time.
pub(super) fn seconds(text: &str) -> Option<(AdmTime, bool)> {
    let text = text.trim_ascii();
    if text.contains(':') {
        return time(text).ok();
    }
    let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
    let digits = |part: &str| part.bytes().all(|byte| byte.is_ascii_digit());
    if !digits(whole) || !digits(fraction) || (whole.is_empty() && fraction.is_empty()) {
        // An exponent, a sign: rare enough to go the slow way.
        let value = number(text).filter(|value| (0.0..1e4).contains(value))?;
        return AdmTime::new((value * 1e9).round() as u64, 1_000_000_000).map(|time| (time, true));
    }
    AdmTime::decimal(whole, fraction)
}

/// typeLabel: four hexadecimal digits; typeDefinition: the word (BS.2076-2, clause 5.3).
pub(super) fn type_label(text: &str) -> TypeDefinition {
    let text = text.trim_ascii();
    u16::from_str_radix(text, 16)
        .ok()
        .filter(|_| !text.starts_with('+'))
        .map_or(TypeDefinition::Unknown, TypeDefinition::of_number)
}

pub(super) fn type_word(text: &str) -> TypeDefinition {
    match text.trim_ascii() {
        "DirectSpeakers" => TypeDefinition::DirectSpeakers,
        "Matrix" => TypeDefinition::Matrix,
        "Objects" => TypeDefinition::Objects,
        "HOA" => TypeDefinition::Hoa,
        "Binaural" => TypeDefinition::Binaural,
        _ => TypeDefinition::Unknown,
    }
}

/// The type in the first four digits of an AP_ or AC_ id (BS.2076-2, clause 6).
pub(super) fn type_of_id(id: &str) -> TypeDefinition {
    id.get(3..7).map_or(TypeDefinition::Unknown, type_label)
}

/// A value for a message: quoted, short, in one line.
pub(super) fn shown(text: &str) -> String {
    let mut short: String = text.chars().take(40).collect();
    if short.len() < text.len() {
        short.push('…');
    }
    format!("{short:?}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gain_is_linear_or_in_decibels() {
        assert_eq!(gain("0.5", GainUnit::Linear), Some(0.5));
        // 10^(-6/20)
        let half = gain(" -6 ", GainUnit::Decibel).unwrap();
        assert!((half - 0.501_187_233_627_272_4).abs() < 1e-15);
        assert_eq!(gain("-inf", GainUnit::Decibel), Some(0.0));
        for text in ["", "inf", "nan", "1,5", "1e999"] {
            assert_eq!(gain(text, GainUnit::Linear), None, "{text}");
        }
        assert_eq!(gain("inf", GainUnit::Decibel), None);
        assert_eq!(gain_unit(Some("foo")), None);
    }

    /// 0.005208 s is 250 samples at 48 kHz but for 0.016: it must not be rounded to samples.
    #[test]
    fn an_interpolation_length_is_kept_exactly() {
        let exact =
            |text: &str| seconds(text).map(|(time, _)| (time.numerator(), time.denominator()));
        assert_eq!(exact("0.005208"), Some((5208, 1_000_000)));
        assert_eq!(exact("0"), Some((0, 1)));
        assert_eq!(exact("1.50"), Some((15, 10)));
        assert_eq!(exact(".5"), Some((5, 10)));
        assert_eq!(exact("00:00:00.02"), Some((2, 100)));
        assert_eq!(exact("00:00:00.250S48000"), Some((250, 48_000)));
        assert_eq!(
            seconds("0.0213333333333"),
            AdmTime::new(21_333_333, 1_000_000_000).map(|t| (t, true))
        );
        assert_eq!(exact("2e-2"), Some((20_000_000, 1_000_000_000)));
        for text in [
            "",
            ".",
            "-1",
            "1.2.3",
            "x",
            "1e99",
            "99999999999999999999999",
        ] {
            assert_eq!(seconds(text), None, "{text}");
        }
    }
}
