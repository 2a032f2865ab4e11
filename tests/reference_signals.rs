//! The house's own list of test signals against the reference set's list, where that lies beside
//! the project: same signals, same labels, same expectations; and two files of Report ITU-R
//! BS.2217's material through the whole of `weigh`.
//!
//! Without the reference set the tests say so and pass: `cargo test` alone works anywhere.

use std::collections::BTreeSet;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use toml::{Table, Value};
use weighbridge::layout::Label;
use weighbridge::measure::signals::{self, Case, Quantity};
use weighbridge::units::Lufs;
use weighbridge::weigh::{Request, weigh};

fn reference() -> Option<PathBuf> {
    let root = match std::env::var_os("WEIGHBRIDGE_REFERENCE") {
        Some(root) => PathBuf::from(root),
        None => Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/reference"),
    };
    let folder = root.join("loudness");
    if folder.join("expected.toml").exists() {
        return Some(folder);
    }
    println!("skipped: no reference set at {}", folder.display());
    None
}

/// What the reference set calls a quantity, and what the house calls it. Its live meters'
/// minima are left out: a file has maxima.
const QUANTITIES: [(&str, Option<Quantity>); 7] = [
    ("integrated", Some(Quantity::Integrated)),
    ("momentary_max", Some(Quantity::MomentaryMax)),
    ("short_term_max", Some(Quantity::ShortTermMax)),
    ("loudness_range", Some(Quantity::LoudnessRange)),
    ("true_peak", Some(Quantity::TruePeak)),
    ("short_term_min", None),
    ("momentary_min_after_1s", None),
];

/// The house's name of a signal that the reference set calls `file`.
fn our_name(file: &str) -> String {
    let name = file.strip_suffix(".wav").unwrap_or(file);
    match name {
        "tech3341-11" | "tech3341-14" => return format!("{name}-to-20"),
        "gate-abs-all-below" => return "gate-all-below".into(),
        "gate-abs-just-above" => return "gate-just-above".into(),
        "gate-rel-in" => return "gate-relative-in".into(),
        "gate-rel-out" => return "gate-relative-out".into(),
        "too-short-399ms" => return "shorter-than-a-block".into(),
        "cal-997-mono-48000" => return "calibration-997-1.0-48000".into(),
        _ => {}
    }
    if let Some(rest) = name.strip_prefix("cal-997-") {
        return format!("calibration-997-2.0-{}", &rest[2..]);
    }
    if let Some((frequency, rate)) = name.strip_prefix("freq-").and_then(|r| r.split_once('-')) {
        return format!("response-{}-{rate}", frequency.trim_start_matches('0'));
    }
    match name.strip_prefix("chan-") {
        // Two masks and two orders of one set of labels: the meters know labels only.
        Some(rest) => {
            format!(
                "weight-{}",
                rest.replace("5.1-side", "5.1")
                    .replace("7.1.4-2051", "7.1.4")
            )
        }
        None => name.to_owned(),
    }
}

fn number(table: &Table, key: &str) -> f64 {
    match &table[key] {
        Value::Float(number) => *number,
        Value::Integer(number) => *number as f64,
        other => panic!("{key} is {other}"),
    }
}

fn labels_of(case: &Table) -> Vec<&str> {
    let labels = case["labels"].as_array().expect("a list of labels");
    labels.iter().filter_map(Value::as_str).collect()
}

/// The case's samples in the reference set's channel order, tone in the channel it names.
fn samples(ours: &Case, labels: &[&str], file: &str) -> Vec<Vec<f64>> {
    let mut samples = ours.samples();
    if file.starts_with("cal-997-R-") {
        samples.swap(0, 1);
    }
    labels
        .iter()
        .map(|label| {
            let at = ours.labels.iter().position(|own| own.as_str() == *label);
            samples[at.unwrap_or_else(|| panic!("{file}: no channel {label}"))].clone()
        })
        .collect()
}

#[test]
fn every_signal_of_the_reference_set_is_in_our_list_and_reads_what_the_set_expects() {
    let Some(folder) = reference() else { return };
    let text = std::fs::read_to_string(folder.join("expected.toml")).unwrap();
    let expected: Table = text.parse().unwrap();
    let theirs = expected["case"].as_array().unwrap();
    let cases = signals::cases();
    let (mut held, mut wrong) = (0, Vec::new());
    for case in theirs.iter().filter_map(Value::as_table) {
        let file = case["file"].as_str().unwrap();
        let name = our_name(file);
        let Some(ours) = cases.iter().find(|ours| ours.name == name) else {
            wrong.push(format!("{file}: no signal {name} in our list"));
            continue;
        };
        let rate = u32::try_from(case["rate"].as_integer().unwrap()).unwrap();
        assert_eq!(ours.sample_rate.value(), rate, "{file}");
        let labels = labels_of(case);
        let own: BTreeSet<&str> = ours.labels.iter().map(Label::as_str).collect();
        assert_eq!(own, labels.iter().copied().collect(), "{file}");
        let parsed = labels.iter().map(|label| label.parse().unwrap()).collect();
        let measured = signals::measure(
            &samples(ours, &labels, file),
            ours.sample_rate,
            Some(parsed),
            4096,
        );
        for (key, wanted) in case
            .iter()
            .filter_map(|(key, v)| Some((key, v.as_table()?)))
        {
            let known = QUANTITIES.iter().find(|(name, _)| name == key);
            let (_, quantity) = known.unwrap_or_else(|| panic!("{file}: a new quantity {key}"));
            let Some(quantity) = quantity else { continue };
            held += 1;
            let read = quantity.of(&measured);
            let listed = ours.expected.iter().find(|e| e.quantity == *quantity);
            let (good, alike) = match wanted.contains_key("none") {
                true => (read.is_none(), listed.is_none_or(|own| own.value.is_none())),
                false => {
                    let value = number(wanted, "value");
                    let (plus, minus) = (number(wanted, "plus"), number(wanted, "minus"));
                    let within = |read: f64| (value - minus..=value + plus).contains(&read);
                    // Both lists round what they compute, the reference set to 0.01.
                    let alike = listed.is_none_or(|own| {
                        own.value.is_some_and(|own| (own - value).abs() <= 0.0051)
                            && (own.plus, own.minus) == (plus, minus)
                    });
                    (read.is_some_and(within), alike)
                }
            };
            if !good {
                wrong.push(format!("{file} {key}: read {read:?}, expected {wanted}"));
            }
            if !alike {
                wrong.push(format!(
                    "{file} {key}: our list has {listed:?}, it {wanted}"
                ));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(
        theirs.len() >= 161 && held >= 160,
        "{held} of {}",
        theirs.len()
    );
}

// Report ITU-R BS.2217, compliance material: absolute gate -69.5, relative gate -10.0 LKFS, each
// +-0.1 LU.
#[test]
fn the_gate_files_of_bs_2217_read_what_the_report_says() {
    let Some(folder) = reference() else { return };
    let profiles = weighbridge::judge::load_profiles(None).unwrap();
    for (file, wanted) in [
        ("1770-2_Comp_AbsGateTest.wav", -69.5),
        ("1770-2_Comp_RelGateTest.wav", -10.0),
    ] {
        let path = folder.join("data").join(file);
        let request = Request::new(&path, profiles.get("any-audio").unwrap());
        let weighed = weigh(&request, &mut |_, _| ControlFlow::Continue(())).unwrap();
        let loudness = weighed.measurements.unwrap().loudness.ok().unwrap();
        let read = loudness.integrated_lufs.map(Lufs::value).unwrap();
        assert!((read - wanted).abs() <= 0.1, "{file}: {read}");
    }
}
