//! What systemd is told (sd_notify(3)); without systemd all of it does nothing.

use std::time::Duration;

use sd_notify::NotifyState;
use tracing::warn;

fn tell(states: &[NotifyState]) {
    if let Err(error) = sd_notify::notify(states) {
        warn!(%error, "systemd could not be told");
    }
}

/// Ready, with a line for `systemctl status`.
pub fn say(status: &str) {
    tell(&[NotifyState::Ready, NotifyState::Status(status)]);
}

/// Not ready yet, and at work: do not give up on us before so long.
pub fn still_starting(at_most: Duration) {
    let micros = u32::try_from(at_most.as_micros()).unwrap_or(u32::MAX);
    tell(&[NotifyState::ExtendTimeoutUsec(micros)]);
}

/// The configuration is being read anew.
pub fn reloading() {
    match NotifyState::monotonic_usec_now() {
        Ok(now) => tell(&[NotifyState::Reloading, now]),
        Err(error) => warn!(%error, "no monotonic clock"),
    }
}

pub fn stopping() {
    tell(&[NotifyState::Stopping]);
}

/// How often the watchdog wants to hear, halved; `None` where there is none.
pub fn watchdog_interval() -> Option<Duration> {
    sd_notify::watchdog_enabled().map(|limit| limit / 2)
}

pub fn watchdog_kick() {
    tell(&[NotifyState::Watchdog]);
}
