//! Whether all ended as the scenario says: the bytes, the sidecars, the notes, the mails.
//!
//! In: the folders after the daemon ended, the ledger, the mails that were taken. Out: a row
//! for each delivery, with what is not as it should be. Reads, and changes nothing.

use std::collections::HashMap;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use anyhow::Context;

use super::receiver::Received;
use super::scenario::{Delivery, LEFT_ALONE};
use super::studio::FOLDERS;
use super::summary::DemoRow;
use crate::custody::note_name;
use crate::ledger::{FileStory, Reader};
use crate::record::{Render, Sidecar, printable};

/// More than the scenario has.
const ROWS: u32 = 1000;

/// Every file in the demo's folders by the digest of its bytes.
type Contents = HashMap<blake3::Hash, Vec<PathBuf>>;

/// One row for each delivery, in their order; and what the ledger knows besides.
pub fn rows(
    dir: &Path,
    state: &Path,
    deliveries: &[Delivery],
    mails: &[Received],
) -> anyhow::Result<(Vec<DemoRow>, Vec<String>)> {
    let stories = Reader::open(state)?.recent(ROWS)?;
    let mut contents = Contents::new();
    for folder in FOLDERS {
        let folder = dir.join(folder);
        read_all(&folder, &mut contents).with_context(|| folder.display().to_string())?;
    }
    let of = |delivery: &Delivery| {
        stories
            .iter()
            .find(|story| story.watch == delivery.watch && story.path == delivery.path)
    };
    let rows = deliveries
        .iter()
        .map(|delivery| row(dir, delivery, of(delivery), &contents, mails))
        .collect();
    let strangers = stories
        .iter()
        .filter(|story| {
            !deliveries
                .iter()
                .any(|delivery| story.watch == delivery.watch && story.path == delivery.path)
        })
        .map(|story| {
            let path = printable(story.path.as_os_str());
            format!(
                "the ledger knows {}:{path}, which is no delivery",
                story.watch
            )
        })
        .collect();
    Ok((rows, strangers))
}

fn read_all(folder: &Path, contents: &mut Contents) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let path = entry.path();
        if entry.file_type()?.is_dir() {
            read_all(&path, contents)?;
        } else {
            let mut hasher = blake3::Hasher::new();
            hasher.update_reader(File::open(&path)?)?;
            contents.entry(hasher.finalize()).or_default().push(path);
        }
    }
    Ok(())
}

fn row(
    dir: &Path,
    delivery: &Delivery,
    story: Option<&FileStory>,
    contents: &Contents,
    mails: &[Received],
) -> DemoRow {
    let mut faults = Vec::new();
    let mut heard = None;
    let target = dir.join(delivery.ends_in()).join(&delivery.path);
    faults.extend(place_fault(dir, &target, contents.get(&delivery.blake3)));
    if let Some(story) = story {
        if story.revision.is_some_and(|number| number > 1) {
            faults.push("it was weighed more than once".to_owned());
        }
        match sidecar_of(delivery, story) {
            Ok(sidecar) => heard = heard_on_renders(&sidecar),
            Err(fault) => faults.push(fault),
        }
    }
    faults.extend(note_fault(dir, delivery));
    faults.extend(mail_fault(delivery, mails));

    let found = match story {
        None if delivery.is_left_alone() => Some(LEFT_ALONE.to_owned()),
        story => story.and_then(|story| story.verdict.clone()),
    };
    let reason = story.and_then(|story| story.reason.clone());
    DemoRow {
        name: printable(delivery.path.as_os_str()),
        ends_in: delivery.ends_in(),
        expected: delivery.expected,
        found,
        // A clear file's reason is that its checks are clear: what was special says more.
        says: match reason {
            Some(reason) if delivery.expected != "clear" => reason,
            _ => delivery.why.to_owned(),
        },
        // The reason tells what a render reads, and not why no track shows it.
        why: (heard.is_some() && delivery.expected != "clear").then_some(delivery.why),
        heard,
        faults,
    }
}

fn place_fault(dir: &Path, target: &Path, found: Option<&Vec<PathBuf>>) -> Option<String> {
    let below = |path: &Path| printable(path.strip_prefix(dir).unwrap_or(path).as_os_str());
    match found.map_or(&[][..], Vec::as_slice) {
        [] => Some("its bytes are nowhere to be found".into()),
        [path] if path == target => None,
        [path] => Some(format!(
            "it lies at {}, not at {}",
            below(path),
            below(target)
        )),
        several => {
            let all: Vec<String> = several.iter().map(|path| below(path)).collect();
            Some(format!(
                "its bytes lie at several places: {}",
                all.join(", ")
            ))
        }
    }
}

/// The sidecar of a delivery, or a sentence of what is wrong with it.
fn sidecar_of(delivery: &Delivery, story: &FileStory) -> Result<Sidecar, String> {
    let place = story
        .sidecar
        .as_ref()
        .ok_or("the ledger knows no sidecar of it")?;
    let read = fs::read_to_string(place.absolute()).map_err(|error| error.to_string());
    let sidecar = read.and_then(|text| Sidecar::parse(&text).map_err(|error| error.to_string()));
    match sidecar {
        Err(error) => Err(format!("its sidecar {place}: {error}")),
        Ok(sidecar) if sidecar.file.digests.blake3 != delivery.blake3.to_hex().as_str() => {
            Err("its sidecar has the digest of other bytes".into())
        }
        Ok(sidecar) if Some(sidecar.verdict.word()) != story.verdict.as_deref() => {
            Err("its sidecar and the ledger have different verdicts".into())
        }
        Ok(sidecar) => Ok(sidecar),
    }
}

/// The figures of a master's renders, and what a meter of its tracks would have seen.
fn heard_on_renders(sidecar: &Sidecar) -> Option<String> {
    let measured = sidecar.measured.as_ref()?;
    let main = &measured.measured_on.as_ref()?.layout;
    let figures = |(layout, render): (&String, &Render)| {
        let loudness = render.loudness.as_ref()?.integrated_lufs?.value();
        let peak = render.peaks.true_peak_dbtp?.value();
        Some(format!("{loudness:.1} LUFS, {peak:.1} dBTP on {layout}"))
    };
    let (first, others): (Vec<_>, Vec<_>) = measured
        .renders
        .iter()
        .partition(|(layout, _)| *layout == main);
    let renders: Vec<String> = first
        .into_iter()
        .chain(others)
        .filter_map(figures)
        .collect();
    if renders.is_empty() {
        return None;
    }
    let peaks = measured.channels.iter().filter_map(|c| c.sample_peak_dbfs);
    let highest = peaks.map(|peak| peak.value()).max_by(f64::total_cmp);
    let tracks = highest.map_or(String::new(), |peak| {
        format!("; no track by itself peaks over {peak:.1} dBFS")
    });
    Some(format!("read: {}{tracks}", renders.join("; ")))
}

fn note_fault(dir: &Path, delivery: &Delivery) -> Option<String> {
    let lay = dir.join(delivery.watch).join(&delivery.path);
    let name = lay.file_name().unwrap_or_default();
    let there = lay.with_file_name(note_name(name)).exists();
    match (delivery.is_stopped(), there) {
        (true, false) => Some("no note lies where it lay".into()),
        (false, true) => Some("a note lies beside it, though it was not stopped".into()),
        _ => None,
    }
}

fn mail_fault(delivery: &Delivery, mails: &[Received]) -> Option<String> {
    let count = mails.iter().filter(|mail| tells_of(mail, delivery)).count();
    match (delivery.is_stopped(), count) {
        (true, 0) => Some("no mail tells of it".into()),
        (true, 1) | (false, 0) => None,
        (_, n) => Some(format!("{n} mails tell of it")),
    }
}

/// In a mail's plain text a file's name is a line of its own.
fn tells_of(mail: &Received, delivery: &Delivery) -> bool {
    let name = printable(delivery.path.file_name().unwrap_or_default());
    let text = mail.part("text/plain").unwrap_or_default();
    text.lines().any(|line| line == name)
}

/// Whether each stopped delivery is told of.
pub fn all_are_told_of(deliveries: &[Delivery], mails: &[Received]) -> bool {
    let mut stopped = deliveries.iter().filter(|delivery| delivery.is_stopped());
    stopped.all(|delivery| mails.iter().any(|mail| tells_of(mail, delivery)))
}
