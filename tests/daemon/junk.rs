//! What is nobody's delivery is left alone, and every legal name is dealt with.

use std::ffi::{OsStr, OsString};
use std::fs;
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::os::unix::fs::{FileTypeExt, symlink};

use rustix::fs::{CWD, FileType, Mode, mknodat};

use crate::support::*;

#[test]
fn junk_our_own_papers_and_other_files_are_left_alone() {
    let mut house = House::new();
    let watch = house.outbound("outbound");
    house.configure(&[&watch], "");
    let junk = [
        "._song.wav",
        ".DS_Store",
        ".hidden.wav",
        "song.wav.part",
        "song.wav.tmp",
        "song.wav.crdownload",
        "other.wav.sidecar.json",
        "other.wav.stopped.txt",
        "Thumbs.db",
        "~$notes.doc",
        "cover.jpg",
        "readme",
    ];
    let mut apple_double = vec![0x00, 0x05, 0x16, 0x07];
    apple_double.extend_from_slice(&[0; 78]);
    for name in junk {
        let bytes = match name {
            "._song.wav" => apple_double.clone(),
            _ => loud(name),
        };
        put(&watch.folder.join(name), &bytes);
    }
    fs::create_dir(watch.folder.join(".trash")).unwrap();
    put(&watch.folder.join(".trash/deleted.wav"), &loud("deleted"));
    house.start();
    house.fence(&watch, "fence.wav");
    for name in junk {
        assert!(watch.folder.join(name).is_file(), "{name} was moved");
        assert_eq!(house.times_weighed(name), 0, "{name}");
    }
    assert!(watch.folder.join(".trash/deleted.wav").is_file());
    assert_eq!(house.ledger().recent(100).unwrap().len(), 1);
    assert_eq!(names_below(&house.path("release")).len(), 0);
}

#[test]
fn other_files_are_stopped_where_the_watch_says_so() {
    let mut house = House::new();
    let strict = house.outbound("outbound").line("other_files = \"stop\"");
    let lenient = house.guarded("exports");
    house.configure(&[&strict, &lenient], "");
    house.start();
    put(&lenient.folder.join("cover.jpg"), b"no music");
    put(&strict.folder.join("notes.txt"), b"no music either");
    let story = house.wait_for("notes.txt", "quarantined");
    assert_eq!(story.verdict.as_deref(), Some("unread"));
    let moved = house.path("quarantine/notes.txt");
    assert_eq!(fs::read(&moved).unwrap(), b"no music either");
    assert_eq!(sidecar(&moved)["verdict"], "unread");
    house.wait_for_mail("notes.txt");
    house.fence(&lenient, "fence.wav");
    assert!(lenient.folder.join("cover.jpg").is_file());
    assert!(house.stories("cover.jpg").is_empty());
}

#[test]
fn what_is_no_file_is_never_followed_opened_or_moved_and_told_once() {
    let mut house = House::new();
    let watch = house.guarded("exports").line("poll = \"100ms\"");
    house.configure(&[&watch], "");
    let outside = house.folder("outside");
    put(&outside.join("real.wav"), &loud("real"));
    fs::create_dir(outside.join("below")).unwrap();
    put(&outside.join("below/deep.wav"), &loud("deep"));
    let (link, folder_link, dead) = ("link.wav", "folder-link", "dead.wav");
    symlink(outside.join("real.wav"), watch.folder.join(link)).unwrap();
    symlink(outside.join("below"), watch.folder.join(folder_link)).unwrap();
    symlink(outside.join("nothing"), watch.folder.join(dead)).unwrap();
    let fifo = watch.folder.join("fifo.wav");
    mknodat(CWD, &fifo, FileType::Fifo, Mode::from_raw_mode(0o600), 0).unwrap();
    house.start();
    house.fence(&watch, "fence.wav");

    for name in [link, folder_link, dead] {
        let found = fs::symlink_metadata(watch.folder.join(name)).unwrap();
        assert!(found.is_symlink(), "{name}");
    }
    assert!(fs::symlink_metadata(&fifo).unwrap().file_type().is_fifo());
    assert!(outside.join("real.wav").is_file() && outside.join("below/deep.wav").is_file());
    assert_eq!(
        house.ledger().recent(10).unwrap().len(),
        1,
        "only the fence"
    );
    for (name, what) in [
        (link, "symbolic link"),
        ("fifo.wav", "no file"),
        (dead, "link"),
    ] {
        let told = house.log();
        let about = told.iter().filter(|event| {
            event["path"] == name && event["message"].as_str().is_some_and(|m| m.contains(what))
        });
        assert_eq!(
            about.count(),
            1,
            "{name} is told once, however often it is seen"
        );
    }
}

fn names() -> Vec<OsString> {
    let mut names: Vec<OsString> = [
        "line\nbreak.wav",
        "-rf --help.wav",
        "<script>alert(1)<script>.wav",
        "cafe\u{301}.wav",
        "caf\u{e9} too.wav",
        " leading and trailing .wav",
        "quote\"and'back\\slash.wav",
        "percent%41%00.wav",
        "=?utf-8?Q?Bcc=3A?=.wav",
        "bell\u{7}\u{1b}[31m.wav",
        "\u{202e}vaw.evil.wav",
        "\u{1f3b5}.WAV",
    ]
    .map(OsString::from)
    .into();
    // NAME_MAX of Linux is 255 bytes.
    names.push(OsString::from(format!("{}.wav", "n".repeat(251))));
    names.push(OsString::from(format!("{}x.wav", "\u{e9}".repeat(125))));
    names.push(OsString::from_vec(b"not-utf8-\xff\xfe.wav".to_vec()));
    names
}

/// The sidecar that names the file of these bytes, wherever it is called what.
fn record_of(folder: &std::path::Path, bytes: &[u8]) -> serde_json::Value {
    let digest = digest_of(bytes);
    names_below(folder)
        .into_iter()
        .filter(|name| name.as_os_str().as_bytes().ends_with(b".sidecar.json"))
        .map(|name| read_json(&folder.join(name)))
        .find(|record| record["file"]["digests"]["blake3"] == digest)
        .expect("a sidecar of those bytes")
}

#[test]
fn every_legal_name_is_weighed_moved_recorded_and_mailed() {
    let mut house = House::new();
    let watch = house.outbound("outbound");
    house.configure(&[&watch], "");
    house.start();
    let clear: OsString = "clear ".into();
    let with = |start: &OsStr, name: &OsStr| {
        let mut whole = start.as_bytes().to_vec();
        whole.extend_from_slice(name.as_bytes());
        OsString::from_vec(whole)
    };
    for name in names() {
        put(&watch.folder.join(&name), &loud(&name));
        let other = with(&clear, &name);
        if other.len() <= 255 {
            put(&watch.folder.join(&other), &quiet(&other));
        }
    }
    until("all are dealt with", || {
        names_below(&watch.folder)
            .iter()
            .all(|name| name.as_os_str().as_bytes().ends_with(b".stopped.txt"))
    });
    let (quarantine, release) = (house.path("quarantine"), house.path("release"));
    for name in names() {
        let bytes = loud(&name);
        assert!(
            fs::read(quarantine.join(&name)).is_ok_and(|found| found == bytes),
            "{name:?} is not whole in the quarantine"
        );
        let record = record_of(&quarantine, &bytes);
        assert_eq!(record["verdict"], "stop", "{name:?}");
        if let Some(text) = name.to_str()
            && !text.contains(|c: char| c.is_control() || c == '\u{202e}')
        {
            // A backslash is doubled, so that `\xNN`, as which the others are written, is never
            // ambiguous.
            assert_eq!(
                record["file"]["name"],
                text.replace('\\', "\\\\"),
                "{name:?}"
            );
        }
        let other = with(&clear, &name);
        if other.len() <= 255 {
            let bytes = quiet(&other);
            assert!(
                fs::read(release.join(&other)).is_ok_and(|found| found == bytes),
                "{other:?} was not released"
            );
            assert_eq!(record_of(&release, &bytes)["verdict"], "clear");
        }
    }
    // One note for each, and none that lists another's name.
    let notes = names_below(&watch.folder);
    assert_eq!(notes.len(), names().len(), "{notes:?}");

    house.fence(&watch, "fence.wav");
    for mail in house.mail.mails() {
        let head = mail
            .raw
            .split(|byte| *byte == b'\n')
            .take_while(|line| line.len() > 1);
        let head: Vec<_> = head
            .map(|line| String::from_utf8_lossy(line).into_owned())
            .collect();
        assert!(!head.iter().any(|line| line.starts_with("Bcc")), "{head:?}");
        let html = mail.part("text/html").unwrap();
        assert!(!html.contains("<script>alert"), "{html}");
        assert!(!plain(&mail).contains(['\u{7}', '\u{1b}']));
    }
    // The commands can find any of them by its path.
    for name in names() {
        let shown = std::process::Command::new(BINARY)
            .arg("show")
            .arg("--config")
            .arg(house.config())
            .arg("--")
            .arg(watch.folder.join(&name))
            .output()
            .unwrap();
        assert!(shown.status.success(), "{name:?}: {shown:?}");
    }
}
