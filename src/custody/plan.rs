//! What is going to be done with a file: where it goes, under which name, and where its papers
//! lie. Looks, and changes nothing.

use std::ffi::OsStr;
use std::path::Path;

use super::CustodyError;
use super::folder::{Folder, exists};
use super::names::{numbered, numbered_paper, sidecar_name};
use super::papers::old_sidecar;
use crate::ledger::{DeedKind, FileKey, Ledger, Place, Root};

/// What to do with a file. Sub-folders are kept below the root.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Deed {
    Release {
        root: Root,
    },
    Quarantine {
        root: Root,
    },
    /// It stays where it is, and gets its sidecar.
    Keep,
}

impl Deed {
    pub fn kind(&self) -> DeedKind {
        match self {
            Self::Release { .. } => DeedKind::Release,
            Self::Quarantine { .. } => DeedKind::Quarantine,
            Self::Keep => DeedKind::Keep,
        }
    }
}

/// Names were free when this was made; nothing is reserved.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Plan {
    pub deed: DeedKind,
    pub from: Place,
    /// `None` where nothing moves.
    pub to: Option<Place>,
    pub sidecar: Place,
    /// BLAKE3 of our sidecar of an earlier revision, which is replaced: the ledger has its text.
    pub sidecar_replaces: Option<String>,
    /// The name, or the sidecar's, was taken, so that a number was added: the record says so.
    pub renamed_because_taken: bool,
}

/// Beyond this somebody has a loop, not a delivery (own choice).
const HIGHEST_NUMBER: u32 = 9_999;

/// Plans a deed. `from.root.name` is the watch's name; `record` is the folder for sidecars, or
/// `None` where they lie beside the file.
pub fn plan(
    ledger: &Ledger,
    from: &Place,
    deed: &Deed,
    record: Option<&Root>,
) -> Result<Plan, CustodyError> {
    match deed {
        Deed::Release { root } | Deed::Quarantine { root } => {
            plan_move(from, deed.kind(), root, record)
        }
        Deed::Keep => plan_keep(ledger, from, record),
    }
}

/// One number for the file and its sidecar, so that they are found together.
fn plan_move(
    from: &Place,
    deed: DeedKind,
    root: &Root,
    record: Option<&Root>,
) -> Result<Plan, CustodyError> {
    let target = root.place(&from.path);
    let papers = record.unwrap_or(root).place(&from.path);
    let folder = Folder::of(&target)?;
    let paper_folder = Folder::of(&papers)?;
    for number in 1..=HIGHEST_NUMBER {
        let name = numbered(from.name(), number);
        let sidecar = sidecar_name(&name);
        if exists(folder.as_ref(), Path::new(&name))?
            || exists(paper_folder.as_ref(), Path::new(&sidecar))?
        {
            continue;
        }
        return Ok(Plan {
            deed,
            from: from.clone(),
            to: Some(target.beside(name)),
            sidecar: papers.beside(sidecar),
            sidecar_replaces: None,
            renamed_because_taken: number > 1,
        });
    }
    Err(CustodyError::NoFreeName {
        path: target.absolute(),
    })
}

/// The sidecar of a kept file bears the file's name, whatever revision it is: ours of the
/// revision before is replaced, if it is still as we wrote it. Anything else by that name stays.
fn plan_keep(ledger: &Ledger, from: &Place, record: Option<&Root>) -> Result<Plan, CustodyError> {
    let papers = record.unwrap_or(&from.root).place(&from.path);
    let folder = Folder::of(&papers)?;
    let last = ledger.last_sidecar(FileKey {
        watch: &from.root.name,
        path: &from.path,
    })?;
    for number in 1..=HIGHEST_NUMBER {
        let name = numbered_paper(from.name(), number, ".sidecar.json");
        let sidecar = papers.beside(&name);
        let mut replaces = None;
        if exists(folder.as_ref(), Path::new(&name))? {
            let ours = last
                .as_ref()
                .filter(|last| last.place == sidecar)
                .map(|last| blake3::hash(last.text.as_bytes()).to_hex().to_string());
            let still_ours = match (&folder, &ours) {
                (Some(folder), Some(digest)) => {
                    old_sidecar(folder, OsStr::new(&name), digest)?.is_some()
                }
                _ => false,
            };
            if !still_ours {
                continue;
            }
            replaces = ours;
        }
        return Ok(Plan {
            deed: DeedKind::Keep,
            from: from.clone(),
            to: None,
            sidecar,
            sidecar_replaces: replaces,
            renamed_because_taken: number > 1,
        });
    }
    Err(CustodyError::NoFreeName {
        path: papers.absolute(),
    })
}
