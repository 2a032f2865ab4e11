//! What systemd hears: sd_notify(3) of systemd, "Well-known assignments".

use std::collections::VecDeque;
use std::os::unix::net::UnixDatagram;
use std::time::{Duration, Instant};

use rustix::process::Signal;

use crate::support::*;

struct Systemd {
    socket: UnixDatagram,
    heard: VecDeque<(Instant, String)>,
}

impl Systemd {
    fn listen(house: &mut House) -> Self {
        let path = house.path("notify");
        let socket = UnixDatagram::bind(&path).unwrap();
        socket.set_read_timeout(Some(LATEST)).unwrap();
        house.env("NOTIFY_SOCKET", path.to_str().unwrap());
        Self {
            socket,
            heard: VecDeque::new(),
        }
    }

    /// Waits for an assignment; gives what came with it in one datagram, and when.
    #[track_caller]
    fn hears(&mut self, assignment: &str) -> (Instant, String) {
        loop {
            while let Some((at, text)) = self.heard.pop_front() {
                if text.lines().any(|line| line == assignment) {
                    return (at, text);
                }
            }
            let mut datagram = [0; 4096];
            let got = self.socket.recv(&mut datagram);
            let got = got.unwrap_or_else(|error| panic!("{assignment} was not heard: {error}"));
            let text = String::from_utf8_lossy(&datagram[..got]).into_owned();
            self.heard.push_back((Instant::now(), text));
        }
    }
}

#[test]
fn systemd_hears_ready_reloading_and_stopping_in_their_order() {
    let mut house = House::new();
    let mut systemd = Systemd::listen(&mut house);
    let watch = house.guarded("exports");
    house.configure(&[&watch], "");
    house.start();
    let (_, ready) = systemd.hears("READY=1");
    assert!(ready.contains("STATUS="), "{ready}");

    house.signal(Signal::HUP);
    // MONOTONIC_USEC has to stand in the same message (sd_notify(3), RELOADING=1).
    let (_, reloading) = systemd.hears("RELOADING=1");
    assert!(reloading.contains("MONOTONIC_USEC="), "{reloading}");
    systemd.hears("READY=1");

    // A reload that is refused ends with READY=1 too, or systemd waits for ever.
    std::fs::write(house.config(), "nonsense").unwrap();
    house.signal(Signal::HUP);
    systemd.hears("RELOADING=1");
    systemd.hears("READY=1");

    house.signal(Signal::TERM);
    systemd.hears("STOPPING=1");
    assert!(house.wait_for_the_end().success());
}

#[test]
fn the_watchdog_is_fed_at_half_its_time_and_only_where_there_is_one() {
    let mut house = House::new();
    let mut systemd = Systemd::listen(&mut house);
    house.env("WATCHDOG_USEC", "600000");
    let watch = house.guarded("exports");
    house.configure(&[&watch], "");
    house.start();
    systemd.hears("READY=1");
    let mut last = Instant::now();
    let mut worst = Duration::ZERO;
    for _ in 0..5 {
        let (at, _) = systemd.hears("WATCHDOG=1");
        worst = worst.max(at - last);
        last = at;
    }
    // sd_watchdog_enabled(3) recommends half of the time; a busy machine may be late.
    assert!(
        worst >= Duration::from_millis(200),
        "{worst:?}: not a storm"
    );
    assert!(worst < Duration::from_secs(5), "{worst:?}");

    // Meant for another process: not fed.
    let mut other = House::new();
    let mut systemd = Systemd::listen(&mut other);
    other.env("WATCHDOG_USEC", "200000");
    other.env("WATCHDOG_PID", "1");
    let watch = other.guarded("exports");
    other.configure(&[&watch], "");
    other.start();
    systemd.hears("READY=1");
    other.fence(&watch, "fence.wav");
    other.signal(Signal::TERM);
    systemd.hears("STOPPING=1");
    assert!(other.wait_for_the_end().success());
}
