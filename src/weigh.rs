//! The pure composition: one file in, one judgement out. Writes nothing, knows no ledger and
//! no network; the same bytes, name and profile give the same judgement on any host.

use std::path::Path;

use crate::intake::Identity;
use crate::judge::Judgement;
use crate::layout::Label;
use crate::measure::Measurements;
use crate::profile::Profile;
use crate::specimen::{Digests, Format, Metadata};

/// What to weigh, and how.
pub struct Request<'a> {
    pub path: &'a Path,
    pub profile: &'a Profile,
    /// Labels for a file that does not say where its channels play (route or `--channels`);
    /// they go before the profile's.
    pub channels: Option<&'a [Label]>,
    pub md5: bool,
}

/// All that was found out about one file.
#[derive(Clone, Debug)]
pub struct Weighed {
    /// The file as it was when it was opened; it was the same when the reading ended.
    pub identity: Identity,
    pub digests: Digests,
    /// BLAKE3 of the audio payload alone; `None` where the file could not be read as audio.
    pub audio_blake3: Option<String>,
    /// `None` for a file that could not be read as audio.
    pub format: Option<Format>,
    pub metadata: Metadata,
    pub measurements: Option<Measurements>,
    pub judgement: Judgement,
}

/// Why there is no judgement. The file stays where it is.
#[derive(Debug, thiserror::Error)]
pub enum WeighError {
    /// The share was away, not the file wrong: try again.
    #[error("reading failed after {at} bytes")]
    Io {
        at: u64,
        #[source]
        source: std::io::Error,
    },
    /// It is being written: let it settle again.
    #[error("the file changed while it was read")]
    Changed,
    /// A symbolic link, a folder, a device: never followed.
    #[error("it is not a regular file ({0})")]
    NotAFile(&'static str),
    /// The daemon is stopping.
    #[error("stopped before the end")]
    Stopped,
}
