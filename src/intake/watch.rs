//! One watch: its thread, and the handle by which others speak to it.

use std::collections::HashMap;
use std::io;
use std::path::Path;
use std::sync::mpsc::SyncSender;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{Builder, JoinHandle};
use std::time::{Duration, Instant};

use super::hints::{Answer, Inbox};
use super::scanner::Scanner;
use super::teller::Heart;
use super::{Happening, Hooks, WatchOrder};

/// How a watch stands, for the status page.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Standing {
    /// Finished scans of the whole root.
    pub scans: u64,
    pub last_scan_took: Duration,
    pub folders: usize,
    /// Seen, not settled.
    pub arriving: usize,
    /// Handed out, not answered.
    pub handed_out: usize,
    pub done: usize,
    /// What is wrong now: key and text.
    pub troubles: Vec<(String, String)>,
}

/// Starts a watch on a thread of its own, which may hang when its share is dead: nobody waits
/// for it, and [`WatchHandle::heartbeat`] tells.
///
/// `out` is bounded; while it is full the watch waits, and nothing is dropped. The watch ends when
/// it is told to, when the handle is dropped, or when nobody receives any more.
pub fn start(
    order: WatchOrder,
    hooks: Hooks,
    out: SyncSender<Happening>,
) -> io::Result<WatchHandle> {
    let inbox = Arc::new(Inbox::default());
    let heart = Arc::new(Heart::new());
    let standing = Arc::new(Mutex::new(Standing::default()));
    let name = Arc::clone(&order.name);
    let scanner = Scanner::new(
        order,
        hooks,
        out,
        Arc::clone(&inbox),
        Arc::clone(&heart),
        Arc::clone(&standing),
    );
    let troubles = scanner.troubles();
    let thread = Builder::new()
        .name(format!("watch {name}"))
        .spawn(move || scanner.run())?;
    Ok(WatchHandle {
        name,
        inbox,
        heart,
        standing,
        troubles,
        thread: Some(thread),
    })
}

/// Speaks to a running watch. No call waits for a disk.
#[derive(Debug)]
pub struct WatchHandle {
    name: Arc<str>,
    inbox: Arc<Inbox>,
    heart: Arc<Heart>,
    standing: Arc<Mutex<Standing>>,
    troubles: Arc<Mutex<HashMap<String, String>>>,
    thread: Option<JoinHandle<()>>,
}

impl WatchHandle {
    pub fn name(&self) -> &Arc<str> {
        &self.name
    }

    /// When the watch last moved. It moves every few seconds, so a heartbeat minutes old means
    /// that a call to its file system hangs.
    pub fn heartbeat(&self) -> Instant {
        self.heart.last_beat()
    }

    /// Brings the next scan of the whole root forward.
    pub fn scan_now(&self) {
        self.inbox.scan();
    }

    /// The arrival of this path (below the root) is dealt with. If the file has another identity
    /// by now, that is a new arrival; if custody has moved it away, it is forgotten silently.
    pub fn done(&self, path: &Path) {
        self.inbox.answer(path, Answer::Done);
    }

    /// The arrival of this path came to nothing (the file changed under the weigher, the share was
    /// away): it settles anew and arrives again. Also makes a file that is done arrive again.
    pub fn given_back(&self, path: &Path) {
        self.inbox.answer(path, Answer::GivenBack);
    }

    /// A file that is done settles anew and arrives again: what it was judged by has changed. One
    /// that waits or is handed out is left as it is.
    pub fn again(&self, path: &Path) {
        self.inbox.answer(path, Answer::Again);
    }

    pub fn standing(&self) -> Standing {
        let mut standing = self
            .standing
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone();
        standing.troubles = self
            .troubles
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .iter()
            .map(|(key, says)| (key.clone(), says.clone()))
            .collect();
        standing.troubles.sort();
        standing
    }

    /// Asks the watch to stop and does not wait: it may hang.
    pub fn stop(&self) {
        self.inbox.stop();
    }

    pub fn is_finished(&self) -> bool {
        self.thread.as_ref().is_none_or(JoinHandle::is_finished)
    }

    /// Stops, and waits for at most `patience`. `false`: it still hangs and is left behind.
    pub fn stop_within(mut self, patience: Duration) -> bool {
        self.stop();
        let until = Instant::now() + patience;
        while !self.is_finished() {
            if Instant::now() >= until {
                return false;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        // An error is a panic in the scanner, and the panic hook has told of it.
        self.thread
            .take()
            .is_none_or(|thread| thread.join().is_ok())
    }
}

impl Drop for WatchHandle {
    fn drop(&mut self) {
        self.inbox.stop();
    }
}
