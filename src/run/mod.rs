//! The daemon: wires the rooms, supervises them, stops them.
//!
//! In: a configuration file. Out: nothing, until it is told to stop. What a file goes through
//! is in `way`; who hands it there in `desk`; what the operator is told of in `alarms`.

mod alarms;
mod asked;
mod desk;
mod house;
mod mixes;
mod outbox;
mod start;
mod summary;
mod supervise;
mod way;

use std::path::Path;
use std::sync::Arc;

use tracing::info;

use crate::crew::Crew;
use crate::ledger::Ledger;
use crate::notice;
use alarms::Alarms;
use desk::Desk;
use house::House;
pub use start::{Loaded, load};
use supervise::{Ready, Rim, Word};

/// Runs the daemon until SIGTERM or SIGINT; SIGHUP reads the configuration anew.
///
/// Errors: what is wrong with the configuration, the state folder, or the address to listen
/// on, as one message. Later troubles are told and lived with.
pub fn run(config_path: &Path) -> anyhow::Result<()> {
    notice::log::start(notice::log::Style::detect());
    let loaded = load(config_path)?;
    let ledger = Ledger::open(&loaded.config.studio.state)?;
    let mut rim = Rim::new()?;
    let mut ready = rim.prepare(loaded)?;
    let alarms = Arc::new(Alarms::new(ledger.clone()));
    loop {
        match round(ready, &ledger, &alarms, &mut rim)? {
            Word::Stop => break,
            Word::Again(fresh) => ready = *fresh,
        }
        alarms.begin_anew();
    }
    info!("stopped");
    Ok(())
}

/// One round: from a configuration to the word that ends it.
fn round(
    mut ready: Ready,
    ledger: &Ledger,
    alarms: &Arc<Alarms>,
    rim: &mut Rim,
) -> anyhow::Result<Word> {
    let listener = rim.hold(&mut ready)?;
    let Ready { loaded, mail, .. } = ready;
    let house = Arc::new(House::new(
        loaded,
        ledger.clone(),
        Arc::clone(alarms),
        rim.wake(),
    ));
    rim.meanwhile(&house, || house.finish_what_was_under_way());
    let crew = Crew::new(house.config.crew.threads)?;
    rim.start(&house, mail, listener);
    let desk = Desk::open(&house, crew)?;
    info!(
        studio = house.config.studio.name,
        watches = house.config.watches.len(),
        threads = house.config.crew.threads,
        "ready"
    );
    let word = rim.wait(&house);
    rim.meanwhile(&house, || desk.close());
    rim.end_round();
    Ok(word)
}
