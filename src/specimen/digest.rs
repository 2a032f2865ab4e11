//! The digests of a byte sequence, fed in pieces. Knows nothing of audio.

use std::io;
use std::path::Path;

use sha2::Digest as _;

use super::error::{OpenError, ReadError};
use super::facts::Digests;
use super::source::Source;
use crate::intake::Identity;

/// Read in pieces of this size: large enough that system calls cost nothing, small enough to
/// stay in a core's cache while several digests and the decoder go over it. Own choice.
pub(super) const PIECE_BYTES: usize = 256 * 1024;

/// BLAKE3 and SHA-256 always, MD5 where asked for (it is the slowest).
pub(super) struct Hashers {
    blake3: blake3::Hasher,
    sha256: sha2::Sha256,
    md5: Option<md5::Md5>,
}

impl Hashers {
    pub fn new(md5: bool) -> Self {
        Self {
            blake3: blake3::Hasher::new(),
            sha256: sha2::Sha256::new(),
            md5: md5.then(md5::Md5::new),
        }
    }

    pub fn update(&mut self, bytes: &[u8]) {
        self.blake3.update(bytes);
        self.sha256.update(bytes);
        if let Some(md5) = &mut self.md5 {
            md5.update(bytes);
        }
    }

    /// Feeds the file's bytes from `start` to `end`; returns where it stopped, which is before
    /// `end` only when the file has become shorter.
    pub fn update_from(
        &mut self,
        source: &Source,
        start: u64,
        end: u64,
        progress: &mut dyn FnMut(u64),
    ) -> Result<u64, ReadError> {
        let mut piece = vec![0; PIECE_BYTES];
        let mut at = start;
        while at < end {
            let wanted = usize::try_from(end - at).map_or(PIECE_BYTES, |n| n.min(PIECE_BYTES));
            let got = source.fill(at, &mut piece[..wanted])?;
            if got == 0 {
                break;
            }
            self.update(&piece[..got]);
            at += got as u64;
            progress(at);
        }
        Ok(at)
    }

    pub fn finish(self) -> Digests {
        Digests {
            blake3: self.blake3.finalize().to_hex().to_string(),
            sha256: Some(hexadecimal(&self.sha256.finalize())),
            md5: self.md5.map(|md5| hexadecimal(&md5.finalize())),
        }
    }
}

/// Lower-case hexadecimal, two digits a byte.
pub(super) fn hexadecimal(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    bytes
        .iter()
        .flat_map(|byte| [byte >> 4, byte & 15])
        .map(|digit| char::from(DIGITS[usize::from(digit)]))
        .collect()
}

/// Digests alone, in one pass, for files that are no audio and for a second look at any file.
///
/// The identity is that at opening; a caller that needs to know whether the file changed
/// meanwhile compares it with a later one. What is no regular file gives `InvalidInput`.
pub fn digest_file(path: &Path, md5: bool) -> io::Result<(Identity, Digests)> {
    let source = Source::open(path).map_err(to_io)?;
    let mut hashers = Hashers::new(md5);
    hashers
        .update_from(&source, 0, source.len(), &mut |_| {})
        .map_err(|error| to_io(error.into()))?;
    Ok((source.identity(), hashers.finish()))
}

/// For the functions whose only failure is the disk or the kind of file.
pub(super) fn to_io(error: OpenError) -> io::Error {
    match error {
        OpenError::Io { source, .. } => source,
        other => io::Error::new(io::ErrorKind::InvalidInput, other.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digests_of_abc_are_those_of_the_standards() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("abc");
        std::fs::write(&path, b"abc").unwrap();
        let (identity, digests) = digest_file(&path, true).unwrap();
        assert_eq!(identity.bytes, 3);
        // FIPS 180-4, example "abc" of SHA-256 (NIST's published intermediate values).
        assert_eq!(
            digests.sha256.unwrap(),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
        // RFC 1321, A.5.
        assert_eq!(digests.md5.unwrap(), "900150983cd24fb0d6963f7d28e17f72");
        // The library's one-call form is the other witness for BLAKE3.
        assert_eq!(digests.blake3, blake3::hash(b"abc").to_hex().to_string());
    }

    #[test]
    fn a_long_file_is_digested_over_its_pieces() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("long");
        let bytes: Vec<u8> = (0..3 * PIECE_BYTES + 77).map(|i| (i * 7) as u8).collect();
        std::fs::write(&path, &bytes).unwrap();
        let (_, digests) = digest_file(&path, false).unwrap();
        assert_eq!(digests.blake3, blake3::hash(&bytes).to_hex().to_string());
        assert_eq!(digests.md5, None);
    }
}
