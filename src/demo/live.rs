//! Looks on while the daemon works: a line for each file that it has dealt with.
//!
//! In: the ledger, opened for reading as any other program would. Out: lines, and the word that
//! all is done or the time is up. Judges nothing.

use std::collections::HashSet;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use super::daemon::{Daemon, LOOK_AGAIN, StopWord};
use super::scenario::Delivery;
use super::summary::{COLUMNS, cut_middle};
use crate::ledger::{FileId, FileStory, Reader};
use crate::record::{one_line, printable};

/// After the last byte was written: the longest wait of the scenario is for the broken copy,
/// some seconds; the rest is for a busy machine.
const DEADLINE: Duration = Duration::from_secs(90);

/// More than the scenario has.
const ROWS: u32 = 1000;

/// Prints until every delivery is dealt with, or the time is up.
///
/// Errors: the daemon ended, somebody said stop, the deliveries could not be written, the
/// ledger could not be read.
pub fn look_on(
    state: &Path,
    daemon: &mut Daemon,
    word: &StopWord,
    writing: JoinHandle<io::Result<Vec<Delivery>>>,
    out: &mut dyn Write,
) -> anyhow::Result<Vec<Delivery>> {
    let began = Instant::now();
    let reader = Reader::open(state)?;
    let mut told = HashSet::new();
    let mut writing = Some(writing);
    let mut deliveries = Vec::new();
    let mut deadline = None;
    loop {
        daemon.must_run(word)?;
        // The deliveries first: what is in the ledger after that can only be more.
        if let Some(done) = writing.take_if(|thread| thread.is_finished()) {
            deliveries = match done.join() {
                Ok(written) => written?,
                Err(_) => anyhow::bail!("the thread that writes the deliveries died"),
            };
            deadline = Some(Instant::now() + DEADLINE);
        }
        let mut stories = reader.recent(ROWS)?;
        stories.reverse();
        for story in &stories {
            if told.insert(story.file) {
                writeln!(out, "{}", line(began.elapsed(), story))?;
                out.flush()?;
            }
        }
        if let Some(deadline) = deadline
            && (all_told(&deliveries, &stories, &told) || Instant::now() >= deadline)
        {
            return Ok(deliveries);
        }
        thread::sleep(LOOK_AGAIN);
    }
}

fn all_told(deliveries: &[Delivery], stories: &[FileStory], told: &HashSet<FileId>) -> bool {
    let known: HashSet<(&str, &PathBuf)> = stories
        .iter()
        .filter(|story| told.contains(&story.file))
        .map(|story| (story.watch.as_str(), &story.path))
        .collect();
    deliveries
        .iter()
        .filter(|delivery| !delivery.is_left_alone())
        .all(|delivery| known.contains(&(delivery.watch, &delivery.path)))
}

/// `  12 s  stop    quarantined  Harbour Lights/02 Slack Tide.wav`
fn line(after: Duration, story: &FileStory) -> String {
    let verdict = one_line(story.verdict.as_deref().unwrap_or("-"));
    let start = format!(
        "{:>4} s  {verdict:6}  {:11}  ",
        after.as_secs(),
        story.state.word()
    );
    let name = printable(story.path.as_os_str());
    let room = COLUMNS.saturating_sub(start.chars().count());
    format!("{start}{}", cut_middle(&name, room))
}
