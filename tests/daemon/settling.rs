//! However a file comes, what is weighed is the finished file, once.

use std::fs::{self, File, OpenOptions};
use std::io::{Seek, SeekFrom, Write};
use std::path::Path;
use std::time::Duration;

use crate::support::*;

/// Longer than settle: whoever goes by time alone takes the file up in a pause.
const PAUSE: Duration = Duration::from_millis(800);

/// The file of `bytes` was weighed once, is in quarantine whole, and was mailed once.
fn ended_once(house: &House, watch: &Watch, name: &str, bytes: &[u8]) {
    let story = house.wait_for(name, "quarantined");
    assert_eq!(story.blake3.as_deref(), Some(digest_of(bytes).as_str()));
    house.wait_for_mail(name);
    house.fence(watch, "fence.wav");

    let file = house.path("quarantine").join(name);
    assert!(fs::read(&file).unwrap() == bytes, "other bytes in {name}");
    let record = sidecar(&file);
    assert_eq!(record["file"]["digests"]["blake3"], digest_of(bytes));
    assert_eq!(record["verdict"], "stop");
    assert_eq!(house.times_weighed(name), 1);
    assert_eq!(house.mails_about(name).len(), 1);
    assert!(!watch.folder.join(name).exists());
}

fn slow_copy(at: &Path, bytes: &[u8]) {
    write_slowly(&mut File::create(at).unwrap(), bytes, 4, PAUSE);
}

/// `how` makes a loud file at the path that it is given, of the bytes that it is given.
fn arrives(kind: &str, how: impl FnOnce(&House, &Path, &[u8])) {
    let mut house = House::new();
    let watch = house.guarded("exports").line(kind);
    house.configure(&[&watch], "");
    house.start();
    let bytes = loud("arriving");
    how(&house, &watch.folder.join("song.wav"), &bytes);
    ended_once(&house, &watch, "song.wav", &bytes);
}

const LOCAL: &str = "kind = \"local\"";
const NETWORK: &str = "kind = \"network\"\npoll = \"100ms\"";

#[test]
fn a_slow_copy_with_long_pauses_is_weighed_once_and_whole() {
    arrives(LOCAL, |_, at, bytes| slow_copy(at, bytes));
}

#[test]
fn a_slow_copy_on_a_share_is_weighed_once_and_whole() {
    arrives(NETWORK, |_, at, bytes| slow_copy(at, bytes));
}

fn preallocated(at: &Path, bytes: &[u8]) {
    let mut file = File::create(at).unwrap();
    file.set_len(bytes.len() as u64).unwrap();
    write_slowly(&mut file, bytes, 4, PAUSE);
}

#[test]
fn a_file_that_has_its_full_size_from_the_start_is_weighed_once_and_whole() {
    arrives(LOCAL, |_, at, bytes| preallocated(at, bytes));
}

#[test]
fn a_file_that_has_its_full_size_from_the_start_on_a_share_is_weighed_once_and_whole() {
    arrives(NETWORK, |_, at, bytes| preallocated(at, bytes));
}

#[test]
fn a_file_whose_space_was_written_with_zeros_first_is_weighed_once_and_whole() {
    arrives(LOCAL, |_, at, bytes| {
        fs::write(at, vec![0; bytes.len()]).unwrap();
        let mut file = OpenOptions::new().write(true).open(at).unwrap();
        // As a recorder does it that reserves its space: the first pause is before the header.
        std::thread::sleep(PAUSE);
        write_slowly(&mut file, bytes, 4, PAUSE);
    });
}

fn header_at_the_end(at: &Path, bytes: &[u8]) {
    let mut file = File::create(at).unwrap();
    file.write_all(&header(0, 2)).unwrap();
    write_slowly(&mut file, &bytes[HEADER_BYTES..], 3, PAUSE);
    drop(file);
    std::thread::sleep(PAUSE);
    let mut again = OpenOptions::new().write(true).open(at).unwrap();
    again.seek(SeekFrom::Start(0)).unwrap();
    again.write_all(&bytes[..HEADER_BYTES]).unwrap();
}

#[test]
fn a_header_that_is_written_at_the_end_is_weighed_once_and_whole() {
    arrives(LOCAL, |_, at, bytes| header_at_the_end(at, bytes));
}

#[test]
fn a_header_that_is_written_at_the_end_on_a_share_is_weighed_once_and_whole() {
    arrives(NETWORK, |_, at, bytes| header_at_the_end(at, bytes));
}

#[test]
fn a_file_that_is_renamed_into_place_is_weighed_once() {
    arrives(LOCAL, |_, at, bytes| {
        let under_way = at.with_file_name("song.wav.part");
        slow_copy(&under_way, bytes);
        fs::rename(under_way, at).unwrap();
    });
}

#[test]
fn a_file_that_gets_another_name_before_it_settles_is_weighed_once_under_the_last() {
    arrives(LOCAL, |_, at, bytes| {
        let first = at.with_file_name("bounce-1.wav");
        let mut file = File::create(&first).unwrap();
        write_slowly(&mut file, &bytes[..8192], 1, PAUSE);
        fs::rename(&first, at).unwrap();
        file.write_all(&bytes[8192..]).unwrap();
    });
}

#[test]
fn a_folder_that_is_moved_in_whole_is_weighed_file_by_file() {
    for kind in [LOCAL, NETWORK] {
        let mut house = House::new();
        let watch = house.guarded("exports").line(kind);
        house.configure(&[&watch], "");
        house.start();
        let album = house.folder("elsewhere/album");
        fs::create_dir_all(album.join("disc 2/extra")).unwrap();
        let songs = ["a.wav", "b.wav", "disc 2/c.wav", "disc 2/extra/d.wav"];
        for song in songs {
            put(&album.join(song), &loud(song));
        }
        fs::rename(&album, watch.folder.join("album")).unwrap();
        for song in songs {
            let path = format!("album/{song}");
            house.wait_for(&path, "quarantined");
            let file = house.path("quarantine").join(&path);
            assert_eq!(digest(&file), digest_of(&loud(song)));
            assert_eq!(sidecar(&file)["verdict"], "stop");
        }
        house.fence(&watch, "fence.wav");
        for song in songs {
            assert_eq!(house.times_weighed(&format!("album/{song}")), 1, "{song}");
        }
        for song in ["a.wav", "b.wav", "c.wav", "d.wav"] {
            assert_eq!(house.mails_about(song).len(), 1, "{song}");
        }
    }
}

/// Long enough that it can be changed while it is weighed.
fn long(seed: &str) -> Vec<u8> {
    wav(120.0, 0.5, seed)
}

fn changed_under_way(change: impl FnOnce(&Path, &Path, &[u8])) {
    let mut house = House::new();
    let watch = house.guarded("exports");
    house.configure(&[&watch], "");
    house.start();
    let (first, second) = (long("first"), long("second"));
    let at = watch.folder.join("song.wav");
    let ready = house.path("second.wav");
    put(&ready, &second);
    put(&at, &first);
    until("it is being weighed", || {
        let under_way = house.ledger().under_way().unwrap();
        under_way.iter().any(|file| file.state.word() == "settled")
    });
    change(&ready, &at, &second);
    until("the second one was weighed", || {
        house
            .stories("song.wav")
            .iter()
            .any(|story| story.blake3.as_deref() == Some(digest_of(&second).as_str()))
    });
    ended_once(&house, &watch, "song.wav", &second);
}

#[test]
fn a_file_that_is_replaced_while_it_is_weighed_is_weighed_anew() {
    changed_under_way(|ready, at, _| fs::rename(ready, at).unwrap());
}

#[test]
fn a_file_that_is_written_over_while_it_is_weighed_is_weighed_anew() {
    changed_under_way(|_, at, second| {
        let mut file = OpenOptions::new().write(true).open(at).unwrap();
        file.write_all(second).unwrap();
    });
}

#[test]
fn a_file_that_never_becomes_complete_is_reported_quarantined_and_mailed_once() {
    for kind in [LOCAL, NETWORK] {
        let mut house = House::new();
        let watch = house.guarded("exports").line(kind).patience("4s");
        house.configure(&[&watch], "");
        house.start();
        let bytes = loud("cut");
        let cut = &bytes[..bytes.len() / 2];
        put(&watch.folder.join("cut.wav"), cut);
        until("status says why it waits", || {
            let status = house.status();
            status.contains("cut.wav")
                && status.contains("arriving")
                && status.contains("192000 bytes")
        });
        let story = house.wait_for("cut.wav", "quarantined");
        assert_ne!(story.verdict.as_deref(), Some("clear"));
        let file = house.path("quarantine").join("cut.wav");
        assert!(fs::read(&file).unwrap() == cut);
        let record = sidecar(&file);
        assert_eq!(record["custody"][0]["event"], "settled");
        assert!(record["custody"][0]["says"].is_string(), "{record}");
        house.wait_for_mail("cut.wav");
        house.fence(&watch, "fence.wav");
        assert_eq!(house.mails_about("cut.wav").len(), 1);
        assert_eq!(house.times_weighed("cut.wav"), 1);
        house.stop();
    }
}
