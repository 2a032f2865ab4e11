//! A place on disk, as people and as the journal need it: a named root and a path below it.
//!
//! Names from a share need not be UTF-8; the bytes are kept as they are, and only what people
//! read is made readable.

use std::ffi::OsStr;
use std::fmt;
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::names::printable;

/// A folder of the configuration under the name by which people know it: a watch's name, or
/// `release`, `quarantine`, `record`.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Root {
    pub name: String,
    /// Absolute.
    #[serde(with = "raw_path")]
    pub folder: PathBuf,
}

impl Root {
    pub fn new(name: impl Into<String>, folder: impl Into<PathBuf>) -> Self {
        Self {
            name: name.into(),
            folder: folder.into(),
        }
    }

    pub fn place(&self, path: impl Into<PathBuf>) -> Place {
        Place {
            root: self.clone(),
            path: path.into(),
        }
    }
}

/// A file below a root. Written for people as `ROOT:path`, as in a sidecar's custody events.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Place {
    pub root: Root,
    /// Relative to the root's folder.
    #[serde(with = "raw_path")]
    pub path: PathBuf,
}

impl Place {
    pub fn absolute(&self) -> PathBuf {
        self.root.folder.join(&self.path)
    }

    /// The last part of the path; empty for a path without one.
    pub fn name(&self) -> &OsStr {
        self.path.file_name().unwrap_or_default()
    }

    /// The sub-folders below the root; empty for a file directly in it.
    pub fn parent(&self) -> &Path {
        self.path.parent().unwrap_or(Path::new(""))
    }

    /// Another name in the same folder.
    pub fn beside(&self, name: impl AsRef<Path>) -> Self {
        Self {
            root: self.root.clone(),
            path: self.parent().join(name),
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.root.name, printable(self.path.as_os_str()))
    }
}

/// A path in JSON: text where it is UTF-8, otherwise its bytes as numbers. Nothing is lost.
pub(super) mod raw_path {
    use super::*;

    #[derive(Serialize, Deserialize)]
    #[serde(untagged)]
    enum Raw {
        Text(String),
        Bytes(Vec<u8>),
    }

    pub fn serialize<S: Serializer>(path: &Path, serializer: S) -> Result<S::Ok, S::Error> {
        match path.to_str() {
            Some(text) => Raw::Text(text.to_owned()),
            None => Raw::Bytes(path.as_os_str().as_bytes().to_vec()),
        }
        .serialize(serializer)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<PathBuf, D::Error> {
        Ok(match Raw::deserialize(deserializer)? {
            Raw::Text(text) => PathBuf::from(text),
            Raw::Bytes(bytes) => PathBuf::from(std::ffi::OsString::from_vec(bytes)),
        })
    }
}
