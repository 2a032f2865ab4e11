//! How times, identities and paths are written into columns, and read back.

use std::ffi::OsString;
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use serde::Serialize;
use serde::de::DeserializeOwned;

use super::LedgerError;
use super::place::{Place, Root};

/// RFC 3339 in UTC with nine decimals, always equally long: text order is time order, and
/// SQLite's `<` can be used.
pub(super) fn stamp(at: Timestamp) -> String {
    format!("{at:.9}")
}

pub(super) fn time(text: &str) -> Result<Timestamp, LedgerError> {
    text.parse().map_err(LedgerError::Time)
}

pub(super) fn times(text: Option<String>) -> Result<Option<Timestamp>, LedgerError> {
    text.as_deref().map(time).transpose()
}

/// Plain data as JSON; inode and device numbers of network shares do not fit SQLite's signed
/// integers, and a file's times need 128 bits.
pub(super) fn json(what: &'static str, value: &impl Serialize) -> Result<String, LedgerError> {
    serde_json::to_string(value).map_err(|source| LedgerError::Unreadable { what, source })
}

pub(super) fn from_json<T: DeserializeOwned>(
    what: &'static str,
    text: &str,
) -> Result<T, LedgerError> {
    serde_json::from_str(text).map_err(|source| LedgerError::Unreadable { what, source })
}

pub(super) fn bytes(path: &Path) -> Vec<u8> {
    path.as_os_str().as_bytes().to_vec()
}

pub(super) fn path(bytes: Vec<u8>) -> PathBuf {
    PathBuf::from(OsString::from_vec(bytes))
}

/// A place out of its three columns; `None` where the first is null.
pub(super) fn place(
    root: Option<String>,
    folder: Option<Vec<u8>>,
    below: Option<Vec<u8>>,
) -> Option<Place> {
    Some(Place {
        root: Root {
            name: root?,
            folder: path(folder?),
        },
        path: path(below?),
    })
}

/// A size or a count as a column. The kernel's own file sizes are signed 64-bit numbers, so
/// nothing real is cut.
pub(super) fn count(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

pub(super) fn counted(column: i64) -> u64 {
    u64::try_from(column).unwrap_or(0)
}

/// A time inside JSON, written as in a column.
pub(super) mod timestamp {
    use jiff::Timestamp;
    use serde::de::Error;
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(at: &Timestamp, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&super::stamp(*at))
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Timestamp, D::Error> {
        String::deserialize(deserializer)?
            .parse()
            .map_err(D::Error::custom)
    }
}
