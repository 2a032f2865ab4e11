//! One track with gains that follow its blocks: the timeline of a rendering item
//! (ITU-R BS.2127-1, clause 6).
//!
//! A [`Timeline`] walks the blocks of its channel in file order and hands out [`Stretch`]es: so
//! many samples with fixed gains, or on a ramp between two sets. Times are exact fractions: a
//! sample `s` belongs to a block when `start * rate <= s < end * rate`, and a ramp is read at the
//! sample's true place between its fractional ends. What runs over by no more than a sample is
//! rounding and is cut; more is an error, but for the interpolation of a channel's last block,
//! which is cut to that block. Knows nothing of panning: gains come from whoever is asked for a
//! block.

use super::RenderError;
use crate::adm::block::{BlockTime, ObjectTraits};
use crate::adm::time::{AdmTime, Instant};

/// When a block is heard and how it is reached.
#[derive(Clone, Copy, Debug)]
struct Span {
    start: Instant,
    /// `None`: without end.
    end: Option<Instant>,
}

/// Where gains are read along the way from one set to the next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ramp {
    /// Sample at which the ramp starts, whole part and fraction apart so that nothing is lost
    /// in a long file.
    first: u64,
    /// `first - start`: from 0 up to 1.
    ahead: f64,
    /// One over the length of the ramp in samples.
    per_sample: f64,
}

impl Ramp {
    /// How far along the ramp sample `frame` lies, 0 to 1.
    #[inline]
    pub fn at(&self, frame: u64) -> f64 {
        self.offset(frame) * self.per_sample
    }

    /// Samples from the start of the ramp to sample `frame`.
    pub fn offset(&self, frame: u64) -> f64 {
        self.ahead + (frame - self.first) as f64
    }

    /// One over the length of the ramp in samples.
    pub fn slope(&self) -> f64 {
        self.per_sample
    }
}

/// Samples `from..to` (counted from the start of the file) under one rule.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    pub from: u64,
    pub to: u64,
    /// `None`: the gains of the current block throughout. Otherwise from those of the block
    /// before to those of the current one.
    pub ramp: Option<Ramp>,
}

/// Start and duration of the audioObject that a voice belongs to.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct ObjectTime {
    pub start: Option<AdmTime>,
    pub duration: Option<AdmTime>,
}

/// What has to be known of a block to place it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Timing {
    pub time: BlockTime,
    /// How long after its start the gains are reached; `None` without interpolation at all
    /// (loudspeakers and HOA), which is not the same as at once: those never fade.
    pub glide: Option<Glide>,
}

#[derive(Clone, Copy, Debug)]
pub(super) enum Glide {
    /// No jumpPosition: over the whole block.
    Whole,
    /// jumpPosition: over this long, or at once.
    Within(Option<AdmTime>),
}

impl Glide {
    pub(super) fn of(traits: &ObjectTraits) -> Self {
        match traits.jump_position {
            false => Self::Whole,
            true => Self::Within(traits.interpolation_length),
        }
    }
}

/// The stretches of one block: at most a ramp and what follows it.
#[derive(Clone, Copy, Debug, Default)]
struct Queue {
    stretches: [Option<Stretch>; 2],
}

/// The walk through the blocks of one channel.
#[derive(Clone, Debug)]
pub(super) struct Timeline {
    object: ObjectTime,
    sample_rate: u32,
    next: usize,
    queue: Queue,
    last_end: Option<Option<Instant>>,
}

/// What [`Timeline::advance`] came to.
pub(super) enum Step {
    /// A block begins: its gains are wanted, and whether those of the block before are kept to
    /// fade from.
    Block {
        index: usize,
    },
    Done,
}

impl Timeline {
    pub(super) fn new(object: ObjectTime, sample_rate: u32) -> Self {
        Self {
            object,
            sample_rate,
            next: 0,
            queue: Queue::default(),
            last_end: None,
        }
    }

    /// The stretch that is under way, or the next one of the current block.
    pub(super) fn current(&self) -> Option<Stretch> {
        self.queue.stretches[0]
    }

    /// Ends the current stretch.
    pub(super) fn pass(&mut self) {
        self.queue.stretches = [self.queue.stretches[1], None];
    }

    /// Goes to the next block. `timing` gives block `index`, or `None` after the last.
    ///
    /// Errors on overlapping blocks and on a ramp longer than its block, which BS.2127-1 (clause
    /// 6) has no meaning for. A block that reaches into the next by a sample or less ends there.
    /// The ramp of the last block is cut to its length: exporters end the last block with the
    /// programme and leave its interpolationLength as it is, and no later block depends on it.
    /// [`cut_interpolations`](super::scene::cut_interpolations) says where that happens.
    pub(super) fn advance(
        &mut self,
        timing: impl Fn(usize) -> Option<Timing>,
    ) -> Result<Step, RenderError> {
        let index = self.next;
        let Some(Timing { time, glide }) = timing(index) else {
            return Ok(Step::Done);
        };
        self.next += 1;
        let mut span = self.place(index, time)?;
        if let Some(last_end) = self.last_end
            && last_end.is_none_or(|end| span.start < end)
        {
            return Err(RenderError::Overlap { block: index });
        }
        let next = timing(index + 1);
        let following = next.and_then(|next| self.start_of(next.time));
        if let (Some(end), Some(following)) = (span.end, following)
            && following < end
            && span.start <= following
            && self.is_rounding(following, end)
        {
            span.end = Some(following);
        }
        let follows = self.last_end.is_some_and(|end| end == Some(span.start));
        self.last_end = Some(span.end);
        // Checked even where there is nothing to fade from: the block is wrong all the same.
        let glide_end = match glide {
            Some(Glide::Whole) => span.end,
            Some(Glide::Within(Some(length))) => {
                let glide_end = span.start.plus(length.instant());
                match span.end {
                    Some(end)
                        if end < glide_end
                            && (next.is_none() || self.is_rounding(end, glide_end)) =>
                    {
                        Some(end)
                    }
                    Some(end) if end < glide_end => {
                        return Err(RenderError::Interpolation { block: index });
                    }
                    _ => Some(glide_end),
                }
            }
            Some(Glide::Within(None)) | None => Some(span.start),
        };
        let target = if follows { glide_end } else { Some(span.start) };
        let first = span.start.first_sample(self.sample_rate);
        let last = span
            .end
            .map_or(u64::MAX, |end| end.first_sample(self.sample_rate));
        let turn = target.map_or(u64::MAX, |target| target.first_sample(self.sample_rate));
        let ramp = target.filter(|target| *target != span.start).map(|target| {
            let (start, end) = (
                span.start.samples(self.sample_rate),
                target.samples(self.sample_rate),
            );
            Stretch {
                from: first,
                to: turn,
                ramp: Some(Ramp {
                    first,
                    ahead: first as f64 - start,
                    per_sample: 1.0 / (end - start),
                }),
            }
        });
        let rest = Stretch {
            from: turn,
            to: last,
            ramp: None,
        };
        let mut queue = Queue::default();
        let stretches = ramp
            .into_iter()
            .chain([rest])
            .filter(|stretch| stretch.from < stretch.to);
        for (slot, stretch) in queue.stretches.iter_mut().zip(stretches) {
            *slot = Some(stretch);
        }
        self.queue = queue;
        Ok(Step::Block { index })
    }

    fn object_start(&self) -> Instant {
        self.object.start.map_or(Instant::ZERO, AdmTime::instant)
    }

    /// When a block with an rtime starts.
    fn start_of(&self, time: BlockTime) -> Option<Instant> {
        Some(self.object_start().plus(time.rtime?.instant()))
    }

    /// Whether two times in order differ by no more than a sample: times with five decimals
    /// cannot hit sample borders, and those of most masters were rounded apart.
    fn is_rounding(&self, before: Instant, after: Instant) -> bool {
        // A billionth of a sample is far under what any time is written with.
        after.samples(self.sample_rate) - before.samples(self.sample_rate) <= 1.0 + 1e-9
    }

    fn place(&self, index: usize, time: BlockTime) -> Result<Span, RenderError> {
        let object_start = self.object_start();
        let object_end = self
            .object
            .duration
            .map(|duration| object_start.plus(duration.instant()));
        match (time.rtime, time.duration) {
            (Some(rtime), Some(duration)) => {
                let start = object_start.plus(rtime.instant());
                let mut end = start.plus(duration.instant());
                if let Some(object_end) = object_end
                    && object_end < end
                {
                    if object_end < start || !self.is_rounding(object_end, end) {
                        return Err(RenderError::OutsideObject { block: index });
                    }
                    end = object_end;
                }
                Ok(Span {
                    start,
                    end: Some(end),
                })
            }
            (None, None) => Ok(Span {
                start: object_start,
                end: object_end,
            }),
            _ => Err(RenderError::HalfTimed { block: index }),
        }
    }
}
