//! The ways in which a file comes: each ends in exactly one arrival of the finished file.
//! (issue 2, item 1; the hazards are those of watch folders in general: common practice, no source)

use std::fs::{self, File, OpenOptions};
use std::io::Write;
use std::os::unix::fs::FileExt;
use std::path::Path;

use super::share::{OFTEN, Options, Share, whole, write};
use crate::config::{OtherFiles, WatchKind};
use crate::intake::Happening;

fn network() -> Options {
    Options {
        kind: WatchKind::Network,
        poll: OFTEN,
        ..Options::default()
    }
}

fn append(path: &Path, content: &[u8]) {
    let mut file = OpenOptions::new().append(true).open(path).expect("opened");
    file.write_all(content).expect("written");
}

/// With pauses that are longer than it takes to settle: the watch says so itself.
fn copy_slowly(mut share: Share) {
    let content = whole(30_000);
    let path = share.root.join("mix.wav");
    for (n, part) in content.chunks(10_000).enumerate() {
        if n == 0 {
            write(&path, part);
        } else {
            append(&path, part);
        }
        if n < 2 {
            let why = format!("says 30000 bytes and has {}", 10_000 * (n + 1));
            share.wait_for_arriving("mix.wav", &why);
        }
    }
    let arrival = share.arrives_once("mix.wav");
    assert_eq!(arrival.identity.bytes, 30_000);
    assert_eq!(arrival.incomplete, None);
}

#[test]
fn a_slow_copy_with_long_pauses_arrives_once_and_whole() {
    copy_slowly(Share::new(Options::default()));
}

#[test]
fn a_slow_copy_on_a_network_share_arrives_once_and_whole() {
    copy_slowly(Share::new(network()));
}

#[test]
fn a_file_of_full_size_from_the_start_arrives_when_it_is_filled() {
    let mut share = Share::new(Options::default());
    let content = whole(50_000);
    let file = File::create(share.root.join("mix.wav")).expect("created");
    file.set_len(50_000).expect("its size set");
    file.write_all_at(&content[..8], 0).expect("written");
    share.wait_for_arriving("mix.wav", "its end is not written");
    file.write_all_at(&content[8..], 8).expect("written");
    drop(file);
    share.arrives_once("mix.wav");
}

#[test]
fn a_header_that_is_rewritten_late_arrives_once_and_whole() {
    let mut share = Share::new(Options::default());
    let mut content = whole(20_000);
    content[..8].fill(0);
    let path = share.root.join("mix.wav");
    write(&path, &content);
    share.wait_for_arriving("mix.wav", "says 0 bytes");
    // The size stays, and the time of the last writing is put back: only ctime tells.
    let before = fs::metadata(&path)
        .expect("there")
        .modified()
        .expect("a time");
    let file = OpenOptions::new().write(true).open(&path).expect("opened");
    file.write_all_at(&20_000u64.to_le_bytes(), 0)
        .expect("written");
    file.set_modified(before).expect("put back");
    drop(file);
    share.arrives_once("mix.wav");
}

#[test]
fn a_file_that_is_renamed_into_place_arrives_under_its_last_name_only() {
    let mut share = Share::new(Options::default());
    share.write("mix.wav.part", &whole(1000));
    share.come_to_rest(1);
    fs::rename(share.root.join("mix.wav.part"), share.root.join("mix.wav")).expect("renamed");
    share.arrives_once("mix.wav");
    let about_part = |h: &&Happening| matches!(h, Happening::Arriving { path, .. } if path == Path::new("mix.wav.part"));
    assert_eq!(share.told.iter().find(about_part), None);
}

#[test]
fn a_file_that_replaces_another_by_rename_is_a_new_arrival() {
    let mut share = Share::new(Options::default());
    share.write("mix.wav", &whole(1000));
    share.wait_for_arrival("mix.wav");
    share.watch.done(Path::new("mix.wav"));
    share.come_to_rest(1);
    write(&share.beside.join("new"), &whole(1000));
    fs::rename(share.beside.join("new"), share.root.join("mix.wav")).expect("renamed");
    share.wait_for("a second arrival", |h| {
        matches!(h, Happening::Arriving { .. })
    });
    share.come_to_rest(2);
    assert_eq!(share.arrivals("mix.wav"), 2);
}

#[test]
fn a_folder_that_is_moved_in_whole_brings_each_file_once() {
    let mut share = Share::new(Options::default());
    share.come_to_rest(1);
    let album = share.beside.join("album");
    for folder in ["", "stems", "stems/drums"] {
        fs::create_dir(album.join(folder)).expect("made");
        for n in 0..5 {
            write(&album.join(folder).join(format!("{n}.wav")), &whole(100));
        }
    }
    fs::rename(&album, share.root.join("album")).expect("moved in");
    for folder in ["album", "album/stems", "album/stems/drums"] {
        for n in 0..5 {
            share.wait_for_arrival(&format!("{folder}/{n}.wav"));
        }
    }
    share.come_to_rest(2);
    assert_eq!(share.all_arrivals(), 15);

    // Renamed in the watch: other files by their names, and still listened to.
    fs::rename(share.root.join("album/stems"), share.root.join("parts")).expect("renamed");
    share.wait_for_arrival("parts/drums/4.wav");
    share.write("parts/drums/late.wav", &whole(100));
    share.wait_for_arrival("parts/drums/late.wav");
}

#[test]
fn two_hundred_nested_folders_that_are_filled_at_once_lose_no_file() {
    // Of these, listening to the whole tree through the library announced 25.
    let mut share = Share::new(Options::default());
    share.come_to_rest(1);
    let mut names = Vec::new();
    for outer in 0..10 {
        let mut path = format!("{outer}");
        for inner in 0..20 {
            path = format!("{path}/{inner}");
            fs::create_dir_all(share.root.join(&path)).expect("made");
            share.write(&format!("{path}/mix.wav"), &whole(100));
            names.push(format!("{path}/mix.wav"));
        }
    }
    // No scan comes of itself here (`NEVER`), so events led to each of them.
    for name in &names {
        share.wait_for_arrival(name);
    }
    share.come_to_rest(2);
    assert_eq!(share.all_arrivals(), 200);
}

#[test]
fn a_file_that_is_removed_while_it_settles_is_gone_and_never_arrives() {
    let mut share = Share::new(Options::default());
    share.write("mix.wav", &whole(1000)[..500]);
    share.wait_for_arriving("mix.wav", "says 1000 bytes");
    fs::remove_file(share.root.join("mix.wav")).expect("removed");
    share.wait_for_gone("mix.wav");
    share.come_to_rest(2);
    assert_eq!(share.all_arrivals(), 0);
    assert_eq!(share.gone(), 1);
}

#[test]
fn a_file_that_never_becomes_complete_arrives_with_the_reason() {
    let mut share = Share::new(Options {
        patience: std::time::Duration::from_millis(600),
        ..Options::default()
    });
    share.write("cut.wav", &whole(1000)[..500]);
    share.write("empty.wav", b"");
    let cut = share.wait_for_arrival("cut.wav");
    let why = "it says 1000 bytes and has 500";
    assert_eq!(cut.incomplete.as_deref(), Some(why));
    let empty = share.wait_for_arrival("empty.wav");
    assert_eq!(empty.incomplete.as_deref(), Some("the file is empty"));
}

#[test]
fn changes_while_it_is_weighed_end_in_one_arrival_of_the_last_state() {
    let mut share = Share::new(Options::default());
    share.write("mix.wav", &whole(1000));
    share.wait_for_arrival("mix.wav");
    for bytes in [2000, 3000, 4000] {
        share.write("mix.wav", &whole(bytes));
    }
    share.come_to_rest(1);
    assert_eq!(share.arrivals("mix.wav"), 1, "not twice at once");
    share.watch.given_back(Path::new("mix.wav"));
    share.wait_for(
        "the last state",
        |h| matches!(h, Happening::Arrived(a) if a.identity.bytes == 4000),
    );
    share.watch.done(Path::new("mix.wav"));
    share.come_to_rest(2);
    assert_eq!(share.arrivals("mix.wav"), 2);
}

#[test]
fn a_file_that_custody_moved_away_is_not_told_gone() {
    let mut share = Share::new(Options::default());
    share.write("mix.wav", &whole(1000));
    share.wait_for_arrival("mix.wav");
    fs::rename(share.root.join("mix.wav"), share.beside.join("mix.wav")).expect("moved");
    share.watch.done(Path::new("mix.wav"));
    share.come_to_rest(2);
    assert_eq!(share.gone(), 0);
    // And the same file back again is an arrival again.
    fs::rename(share.beside.join("mix.wav"), share.root.join("mix.wav")).expect("moved");
    share.come_to_rest(2);
    assert_eq!(share.arrivals("mix.wav"), 2);
}

#[test]
fn what_the_ledger_knows_does_not_arrive_and_is_asked_about_once() {
    let mut share = Share::with(
        Options {
            known: vec!["old.wav"],
            ..Options::default()
        },
        |root| {
            write(&root.join("old.wav"), &whole(100));
            write(&root.join("new.wav"), &whole(100));
        },
    );
    share.wait_for_arrival("new.wav");
    share.watch.done(Path::new("new.wav"));
    share.come_to_rest(3);
    assert_eq!(share.all_arrivals(), 1);
    let asked = share.asked.lock().expect("no panic");
    assert_eq!(asked.len(), 2, "{asked:?}");
}

#[test]
fn files_that_are_no_audio_arrive_only_where_they_are_to_stop() {
    let mut leaving = Share::new(Options::default());
    let mut stopping = Share::new(Options {
        other_files: OtherFiles::Stop,
        ..Options::default()
    });
    for share in [&leaving, &stopping] {
        share.write("cover.jpg", b"no audio");
        share.write("mix.wav", &whole(100));
        share.write("mix.wav.sidecar.json", b"{}");
    }
    let cover = stopping.wait_for_arrival("cover.jpg");
    assert!(!cover.audio);
    assert!(stopping.wait_for_arrival("mix.wav").audio);
    stopping.come_to_rest(1);
    assert_eq!(stopping.all_arrivals(), 2);
    leaving.arrives_once("mix.wav");
    assert_eq!(leaving.all_arrivals(), 1);
}

#[test]
fn a_full_house_makes_the_watch_wait_and_nothing_is_lost() {
    let mut share = Share::with(
        Options {
            channel: 1,
            ..Options::default()
        },
        |root| {
            for n in 0..50 {
                write(&root.join(format!("{n}.wav")), &whole(100));
            }
        },
    );
    // The second happening finds the channel full; the heart beats on while it waits.
    let early = share.watch.heartbeat();
    let until = std::time::Instant::now() + std::time::Duration::from_secs(30);
    while share.watch.heartbeat() < early + std::time::Duration::from_millis(300) {
        assert!(std::time::Instant::now() < until, "the heart has stopped");
        std::thread::yield_now();
    }
    for n in 0..50 {
        share.wait_for_arrival(&format!("{n}.wav"));
    }
    assert!(share.watch.stop_within(std::time::Duration::from_secs(30)));
}
