//! `weigh`: measure and judge now, and say what came out.
//!
//! In: paths, a profile or a configuration's routes. Out: a face or a sidecar for each file on
//! standard output, in the order given; progress on standard error. Writes nothing to disk.

use std::ffi::OsStr;
use std::io;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context, bail};
use jiff::ZonedDateTime;

use crate::config::{self, AUDIO_EXTENSIONS, Config, Watch};
use crate::intake::{Identity, NameRules, NameSays};
use crate::judge::{self, Verdict};
use crate::layout::Label;
use crate::profile::{Profile, ProfileSet};
use crate::record::{self, Sidecar, printable};
use crate::render::Choice;
use crate::render::binaural::HeadSet;
use crate::weigh::{self, Request, WeighError};

use super::args;
use super::exit::Exit;
use super::face::Face;
use super::find;
use super::output::{Output, remark, said};
use super::pool;
use super::progress::{Board, Meter};
use super::render::head;
use super::text;

/// Where nobody names a profile: what most deliveries of a mastering studio are. Own choice.
const USUAL_PROFILE: &str = "stereo-music";

/// One file, and by what it is judged.
struct Job<'a> {
    path: PathBuf,
    name: String,
    profile: &'a Profile,
    channels: Option<&'a [Label]>,
    renders: &'a [String],
    choice: &'a Choice,
    head: Option<Arc<HeadSet>>,
    against: Option<&'a Path>,
    meter: Meter,
}

pub fn run(asked: &args::Weigh, out: &mut Output) -> anyhow::Result<Exit> {
    let folder = asked.config.as_deref().map(config::profiles_folder);
    let profiles = judge::load_profiles(folder.as_deref()).map_err(said)?;
    let config = match &asked.config {
        Some(path) => Some(Config::read(path, &profiles.names()).map_err(said)?),
        None => None,
    };
    if let Some(name) = &asked.profile {
        named(&profiles, name)?;
    }

    let names = UsualNames::new()?;
    let found = find::files(&asked.paths, &|name| names.take(name));
    for says in &found.remarks {
        remark(says);
    }
    if let Some(mix) = &asked.against
        && !mix.is_file()
    {
        bail!("there is no mix {}", printable(mix.as_os_str()));
    }
    let choice = asked.choice.choice();
    let configured = config
        .as_ref()
        .and_then(|config| config.render.head.clone());
    let wants_ears = asked.renders.iter().any(|render| render == "binaural");
    let head = head(asked.head.clone().or(configured), wants_ears)?;
    let jobs = found
        .files
        .into_iter()
        .map(|path| {
            job(
                path,
                asked,
                &profiles,
                config.as_ref(),
                &choice,
                head.as_ref(),
            )
        })
        .collect::<anyhow::Result<Vec<Job>>>()?;
    let mut worst = match jobs.len() {
        0 => Exit::Unread,
        _ if found.unreadable_folders > 0 => Exit::Unread,
        _ => Exit::Fine,
    };

    let verdicts = weigh_all(&jobs, asked.json, out)?;
    for &verdict in &verdicts {
        worst = worst.max(verdict.into());
    }
    if !asked.json && jobs.len() > 1 {
        out.print(&format!("{}\n", total(&verdicts)))?;
    }
    Ok(worst)
}

/// Weighs on all cores and prints each result when its turn comes. Ends early, without an
/// error, when nobody reads the output any more.
fn weigh_all(jobs: &[Job], json: bool, out: &mut Output) -> anyhow::Result<Vec<Verdict>> {
    let mut verdicts = Vec::new();
    let mut failure = None;
    let board = std::cell::RefCell::new(Board::on_stderr(out.columns_of_stderr()));
    let work = |job: usize, stop: &pool::Stop| weigh_one(&jobs[job], stop);
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
        verdicts.push(sidecar.verdict);
        let text = if json {
            format!("{}\n", sidecar.to_line())
        } else {
            let gap = if jobs.len() > 1 { "\n" } else { "" };
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
    board.borrow_mut().clear();
    match failure {
        None => Ok(verdicts),
        Some(error) => Err(error.into()),
    }
}

fn face(job: &Job, sidecar: &Sidecar, out: &Output) -> String {
    Face {
        sidecar,
        place: &format!("{} (nothing was moved)", printable(job.path.as_os_str())),
        title: &judge::title,
        columns: out.columns(),
        paint: out.paint(),
    }
    .render()
}

fn weigh_one(job: &Job, stop: &pool::Stop) -> Sidecar {
    job.meter.begin();
    let request = Request {
        channels: job.channels,
        renders: job.renders,
        choice: job.choice,
        head: job.head.clone(),
        against: job.against,
        ..Request::new(&job.path, job.profile)
    };
    let weighed = weigh::weigh(&request, &mut |done, total| {
        job.meter.advance(done, total);
        if stop.is_set() {
            ControlFlow::Break(())
        } else {
            ControlFlow::Continue(())
        }
    });
    job.meter.end();
    let (name, now) = (file_name(&job.path), ZonedDateTime::now());
    match weighed {
        Ok(weighed) => record::sidecar(&weighed, name, job.profile, Vec::new(), None, &now),
        Err(error) => record::unread(
            identity_of(&job.path).as_ref(),
            name,
            &why(&error),
            job.profile,
            Vec::new(),
            None,
            &now,
        ),
    }
}

/// The last part of a path; the whole path where it has none (`..`).
fn file_name(path: &Path) -> &OsStr {
    path.file_name().unwrap_or(path.as_os_str())
}

/// What is known of a file from outside; `None` where there is none.
fn identity_of(path: &Path) -> Option<Identity> {
    Some(Identity::of(&std::fs::symlink_metadata(path).ok()?))
}

fn why(error: &WeighError) -> String {
    match error {
        WeighError::Io(source) if source.kind() == io::ErrorKind::NotFound => {
            "there is no such file".to_owned()
        }
        WeighError::Io(source) => format!("reading failed ({source})"),
        other => other.to_string(),
    }
}

fn job<'a>(
    path: PathBuf,
    asked: &'a args::Weigh,
    profiles: &'a ProfileSet,
    config: Option<&'a Config>,
    choice: &'a Choice,
    head: Option<&Arc<HeadSet>>,
) -> anyhow::Result<Job<'a>> {
    let absolute = std::path::absolute(&path)
        .with_context(|| format!("{}: no path", printable(path.as_os_str())))?;
    let (routed, told) = match config.and_then(|config| watch_of(config, &absolute)) {
        Some((watch, below)) => by_route(watch, below),
        None => (USUAL_PROFILE, None),
    };
    let profile = named(profiles, asked.profile.as_deref().unwrap_or(routed))?;
    let channels = asked
        .channels
        .as_ref()
        .map(|channels| channels.0.as_slice())
        .or(told);
    let bytes = std::fs::metadata(&path).map_or(0, |metadata| metadata.len());
    Ok(Job {
        name: printable(file_name(&path)),
        path,
        profile,
        channels,
        renders: &asked.renders,
        choice,
        head: head.cloned(),
        against: asked.against.as_deref(),
        meter: Meter::of(bytes),
    })
}

/// The watch whose folder holds this path (the innermost), and the path below it.
fn watch_of<'c, 'p>(config: &'c Config, path: &'p Path) -> Option<(&'c Watch, &'p Path)> {
    config
        .watches
        .iter()
        .filter_map(|watch| {
            path.strip_prefix(&watch.folder)
                .ok()
                .map(|below| (watch, below))
        })
        .max_by_key(|(watch, _)| watch.folder.components().count())
}

/// Profile and labels of the first route that matches, as the daemon chooses them.
fn by_route<'c>(watch: &'c Watch, below: &Path) -> (&'c str, Option<&'c [Label]>) {
    match watch
        .routes
        .iter()
        .find(|route| route.matcher.is_match(below))
    {
        Some(route) => (&route.profile, route.channels.as_deref()),
        None => (&watch.profile, None),
    }
}

/// The profile of that name, or an error that names all there are.
pub fn named<'a>(profiles: &'a ProfileSet, name: &str) -> anyhow::Result<&'a Profile> {
    match profiles.get(name) {
        Some(profile) => Ok(profile),
        None => {
            let names = profiles.names();
            let near = config::mistake::closest(name, names.iter().map(AsRef::as_ref));
            let near = near.map_or(String::new(), |near| format!(" (did you mean {near:?}?)"));
            bail!(
                "there is no profile {name:?}{near}; there are {}",
                names.join(", ")
            )
        }
    }
}

/// The names that a watch takes up where its configuration says nothing else.
pub struct UsualNames(NameRules);

impl UsualNames {
    pub fn new() -> anyhow::Result<Self> {
        let extensions: Vec<String> = AUDIO_EXTENSIONS.iter().map(|&e| e.to_owned()).collect();
        Ok(Self(NameRules::new(&extensions, false, &[])?))
    }

    pub fn take(&self, name: &OsStr) -> bool {
        self.0.of_file(name) == NameSays::Audio
    }
}

/// `5 files: 2 clear, 1 advise, 1 stop, 1 unread`
fn total(verdicts: &[Verdict]) -> String {
    let counts: Vec<String> = [
        Verdict::Clear,
        Verdict::Advise,
        Verdict::Stop,
        Verdict::Unread,
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
            "4 files: 2 clear, 1 stop, 1 unread"
        );
    }

    #[test]
    fn a_slip_in_a_profiles_name_is_answered_with_the_name_that_was_meant() {
        let profiles = judge::load_profiles(None).unwrap();
        let answer = |name: &str| named(&profiles, name).unwrap_err().to_string();
        let says = answer("stereo-musc");
        assert!(
            says.contains("(did you mean \"stereo-music\"?); there are any-audio,"),
            "{says}"
        );
        assert!(!answer("nothing like it").contains("did you mean"));
    }

    #[test]
    fn a_search_takes_audio_and_leaves_junk_and_our_own_files() {
        let names = UsualNames::new().unwrap();
        for taken in ["a.wav", "B.WAV", "c.flac"] {
            assert!(names.take(OsStr::new(taken)), "{taken}");
        }
        for left in [
            "._a.wav",
            ".a.wav",
            "a.wav.part",
            "a.wav.sidecar.json",
            "a.txt",
        ] {
            assert!(!names.take(OsStr::new(left)), "{left}");
        }
    }
}
