//! Why a file could not be opened or read, by who has to act: the engineer (the file is wrong),
//! the operator (the share is away), or nobody (it is no file that we weigh).

use std::io;

/// Why there is no [`super::Specimen`]. `Display` is one plain sentence without full stop.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// The bytes are those of no audio file that the house knows.
    #[error("this is no audio file that we know: {found}")]
    NotAudio { found: String },
    /// Audio, and perhaps sound, but in a form that the house does not read.
    #[error("we do not read this kind of file: {what}")]
    Unsupported { what: String },
    /// A kind that we read, too broken to know where the samples lie.
    #[error("the file is damaged: {what}")]
    Damaged { what: String },
    /// A symbolic link, a folder, a device: never followed, never read.
    #[error("it is not a regular file but {0}")]
    NotAFile(&'static str),
    /// The disk or the share, not the file.
    #[error("reading failed at byte {at}")]
    Io {
        at: u64,
        #[source]
        source: io::Error,
    },
}

impl OpenError {
    /// True when the same bytes may read well later: the share was away, not the file wrong.
    pub fn is_transient(&self) -> bool {
        matches!(self, Self::Io { .. })
    }

    pub(super) fn damaged(what: impl Into<String>) -> Self {
        Self::Damaged { what: what.into() }
    }

    pub(super) fn unsupported(what: impl Into<String>) -> Self {
        Self::Unsupported { what: what.into() }
    }
}

impl From<ReadError> for OpenError {
    fn from(error: ReadError) -> Self {
        let ReadError::Io { at, source } = error;
        Self::Io { at, source }
    }
}

/// Why a reading did not come to its end. Damage in the file is no error here: it is an oddity.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    #[error("reading failed at byte {at}")]
    Io {
        at: u64,
        #[source]
        source: io::Error,
    },
}

impl ReadError {
    /// Always: whatever is wrong with the bytes themselves is an oddity of the reading.
    pub fn is_transient(&self) -> bool {
        let Self::Io { .. } = self;
        true
    }
}
