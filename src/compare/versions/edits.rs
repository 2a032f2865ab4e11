//! Edits of a version, and which stretch of the mix lies where in the master.
//!
//! In: one track's offsets over time with the cuts between them, how many other tracks made the
//! same jumps, and the passages that are something else. Out: [`Edit`]s and [`Aligned`]
//! stretches.

use super::desk::Slipped;
use super::passages::Passage;
use super::rides::Ride;
use super::types::{Aligned, Edit, EditKind};
use crate::compare::timing::Stay;
use crate::units::Seconds;

/// Shorter than this an edit is a crossfade's end or a note's, in seconds. Own choice.
const SHORT: f64 = 0.08;
/// A gap that is none, in seconds.
const NO_GAP: f64 = 0.02;
/// A jump by less is the drift of a clock, in seconds. Own choice.
const DRIFT: f64 = 0.001;

/// All that edits are made of.
pub(super) struct Material<'a> {
    /// Of the track that was followed best.
    pub(super) stays: &'a [Stay],
    pub(super) slipped: &'a [Slipped],
    /// The share of the measured tracks that jumped from one stay to the next.
    pub(super) agree: &'a dyn Fn(&Stay, &Stay) -> f64,
    pub(super) passages: &'a [Passage],
    pub(super) rides: &'a [Ride],
    pub(super) median_likeness: f64,
    pub(super) block: i64,
    pub(super) sample_rate: u32,
    pub(super) mix_frames: u64,
}

/// A jump with its place in the mix: before, behind.
#[derive(Clone, Copy)]
struct Jump {
    end: i64,
    start: i64,
    uncertain: i64,
    /// Blocks between were taken at an offset that was not theirs.
    from: i64,
    to: i64,
}

impl Material<'_> {
    fn jumps(&self) -> Vec<Jump> {
        let jumps = self.stays.windows(2).map(|stays| {
            let (before, after) = (&stays[0], &stays[1]);
            let within = |slip: &&Slipped| {
                (slip.before, slip.after) == (before.offset, after.offset)
                    && slip.cut.end >= before.last_start.max(0)
                    && slip.cut.start <= after.first_end
            };
            let (from, to) = (before.last_start, after.first_end);
            match self.slipped.iter().find(within) {
                Some(slip) => Jump {
                    end: slip.cut.end,
                    start: slip.cut.start,
                    uncertain: slip.cut.uncertain,
                    from,
                    to,
                },
                None => {
                    let removed = (before.offset - after.offset).max(0);
                    let end = (from + to - removed) / 2;
                    Jump {
                        end,
                        start: end + removed,
                        uncertain: (to - from) / 2,
                        from,
                        to,
                    }
                }
            }
        });
        jumps.collect()
    }

    pub(super) fn alignment(&self) -> Vec<Aligned> {
        let jumps = self.jumps();
        let frame = |frame: i64| u64::try_from(frame).unwrap_or(0).min(self.mix_frames);
        let stretches = self.stays.iter().enumerate().map(|(index, stay)| Aligned {
            start_frame: match index.checked_sub(1) {
                Some(before) => frame(jumps[before].start),
                None => 0,
            },
            end_frame: jumps
                .get(index)
                .map_or(self.mix_frames, |jump| frame(jump.end)),
            offset_frames: stay.offset,
        });
        stretches
            .filter(|stretch| stretch.end_frame > stretch.start_frame)
            .collect()
    }

    pub(super) fn edits(&self) -> Vec<Edit> {
        let jumps = self.jumps();
        let mut edits: Vec<Edit> = jumps
            .iter()
            .zip(self.stays.windows(2))
            .map(|(jump, stays)| self.jump(jump, &stays[0], &stays[1]))
            .collect();
        let Some(first) = self.stays.first() else {
            return edits;
        };
        for passage in self.passages {
            let (from, to) = (
                passage.first as i64 * self.block,
                passage.last as i64 * self.block,
            );
            // Levels are taken a second after the offset was looked for.
            let late = i64::from(self.sample_rate) / 2;
            let of_a_jump = jumps
                .iter()
                .any(|jump| from < jump.to + late && to > jump.from);
            let not_yet = first.offset != 0 && from < first.first_end;
            if !of_a_jump && !not_yet {
                edits.extend(self.passage(passage, (from, to)));
            }
        }
        for ride in self.rides {
            let (from, to) = (
                ride.first as i64 * self.block,
                ride.last as i64 * self.block,
            );
            let of_a_jump = jumps.iter().any(|jump| from < jump.to && to > jump.from);
            if !of_a_jump {
                edits.extend(self.ride(ride, (from, to)));
            }
        }
        edits.sort_by(|one, other| one.start_s.0.total_cmp(&other.start_s.0));
        edits
    }

    fn seconds(&self, frames: i64) -> Seconds {
        Seconds(frames as f64 / f64::from(self.sample_rate))
    }

    fn jump(&self, jump: &Jump, before: &Stay, after: &Stay) -> Edit {
        let by = after.offset - before.offset;
        let in_mix = (jump.start - jump.end).max(0);
        let in_master = (in_mix + by).max(0);
        let none = (NO_GAP * f64::from(self.sample_rate)) as i64;
        let kind = if in_mix <= none && in_master > in_mix {
            EditKind::Inserted
        } else if in_master <= none {
            EditKind::Removed
        } else {
            EditKind::Replaced
        };
        let agree = (self.agree)(before, after);
        let drift = (by.unsigned_abs() as f64) < DRIFT * f64::from(self.sample_rate);
        // Own choice: three windows each side are what the tracker asks for, too.
        let known = if before.windows.min(after.windows) >= 3 {
            1.0
        } else {
            0.6
        };
        Edit {
            kind,
            start_s: self.seconds(jump.end),
            start_in_master_s: self.seconds((jump.end + before.offset).max(0)),
            length_in_mix_s: self.seconds(in_mix),
            length_in_master_s: self.seconds(in_master),
            level_change_db: None,
            jump_frames: by,
            uncertain_s: self.seconds(jump.uncertain),
            confidence: known * if drift { 0.3 } else { 1.0 } * if agree > 0.5 { 1.0 } else { 0.2 },
        }
    }

    fn passage(&self, passage: &Passage, (from, to): (i64, i64)) -> Option<Edit> {
        let blocks = passage.last - passage.first;
        let (start, end, uncertain) = match passage.cut {
            Some(cut) => (cut.end, cut.start, cut.uncertain),
            None => (from, to, self.block),
        };
        let length = self.seconds(end - start);
        if length.0 < SHORT {
            return None;
        }
        let silent = 2 * passage.silent > blocks;
        // Own measurement: see the room's tests. A master that is nowhere like its mix has no
        // passages that are less so.
        let like = ((self.median_likeness - 0.55) / 0.2).clamp(0.0, 1.0);
        let apart = ((self.median_likeness - passage.likeness - 0.35) / 0.2).clamp(0.0, 1.0);
        let long = match blocks {
            1 => 0.4,
            // A hole of a quarter of a second may be a stop; who cut it, the level tells.
            2 if silent => 0.4,
            _ => 1.0,
        };
        Some(Edit {
            kind: if silent {
                EditKind::Silenced
            } else {
                EditKind::Replaced
            },
            start_s: self.seconds(start),
            start_in_master_s: self.seconds((start + passage.offset).max(0)),
            length_in_mix_s: length,
            length_in_master_s: length,
            level_change_db: None,
            jump_frames: 0,
            uncertain_s: self.seconds(uncertain),
            confidence: like.min(apart) * long,
        })
    }

    fn ride(&self, ride: &Ride, (from, to): (i64, i64)) -> Option<Edit> {
        let (start, end, uncertain) = match ride.cut {
            Some(cut) => (cut.end, cut.start, cut.uncertain),
            None => (from, to, self.block),
        };
        let length = self.seconds(end - start);
        (length.0 >= SHORT).then(|| Edit {
            kind: if ride.change_db < 0.0 {
                EditKind::Lowered
            } else {
                EditKind::Raised
            },
            start_s: self.seconds(start),
            start_in_master_s: self.seconds((start + ride.offset).max(0)),
            length_in_mix_s: length,
            length_in_master_s: length,
            level_change_db: Some(ride.change_db),
            jump_frames: 0,
            uncertain_s: self.seconds(uncertain),
            confidence: ride.confidence,
        })
    }
}
