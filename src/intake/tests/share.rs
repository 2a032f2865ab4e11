//! A watched folder, the watch on it, and what it has told.

use std::fs::{self, File};
use std::io::Write;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use crate::config::{OtherFiles, RecordPlace, Watch, WatchKind};
use crate::intake::*;

/// How long anything may take, on a machine that does ten other things.
const DEADLINE: Duration = Duration::from_secs(30);
/// No scan comes of itself in a test that takes this interval.
pub const NEVER: Duration = Duration::from_secs(3600);
pub const OFTEN: Duration = Duration::from_millis(100);
pub const SETTLE: Duration = Duration::from_millis(200);

/// A delivery of our own kind: its whole length in the first 8 bytes, then no zero byte.
pub fn whole(bytes: usize) -> Vec<u8> {
    let mut content = vec![0x55; bytes];
    content[..8].copy_from_slice(&(bytes as u64).to_le_bytes());
    content
}

/// Whether such a delivery is complete.
fn probe(path: &Path) -> std::io::Result<Probe> {
    let file = File::open(path)?;
    let length = file.metadata()?.len();
    let mut header = [0; 8];
    file.read_exact_at(&mut header, 0)?;
    let says = u64::from_le_bytes(header);
    if says != length {
        return Ok(Probe::Incomplete(format!(
            "it says {says} bytes and has {length}"
        )));
    }
    let mut last = [0; 1];
    file.read_exact_at(&mut last, length - 1)?;
    if last == [0] {
        return Ok(Probe::Incomplete("its end is not written".to_owned()));
    }
    Ok(Probe::Complete)
}

pub struct Options {
    pub kind: WatchKind,
    pub poll: Duration,
    pub patience: Duration,
    pub other_files: OtherFiles,
    pub root_before: Option<RootMemory>,
    pub make_root: bool,
    pub channel: usize,
    pub leave: Vec<&'static str>,
    /// Paths that the ledger knows.
    pub known: Vec<&'static str>,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            kind: WatchKind::Local,
            poll: NEVER,
            patience: NEVER,
            other_files: OtherFiles::Leave,
            root_before: None,
            make_root: true,
            channel: 10_000,
            leave: Vec::new(),
            known: Vec::new(),
        }
    }
}

pub struct Share {
    _outer: tempfile::TempDir,
    pub root: PathBuf,
    /// On the same file system, not watched.
    pub beside: PathBuf,
    pub watch: WatchHandle,
    heard: Receiver<Happening>,
    pub told: Vec<Happening>,
    /// What the ledger was asked about.
    pub asked: Arc<Mutex<Vec<(PathBuf, Identity)>>>,
    pub remembered: Arc<Mutex<Vec<RootMemory>>>,
}

impl Share {
    pub fn new(options: Options) -> Self {
        Self::with(options, |_| {})
    }

    /// `before`: what is done in the root before the watch starts.
    pub fn with(options: Options, before: impl FnOnce(&Path)) -> Self {
        let outer = tempfile::tempdir().expect("a temporary folder");
        // The kernel's events speak of the folder by the name that it was watched under.
        let root = outer.path().join("exports");
        let beside = outer.path().join("beside");
        fs::create_dir(&beside).expect("made");
        if options.make_root {
            fs::create_dir(&root).expect("made");
            before(&root);
        }
        let leave: Vec<PathBuf> = options.leave.iter().map(|l| root.join(l)).collect();
        let order = WatchOrder::new(&watch(&root, &options), &leave).expect("good globs");
        let asked: Arc<Mutex<Vec<(PathBuf, Identity)>>> = Arc::default();
        let remembered: Arc<Mutex<Vec<RootMemory>>> = Arc::default();
        let (asks, remembers) = (Arc::clone(&asked), Arc::clone(&remembered));
        let known = options.known;
        let hooks = Hooks {
            probe: Arc::new(probe),
            known: Arc::new(move |watch, path, identity| {
                assert_eq!(watch, "exports");
                let mut asks = asks.lock().expect("no panic");
                asks.push((path.to_path_buf(), *identity));
                known.iter().any(|known| Path::new(known) == path)
            }),
            root_before: options.root_before,
            root_seen: Arc::new(move |memory| {
                remembers.lock().expect("no panic").push(*memory);
            }),
        };
        let (out, heard) = sync_channel(options.channel);
        let watch = start(order, hooks, out).expect("a thread");
        Self {
            _outer: outer,
            root,
            beside,
            watch,
            heard,
            told: Vec::new(),
            asked,
            remembered,
        }
    }

    pub fn write(&self, path: &str, content: &[u8]) {
        write(&self.root.join(path), content);
    }

    /// The first happening that fits, of those told and those to come.
    pub fn wait_for(&mut self, what: &str, fits: impl Fn(&Happening) -> bool) -> Happening {
        let until = Instant::now() + DEADLINE;
        let mut next = 0;
        loop {
            while let Some(happening) = self.told.get(next) {
                if fits(happening) {
                    return happening.clone();
                }
                next += 1;
            }
            let left = until.saturating_duration_since(Instant::now());
            match self.heard.recv_timeout(left) {
                Ok(happening) => self.told.push(happening),
                Err(RecvTimeoutError::Timeout) => panic!("{what}: only {:#?}", self.told),
                Err(RecvTimeoutError::Disconnected) => panic!("{what}: the watch has ended"),
            }
        }
    }

    pub fn wait_for_arrival(&mut self, path: &str) -> Arrival {
        let happening = self.wait_for(
            path,
            |h| matches!(h, Happening::Arrived(a) if a.path == Path::new(path)),
        );
        match happening {
            Happening::Arrived(arrival) => arrival,
            other => panic!("{other:?}"),
        }
    }

    /// Waits for the remark that `path` is waited for because of `why`.
    pub fn wait_for_arriving(&mut self, path: &str, why: &str) {
        let wanted = Path::new(path);
        self.wait_for(
            why,
            |h| matches!(h, Happening::Arriving { path, why: w, .. } if path == wanted && w.contains(why)),
        );
    }

    pub fn wait_for_trouble(&mut self, key: &str) -> String {
        let happening = self.wait_for(
            key,
            |h| matches!(h, Happening::Trouble { key: k, .. } if k == key),
        );
        match happening {
            Happening::Trouble { says, .. } => says,
            other => panic!("{other:?}"),
        }
    }

    pub fn wait_for_trouble_over(&mut self, key: &str) {
        self.wait_for(
            key,
            |h| matches!(h, Happening::TroubleOver { key: k, .. } if k == key),
        );
    }

    pub fn wait_for_gone(&mut self, path: &str) {
        let wanted = Path::new(path);
        self.wait_for(
            path,
            |h| matches!(h, Happening::Gone { path, .. } if path == wanted),
        );
    }

    pub fn wait_for_told(&mut self, path: &str) -> String {
        let wanted = Path::new(path);
        let happening = self.wait_for(
            path,
            |h| matches!(h, Happening::Told { path, .. } if path == wanted),
        );
        match happening {
            Happening::Told { says, .. } => says,
            other => panic!("{other:?}"),
        }
    }

    /// Scans until `times` scans that began after this call are over and nothing settles any
    /// more: then whatever was to be told has been told.
    pub fn come_to_rest(&mut self, times: u64) {
        let until = Instant::now() + DEADLINE;
        // The first one to end may have begun before.
        let mut wanted = self.watch.standing().scans + times + 1;
        loop {
            self.watch.scan_now();
            while let Ok(happening) = self.heard.recv_timeout(Duration::from_millis(5)) {
                self.told.push(happening);
            }
            let standing = self.watch.standing();
            if standing.scans >= wanted {
                if standing.arriving == 0 {
                    return;
                }
                wanted = standing.scans + 1;
            }
            assert!(Instant::now() < until, "{standing:?}: {:#?}", self.told);
        }
    }

    pub fn arrivals(&self, path: &str) -> usize {
        self.told
            .iter()
            .filter(|h| matches!(h, Happening::Arrived(a) if a.path == Path::new(path)))
            .count()
    }

    pub fn all_arrivals(&self) -> usize {
        self.told
            .iter()
            .filter(|h| matches!(h, Happening::Arrived(_)))
            .count()
    }

    pub fn gone(&self) -> usize {
        self.told
            .iter()
            .filter(|h| matches!(h, Happening::Gone { .. }))
            .count()
    }

    /// Exactly one arrival, of the file as it lies there now.
    pub fn arrives_once(&mut self, path: &str) -> Arrival {
        let arrival = self.wait_for_arrival(path);
        self.come_to_rest(2);
        let now = fs::symlink_metadata(self.root.join(path)).expect("it lies there");
        assert_eq!(arrival.identity, Identity::of(&now));
        assert_eq!(self.arrivals(path), 1, "{:#?}", self.told);
        arrival
    }
}

pub fn write(path: &Path, content: &[u8]) {
    let mut file = File::create(path).expect("created");
    file.write_all(content).expect("written");
}

fn watch(root: &Path, options: &Options) -> Watch {
    Watch {
        name: "exports".to_owned(),
        folder: root.to_path_buf(),
        kind: options.kind,
        poll: options.poll,
        settle: SETTLE,
        patience: options.patience,
        profile: "stereo-music".to_owned(),
        routes: Vec::new(),
        quarantine: None,
        release: None,
        signoffs: 0,
        record: RecordPlace::Beside,
        md5: false,
        other_files: options.other_files,
        audio_extensions: vec!["wav".to_owned()],
        ignore: Vec::new(),
    }
}
