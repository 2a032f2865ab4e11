//! Every check of the catalogue against every way of not being measured: none ends as clear.

use super::*;
use crate::adm::Model;
use crate::profile::Takes;

/// What a file is like in which something was not measured.
struct Way {
    name: &'static str,
    file: File,
    adm: Adm,
    against: Against,
    /// The checks that cannot be read in such a file.
    hits: fn(&Check) -> bool,
}

#[derive(Clone, Copy, PartialEq)]
enum Adm {
    None,
    NotRendered,
}

#[derive(Clone, Copy, PartialEq)]
enum Against {
    Nothing,
    NotCompared,
}

fn group(check: &Check) -> &'static str {
    check.id.split('.').next().unwrap_or_default()
}

fn is_of_the_name(check: &Check) -> bool {
    group(check) == "name"
}

fn needs_labels(check: &Check) -> bool {
    matches!(group(check), "loudness" | "translation")
        || matches!(check.id, "format.layout" | "peaks.peak_to_loudness")
        || check.id.starts_with("channels.lfe")
        || check.id == "channels.channel_order"
}

fn needs_a_render(check: &Check) -> bool {
    const FROM_METADATA: [&str; 8] = [
        "file-truncated",
        "ds64",
        "chunk-",
        "format-",
        "chna-",
        "axml-",
        "adm-",
        "limit-",
    ];
    let of_metadata = |name: &str| FROM_METADATA.iter().any(|begin| name.starts_with(begin));
    match check.id.split_once('.') {
        Some(("immersive", "track_count" | "audio-empty")) => false,
        Some(("immersive", name)) => !of_metadata(name),
        Some(("loudness", _)) => true,
        _ => matches!(
            check.id,
            "peaks.true_peak" | "peaks.peak_to_loudness" | "peaks.inter_sample_over"
        ),
    }
}

fn without_loudness(why: NotMeasured) -> File {
    let mut file = file("2.0");
    file.measured().loudness = Measured::Not(why);
    file.measured().peaks.true_peak_dbtp = None;
    file.measured().peaks.peak_to_loudness_lu = None;
    file.measured().frames = Frames(480);
    file
}

/// A meter that did not run for any check.
fn not_asked() -> File {
    let mut file = file("2.0");
    file.measured().survey = None;
    file
}

fn too_short() -> File {
    let mut file = file("2.0");
    file.measured().frames = Frames(4_800);
    let loudness = file.loudness();
    loudness.integrated_lufs = None;
    loudness.momentary_max_lufs = None;
    loudness.short_term_max_lufs = None;
    loudness.range_lu = None;
    file.measured().peaks.peak_to_loudness_lu = None;
    file
}

fn ways() -> Vec<Way> {
    let way = |name, file, hits| Way {
        name,
        file,
        adm: Adm::None,
        against: Against::Nothing,
        hits,
    };
    let mut unread = file("2.0").unreadable("it is plain text");
    unread.format = None;
    let why = "no programme".to_owned();
    vec![
        way("unread", unread, |check| !is_of_the_name(check)),
        way("no labels", file("5.1").unlabelled(), needs_labels),
        way("not asked", not_asked(), |check| !check.needs.is_empty()),
        way("no mix, no metadata", file("2.0"), |check| {
            matches!(group(check), "movement" | "versions" | "immersive")
        }),
        Way {
            against: Against::NotCompared,
            ..way("mix away", file("2.0"), |check| {
                matches!(group(check), "movement" | "versions")
            })
        },
        Way {
            adm: Adm::NotRendered,
            ..way(
                "not rendered",
                without_loudness(NotMeasured::NotRendered { why }),
                needs_a_render,
            )
        },
        way("too short", too_short(), |check| {
            group(check) == "loudness"
                || check.id == "peaks.peak_to_loudness"
                || check.least_s > 0.01
        }),
    ]
}

/// The widest limit that a profile can set on a check, and that stops: anything measured keeps it.
fn widest_limit(check: &Check) -> String {
    let rule = match check.takes {
        Takes::Number => "at_most = 1e9".to_owned(),
        Takes::Word(words) => format!("one_of = {words:?}"),
        Takes::Layout => "one_of = [\"2.0\", \"5.1\", \"7.1.4\"]".to_owned(),
        Takes::Text => "matches = '.*'".to_owned(),
        Takes::Fields(_) => "required = [\"bext.originator\"]".to_owned(),
        Takes::Fault => "never = true".to_owned(),
    };
    format!("[limits.\"{}\"]\n{rule}\nseverity = \"stop\"\n", check.id)
}

#[test]
fn a_limit_on_what_was_not_measured_never_ends_as_clear() {
    let limits: String = catalogue()
        .iter()
        .filter(|check| !check.always)
        .map(widest_limit)
        .collect();
    let all = house(&limits);
    let model = Model::default();
    for way in ways() {
        let facts = Facts {
            adm: (way.adm == Adm::NotRendered).then_some(AdmRead {
                model: &model,
                findings: &[],
                scene: None,
                not_rendered: Some("no programme"),
            }),
            against: (way.against == Against::NotCompared).then_some(AgainstRead {
                mix: Some(OsStr::new("mix.wav")),
                result: Err("the mix is not there"),
            }),
            ..way.file.facts()
        };
        let judgement = judge(&facts, &all);
        let mut hit = 0;
        for check in catalogue().iter().filter(|check| !check.always) {
            if !(way.hits)(check) {
                continue;
            }
            hit += 1;
            let found: Vec<&Finding> = (judgement.findings.iter())
                .filter(|finding| finding.check == check.id)
                .collect();
            assert!(!found.is_empty(), "{}: {} is not told", way.name, check.id);
            for finding in found {
                let told = (finding.outcome == Outcome::Unmeasured
                    && finding.not_measured.is_some())
                    // That there was no comparison is this check's own fault to tell.
                    || (check.id == "movement.not_compared" && finding.outcome == Outcome::Stop);
                assert!(told, "{}: {finding:?}", way.name);
            }
            // Alone in a profile it decides the verdict.
            let alone = judge(&facts, &house(&widest_limit(check)));
            assert_ne!(alone.verdict, Verdict::Clear, "{}: {}", way.name, check.id);
        }
        assert!(hit > 0, "{} hits no check", way.name);
    }
}

// Of two checks on peaks one must not cut the other's data: what is listed for the one is what the
// other reads.
#[test]
fn a_lenient_limit_on_the_true_peak_leaves_peaks_between_samples_to_be_found() {
    let limits = "[limits.\"peaks.true_peak\"]\nat_most = 3.5\n[limits.\"peaks.inter_sample_over\"]\nnever = true";
    assert!(over_ceiling_dbtp(&house(limits)) <= 0.01);
}

#[test]
fn a_tone_over_full_scale_in_a_master_that_is_not_rendered_is_not_called_silent() {
    let loud = without_loudness(NotMeasured::NotRendered {
        why: "no programme".into(),
    });
    let judgement = loud.by_limits("[limits.\"peaks.true_peak\"]\nat_most = -1.0");
    assert_eq!(judgement.verdict, Verdict::Stop);
    let found = finding(&judgement, "peaks.true_peak");
    assert_eq!(found.outcome, Outcome::Unmeasured);
    assert!(
        found.says.contains("could not be rendered"),
        "{}",
        found.says
    );
}

#[test]
fn silence_is_a_value_that_keeps_every_upper_limit_on_a_peak_and_no_lower_one() {
    let mut silent = file("2.0");
    silent.measured().peaks = Peaks::default();
    let by = |rule: &str| {
        let limits = format!("[limits.\"peaks.true_peak\"]\n{rule}");
        silent.by_limits(&limits).verdict
    };
    assert_eq!(by("at_most = -1.0"), Verdict::Clear);
    assert_eq!(by("at_least = -20.0"), Verdict::Stop);
}
