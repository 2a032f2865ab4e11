//! Where files and their papers lie when the house is done with them, and while it is at it.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use crate::support::*;

#[test]
fn a_cleared_file_appears_in_release_after_its_sidecar_and_whole() {
    let mut house = House::new();
    // The copy is made piece by piece: a folder on another file system, where there is one.
    let (elsewhere, _keep) = another_file_system(&house);
    let near = house.outbound("near");
    let far = house.guarded("far").goes_to("release", &elsewhere);
    house.configure(&[&near, &far], "");
    house.start();

    let stop = Arc::new(AtomicBool::new(false));
    let looks = Arc::new(AtomicUsize::new(0));
    let looker = {
        let (stop, looks) = (Arc::clone(&stop), Arc::clone(&looks));
        let folders = [house.path("release"), elsewhere.clone()];
        std::thread::spawn(move || {
            let mut met: Vec<(PathBuf, u64)> = Vec::new();
            while !stop.load(Ordering::Relaxed) {
                for folder in &folders {
                    for name in names_below(folder) {
                        let file = folder.join(&name);
                        let text = name.to_string_lossy().into_owned();
                        if text.starts_with('.') || !text.ends_with(".wav") {
                            continue;
                        }
                        // The name was seen; what has to be there before it must be there now.
                        assert!(sidecar_path(&file).is_file(), "{text} has no sidecar yet");
                        let bytes = fs::metadata(&file).unwrap().len();
                        match met.iter().find(|(known, _)| *known == file) {
                            Some((_, before)) => assert_eq!(bytes, *before, "{text} grew"),
                            None => met.push((file, bytes)),
                        }
                    }
                }
                looks.fetch_add(1, Ordering::Relaxed);
            }
            met
        })
    };
    let songs: Vec<String> = (0..6).map(|n| format!("song {n}.wav")).collect();
    for watch in [&near, &far] {
        for song in &songs {
            put(&watch.folder.join(song), &wav(4.0, 0.05, song));
        }
    }
    until("all are released", || {
        songs.iter().all(|song| {
            let stories = house.stories(song);
            stories.len() == 2 && stories.iter().all(|story| story.state.word() == "released")
        })
    });
    stop.store(true, Ordering::Relaxed);
    let met = looker
        .join()
        .expect("no look found a file without its sidecar");
    assert!(looks.load(Ordering::Relaxed) > 10);
    for folder in [house.path("release"), elsewhere] {
        for song in &songs {
            let file = folder.join(song);
            assert_eq!(digest(&file), digest_of(&wav(4.0, 0.05, song)));
            assert_eq!(sidecar(&file)["verdict"], "clear");
            assert_eq!(sidecar(&file)["custody"][2]["event"], "released");
        }
        assert_eq!(
            names_below(&folder).len(),
            12,
            "files and sidecars, nothing else"
        );
    }
    for (file, bytes) in met {
        assert_eq!(fs::metadata(file).unwrap().len(), bytes);
    }
    assert!(names_below(&near.folder).is_empty() && names_below(&far.folder).is_empty());
}

/// A folder on another file system than the house, or, where there is none, an ordinary one.
fn another_file_system(house: &House) -> (PathBuf, Option<tempfile::TempDir>) {
    let here = fs::metadata(house.dir.path()).unwrap().dev();
    let there = Path::new("/dev/shm");
    if fs::metadata(there).is_ok_and(|found| found.dev() != here)
        && let Ok(folder) = tempfile::Builder::new()
            .prefix("weighbridge-test-")
            .tempdir_in(there)
    {
        return (folder.path().to_owned(), Some(folder));
    }
    (house.folder("elsewhere"), None)
}

#[test]
fn a_stopped_file_goes_to_quarantine_with_a_note_and_a_clear_version_ends_the_thread() {
    let mut house = House::new();
    let watch = house.outbound("outbound");
    house.configure(&[&watch], "");
    house.start();
    let at = watch.folder.join("album/song.wav");
    fs::create_dir(watch.folder.join("album")).unwrap();
    put(&at, &loud("first"));
    let stop = house.wait_for_mail("song.wav");
    let quarantined = house.path("quarantine/album/song.wav");
    assert_eq!(digest(&quarantined), digest_of(&loud("first")));
    assert!(!at.exists());
    let note = fs::read_to_string(note_path(&at)).unwrap();
    for part in ["song.wav", "LUFS", quarantined.to_str().unwrap()] {
        assert!(note.contains(part), "the note does not say {part}:\n{note}");
    }
    let subject = stop.header("subject").unwrap();
    assert!(
        subject.starts_with("stopped: ") && subject.contains("song.wav"),
        "{subject}"
    );
    assert!(
        plain(&stop).contains(quarantined.to_str().unwrap()),
        "{}",
        plain(&stop)
    );

    // A second version that is stopped, too, then one that is clear.
    put(&at, &loud("second"));
    until("the second is put beside the first", || {
        house.stories("song.wav").len() == 2
            && house.path("quarantine/album/song (2).wav").is_file()
    });
    let second = house.path("quarantine/album/song (2).wav");
    assert_eq!(sidecar(&second)["revision"]["number"], 2);
    assert_eq!(
        sidecar(&second)["revision"]["replaces"],
        digest_of(&loud("first"))
    );
    assert_eq!(sidecar(&second)["verdict"], "stop");
    assert!(note_path(&at).is_file());
    until("the second stop is mailed", || {
        house.mails_about("song.wav").len() == 2
    });

    put(&at, &quiet("third"));
    house.wait_for("song.wav", "released");
    assert_eq!(
        digest(&house.path("release/album/song.wav")),
        digest_of(&quiet("third"))
    );
    assert!(
        !note_path(&at).exists(),
        "the note goes away when a clear version arrives"
    );
    let mut again = None;
    until("a mail says that it is clear again", || {
        let mails = house.mails_about("clear again");
        again = mails.into_iter().next();
        again.is_some()
    });
    let again = again.unwrap();
    let last_stop = house.mails_about("song.wav")[1]
        .header("message-id")
        .unwrap();
    assert_eq!(
        again.header("in-reply-to").as_deref(),
        Some(last_stop.as_str())
    );
    assert_eq!(
        digest(&quarantined),
        digest_of(&loud("first")),
        "nothing was overwritten"
    );
}

#[test]
fn a_name_that_is_taken_in_quarantine_gets_a_number_and_the_record_says_so() {
    let mut house = House::new();
    let watch = house.guarded("exports");
    house.configure(&[&watch], "");
    let theirs = house.path("quarantine/song.wav");
    put(&theirs, b"somebody's own");
    put(&house.path("quarantine/other.wav.sidecar.json"), b"{}");
    house.start();
    put(&watch.folder.join("song.wav"), &loud("song"));
    put(&watch.folder.join("other.wav"), &loud("other"));
    house.wait_for("song.wav", "quarantined");
    house.wait_for("other.wav", "quarantined");
    assert_eq!(fs::read(&theirs).unwrap(), b"somebody's own");
    assert_eq!(
        fs::read(house.path("quarantine/other.wav.sidecar.json")).unwrap(),
        b"{}"
    );
    for name in ["song", "other"] {
        let ours = house.path(&format!("quarantine/{name} (2).wav"));
        assert_eq!(digest(&ours), digest_of(&loud(name)));
        let says = &sidecar(&ours)["custody"][2];
        assert!(says["says"].as_str().unwrap().contains("taken"), "{says}");
        assert!(
            says["to"]
                .as_str()
                .unwrap()
                .ends_with(&format!("{name} (2).wav")),
            "{says}"
        );
    }
}

#[test]
fn without_a_quarantine_a_stopped_file_stays_is_marked_and_is_never_released() {
    let mut house = House::new();
    let watch = house
        .watch("outbound")
        .goes_to("release", &house.folder("release"));
    house.configure(&[&watch], "");
    house.start();
    let at = watch.folder.join("song.wav");
    put(&at, &loud("song"));
    house.wait_for("song.wav", "kept");
    house.wait_for_mail("song.wav");
    assert_eq!(digest(&at), digest_of(&loud("song")));
    assert_eq!(sidecar(&at)["verdict"], "stop");
    assert!(note_path(&at).is_file());
    assert!(names_below(&house.path("release")).is_empty());

    // The engineer exports over it.
    put(&at, &quiet("better"));
    house.wait_for("song.wav", "released");
    assert!(!note_path(&at).exists());
    let released = house.path("release/song.wav");
    assert_eq!(digest(&released), digest_of(&quiet("better")));
    assert_eq!(
        sidecar(&released)["revision"]["replaces"],
        digest_of(&loud("song"))
    );
}

#[test]
fn while_the_release_folder_is_away_nothing_goes_and_nothing_is_lost() {
    let mut house = House::new();
    let watch = house.outbound("outbound");
    house.configure(&[&watch], "");
    house.start();
    let (release, away) = (house.path("release"), house.path("away"));
    fs::rename(&release, &away).unwrap();
    put(&watch.folder.join("song.wav"), &quiet("song"));
    house.wait_for_mail(release.to_str().unwrap());
    let status = house.status();
    assert!(
        status.contains("trouble: ") && status.contains("release"),
        "{status}"
    );
    assert_eq!(
        digest(&watch.folder.join("song.wav")),
        digest_of(&quiet("song"))
    );
    assert!(!release.exists(), "a folder that is away is not made");

    fs::rename(&away, &release).unwrap();
    house.wait_for("song.wav", "released");
    assert_eq!(digest(&release.join("song.wav")), digest_of(&quiet("song")));
    until("the trouble is over", || {
        !house.status().contains("trouble")
    });
    assert_eq!(house.times_weighed("song.wav"), 1);
}

#[test]
fn a_file_in_the_place_of_the_quarantine_is_told_and_waited_out() {
    let mut house = House::new();
    let quarantine = house.path("not-a-folder");
    put(&quarantine, b"a file of somebody");
    let watch = house.watch("exports").goes_to("quarantine", &quarantine);
    house.configure(&[&watch], "");
    house.start();
    put(&watch.folder.join("song.wav"), &loud("song"));
    let told = house.wait_for_mail(quarantine.to_str().unwrap());
    assert!(plain(&told).contains("not a folder"), "{}", plain(&told));
    assert!(watch.folder.join("song.wav").is_file());
    assert_eq!(fs::read(&quarantine).unwrap(), b"a file of somebody");

    fs::remove_file(&quarantine).unwrap();
    fs::create_dir(&quarantine).unwrap();
    house.wait_for("song.wav", "quarantined");
    assert_eq!(
        digest(&quarantine.join("song.wav")),
        digest_of(&loud("song"))
    );
}

#[test]
fn a_file_below_a_quarantine_that_has_a_file_in_the_way_waits_and_is_told() {
    let mut house = House::new();
    let watch = house.guarded("exports");
    house.configure(&[&watch], "");
    // Where the sub-folder has to be made, somebody's file lies.
    put(&house.path("quarantine/album"), b"in the way");
    house.start();
    fs::create_dir(watch.folder.join("album")).unwrap();
    let at = watch.folder.join("album/song.wav");
    put(&at, &loud("song"));
    house.wait_for_mail("album/song.wav");
    assert_eq!(digest(&at), digest_of(&loud("song")));
    let status = house.status();
    assert!(
        status.contains("trouble") && status.contains("album/song.wav"),
        "{status}"
    );

    fs::remove_file(house.path("quarantine/album")).unwrap();
    house.wait_for("song.wav", "quarantined");
    assert_eq!(
        digest(&house.path("quarantine/album/song.wav")),
        digest_of(&loud("song"))
    );
    until("the trouble is over", || {
        !house.status().contains("trouble")
    });
}

#[test]
fn a_trouble_about_a_file_that_was_taken_away_is_over() {
    let mut house = House::new();
    let watch = house.guarded("exports");
    house.configure(&[&watch], "");
    put(&house.path("quarantine/album"), b"in the way");
    house.start();
    fs::create_dir(watch.folder.join("album")).unwrap();
    let at = watch.folder.join("album/song.wav");
    put(&at, &loud("song"));
    until("it is in trouble", || {
        house.status().contains("album/song.wav")
    });
    fs::remove_file(&at).unwrap();
    until("nothing is wrong any more", || {
        let status = house.status();
        !status.contains("trouble") && !status.contains("album/song.wav")
    });
}

#[test]
fn a_file_with_a_second_name_is_released_as_a_copy() {
    let mut house = House::new();
    let watch = house.outbound("outbound");
    house.configure(&[&watch], "");
    let other = house.path("other-name.wav");
    put(&other, &quiet("song"));
    house.start();
    fs::hard_link(&other, watch.folder.join("song.wav")).unwrap();
    house.wait_for("song.wav", "released");
    let released = house.path("release/song.wav");
    assert_eq!(digest(&released), digest_of(&quiet("song")));
    let (one, two) = (
        fs::metadata(&released).unwrap(),
        fs::metadata(&other).unwrap(),
    );
    assert_ne!(
        one.ino(),
        two.ino(),
        "somebody could write into what was released"
    );
    assert_eq!(digest(&other), digest_of(&quiet("song")));
    assert!(!watch.folder.join("song.wav").exists());
}

#[test]
fn a_quarantine_on_another_file_system_gets_a_verified_copy() {
    let mut house = House::new();
    let (elsewhere, keep) = another_file_system(&house);
    if keep.is_none() {
        eprintln!("there is no second file system here: nothing is shown");
        return;
    }
    let watch = house.watch("exports").goes_to("quarantine", &elsewhere);
    house.configure(&[&watch], "");
    house.start();
    let at = watch.folder.join("album/song.wav");
    fs::create_dir(watch.folder.join("album")).unwrap();
    put(&at, &loud("song"));
    let before = fs::metadata(&at).unwrap().modified().unwrap();
    house.wait_for("song.wav", "quarantined");
    let moved = elsewhere.join("album/song.wav");
    assert_eq!(digest(&moved), digest_of(&loud("song")));
    assert_eq!(fs::metadata(&moved).unwrap().modified().unwrap(), before);
    assert!(!at.exists() && note_path(&at).is_file());
    let names = names_below(&elsewhere);
    assert_eq!(names.len(), 2, "the file and its sidecar: {names:?}");
}

#[test]
fn records_may_lie_in_a_folder_of_their_own() {
    let mut house = House::new();
    let records = house.folder("records");
    let watch = house.outbound("outbound").goes_to("record", &records);
    house.configure(&[&watch], "");
    house.start();
    fs::create_dir(watch.folder.join("album")).unwrap();
    put(&watch.folder.join("album/good.wav"), &quiet("good"));
    put(&watch.folder.join("album/bad.wav"), &loud("bad"));
    house.wait_for("good.wav", "released");
    house.wait_for("bad.wav", "quarantined");
    for (name, verdict) in [("good", "clear"), ("bad", "stop")] {
        let record = read_json(&records.join(format!("album/{name}.wav.sidecar.json")));
        assert_eq!(record["verdict"], verdict);
    }
    assert_eq!(
        names_below(&house.path("release")),
        [PathBuf::from("album/good.wav")]
    );
    assert_eq!(
        names_below(&house.path("quarantine")),
        [PathBuf::from("album/bad.wav")]
    );
}
