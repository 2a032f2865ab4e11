//! Mixes that were away: when one is there and has settled, the kept files that were judged
//! without it arrive again.
//!
//! In: the ledger's list of files that await a mix, and the disk. Out: those files are handed back
//! to their watches; what is found then is weighed, decided and told as at any arrival. Moves
//! nothing and judges nothing. It looks from a thread of its own, which may hang on a dead share.

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use tracing::{error, info};

use super::house::House;
use crate::config::{MixOf, Watch};
use crate::intake::Identity;
use crate::ledger::{AwaitingMix, MixBasis};
use crate::record::printable;
use crate::weigh::Companion;

/// Between two looks: own choice, a look is one call for each file that waits.
const LOOK: Duration = Duration::from_secs(2);
/// How soon a stop is noticed.
const STEP: Duration = Duration::from_millis(200);

/// A mix that is there: which one, since when.
type Seen = HashMap<PathBuf, (Identity, Instant)>;

/// Starts the thread; it ends soon after the house is stopping.
pub(super) fn start(house: &Arc<House>) -> std::io::Result<JoinHandle<()>> {
    let house = Arc::clone(house);
    std::thread::Builder::new()
        .name("mixes".into())
        .spawn(move || {
            let mut seen = Seen::new();
            while !house.is_stopping() {
                look(&house, &mut seen);
                let until = Instant::now() + LOOK;
                while !house.is_stopping() && Instant::now() < until {
                    std::thread::sleep(STEP);
                }
            }
        })
}

fn look(house: &House, seen: &mut Seen) {
    let awaiting = match house.ledger.awaiting_mixes() {
        Ok(awaiting) => awaiting,
        Err(failed) => {
            error!(error = %failed, "the ledger could not be asked for files that await a mix");
            return;
        }
    };
    let mut still = Seen::new();
    for file in awaiting {
        let Some(watch) = house.watch(&file.watch) else {
            continue;
        };
        let Some((mix, identity)) = there_now(watch, &file) else {
            continue;
        };
        let since = match seen.get(&mix) {
            Some((before, since)) if *before == identity => *since,
            _ => Instant::now(),
        };
        if has_settled(watch, &mix, since) {
            let (mix, path) = (printable(mix.as_os_str()), printable(file.path.as_os_str()));
            info!(watch = %file.watch, path, mix, "the mix is there: the file is weighed again");
            house.with_handle(&file.watch, |handle| handle.again(&file.path));
        }
        still.insert(mix, (identity, since));
    }
    *seen = still;
}

/// The mix, where it is there now and was not as the file was judged.
fn there_now(watch: &Watch, file: &AwaitingMix) -> Option<(PathBuf, Identity)> {
    let MixOf::Named(mix) = watch.judged_by(&file.path).mix else {
        return None;
    };
    let identity = Companion::identity(&mix)?;
    let is_that = matches!(&file.mix, MixBasis::NotCompared { path, identity: before }
        if (path, before) == (&mix, &identity));
    // One that could not be compared is not tried again until it changes, but for one that seemed
    // incomplete: after the watch's patience it is compared as it is.
    let seemed_incomplete = || {
        let named = MixOf::Named(mix.clone());
        matches!(Companion::of(&named), Companion::Incomplete { .. })
    };
    (!is_that || seemed_incomplete()).then_some((mix, identity))
}

fn has_settled(watch: &Watch, mix: &std::path::Path, since: Instant) -> bool {
    let unchanged = since.elapsed();
    if unchanged < watch.settle {
        return false;
    }
    let named = MixOf::Named(mix.to_owned());
    unchanged >= watch.patience || matches!(Companion::of(&named), Companion::There { .. })
}
