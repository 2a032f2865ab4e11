//! A set of head-related impulse responses: opened, checked, named.
//!
//! In: a path. Out: a [`HeadSet`] that a renderer takes its responses from, and the
//! [`HeadSetFacts`] by which a record tells which head was listened through. The bytes of the
//! container are `sofa`'s business, the choice of a direction `direction`'s.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::direction::{self, Measured};
use super::sofa;

/// The largest file that is read; own choice: the largest public free-field sets have about
/// 100 MB (from memory).
const MOST_FILE_BYTES: u64 = 512 << 20;

/// Why a head set cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum HeadSetError {
    #[error("reading the head set failed")]
    Io(#[from] io::Error),
    #[error("the head set is no regular file")]
    NotAFile,
    #[error("the head set has more than {limit} bytes")]
    TooLarge { limit: u64 },
    #[error("{what} cannot be read as HDF5")]
    Unreadable {
        what: &'static str,
        #[source]
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    #[error("{0} is missing (AES69, SimpleFreeFieldHRIR)")]
    Missing(&'static str),
    #[error("{name} is {found:?}, where a head set has {wanted:?} (AES69, SimpleFreeFieldHRIR)")]
    NotASet {
        name: &'static str,
        found: String,
        wanted: &'static str,
    },
    #[error("{name} has the shape {found:?}, where {wanted} are wanted")]
    Shape {
        name: &'static str,
        found: Vec<u64>,
        wanted: &'static str,
    },
    #[error("a value of {name} {problem}")]
    Value {
        name: &'static str,
        problem: &'static str,
    },
}

/// What a record says of a head set.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HeadSetFacts {
    /// Title, database and listener, as far as the file has them.
    pub name: String,
    /// Of the whole file, hexadecimal.
    pub digest_blake3: String,
    pub taps: u64,
    pub sample_rate_hz: f64,
    /// In the file's own words; empty when it has none.
    pub licence: String,
    /// How many directions were measured.
    pub directions: u64,
}

/// A set of head-related impulse responses in memory.
#[derive(Clone, Debug)]
pub struct HeadSet {
    facts: HeadSetFacts,
    pub(super) sample_rate: f64,
    pub(super) measured: Vec<Measured>,
    taps: usize,
    /// `[direction][ear][tap]`, flat; left ear first.
    responses: Vec<f64>,
    /// `[direction][ear]`, samples.
    delays: Vec<[f64; 2]>,
}

impl HeadSet {
    /// Reads an AES69 (SOFA) file of the convention SimpleFreeFieldHRIR.
    pub fn open(path: impl AsRef<Path>) -> Result<Self, HeadSetError> {
        let path = path.as_ref();
        // Before opening: opening a pipe waits for its writer.
        if !path.metadata()?.is_file() {
            return Err(HeadSetError::NotAFile);
        }
        let mut bytes = Vec::new();
        File::open(path)?
            .take(MOST_FILE_BYTES + 1)
            .read_to_end(&mut bytes)?;
        if bytes.len() as u64 > MOST_FILE_BYTES {
            return Err(HeadSetError::TooLarge {
                limit: MOST_FILE_BYTES,
            });
        }
        Self::from_bytes(bytes)
    }

    /// The same from the bytes of a file.
    pub fn from_bytes(bytes: Vec<u8>) -> Result<Self, HeadSetError> {
        let digest_blake3 = blake3::hash(&bytes).to_hex().to_string();
        let reading = sofa::read(bytes)?;
        let mut name: Vec<&str> = Vec::new();
        for part in [&reading.title, &reading.database, &reading.listener] {
            if !part.is_empty() && !name.contains(&part.as_str()) {
                name.push(part);
            }
        }
        Ok(Self {
            facts: HeadSetFacts {
                name: name.join(", "),
                digest_blake3,
                taps: reading.taps as u64,
                sample_rate_hz: reading.sample_rate,
                licence: reading.licence,
                directions: reading.sources.len() as u64,
            },
            sample_rate: reading.sample_rate,
            measured: direction::measured(&reading.sources),
            taps: reading.taps,
            responses: reading.responses,
            delays: reading.delays,
        })
    }

    pub fn facts(&self) -> &HeadSetFacts {
        &self.facts
    }

    /// The responses of the left and the right ear as they stand in the file.
    pub(super) fn ears(&self, direction: usize) -> [&[f64]; 2] {
        let pair = &self.responses[direction * 2 * self.taps..][..2 * self.taps];
        let (left, right) = pair.split_at(self.taps);
        [left, right]
    }

    /// Samples that each ear's response starts later than it stands in the file.
    pub(super) fn delays(&self, direction: usize) -> [f64; 2] {
        self.delays[direction]
    }
}
