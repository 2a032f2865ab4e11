//! What the comparison promises, on masters made here from mixes made here.

mod cost;
mod honest;
mod levels;
mod models;
mod movement;
mod pairing;
pub(super) mod signals;
mod stream;
mod timing;
mod versions;

use std::sync::Arc;

use super::{Comparer, Comparison, Limits, Side, Wants};
use crate::adm::Model;
use signals::RATE;

fn side(tracks: usize) -> Side {
    Side {
        model: None,
        tracks,
        sample_rate: RATE,
        labels: None,
        frames_hint: None,
    }
}

fn side_of(model: Model, tracks: usize) -> Side {
    Side {
        model: Some(Arc::new(model)),
        ..side(tracks)
    }
}

/// Feeds both as a reader would, in blocks of the sizes that `size` gives.
fn feed(
    sides: (&Side, &Side),
    (master, mix): (&[Vec<f64>], &[Vec<f64>]),
    mut size: impl FnMut() -> usize,
) -> (Comparison, u64) {
    let mut comparer = Comparer::new(sides.0, sides.1, &Limits::default()).unwrap();
    let length = |tracks: &[Vec<f64>]| tracks.iter().map(Vec::len).max().unwrap_or(0);
    let (mut at_master, mut at_mix) = (0, 0);
    let (master_length, mix_length) = (length(master), length(mix));
    let mut most_held = 0;
    if master_length == 0 {
        comparer.master_ended();
    }
    if mix_length == 0 {
        comparer.mix_ended();
    }
    while at_master < master_length || at_mix < mix_length {
        let turn = match comparer.wants() {
            Wants::Master => true,
            Wants::Mix => false,
            Wants::Either => at_mix >= mix_length,
        };
        let (at, length, tracks) = if turn {
            (&mut at_master, master_length, master)
        } else {
            (&mut at_mix, mix_length, mix)
        };
        let end = (*at + size()).min(length);
        let block: Vec<&[f64]> = tracks
            .iter()
            .map(|track| &track[(*at).min(track.len())..end.min(track.len())])
            .collect();
        *at = end;
        if turn {
            comparer.feed_master(&block);
            if end == length {
                comparer.master_ended();
            }
        } else {
            comparer.feed_mix(&block);
            if end == length {
                comparer.mix_ended();
            }
        }
        most_held = most_held.max(comparer.held_frames());
    }
    (comparer.finish(), most_held)
}

pub(super) fn compare(master: &[Vec<f64>], mix: &[Vec<f64>]) -> Comparison {
    let sides = (side(master.len()), side(mix.len()));
    feed((&sides.0, &sides.1), (master, mix), || 9_600).0
}
