//! The rim: signals, mail, page, daily summary, and the watchdog of systemd. All that waits for
//! a socket or a clock lives on the tokio runtime that this file owns.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::Context;
use jiff::ZonedDateTime;
use tokio::net::TcpListener;
use tokio::runtime::Runtime;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::{Notify, watch};
use tokio::task::JoinHandle;
use tracing::{error, info, warn};

use super::house::House;
use super::outbox::LedgerOutbox;
use super::start::{Loaded, load};
use super::summary;
use crate::notice::{self, MailOrder, Pace};
use crate::service;

/// What ends a round.
pub(super) enum Word {
    Stop,
    /// A fresh configuration, with all that it needs from outside.
    Again(Box<Ready>),
}

/// A configuration that holds together, its mail section with its credential, and the page's
/// address, taken. Nothing of a round can fail for them any more.
pub(super) struct Ready {
    pub(super) loaded: Loaded,
    pub(super) mail: Option<MailOrder>,
    door: Option<Door>,
}

/// The address of the page. It is held from one round to the next, so that a reload refuses
/// nobody and loses it to nobody.
struct Door {
    address: SocketAddr,
    listener: std::net::TcpListener,
}

pub(super) struct Rim {
    runtime: Runtime,
    post: Arc<Notify>,
    door: Option<Door>,
    /// Whether systemd was told that we are ready.
    was_ready: bool,
    beat_at: Instant,
    term: Signal,
    interrupt: Signal,
    hangup: Signal,
    stop: watch::Sender<bool>,
    tasks: Vec<JoinHandle<()>>,
}

impl Rim {
    /// Errors: the system's, when it refuses a runtime or the signals.
    pub(super) fn new() -> anyhow::Result<Self> {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .thread_name("rim")
            .enable_all()
            .build()?;
        let (term, interrupt, hangup) = {
            let _in = runtime.enter();
            (
                signal(SignalKind::terminate())?,
                signal(SignalKind::interrupt())?,
                signal(SignalKind::hangup())?,
            )
        };
        let (stop, _) = watch::channel(false);
        let post = Arc::new(Notify::new());
        Ok(Self {
            runtime,
            post,
            door: None,
            was_ready: false,
            beat_at: Instant::now(),
            term,
            interrupt,
            hangup,
            stop,
            tasks: Vec::new(),
        })
    }

    /// What wakes the mail loop.
    pub(super) fn wake(&self) -> Arc<Notify> {
        Arc::clone(&self.post)
    }

    /// Takes what a configuration needs from outside, before anything is begun or ended.
    ///
    /// Errors: a credential that can not be read; an address that is taken.
    pub(super) fn prepare(&self, loaded: Loaded) -> anyhow::Result<Ready> {
        let mail = match &loaded.config.mail {
            Some(mail) => Some(MailOrder::new(
                &loaded.config.studio.name,
                mail,
                Pace::default(),
            )?),
            None => None,
        };
        let door = match &loaded.config.service {
            Some(service) => Some(self.door_at(service.listen)?),
            None => None,
        };
        Ok(Ready { loaded, mail, door })
    }

    fn door_at(&self, address: SocketAddr) -> anyhow::Result<Door> {
        let listener = match &self.door {
            Some(door) if door.address == address => door.listener.try_clone(),
            _ => std::net::TcpListener::bind(address),
        };
        let listener = listener
            .and_then(|listener| listener.set_nonblocking(true).map(|()| listener))
            .with_context(|| {
                format!(
                    "the address {address} of the status page can not be taken: is another \
                     program listening there? Change `listen` under [service], or stop the other"
                )
            })?;
        Ok(Door { address, listener })
    }

    /// From now on this is the page's address; the one before is let go of.
    ///
    /// Errors: the system's, when it has no more file descriptors to give.
    pub(super) fn hold(&mut self, ready: &mut Ready) -> anyhow::Result<Option<TcpListener>> {
        self.door = ready.door.take();
        let Some(door) = &self.door else {
            return Ok(None);
        };
        let listener = door.listener.try_clone()?;
        let _in = self.runtime.enter();
        Ok(Some(TcpListener::from_std(listener)?))
    }

    /// Starts mail, page and summary.
    pub(super) fn start(
        &mut self,
        house: &Arc<House>,
        mail: Option<MailOrder>,
        listener: Option<TcpListener>,
    ) {
        let (stop, stopped) = watch::channel(false);
        self.stop = stop;
        let outbox = Arc::new(LedgerOutbox(house.ledger.clone()));
        let post = notice::deliver(outbox, mail, Arc::clone(&self.post), stopped.clone());
        self.tasks.push(self.runtime.spawn(post));
        if let Some(listener) = listener {
            let seen = Arc::clone(house);
            let look = Arc::new(move || summary::view(&seen).map_err(|error| error.to_string()));
            self.tasks.push(
                self.runtime
                    .spawn(service::serve(listener, look, stopped.clone())),
            );
        }
        if let Some(at) = house.config.mail.as_ref().and_then(|mail| mail.digest) {
            self.tasks
                .push(self.runtime.spawn(daily(Arc::clone(house), at, stopped)));
        }
    }

    /// Says that all is ready, and waits for a word. A configuration that does not hold together
    /// is refused here, and the round goes on with the old one.
    pub(super) fn wait(&mut self, house: &Arc<House>) -> Word {
        let status = format!("watching {} folders", house.config.watches.len());
        service::say(&status);
        self.was_ready = true;
        let beat = service::watchdog_interval().unwrap_or(Duration::from_secs(3600));
        loop {
            let heard = self.runtime.block_on(async {
                tokio::select! {
                    _ = self.term.recv() => Heard::Stop,
                    _ = self.interrupt.recv() => Heard::Stop,
                    _ = self.hangup.recv() => Heard::Reload,
                    () = tokio::time::sleep(beat) => Heard::Nothing,
                }
            });
            match heard {
                Heard::Nothing => self.beat(house),
                Heard::Stop => {
                    info!("stopping");
                    service::stopping();
                    return Word::Stop;
                }
                Heard::Reload => {
                    service::reloading();
                    if let Some(fresh) = self.reload(house) {
                        info!("the configuration was read anew");
                        return Word::Again(Box::new(fresh));
                    }
                    service::say(&status);
                }
            }
        }
    }

    /// Does work that may take long (a folder that is slow, a large file to be copied to its
    /// end) while systemd hears that we are alive.
    pub(super) fn meanwhile<T: Send>(
        &mut self,
        house: &House,
        work: impl FnOnce() -> T + Send,
    ) -> T {
        let beat = service::watchdog_interval().unwrap_or(Duration::from_secs(20));
        std::thread::scope(|scope| {
            let working = scope.spawn(work);
            while !working.is_finished() {
                std::thread::sleep(Duration::from_millis(10));
                if self.beat_at.elapsed() < beat {
                    continue;
                }
                match self.was_ready {
                    true => self.beat(house),
                    false => {
                        service::still_starting(beat * 3);
                        self.beat_at = Instant::now();
                    }
                }
            }
            match working.join() {
                Ok(done) => done,
                Err(panic) => std::panic::resume_unwind(panic),
            }
        })
    }

    /// The watchdog hears from us only while the ledger answers: without it nothing works.
    fn beat(&mut self, house: &House) {
        self.beat_at = Instant::now();
        let asked = Instant::now();
        match house.ledger.open_intents() {
            Ok(_) if asked.elapsed() < Duration::from_secs(30) => service::watchdog_kick(),
            Ok(_) => warn!("the ledger took {:?} to answer", asked.elapsed()),
            Err(failed) => error!(error = %failed, "the ledger does not answer"),
        }
    }

    fn reload(&self, house: &House) -> Option<Ready> {
        let fresh = load(&house.config.path).and_then(|fresh| {
            if fresh.config.studio.state != house.config.studio.state {
                anyhow::bail!(
                    "the state folder can not change while running (it is {}): stop the daemon, \
                     move the folder, start it again",
                    house.config.studio.state.display()
                );
            }
            self.prepare(fresh)
        });
        match fresh {
            Ok(fresh) => {
                house.alarm_over(REFUSED, "configuration");
                Some(fresh)
            }
            Err(refused) => {
                let says = format!("the new configuration is refused: {refused:#}");
                house.alarm(
                    REFUSED,
                    &says,
                    "configuration",
                    "the old one goes on until it is mended",
                );
                None
            }
        }
    }

    /// Stops mail, page and summary, and waits for them.
    pub(super) fn end_round(&mut self) {
        self.stop.send_replace(true);
        let tasks = std::mem::take(&mut self.tasks);
        self.runtime.block_on(async {
            for task in tasks {
                if tokio::time::timeout(Duration::from_secs(15), task)
                    .await
                    .is_err()
                {
                    warn!("a part of the rim did not end in time and is left behind");
                }
            }
        });
    }
}

/// The key of the alarm of a reload that was refused.
const REFUSED: &str = "reload";

enum Heard {
    Stop,
    Reload,
    Nothing,
}

async fn daily(house: Arc<House>, at: jiff::civil::Time, mut stop: watch::Receiver<bool>) {
    loop {
        let next = notice::next_digest(&ZonedDateTime::now(), at);
        // A minute at a time: a clock that is set, or a machine that slept, is noticed.
        while ZonedDateTime::now() < next {
            let left = next.timestamp().as_second() - ZonedDateTime::now().timestamp().as_second();
            let wait = Duration::from_secs(left.clamp(1, 60).unsigned_abs());
            tokio::select! {
                () = tokio::time::sleep(wait) => {}
                _ = stop.wait_for(|stopped| *stopped) => return,
            }
        }
        let of_house = Arc::clone(&house);
        let filed =
            tokio::task::spawn_blocking(move || summary::file_digest(&of_house, &next)).await;
        match filed {
            Ok(Ok(_)) => house.post.notify_one(),
            Ok(Err(failed)) => error!(error = %failed, "the daily summary could not be made"),
            Err(failed) => error!(error = %failed, "the daily summary ended in a bug"),
        }
    }
}
