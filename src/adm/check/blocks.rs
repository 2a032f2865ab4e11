//! The times of the blocks of one channel: they begin at 0 and follow each other.
//!
//! Differences up to one sample period are rounding and are noted only: times with five decimals
//! cannot hit sample borders.
//!
//! Source: ITU-R BS.2076-3, clauses 5.4.1 and 9.3; ITU-R BS.2127-1, clause 6.

use super::AudioFacts;
use super::objects::sample_period;
use crate::adm::block::{BlockNumber, BlockTime, Blocks};
use crate::adm::finding::{Class, Findings, Severity};
use crate::adm::model::AudioChannelFormat;
use crate::adm::parse::block_name;
use crate::adm::time::{AdmTime, Instant};

pub(super) fn check(channel: &AudioChannelFormat, facts: &AudioFacts, findings: &mut Findings) {
    let mut timed = Timed {
        id: &channel.id,
        period: sample_period(facts),
        findings,
    };
    let count = channel.blocks.len();
    if count == 0 {
        timed.findings.of(
            Class::AdmFirstBlock,
            Severity::Fail,
            &channel.id,
            format!("audioChannelFormat {} has no audioBlockFormat", channel.id),
        );
        return;
    }
    let mut before: Option<(AdmTime, Instant)> = None;
    let mut first = true;
    for (time, number) in channel.blocks.times() {
        timed.pair(time, number, count);
        let (Some(rtime), Some(duration)) = (time.rtime, time.duration) else {
            first = false;
            continue;
        };
        let start = rtime.instant();
        if first {
            timed.first(rtime, number);
            first = false;
        }
        if let Some((earlier, end)) = before {
            timed.follows(earlier, end, rtime, number);
        }
        before = Some((rtime, start.plus(duration.instant())));
    }
    interpolation(channel, &mut timed);
}

struct Timed<'a> {
    id: &'a str,
    period: Instant,
    findings: &'a mut Findings,
}

impl Timed<'_> {
    fn tell(
        &mut self,
        class: Class,
        severity: Severity,
        block: (BlockNumber, Option<AdmTime>),
        says: impl FnOnce() -> String,
    ) {
        let id = self.id;
        let at = block.1.map(AdmTime::seconds);
        self.findings.add(class, severity, id, at, || {
            (block_name(id, block.0), says())
        });
    }

    /// rtime and duration stand together, and only a single block may have neither.
    fn pair(&mut self, time: BlockTime, number: BlockNumber, count: usize) {
        let block = (number, time.rtime);
        let class = Class::AdmRtimeDuration;
        match (time.rtime, time.duration) {
            (Some(_), Some(duration)) if duration == AdmTime::ZERO => {
                self.tell(class, Severity::Note, block, || {
                    "the block lasts 0 s".to_owned()
                });
            }
            (Some(_), Some(_)) => {}
            (Some(_), None) => self.tell(class, Severity::Fail, block, || {
                "the block has an rtime and no duration; both or neither are wanted".to_owned()
            }),
            (None, Some(_)) => self.tell(class, Severity::Fail, block, || {
                "the block has a duration and no rtime; both or neither are wanted".to_owned()
            }),
            (None, None) if count > 1 => self.tell(class, Severity::Fail, block, || {
                format!("the block is one of {count} and has neither rtime nor duration")
            }),
            (None, None) => {}
        }
    }

    fn first(&mut self, rtime: AdmTime, number: BlockNumber) {
        let start = rtime.instant();
        if start > Instant::ZERO {
            let severity = if start <= self.period {
                Severity::Note
            } else {
                Severity::Warn
            };
            self.tell(
                Class::AdmFirstBlock,
                severity,
                (number, Some(rtime)),
                || format!("the first block begins at {rtime}; before it the channel is silent"),
            );
        }
    }

    fn follows(&mut self, earlier: AdmTime, end: Instant, rtime: AdmTime, number: BlockNumber) {
        let start = rtime.instant();
        if start == end {
            return;
        }
        let block = (number, Some(rtime));
        if rtime < earlier {
            self.tell(Class::AdmBlockOrder, Severity::Warn, block, || {
                format!("the block begins at {rtime}, before the one that stands in front of it ({earlier})")
            });
        }
        if start < end {
            let rounding = end <= start.plus(self.period);
            let severity = if rounding {
                Severity::Note
            } else {
                Severity::Fail
            };
            self.tell(Class::AdmBlockOverlap, severity, block, || {
                format!(
                    "the block begins at {rtime}, {:.6} s before the one in front of it ends",
                    end.seconds() - start.seconds()
                )
            });
        } else {
            let rounding = start <= end.plus(self.period);
            let severity = if rounding {
                Severity::Note
            } else {
                Severity::Warn
            };
            self.tell(Class::AdmBlockGap, severity, block, || {
                format!(
                    "the block begins at {rtime}, {:.6} s after the one in front of it ended; between them the channel is silent",
                    start.seconds() - end.seconds()
                )
            });
        }
    }
}

/// ITU-R BS.2076-3, clause 9.3: interpolationLength is not longer than the block. In the last
/// block it is a warning: the renderer cuts it to the block, and no later block depends on it.
fn interpolation(channel: &AudioChannelFormat, timed: &mut Timed) {
    let Blocks::Objects(objects) = &channel.blocks else {
        return;
    };
    let last = objects.blocks.len().saturating_sub(1);
    for (index, block) in objects.blocks.iter().enumerate() {
        let traits = objects.traits_of(block);
        let (true, Some(length), Some(duration)) = (
            traits.jump_position,
            traits.interpolation_length,
            block.time.duration,
        ) else {
            continue;
        };
        if length <= duration {
            continue;
        }
        let rounding = length.instant() <= duration.instant().plus(timed.period);
        let severity = match (rounding, index == last) {
            (true, _) => Severity::Note,
            (false, true) => Severity::Warn,
            (false, false) => Severity::Fail,
        };
        let cut = match severity {
            Severity::Warn => {
                "; it is the channel's last block, and the interpolation is cut to its length"
            }
            _ => "",
        };
        timed.tell(
            Class::AdmInterpolationLength,
            severity,
            (block.number, block.time.rtime),
            || {
                format!(
                    "interpolationLength is {} s in a block of {} s{cut}",
                    length.seconds(),
                    duration.seconds()
                )
            },
        );
    }
}
