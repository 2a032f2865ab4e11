//! The mix that a rule names for a file, as it is on the disk now.
//!
//! In: what the configuration says of the file's mix. Out: whether it is there, and whether it is
//! whole. Reads headers and tails only; who weighs compares.

use std::path::{Path, PathBuf};

use crate::config::MixOf;
use crate::intake::Identity;
use crate::names::printable;
use crate::specimen::{Completeness, completeness};

/// The mix of one file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Companion {
    /// No rule asks for one.
    NotAsked,
    /// A rule asks for one and names none: why.
    Unnamed(String),
    /// Named, and not there or not to be looked at.
    Away(PathBuf),
    /// There, and its sizes do not agree with its length yet: why.
    Incomplete {
        path: PathBuf,
        identity: Identity,
        why: String,
    },
    /// To be compared with.
    There { path: PathBuf, identity: Identity },
}

impl Companion {
    /// Looks at the mix. An error of the disk is the comparison's to tell, so such a mix is there
    /// as long as its folder has it.
    pub fn of(mix: &MixOf) -> Self {
        let path = match mix {
            MixOf::NotAsked => return Self::NotAsked,
            MixOf::Unnamed(why) => return Self::Unnamed(why.clone()),
            MixOf::Named(path) => path.clone(),
        };
        let Some(identity) = Self::identity(&path) else {
            return Self::Away(path);
        };
        match completeness(&path) {
            Ok(Completeness::Incomplete(why)) => Self::Incomplete {
                path,
                identity,
                why,
            },
            _ => Self::There { path, identity },
        }
    }

    /// What lies at `path` now; `None` where nothing does.
    pub fn identity(path: &Path) -> Option<Identity> {
        let metadata = std::fs::symlink_metadata(path).ok()?;
        Some(Identity::of(&metadata))
    }

    /// What to hold the file against. A mix that is away is among it: that it is not there is then
    /// told with its name.
    pub fn against(&self) -> Option<&Path> {
        match self {
            Self::Away(path) | Self::There { path, .. } => Some(path),
            Self::NotAsked | Self::Unnamed(_) | Self::Incomplete { .. } => None,
        }
    }

    /// Why there is nothing to hold the file against though a rule asks for it.
    pub fn not_compared(&self) -> Option<String> {
        match self {
            Self::Unnamed(why) => Some(why.clone()),
            Self::Incomplete { path, why, .. } => {
                let mix = printable(path.file_name().unwrap_or_default());
                Some(format!("not held against {mix}: it is incomplete: {why}"))
            }
            Self::NotAsked | Self::Away(_) | Self::There { .. } => None,
        }
    }
}
