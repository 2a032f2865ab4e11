//! A small studio on real folders: an outbound watch, a place to release to, a quarantine, and
//! a ledger.

mod access;
mod deaths;
mod kept;
mod killed;
mod moves;
mod notes;

use std::ffi::OsStr;
use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use tempfile::TempDir;

use super::*;
use crate::intake::Identity;
use crate::ledger::{
    CustodyEvent, CustodyEventKind, FileId, FileKey, FileStory, Ledger, NewNotice, NoticeKind,
    Place, Root, Weighing,
};

/// One block of a copy and a bit.
fn music() -> Vec<u8> {
    (0..(1_u32 << 20) + 5)
        .map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8)
        .collect()
}

struct Studio {
    folder: TempDir,
    /// The ledger's own waiting for the disk is not what is tested here: in memory if possible.
    state: TempDir,
    /// Where the destinations are on another file system.
    elsewhere: Option<TempDir>,
    /// Taken out only to be opened anew.
    ledger: Option<Ledger>,
    bytes: Vec<u8>,
}

/// A file that was weighed, and its papers.
struct Weighed {
    file: FileId,
    from: Place,
    identity: Identity,
    blake3: String,
    sidecar: String,
}

impl Studio {
    fn new() -> Self {
        Self::with(TempDir::new().unwrap(), None)
    }

    /// With the destinations on another device. `None` (and a printed line) where this machine
    /// has none.
    fn across_devices() -> Option<Self> {
        let folder = TempDir::new().unwrap();
        let elsewhere = TempDir::new_in("/dev/shm").ok()?;
        let device = |folder: &TempDir| fs::metadata(folder.path()).unwrap().dev();
        if device(&folder) == device(&elsewhere) {
            println!("skipped: /dev/shm and the temporary folder are one file system");
            return None;
        }
        Some(Self::with(folder, Some(elsewhere)))
    }

    fn with(folder: TempDir, elsewhere: Option<TempDir>) -> Self {
        let state = TempDir::new_in("/dev/shm")
            .or_else(|_| TempDir::new())
            .unwrap();
        let ledger = Ledger::open(state.path()).unwrap();
        let studio = Self {
            folder,
            state,
            elsewhere,
            ledger: Some(ledger),
            bytes: music(),
        };
        for root in [
            studio.outbound(),
            studio.dispatch(),
            studio.quarantine(),
            studio.records(),
        ] {
            fs::create_dir(&root.folder).unwrap();
        }
        studio
    }

    fn root(&self, name: &str, away: bool) -> Root {
        let folder = match &self.elsewhere {
            Some(elsewhere) if away => elsewhere,
            _ => &self.folder,
        };
        Root::new(name, folder.path().join(name))
    }

    fn outbound(&self) -> Root {
        self.root("outbound", false)
    }

    fn dispatch(&self) -> Root {
        self.root("release", true)
    }

    fn quarantine(&self) -> Root {
        self.root("quarantine", true)
    }

    fn records(&self) -> Root {
        self.root("records", true)
    }

    fn release(&self) -> Deed {
        Deed::Release {
            root: self.dispatch(),
        }
    }

    fn stop(&self) -> Deed {
        Deed::Quarantine {
            root: self.quarantine(),
        }
    }

    fn ledger(&self) -> &Ledger {
        self.ledger.as_ref().unwrap()
    }

    /// As after a death: the ledger is opened anew.
    fn restart(&mut self) {
        self.ledger = None;
        self.ledger = Some(Ledger::open(self.state.path()).unwrap());
    }

    /// Makes the file with the studio's music.
    fn export(&self, path: impl AsRef<Path>) -> Weighed {
        self.export_bytes(path, &self.bytes)
    }

    fn export_bytes(&self, path: impl AsRef<Path>, bytes: &[u8]) -> Weighed {
        let from = self.outbound().place(path.as_ref());
        fs::create_dir_all(from.absolute().parent().unwrap()).unwrap();
        fs::write(from.absolute(), bytes).unwrap();
        self.weigh(from)
    }

    /// Tells the ledger what lies there.
    fn weigh(&self, from: Place) -> Weighed {
        let bytes = fs::read(from.absolute()).unwrap();
        let identity = Identity::of(&fs::symlink_metadata(from.absolute()).unwrap());
        let key = FileKey {
            watch: "outbound",
            path: &from.path,
        };
        let file = self.ledger().settled(key, &identity).unwrap();
        let blake3 = blake3::hash(&bytes).to_hex().to_string();
        let sidecar = format!("{{\"sidecar of settling\": {}}}\n", file.0);
        let weighing = Weighing {
            identity,
            bytes: identity.bytes,
            blake3: blake3.clone(),
            sha256: String::new(),
            audio_blake3: None,
            profile: "stereo-music".to_owned(),
            profile_digest: "p".to_owned(),
            tool_version: "0".to_owned(),
            basis: crate::ledger::Basis::default(),
            verdict: "clear".to_owned(),
            reason: String::new(),
            sidecar_json: sidecar.clone(),
        };
        self.ledger().weighed(file, weighing).unwrap();
        Weighed {
            file,
            from,
            identity,
            blake3,
            sidecar,
        }
    }

    fn plan(&self, weighed: &Weighed, deed: &Deed) -> Plan {
        plan(self.ledger(), &weighed.from, deed, None).unwrap()
    }

    fn carry(
        &self,
        weighed: &Weighed,
        deed: &Deed,
        conduct: &mut Conduct<'_>,
    ) -> Result<Done, CustodyError> {
        let plan = self.plan(weighed, deed);
        self.carry_plan(weighed, &plan, conduct)
    }

    fn carry_plan(
        &self,
        weighed: &Weighed,
        plan: &Plan,
        conduct: &mut Conduct<'_>,
    ) -> Result<Done, CustodyError> {
        let stopped = matches!(plan.deed, crate::ledger::DeedKind::Quarantine);
        let papers = Papers {
            identity: &weighed.identity,
            blake3: &weighed.blake3,
            sidecar: &weighed.sidecar,
            note: stopped.then_some("too loud\n"),
            events: vec![CustodyEvent {
                at: "2026-05-04T17:20:11+01:00".to_owned(),
                event: CustodyEventKind::Released,
                from: Some(plan.from.to_string()),
                to: plan.to.as_ref().map(ToString::to_string),
                says: None,
            }],
            notice: Some(NewNotice {
                kind: NoticeKind::Stop,
                key: format!("file {}", weighed.file.0),
                payload_json: "{}".to_owned(),
                at: "2026-05-04T17:20:11Z".parse().unwrap(),
            }),
        };
        carry_out_watched(self.ledger(), weighed.file, plan, papers, conduct)
    }

    fn story(&self, file: FileId) -> FileStory {
        self.ledger().story(file).unwrap().unwrap()
    }

    fn is_noticed(&self, file: FileId) -> bool {
        let waiting = self.ledger().waiting_notices().unwrap();
        waiting.iter().any(|notice| notice.file == Some(file))
    }

    /// All files below the roots, sorted; the ledger's own are not among them.
    fn files(&self) -> Vec<PathBuf> {
        let mut files = Vec::new();
        for root in [
            self.outbound(),
            self.dispatch(),
            self.quarantine(),
            self.records(),
        ] {
            walk(&root.folder, &mut files);
        }
        files.sort();
        files
    }

    /// Where the whole music lies, under whatever name.
    fn copies(&self) -> Vec<PathBuf> {
        let whole = |path: &PathBuf| fs::read(path).unwrap() == self.bytes;
        self.files().into_iter().filter(whole).collect()
    }

    fn assert_no_leftovers(&self, when: &str) {
        let ours = |path: &PathBuf| name_of(path).starts_with(".weighbridge-");
        let left: Vec<PathBuf> = self.files().into_iter().filter(ours).collect();
        assert!(left.is_empty(), "{when}: {left:?}");
    }
}

fn walk(folder: &Path, files: &mut Vec<PathBuf>) {
    let Ok(entries) = fs::read_dir(folder) else {
        return;
    };
    for entry in entries {
        let entry = entry.unwrap();
        if entry.file_type().unwrap().is_dir() {
            walk(&entry.path(), files);
        } else {
            files.push(entry.path());
        }
    }
}

fn name_of(path: &Path) -> String {
    path.file_name()
        .unwrap_or(OsStr::new(""))
        .to_string_lossy()
        .into_owned()
}

/// Does something just before the step, the first time that it comes.
fn just_before<'a>(means: Means, step: Step, deed: impl FnOnce() + 'a) -> Conduct<'a> {
    let mut deed = Some(deed);
    Conduct::watched(means, move |now, _| {
        if now == step
            && let Some(deed) = deed.take()
        {
            deed();
        }
        Go::On
    })
}

const COPYING: Means = Means {
    same_device: false,
    ..Means::ALL
};
const LINKING: Means = Means {
    rename_without_replacing: false,
    ..Means::ALL
};
const CLAIMING: Means = Means {
    links: false,
    ..LINKING
};
