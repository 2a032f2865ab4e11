//! Hands a file's bytes to the decoding library and digests them on the way.
//!
//! In: an open file. Out: a media source for the library, and, when it is done, the digests of
//! the whole file. Bytes are digested in file order and once: what the library reads again is
//! passed over, small gaps that it jumps over are read at once, and what is left at the end (or
//! behind a long jump) is read when it has finished.

use std::io;
use std::sync::{Mutex, PoisonError};

use symphonia::core::io::MediaSource;

use super::super::digest::Hashers;
use super::super::error::ReadError;
use super::super::facts::Digests;
use super::super::source::Source;

/// A jump of at most this length is read through. Own choice: covers pictures and padding in
/// tags; a jump to an index at the end of a film is longer.
const GAP_BYTES: u64 = 16 * 1024 * 1024;

/// What is shared between the library's side and ours.
pub(super) struct Digesting {
    inner: Mutex<Inner>,
}

struct Inner {
    /// `None` while only the header is looked at.
    hashers: Option<Hashers>,
    done: u64,
    /// The disk's own error: the library knows only that reading failed.
    failed: Option<ReadError>,
}

impl Digesting {
    pub fn new(hashers: Option<Hashers>) -> Self {
        Self {
            inner: Mutex::new(Inner {
                hashers,
                done: 0,
                failed: None,
            }),
        }
    }

    /// How far the file is digested.
    pub fn done(&self) -> u64 {
        self.with(|inner| inner.done)
    }

    /// The disk's error, if that is why the library gave up.
    pub fn take_failure(&self) -> Option<ReadError> {
        self.with(|inner| inner.failed.take())
    }

    /// Reads what the library did not, and closes the digests.
    pub fn finish(
        self,
        source: &Source,
        progress: &mut dyn FnMut(u64),
    ) -> Result<Digests, ReadError> {
        let inner = self.inner.into_inner();
        let inner = inner.unwrap_or_else(PoisonError::into_inner);
        let Some(mut hashers) = inner.hashers else {
            return Ok(Digests::default());
        };
        hashers.update_from(source, inner.done, source.len(), progress)?;
        Ok(hashers.finish())
    }

    /// A panic inside the library cannot leave this half changed: it is only locked here.
    fn with<T>(&self, act: impl FnOnce(&mut Inner) -> T) -> T {
        act(&mut self.inner.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

impl Inner {
    fn digest(&mut self, source: &Source, at: u64, bytes: &[u8]) -> Result<(), ReadError> {
        let Some(hashers) = &mut self.hashers else {
            return Ok(());
        };
        if at > self.done && at - self.done <= GAP_BYTES {
            self.done = hashers.update_from(source, self.done, at, &mut |_| {})?;
        }
        let end = at + bytes.len() as u64;
        if at <= self.done && end > self.done {
            // The difference is less than the slice's length.
            hashers.update(&bytes[(self.done - at) as usize..]);
            self.done = end;
        }
        Ok(())
    }
}

/// The library's end.
pub(super) struct Tap<'a> {
    pub source: &'a Source,
    pub digesting: &'a Digesting,
    pub at: u64,
    /// Whether the library may jump.
    pub seekable: bool,
}

impl io::Read for Tap<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let result = self.source.fill(self.at, buffer).and_then(|got| {
            self.digesting
                .with(|inner| inner.digest(self.source, self.at, &buffer[..got]))
                .map(|()| got)
        });
        match result {
            Ok(got) => {
                self.at += got as u64;
                Ok(got)
            }
            Err(error) => {
                let for_library = io::Error::other(error.to_string());
                self.digesting.with(|inner| inner.failed = Some(error));
                Err(for_library)
            }
        }
    }
}

impl io::Seek for Tap<'_> {
    fn seek(&mut self, to: io::SeekFrom) -> io::Result<u64> {
        let at = match to {
            io::SeekFrom::Start(at) => Some(at),
            io::SeekFrom::End(by) => self.source.len().checked_add_signed(by),
            io::SeekFrom::Current(by) => self.at.checked_add_signed(by),
        };
        self.at = at.ok_or(io::ErrorKind::InvalidInput)?;
        Ok(self.at)
    }
}

impl MediaSource for Tap<'_> {
    fn is_seekable(&self) -> bool {
        self.seekable
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.source.len())
    }
}

#[cfg(test)]
mod tests {
    use std::io::{Read, Seek, SeekFrom};

    use super::*;

    #[test]
    fn bytes_are_digested_once_and_in_order_whatever_the_reader_does() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x");
        let bytes: Vec<u8> = (0..100_000u32).map(|n| (n * 31) as u8).collect();
        std::fs::write(&path, &bytes).unwrap();
        let source = Source::open(&path).unwrap();
        let digesting = Digesting::new(Some(Hashers::new(false)));
        let mut tap = Tap {
            source: &source,
            digesting: &digesting,
            at: 0,
            seekable: true,
        };
        let mut buffer = [0; 1000];
        // Forward, back, ahead over a gap, back before everything, overlapping the front.
        for (to, wanted) in [
            (0, 1000),
            (500, 1500),
            (9000, 10_000),
            (0, 10_000),
            (9500, 10_500),
        ] {
            tap.seek(SeekFrom::Start(to)).unwrap();
            assert_eq!(tap.read(&mut buffer).unwrap(), 1000);
            assert_eq!(digesting.done(), wanted);
        }
        let digests = digesting.finish(&source, &mut |_| {}).unwrap();
        assert_eq!(digests.blake3, blake3::hash(&bytes).to_hex().to_string());
    }
}
