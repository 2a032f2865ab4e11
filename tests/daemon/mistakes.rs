//! A mistake ends the start with one message that says where, and exit status 2.

use std::fs;

use crate::support::*;

/// Runs the daemon on a configuration that it must refuse; what it said.
#[track_caller]
fn refused(house: &House) -> String {
    let output = house.ask(&["run"]);
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(
        !said.contains("panicked") && !said.contains("RUST_BACKTRACE"),
        "{said}"
    );
    said
}

#[track_caller]
fn names_line_of(said: &str, house: &House, text: &str) {
    let config = fs::read_to_string(house.config()).unwrap();
    let line = 1 + config.lines().position(|line| line.contains(text)).unwrap();
    let place = format!("{}:{line}", house.config().display());
    assert!(said.contains(&place), "{said}\ndoes not say {place}");
    assert_eq!(
        said.matches("weighbridge.toml:").count(),
        1,
        "one message:\n{said}"
    );
}

#[test]
fn a_mistake_in_the_configuration_is_told_with_its_file_and_line() {
    let house = House::new();
    let watch = |line: &str| house.watch("exports").line(line);
    for line in [
        "settel = \"10s\"",
        "poll = \"soon\"",
        "kind = \"remote\"",
        "signoffs = 1",
        "other_files = \"burn\"",
    ] {
        house.configure(&[&watch(line)], "");
        names_line_of(&refused(&house), &house, line);
    }
    let unknown = "profile = \"nobody\"";
    house.configure(&[&house.watch("exports")], "");
    let text = fs::read_to_string(house.config()).unwrap();
    fs::write(house.config(), text.replace("profile = \"house\"", unknown)).unwrap();
    names_line_of(&refused(&house), &house, unknown);

    let inside = house.watch("exports");
    let quarantine = inside.folder.join("bad");
    house.configure(&[&inside.goes_to("quarantine", &quarantine)], "");
    names_line_of(&refused(&house), &house, "quarantine =");

    let (one, other) = (house.watch("exports"), house.watch("exports/sub"));
    house.configure(&[&one, &other], "");
    refused(&house);
    assert!(!house.state().exists(), "nothing was begun");
}

#[test]
fn a_file_that_is_no_toml_or_not_there_is_told_in_a_sentence() {
    let house = House::new();
    assert!(refused(&house).contains("weighbridge.toml"));
    fs::write(house.config(), "[studio\nname").unwrap();
    names_line_of(&refused(&house), &house, "[studio");
    fs::write(house.config(), b"\xff\xfe\x00").unwrap();
    assert!(refused(&house).contains("weighbridge.toml"));
}

#[test]
fn a_mistake_in_a_profile_is_told_with_its_file_and_line() {
    let house = House::new();
    house.configure(&[&house.watch("exports")], "");
    let profile = house.path("profiles/house.toml");
    fs::write(
        &profile,
        "name = \"house\"\ntitle = \"House\"\n[limits.\"loudness.integrate\"]\nat_most = -14.0\n",
    )
    .unwrap();
    let said = refused(&house);
    assert!(said.contains(&format!("{}:3", profile.display())), "{said}");
    assert!(
        said.contains("loudness.integrated"),
        "it says what would be right: {said}"
    );
}

#[test]
fn two_names_of_one_folder_are_a_loop_and_refused() {
    let house = House::new();
    let watch = house.watch("exports");
    let alias = house.path("alias");
    std::os::unix::fs::symlink(&watch.folder, &alias).unwrap();
    house.configure(&[&watch.goes_to("quarantine", &alias)], "");
    let said = refused(&house);
    assert!(said.contains("alias") && said.contains("loop"), "{said}");
}

#[test]
fn a_state_folder_that_can_not_be_one_is_told() {
    let house = House::new();
    house.configure(&[&house.watch("exports")], "");
    fs::write(house.state(), "a file").unwrap();
    let said = refused(&house);
    assert!(
        said.contains(&house.state().display().to_string()),
        "{said}"
    );
}

#[test]
fn a_credential_that_is_not_there_is_told() {
    let house = House::new();
    let watch = house.watch("exports");
    house.configure(&[&watch], "credential = \"/nowhere/smtp-password\"\n");
    let said = refused(&house);
    assert!(said.contains("/nowhere/smtp-password"), "{said}");
}
