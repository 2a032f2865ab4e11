//! Whatever dies, and whenever: each file is at one place, told once, weighed once.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use rustix::fs::{CWD, RenameFlags, renameat_with};

use crate::support::*;

/// A generator of moments (xorshift64), the same ones at every run.
struct Chance(u64);

impl Chance {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % limit
    }
}

/// Waits for a good moment for a kill, and not for long: there may be none any more.
fn soon(mut is_so: impl FnMut() -> bool) {
    let latest = Instant::now() + Duration::from_secs(4);
    while Instant::now() < latest && !is_so() {
        std::thread::sleep(Duration::from_millis(1));
    }
}

const KILLS: usize = 30;
const FILES: usize = 48;

/// Name, watch, whether it will be stopped.
fn delivery(n: usize) -> (String, usize, bool) {
    (format!("delivery-{n:02}.wav"), n % 2, !n.is_multiple_of(3))
}

fn bytes_of(n: usize) -> Vec<u8> {
    let (name, _, stopped) = delivery(n);
    // Some take a moment to copy and to weigh.
    let seconds = if n % 8 == 5 { 20.0 } else { 1.0 };
    wav(seconds, if stopped { 0.5 } else { 0.05 }, name)
}

#[test]
fn after_kills_at_any_moment_each_file_is_at_one_place_whole_and_told_once() {
    let mut house = House::new();
    let elsewhere = tempfile::Builder::new()
        .prefix("weighbridge-test-")
        .tempdir_in(if Path::new("/dev/shm").is_dir() {
            "/dev/shm"
        } else {
            "/tmp"
        })
        .unwrap();
    let far = |name: &str| {
        let folder = elsewhere.path().join(name);
        fs::create_dir(&folder).unwrap();
        folder
    };
    let near_watch = house.outbound("near");
    let far_watch = house
        .watch("far")
        .goes_to("quarantine", &far("quarantine"))
        .goes_to("release", &far("release"));
    let folders = [near_watch.folder.clone(), far_watch.folder.clone()];
    house.configure(&[&near_watch, &far_watch], "");

    let all_there = Arc::new(AtomicBool::new(false));
    let stream = {
        let (folders, all_there) = (folders.clone(), Arc::clone(&all_there));
        std::thread::spawn(move || {
            let mut chance = Chance(0x5EED);
            for n in 0..FILES {
                let (name, watch, _) = delivery(n);
                let (at, bytes) = (folders[watch].join(name), bytes_of(n));
                match n % 3 {
                    0 => put(&at, &bytes),
                    1 => {
                        let part = at.with_extension("part");
                        put(&part, &bytes);
                        fs::rename(part, &at).unwrap();
                    }
                    _ => {
                        let mut file = fs::File::create(&at).unwrap();
                        let pause = Duration::from_millis(chance.below(400));
                        write_slowly(&mut file, &bytes, 3, pause);
                        file.flush().unwrap();
                    }
                }
                std::thread::sleep(Duration::from_millis(chance.below(500)));
            }
            all_there.store(true, Ordering::Relaxed);
        })
    };
    let mut chance = Chance(0xDEAD);
    for kill in 0..KILLS {
        match kill % 6 {
            // In the middle of its start.
            5 => house.spawn(),
            // Whenever.
            0 => {
                house.start();
                std::thread::sleep(Duration::from_millis(chance.below(1_800)));
            }
            // While a file is weighed.
            1 | 3 => {
                house.start();
                soon(|| {
                    let under_way = house.ledger().under_way().unwrap();
                    under_way.iter().any(|file| file.state.word() == "settled")
                });
            }
            // While it is moved, recorded and noted.
            _ => {
                house.start();
                soon(|| !house.told("weighed").is_empty());
            }
        }
        std::thread::sleep(Duration::from_millis(chance.below(30)));
        house.kill();
    }
    stream.join().unwrap();
    assert!(all_there.load(Ordering::Relaxed));
    house.start();
    until("all are dealt with", || {
        (0..FILES).all(|n| {
            let (name, watch, _) = delivery(n);
            !folders[watch].join(name).exists()
        })
    });
    until("nothing is under way and no mail waits", || {
        let ledger = house.ledger();
        ledger.under_way().unwrap().is_empty() && ledger.undelivered_mails().unwrap().is_empty()
    });
    house.fence(&near_watch, "fence-near.wav");
    house.fence(&far_watch, "fence-far.wav");

    let places = [
        [house.path("release"), house.path("quarantine")],
        ["release", "quarantine"].map(|name| elsewhere.path().join(name)),
    ];
    let mut expected: BTreeSet<PathBuf> = BTreeSet::new();
    for n in 0..FILES {
        let (name, watch, stopped) = delivery(n);
        let folder = &places[watch][usize::from(stopped)];
        let file = folder.join(&name);
        assert!(
            fs::read(&file).is_ok_and(|found| found == bytes_of(n)),
            "{name} is not whole in {}",
            folder.display()
        );
        let record = sidecar(&file);
        assert_eq!(
            record["file"]["digests"]["blake3"],
            digest_of(&bytes_of(n)),
            "{name}"
        );
        assert_eq!(
            record["verdict"],
            if stopped { "stop" } else { "clear" },
            "{name}"
        );
        expected.extend([file.clone(), sidecar_path(&file)]);
        let note = note_path(&folders[watch].join(&name));
        assert_eq!(note.exists(), stopped, "{name}");
    }
    // And nothing else: no second copy, no temporary file, no second sidecar.
    for folder in places.iter().flatten() {
        let mut all = Vec::new();
        list_below(folder, &mut all);
        all.retain(|path| !path.to_string_lossy().contains("fence-"));
        for path in all {
            assert!(
                expected.contains(&path),
                "{} is one too many",
                path.display()
            );
        }
    }
    for folder in &folders {
        for name in names_below(folder) {
            assert!(
                name.to_string_lossy().ends_with(".stopped.txt"),
                "{name:?} was left behind"
            );
        }
    }
    // Each stop in one mail; a mail may have come twice, under the same Message-ID.
    let mut mails: BTreeMap<String, String> = BTreeMap::new();
    for mail in house.mail.mails() {
        let id = mail.header("message-id").unwrap();
        if let Some(before) = mails.insert(id.clone(), plain(&mail)) {
            assert_eq!(before, plain(&mail), "{id} came twice and differs");
        }
    }
    for n in 0..FILES {
        let (name, _, stopped) = delivery(n);
        let told = mails.values().filter(|text| text.contains(&name)).count();
        assert_eq!(told, usize::from(stopped), "mails about {name}");
    }
    assert!(!house.status().contains("trouble"), "{}", house.status());

    let log = house.whole_log();
    let met = |part: &str| {
        let of = |event: &&serde_json::Value| {
            event["message"].as_str().is_some_and(|m| m.contains(part))
        };
        log.iter().filter(of).count()
    };
    println!(
        "{KILLS} kills; deeds finished afterwards: {}, undone: {}; weighings used again: {}",
        met("earlier run is finished"),
        met("earlier run is undone"),
        met("known: the same bytes")
    );

    // After a clean stop and start nothing is weighed again.
    let (status, _) = house.stop();
    assert!(status.success());
    let mails_before = house.mail.mails().len();
    house.start();
    house.fence(&near_watch, "last-fence.wav");
    assert_eq!(house.told("weighed").len(), 1, "only the fence");
    assert_eq!(house.mail.mails().len(), mails_before + 1);
}

#[test]
fn a_kept_file_is_not_weighed_again_and_a_changed_one_is_a_new_revision() {
    let mut house = House::new();
    let watch = house.watch("exports");
    house.configure(&[&watch], "");
    house.start();
    let (good, bad) = (watch.folder.join("good.wav"), watch.folder.join("bad.wav"));
    put(&good, &quiet("good"));
    put(&bad, &loud("bad"));
    house.wait_for("good.wav", "kept");
    house.wait_for("bad.wav", "kept");
    house.wait_for_mail("bad.wav");
    let written = sidecar(&good)["written"].clone();

    house.stop();
    house.start();
    house.fence(&watch, "fence.wav");
    assert_eq!(house.times_weighed("good.wav"), 1);
    assert_eq!(house.times_weighed("bad.wav"), 1);
    assert_eq!(sidecar(&good)["written"], written);
    assert_eq!(house.mails_about("bad.wav").len(), 1);

    // Changed while nobody looks.
    house.stop();
    put(&good, &quiet("good, louder ending"));
    house.start();
    let mut revision = None;
    until("the new revision is recorded", || {
        let record = sidecar(&good);
        revision = Some(record["revision"].clone());
        record["file"]["digests"]["blake3"] == digest_of(&quiet("good, louder ending"))
    });
    let revision = revision.unwrap();
    assert_eq!(revision["number"], 2);
    assert_eq!(revision["replaces"], digest_of(&quiet("good")));
    let stories = house.stories("good.wav");
    assert_eq!(stories.len(), 2);
    assert_eq!(stories[0].previous, Some(stories[1].file));
    assert_eq!(house.times_weighed("good.wav"), 2);
    assert_eq!(house.times_weighed("bad.wav"), 1);
    let mut names = names_below(&watch.folder);
    names.retain(|name| !name.to_string_lossy().starts_with("fence"));
    assert_eq!(
        names.len(),
        5,
        "two files, two sidecars, one note: {names:?}"
    );
}

/// The folder is exchanged for a copy of it whose files have other inodes and times of change.
fn mount_anew(house: &House, folder: &Path) {
    let copy = house.path("copy");
    let copied = std::process::Command::new("cp")
        .arg("-a")
        .args([folder, &copy])
        .status()
        .unwrap();
    assert!(copied.success());
    renameat_with(CWD, &copy, CWD, folder, RenameFlags::EXCHANGE).unwrap();
    fs::remove_dir_all(copy).unwrap();
}

#[test]
fn a_share_that_comes_back_with_other_inodes_makes_no_old_file_new() {
    for while_running in [true, false] {
        let mut house = House::new();
        let watch = house
            .watch("exports")
            .line("kind = \"network\"\npoll = \"100ms\"");
        house.configure(&[&watch], "");
        house.start();
        put(&watch.folder.join("good.wav"), &quiet("good"));
        put(&watch.folder.join("bad.wav"), &loud("bad"));
        house.wait_for("good.wav", "kept");
        house.wait_for("bad.wav", "kept");
        house.wait_for_mail("bad.wav");
        let before = names_below(&watch.folder);
        let written = sidecar(&watch.folder.join("bad.wav"))["written"].clone();
        if !while_running {
            house.stop();
        }
        mount_anew(&house, &watch.folder);
        if !while_running {
            house.start();
        }
        until("both were met again", || {
            ["good.wav", "bad.wav"].iter().all(|name| {
                let stories = house.stories(name);
                stories.len() == 2 && stories[0].state.word() == "kept"
            })
        });
        house.fence(&watch, "fence.wav");
        assert_eq!(house.times_weighed("good.wav"), 1, "the digest was enough");
        assert_eq!(house.times_weighed("bad.wav"), 1);
        assert_eq!(house.mails_about("bad.wav").len(), 1, "no second mail");
        let mut after = names_below(&watch.folder);
        after.retain(|name| !name.to_string_lossy().starts_with("fence"));
        assert_eq!(after, before, "no second sidecar, no second note");
        let record = sidecar(&watch.folder.join("bad.wav"));
        assert_eq!(record["revision"]["number"], 1);
        assert_eq!(record["written"], written, "the weighing is the old one");
        house.stop();
    }
}
