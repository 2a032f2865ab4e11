//! What a judgement rests on besides the file's bytes, its name, the profile and the version of
//! this program: where any of it has changed, the file has to be weighed again.
//!
//! Also the question which kept files were judged without the mix that a rule names for them.

use std::path::{Path, PathBuf};

use rusqlite::{Connection, OptionalExtension};
use serde::{Deserialize, Serialize};

use super::files::FileId;
use super::place::raw_path;
use super::{Ledger, LedgerError, text};
use crate::intake::Identity;

/// What a file was judged by, besides its profile.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Basis {
    /// Labels that a route gives to files without any.
    pub channels: Option<Vec<String>>,
    pub mix: MixBasis,
}

/// The mix, as it was when the file was judged.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "was", rename_all = "snake_case")]
pub enum MixBasis {
    /// No mix rule applied.
    #[default]
    NotAsked,
    /// A rule applied and names no mix for such a name.
    Unnamed,
    /// Named and not there.
    Away {
        #[serde(with = "raw_path")]
        path: PathBuf,
    },
    /// There, and not compared: still incomplete, or not readable.
    NotCompared {
        #[serde(with = "raw_path")]
        path: PathBuf,
        identity: Identity,
    },
    Compared {
        #[serde(with = "raw_path")]
        path: PathBuf,
        blake3: String,
    },
}

impl MixBasis {
    /// The mix that was named and that the file was not compared with.
    pub fn awaited(&self) -> Option<&Path> {
        match self {
            Self::Away { path } | Self::NotCompared { path, .. } => Some(path),
            Self::NotAsked | Self::Unnamed | Self::Compared { .. } => None,
        }
    }
}

/// A kept file that was judged without its mix.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AwaitingMix {
    pub watch: String,
    /// Relative to the watch's folder.
    pub path: PathBuf,
    pub mix: MixBasis,
}

impl Ledger {
    /// On what the weighing of `file` rests; `None` where it was not weighed, or by a version
    /// that did not note it.
    pub fn basis_of(&self, file: FileId) -> Result<Option<Basis>, LedgerError> {
        self.call(move |connection| {
            let json: Option<Option<String>> = connection
                .query_row("SELECT basis FROM files WHERE id = ?1", [file.0], |row| {
                    row.get(0)
                })
                .optional()
                .map_err(LedgerError::sql("be read"))?;
            parsed(json.flatten())
        })
    }

    /// The kept files that were judged without their mix. What was released or quarantined is
    /// not among them, nor what has settled again since.
    pub fn awaiting_mixes(&self) -> Result<Vec<AwaitingMix>, LedgerError> {
        self.call(awaiting)
    }
}

pub(super) fn parsed(json: Option<String>) -> Result<Option<Basis>, LedgerError> {
    json.map(|json| text::from_json("basis", &json)).transpose()
}

fn awaiting(connection: &mut Connection) -> Result<Vec<AwaitingMix>, LedgerError> {
    let sql = LedgerError::sql("be read");
    let mut statement = connection
        .prepare_cached(
            "SELECT watch, path, basis FROM files WHERE awaits_mix = 1 AND state = 'kept'
               AND id = (SELECT max(id) FROM files AS last
                         WHERE last.watch = files.watch AND last.path = files.path)",
        )
        .map_err(&sql)?;
    let mut rows = statement.query([]).map_err(&sql)?;
    let mut all = Vec::new();
    while let Some(row) = rows.next().map_err(&sql)? {
        let basis = parsed(row.get(2).map_err(&sql)?)?.unwrap_or_default();
        all.push(AwaitingMix {
            watch: row.get(0).map_err(&sql)?,
            path: text::path(row.get(1).map_err(&sql)?),
            mix: basis.mix,
        });
    }
    Ok(all)
}
