//! The outside references' labelled examples: files with one fault each, clean ones, and files
//! that only look faulty, weighed by the profile that looks for everything. Needs the references
//! and `python3` with numpy to make them; without either a test says so and passes.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;
use weighbridge::judge::{Finding, Outcome, Verdict};
use weighbridge::weigh::{Request, Weighed, weigh};

/// The examples' README: "Detections are compared by class, by channel, and by time with 50 ms
/// of tolerance."
const TOLERANCE_S: f64 = 0.05;

fn made() -> Option<(tempfile::TempDir, Vec<Value>)> {
    let root = match std::env::var_os("WEIGHBRIDGE_REFERENCE") {
        Some(root) => PathBuf::from(root),
        None => Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/reference"),
    };
    let script = root.join("defects/make_examples.py");
    if !script.exists() {
        println!("skipped: no {}", script.display());
        return None;
    }
    let has_numpy = Command::new("python3")
        .args(["-c", "import numpy"])
        .output();
    if !has_numpy.is_ok_and(|output| output.status.success()) {
        println!("skipped: the generator needs python3 with numpy");
        return None;
    }
    let folder = tempfile::tempdir().unwrap();
    let output = Command::new("python3")
        .arg(script)
        .arg(folder.path())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    let labels = std::fs::read(folder.path().join("labels.json")).unwrap();
    let labels: Value = serde_json::from_slice(&labels).unwrap();
    assert_eq!(labels["schema"], "defect-labels/1");
    let files = labels["files"].as_array().unwrap().clone();
    Some((folder, files))
}

fn weighed(path: &Path) -> Weighed {
    let profiles = weighbridge::judge::load_profiles(None).unwrap();
    let request = Request::new(path, profiles.get("fault-finding").unwrap());
    weigh(&request, &mut |_, _| ControlFlow::Continue(())).unwrap()
}

fn alarms(weighed: &Weighed) -> impl Iterator<Item = &Finding> {
    let findings = weighed.judgement.findings.iter();
    findings.filter(|finding| matches!(finding.outcome, Outcome::Advise | Outcome::Stop))
}

/// Whether one of the findings is of that fault, where and on whom the label says.
fn is_found(weighed: &Weighed, fault: &Value) -> bool {
    let class = fault["class"].as_str().unwrap();
    let names: Vec<&str> = match &weighed.measurements {
        Some(measured) => measured.channels.iter().map(|c| c.label.as_str()).collect(),
        None => Vec::new(),
    };
    alarms(weighed)
        .filter(|finding| finding.check.split('.').nth(1) == Some(class))
        .any(|finding| {
            let Some(at) = fault["t"].as_f64() else {
                return true;
            };
            finding.places.iter().any(|place| {
                let near = place.start_s.0 - TOLERANCE_S <= at
                    && at <= place.end_s.0.max(place.start_s.0) + TOLERANCE_S;
                let on = match (fault["channels"].as_array(), &place.channel) {
                    (Some(channels), Some(name)) => channels
                        .iter()
                        .any(|c| names[c.as_u64().unwrap() as usize] == name),
                    _ => true,
                };
                near && on
            })
        })
}

#[test]
fn every_labelled_fault_is_found_where_the_label_says_and_nothing_else_stops() {
    let Some((folder, files)) = made() else {
        return;
    };
    let mut wrong = Vec::new();
    for file in &files {
        let name = file["file"].as_str().unwrap();
        let weighed = weighed(&folder.path().join(name));
        let faults = file["faults"].as_array().unwrap();
        for fault in faults {
            if !is_found(&weighed, fault) {
                wrong.push(format!("{name}: not found: {fault}"));
            }
        }
        // "Nothing in those 6 may stop a file; a note is fine." Clean ones are not even advised on.
        let group = file["group"].as_str().unwrap();
        if group != "fault" && matches!(weighed.judgement.verdict, Verdict::Stop | Verdict::Unread)
        {
            wrong.push(format!("{name}: {}", weighed.judgement.reason));
        }
        let labelled = |finding: &&Finding| {
            let class = finding.check.split('.').nth(1).unwrap_or_default();
            faults.iter().any(|fault| fault["class"] == class)
        };
        if group == "clean" || group == "fault" {
            let others: Vec<String> = alarms(&weighed)
                .filter(|finding| !labelled(finding))
                .map(|finding| format!("{}: {}", finding.check, finding.says))
                .collect();
            if !others.is_empty() {
                wrong.push(format!("{name}: told besides: {others:?}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
