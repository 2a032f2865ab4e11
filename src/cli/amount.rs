//! Numbers with units as a person reads them, and by how much a value passes its limit.
//!
//! In: a finding's value, its unit, the profile's rule. Out: short texts. Pure; decides no
//! outcome, that is the judge's.

use crate::profile::{Choice, Rule};

use super::text::visible;

/// What was found: `-16.4 LUFS`, `48000 Hz`, `WAVE`.
pub fn found(value: &Choice, unit: &str, passed_by: Option<f64>) -> String {
    match value {
        Choice::Number(number) => with_unit(*number, unit, decimals(unit, passed_by)),
        Choice::Text(text) => visible(text),
    }
}

/// How far `value` lies outside `rule`, positive above and negative below; `None` when it lies
/// within, and for rules that have no distance.
pub fn passed_by(value: &Choice, rule: &Rule) -> Option<f64> {
    let Choice::Number(value) = value else {
        return None;
    };
    let (low, high) = match rule {
        Rule::AtMost(high) => (f64::NEG_INFINITY, *high),
        Rule::AtLeast(low) => (*low, f64::INFINITY),
        Rule::Within(low, high) => (*low, *high),
        Rule::Target { target, tolerance } => (target - tolerance, target + tolerance),
        Rule::OneOf(_) | Rule::Matches(_) | Rule::Required(_) | Rule::Never | Rule::Report => {
            return None;
        }
    };
    if *value > high {
        Some(value - high)
    } else if *value < low {
        Some(value - low)
    } else {
        None
    }
}

/// A distance with its sign and the unit of differences: `+1.6 LU`.
pub fn distance(by: f64, unit: &str) -> String {
    let unit_of_differences = match unit {
        "LUFS" | "LKFS" => "LU",
        "dBTP" | "dBFS" => "dB",
        other => other,
    };
    let sign = if by > 0.0 { "+" } else { "" };
    format!(
        "{sign}{}",
        with_unit(by, unit_of_differences, decimals(unit, Some(by)))
    )
}

fn with_unit(number: f64, unit: &str, decimals: Option<usize>) -> String {
    let text = match decimals {
        Some(decimals) => format!("{number:.decimals$}"),
        // Counts, rates and what has no customary precision: as few digits as it needs.
        None => format!("{}", (number * 1e6).round() / 1e6),
    };
    // "-0.0" is what rounding leaves of -0.04; the sign would be read as a fault.
    let text = match text.strip_prefix('-') {
        Some(zero) if !zero.contains(|c: char| ('1'..='9').contains(&c)) => zero.to_owned(),
        _ => text,
    };
    if unit.is_empty() {
        text
    } else {
        format!("{text} {unit}")
    }
}

/// One decimal for levels, as meters show them, and more only where the passing of a limit
/// would vanish in rounding (-0.96 against -1.0 must not read as -1.0 against -1.0).
fn decimals(unit: &str, passed_by: Option<f64>) -> Option<usize> {
    let usual = match unit {
        "LUFS" | "LKFS" | "LU" | "dBTP" | "dBFS" | "dB" => 1,
        "s" => 3,
        _ => return None,
    };
    let Some(by) = passed_by.map(f64::abs) else {
        return Some(usual);
    };
    let enough = (usual..4).find(|&d| by >= 0.5 * 10f64.powi(-i32::try_from(d).unwrap_or(4)));
    Some(enough.unwrap_or(4))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn number(value: f64) -> Choice {
        Choice::Number(value)
    }

    #[test]
    fn a_level_has_one_decimal_until_that_would_hide_the_fault() {
        assert_eq!(found(&number(-16.449), "LUFS", None), "-16.4 LUFS");
        assert_eq!(found(&number(-0.96), "dBTP", Some(0.04)), "-0.96 dBTP");
        assert_eq!(found(&number(-0.04), "dBTP", None), "0.0 dBTP");
        assert_eq!(found(&number(-0.997), "dBTP", Some(0.003)), "-0.997 dBTP");
    }

    #[test]
    fn counts_and_rates_are_whole_and_texts_harmless() {
        assert_eq!(found(&number(44_100.0), "Hz", Some(-3900.0)), "44100 Hz");
        assert_eq!(found(&number(0.000_25), "", None), "0.00025");
        assert_eq!(found(&Choice::Text("a\nb".into()), "", None), "a\\nb");
    }

    #[test]
    fn the_distance_is_counted_from_the_edge_that_was_passed() {
        assert_eq!(passed_by(&number(-12.5), &Rule::AtMost(-14.0)), Some(1.5));
        assert_eq!(passed_by(&number(-33.0), &Rule::AtLeast(-31.0)), Some(-2.0));
        assert_eq!(passed_by(&number(3.0), &Rule::Within(1.0, 2.0)), Some(1.0));
        let broadcast = Rule::Target {
            target: -23.0,
            tolerance: 0.5,
        };
        assert_eq!(passed_by(&number(-24.0), &broadcast), Some(-0.5));
        assert_eq!(passed_by(&number(-23.0), &broadcast), None);
        assert_eq!(passed_by(&number(1.0), &Rule::Never), None);
        assert_eq!(
            passed_by(&Choice::Text("WAVE".into()), &Rule::AtMost(1.0)),
            None
        );
    }

    #[test]
    fn a_distance_of_loudness_is_in_lu_and_of_level_in_db() {
        assert_eq!(distance(1.6, "LUFS"), "+1.6 LU");
        assert_eq!(distance(-0.02, "dBTP"), "-0.02 dB");
        assert_eq!(distance(-3900.0, "Hz"), "-3900 Hz");
    }
}
