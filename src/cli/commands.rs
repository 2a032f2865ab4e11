//! From the arguments to the room that does the work, and back to an exit status.

use std::path::{Path, PathBuf};

use anyhow::bail;

use crate::config;
use crate::demo;
use crate::judge::{self, Check};
use crate::record::printable;
use crate::run;
use crate::specimen;

use super::args::{Args, Command, ConfigCommand, config_path};
use super::exit::Exit;
use super::explain;
use super::jobs::UsualNames;
use super::look;
use super::output::{Output, is_broken_pipe, remark, said};
use super::pool;
use super::render;
use super::rules;
use super::selfcheck;
use super::trial;
use super::verify::{self, Item, Outcome};
use super::weigh;

/// Does what was asked. An error is told on standard error and gives exit status 2; a pipe
/// whose reader had enough ends quietly.
pub fn execute(args: Args) -> Exit {
    match command(args.command, &mut Output::new()) {
        Ok(exit) => exit,
        Err(error) if is_broken_pipe(&error) => Exit::Fine,
        Err(error) => {
            remark(&format!("{error:#}"));
            Exit::Unread
        }
    }
}

fn command(command: Command, out: &mut Output) -> anyhow::Result<Exit> {
    match command {
        Command::Run { config } => run::run(&config).map(|()| Exit::Fine),
        Command::Weigh(asked) => weigh::run(&asked, out),
        Command::Trial(asked) => trial::run(&asked, out),
        Command::Render(asked) => render::run(&asked, out),
        Command::Demo { dir } => {
            let as_told = demo::run(dir)?;
            Ok(if as_told { Exit::Fine } else { Exit::Stopped })
        }
        Command::Status { ledger, json } => look::status(ledger, json, out),
        Command::History { ledger, last } => look::history(ledger, last, out),
        Command::Show { file, ledger } => look::show(&file, ledger, out),
        Command::Verify { dir } => verify_folder(&dir, out),
        Command::Selfcheck => {
            let sheet = selfcheck::sheet(&jiff::ZonedDateTime::now());
            out.print(&sheet.text)?;
            Ok(if sheet.within {
                Exit::Fine
            } else {
                Exit::Stopped
            })
        }
        Command::Profiles { name, config } => profiles(name.as_deref(), config, out),
        Command::Checks { id } => checks(id.as_deref(), out),
        Command::Config(ConfigCommand::Check { file }) => {
            let config = look::read_config(&file)?;
            out.print(&explain::config(&config, out.columns()))?;
            Ok(Exit::Fine)
        }
    }
}

fn profiles(name: Option<&str>, config: Option<PathBuf>, out: &mut Output) -> anyhow::Result<Exit> {
    let folder = config_path(config).as_deref().map(config::profiles_folder);
    let text = match name {
        Some(typed) => {
            let (set, name) = rules::profile_typed(typed, folder.as_deref())?;
            explain::profile(rules::named(&set, &name)?, &unit_of, out.columns())
        }
        None => {
            let set = judge::load_profiles(folder.as_deref()).map_err(said)?;
            explain::profiles(&set.iter().collect::<Vec<_>>(), out.columns())
        }
    };
    out.print(&text)?;
    Ok(Exit::Fine)
}

fn unit_of(limit: &str) -> &'static str {
    // A limit on one render is named `check@layout`.
    let check = limit.split('@').next().unwrap_or(limit);
    judge::check(check).map_or("", |check| check.unit)
}

fn checks(id: Option<&str>, out: &mut Output) -> anyhow::Result<Exit> {
    let text = match id {
        Some(id) => match judge::check(id) {
            Some(check) => explain::check(check, out.columns()),
            None => bail!(
                "there is no check {id:?}; `weighbridge checks` lists them{}",
                near(id)
            ),
        },
        None => explain::checks(judge::catalogue(), out.columns()),
    };
    out.print(&text)?;
    Ok(Exit::Fine)
}

/// The checks of the same group, for somebody who remembers half a name.
fn near(id: &str) -> String {
    let group = id.split('.').next().unwrap_or(id);
    let same = |check: &&Check| check.id.split('.').next() == Some(group);
    let ids: Vec<&str> = judge::catalogue()
        .iter()
        .filter(same)
        .map(|check| check.id)
        .collect();
    if ids.is_empty() {
        String::new()
    } else {
        format!(" (in {group}: {})", ids.join(", "))
    }
}

fn verify_folder(dir: &Path, out: &mut Output) -> anyhow::Result<Exit> {
    let names = UsualNames::new()?;
    let items = verify::items(dir, &|name| names.take(name));
    if !items
        .iter()
        .any(|item| !matches!(item, Item::NoSidecar { .. }))
    {
        remark(&format!(
            "{}: no sidecars in this folder or below",
            printable(dir.as_os_str())
        ));
        return Ok(Exit::Unread);
    }
    let mut outcomes: Vec<Outcome> = Vec::new();
    let mut failure = None;
    let work = |index: usize, _: &pool::Stop| outcome_of(&items[index]);
    pool::in_order(
        items.len(),
        pool::cores(),
        work,
        || {},
        |index, outcome| {
            let line = verify::line(&shown(&items[index], dir), &outcome, out.paint());
            outcomes.push(outcome);
            match out.print(&format!("{line}\n")) {
                Ok(()) => std::ops::ControlFlow::Continue(()),
                Err(error) => {
                    failure = Some(error);
                    std::ops::ControlFlow::Break(())
                }
            }
        },
    );
    if let Some(error) = failure {
        return Err(error.into());
    }
    out.print(&format!("{}\n", verify::total(&outcomes)))?;
    Ok(outcomes.iter().map(Outcome::exit).max().unwrap_or_default())
}

fn outcome_of(item: &Item) -> Outcome {
    match item {
        Item::Pair { file, sidecar } => {
            match specimen::digest_file(file, sidecar.file.digests.md5.is_some()) {
                Ok((identity, digests)) => verify::compare(sidecar, identity.bytes, &digests),
                Err(error) => Outcome::Unreadable(error.to_string()),
            }
        }
        Item::Missing { .. } => Outcome::Missing,
        Item::NoSidecar { .. } => Outcome::NoSidecar,
        Item::Unreadable { why, .. } => Outcome::Unreadable(why.clone()),
    }
}

/// The path below `dir`, as text.
fn shown(item: &Item, dir: &Path) -> String {
    let path = match item {
        Item::Pair { file, .. } | Item::NoSidecar { file } => file.clone(),
        // The name in a sidecar is text already; it stands in the sidecar's folder.
        Item::Missing { name, sidecar } => sidecar.with_file_name(name),
        Item::Unreadable { path, .. } => path.clone(),
    };
    printable(path.strip_prefix(dir).unwrap_or(&path).as_os_str())
}
