//! The invented studio: its configuration and its own profiles, as text.
//!
//! In: a folder, and the addresses of the mail receiver and of the status page. Out: TOML.
//! Knows neither the deliveries nor the daemon.

use std::net::SocketAddr;
use std::path::Path;
use std::time::Duration;

/// Where the studio's files lie: two watched folders, and where files go from there.
pub const FOLDERS: [&str; 4] = ["exports", "outbound", "dispatch", "quarantine"];

/// How long the demo's watches wait for a file to be unchanged.
pub const SETTLE: Duration = Duration::from_secs(1);

/// How long the demo's watches wait for an incomplete file without change.
pub const PATIENCE: Duration = Duration::from_secs(5);

/// The studio's own profiles: file name below `profiles/`, and text. They name every limit that
/// the scenario leans on, so that the demo does not change with the built-in ones.
pub const PROFILES: [(&str, &str); 3] = [
    (
        "tallow-stereo.toml",
        r#"name = "tallow-stereo"
title = "Tallow Street stereo master"
about = "The stereo master as the demo's studio asks for it."
extends = "stereo-music"

[limits."loudness.integrated"]
at_most = -14.0
severity = "stop"
source = "house rule of the invented studio"

[limits."peaks.true_peak"]
at_most = -1.0
severity = "stop"
source = "house rule of the invented studio"

[limits."format.sample_rate"]
one_of = [48000]
severity = "stop"
source = "house rule of the invented studio"

[limits."format.bit_depth"]
at_least = 24
severity = "stop"
source = "house rule of the invented studio"

[limits."edges.trailing_silence"]
at_most = 3.0
severity = "advise"
source = "house rule of the invented studio"
"#,
    ),
    (
        "tallow-immersive.toml",
        r#"name = "tallow-immersive"
title = "Tallow Street immersive master"
about = "The object-based immersive master as the demo's studio asks for it: judged as it sounds on 0+5+0, and in stereo."
extends = "immersive-music"
renders = ["0+5+0", "0+2+0"]

[limits."loudness.integrated"]
render = "0+5+0"
at_most = -18.0
severity = "stop"
source = "house rule of the invented studio"

[limits."peaks.true_peak"]
render = "0+5+0"
at_most = -1.0
severity = "stop"
source = "house rule of the invented studio"

[limits."loudness.integrated@0+2+0"]
at_most = -16.0
severity = "advise"
source = "house rule of the invented studio"

[limits."peaks.true_peak@0+2+0"]
at_most = -1.0
severity = "advise"
source = "house rule of the invented studio"
"#,
    ),
    (
        "tallow-channels.toml",
        r#"name = "tallow-channels"
title = "Tallow Street immersive master, as channels"
about = "The channel-based immersive master as the demo's studio asks for it."
extends = "immersive-channels"

[limits."loudness.integrated"]
at_most = -18.0
severity = "stop"
source = "house rule of the invented studio"

[limits."peaks.true_peak"]
at_most = -1.0
severity = "stop"
source = "house rule of the invented studio"
"#,
    ),
];

/// The demo's configuration, everything below `dir`.
pub fn configuration(dir: &Path, mail: SocketAddr, page: SocketAddr) -> String {
    let folder = |name: &str| toml::Value::String(dir.join(name).to_string_lossy().into_owned());
    let (settle, patience) = (SETTLE.as_secs(), PATIENCE.as_secs());
    format!(
        r#"# The demo's studio. Try: weighbridge config check THIS-FILE

[studio]
name = "Tallow Street"
state = {state}

[[watch]]
name = "exports"
folder = {exports}
settle = "{settle}s"
patience = "{patience}s"
poll = "2s"
profile = "tallow-stereo"
quarantine = {quarantine}

[[watch]]
name = "outbound"
folder = {outbound}
settle = "{settle}s"
patience = "{patience}s"
poll = "2s"
profile = "tallow-stereo"
release = {dispatch}
quarantine = {quarantine}

  # An immersive master with audio definition metadata (ADM): rendered, and judged as it sounds.
  [[watch.route]]
  match = "**/*_immersive.wav"
  profile = "tallow-immersive"

  # One that comes as loudspeaker channels.
  [[watch.route]]
  match = "**/*_5.1.wav"
  profile = "tallow-channels"

[notice.mail]
server = "smtp://{mail}"
from = "weighbridge@tallowstreet.example"
to = ["mastering@tallowstreet.example"]
when = ["stop", "trouble"]

[service]
listen = "{page}"
"#,
        state = folder("state"),
        exports = folder("exports"),
        quarantine = folder("quarantine"),
        outbound = folder("outbound"),
        dispatch = folder("dispatch"),
    )
}
