//! The steps of a deed, one for each change on a disk, so that every one of them can be the
//! last before a power cut: a test says at which step the house dies or a system call fails,
//! and then looks at what is on the disk.

use std::io;
use std::path::Path;

use super::CustodyError;

/// What is about to be done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Step {
    /// The intent is in the journal; nothing has been done yet.
    Begin,
    MakeFolder,
    WriteSidecar,
    PlaceSidecar,
    Rename,
    /// Where the file system has no rename that never replaces.
    Link,
    /// Where it has no links either: an empty file of ours keeps the name.
    Claim,
    RenameOverClaim,
    BeginCopy,
    CopyBlock,
    FinishCopy,
    VerifyCopy,
    PlaceCopy,
    /// The source gets a name of ours, is looked at again, and is removed.
    SetAside,
    RemoveSource,
    SyncFolders,
    WriteNote,
    PlaceNote,
    RemoveNote,
    /// Removing what is ours, after an error or at the next start.
    CleanUp,
    CloseJournal,
}

impl Step {
    /// Completes "could not …".
    pub(super) fn words(self) -> &'static str {
        match self {
            Self::Begin => "begin with",
            Self::MakeFolder => "make the folder",
            Self::WriteSidecar | Self::PlaceSidecar => "write the sidecar",
            Self::Rename | Self::Link | Self::Claim | Self::RenameOverClaim => "move the file to",
            Self::BeginCopy | Self::CopyBlock | Self::FinishCopy => "copy the file to",
            Self::VerifyCopy => "read back the copy for",
            Self::PlaceCopy => "give its name to the copy",
            Self::SetAside | Self::RemoveSource => "remove the file that was copied,",
            Self::SyncFolders => "bring to the disk the folder",
            Self::WriteNote | Self::PlaceNote => "write the note",
            Self::RemoveNote => "remove the note",
            Self::CleanUp => "clean up",
            Self::CloseJournal => "close the journal for",
        }
    }
}

/// What a watcher wants to happen instead of a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Go {
    On,
    /// Nothing more is done, as after a power cut: no cleaning up, no word to the ledger.
    Die,
    /// The step fails with this error number of the system.
    Fail(i32),
}

/// What the file systems are taken to be able to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Means {
    /// A rename that never replaces (`RENAME_NOREPLACE`).
    pub rename_without_replacing: bool,
    pub links: bool,
    /// Renames within one device, where it is one.
    pub same_device: bool,
}

impl Means {
    /// Whatever the kernel says when it is asked.
    pub const ALL: Self = Self {
        rename_without_replacing: true,
        links: true,
        same_device: true,
    };
}

type Watcher<'a> = Box<dyn FnMut(Step, &Path) -> Go + 'a>;

/// How a deed is conducted: in the daemon plainly, in a test under a watcher's eyes.
pub struct Conduct<'a> {
    before: Watcher<'a>,
    pub means: Means,
}

impl<'a> Conduct<'a> {
    pub fn plain() -> Self {
        Self::watched(Means::ALL, |_, _| Go::On)
    }

    /// `before` is called before each step with the path that it touches.
    pub fn watched(means: Means, before: impl FnMut(Step, &Path) -> Go + 'a) -> Self {
        Self {
            before: Box::new(before),
            means,
        }
    }

    pub(super) fn step(&mut self, step: Step, path: &Path) -> Result<(), CustodyError> {
        match (self.before)(step, path) {
            Go::On => Ok(()),
            Go::Die => Err(CustodyError::Interrupted),
            Go::Fail(number) => Err(CustodyError::io(
                step.words(),
                path,
                io::Error::from_raw_os_error(number),
            )),
        }
    }
}
