//! Sidecars and notes: written whole or not at all, never over somebody's file, and readable by
//! whoever may read the file that they are about.

use std::ffi::{OsStr, OsString};
use std::path::Path;

use super::CustodyError;
use super::access::Access;
use super::folder::Folder;
use super::names::{note_name, numbered_paper};
use super::put::{Put, holds, put, read_at_most, write_new};
use super::steps::{Conduct, Step};
use crate::ledger::Place;

/// Every note begins with this line: by it, and by the note's name, we know our own.
pub const NOTE_FIRST_LINE: &str = "A note by weighbridge: the file of this name was stopped.\n";

/// The names that a note about a file may have, the first one first: nine (own choice), for
/// names that are taken by what is not ours are passed over.
pub(super) fn note_names(file_name: &OsStr) -> impl Iterator<Item = OsString> {
    (1..=9).map(move |number| numbered_paper(file_name, number, ".stopped.txt"))
}

/// Names of ours for files that are being made, so that a next start finds them.
#[derive(Clone, Debug)]
pub(super) struct OurNames {
    pub(super) copy: OsString,
    pub(super) sidecar: OsString,
    pub(super) note: OsString,
    pub(super) aside: OsString,
    /// What a file says that keeps a name for us.
    pub(super) claim: String,
}

impl OurNames {
    /// With the ledger's id: two daemons may share a folder.
    pub(super) fn new(ledger: &str, intent: i64) -> Self {
        // A leading dot and `.part`: intake leaves both alone, and so do most couriers.
        let name =
            |what: &str| OsString::from(format!(".weighbridge-{ledger}-{intent}.{what}.part"));
        Self {
            copy: name("copy"),
            sidecar: name("sidecar"),
            note: name("note"),
            aside: name("aside"),
            claim: format!("weighbridge {ledger} {intent} keeps this name for a file\n"),
        }
    }
}

/// Writes a sidecar. Nothing is done where it lies there already; a sidecar whose BLAKE3 is
/// `replaces` is replaced; anything else is left, and the name is taken.
pub(super) fn write_sidecar(
    folder: &Folder,
    name: &OsStr,
    text: &str,
    replaces: Option<&str>,
    access: Option<Access>,
    ours: &OurNames,
    conduct: &mut Conduct<'_>,
) -> Result<(), CustodyError> {
    let path = folder.path_of(name);
    if holds(folder, name, text)? {
        return Ok(());
    }
    conduct.step(Step::WriteSidecar, &path)?;
    let temporary = Path::new(&ours.sidecar);
    write_new(
        folder,
        temporary,
        text.as_bytes(),
        access,
        Step::WriteSidecar,
        &path,
    )?;
    let old = match replaces {
        None => None,
        Some(digest) => old_sidecar(folder, name, digest)?,
    };
    if old.is_some() {
        conduct.step(Step::PlaceSidecar, &path)?;
        folder
            .rename_over(&ours.sidecar, folder, name)
            .map_err(|errno| CustodyError::io(Step::PlaceSidecar.words(), &path, errno))?;
    } else {
        place(
            folder,
            &ours.sidecar,
            name,
            Step::PlaceSidecar,
            ours,
            conduct,
        )?;
    }
    folder.sync()
}

/// More than any sidecar of ours has (own choice): 64 MiB.
const LARGEST_SIDECAR: u64 = 64 << 20;

/// The text of a sidecar if its BLAKE3 is `digest`.
pub(super) fn old_sidecar(
    folder: &Folder,
    name: &OsStr,
    digest: &str,
) -> Result<Option<Vec<u8>>, CustodyError> {
    Ok(read_at_most(folder, name, LARGEST_SIDECAR)?
        .filter(|text| blake3::hash(text).to_hex().as_str() == digest))
}

/// Gives a finished temporary file of ours its name.
fn place(
    folder: &Folder,
    temporary: &OsStr,
    name: &OsStr,
    step: Step,
    ours: &OurNames,
    conduct: &mut Conduct<'_>,
) -> Result<(), CustodyError> {
    match put(
        conduct,
        step,
        (folder, temporary),
        (folder, name),
        &ours.claim,
    )? {
        Put::Moved | Put::OtherDevice => Ok(()),
        Put::Linked => folder
            .unlink(temporary)
            .map_err(|errno| CustodyError::io(step.words(), &folder.path_of(temporary), errno)),
    }
}

/// Puts a note where a stopped file lay, in place of an older note of ours.
pub(super) fn write_note(
    folder: &Folder,
    file_name: &OsStr,
    text: &str,
    access: Option<Access>,
    ours: &OurNames,
    conduct: &mut Conduct<'_>,
) -> Result<(), CustodyError> {
    for name in note_names(file_name) {
        let path = folder.path_of(&name);
        let found = folder.look(&name)?;
        let is_ours = found.is_some() && is_our_note(folder, &name)?;
        if found.is_some() && !is_ours {
            continue;
        }
        conduct.step(Step::WriteNote, &path)?;
        let whole = format!("{NOTE_FIRST_LINE}{text}");
        write_new(
            folder,
            Path::new(&ours.note),
            whole.as_bytes(),
            access,
            Step::WriteNote,
            &path,
        )?;
        if is_ours {
            conduct.step(Step::PlaceNote, &path)?;
            folder
                .rename_over(&ours.note, folder, &name)
                .map_err(|errno| CustodyError::io(Step::PlaceNote.words(), &path, errno))?;
        } else {
            match place(folder, &ours.note, &name, Step::PlaceNote, ours, conduct) {
                // Somebody took the name in this moment: the next one, then.
                Err(CustodyError::Taken { .. }) => {
                    folder
                        .unlink(&ours.note)
                        .map_err(|errno| CustodyError::io(Step::CleanUp.words(), &path, errno))?;
                    continue;
                }
                answer => answer?,
            }
        }
        return folder.sync();
    }
    Err(CustodyError::NoFreeName {
        path: folder.path_of(&note_name(file_name)),
    })
}

/// Removes the notes of ours about the file that lay at `from`, for a clear version has arrived.
/// Says whether there was one. A file by that name that is not ours stays.
pub fn remove_note(from: &Place) -> Result<bool, CustodyError> {
    match Folder::of(from)? {
        None => Ok(false),
        Some(folder) => remove_notes(&folder, from.name(), &mut Conduct::plain()),
    }
}

pub(super) fn remove_notes(
    folder: &Folder,
    file_name: &OsStr,
    conduct: &mut Conduct<'_>,
) -> Result<bool, CustodyError> {
    let mut removed = false;
    for name in note_names(file_name) {
        let path = folder.path_of(&name);
        if folder.look(&name)?.is_none() {
            break;
        }
        if is_our_note(folder, &name)? {
            conduct.step(Step::RemoveNote, &path)?;
            folder
                .unlink(&name)
                .map_err(|errno| CustodyError::io(Step::RemoveNote.words(), &path, errno))?;
            removed = true;
        }
    }
    if removed {
        folder.sync()?;
    }
    Ok(removed)
}

/// More than any note of ours has (own choice): 1 MiB.
const LARGEST_NOTE: u64 = 1 << 20;

fn is_our_note(folder: &Folder, name: &OsStr) -> Result<bool, CustodyError> {
    Ok(read_at_most(folder, name, LARGEST_NOTE)?
        .is_some_and(|text| text.starts_with(NOTE_FIRST_LINE.as_bytes())))
}
