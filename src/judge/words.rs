//! Numbers and limits as people read them.
//!
//! In: values in the catalogue's units, and rules. Out: words. Decides nothing.

use crate::profile::{Choice, Rule};

/// How values of a unit are written.
#[derive(Clone, Copy)]
pub struct Style {
    /// After the number, with its space; empty where there is none.
    suffix: &'static str,
    /// After a difference of two values.
    difference: &'static str,
    decimals: usize,
    scale: f64,
    /// A few distinct values: what was asked says more than by how much it was missed.
    pub discrete: bool,
}

impl Style {
    pub fn of(unit: &str) -> Self {
        let style = |suffix, difference, decimals| Self {
            suffix,
            difference,
            decimals,
            scale: 1.0,
            discrete: false,
        };
        let discrete = |suffix| Self {
            discrete: true,
            ..style(suffix, suffix, 0)
        };
        match unit {
            "LUFS" => style(" LUFS", " LU", 1),
            "LU" => style(" LU", " LU", 1),
            "dBTP" => style(" dBTP", " dB", 1),
            "dBFS" => style(" dBFS", " dB", 1),
            "dB" => style(" dB", " dB", 1),
            "s" => style(" s", " s", 2),
            // Linear full scale in a profile and a sidecar, per cent for people.
            "FS" => Self {
                scale: 100.0,
                ..style(" % of full scale", " %", 2)
            },
            "Hz" => discrete(" Hz"),
            "bit" => discrete(" bit"),
            "channels" => discrete(" channels"),
            "tracks" => discrete(" tracks"),
            "objects" => discrete(" objects"),
            "runs" => discrete(" runs"),
            "samples" => discrete(" samples"),
            "frames" => discrete(" frames"),
            "bytes" => discrete(" bytes"),
            "deg" => style(" degrees", " degrees", 1),
            _ => style("", "", 1),
        }
    }

    /// A limit's number, without unit: at least the usual decimals, more where it has more.
    pub fn limit(&self, value: f64) -> String {
        let value = value * self.scale;
        let decimals = (self.decimals..6)
            .find(|d| (round(value, *d) - value).abs() < 1e-9)
            .unwrap_or(6);
        fixed(value, decimals)
    }

    /// A reading, without unit; `apart` is what it must be told from, if anything.
    pub fn reading(&self, value: f64, apart: f64) -> String {
        // Floats can hold numbers of 300 digits.
        if (value * self.scale).abs() >= 1e9 {
            return format!("{:.1e}", value * self.scale);
        }
        fixed(value * self.scale, self.decimals_for(apart))
    }

    /// A difference with its unit.
    pub fn difference(&self, by: f64) -> String {
        format!("{}{}", self.reading(by, by), self.difference)
    }

    pub fn with_unit(&self, number: &str) -> String {
        // Of things that are counted one stands in the singular.
        match self.suffix.strip_suffix('s') {
            Some(one) if self.discrete && number == "1" => format!("1{one}"),
            _ => format!("{number}{}", self.suffix),
        }
    }

    /// So many decimals that the difference has a digit of its own: 0.05 is not told as 0.1.
    fn decimals_for(&self, by: f64) -> usize {
        let by = by.abs() * self.scale;
        if by == 0.0 {
            return self.decimals;
        }
        (self.decimals..6)
            .find(|d| by * 10f64.powi(*d as i32) > 0.95)
            .unwrap_or(6)
    }
}

fn round(value: f64, decimals: usize) -> f64 {
    let ten = 10f64.powi(decimals as i32);
    (value * ten).round() / ten
}

fn fixed(value: f64, decimals: usize) -> String {
    let rounded = round(value, decimals);
    // -0.0 is written as 0.0.
    let rounded = if rounded == 0.0 { 0.0 } else { rounded };
    format!("{rounded:.decimals$}")
}

/// What a rule asks, with the unit; `None` where it asks nothing.
pub fn asked(rule: &Rule, unit: &str) -> Option<String> {
    let style = Style::of(unit);
    let number = |value: f64| style.limit(value);
    Some(match rule {
        Rule::AtMost(most) => format!("at most {}", style.with_unit(&number(*most))),
        Rule::AtLeast(least) => format!("at least {}", style.with_unit(&number(*least))),
        Rule::Within(low, high) => {
            let high = style.with_unit(&number(*high));
            format!("{} to {high}", number(*low))
        }
        Rule::Target { target, tolerance } => {
            let tolerance = style.limit(*tolerance);
            style.with_unit(&format!("{} ±{tolerance}", number(*target)))
        }
        Rule::OneOf(choices) => {
            let words: Vec<String> = choices.iter().map(|c| choice(c, &style)).collect();
            style.with_unit(&or(&words))
        }
        Rule::Matches(pattern) => format!("matching {}", bare_pattern(pattern)),
        Rule::Required(fields) => and(fields),
        Rule::Never => "none".into(),
        Rule::Report => return None,
    })
}

/// The pattern as the profile has it, without the anchors that make it match the whole.
pub fn bare_pattern(pattern: &regex::Regex) -> &str {
    let text = pattern.as_str();
    text.strip_prefix(r"\A(?:")
        .and_then(|rest| rest.strip_suffix(r")\z"))
        .unwrap_or(text)
}

fn choice(choice: &Choice, style: &Style) -> String {
    match choice {
        Choice::Number(number) => style.limit(*number),
        Choice::Text(text) => text.clone(),
    }
}

pub fn or(words: &[String]) -> String {
    crate::config::mistake::list(words, "or")
}

pub fn and(words: &[String]) -> String {
    crate::config::mistake::list(words, "and")
}

/// `1 sample`, `12 samples`.
pub fn counted(count: u64, unit: &str) -> String {
    let unit = match count {
        1 => unit.strip_suffix('s').unwrap_or(unit),
        _ => unit,
    };
    format!("{count} {unit}")
}
