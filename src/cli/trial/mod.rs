//! `trial`: weigh a folder of masters that were approved and sent, and say how a profile fits them.
//!
//! In: a folder, a profile or a configuration. Out: what would have been told, between which ends
//! each figure lies, limits that would fit; on request a profile that holds them. Nothing else is
//! written, and nothing in the folder is touched.

mod proposal;
mod report;
mod spread;

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::path::Path;

use anyhow::{Context, bail};
use jiff::ZonedDateTime;

use crate::judge::Verdict;
use crate::profile::{self, Profile};
use crate::record::printable;

use super::args;
use super::exit::Exit;
use super::find;
use super::jobs::{Job, Options, UsualNames};
use super::output::{Output, remark};
use super::render::head;
use super::rules::{Rules, profile_typed};
use super::weigh::each_in_order;

use proposal::{Draft, proposals};
use report::{Group, Report};
use spread::{Trialled, checks, spreads};

/// What is found out about the files that one profile judges.
struct Judged<'a> {
    profile: &'a Profile,
    because: Vec<String>,
    files: Vec<Trialled>,
}

pub fn run(asked: &args::Trial, out: &mut Output) -> anyhow::Result<Exit> {
    let rules = Rules::load(asked.profile.as_deref(), asked.config.clone())?;
    let folder = &asked.folder;
    if !folder.is_dir() {
        bail!("there is no folder {}", printable(folder.as_os_str()));
    }
    let name = match &asked.propose {
        Some(path) => Some(name_of(path, &rules)?),
        None => None,
    };
    let names = UsualNames::new()?;
    let found = find::files(std::slice::from_ref(folder), &|name| names.take(name));
    for says in &found.remarks {
        remark(says);
    }
    let configured = (rules.config.as_ref()).and_then(|config| config.render.head.clone());
    let options = Options {
        head: head(configured, false)?,
        ..Options::default()
    };
    let jobs = (found.files.into_iter())
        .map(|path| Job::new(path, &rules, &options))
        .collect::<anyhow::Result<Vec<Job>>>()?;
    let judged = weigh_all(&jobs, folder, out.columns_of_stderr());
    let mut worst = match jobs.len() {
        0 => Exit::Unread,
        _ if found.unreadable_folders > 0 => Exit::Unread,
        _ => Exit::Fine,
    };
    for file in judged.values().flat_map(|judged| &judged.files) {
        worst = worst.max(file.verdict.into());
    }
    let date = ZonedDateTime::now().date().to_string();
    let mut report = Report::new(
        printable(folder.as_os_str()),
        date,
        found.unreadable_folders,
    );
    report.groups = judged.values().map(group).collect();
    if let (Some(path), Some(name)) = (&asked.propose, &name) {
        report.written = Some(propose(path, name, &judged, &report)?);
    }
    if asked.json {
        out.print(&format!("{}\n", serde_json::to_string(&report)?))?;
    } else {
        out.print(&report.text(out.columns(), out.paint()))?;
    }
    Ok(worst)
}

/// Weighs all; what is kept of each file is small, so the folder may be an archive.
fn weigh_all<'a>(jobs: &'a [Job], folder: &Path, columns: usize) -> BTreeMap<&'a str, Judged<'a>> {
    let mut judged: BTreeMap<&str, Judged> = BTreeMap::new();
    each_in_order(jobs, columns, |index, sidecar| {
        let job = &jobs[index];
        let below = job.path.strip_prefix(folder).unwrap_or(&job.path);
        let group = (judged.entry(job.profile.name.as_str())).or_insert_with(|| Judged {
            profile: job.profile,
            because: Vec::new(),
            files: Vec::new(),
        });
        if !group.because.contains(&job.because) {
            group.because.push(job.because.clone());
        }
        let file = printable(below.as_os_str());
        group.files.push(Trialled::of(file, &sidecar));
        ControlFlow::Continue(())
    });
    judged
}

fn group(judged: &Judged) -> Group {
    let spreads = spreads(&judged.files);
    let is_read = |file: &&Trialled| file.verdict != Verdict::Unread;
    let read = judged.files.iter().filter(is_read).count();
    Group {
        profile: judged.profile.name.clone(),
        digest: judged.profile.digest.clone(),
        because: judged.because.clone(),
        verdicts: judged.files.iter().map(|file| file.verdict).collect(),
        unread: (judged.files.iter())
            .filter(|file| file.verdict == Verdict::Unread)
            .map(|file| (file.file.clone(), file.reason.clone()))
            .collect(),
        checks: checks(&judged.files),
        proposed: proposals(&spreads, judged.profile, read),
        figures: spreads,
    }
}

/// The name of the profile that is to be written, where it can be written and be found again.
fn name_of(path: &Path, rules: &Rules) -> anyhow::Result<String> {
    let shown = printable(path.as_os_str());
    let stem = path.file_stem().and_then(|stem| stem.to_str());
    let is_toml = path.extension().is_some_and(|end| end == "toml");
    let Some(name) = stem.filter(|stem| is_toml && profile::is_plain(stem)) else {
        bail!(
            "--propose {shown}: a profile's file is called by its name, letters, digits, - and _, \
             and .toml"
        );
    };
    if path.symlink_metadata().is_ok() {
        bail!("{shown} is there already: nothing is written over a file; give another name");
    }
    if rules.profiles.get(name).is_some() {
        bail!("--propose {shown}: there is a profile {name:?} already; give another name");
    }
    let folder = path
        .parent()
        .filter(|folder| !folder.as_os_str().is_empty());
    if !folder.unwrap_or(Path::new(".")).is_dir() {
        bail!("--propose {shown}: there is no such folder");
    }
    Ok(name.to_owned())
}

/// Writes the profile, and reads it again as `--profile` would. Gives its path in words.
fn propose(
    path: &Path,
    name: &str,
    judged: &BTreeMap<&str, Judged>,
    report: &Report,
) -> anyhow::Result<String> {
    let shown = printable(path.as_os_str());
    let (Some(one), 1) = (judged.values().next(), judged.len()) else {
        let names: Vec<&str> = judged.keys().copied().collect();
        match names.len() {
            0 => bail!("--propose {shown}: no file was weighed"),
            _ => bail!(
                "--propose {shown}: these files are judged by {}; name one profile with --profile",
                names.join(" and ")
            ),
        }
    };
    let group = &report.groups[0];
    let text = Draft {
        name,
        profile: one.profile,
        spreads: &group.figures,
        proposals: &group.proposed,
        files: one.files.len() - group.unread.len(),
        date: &report.date,
    }
    .toml();
    proposal::write(path, &text).with_context(|| shown.clone())?;
    // A path, also where it is one word.
    let typed = Path::new(".").join(path);
    let typed = if path.is_absolute() { path } else { &typed };
    if let Err(error) = profile_typed(&typed.to_string_lossy(), None) {
        let extended = &one.profile.name;
        if one.profile.origin == "built in" {
            return Err(error).with_context(|| format!("{shown} is written and does not load"));
        }
        remark(&format!(
            "{shown} extends {extended}, which lies in {}: move it there, or beside the \
             configuration's other profiles",
            one.profile.origin
        ));
    }
    Ok(shown)
}
