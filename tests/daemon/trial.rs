//! `weigh` and `trial` as they are typed: by what they judge, what does not fit, what they leave
//! behind.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;

use crate::support::*;

fn ask(words: &[&str]) -> Output {
    let mut command = Command::new(BINARY);
    command.args(words).env_remove("WEIGHBRIDGE_CONFIG");
    command.output().unwrap()
}

fn text(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// Standard error on one line.
fn remarks(output: &Output) -> String {
    let all = String::from_utf8_lossy(&output.stderr);
    all.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn status(output: &Output) -> i32 {
    output.status.code().unwrap()
}

/// Everything below a folder with its bytes.
fn contents(folder: &Path) -> Vec<(std::path::PathBuf, Vec<u8>)> {
    let mut all = Vec::new();
    list_below(folder, &mut all);
    all.sort();
    all.retain(|path| path.is_file());
    all.into_iter()
        .map(|path| (path.clone(), fs::read(path).unwrap()))
        .collect()
}

/// Six masters, each 2 dB louder than the one before, one of them too loud for 14 LUFS; a file that
/// is no audio; junk.
fn approved(house: &House) -> std::path::PathBuf {
    let folder = house.folder("approved");
    fs::create_dir(folder.join("album")).unwrap();
    for n in 0..6 {
        let amplitude = 0.05 * 10f64.powf(f64::from(n) * 2.0 / 20.0);
        let name = format!("album/0{n} song.wav");
        // One tone for all: the weighting of loudness depends on its pitch.
        put(&folder.join(&name), &wav(1.0, amplitude, "song"));
    }
    put(&folder.join("._junk.wav"), b"junk");
    put(&folder.join("notes.txt"), b"notes");
    folder
}

#[test]
fn a_trial_changes_nothing_and_its_profile_tells_no_more_than_before() {
    let house = House::new();
    let folder = approved(&house);
    let before = contents(&folder);
    let proposed = house.path("ours.toml");
    let (folder_typed, proposed_typed) = (folder.to_str().unwrap(), proposed.to_str().unwrap());
    let trial = |more: &[&str]| ask(&[&["trial", folder_typed], more].concat());
    let said = trial(&["--profile", "stereo-music", "--propose", proposed_typed]);
    assert_eq!(remarks(&said), "");
    let told = text(&said);
    assert!(told.starts_with("trial: 6 files: "), "{told}");
    let flat = told.split_whitespace().collect::<Vec<_>>().join(" ");
    for part in [
        "(nothing was changed)",
        "profile stereo-music: --profile stereo-music",
        "integrated loudness, LUFS",
        "lowest album/00 song.wav, highest album/05 song.wav",
        "stereo-music stops here (at most -1.0 dBTP): kept as it is",
        "telephone band against",
    ] {
        assert!(flat.contains(part), "{part:?} is missing:\n{told}");
    }
    assert!(
        told.lines().all(|line| line.chars().count() <= 100),
        "{told}"
    );
    assert_eq!(contents(&folder), before, "nothing was changed");

    // Never over a file.
    let again = trial(&["--propose", proposed_typed]);
    assert_eq!(status(&again), 2);
    assert!(
        remarks(&again).contains("is there already"),
        "{}",
        remarks(&again)
    );

    let counts = |profile: &str| {
        let output = trial(&["--profile", profile, "--json"]);
        let report: Value = serde_json::from_slice(&output.stdout).unwrap();
        report["groups"][0].clone()
    };
    let (first, second) = (counts("stereo-music"), counts(proposed_typed));
    assert_eq!(first["verdicts"], second["verdicts"]);
    let advises = |group: &Value| -> u64 {
        let checks = group["checks"].as_array().unwrap();
        checks
            .iter()
            .map(|row| row["advise"].as_u64().unwrap())
            .sum()
    };
    assert!(advises(&second) <= advises(&first), "{second}");
    // Loudness follows the gain (ITU-R BS.1770-5): the ends lie 5 steps of 2 dB apart.
    let figures = first["figures"].as_array().unwrap();
    let integrated = figures
        .iter()
        .find(|f| f["figure"] == "loudness.integrated")
        .unwrap();
    let end = |which: &str| integrated[which]["value"].as_f64().unwrap();
    assert!(
        (end("highest") - end("lowest") - 10.0).abs() < 0.1,
        "{integrated}"
    );

    // The yardstick is on the faces of whatever is weighed with it.
    let one = folder.join("album/00 song.wav");
    let face = text(&ask(&[
        "weigh",
        one.to_str().unwrap(),
        "--profile",
        proposed_typed,
    ]));
    let face = face.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(face.contains("your 6 masters (trial of "), "{face}");
}

#[test]
fn a_folder_with_an_unreadable_file_is_tried_and_ends_with_2() {
    let house = House::new();
    let folder = approved(&house);
    put(&folder.join("broken.wav"), b"no audio at all");
    let said = ask(&["trial", folder.to_str().unwrap()]);
    assert_eq!(status(&said), 2);
    let told = text(&said);
    assert!(
        told.contains("1 unread") && told.contains("broken.wav: "),
        "{told}"
    );
    assert_eq!(status(&ask(&["trial", "/nowhere/at all"])), 2);
}

#[test]
fn weigh_takes_a_profile_by_path_and_shows_its_mistakes() {
    let house = House::new();
    let file = house.path("song.wav");
    put(&file, &loud("song"));
    let file = file.to_str().unwrap();
    let profile = house.path("mine.toml");
    let typed = profile.to_str().unwrap();
    fs::write(
        &profile,
        "name = \"mine\"\ntitle = \"Mine\"\nextends = \"any-audio\"\n[limits.\"loudness.integrated\"]\nat_most = -14.0\n",
    )
    .unwrap();
    let said = ask(&["weigh", file, "--profile", typed]);
    assert_eq!(status(&said), 1);
    let told = text(&said);
    assert!(
        told.contains(&format!("profile mine: --profile {typed}")),
        "{told}"
    );
    // Three lines: sentence, place, profile.
    let lines: Vec<&str> = told.lines().collect();
    assert!(
        lines[..5]
            .iter()
            .any(|line| line.starts_with("  profile mine")),
        "{told}"
    );

    fs::write(
        &profile,
        "name = \"mine\"\ntitle = \"Mine\"\nextends = \"any-odio\"\n",
    )
    .unwrap();
    let said = ask(&["weigh", file, "--profile", typed]);
    assert_eq!(status(&said), 2);
    let says = String::from_utf8_lossy(&said.stderr).into_owned();
    for part in [
        "mine.toml:3:11",
        "^^^^^^^^^^",
        "did you mean \"any-audio\"?",
    ] {
        assert!(says.contains(part), "{part}: {says}");
    }
}

#[test]
fn weigh_obeys_the_configuration_that_the_environment_names() {
    let house = House::new();
    let watch = house.watch("exports");
    house.configure(&[&watch], "");
    let (inside, outside) = (watch.folder.join("a.wav"), house.path("b.wav"));
    put(&inside, &quiet("a"));
    put(&outside, &quiet("b"));
    let told = |file: &Path| {
        let mut command = Command::new(BINARY);
        command.args(["weigh", file.to_str().unwrap()]);
        text(
            &command
                .env("WEIGHBRIDGE_CONFIG", house.config())
                .output()
                .unwrap(),
        )
    };
    let within = told(&inside);
    assert!(
        within.contains("  profile house: watch \"exports\"\n"),
        "{within}"
    );
    let apart = told(&outside);
    let apart = apart.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        apart.contains("profile stereo-music: the usual one, since no watch of"),
        "{apart}"
    );
}

#[test]
fn an_option_that_does_not_fit_is_the_callers_mistake() {
    let house = House::new();
    let [a, b] = ["a.wav", "b.wav"].map(|name| {
        let path = house.path(name);
        put(&path, &quiet(name));
        path.to_str().unwrap().to_owned()
    });
    for (words, says) in [
        (
            vec!["--channels", "5.1"],
            "a.wav: --channels names 6 channels, the file has 2 channels",
        ),
        (
            vec!["--programme", "APR_1009"],
            "a.wav: --programme APR_1009: the file has no audio definition metadata",
        ),
        (
            vec!["--complementary", "AO_1009"],
            "a.wav: --complementary AO_1009: the file has no audio definition metadata",
        ),
        (
            vec!["--render", "9.9.9"],
            "no layout that can be rendered to",
        ),
        (
            vec!["--against", "/nowhere/mix.wav"],
            "--against: there is no file /nowhere/mix.wav",
        ),
        (vec!["--against", &a], "--against names this very file"),
        (
            vec!["--profile", "sterio-music"],
            "did you mean \"stereo-music\"?",
        ),
    ] {
        let said = ask(&[&["weigh", a.as_str()], words.as_slice()].concat());
        assert_eq!(status(&said), 2, "{words:?}");
        assert!(
            remarks(&said).contains(says),
            "{words:?}: {}",
            remarks(&said)
        );
        assert_eq!(text(&said), "", "nothing is said of the file");
    }
    // Of two files the one that is the mix itself is named, and the other is weighed.
    let said = ask(&["weigh", &a, &b, "--against", &b, "--json"]);
    assert_eq!(status(&said), 2);
    assert!(remarks(&said).contains("b.wav: --against names this very file"));
    assert_eq!(text(&said).lines().count(), 1);
}
