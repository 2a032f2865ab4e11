//! A real process that moves files is really killed.

use std::fs;
use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};

use super::*;

const CHILD_FOLDER: &str = "WEIGHBRIDGE_TEST_CUSTODY";

impl Studio {
    /// The studio in a folder that outlives the process.
    fn in_folder(folder: &Path) -> (Root, Root, Ledger) {
        (
            Root::new("outbound", folder.join("outbound")),
            Root::new("release", folder.join("release")),
            Ledger::open(&folder.join("state")).unwrap(),
        )
    }
}

/// The victim of the next test: releases all that lies in the outbound folder, one half by
/// rename and the other by copy, until it is killed.
#[test]
#[ignore = "runs as a process of its own, started by the kill test"]
fn victim() {
    let folder = std::env::var_os(CHILD_FOLDER).expect("started by the kill test");
    let (outbound, release, ledger) = Studio::in_folder(Path::new(&folder));
    finish_open_intents(&ledger).unwrap();
    let mut files = Vec::new();
    walk(&outbound.folder, &mut files);
    files.sort();
    for (number, path) in files.iter().enumerate() {
        let from = outbound.place(path.strip_prefix(&outbound.folder).unwrap());
        let bytes = fs::read(path).unwrap();
        let identity = Identity::of(&fs::metadata(path).unwrap());
        let key = FileKey {
            watch: "outbound",
            path: &from.path,
        };
        let file = ledger.settled(key, &identity).unwrap();
        let planned = plan(
            &ledger,
            &from,
            &Deed::Release {
                root: release.clone(),
            },
            None,
        )
        .unwrap();
        let papers = Papers {
            identity: &identity,
            blake3: &blake3::hash(&bytes).to_hex(),
            sidecar: &format!("sidecar {}", from.path.display()),
            note: None,
            events: Vec::new(),
            notice: None,
        };
        let means = if number % 2 == 0 { Means::ALL } else { COPYING };
        println!("begins");
        carry_out_watched(
            &ledger,
            file,
            &planned,
            papers,
            &mut Conduct::watched(means, |_, _| Go::On),
        )
        .unwrap();
    }
    println!("the end");
}

#[test]
fn a_process_that_is_killed_while_it_moves_files_loses_and_doubles_none() {
    const FILES: usize = 24;
    let folder = TempDir::new().unwrap();
    for root in ["outbound", "release"] {
        fs::create_dir(folder.path().join(root)).unwrap();
    }
    let content = |number: usize| vec![number as u8; 300_000 + number];
    for number in 0..FILES {
        fs::write(
            folder.path().join(format!("outbound/{number:02}.wav")),
            content(number),
        )
        .unwrap();
    }
    let mut kills = 0;
    loop {
        let mut victim = Command::new(std::env::current_exe().unwrap())
            .args([
                "--exact",
                "custody::tests::killed::victim",
                "--ignored",
                "--nocapture",
            ])
            .env(CHILD_FOLDER, folder.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // Killed in the middle of its second or third file, so that every round gets on.
        let (mut begun, mut ended) = (0, false);
        for line in BufReader::new(victim.stdout.take().unwrap())
            .lines()
            .map_while(Result::ok)
        {
            ended |= line.contains("the end");
            begun += usize::from(line.contains("begins"));
            if begun == 2 + kills % 2 && line.contains("begins") {
                victim.kill().unwrap();
            }
        }
        victim.wait().unwrap();

        // Before anything is put right: each file whole at one place at least, never in part
        // under a name that a courier would take.
        let mut all = Vec::new();
        for root in ["outbound", "release"] {
            walk(&folder.path().join(root), &mut all);
        }
        for number in 0..FILES {
            let whole = all
                .iter()
                .filter(|path| fs::read(path).unwrap() == content(number))
                .count();
            assert!(whole >= 1, "after {kills} kills file {number} is nowhere");
            let released = folder.path().join(format!("release/{number:02}.wav"));
            if released.exists() {
                assert_eq!(fs::read(&released).unwrap(), content(number));
                let sidecar = fs::read_to_string(
                    folder
                        .path()
                        .join(format!("release/{number:02}.wav.sidecar.json")),
                );
                assert_eq!(sidecar.unwrap(), format!("sidecar {number:02}.wav"));
            }
        }
        if ended {
            break;
        }
        kills += 1;
        assert!(kills < 100, "it does not get on");
    }
    assert!(kills >= 3, "killed {kills} times only");
    let (_, release, ledger) = Studio::in_folder(folder.path());
    assert_eq!(ledger.open_intents().unwrap(), vec![]);
    let mut all = Vec::new();
    for root in ["outbound", "release"] {
        walk(&folder.path().join(root), &mut all);
    }
    assert_eq!(all.len(), 2 * FILES, "{all:?}");
    let known = ledger.recent(u32::MAX).unwrap();
    for number in 0..FILES {
        let place = release.place(format!("{number:02}.wav"));
        assert_eq!(fs::read(place.absolute()).unwrap(), content(number));
        assert_eq!(
            known
                .iter()
                .filter(|story| story.place.as_ref() == Some(&place))
                .count(),
            1
        );
    }
}
