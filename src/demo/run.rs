//! `weighbridge demo`: the main job on invented deliveries, with the real daemon.
//!
//! In: a folder, or none. Out: what happens, on standard output, and whether all ended as the
//! scenario says. Everything that is written lies in that one folder, which is kept.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::thread;
use std::time::{Duration, Instant};

use anyhow::{Context, bail};
use jiff::ZonedDateTime;

use super::check;
use super::daemon::{Daemon, LOOK_AGAIN, StopWord, free_address};
use super::live;
use super::receiver::{Received, Receiver};
use super::scenario::{COUNT, Delivery, HEARING, write_deliveries};
use super::studio::{FOLDERS, PROFILES, configuration};
use super::summary::{Ending, hanging, summary};

/// A burst of stops is gathered for at most 10 s before it is mailed; the rest is for a busy
/// machine.
const MAILS: Duration = Duration::from_secs(45);

/// Runs the demo in `dir`, which is empty or new, or in a new folder for temporary things.
///
/// Errors: what keeps the demo from running at all. `false` where it ran and something did not
/// end as the scenario says.
pub fn run(dir: Option<PathBuf>) -> anyhow::Result<bool> {
    let word = StopWord::listen()?;
    let dir = own_folder(dir)?;
    let mut out = io::stdout().lock();
    write!(out, "{}\n{}", hanging("", HEARING), opening(&dir))?;
    out.flush()?;

    let config = dir.join("weighbridge.toml");
    let state = dir.join("state");
    let receiver = Receiver::start().context("the demo's mail receiver")?;
    let page = free_address().context("an address for the status page")?;
    furnish(&dir, &configuration(&dir, receiver.address(), page))
        .with_context(|| dir.display().to_string())?;

    let mut daemon = Daemon::start(&config, dir.join("daemon.log"), page, &word)?;
    let theirs = dir.clone();
    let writing = thread::Builder::new()
        .name("deliveries".into())
        .spawn(move || write_deliveries(&theirs))?;
    let deliveries = live::look_on(&state, &mut daemon, &word, writing, &mut out)?;
    writeln!(out, "\nwaiting for the mails")?;
    out.flush()?;
    wait_for_mails(&deliveries, &receiver, &mut daemon, &word)?;

    let mut troubles = Vec::new();
    match daemon.page() {
        Ok(html) => fs::write(dir.join("page.html"), html)?,
        Err(error) => troubles.push(format!("the status page gave no answer: {error}")),
    }
    match daemon.stop() {
        Ok(status) if status.success() => {}
        Ok(status) => troubles.push(format!("the daemon did not stop cleanly: {status}")),
        Err(failed) => troubles.push(format!("{failed:#}")),
    }
    let mails = receiver.mails();
    save(&mails, &dir.join("mails"))?;

    let (rows, strangers) = check::rows(&dir, &state, &deliveries, &mails)?;
    troubles.extend(strangers);
    let ending = Ending {
        rows,
        troubles,
        program: program(),
        mails: mails.len(),
        dir,
    };
    write!(out, "\n{}", summary(&ending))?;
    out.flush()?;
    Ok(ending.is_as_told())
}

fn opening(dir: &Path) -> String {
    format!(
        "Tallow Street, an invented studio, in {}\n{}\n",
        dir.display(),
        hanging(
            "",
            &format!(
                "The daemon watches exports/ and outbound/ there, while {COUNT} files are made \
                 and put into them: about 72 MB of invented music. It takes about a minute."
            )
        )
    )
}

/// The folder, absolute and with its links followed, so that every path in it is the true one.
fn own_folder(dir: Option<PathBuf>) -> anyhow::Result<PathBuf> {
    let dir = match dir {
        Some(dir) => {
            make_empty(&dir)?;
            dir
        }
        None => fresh_folder(&std::env::temp_dir())?,
    };
    let dir = fs::canonicalize(&dir).with_context(|| dir.display().to_string())?;
    if dir.to_str().is_none() {
        bail!(
            "the path {} is not UTF-8 and can not stand in a configuration: name another folder",
            dir.display()
        );
    }
    Ok(dir)
}

fn make_empty(dir: &Path) -> anyhow::Result<()> {
    let shown = dir.display();
    match fs::read_dir(dir) {
        Ok(mut entries) => match entries.next() {
            None => Ok(()),
            Some(_) => bail!(
                "{shown} is not empty: the demo makes files of its own and wants a new or an \
                 empty folder; nothing was changed"
            ),
        },
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            fs::create_dir_all(dir).with_context(|| format!("the folder {shown} could not be made"))
        }
        Err(error) if error.kind() == io::ErrorKind::NotADirectory => {
            bail!("{shown} is not a folder: name a new or an empty one; nothing was changed")
        }
        Err(error) => Err(error).with_context(|| format!("the folder {shown} could not be read")),
    }
}

/// A folder that was not there before: nobody else's, whatever lies beside it.
fn fresh_folder(below: &Path) -> anyhow::Result<PathBuf> {
    let now = ZonedDateTime::now().strftime("%Y%m%d-%H%M%S").to_string();
    for number in 1..100 {
        let name = match number {
            1 => format!("weighbridge-demo-{now}"),
            n => format!("weighbridge-demo-{now}-{n}"),
        };
        let dir = below.join(name);
        match fs::create_dir(&dir) {
            Ok(()) => return Ok(dir),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(error) => {
                return Err(error).with_context(|| {
                    format!("the folder {} could not be made: name one", dir.display())
                });
            }
        }
    }
    bail!("{} is full of demos: name a folder", below.display())
}

fn furnish(dir: &Path, configuration: &str) -> io::Result<()> {
    for folder in FOLDERS.into_iter().chain(["state", "profiles", "mails"]) {
        fs::create_dir_all(dir.join(folder))?;
    }
    for (name, text) in PROFILES {
        fs::write(dir.join("profiles").join(name), text)?;
    }
    fs::write(dir.join("weighbridge.toml"), configuration)
}

fn wait_for_mails(
    deliveries: &[Delivery],
    receiver: &Receiver,
    daemon: &mut Daemon,
    word: &StopWord,
) -> anyhow::Result<()> {
    let deadline = Instant::now() + MAILS;
    while !check::all_are_told_of(deliveries, &receiver.mails()) && Instant::now() < deadline {
        daemon.must_run(word)?;
        thread::sleep(LOOK_AGAIN);
    }
    Ok(())
}

/// Each mail as it came, and its HTML to be opened in a browser.
fn save(mails: &[Received], folder: &Path) -> anyhow::Result<()> {
    for (index, mail) in mails.iter().enumerate() {
        let file = |kind: &str| folder.join(format!("{}.{kind}", index + 1));
        fs::write(file("eml"), &mail.raw)?;
        if let Some(html) = mail.part("text/html") {
            fs::write(file("html"), html)?;
        }
    }
    Ok(())
}

/// What to type to call this program again from where it was called.
fn program() -> String {
    let called = std::env::args_os()
        .next()
        .and_then(|name| name.into_string().ok());
    match called {
        Some(called) if called.contains('/') => called,
        _ => "weighbridge".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_that_holds_something_is_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        assert!(make_empty(dir.path()).is_ok());
        assert!(make_empty(&dir.path().join("new/one")).is_ok());
        let file = dir.path().join("x");
        fs::write(&file, "x").unwrap();
        let refused = make_empty(dir.path()).unwrap_err().to_string();
        assert!(refused.contains("is not empty"), "{refused}");
        let refused = make_empty(&file).unwrap_err().to_string();
        assert!(refused.contains("is not a folder"), "{refused}");
        assert_eq!(fs::read_to_string(&file).unwrap(), "x");
    }

    #[test]
    fn two_demos_at_once_have_a_folder_each() {
        let dir = tempfile::tempdir().unwrap();
        let first = fresh_folder(dir.path()).unwrap();
        let second = fresh_folder(dir.path()).unwrap();
        assert_ne!(first, second);
    }
}
