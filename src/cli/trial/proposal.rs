//! Limits from a studio's own masters, and the profile that holds them.
//!
//! In: spreads, the profile that was tried, the date. Out: a [`Proposal`] a figure, and a profile as
//! TOML that extends the one that was tried. An own past is a yardstick and no rule: a proposed
//! limit advises at most, and takes the place of no limit that stops. Pure but for [`write()`].

use std::fs::OpenOptions;
use std::io::{self, Write};
use std::path::Path;

use serde::Serialize;

use super::spread::Spread;
use crate::judge;
use crate::profile::{Limit, Profile, Rule, Severity};

/// Fewer files say too little of what is usual. Own choice.
pub const FEWEST: usize = 5;
/// From here on a quarter of the distance between the ends is added on either side, before it a
/// half. Own choice: of 20 readings that are spread normally the ends lie 3.7 standard deviations
/// apart, of 5 they lie 2.3 apart (from memory: the d2 constants of control charts), so that the
/// limits lie about 2.8 and 2.3 deviations from the middle and the next master of the same kind
/// passes one in 200 and in 50 times.
const MANY: usize = 20;
/// The least that is added, in dB or LU, and in seconds. Own choices: masters that are all alike
/// say little of how far the next may lie; differences of less are no reason to stop and listen.
const LEAST: f64 = 1.0;
const LEAST_S: f64 = 0.5;
/// The most that is added, in dB or LU. Own choice: masters that lie further apart are of more than
/// one kind, and half of their distance would ask nothing any more.
const MOST: f64 = 3.0;

/// The checks that limits are proposed for, and whether less is worth a remark too.
const PROPOSED: [(&str, bool); 12] = [
    ("loudness.integrated", true),
    ("loudness.short_term_max", true),
    ("loudness.momentary_max", true),
    ("loudness.range", true),
    ("peaks.true_peak", false),
    ("peaks.peak_to_loudness", true),
    ("edges.leading_silence", false),
    ("edges.trailing_silence", false),
    ("translation.mono_loss", false),
    ("translation.mono_window", false),
    ("translation.mono_band", false),
    ("translation.low_end", false),
];

/// What is proposed for one figure.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Proposal {
    pub figure: String,
    pub unit: String,
    pub at_least: Option<f64>,
    pub at_most: Option<f64>,
    /// `advise` or `note`; `None` where nothing is proposed.
    pub severity: Option<Severity>,
    /// What is to be known of it: that it is looser than the profile's own, or why there is none.
    pub remark: Option<String>,
}

impl Proposal {
    fn none(spread: &Spread, why: String) -> Self {
        Self {
            figure: spread.figure.clone(),
            unit: spread.unit.clone(),
            at_least: None,
            at_most: None,
            severity: None,
            remark: Some(why),
        }
    }

    /// Whether there is a limit.
    pub fn is_made(&self) -> bool {
        self.at_least.is_some() || self.at_most.is_some()
    }

    /// `-15.7 to -6.6 LUFS`, `at most 1.4 s`
    pub fn asked(&self) -> Option<String> {
        let unit = &self.unit;
        Some(match (self.at_least, self.at_most) {
            (Some(low), Some(high)) => format!("{low:.1} to {high:.1} {unit}"),
            (None, Some(high)) => format!("at most {high:.1} {unit}"),
            (Some(low), None) => format!("at least {low:.1} {unit}"),
            (None, None) => return None,
        })
    }
}

/// What can be said of each figure that limits are proposed for. `read`: how many files of the
/// profile could be read.
pub fn proposals(spreads: &[Spread], profile: &Profile, read: usize) -> Vec<Proposal> {
    let of = |spread: &Spread| {
        let plain = spread.figure.split('@').next().unwrap_or_default();
        let (_, both) = PROPOSED.iter().find(|(id, _)| *id == plain)?;
        Some(proposal(spread, profile, *both, read))
    };
    spreads.iter().filter_map(of).collect()
}

fn proposal(spread: &Spread, profile: &Profile, both: bool, read: usize) -> Proposal {
    let own = profile.limits.get(&spread.figure);
    let own = own.filter(|limit| !matches!(limit.rule, Rule::Report));
    if let Some(limit) = own.filter(|limit| limit.severity == Severity::Stop) {
        let asked = judge::asked(&limit.rule, &spread.unit).unwrap_or_default();
        let aim = limit
            .advise_below
            .and_then(|aim| below_the_aim(spread, aim));
        return Proposal::none(
            spread,
            format!(
                "{} stops here ({asked}): kept as it is{}",
                profile.name,
                aim.unwrap_or_default()
            ),
        );
    }
    if spread.files < FEWEST {
        let files = spread.files;
        return Proposal::none(
            spread,
            format!("{files} of at least {FEWEST} files that are needed have it"),
        );
    }
    // A limit on what a file has not would make that file one that could not be measured.
    if spread.files < read {
        let files = spread.files;
        return Proposal::none(spread, format!("only {files} of {read} files have it"));
    }
    let (below, above) = match own.map(|limit| &limit.rule) {
        Some(Rule::AtMost(_)) => (false, true),
        Some(Rule::AtLeast(_)) => (true, false),
        Some(Rule::OneOf(_)) => {
            let why = "the profile names single values: kept as they are".to_owned();
            return Proposal::none(spread, why);
        }
        Some(_) => (true, true),
        None => (both, true),
    };
    let share = if spread.files < MANY { 0.5 } else { 0.25 };
    let (low, high) = (spread.lowest.value, spread.highest.value);
    let (least, most) = match spread.unit.as_str() {
        "s" => (LEAST_S, f64::INFINITY),
        _ => (LEAST, MOST),
    };
    let added = ((high - low) * share).clamp(least, most);
    let at_least = below.then(|| outwards(low - added, f64::floor));
    let at_most = above.then(|| outwards(high + added, f64::ceil));
    // A limit that every own master keeps is not made looser by them.
    let (own_low, own_high) = own.map_or((None, None), |limit| bounds(&limit.rule));
    let at_least = at_least.map(|new| match own_low {
        Some(own) if low >= own => new.max(own),
        _ => new,
    });
    let at_most = at_most.map(|new| match own_high {
        Some(own) if high <= own => new.min(own),
        _ => new,
    });
    if let Some(limit) = own
        && (at_least, at_most) == (own_low, own_high)
    {
        let asked = judge::asked(&limit.rule, &spread.unit).unwrap_or_default();
        let why = format!("all keep the profile's own limit ({asked}): kept as it is");
        return Proposal::none(spread, why);
    }
    let severity = own.map_or(Severity::Advise, |limit| limit.severity);
    Proposal {
        figure: spread.figure.clone(),
        unit: spread.unit.clone(),
        at_least,
        at_most,
        severity: Some(severity.min(Severity::Advise)),
        remark: own.and_then(|limit| looser(limit, at_least, at_most, &spread.unit)),
    }
}

/// To one decimal, away from the own masters. What rounding of binary fractions adds is taken off
/// before, so that -15.7 stays -15.7.
fn outwards(value: f64, round: fn(f64) -> f64) -> f64 {
    let tenths = (value * 1e7).round() / 1e6;
    round(tenths) / 10.0 + 0.0
}

/// That masters lie below the aim within a limit, and how to move it.
fn below_the_aim(spread: &Spread, aim: f64) -> Option<String> {
    let who = if spread.highest.value < aim {
        "all"
    } else if spread.median < aim {
        "most"
    } else if spread.lowest.value < aim {
        "some"
    } else {
        return None;
    };
    Some(format!(
        "; {who} lie below its aim of {aim:.1} {}, which advises: `advise_below` moves it",
        spread.unit
    ))
}

/// The least and the most that a limit allows.
fn bounds(rule: &Rule) -> (Option<f64>, Option<f64>) {
    match *rule {
        Rule::AtMost(most) => (None, Some(most)),
        Rule::AtLeast(least) => (Some(least), None),
        Rule::Within(least, most) => (Some(least), Some(most)),
        Rule::Target { target, tolerance } => (Some(target - tolerance), Some(target + tolerance)),
        _ => (None, None),
    }
}

/// That the profile's own limit is closer, on either side.
fn looser(limit: &Limit, low: Option<f64>, high: Option<f64>, unit: &str) -> Option<String> {
    let (own_low, own_high) = bounds(&limit.rule);
    let is_looser = low.zip(own_low).is_some_and(|(new, own)| new < own)
        || high.zip(own_high).is_some_and(|(new, own)| new > own);
    is_looser.then(|| {
        let asked = judge::asked(&limit.rule, unit).unwrap_or_default();
        format!("looser than the profile's own: {asked} ({})", limit.source)
    })
}

/// What a proposed profile is made of.
pub struct Draft<'a> {
    pub name: &'a str,
    pub profile: &'a Profile,
    pub spreads: &'a [Spread],
    pub proposals: &'a [Proposal],
    pub files: usize,
    /// `YYYY-MM-DD`
    pub date: &'a str,
}

impl Draft<'_> {
    /// The profile as TOML.
    pub fn toml(&self) -> String {
        let Self {
            name,
            profile,
            files,
            date,
            ..
        } = self;
        let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
        let title = quoted(&format!("{}, beside own masters", profile.title));
        let mut out = format!(
            "# Made by `weighbridge trial` from {files} own masters on {date}. Read it before you use it.\n\
             #\n\
             # A limit lies beyond the lowest and the highest master by {} of the\n\
             # distance between them (from {LEAST} to {MOST} dB or LU, at least {LEAST_S} s), rounded outwards. No limit of this file\n\
             # stops; what stops in the profile that it extends still does.\n\
             \n\
             name = \"{name}\"\n\
             title = {title}\n\
             about = \"What is unlike the studio's own approved masters is advised on; all other limits are those of {}.\"\n\
             extends = \"{}\"\n",
            if *files < MANY { "half" } else { "a quarter" },
            profile.name,
            profile.name
        );
        for proposal in self.proposals {
            out.push('\n');
            let remark = proposal.remark.as_ref().map(|why| why.replace('\n', " "));
            if let Some(remark) = remark {
                out.push_str(&format!("# {}: {remark}\n", proposal.figure));
            }
            let rule = match (proposal.at_least, proposal.at_most) {
                (Some(low), Some(high)) => format!("within = [{low:?}, {high:?}]"),
                (None, Some(high)) => format!("at_most = {high:?}"),
                (Some(low), None) => format!("at_least = {low:?}"),
                (None, None) => continue,
            };
            let severity = match proposal.severity {
                Some(Severity::Note) => "note",
                _ => "advise",
            };
            let spread = self.spreads.iter().find(|s| s.figure == proposal.figure);
            let files = spread.map_or(*files, |spread| spread.files);
            out.push_str(&format!(
                "[limits.\"{}\"]\n{rule}\nseverity = \"{severity}\"\nsource = \"own masters, {files} files, {date}\"\n",
                proposal.figure
            ));
        }
        out.push_str("\n# Where the figures of the own masters lie, for whoever reads a report. They decide nothing.\n");
        for spread in self.spreads.iter().filter(|spread| spread.files >= FEWEST) {
            let [lowest, median, highest] =
                [spread.lowest.value, spread.median, spread.highest.value].map(hundredths);
            out.push_str(&format!(
                "\n[yardstick.\"{}\"]\nlowest = {lowest:?}\nmedian = {median:?}\nhighest = {highest:?}\nfiles = {}\ndate = \"{date}\"\n",
                spread.figure, spread.files
            ));
        }
        out
    }
}

fn hundredths(value: f64) -> f64 {
    (value * 100.0).round() / 100.0 + 0.0
}

/// Writes a new file; one that is there is an error.
pub fn write(path: &Path, text: &str) -> io::Result<()> {
    let mut file = OpenOptions::new().write(true).create_new(true).open(path)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()
}

#[cfg(test)]
mod tests {
    use super::super::spread::spreads;
    use super::super::spread::tests::trialled;
    use super::*;

    fn profile(name: &str) -> Profile {
        let profiles = judge::load_profiles(None).unwrap();
        profiles.get(name).unwrap().clone()
    }

    fn own(key: &str, unit: &str, values: &[f64]) -> Vec<Spread> {
        let files: Vec<_> = values
            .iter()
            .map(|value| trialled("x.wav", &[(key, unit, *value)]))
            .collect();
        spreads(&files)
    }

    fn one(key: &str, unit: &str, values: &[f64]) -> Proposal {
        let spreads = own(key, unit, values);
        let mut all = proposals(&spreads, &profile("stereo-music"), values.len());
        assert_eq!(all.len(), 1);
        all.remove(0)
    }

    // The distance of 4 LU halved, on either side.
    #[test]
    fn a_limit_lies_half_of_the_spread_beyond_its_ends() {
        let proposal = one(
            "loudness.integrated",
            "LUFS",
            &[-12.0, -10.0, -9.0, -8.0, -11.0],
        );
        assert_eq!(
            (proposal.at_least, proposal.at_most),
            (Some(-14.0), Some(-6.0))
        );
        assert_eq!(proposal.severity, Some(Severity::Advise));
        assert_eq!(proposal.asked().unwrap(), "-14.0 to -6.0 LUFS");
    }

    #[test]
    fn masters_that_are_all_alike_leave_one_lu() {
        let proposal = one("loudness.integrated", "LUFS", &[-11.03; 20]);
        assert_eq!(
            (proposal.at_least, proposal.at_most),
            (Some(-12.1), Some(-10.0))
        );
    }

    #[test]
    fn masters_far_apart_add_three_lu_and_no_more() {
        let proposal = one(
            "loudness.integrated",
            "LUFS",
            &[-30.0, -7.0, -9.0, -8.0, -11.0],
        );
        assert_eq!(
            (proposal.at_least, proposal.at_most),
            (Some(-33.0), Some(-4.0))
        );
    }

    #[test]
    fn nothing_is_proposed_from_four_files_nor_beside_a_limit_that_stops() {
        let few = one("loudness.integrated", "LUFS", &[-12.0; 4]);
        assert_eq!(few.asked(), None);
        assert_eq!(
            few.remark.unwrap(),
            "4 of at least 5 files that are needed have it"
        );
        let stops = one("peaks.true_peak", "dBTP", &[-0.1; 9]);
        assert_eq!(stops.asked(), None);
        assert_eq!(
            stops.remark.unwrap(),
            "stereo-music stops here (at most -1.0 dBTP): kept as it is"
        );
    }

    #[test]
    fn what_one_file_has_not_is_not_asked_of_it() {
        let spreads = own("loudness.integrated", "LUFS", &[-12.0; 6]);
        let all = proposals(&spreads, &profile("stereo-music"), 7);
        assert_eq!(all[0].remark.as_deref(), Some("only 6 of 7 files have it"));
    }

    // stereo-music advises on more than 10 s of silence at the end.
    #[test]
    fn a_looser_limit_says_so_and_keeps_the_side_of_the_profiles_own() {
        let proposal = one("edges.trailing_silence", "s", &[2.0, 12.0, 3.0, 4.0, 5.0]);
        assert_eq!((proposal.at_least, proposal.at_most), (None, Some(17.0)));
        let remark = proposal.remark.unwrap();
        assert!(
            remark.starts_with("looser than the profile's own: at most 10"),
            "{remark}"
        );
    }

    #[test]
    fn a_limit_that_all_keep_is_not_made_looser() {
        let proposal = one("edges.trailing_silence", "s", &[2.0, 9.0, 3.0, 4.0, 5.0]);
        assert_eq!(proposal.asked(), None);
        let remark = proposal.remark.unwrap();
        assert!(
            remark.starts_with("all keep the profile's own limit (at most 10"),
            "{remark}"
        );
        let closer = one("edges.trailing_silence", "s", &[1.0, 2.0, 1.5, 1.0, 1.0]);
        assert_eq!(closer.at_most, Some(2.5));
        assert_eq!(closer.remark, None);
    }

    #[test]
    fn an_aim_that_the_own_masters_miss_is_told() {
        let spreads = own(
            "loudness.integrated",
            "LUFS",
            &[-21.0, -20.5, -22.0, -21.8, -19.5],
        );
        let told = &proposals(&spreads, &profile("immersive-music"), 5)[0];
        let remark = told.remark.as_deref().unwrap();
        assert!(
            remark.ends_with(
                "; all lie below its aim of -19.0 LUFS, which advises: `advise_below` moves it"
            ),
            "{remark}"
        );
    }

    #[test]
    fn the_profile_loads_and_holds_limits_and_yardsticks() {
        let values = [-12.0, -10.0, -9.0, -8.0, -11.0];
        let mut spreads = own("loudness.integrated", "LUFS", &values);
        spreads.extend(own("translation.telephone_band", "LU", &values));
        let profile = profile("stereo-music");
        let proposals = proposals(&spreads, &profile, values.len());
        let text = Draft {
            name: "ours",
            profile: &profile,
            spreads: &spreads,
            proposals: &proposals,
            files: values.len(),
            date: "2026-05-04",
        }
        .toml();
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("ours.toml");
        write(&path, &text).unwrap();
        assert!(write(&path, &text).is_err(), "nothing is written over");
        let (set, name) =
            judge::load_profile_file(None, &path).unwrap_or_else(|error| panic!("{error}\n{text}"));
        let ours = set.get(&name).unwrap();
        assert!(matches!(
            ours.limits["loudness.integrated"].rule,
            Rule::Within(-14.0, -6.0)
        ));
        assert_eq!(
            ours.limits["loudness.integrated"].source,
            "own masters, 5 files, 2026-05-04"
        );
        let yardstick = &ours.yardsticks["translation.telephone_band"];
        assert_eq!(
            (
                yardstick.lowest,
                yardstick.median,
                yardstick.highest,
                yardstick.files
            ),
            (-12.0, -10.0, -8.0, 5)
        );
        assert_eq!(ours.limits["peaks.true_peak"].severity, Severity::Stop);
    }
}
