//! What the configuration says, key for key; nothing is decided here.
//!
//! Every value keeps its place in the text, so that a mistake in its meaning can be shown
//! where it stands. [`KEYS`] holds an example of every key.

use serde::Deserialize;
use toml::Spanned;

type Said<T> = Option<Spanned<T>>;

/// Every key with an example of how it is written: what a message offers as right.
pub const KEYS: &[(&str, &str)] = &[
    ("studio", "a table: [studio]"),
    ("watch", "a table with two brackets on each side: [[watch]]"),
    (
        "route",
        "a table with two brackets on each side: [[watch.route]]",
    ),
    ("notice", "a table: [notice.mail]"),
    ("mail", "a table: [notice.mail]"),
    ("service", "a table: [service]"),
    ("crew", "a table: [crew]"),
    ("render", "a table: [render]"),
    ("head", "head = \"/srv/audio/heads/dummy-head.sofa\""),
    ("state", "state = \"/var/lib/weighbridge\""),
    ("name", "name = \"outbound\""),
    ("folder", "folder = \"/srv/audio/outbound\""),
    ("kind", "kind = \"local\" or kind = \"network\""),
    ("poll", "poll = \"5s\""),
    ("settle", "settle = \"10s\""),
    ("patience", "patience = \"100s\""),
    ("profile", "profile = \"stereo-music\""),
    ("quarantine", "quarantine = \"/srv/audio/quarantine\""),
    ("release", "release = \"/srv/audio/dispatch\""),
    ("signoffs", "signoffs = 1"),
    (
        "record",
        "record = \"beside\", or a folder: record = \"/srv/audio/records\"",
    ),
    ("md5", "md5 = true"),
    (
        "other_files",
        "other_files = \"leave\" or other_files = \"stop\"",
    ),
    ("audio_extensions", "audio_extensions = [\"wav\", \"flac\"]"),
    ("ignore", "ignore = [\"*.bak\", \"scratch_*\"]"),
    ("match", "match = \"**/*_immersive*.wav\""),
    (
        "channels",
        "channels = \"7.1.4\", or labels: channels = \"M+030,M-030,M+000,LFE1\"",
    ),
    (
        "mix",
        "mix = { name = '(.+)_master(_r\\d+)?\\.wav', is = '${1}_mix.wav' }, and folder = \"/srv/audio/mixes\" where they lie apart",
    ),
    ("is", "is = '${1}_mix.wav'"),
    ("server", "server = \"smtp://mail.lan:587\""),
    ("user", "user = \"weighbridge\""),
    ("credential", "credential = \"smtp-password\""),
    ("from", "from = \"weighbridge@tallowstreet.example\""),
    ("to", "to = [\"mastering@tallowstreet.example\"]"),
    ("when", "when = [\"stop\", \"trouble\"]"),
    ("digest", "digest = \"18:00\""),
    ("listen", "listen = \"127.0.0.1:8117\""),
    ("threads", "threads = 0"),
];

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawConfig {
    pub studio: Said<RawStudio>,
    #[serde(default)]
    pub watch: Vec<Spanned<RawWatch>>,
    pub notice: Option<RawNotice>,
    pub service: Option<RawService>,
    pub crew: Option<RawCrew>,
    pub render: Option<RawRender>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawRender {
    pub head: Said<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawStudio {
    pub name: Said<String>,
    pub state: Said<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawWatch {
    pub name: Said<String>,
    pub folder: Said<String>,
    pub kind: Said<String>,
    pub poll: Said<String>,
    pub settle: Said<String>,
    pub patience: Said<String>,
    pub profile: Said<String>,
    pub quarantine: Said<String>,
    pub release: Said<String>,
    pub signoffs: Said<u32>,
    pub record: Said<String>,
    pub md5: Option<bool>,
    pub other_files: Said<String>,
    pub audio_extensions: Said<Vec<Spanned<String>>>,
    #[serde(default)]
    pub ignore: Vec<Spanned<String>>,
    #[serde(default)]
    pub route: Vec<Spanned<RawRoute>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawRoute {
    #[serde(rename = "match")]
    pub pattern: Said<String>,
    pub profile: Said<String>,
    pub channels: Said<String>,
    pub mix: Said<RawMix>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawMix {
    pub name: Said<String>,
    pub is: Said<String>,
    pub folder: Said<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawNotice {
    pub mail: Said<RawMail>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawMail {
    pub server: Said<String>,
    pub user: Said<String>,
    pub credential: Said<String>,
    pub from: Said<String>,
    pub to: Said<Vec<Spanned<String>>>,
    pub when: Said<Vec<Spanned<String>>>,
    pub digest: Said<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawService {
    pub listen: Said<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RawCrew {
    pub threads: Said<usize>,
    /// Known, so that it can be refused by name.
    pub nats: Said<toml::Value>,
}
