//! Starting, reloading, stopping, and being looked at.

use std::fs;
use std::net::TcpListener;
use std::time::Duration;

use rustix::process::Signal;

use crate::support::*;

fn refused(house: &House) -> String {
    let output = house.ask(&["run"]);
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2), "{said}");
    // The log may have begun; what is for the operator is the last line.
    said.trim_end().lines().last().unwrap().to_owned()
}

fn service(address: &str) -> String {
    format!("[service]\nlisten = {address:?}\n")
}

#[test]
fn a_port_in_use_ends_the_start_with_one_clear_sentence() {
    let house = House::new();
    let other = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = other.local_addr().unwrap().to_string();
    house.configure(&[&house.watch("exports")], &service(&address));
    let said = refused(&house);
    assert!(
        said.contains(&address) && said.contains("can not be taken"),
        "{said}"
    );
    assert!(said.contains("listen"), "it says what to do: {said}");
}

#[test]
fn a_second_daemon_on_one_state_folder_is_refused_and_the_first_goes_on() {
    let mut house = House::new();
    let watch = house.guarded("exports");
    house.configure(&[&watch], "");
    house.start();
    let said = refused(&house);
    assert!(
        said.contains(&house.pid().to_string()),
        "it names the process: {said}"
    );
    assert!(said.contains(house.state().to_str().unwrap()), "{said}");
    house.fence(&watch, "fence.wav");
}

#[test]
fn a_ledger_of_a_newer_version_is_refused_and_not_changed() {
    let mut house = House::new();
    house.configure(&[&house.watch("exports")], "");
    house.start();
    house.stop();
    let file = house.state().join("ledger.sqlite");
    let connection = rusqlite::Connection::open(&file).unwrap();
    connection.pragma_update(None, "user_version", 99).unwrap();
    connection.close().unwrap();
    let before = fs::read(&file).unwrap();
    let said = refused(&house);
    assert!(said.contains("newer") && said.contains("99"), "{said}");
    let status = house.ask(&["status"]);
    assert_eq!(status.status.code(), Some(2));
    assert!(fs::read(&file).unwrap() == before);
}

#[test]
fn a_daemon_that_weighs_a_large_file_stops_within_five_seconds_and_weighs_it_at_the_next_start() {
    let mut house = House::new();
    let watch = house.guarded("exports");
    house.configure(&[&watch], "");
    // Some minutes of music take seconds to weigh in a debug build.
    let bytes = wav(600.0, 0.5, "large");
    put(&watch.folder.join("large.wav"), &bytes);
    house.start();
    until("it is being weighed", || {
        let under_way = house.ledger().under_way().unwrap();
        under_way.iter().any(|file| file.state.word() == "settled")
    });
    let (status, took) = house.stop();
    assert_eq!(status.code(), Some(0));
    assert!(took < Duration::from_secs(5), "it took {took:?}");
    assert_eq!(
        house.times_weighed("large.wav"),
        0,
        "it was weighed before it was told to stop"
    );
    assert!(fs::read(watch.folder.join("large.wav")).unwrap() == bytes);
    assert!(house.status().contains("not running"), "{}", house.status());

    house.start();
    house.wait_for("large.wav", "quarantined");
    assert_eq!(house.times_weighed("large.wav"), 1);
    assert!(
        !house.status().contains("not running"),
        "{}",
        house.status()
    );
}

#[test]
fn a_good_configuration_is_taken_over_on_sighup_and_a_bad_one_is_refused() {
    let mut house = House::new();
    let address = free_address();
    let (first, second) = (house.guarded("first"), house.guarded("second"));
    house.configure(&[&first], &service(&address));
    house.start();
    let pid = house.pid();
    house.fence(&first, "one.wav");

    house.configure(&[&first, &second], &service(&address));
    house.signal(Signal::HUP);
    until("it is ready anew", || house.told("ready").len() == 2);
    house.fence(&second, "two.wav");
    house.fence(&first, "three.wav");
    assert_eq!(house.pid(), pid);
    assert!(get(&address, "/alive").unwrap().0.contains("200"));

    let good = fs::read_to_string(house.config()).unwrap();
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let taken = taken.local_addr().unwrap().to_string();
    let bad = [
        (good.replace("settle", "settel"), "settel"),
        (
            good.replace(house.state().to_str().unwrap(), "/elsewhere"),
            "state folder",
        ),
        (format!("{good}nonsense"), "nonsense"),
        (
            good.replace("from = ", "credential = \"/nowhere/secret\"\nfrom = "),
            "/nowhere/secret",
        ),
    ];
    for (text, part) in &bad {
        fs::write(house.config(), text).unwrap();
        house.signal(Signal::HUP);
        until("the refusal is told by the page", || {
            get(&address, "/status.json").is_some_and(|(_, body)| {
                body.contains("the new configuration is refused") && body.contains(part)
            })
        });
        assert!(house.runs());
    }
    drop(taken);
    // The old one goes on.
    house.fence(&second, "four.wav");
    house.wait_for_mail("the new configuration is refused");

    fs::write(house.config(), &good).unwrap();
    house.signal(Signal::HUP);
    until("it is ready once more", || house.told("ready").len() == 3);
    until("nothing is wrong any more", || {
        !house.status().contains("trouble")
    });
    house.fence(&first, "five.wav");
    for name in ["one.wav", "two.wav", "three.wav"] {
        assert_eq!(house.times_weighed(name), 1, "{name}");
        assert_eq!(house.mails_about(name).len(), 1, "{name}");
    }
}

#[test]
fn a_reload_that_asks_for_an_address_in_use_is_refused_and_nothing_ends() {
    let mut house = House::new();
    let address = free_address();
    let watch = house.guarded("exports");
    house.configure(&[&watch], &service(&address));
    house.start();
    let other = TcpListener::bind("127.0.0.1:0").unwrap();
    let taken = other.local_addr().unwrap().to_string();
    house.configure(&[&watch], &service(&taken));
    house.signal(Signal::HUP);
    house.wait_for_mail(&taken);
    assert!(house.runs());
    assert!(
        get(&address, "/alive").unwrap().0.contains("200"),
        "the old page answers"
    );
    house.fence(&watch, "fence.wav");
}

#[test]
fn a_trouble_that_ends_with_a_reload_is_told_to_be_over() {
    let mut house = House::new();
    let watch = house.guarded("exports");
    house.configure(&[&watch], "");
    fs::remove_dir(&watch.folder).unwrap();
    house.start();
    house.wait_for_mail("is the share mounted?");
    house.signal(Signal::HUP);
    until("it is ready anew", || house.told("ready").len() == 2);
    until("it is still told by status", || {
        house.status().contains("is not there")
    });
    house.signal(Signal::HUP);
    fs::create_dir(&watch.folder).unwrap();
    until("the end is mailed", || {
        house.mails_about("is the share mounted?").len() == 2
    });
    house.fence(&watch, "fence.wav");
    // It began once and ended once; a reload is no new trouble.
    assert_eq!(house.mails_about("is the share mounted?").len(), 2);
}

#[test]
fn a_file_that_is_weighed_during_a_reload_is_dealt_with_once() {
    let mut house = House::new();
    let watch = house.guarded("exports");
    house.configure(&[&watch], "");
    house.start();
    let bytes = wav(240.0, 0.5, "large");
    put(&watch.folder.join("large.wav"), &bytes);
    until("it is being weighed", || {
        let under_way = house.ledger().under_way().unwrap();
        under_way.iter().any(|file| file.state.word() == "settled")
    });
    house.signal(Signal::HUP);
    until("it is ready anew", || house.told("ready").len() == 2);
    house.wait_for("large.wav", "quarantined");
    house.wait_for_mail("large.wav");
    house.fence(&watch, "fence.wav");
    assert_eq!(house.times_weighed("large.wav"), 1);
    assert_eq!(house.mails_about("large.wav").len(), 1);
    assert_eq!(
        digest(&house.path("quarantine/large.wav")),
        digest_of(&bytes)
    );
}

#[test]
fn the_page_and_its_json_tell_how_the_house_stands() {
    let mut house = House::new();
    let address = free_address();
    let watch = house.outbound("outbound");
    house.configure(&[&watch], &service(&address));
    house.start();
    put(&watch.folder.join("<b>bad.wav"), &loud("bad"));
    put(&watch.folder.join("good.wav"), &quiet("good"));
    house.wait_for("<b>bad.wav", "quarantined");
    house.wait_for("good.wav", "released");
    put(&watch.folder.join("cut.wav"), &loud("cut")[..9_000]);
    until("the page tells of what arrives", || {
        get(&address, "/status.json").unwrap().1.contains("cut.wav")
    });
    let (line, body) = get(&address, "/status.json").unwrap();
    assert!(line.contains("200"), "{line}");
    let view: serde_json::Value = serde_json::from_str(&body).unwrap();
    assert_eq!(view["studio"], "Tallow Street");
    assert_eq!(view["troubles"], serde_json::json!([]));
    assert_eq!(view["past"].as_array().unwrap().len(), 2);
    let (line, page) = get(&address, "/").unwrap();
    assert!(line.contains("200"), "{line}");
    assert!(page.contains("good.wav") && page.contains("&lt;b&gt;bad.wav"));
    assert!(!page.contains("<b>bad"));

    let status = house.ask(&["status", "--json"]);
    let status: serde_json::Value = serde_json::from_slice(&status.stdout).unwrap();
    assert_eq!(status["running"], true);
    let history = String::from_utf8(house.ask(&["history"]).stdout).unwrap();
    assert!(
        history.contains("good.wav") && history.contains("released"),
        "{history}"
    );
    house.kill();
    let status = house.ask(&["status", "--json"]);
    let status: serde_json::Value = serde_json::from_slice(&status.stdout).unwrap();
    assert_eq!(
        status["running"], false,
        "a daemon that was killed does not run"
    );
}

#[test]
fn a_root_that_is_missing_at_the_start_is_trouble_and_is_taken_up_when_it_comes() {
    let mut house = House::new();
    let away = house.guarded("away").line("poll = \"100ms\"");
    let here = house.guarded("here");
    house.configure(&[&away, &here], "");
    fs::remove_dir(&away.folder).unwrap();
    house.start();
    let told = house.wait_for_mail(away.folder.to_str().unwrap());
    assert!(
        plain(&told).contains("is the share mounted?"),
        "{}",
        plain(&told)
    );
    house.fence(&here, "fence.wav");
    let status = house.status();
    assert!(
        status.contains("trouble: ") && status.contains("is not there"),
        "{status}"
    );

    fs::create_dir(&away.folder).unwrap();
    put(&away.folder.join("song.wav"), &loud("song"));
    house.wait_for("song.wav", "quarantined");
    until("the trouble is over", || {
        !house.status().contains("trouble")
    });
    // Both watches' own troubles: one mail that it began, one that it is over.
    until("the end is mailed", || {
        house.mails_about(away.folder.to_str().unwrap()).len() >= 2
    });
}

#[test]
fn a_root_that_vanishes_is_an_alarm_and_its_files_are_not_gone() {
    for kind in ["kind = \"local\"", "kind = \"network\""] {
        let mut house = House::new();
        let watch = house.watch("exports").line(kind).line("poll = \"100ms\"");
        house.configure(&[&watch], "");
        house.start();
        put(&watch.folder.join("good.wav"), &quiet("good"));
        put(&watch.folder.join("bad.wav"), &loud("bad"));
        house.wait_for("good.wav", "kept");
        house.wait_for("bad.wav", "kept");
        let hidden = house.path("hidden");
        fs::rename(&watch.folder, &hidden).unwrap();
        house.wait_for_mail("is the share mounted?");
        assert!(
            house.status().contains("is not there"),
            "{}",
            house.status()
        );
        // It goes on to be away over a restart.
        house.stop();
        house.start();
        until("it is told again", || {
            house.status().contains("is not there")
        });
        for name in ["good.wav", "bad.wav"] {
            assert_eq!(house.stories(name)[0].state.word(), "kept", "{name}");
        }
        fs::rename(&hidden, &watch.folder).unwrap();
        until("the trouble is over", || {
            !house.status().contains("trouble")
        });
        house.fence(&watch, "fence.wav");
        for name in ["good.wav", "bad.wav"] {
            assert_eq!(house.times_weighed(name), 1, "{name}");
            assert_eq!(house.stories(name)[0].state.word(), "kept", "{name}");
        }
        // The mail about the stop, none a second time.
        assert_eq!(house.mails_about("bad.wav").len(), 1);
        // What is really removed is gone.
        fs::remove_file(watch.folder.join("good.wav")).unwrap();
        house.wait_for("good.wav", "gone");
        house.stop();
    }
}
