//! `status`, `history`, `show`: what the ledger says, whether the daemon runs or not.
//!
//! In: a configuration, which says where the ledger lies. Out: the rows that [`super::journal`]
//! prints. Changes nothing.

use std::path::Path;

use anyhow::{Context, bail};
use jiff::{Timestamp, ZonedDateTime};

use crate::config::{self, Config};
use crate::judge::{self, title};
use crate::ledger::{FileStory, Reader};
use crate::record::{Sidecar, printable};

use super::args::{self, CONFIG_VARIABLE, config_path};
use super::exit::Exit;
use super::face::Face;
use super::journal::{self, Count, Past, Status};
use super::output::{Output, remark, said};

pub fn status(ledger: args::Ledger, json: bool, out: &mut Output) -> anyhow::Result<Exit> {
    let (config, reader) = open(ledger)?;
    let counts = reader.counts_since(midnight()?).map_err(said)?;
    let mails = reader.undelivered_mails().map_err(said)?;
    let mut troubles: Vec<String> = reader
        .troubles()
        .map_err(said)?
        .into_iter()
        .map(|trouble| match trouble.to_do.as_str() {
            "" => trouble.says,
            to_do => format!("{}; {to_do}", trouble.says),
        })
        .collect();
    troubles.extend(mails.iter().filter(|mail| mail.refused).map(|mail| {
        let why = mail.error.as_deref().unwrap_or("no reason was given");
        format!("the mail {:?} was refused for good: {why}", mail.subject)
    }));
    let status = Status {
        studio: config.studio.name,
        state: printable(config.studio.state.as_os_str()),
        running: reader.daemon_runs(),
        under_way: reader
            .under_way()
            .map_err(said)?
            .into_iter()
            .map(under_way)
            .collect(),
        today: counts
            .verdicts
            .into_iter()
            .map(|(verdict, files)| Count { verdict, files })
            .collect(),
        mails_waiting: mails.iter().filter(|mail| !mail.refused).count() as u64,
        troubles,
    };
    if json {
        out.print(&format!("{}\n", serde_json::to_string(&status)?))?;
    } else {
        out.print(&journal::status(&status, out.columns(), out.paint()))?;
    }
    Ok(Exit::Fine)
}

pub fn history(ledger: args::Ledger, last: u32, out: &mut Output) -> anyhow::Result<Exit> {
    let (_, reader) = open(ledger)?;
    let past: Vec<Past> = reader
        .recent(last)
        .map_err(said)?
        .into_iter()
        .map(past)
        .collect();
    out.print(&journal::history(&past, out.columns(), out.paint()))?;
    Ok(Exit::Fine)
}

/// The last record of the file, its way through the house, and what else has that name.
pub fn show(file: &Path, ledger: args::Ledger, out: &mut Output) -> anyhow::Result<Exit> {
    let (_, reader) = open(ledger)?;
    let stories = stories_of(&reader, file)?;
    let Some(last) = stories.first() else {
        bail!(
            "the ledger knows no file {}: try `weighbridge history`",
            printable(file.as_os_str())
        );
    };
    let place = match &last.place {
        Some(place) => format!("{place} ({})", last.state.word()),
        None => format!(
            "{}:{} ({})",
            last.watch,
            printable(last.path.as_os_str()),
            last.state.word()
        ),
    };
    let mut text = match reader.sidecar_of(last.file).map_err(said)? {
        Some(json) => {
            let sidecar = Sidecar::parse(&json).map_err(said)?;
            Face {
                sidecar: &sidecar,
                place: &place,
                because: None,
                mix: None,
                title: &title,
                columns: out.columns(),
                paint: out.paint(),
            }
            .render()
        }
        None => format!("{place}: not weighed yet\n"),
    };
    text.push('\n');
    text.push_str(&journal::custody(&last.events, out.columns()));
    if stories.len() > 1 {
        text.push_str("\nearlier, or elsewhere under this name:\n");
        let others: Vec<Past> = stories[1..].iter().cloned().map(past).collect();
        text.push_str(&journal::history(&others, out.columns(), out.paint()));
    }
    out.print(&text)?;
    Ok(Exit::Fine)
}

/// By name, by path, or by place as `history` prints it; the file that is meant first, then others
/// of its name.
fn stories_of(reader: &Reader, file: &Path) -> anyhow::Result<Vec<FileStory>> {
    let typed = file.to_string_lossy();
    let mut stories = reader.find_by_name_or_path(file).map_err(said)?;
    if let (true, Some((_, path))) = (stories.is_empty(), typed.split_once(':')) {
        stories = reader.find_by_name_or_path(Path::new(path)).map_err(said)?;
        let is_there = |story: &FileStory| {
            let place = story.place.as_ref().map(ToString::to_string);
            place
                .unwrap_or_else(|| format!("{}:{}", story.watch, printable(story.path.as_os_str())))
                == typed
        };
        stories.retain(is_there);
    }
    if file.is_absolute() {
        let lies_there = |story: &FileStory| {
            (story.place.as_ref()).is_some_and(|place| place.absolute() == file)
        };
        let (mut there, others): (Vec<_>, Vec<_>) = stories.into_iter().partition(lies_there);
        if there.is_empty() && !others.is_empty() {
            remark(&format!(
                "no file of the ledger lies at {}: this is the newest of that name",
                printable(file.as_os_str())
            ));
        }
        there.extend(others);
        stories = there;
    }
    Ok(stories)
}

fn open(ledger: args::Ledger) -> anyhow::Result<(Config, Reader)> {
    let Some(path) = config_path(ledger.config) else {
        bail!("which ledger? Name the configuration with --config FILE or in {CONFIG_VARIABLE}");
    };
    let config = read_config(&path)?;
    let reader = Reader::open(&config.studio.state).map_err(said)?;
    Ok((config, reader))
}

pub fn read_config(path: &Path) -> anyhow::Result<Config> {
    let profiles = judge::load_profiles(Some(&config::profiles_folder(path))).map_err(said)?;
    Config::read(path, &profiles.names()).map_err(said)
}

fn midnight() -> anyhow::Result<Timestamp> {
    let today = ZonedDateTime::now()
        .start_of_day()
        .context("this machine's clock")?;
    Ok(today.timestamp())
}

/// RFC 3339 in this machine's zone, to the second.
fn local(at: Timestamp) -> String {
    let zoned = at.to_zoned_datetime(jiff::tz::TimeZone::system());
    zoned.strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
}

fn under_way(file: crate::ledger::UnderWay) -> journal::UnderWay {
    journal::UnderWay {
        watch: file.watch,
        name: printable(file.path.as_os_str()),
        state: file.state.word().to_owned(),
        since: local(file.since),
        bytes: file.bytes,
        why: file.why,
    }
}

fn past(story: FileStory) -> Past {
    let at = story
        .closed_at
        .or(story.weighed_at)
        .unwrap_or(story.settled_at);
    Past {
        at: local(at),
        verdict: story.verdict.unwrap_or_else(|| "-".to_owned()),
        watch: story.watch,
        name: printable(story.path.as_os_str()),
        reason: story.reason.unwrap_or_default(),
        event: story.state.word().to_owned(),
    }
}
