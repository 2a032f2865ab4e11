//! One open file: regular, read-only, never through a symbolic link; bytes by position.
//!
//! Knows nothing of what the bytes mean. All reads are bounded by the length that the file had
//! when it was opened; a file that shrinks meanwhile gives short reads, and the caller sees the
//! change in its identity.

use std::fs::File;
use std::io;
use std::os::unix::fs::{FileExt, FileTypeExt};
use std::path::Path;

use rustix::fs::{Mode, OFlags};

use super::error::{OpenError, ReadError};
use crate::intake::Identity;

#[derive(Debug)]
pub(super) struct Source {
    file: File,
    len: u64,
    identity: Identity,
}

impl Source {
    /// Opens without following a link in the last part of `path` and without waiting for the
    /// other end of a named pipe.
    pub fn open(path: &Path) -> Result<Self, OpenError> {
        let flags =
            OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::CLOEXEC | OFlags::NONBLOCK | OFlags::NOCTTY;
        let file = match rustix::fs::open(path, flags, Mode::empty()) {
            Ok(descriptor) => File::from(descriptor),
            Err(rustix::io::Errno::LOOP) => {
                return Err(OpenError::NotAFile("a symbolic link"));
            }
            // A socket, or a device without a driver, cannot be opened at all (open(2)).
            Err(rustix::io::Errno::NXIO) => {
                return Err(OpenError::NotAFile("a socket or a device"));
            }
            Err(errno) => return Err(io_at(0)(errno.into()).into()),
        };
        let metadata = file.metadata().map_err(io_at(0))?;
        let kind = metadata.file_type();
        if !kind.is_file() {
            return Err(OpenError::NotAFile(if kind.is_dir() {
                "a folder"
            } else if kind.is_fifo() {
                "a named pipe"
            } else if kind.is_block_device() || kind.is_char_device() {
                "a device"
            } else {
                "something else"
            }));
        }
        Ok(Self {
            len: metadata.len(),
            identity: Identity::of(&metadata),
            file,
        })
    }

    /// Length at opening.
    pub fn len(&self) -> u64 {
        self.len
    }

    /// As it was at opening.
    pub fn identity(&self) -> Identity {
        self.identity
    }

    /// As it is now, by the same descriptor.
    pub fn identity_now(&self) -> Result<Identity, ReadError> {
        let metadata = self.file.metadata().map_err(io_at(self.len))?;
        Ok(Identity::of(&metadata))
    }

    pub fn file(&self) -> &File {
        &self.file
    }

    /// Fills `buffer` from `offset` on as far as the file goes; returns how many bytes it got.
    pub fn fill(&self, offset: u64, buffer: &mut [u8]) -> Result<usize, ReadError> {
        let wanted = usize::try_from(self.len.saturating_sub(offset))
            .map_or(buffer.len(), |left| left.min(buffer.len()));
        let mut got = 0;
        while got < wanted {
            let at = offset + got as u64;
            match self.file.read_at(&mut buffer[got..wanted], at) {
                Ok(0) => break,
                Ok(count) => got += count,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(io_at(at)(error)),
            }
        }
        Ok(got)
    }

    /// Up to `wanted` bytes from `offset` on, fewer at the end of the file. The caller bounds
    /// `wanted`: nothing that a header asks for is allocated.
    pub fn bytes(&self, offset: u64, wanted: usize) -> Result<Vec<u8>, ReadError> {
        let left = self.len.saturating_sub(offset);
        let wanted = usize::try_from(left).map_or(wanted, |left| left.min(wanted));
        let mut bytes = vec![0; wanted];
        let got = self.fill(offset, &mut bytes)?;
        bytes.truncate(got);
        Ok(bytes)
    }

    /// Exactly `N` bytes, or `None` where the file ends before.
    pub fn array<const N: usize>(&self, offset: u64) -> Result<Option<[u8; N]>, ReadError> {
        let mut bytes = [0; N];
        let got = self.fill(offset, &mut bytes)?;
        Ok((got == N).then_some(bytes))
    }
}

pub(super) fn io_at(at: u64) -> impl Fn(io::Error) -> ReadError {
    move |source| ReadError::Io { at, source }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn links_folders_and_pipes_are_named_and_not_opened() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("a.wav");
        std::fs::write(&target, b"x").unwrap();
        let link = folder.path().join("link.wav");
        std::os::unix::fs::symlink(&target, &link).unwrap();
        let pipe = folder.path().join("pipe.wav");
        rustix::fs::mknodat(
            rustix::fs::CWD,
            &pipe,
            rustix::fs::FileType::Fifo,
            Mode::RUSR | Mode::WUSR,
            0,
        )
        .unwrap();
        let socket = folder.path().join("socket.wav");
        let _held = std::os::unix::net::UnixListener::bind(&socket).unwrap();

        let not_a_file = |path: &Path| match Source::open(path) {
            Err(OpenError::NotAFile(what)) => what,
            other => panic!("{other:?}"),
        };
        assert_eq!(not_a_file(&link), "a symbolic link");
        assert_eq!(not_a_file(folder.path()), "a folder");
        assert_eq!(not_a_file(&pipe), "a named pipe");
        assert_eq!(not_a_file(&socket), "a socket or a device");
        let missing = Source::open(&folder.path().join("gone.wav")).unwrap_err();
        assert!(missing.is_transient(), "{missing}");
    }

    #[test]
    fn reads_end_where_the_file_ends() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a");
        std::fs::write(&path, b"abcdef").unwrap();
        let source = Source::open(&path).unwrap();
        assert_eq!(source.bytes(4, 100).unwrap(), b"ef");
        assert_eq!(source.bytes(u64::MAX, 100).unwrap(), b"");
        assert_eq!(source.array::<3>(3).unwrap(), Some(*b"def"));
        assert_eq!(source.array::<3>(4).unwrap(), None);
    }
}
