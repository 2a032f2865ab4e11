//! The real daemon as a child process, and the word to stop that reaches both.
//!
//! In: the demo's folder. Out: a running `weighbridge run`, its status page, and how it ended.
//! Whatever happens to the demo, the daemon is asked to stop. Knows nothing of the scenario.

use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use anyhow::{Context, bail};
use rustix::process::{Pid, Signal, kill_process};
use tokio::signal::unix::{SignalKind, signal};

/// Between two looks at a process or a page: own choice.
pub const LOOK_AGAIN: Duration = Duration::from_millis(100);

/// How long the daemon may take to begin, and to end: it has 10 s of grace for a mail and 15 s
/// for its page by its own rules; the rest is for a busy machine.
const BEGIN: Duration = Duration::from_secs(30);
const END: Duration = Duration::from_secs(45);

pub struct Daemon {
    child: Child,
    log: PathBuf,
    page: SocketAddr,
    ended: bool,
}

impl Daemon {
    /// Starts this very program as a daemon on `config`, its log in `log`, and waits until its
    /// page answers.
    pub fn start(
        config: &Path,
        log: PathBuf,
        page: SocketAddr,
        word: &StopWord,
    ) -> anyhow::Result<Self> {
        let program = std::env::current_exe().context("this program can not find itself")?;
        let written = File::create(&log).with_context(|| log.display().to_string())?;
        let child = Command::new(&program)
            .arg("run")
            .arg("--config")
            .arg(config)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(written)
            // What a service manager says to the demo is not meant for its child.
            .env_remove("NOTIFY_SOCKET")
            .env_remove("WATCHDOG_USEC")
            .env_remove("JOURNAL_STREAM")
            // A group of its own: Ctrl-C reaches the demo, and the demo stops the daemon.
            .process_group(0)
            .spawn()
            .with_context(|| format!("{} could not be started", program.display()))?;
        let mut daemon = Self {
            child,
            log,
            page,
            ended: false,
        };
        let deadline = Instant::now() + BEGIN;
        while get(daemon.page, "/alive").is_err() {
            daemon.must_run(word)?;
            if Instant::now() >= deadline {
                bail!(
                    "the daemon did not begin within {} s; its log is {}",
                    BEGIN.as_secs(),
                    daemon.log.display()
                );
            }
            thread::sleep(LOOK_AGAIN);
        }
        Ok(daemon)
    }

    /// Errors: the daemon ended by itself (with its last words), or the demo is told to stop.
    pub fn must_run(&mut self, word: &StopWord) -> anyhow::Result<()> {
        if word.was_said() {
            bail!("interrupted: the daemon was stopped, and all is left as it is");
        }
        let Some(status) = self.child.try_wait()? else {
            return Ok(());
        };
        self.ended = true;
        let log = fs::read(&self.log).unwrap_or_default();
        let log = String::from_utf8_lossy(&log);
        bail!(
            "the daemon ended by itself ({status}); the last lines of its log, {}:\n{}",
            self.log.display(),
            last_lines(&log, 5)
        );
    }

    /// The page for people, as it is now.
    pub fn page(&self) -> io::Result<Vec<u8>> {
        get(self.page, "/")
    }

    /// Asks it to stop with SIGTERM and waits for its end.
    pub fn stop(mut self) -> anyhow::Result<ExitStatus> {
        self.end()
    }

    fn end(&mut self) -> anyhow::Result<ExitStatus> {
        self.ended = true;
        kill_process(Pid::from_child(&self.child), Signal::TERM)
            .context("the daemon can not be asked to stop")?;
        let deadline = Instant::now() + END;
        loop {
            if let Some(status) = self.child.try_wait()? {
                return Ok(status);
            }
            if Instant::now() >= deadline {
                self.child.kill()?;
                self.child.wait()?;
                bail!(
                    "the daemon did not stop within {} s of SIGTERM and was killed; its log is {}",
                    END.as_secs(),
                    self.log.display()
                );
            }
            thread::sleep(LOOK_AGAIN);
        }
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        if !self.ended
            && let Err(failed) = self.end()
        {
            let _ = writeln!(io::stderr(), "weighbridge: {failed:#}");
        }
    }
}

fn last_lines(text: &str, count: usize) -> String {
    let lines: Vec<&str> = text.lines().collect();
    lines[lines.len().saturating_sub(count)..].join("\n")
}

/// An address of this machine that nobody listens on at this moment.
pub fn free_address() -> io::Result<SocketAddr> {
    TcpListener::bind(("127.0.0.1", 0))?.local_addr()
}

/// The body of a page of the daemon's, asked for in HTTP/1.1 (RFC 9112).
fn get(address: SocketAddr, path: &str) -> io::Result<Vec<u8>> {
    let patience = Duration::from_secs(10);
    let mut stream = TcpStream::connect_timeout(&address, patience)?;
    stream.set_read_timeout(Some(patience))?;
    write!(
        stream,
        "GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n"
    )?;
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer)?;
    body_of(&answer).map(<[u8]>::to_vec)
}

fn body_of(answer: &[u8]) -> io::Result<&[u8]> {
    let head = answer.windows(4).position(|window| window == b"\r\n\r\n");
    match head {
        Some(end) if answer.starts_with(b"HTTP/1.1 200 ") => Ok(&answer[end + 4..]),
        _ => {
            let first = answer.split(|&byte| byte == b'\r').next();
            let first = String::from_utf8_lossy(first.unwrap_or_default()).into_owned();
            Err(io::Error::other(format!("the page answered {first:?}")))
        }
    }
}

/// Whether somebody asked the demo to stop: Ctrl-C, a closed terminal, SIGTERM.
#[derive(Clone, Default)]
pub struct StopWord(Arc<AtomicBool>);

impl StopWord {
    /// From now on the signals are heard here, and end nothing by themselves.
    pub fn listen() -> anyhow::Result<Self> {
        let word = Self::default();
        let theirs = word.clone();
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()?;
        let (mut interrupt, mut hangup, mut term) = {
            let _in = runtime.enter();
            (
                signal(SignalKind::interrupt())?,
                signal(SignalKind::hangup())?,
                signal(SignalKind::terminate())?,
            )
        };
        thread::Builder::new()
            .name("signals".into())
            .spawn(move || {
                runtime.block_on(async {
                    tokio::select! {
                        _ = interrupt.recv() => {}
                        _ = hangup.recv() => {}
                        _ = term.recv() => {}
                    }
                });
                theirs.0.store(true, Ordering::Relaxed);
            })?;
        Ok(word)
    }

    fn was_said(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_is_what_stands_after_the_head_of_a_good_answer() {
        assert_eq!(body_of(b"HTTP/1.1 200 OK\r\na: b\r\n\r\nx").unwrap(), b"x");
        for bad in [&b""[..], b"HTTP/1.1 500 No\r\n\r\nx", b"HTTP/1.1 200 OK"] {
            assert!(body_of(bad).is_err());
        }
    }

    #[test]
    fn the_last_words_are_the_last_lines() {
        assert_eq!(last_lines("a\nb\nc\n", 2), "b\nc");
        assert_eq!(last_lines("a", 5), "a");
    }
}
