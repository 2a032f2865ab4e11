//! Whole immersive masters, from the file to the figures, against the reference renderer of
//! BS.2127 (ear 2.1.0) and an independent measurement: the outside references' seeded masters and
//! what they say of them. Needs the references and `python3` with numpy to make the masters;
//! without either a test says so and passes.

use std::collections::BTreeSet;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;
use weighbridge::judge::{Outcome, Verdict};
use weighbridge::measure::Measurements;
use weighbridge::weigh::{Request, Weighed, weigh};

fn reference() -> Option<PathBuf> {
    let root = match std::env::var_os("WEIGHBRIDGE_REFERENCE") {
        Some(root) => PathBuf::from(root),
        None => Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/reference"),
    };
    let folder = root.join("immersive");
    if folder.join("make_masters.py").exists() {
        return Some(folder);
    }
    println!("skipped: no reference files at {}", folder.display());
    None
}

/// Runs a generator of the references; `None` where python3 or numpy is missing.
fn made(script: &Path, arguments: &[&str]) -> Option<tempfile::TempDir> {
    let folder = tempfile::tempdir().unwrap();
    let has_numpy = Command::new("python3")
        .args(["-c", "import numpy"])
        .output();
    if !has_numpy.is_ok_and(|output| output.status.success()) {
        println!("skipped: the generators need python3 with numpy");
        return None;
    }
    let output = Command::new("python3")
        .arg(script)
        .arg(folder.path())
        .args(arguments)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    Some(folder)
}

fn weighed(path: &Path, renders: &[String]) -> Weighed {
    let profiles = weighbridge::judge::load_profiles(None).unwrap();
    let request = Request {
        renders,
        ..Request::new(path, profiles.get("immersive-music").unwrap())
    };
    weigh(&request, &mut |_, _| ControlFlow::Continue(())).unwrap()
}

fn render<'a>(weighed: &'a Weighed, layout: &str) -> &'a Measurements {
    let immersive = weighed
        .measurements
        .as_ref()
        .unwrap()
        .immersive
        .as_ref()
        .unwrap();
    let of_layout = |m: &&Measurements| m.measured_on.as_ref().unwrap().layout == layout;
    immersive.renders.iter().find(of_layout).unwrap()
}

/// Tolerances: the references' README ("Fair tolerances": RMS 0.01 dB, loudness 0.05 LU, true
/// peak 0.2 dB, for the interpolation filter of BS.1770-5 Annex 2 is a guideline).
fn agrees(case: &str, weighed: &Weighed, expected: &Value) {
    for (layout, wanted) in expected["layouts"].as_object().unwrap() {
        let read = render(weighed, layout);
        assert_eq!(
            read.frames.0,
            wanted["samples"].as_u64().unwrap(),
            "{case} {layout}"
        );
        let near = |what: &str, read: Option<f64>, wanted: &Value, by: f64| match wanted.as_f64() {
            Some(wanted) => {
                let read = read.unwrap_or(f64::NEG_INFINITY);
                assert!(
                    (read - wanted).abs() <= by,
                    "{case} {layout} {what}: {read} for {wanted}"
                );
            }
            None => assert!(
                read.is_none_or(|read| read < -200.0),
                "{case} {layout} {what}: {read:?}"
            ),
        };
        let loudness = read.loudness.get().unwrap();
        let integrated = loudness.integrated_lufs.map(|l| l.value());
        near("integrated", integrated, &wanted["integrated_lkfs"], 0.05);
        let peak = read.peaks.true_peak_dbtp.map(|p| p.value());
        near("true peak", peak, &wanted["true_peak_dbtp"], 0.2);
        let labels: Vec<&str> = read.channels.iter().map(|c| c.label.as_str()).collect();
        let names: Vec<&str> = wanted["channels"]
            .as_array()
            .unwrap()
            .iter()
            .map(|n| n.as_str().unwrap())
            .collect();
        assert_eq!(labels, names, "{case} {layout}");
        for (index, channel) in read.channels.iter().enumerate() {
            let at = format!("channel {}", channel.label);
            near(
                &at,
                channel.rms_dbfs.map(|l| l.value()),
                &wanted["rms_dbfs"][index],
                0.01,
            );
            let peak = channel.sample_peak_dbfs.map(|l| l.value());
            near(&at, peak, &wanted["peak_dbfs"][index], 0.01);
        }
    }
}

#[test]
fn every_layout_of_the_seeded_masters_reads_what_the_reference_reads() {
    let Some(folder) = reference() else { return };
    let Some(masters) = made(&folder.join("make_masters.py"), &[]) else {
        return;
    };
    for case in ["a", "b", "c"] {
        // Seed 1 of each; the others are the same kinds with other numbers.
        let text = std::fs::read(folder.join(format!("expected/{case}_seed1.json"))).unwrap();
        let expected: Value = serde_json::from_slice(&text).unwrap();
        let renders: Vec<String> = expected["layouts"]
            .as_object()
            .unwrap()
            .keys()
            .cloned()
            .collect();
        let path = masters.path().join(expected["file"].as_str().unwrap());
        let weighed = weighed(&path, &renders);
        agrees(case, &weighed, &expected);
        let Some(balance) = expected.get("balance_0+5+0") else {
            continue;
        };
        let immersive = weighed
            .measurements
            .as_ref()
            .unwrap()
            .immersive
            .as_ref()
            .unwrap();
        for (part, read) in [
            ("bed", &immersive.parts.bed),
            ("objects", &immersive.parts.objects),
        ] {
            let Some(wanted) = balance[format!("{part}_lkfs")].as_f64() else {
                continue;
            };
            let read = read
                .as_ref()
                .and_then(|l| l.integrated_lufs)
                .unwrap()
                .value();
            assert!(
                (read - wanted).abs() <= 0.05,
                "{case} {part} alone: {read} for {wanted}"
            );
        }
    }
}

/// The list of faults and what may be named besides: `expected.toml` of the references.
#[test]
fn each_fault_of_the_reference_set_is_named_and_nothing_else() {
    let Some(folder) = reference() else { return };
    let Some(masters) = made(&folder.join("make_faulty.py"), &[]) else {
        return;
    };
    let text = std::fs::read_to_string(folder.join("expected.toml")).unwrap();
    let expected: toml::Table = toml::from_str(&text).unwrap();
    for file in expected["file"].as_array().unwrap() {
        let name = file["name"].as_str().unwrap();
        let class = file["class"].as_str().unwrap();
        let weighed = weighed(&masters.path().join(name), &[]);
        let found: BTreeSet<String> = weighed
            .judgement
            .findings
            .iter()
            .filter(|finding| matches!(finding.outcome, Outcome::Stop | Outcome::Advise))
            // Numbers that a profile limits are no fault classes, and follow from some of them.
            .filter(|finding| {
                let check = weighbridge::judge::check(&finding.check).unwrap();
                check.takes == weighbridge::profile::Takes::Fault
            })
            .filter_map(|finding| finding.check.strip_prefix("immersive."))
            .map(str::to_owned)
            .collect();
        let mut allowed: BTreeSet<String> = file
            .get("also")
            .and_then(|also| also.as_array())
            .into_iter()
            .flatten()
            .map(|also| also.as_str().unwrap().to_owned())
            .collect();
        allowed.insert("loudness-metadata-disagrees".to_owned());
        match file["severity"].as_str().unwrap() {
            "none" => assert_eq!(
                weighed.judgement.verdict,
                Verdict::Clear,
                "{name}: {found:?}"
            ),
            "fail" => {
                assert!(
                    !weighed.judgement.verdict.goes_on(),
                    "{name} must not leave"
                );
                assert!(found.contains(class), "{name}: {found:?}");
                allowed.insert(class.to_owned());
            }
            _ => {
                assert!(found.contains(class), "{name}: {found:?}");
                allowed.insert(class.to_owned());
            }
        }
        assert!(
            found.is_subset(&allowed),
            "{name}: {found:?}, allowed {allowed:?}"
        );
    }
}
