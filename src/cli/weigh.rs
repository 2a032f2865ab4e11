//! `weigh`: measure and judge now, and say what came out.
//!
//! In: paths, a profile or a configuration's routes. Out: a face or a sidecar for each file on
//! standard output, in the order given; progress on standard error. Writes nothing to disk.

use std::ops::ControlFlow;

use anyhow::bail;

use crate::judge::{self, Verdict};
use crate::record::{Sidecar, printable};

use super::args;
use super::exit::Exit;
use super::face::Face;
use super::find;
use super::jobs::{Job, Options, UsualNames};
use super::output::{Output, remark};
use super::pool;
use super::progress::Board;
use super::render::head;
use super::rules::Rules;
use super::text;
use crate::specimen::Specimen;

pub fn run(asked: &args::Weigh, out: &mut Output) -> anyhow::Result<Exit> {
    let rules = Rules::load(asked.profile.as_deref(), asked.config.clone())?;
    let names = UsualNames::new()?;
    let found = find::files(&asked.paths, &|name| names.take(name));
    for says in &found.remarks {
        remark(says);
    }
    if let Some(mix) = &asked.against {
        let shown = printable(mix.as_os_str());
        if mix.is_dir() {
            bail!("--against: {shown} is a folder; name the mix itself");
        }
        if !mix.is_file() {
            bail!("--against: there is no file {shown}");
        }
        if let Err(error) = Specimen::open(mix, None) {
            bail!("--against {shown}: {error}");
        }
    }
    let configured = (rules.config.as_ref()).and_then(|config| config.render.head.clone());
    let wants_ears = asked.renders.iter().any(|render| render == "binaural");
    let options = Options {
        channels: (asked.channels.as_ref()).map(|channels| channels.0.clone()),
        renders: asked.renders.clone(),
        choice: asked.choice.choice(),
        head: head(asked.head.clone().or(configured), wants_ears)?,
        against: asked.against.clone(),
    };
    let mut worst = match found.files.len() {
        0 => Exit::Unread,
        _ if found.unreadable_folders > 0 => Exit::Unread,
        _ => Exit::Fine,
    };
    let several = found.files.len() > 1;
    let mut jobs = Vec::new();
    for path in found.files {
        let job = Job::new(path, &rules, &options)?;
        match job.misfit() {
            // The caller's mistake: nothing is said of the file, and the others are weighed.
            Some(why) => {
                remark(&format!("{}: {why}", printable(job.path.as_os_str())));
                worst = Exit::Unread;
            }
            None => jobs.push(job),
        }
    }

    let verdicts = weigh_all(&jobs, asked.json, several, out)?;
    for &verdict in &verdicts {
        worst = worst.max(verdict.into());
    }
    if !asked.json && several && !jobs.is_empty() {
        out.print(&format!("{}\n", total(&verdicts)))?;
    }
    Ok(worst)
}

/// Weighs on all cores and prints each result when its turn comes. Ends early, without an
/// error, when nobody reads the output any more.
fn weigh_all(
    jobs: &[Job],
    json: bool,
    several: bool,
    out: &mut Output,
) -> anyhow::Result<Vec<Verdict>> {
    let mut verdicts = Vec::new();
    let mut failure = None;
    each_in_order(jobs, out.columns_of_stderr(), |index, sidecar| {
        verdicts.push(sidecar.verdict);
        let text = if json {
            format!("{}\n", sidecar.to_line())
        } else {
            let gap = if several { "\n" } else { "" };
            format!("{}{gap}", face(&jobs[index], &sidecar, out))
        };
        match out.print(&text) {
            Ok(()) => ControlFlow::Continue(()),
            Err(error) => {
                failure = Some(error);
                ControlFlow::Break(())
            }
        }
    });
    match failure {
        None => Ok(verdicts),
        Some(error) => Err(error.into()),
    }
}

/// Weighs the jobs on all cores, with progress on a terminal; `result` is given each sidecar in
/// the jobs' order.
pub fn each_in_order(
    jobs: &[Job],
    columns: usize,
    mut result: impl FnMut(usize, Sidecar) -> ControlFlow<()>,
) {
    let board = std::cell::RefCell::new(Board::on_stderr(columns));
    let work = |job: usize, stop: &pool::Stop| jobs[job].weigh(stop);
    let tick = || {
        if board.borrow().is_shown() {
            let looks: Vec<_> = jobs
                .iter()
                .map(|job| (job.name.as_str(), job.meter.look()))
                .collect();
            board.borrow_mut().draw("weighing", &looks);
        }
    };
    pool::in_order(jobs.len(), pool::cores(), work, tick, |index, sidecar| {
        board.borrow_mut().clear();
        result(index, sidecar)
    });
    board.borrow_mut().clear();
}

fn face(job: &Job, sidecar: &Sidecar, out: &Output) -> String {
    Face {
        sidecar,
        place: &format!("{} (nothing was moved)", printable(job.path.as_os_str())),
        because: Some(&job.because),
        mix: job.mix.as_deref(),
        title: &judge::title,
        columns: out.columns(),
        paint: out.paint(),
    }
    .render()
}

/// `5 files: 1 stop, 1 unread, 1 advise, 2 clear`
pub fn total(verdicts: &[Verdict]) -> String {
    let counts: Vec<String> = [
        Verdict::Stop,
        Verdict::Unread,
        Verdict::Advise,
        Verdict::Clear,
    ]
    .iter()
    .map(|verdict| (verdict, verdicts.iter().filter(|v| *v == verdict).count()))
    .filter(|(_, count)| *count > 0)
    .map(|(verdict, count)| format!("{count} {}", verdict.word()))
    .collect();
    let files = text::counted(verdicts.len() as u64, "file", "files");
    format!("{files}: {}", counts.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_total_counts_each_verdict_once_and_names_none_that_is_missing() {
        use Verdict::{Clear, Stop, Unread};
        assert_eq!(
            total(&[Clear, Stop, Clear, Unread]),
            "4 files: 1 stop, 1 unread, 2 clear"
        );
    }
}
