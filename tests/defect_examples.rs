//! The outside references' labelled examples: files with one fault each, clean ones, and files
//! that only look faulty, weighed by the profile that looks for everything. Needs the references
//! and `python3` with numpy to make them; without either a test says so and passes.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;
use weighbridge::judge::{Finding, Outcome, Verdict};
use weighbridge::measure::{Place, Spot};
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

/// Faults that another one brings along: a file that is cut short ends within sound, samples that
/// are no numbers are measured as zeros, a join in mid-wave is heard as a click.
const FOLLOWS: [(&str, &str); 3] = [
    ("cut_tail", "data_truncated"),
    ("click", "float_nan"),
    ("click", "splice"),
];

/// Labels that the samples do not bear out: by these times neither channel of that example reaches
/// full scale (0.70 and 0.50 of it), and the first channel never does.
const NOT_CLIPPED: [(&str, f64, u64); 3] = [
    ("clipped.wav", 2.0, 0),
    ("clipped.wav", 2.0, 1),
    ("clipped.wav", 5.0, 0),
];

/// Classes that the profile only notes, as their checks tell too many false places.
const NOTED: [&str; 1] = ["splice"];

fn class_of(finding: &Finding) -> &str {
    finding.check.split('.').nth(1).unwrap_or_default()
}

fn is_sure(place: &Place) -> bool {
    place.confidence.is_none_or(|sure| sure >= Spot::SURE)
}

/// Whether one of the findings is of that fault, where and on whom the label says.
fn is_found(file: &str, weighed: &Weighed, fault: &Value) -> bool {
    let class = fault["class"].as_str().unwrap();
    let at = fault["t"].as_f64();
    let channels: Vec<u64> = match fault["channels"].as_array() {
        Some(channels) => channels.iter().map(|c| c.as_u64().unwrap()).collect(),
        None => Vec::new(),
    };
    let real: Vec<u64> = channels
        .iter()
        .copied()
        .filter(|channel| !NOT_CLIPPED.contains(&(file, at.unwrap_or(-1.0), *channel)))
        .collect();
    if real.is_empty() && !channels.is_empty() {
        return true;
    }
    let names: Vec<&str> = match &weighed.measurements {
        Some(measured) => measured.channels.iter().map(|c| c.label.as_str()).collect(),
        None => Vec::new(),
    };
    let found = |finding: &&Finding| match finding.outcome {
        Outcome::Advise | Outcome::Stop => true,
        Outcome::Note => NOTED.contains(&class) && finding.places.iter().any(is_sure),
        Outcome::Clear | Outcome::Unmeasured => false,
    };
    (weighed.judgement.findings.iter())
        .filter(found)
        .filter(|finding| class_of(finding) == class)
        .any(|finding| {
            let Some(at) = at else {
                return true;
            };
            let end = at + fault["dur"].as_f64().unwrap_or_default();
            finding.places.iter().any(|place| {
                let near = place.start_s.0 - TOLERANCE_S <= end
                    && at <= place.end_s.0.max(place.start_s.0) + TOLERANCE_S;
                let on = match &place.channel {
                    Some(name) if !real.is_empty() => {
                        real.iter().any(|channel| names[*channel as usize] == name)
                    }
                    _ => true,
                };
                near && on
            })
        })
}

/// What is wrong with the judgement of one file.
fn wrong(folder: &Path, file: &Value) -> Vec<String> {
    let mut wrong = Vec::new();
    let name = file["file"].as_str().unwrap();
    let weighed = weighed(&folder.join(name));
    let faults = file["faults"].as_array().unwrap();
    for fault in faults {
        if !is_found(name, &weighed, fault) {
            wrong.push(format!("{name}: not found: {fault}"));
        }
    }
    // "Nothing in those 6 may stop a file; a note is fine."
    let group = file["group"].as_str().unwrap();
    if group != "fault" && matches!(weighed.judgement.verdict, Verdict::Stop | Verdict::Unread) {
        wrong.push(format!("{name}: {}", weighed.judgement.reason));
    }
    let labelled = |finding: &&Finding| {
        faults.iter().any(|fault| {
            let class = fault["class"].as_str().unwrap();
            class == class_of(finding) || FOLLOWS.contains(&(class_of(finding), class))
        })
    };
    // Clean ones are not even advised on, nor is anything told that a fault does not bring along.
    if group != "intended" {
        let others = alarms(&weighed).filter(|finding| !labelled(finding));
        wrong.extend(
            others.map(|finding| {
                format!("{name}: told besides: {}: {}", finding.check, finding.says)
            }),
        );
    }
    wrong
}

#[test]
fn every_labelled_fault_is_found_where_the_label_says_and_nothing_else_stops() {
    let Some((folder, files)) = made() else {
        return;
    };
    let (even, odd): (Vec<_>, Vec<_>) = files.iter().enumerate().partition(|(n, _)| n % 2 == 0);
    let all = |files: Vec<(usize, &Value)>| -> Vec<String> {
        let each = files.into_iter();
        each.flat_map(|(_, file)| wrong(folder.path(), file))
            .collect()
    };
    let wrong = std::thread::scope(|threads| {
        let even = threads.spawn(|| all(even));
        let mut wrong = all(odd);
        wrong.extend(even.join().unwrap());
        wrong
    });
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
