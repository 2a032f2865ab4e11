//! From marks to places to listen to: marks that touch are one place, the worst places are kept.

use super::history::Mark;
use super::layout::BANDS;

/// Windows between two marks of one place: 0.3 s.
pub(super) const GAP: i64 = 14;
/// What one band shows in one window alone must be so far over the limit, in dB: limiters and
/// saturation leave such, up to 10.4 dB over it on honest masters; holes and edits show in
/// several bands or for longer. Own choice.
const LONE_MARK_DB: f32 = 11.0;
/// Places that are held; the list is cut to this when it has twice as many.
const HELD: usize = 200;

/// A stretch of one target.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Place {
    pub(super) target: usize,
    pub(super) start: i64,
    pub(super) end: i64,
    pub(super) bands: [bool; BANDS],
    /// In frames of the mix, where it is one sample.
    pub(super) click: Option<i64>,
    pub(super) level_db: f32,
    pub(super) excess_db: f32,
}

#[derive(Debug, Default)]
pub(super) struct Places {
    open: Vec<Option<Place>>,
    pub(super) closed: Vec<Place>,
    pub(super) total: u64,
    /// Windows within places, of all targets.
    pub(super) windows: i64,
}

impl Places {
    pub(super) fn new(targets: usize) -> Self {
        Self {
            open: vec![None; targets],
            ..Self::default()
        }
    }

    pub(super) fn mark(&mut self, target: usize, mark: &Mark) {
        if let Some(place) = &mut self.open[target]
            && mark.start <= place.end + GAP
        {
            place.start = place.start.min(mark.start);
            place.end = place.end.max(mark.end);
            place.bands[mark.band] = true;
            place.level_db = place.level_db.max(mark.level_db);
            place.excess_db = place.excess_db.max(mark.excess_db);
            return;
        }
        self.close(target);
        let mut bands = [false; BANDS];
        bands[mark.band] = true;
        self.open[target] = Some(Place {
            target,
            start: mark.start,
            end: mark.end,
            bands,
            click: None,
            level_db: mark.level_db,
            excess_db: mark.excess_db,
        });
    }

    pub(super) fn close(&mut self, target: usize) {
        if let Some(mut place) = self.open[target].take() {
            let bands = place.bands.iter().filter(|&&band| band).count();
            if bands == 1 && place.end - place.start == 1 {
                place.excess_db -= LONE_MARK_DB;
            }
            if place.excess_db < 0.0 {
                return;
            }
            self.windows += place.end - place.start;
            self.add(place);
        }
    }

    pub(super) fn add(&mut self, place: Place) {
        self.total += 1;
        self.closed.push(place);
        if self.closed.len() >= 2 * HELD {
            self.sort();
            self.closed.truncate(HELD);
        }
    }

    /// Worst first.
    pub(super) fn sort(&mut self) {
        self.closed.sort_by(|a, b| {
            let worse = b.excess_db.total_cmp(&a.excess_db);
            worse.then((a.start, a.target).cmp(&(b.start, b.target)))
        });
    }
}
