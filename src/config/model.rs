//! The configuration as other rooms see it: checked. Each room gets its own part.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use crate::layout::Label;

#[derive(Clone, Debug)]
pub struct Config {
    /// Where it was read from.
    pub path: PathBuf,
    pub studio: Studio,
    pub watches: Vec<Watch>,
    pub mail: Option<Mail>,
    pub service: Option<Service>,
    pub crew: Crew,
    pub render: RenderSettings,
    /// The operator's profiles: `profiles/` beside the configuration.
    pub profiles_folder: PathBuf,
}

/// What renders of object-based files need besides the file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RenderSettings {
    /// A set of head-related responses (AES69), absolute; without one there is no binaural render.
    pub head: Option<PathBuf>,
}

#[derive(Clone, Debug)]
pub struct Studio {
    pub name: String,
    /// Ledger, lock, outbox.
    pub state: PathBuf,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WatchKind {
    /// Kernel events bring scans forward.
    Local,
    /// SMB and NFS send no events: scans alone, every `poll`.
    Network,
}

#[derive(Clone, Debug)]
pub struct Watch {
    pub name: String,
    /// Absolute.
    pub folder: PathBuf,
    pub kind: WatchKind,
    /// Between two scans when nothing calls for one earlier (default: network 5 s, local 60 s).
    pub poll: Duration,
    /// Unchanged this long (default 10 s).
    pub settle: Duration,
    /// How long an incomplete file is waited for without change (default 10 x settle, at least 10 s).
    pub patience: Duration,
    /// Profile where no route matches.
    pub profile: String,
    /// First match wins.
    pub routes: Vec<Route>,
    /// Where stopped files go; without it they stay and are marked.
    pub quarantine: Option<PathBuf>,
    /// Only cleared files appear here; without it they stay.
    pub release: Option<PathBuf>,
    /// People who must sign before release.
    pub signoffs: u32,
    pub record: RecordPlace,
    pub md5: bool,
    pub other_files: OtherFiles,
    /// Lower-case extensions taken for audio.
    pub audio_extensions: Vec<String>,
    /// Further name patterns to leave alone (globs on the file name), beside the built-in ones.
    pub ignore: Vec<String>,
}

#[derive(Clone, Debug)]
pub struct Route {
    /// A glob on the path below the watch's folder, `/` between parts.
    pub pattern: String,
    pub matcher: globset::GlobMatcher,
    pub profile: String,
    /// Labels for matching files that do not say where their channels play.
    pub channels: Option<Vec<Label>>,
    /// Where the mix of a matching master lies.
    pub mix: Option<MixRule>,
}

/// From a master's name to its mix's.
#[derive(Clone, Debug)]
pub struct MixRule {
    /// The pattern of a master's name, as it is written.
    pub pattern: String,
    /// Matches the whole name of a master; other names have no mix.
    pub name: regex::Regex,
    /// The mix's name, `${1}` for what the first brackets took.
    pub is: String,
    /// Absolute; beside the master without it.
    pub folder: Option<PathBuf>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum RecordPlace {
    /// The sidecar lies beside the file's last place.
    Beside,
    /// All sidecars go below this folder, sub-folders kept.
    Folder(PathBuf),
}

/// What to do with files that are no audio.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OtherFiles {
    Leave,
    /// Weighed as unread, so they stop (for outbound folders).
    Stop,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MailSecurity {
    /// `smtps://`
    Tls,
    /// `smtp://`
    StartTls,
    /// `smtp://` towards loopback only.
    Plain,
}

#[derive(Clone, Debug)]
pub struct Mail {
    pub host: String,
    pub port: u16,
    pub security: MailSecurity,
    /// Who signs in, wherever there is a credential: `user`, the one in the server's address,
    /// or else the address in `from`.
    pub user: Option<String>,
    /// Name of a systemd credential, or absolute path of a file.
    pub credential: Option<String>,
    /// `a@b.c` or `Name <a@b.c>`, as lettre's `Mailbox` reads it.
    pub from: String,
    /// At least one, written like `from`.
    pub to: Vec<String>,
    pub when: When,
    /// Local time of day of the daily summary.
    pub digest: Option<jiff::civil::Time>,
}

/// Of what a mail is sent at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct When {
    pub stop: bool,
    pub trouble: bool,
    pub advise: bool,
    pub clear: bool,
}

#[derive(Clone, Debug)]
pub struct Service {
    pub listen: SocketAddr,
}

#[derive(Clone, Copy, Debug)]
pub struct Crew {
    /// Files weighed at once, at least 1.
    pub threads: usize,
}
