//! The daemon: wires the rooms, supervises them, stops them.
//!
//! In: a configuration file. Out: nothing, until it is told to stop. What a file goes through
//! is in `way`; who hands it there in `desk`; what the operator is told of in `alarms`.

mod alarms;
mod desk;
mod house;
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
use crate::notice::{self, MailOrder, Pace};
use desk::Desk;
use house::House;
pub use start::{Loaded, load};
use supervise::{Rim, Word};

/// Runs the daemon until SIGTERM or SIGINT; SIGHUP reads the configuration anew.
///
/// Errors: what is wrong with the configuration, the state folder, or the address to listen
/// on, as one message. Later troubles are told and lived with.
pub fn run(config_path: &Path) -> anyhow::Result<()> {
    notice::log::start(notice::log::Style::detect());
    let mut loaded = load(config_path)?;
    let ledger = Ledger::open(&loaded.config.studio.state)?;
    let mut rim = Rim::new()?;
    loop {
        match round(loaded, &ledger, &mut rim)? {
            Word::Stop => break,
            Word::Again(fresh) => loaded = *fresh,
        }
    }
    info!("stopped");
    Ok(())
}

/// One round: from a configuration to the word that ends it.
fn round(loaded: Loaded, ledger: &Ledger, rim: &mut Rim) -> anyhow::Result<Word> {
    let mail = match &loaded.config.mail {
        Some(mail) => Some(MailOrder::new(
            &loaded.config.studio.name,
            mail,
            Pace::default(),
        )?),
        None => None,
    };
    let listener = rim.bind(loaded.config.service.as_ref())?;
    let house = Arc::new(House::new(loaded, ledger.clone(), rim.wake()));
    house.finish_what_was_under_way();
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
    desk.close();
    rim.end_round();
    Ok(word)
}
