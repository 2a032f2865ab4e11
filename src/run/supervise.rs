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
use crate::config::Service;
use crate::notice::{self, MailOrder};
use crate::service;

/// What ends a round.
pub(super) enum Word {
    Stop,
    /// A fresh configuration that holds together.
    Again(Box<Loaded>),
}

pub(super) struct Rim {
    runtime: Runtime,
    post: Arc<Notify>,
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

    /// Takes the page's address, before anything else is begun.
    pub(super) fn bind(&self, service: Option<&Service>) -> anyhow::Result<Option<TcpListener>> {
        let Some(service) = service else {
            return Ok(None);
        };
        let taken = self.runtime.block_on(bind_patiently(service.listen));
        let listener = taken.with_context(|| {
            format!(
                "the address {} of the status page can not be taken: is another program \
                 listening there? Change `listen` under [service], or stop the other",
                service.listen
            )
        })?;
        Ok(Some(listener))
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
                    if let Some(fresh) = reload(house) {
                        info!("the configuration was read anew");
                        return Word::Again(Box::new(fresh));
                    }
                    service::say(&status);
                }
            }
        }
    }

    /// The watchdog hears from us only while the ledger answers: without it nothing works.
    fn beat(&self, house: &House) {
        let asked = Instant::now();
        match house.ledger.open_intents() {
            Ok(_) if asked.elapsed() < Duration::from_secs(30) => service::watchdog_kick(),
            Ok(_) => warn!("the ledger took {:?} to answer", asked.elapsed()),
            Err(failed) => error!(error = %failed, "the ledger does not answer"),
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

enum Heard {
    Stop,
    Reload,
    Nothing,
}

/// The round before may still be letting go of the address.
async fn bind_patiently(address: SocketAddr) -> std::io::Result<TcpListener> {
    let mut tries = 0;
    loop {
        match TcpListener::bind(address).await {
            Err(error) if error.kind() == std::io::ErrorKind::AddrInUse && tries < 10 => {
                tries += 1;
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
            other => return other,
        }
    }
}

fn reload(house: &House) -> Option<Loaded> {
    match load(&house.config.path) {
        Ok(fresh) if fresh.config.studio.state != house.config.studio.state => {
            error!("the state folder can not change while running; the old configuration goes on");
            None
        }
        Ok(fresh) => Some(fresh),
        Err(refused) => {
            let says = format!("the new configuration is refused: {refused:#}");
            house.alarm(
                "reload",
                &says,
                "configuration",
                "the old one goes on until it is mended",
            );
            None
        }
    }
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
