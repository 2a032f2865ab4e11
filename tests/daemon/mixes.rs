//! A master and its mix: the daemon and `weigh` name the same one, and one that was away is
//! compared when it is there.

use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::support::*;

const RULE: &str = "[[watch.route]]\nmatch = \"**/*.wav\"\nprofile = \"house\"\nmix = { name = '(.+)_master\\.wav', is = '${1}_mix.wav', folder = \"MIXES\" }";

fn rule(mixes: &Path) -> String {
    RULE.replace("MIXES", mixes.to_str().unwrap())
}

fn not_compared(sidecar: &Value) -> Option<String> {
    let checks = sidecar["checks"].as_array().unwrap();
    let found = (checks.iter()).find(|check| check["check"] == "movement.not_compared")?;
    (found["outcome"] == "advise").then(|| found["says"].as_str().unwrap().to_owned())
}

/// What `weigh --json` says of one file.
fn weighed(house: &House, file: &Path) -> Value {
    let output = house.ask(&["weigh", "--json", file.to_str().unwrap()]);
    let text = String::from_utf8(output.stdout).unwrap();
    serde_json::from_str(text.trim()).unwrap_or_else(|error| panic!("{error}: {text}"))
}

/// Quiet, and long enough that there is something to compare.
fn song(seed: &str) -> Vec<u8> {
    wav(4.0, 0.05, seed)
}

#[test]
fn a_mix_that_was_away_is_compared_once_when_it_is_there() {
    let mut house = House::new();
    let mixes = house.path("mixes");
    let watch = house.guarded("exports").line(&rule(&mixes));
    house.configure(&[&watch], "");
    house.start();
    let master = watch.folder.join("Slack Tide_master.wav");
    put(&master, &song("Slack Tide"));
    house.wait_for("Slack Tide_master.wav", "kept");
    let says = not_compared(&sidecar(&master)).expect("it is told");
    assert!(says.contains("Slack Tide_mix.wav"), "{says}");
    let told_by_weigh = not_compared(&weighed(&house, &master));
    assert_eq!(told_by_weigh.as_deref(), Some(says.as_str()));
    // Over a restart too.
    house.stop();
    house.start();
    house.fence(&watch, "fence.wav");
    assert_eq!(house.times_weighed("Slack Tide_master.wav"), 1);

    // The share is back with the same song.
    fs::create_dir(&mixes).unwrap();
    put(&mixes.join("Slack Tide_mix.wav"), &song("Slack Tide"));
    until("it was compared", || {
        let record = sidecar(&master);
        record["against"]["comparison"].is_object() && not_compared(&record).is_none()
    });
    house.wait_for("Slack Tide_master.wav", "kept");
    let record = sidecar(&master);
    // A copy of its mix is advised on, by another check.
    assert_eq!(record["verdict"], "advise");
    assert_eq!(record["revision"]["number"], 1);
    assert_eq!(
        record["against"]["digest_blake3"],
        digest_of(&song("Slack Tide"))
    );
    assert_eq!(weighed(&house, &master)["checks"], record["checks"]);
    house.fence(&watch, "last-fence.wav");
    assert_eq!(house.times_weighed("Slack Tide_master.wav"), 2, "once");
    let mut names = names_below(&watch.folder);
    names.retain(|name| name.to_string_lossy().starts_with("Slack"));
    assert_eq!(names.len(), 2, "the file and one sidecar: {names:?}");
}

#[test]
fn a_kept_file_that_its_mix_stops_is_quarantined_and_told() {
    let mut house = House::new();
    let mixes = house.folder("mixes");
    let watch = house.guarded("exports").line(&rule(&mixes));
    house.configure(&[&watch], "");
    house.start();
    let master = watch.folder.join("Lamp Room_master.wav");
    let song = [wav(3.0, 0.05, "a"), wav(3.0, 0.05, "b")];
    put(&master, &joined(&song[0], &silence(&song[1])));
    house.wait_for("Lamp Room_master.wav", "kept");
    // By construction: the mix sounds on where the master is silent.
    put(
        &mixes.join("Lamp Room_mix.wav"),
        &joined(&song[0], &song[1]),
    );
    house.wait_for("Lamp Room_master.wav", "quarantined");
    house.wait_for_mail("Lamp Room_master.wav");
    let record = sidecar(&house.path("quarantine/Lamp Room_master.wav"));
    assert_eq!(record["verdict"], "stop");
}

/// Two files of [`wav`] one after the other, with the header of both lengths.
fn joined(first: &[u8], second: &[u8]) -> Vec<u8> {
    let audio = |bytes: &[u8]| bytes[header_bytes(bytes)..].to_vec();
    let mut both = audio(first);
    both.extend(audio(second));
    let mut bytes = header(u32::try_from(both.len()).unwrap(), 2);
    bytes.extend(both);
    bytes
}

/// The same length of zeros.
fn silence(of: &[u8]) -> Vec<u8> {
    let mut bytes = of.to_vec();
    let start = header_bytes(of);
    bytes[start..].fill(0);
    bytes
}

fn header_bytes(of: &[u8]) -> usize {
    header(u32::try_from(of.len()).unwrap(), 2).len()
}

#[test]
fn a_release_waits_while_the_folder_of_the_mixes_is_away() {
    let mut house = House::new();
    let mixes = house.path("mixes");
    let watch = house.outbound("outbound").line(&rule(&mixes));
    house.configure(&[&watch], "");
    house.start();
    let master = watch.folder.join("Harbour_master.wav");
    put(&master, &song("Harbour"));
    house.wait_for_mail("mixes");
    assert!(master.exists() && !house.path("release/Harbour_master.wav").exists());
    fs::create_dir(&mixes).unwrap();
    put(&mixes.join("Harbour_mix.wav"), &song("Harbour"));
    house.wait_for("Harbour_master.wav", "released");
    let record = sidecar(&house.path("release/Harbour_master.wav"));
    assert!(record["against"]["comparison"].is_object());
}

#[test]
fn a_name_that_the_mix_pattern_does_not_match_is_said_alike_by_both() {
    let mut house = House::new();
    let mixes = house.folder("mixes");
    let watch = house.watch("exports").line(&rule(&mixes));
    house.configure(&[&watch], "");
    house.start();
    let file = watch.folder.join("Lamp Room final.wav");
    put(&file, &song("Lamp Room"));
    house.wait_for("Lamp Room final.wav", "kept");
    let wanted = "no mix is named for it: the name does not match the pattern \
                  '(.+)_master\\.wav' of the mix rule";
    assert_eq!(not_compared(&sidecar(&file)).as_deref(), Some(wanted));
    assert_eq!(
        not_compared(&weighed(&house, &file)).as_deref(),
        Some(wanted)
    );
    let record = sidecar(&file);
    let by_hand = weighed(&house, &file);
    for part in ["verdict", "checks", "profile", "measured", "reason"] {
        assert_eq!(record[part], by_hand[part], "{part}");
    }
}

#[test]
fn the_same_bytes_delivered_again_are_weighed_again_when_their_mix_is_there() {
    let mut house = House::new();
    let mixes = house.folder("mixes");
    // Where a mix that is not there stops, the file goes to quarantine.
    fs::write(
        house.path("profiles/strict.toml"),
        "name = \"strict\"\ntitle = \"Strict\"\nextends = \"house\"\n[limits.\"movement.not_compared\"]\nnever = true\nseverity = \"stop\"\n",
    )
    .unwrap();
    let strict = rule(&mixes).replace("profile = \"house\"", "profile = \"strict\"");
    let watch = house.guarded("exports").line(&strict);
    house.configure(&[&watch], "");
    house.start();
    let master = watch.folder.join("Slack_master.wav");
    put(&master, &song("Slack"));
    house.wait_for("Slack_master.wav", "quarantined");
    put(&mixes.join("Slack_mix.wav"), &song("Slack"));
    put(&master, &song("Slack"));
    house.wait_for("Slack_master.wav", "kept");
    assert_eq!(not_compared(&sidecar(&master)), None);
    assert_eq!(house.times_weighed("Slack_master.wav"), 2);
}
