//! The ledger on real files: what it keeps over restarts and kills, and what it refuses.

use std::ffi::{OsStr, OsString};
use std::io::{BufRead, BufReader};
use std::os::unix::ffi::OsStringExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use jiff::{SignedDuration, Timestamp};
use tempfile::TempDir;

use super::*;
use crate::intake::Identity;

fn identity(inode: u64) -> Identity {
    Identity {
        // A network share's numbers do not fit a signed 64-bit column.
        device: u64::MAX,
        inode: u64::MAX - inode,
        bytes: 1000,
        modified_ns: -5,
        changed_ns: i128::from(i64::MAX) * 1_000_000_000,
        links: 1,
    }
}

fn key<'a>(path: &'a Path) -> FileKey<'a> {
    FileKey {
        watch: "exports",
        path,
    }
}

fn weighing(blake3: &str) -> Weighing {
    Weighing {
        identity: identity(1),
        bytes: 1000,
        blake3: blake3.to_owned(),
        sha256: "s".to_owned(),
        audio_blake3: None,
        profile: "stereo-music".to_owned(),
        profile_digest: "p".to_owned(),
        tool_version: "0.1.0".to_owned(),
        verdict: "stop".to_owned(),
        reason: "too loud".to_owned(),
        sidecar_json: "{\"as\":\"weighed\"}".to_owned(),
        basis: Basis::default(),
    }
}

fn exports() -> Root {
    Root::new("exports", "/srv/audio/exports")
}

fn intent(path: &Path, notice_key: &str) -> Intent {
    Intent {
        deed: DeedKind::Keep,
        from: exports().place(path),
        from_root_inode: u64::MAX,
        to: None,
        to_root_inode: None,
        identity: identity(1),
        blake3: "b".to_owned(),
        sidecar: exports().place("x.wav.sidecar.json"),
        sidecar_replaces: None,
        note: Some("a note".to_owned()),
        events: vec![event()],
        notice: Some(notice(notice_key)),
    }
}

fn event() -> CustodyEvent {
    CustodyEvent {
        at: "2026-05-04T17:20:11+01:00".to_owned(),
        event: CustodyEventKind::Kept,
        from: None,
        to: None,
        says: Some("no quarantine".to_owned()),
    }
}

fn notice(key: &str) -> NewNotice {
    NewNotice {
        kind: NoticeKind::Stop,
        key: key.to_owned(),
        payload_json: "{}".to_owned(),
        at: "2026-05-04T17:20:11.5Z".parse().unwrap(),
    }
}

fn outcome(path: &Path) -> Outcome {
    Outcome {
        state: FileState::Kept,
        events: vec![event()],
        place: exports().place(path),
        sidecar: exports().place("x.wav.sidecar.json"),
        sidecar_json: "{\"as\":\"written\"}".to_owned(),
    }
}

fn mail(message_id: &str) -> NewMail {
    NewMail {
        message_id: message_id.to_owned(),
        subject: "stopped: x".to_owned(),
        to: vec!["mastering@tallowstreet.example".to_owned()],
        raw: b"Subject: stopped: x\r\n\r\n\xff".to_vec(),
    }
}

/// Settles, weighs and keeps one file.
fn keep(ledger: &Ledger, path: &Path, blake3: &str, notice_key: &str) -> FileId {
    let file = ledger.settled(key(path), &identity(1)).unwrap();
    ledger.weighed(file, weighing(blake3)).unwrap();
    let intent = intent(path, notice_key);
    let id = ledger
        .intend(file, &intent, "{\"as\":\"written\"}")
        .unwrap();
    ledger
        .accomplish(id, outcome(path), intent.notice.clone())
        .unwrap();
    file
}

#[test]
fn only_one_weighbridge_uses_a_state_folder() {
    let state = TempDir::new().unwrap();
    let first = Ledger::open(state.path()).unwrap();
    let second = Ledger::open(state.path()).err().unwrap();
    assert!(matches!(second, LedgerError::InUse { .. }));
    let says = second.to_string();
    assert!(
        says.contains(&format!("process {}", std::process::id())),
        "{says}"
    );
    assert!(says.contains(state.path().to_str().unwrap()), "{says}");
    drop(first);
    Ledger::open(state.path()).unwrap();
}

#[test]
fn a_state_folder_that_is_missing_is_made_and_one_that_can_not_be_is_told() {
    let folder = TempDir::new().unwrap();
    Ledger::open(&folder.path().join("a/b")).unwrap();
    std::fs::write(folder.path().join("file"), "").unwrap();
    let error = Ledger::open(&folder.path().join("file/state"))
        .err()
        .unwrap();
    assert!(matches!(error, LedgerError::Unwritable { .. }), "{error}");
}

#[test]
fn network_file_systems_are_told_by_their_numbers() {
    // statfs(2), Linux man-pages: NFS_SUPER_MAGIC, CIFS_MAGIC_NUMBER (SMB), SMB_SUPER_MAGIC,
    // SMB2_MAGIC_NUMBER, EXT4_SUPER_MAGIC, XFS_SUPER_MAGIC, TMPFS_MAGIC
    for magic in [0x6969, 0xff534d42, 0x517b, 0xfe534d42] {
        assert!(lock::network(magic).is_some(), "{magic:#x}");
    }
    for magic in [0xef53, 0x58465342, 0x01021994] {
        assert_eq!(lock::network(magic), None, "{magic:#x}");
    }
}

#[test]
fn a_ledger_from_a_newer_version_is_refused_and_not_changed() {
    let state = TempDir::new().unwrap();
    drop(Ledger::open(state.path()).unwrap());
    let file = state.path().join("ledger.sqlite");
    let connection = rusqlite::Connection::open(&file).unwrap();
    connection.pragma_update(None, "user_version", 99).unwrap();
    drop(connection);
    let before = std::fs::read(&file).unwrap();
    for error in [
        Ledger::open(state.path()).err().unwrap(),
        Reader::open(state.path()).err().unwrap(),
    ] {
        assert!(matches!(error, LedgerError::Newer { found: 99, .. }));
        assert!(error.to_string().contains("newer weighbridge"), "{error}");
    }
    assert!(before == std::fs::read(&file).unwrap());
}

#[test]
fn what_is_not_our_ledger_is_refused_and_not_changed() {
    for (what, make) in [
        (
            "text",
            (|file: &Path| std::fs::write(file, "not a database at all".repeat(99)).unwrap())
                as fn(&Path),
        ),
        ("somebody's database", |file| {
            let connection = rusqlite::Connection::open(file).unwrap();
            connection
                .execute_batch("CREATE TABLE songs (name TEXT)")
                .unwrap();
        }),
        ("somebody's numbered database", |file| {
            let connection = rusqlite::Connection::open(file).unwrap();
            connection
                .execute_batch("PRAGMA user_version = 1; CREATE TABLE files (name TEXT)")
                .unwrap();
        }),
    ] {
        let state = TempDir::new().unwrap();
        let file = state.path().join("ledger.sqlite");
        make(&file);
        let before = std::fs::read(&file).unwrap();
        let error = Ledger::open(state.path()).err().unwrap();
        assert!(
            matches!(error, LedgerError::Foreign { .. }),
            "{what}: {error}"
        );
        assert!(before == std::fs::read(&file).unwrap(), "{what}");
    }
}

#[test]
fn the_same_file_is_known_again_after_a_restart_and_a_changed_one_is_a_revision() {
    let state = TempDir::new().unwrap();
    // Not UTF-8: a name from a share.
    let path = PathBuf::from(OsString::from_vec(b"sub/Caf\xe9.wav".to_vec()));
    let ledger = Ledger::open(state.path()).unwrap();
    assert_eq!(ledger.look_up(key(&path), &identity(1)).unwrap(), Seen::New);
    assert_eq!(
        ledger.revision_of(key(&path), "first").unwrap(),
        RevisionOf {
            number: 1,
            replaces: None
        }
    );
    let file = keep(&ledger, &path, "first", "k1");
    drop(ledger);

    let ledger = Ledger::open(state.path()).unwrap();
    assert_eq!(
        ledger.look_up(key(&path), &identity(1)).unwrap(),
        Seen::Same {
            file,
            state: FileState::Kept
        }
    );
    assert_eq!(
        ledger.look_up(key(&path), &identity(2)).unwrap(),
        Seen::Changed {
            last_blake3: Some("first".to_owned())
        }
    );
    assert_eq!(ledger.revision_of(key(&path), "first").unwrap().number, 1);
    let second = keep(&ledger, &path, "second", "k2");
    let story = ledger.story(second).unwrap().unwrap();
    assert_eq!(story.path, path);
    assert_eq!(story.revision, Some(2));
    assert_eq!(story.replaces.as_deref(), Some("first"));
    assert_eq!(story.previous, Some(file));
    // A share that came back with other inodes: the same bytes are not a new revision.
    let third = keep(&ledger, &path, "second", "k3");
    let story = ledger.story(third).unwrap().unwrap();
    assert_eq!(
        (story.revision, story.replaces.as_deref()),
        (Some(2), Some("first"))
    );
}

#[test]
fn an_earlier_weighing_counts_only_for_same_bytes_profile_name_and_version() {
    let state = TempDir::new().unwrap();
    let ledger = Ledger::open(state.path()).unwrap();
    let file = keep(&ledger, Path::new("a/x.wav"), "b", "k");
    let ask = |blake3: &str, profile: &str, name: &str, version: &str| {
        ledger
            .earlier(blake3, profile, OsStr::new(name), version)
            .unwrap()
    };
    let earlier = ask("b", "p", "x.wav", "0.1.0").unwrap();
    assert_eq!(earlier.file, file);
    assert_eq!(earlier.verdict, "stop");
    assert_eq!(earlier.sidecar_json, "{\"as\":\"written\"}");
    assert!(earlier.notified);
    assert_eq!(ask("other", "p", "x.wav", "0.1.0"), None);
    assert_eq!(ask("b", "other", "x.wav", "0.1.0"), None);
    assert_eq!(ask("b", "p", "other.wav", "0.1.0"), None);
    assert_eq!(ask("b", "p", "x.wav", "0.2.0"), None);
}

#[test]
fn a_deed_that_was_begun_is_found_again_whole_and_bars_a_second_one() {
    let state = TempDir::new().unwrap();
    let path = PathBuf::from(OsString::from_vec(b"Caf\xe9.wav".to_vec()));
    let ledger = Ledger::open(state.path()).unwrap();
    let file = ledger.settled(key(&path), &identity(1)).unwrap();
    ledger.weighed(file, weighing("b")).unwrap();
    let planned = intent(&path, "k");
    let id = ledger.intend(file, &planned, "text").unwrap();
    drop(ledger);

    let ledger = Ledger::open(state.path()).unwrap();
    assert_eq!(
        ledger.open_intents().unwrap(),
        vec![OpenIntent {
            id,
            file,
            intent: planned.clone(),
            sidecar_json: "text".to_owned()
        }]
    );
    assert!(matches!(
        ledger.intend(file, &planned, ""),
        Err(LedgerError::StillOpen(_))
    ));
    assert!(matches!(
        ledger.settled(key(&path), &identity(2)),
        Err(LedgerError::StillOpen(_))
    ));
    ledger.vanished(key(&path)).unwrap();
    assert_eq!(
        ledger.story(file).unwrap().unwrap().state,
        FileState::Weighed
    );

    ledger.abandon(id, "the disk is full").unwrap();
    assert_eq!(ledger.open_intents().unwrap(), vec![]);
    assert!(matches!(
        ledger.abandon(id, ""),
        Err(LedgerError::NotOpen(_))
    ));
    let under_way = ledger.under_way().unwrap();
    assert_eq!(under_way.len(), 1);
    assert_eq!(under_way[0].state, FileState::Arriving);
    assert_eq!(under_way[0].why.as_deref(), Some("the disk is full"));
    assert_eq!(
        ledger.waiting_notices().unwrap(),
        vec![],
        "nothing happened, nothing is told"
    );
}

#[test]
fn a_deed_and_its_notice_are_kept_together_or_not_at_all() {
    let state = TempDir::new().unwrap();
    let ledger = Ledger::open(state.path()).unwrap();
    let path = Path::new("x.wav");
    let file = ledger.settled(key(path), &identity(1)).unwrap();
    // A journal entry that is not open: the whole transaction must be without effect.
    let missing = ledger.accomplish(IntentId(7), outcome(path), Some(notice("k")));
    assert!(matches!(missing, Err(LedgerError::NotOpen(7))));
    assert_eq!(ledger.waiting_notices().unwrap(), vec![]);
    assert_eq!(
        ledger.story(file).unwrap().unwrap().state,
        FileState::Settled
    );
}

#[test]
fn the_same_key_is_told_once() {
    let state = TempDir::new().unwrap();
    let ledger = Ledger::open(state.path()).unwrap();
    assert!(ledger.notice(notice("k")).unwrap());
    assert!(!ledger.notice(notice("k")).unwrap());
    keep(&ledger, Path::new("x.wav"), "b", "k");
    let waiting = ledger.waiting_notices().unwrap();
    assert_eq!(waiting.len(), 1);
    let id = waiting[0].id;
    ledger
        .make_mail(&[id], mail("<1@tallowstreet.example>"))
        .unwrap();
    assert_eq!(ledger.waiting_notices().unwrap(), vec![]);
    assert!(
        !ledger.notice(notice("k")).unwrap(),
        "a mailed notice still counts"
    );
    let twice = ledger.make_mail(&[id], mail("<2@tallowstreet.example>"));
    assert!(matches!(twice, Err(LedgerError::AlreadyMailed(_))));
    let due = ledger.due_mails(Timestamp::now()).unwrap();
    assert_eq!(due.len(), 1, "the refused mail was not kept: {due:?}");
}

#[test]
fn a_mail_waits_through_a_restart_with_its_message_id_and_is_sent_once() {
    let state = TempDir::new().unwrap();
    let ledger = Ledger::open(state.path()).unwrap();
    ledger.notice(notice("k")).unwrap();
    let notices: Vec<i64> = ledger
        .waiting_notices()
        .unwrap()
        .iter()
        .map(|n| n.id)
        .collect();
    let id = ledger
        .make_mail(&notices, mail("<1@tallowstreet.example>"))
        .unwrap();
    let now = Timestamp::now();
    let later = now + SignedDuration::from_millis(1);
    ledger.mail_failed(id, later, "connection refused").unwrap();
    drop(ledger);

    let ledger = Ledger::open(state.path()).unwrap();
    assert_eq!(ledger.due_mails(now).unwrap(), vec![]);
    let due = ledger.due_mails(later).unwrap();
    let expected = mail("<1@tallowstreet.example>");
    assert_eq!(due.len(), 1);
    assert_eq!((due[0].id, due[0].attempts), (id, 1));
    assert_eq!(
        (&due[0].message_id, &due[0].raw, &due[0].to),
        (&expected.message_id, &expected.raw, &expected.to)
    );
    assert_eq!(
        ledger.undelivered_mails().unwrap()[0].error.as_deref(),
        Some("connection refused")
    );
    ledger.mail_sent(id, later).unwrap();
    assert_eq!(ledger.due_mails(later).unwrap(), vec![]);
    assert_eq!(ledger.undelivered_mails().unwrap(), vec![]);
    assert!(matches!(
        ledger.mail_sent(id, later),
        Err(LedgerError::NoSuchMail(_))
    ));
}

#[test]
fn a_mail_refused_for_good_is_not_tried_again_and_not_forgotten() {
    let state = TempDir::new().unwrap();
    let ledger = Ledger::open(state.path()).unwrap();
    let id = ledger
        .make_mail(&[], mail("<1@tallowstreet.example>"))
        .unwrap();
    ledger.mail_refused(id, "550 no such user").unwrap();
    assert_eq!(ledger.due_mails(Timestamp::MAX).unwrap(), vec![]);
    let undelivered = ledger.undelivered_mails().unwrap();
    assert!(undelivered[0].refused);
    assert_eq!(undelivered[0].error.as_deref(), Some("550 no such user"));
}

#[test]
fn times_in_the_ledger_sort_as_text() {
    // Without a fixed number of decimals "…11.5Z" would sort before "…11Z".
    let times = [
        "2026-05-04T17:20:11Z",
        "2026-05-04T17:20:11.000000001Z",
        "2026-05-04T17:20:11.5Z",
        "2026-05-04T17:20:12Z",
    ];
    let stamps: Vec<String> = times
        .iter()
        .map(|t| text::stamp(t.parse().unwrap()))
        .collect();
    assert!(stamps.is_sorted(), "{stamps:?}");
    for (text, stamp) in times.iter().zip(&stamps) {
        assert_eq!(
            text::time(stamp).unwrap(),
            text.parse::<Timestamp>().unwrap()
        );
    }
}

#[test]
fn a_kept_file_that_was_taken_is_gone_and_a_released_one_is_not() {
    let state = TempDir::new().unwrap();
    let ledger = Ledger::open(state.path()).unwrap();
    let kept = keep(&ledger, Path::new("kept.wav"), "b", "k");
    ledger.vanished(key(Path::new("kept.wav"))).unwrap();
    assert_eq!(ledger.story(kept).unwrap().unwrap().state, FileState::Gone);

    let path = Path::new("released.wav");
    let file = ledger.settled(key(path), &identity(1)).unwrap();
    let id = ledger.intend(file, &intent(path, "k2"), "").unwrap();
    let released = Outcome {
        state: FileState::Released,
        ..outcome(path)
    };
    ledger.accomplish(id, released, None).unwrap();
    ledger.vanished(key(path)).unwrap();
    assert_eq!(
        ledger.story(file).unwrap().unwrap().state,
        FileState::Released
    );
}

#[test]
fn people_see_what_is_under_way_and_what_was_while_the_daemon_runs_and_when_it_does_not() {
    let state = TempDir::new().unwrap();
    assert!(matches!(
        Reader::open(state.path()),
        Err(LedgerError::None { .. })
    ));
    let begin = Timestamp::now();
    let ledger = Ledger::open(state.path()).unwrap();
    let kept = keep(&ledger, Path::new("sub/x.wav"), "b", "k");
    ledger
        .arriving(
            key(Path::new("y.wav")),
            &identity(2),
            Some("its header is not finished"),
        )
        .unwrap();
    ledger
        .settled(key(Path::new("z.wav")), &identity(3))
        .unwrap();

    let reader = Reader::open(state.path()).unwrap();
    let mut under_way: Vec<_> = reader
        .under_way()
        .unwrap()
        .into_iter()
        .map(|u| (u.path, u.state, u.why))
        .collect();
    under_way.sort_by(|a, b| a.0.cmp(&b.0));
    assert_eq!(
        under_way,
        vec![
            (
                PathBuf::from("y.wav"),
                FileState::Arriving,
                Some("its header is not finished".to_owned())
            ),
            (PathBuf::from("z.wav"), FileState::Settled, None),
        ]
    );
    drop(reader);
    drop(ledger);

    let file = state.path().join("ledger.sqlite");
    for reader in [
        Reader::open(state.path()).unwrap(),
        Reader::as_it_lies(state.path(), &file).unwrap(),
    ] {
        let recent = reader.recent(10).unwrap();
        assert_eq!(
            recent.iter().map(|s| s.file).collect::<Vec<_>>(),
            vec![kept]
        );
        assert_eq!(recent[0].events, vec![event()]);
        for asked in [
            "x.wav",
            "sub/x.wav",
            "./sub/x.wav",
            "/srv/audio/exports/sub/x.wav",
            "/mnt/elsewhere/sub/x.wav",
        ] {
            let found = reader.find_by_name_or_path(Path::new(asked)).unwrap();
            assert_eq!(found.len(), 1, "{asked}");
        }
        for asked in ["other/x.wav", "wav", "/x.wav", "ub/x.wav", "/", ".."] {
            let found = reader.find_by_name_or_path(Path::new(asked)).unwrap();
            assert!(found.is_empty(), "{asked}");
        }
        assert_eq!(
            reader.sidecar_of(kept).unwrap().as_deref(),
            Some("{\"as\":\"written\"}")
        );
        let counts = reader.counts_since(begin).unwrap();
        assert_eq!(counts.verdicts.get("stop"), Some(&1));
        assert_eq!(counts.states.get("kept"), Some(&1));
        assert_eq!(
            reader.counts_since(Timestamp::now()).unwrap(),
            Counts::default()
        );
    }
}

#[test]
fn a_daemon_starts_although_somebody_is_reading() {
    let state = TempDir::new().unwrap();
    drop(Ledger::open(state.path()).unwrap());
    let reading = Reader::as_it_lies(state.path(), &state.path().join("ledger.sqlite")).unwrap();
    let path = state.path().to_owned();
    let daemon =
        std::thread::spawn(move || Ledger::open(&path).map(|ledger| ledger.id().to_owned()));
    drop(reading);
    assert_eq!(daemon.join().unwrap().unwrap().len(), 8);
}

#[test]
fn a_root_is_remembered() {
    let state = TempDir::new().unwrap();
    let root = crate::intake::RootMemory {
        device: u64::MAX,
        mount: 7,
        inode: u64::MAX - 1,
        mount_point: true,
        held_files: false,
    };
    let ledger = Ledger::open(state.path()).unwrap();
    assert_eq!(ledger.root("exports").unwrap(), None);
    ledger.remember_root("exports", root).unwrap();
    drop(ledger);
    let ledger = Ledger::open(state.path()).unwrap();
    assert_eq!(ledger.root("exports").unwrap(), Some(root));
}

#[test]
fn a_file_that_settles_again_takes_the_place_of_what_was_under_way() {
    let state = TempDir::new().unwrap();
    let ledger = Ledger::open(state.path()).unwrap();
    let path = Path::new("x.wav");
    let first = ledger.settled(key(path), &identity(1)).unwrap();
    ledger.weighed(first, weighing("b")).unwrap();
    let second = ledger.settled(key(path), &identity(2)).unwrap();
    let under_way = ledger.under_way().unwrap();
    assert_eq!(under_way.len(), 1);
    assert_eq!(under_way[0].state, FileState::Settled);
    assert_eq!(ledger.story(second).unwrap().unwrap().previous, Some(first));
    assert_eq!(ledger.recent(10).unwrap(), vec![]);
}

#[test]
fn names_are_readable_and_can_not_break_a_line() {
    let name = OsString::from_vec(b"a\nb\xff\xc3\xa9.wav".to_vec());
    assert_eq!(
        exports().place(&name).to_string(),
        "exports:a\\x0ab\\xff\u{e9}.wav"
    );
    assert_eq!(
        exports().place("sub/x.wav").to_string(),
        "exports:sub/x.wav"
    );
}

const CHILD_STATE: &str = "WEIGHBRIDGE_TEST_LEDGER";

/// The victim of the next test: keeps files until it is killed, and says what it has kept.
#[test]
#[ignore = "runs as a process of its own, started by the kill test"]
fn victim() {
    let state = std::env::var_os(CHILD_STATE).expect("started by the kill test");
    let ledger = Ledger::open(Path::new(&state)).unwrap();
    for number in 0_u64.. {
        let path = PathBuf::from(format!("{}-{number}.wav", std::process::id()));
        let file = keep(
            &ledger,
            &path,
            &format!("b{number}"),
            &path.display().to_string(),
        );
        println!("kept {} {}", file.0, path.display());
    }
}

#[test]
fn what_the_ledger_has_said_survives_a_kill_at_any_instant() {
    let state = TempDir::new().unwrap();
    let mut said: Vec<(FileId, String)> = Vec::new();
    for round in 0..6 {
        let mut victim = Command::new(std::env::current_exe().unwrap())
            .args([
                "--exact",
                "ledger::tests::victim",
                "--ignored",
                "--nocapture",
            ])
            .env(CHILD_STATE, state.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(victim.stdout.take().unwrap()).lines();
        let mut in_this_round = 0;
        // SIGKILL after a different number of files each time, somewhere within the next one;
        // what the victim had still said before it died is read to the end.
        while let Some(Ok(line)) = lines.next() {
            if let Some((_, kept)) = line.split_once("kept ") {
                let (id, path) = kept.split_once(' ').unwrap();
                said.push((FileId(id.parse().unwrap()), path.to_owned()));
                in_this_round += 1;
                if in_this_round == 1 + round * 3 {
                    victim.kill().unwrap();
                }
            }
        }
        victim.wait().unwrap();
        assert!(in_this_round > round * 3, "the victim died by itself");

        let ledger = Ledger::open(state.path()).unwrap();
        let sound: String = ledger
            .call(|c| {
                Ok(c.query_row("PRAGMA integrity_check", [], |row| row.get(0))
                    .unwrap())
            })
            .unwrap();
        assert_eq!(sound, "ok");
        let notices = ledger.waiting_notices().unwrap();
        for (file, path) in &said {
            let story = ledger
                .story(*file)
                .unwrap()
                .expect("it was said to be kept");
            assert_eq!(
                (story.state, story.path.as_path()),
                (FileState::Kept, Path::new(path))
            );
            assert_eq!(story.events, vec![event()]);
            assert!(
                notices
                    .iter()
                    .any(|n| n.key == *path && n.file == Some(*file))
            );
        }
        // A deed is whole: kept with its event and notice, or still open with neither.
        let kept = ledger.recent(u32::MAX).unwrap();
        assert_eq!(kept.len(), notices.len());
        assert!(
            kept.len() <= said.len() + round + 1,
            "at most one was kept and not said per kill"
        );
        let open = ledger.open_intents().unwrap();
        assert!(open.len() <= 1, "one thread, one deed");
        for entry in open {
            ledger.abandon(entry.id, "killed").unwrap();
        }
    }
}

#[test]
fn what_is_wrong_is_told_to_other_processes_until_it_is_over_or_a_daemon_starts_anew() {
    let folder = TempDir::new().unwrap();
    let ledger = Ledger::open(folder.path()).unwrap();
    ledger
        .trouble("a", "the share is away", "exports", "mount it")
        .unwrap();
    ledger
        .trouble("b", "the disk is full", "release", "")
        .unwrap();
    let looker = Reader::open(folder.path()).unwrap();
    let says = |reader: &Reader| -> Vec<String> {
        reader
            .troubles()
            .unwrap()
            .into_iter()
            .map(|t| t.says)
            .collect()
    };
    assert_eq!(says(&looker), ["the share is away", "the disk is full"]);
    assert!(looker.daemon_runs());

    let since = looker.troubles().unwrap()[0].since;
    ledger
        .trouble("a", "the share is still away", "exports", "mount it")
        .unwrap();
    assert_eq!(
        looker.troubles().unwrap()[0].since,
        since,
        "it has not begun anew"
    );
    ledger.trouble_over("b").unwrap();
    ledger.trouble_over("never was").unwrap();
    assert_eq!(says(&looker), ["the share is still away"]);

    drop(looker);
    drop(ledger);
    let looker = Reader::open(folder.path()).unwrap();
    assert!(!looker.daemon_runs());
    assert_eq!(
        says(&looker),
        ["the share is still away"],
        "it is what the last one knew"
    );
    drop(looker);
    let ledger = Ledger::open(folder.path()).unwrap();
    assert_eq!(
        says(&Reader::open(folder.path()).unwrap()),
        Vec::<String>::new()
    );
    drop(ledger);
}
