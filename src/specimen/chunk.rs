//! The payload of one chunk as a stream, for rooms that read it themselves (`axml`, `chna`).

use std::io::{self, Read};

use super::error::ReadError;
use super::source::Source;

/// Reads a chunk from its start to its end or the file's, whichever comes first. Seeks nothing:
/// the one descriptor of the file serves all readers by position.
pub struct ChunkReader<'a> {
    source: &'a Source,
    at: u64,
    left: u64,
}

impl<'a> ChunkReader<'a> {
    pub(super) fn new(source: &'a Source, start: u64, bytes: u64) -> Self {
        Self {
            source,
            at: start,
            left: bytes,
        }
    }
}

impl Read for ChunkReader<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let wanted = usize::try_from(self.left).map_or(buffer.len(), |left| left.min(buffer.len()));
        let got = self
            .source
            .fill(self.at, &mut buffer[..wanted])
            .map_err(|ReadError::Io { source, .. }| source)?;
        self.at += got as u64;
        self.left -= got as u64;
        Ok(got)
    }
}
