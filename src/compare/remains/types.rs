//! What remains, as facts that go into the record.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::units::{Hertz, Seconds};

/// What is left of a master when its mix is taken away with gain, offset, a smooth equaliser and
/// the gain movement of compression.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Remains {
    /// Places that were found; `places` lists the first hundred, worst first.
    pub total: u64,
    pub places: Vec<Remainder>,
    /// Mean share of the master, over time and bands, that the mix explains: 1 where all of it is,
    /// near 0 for another song.
    pub same_music: f64,
    /// Time in which the longest track sounds and was looked at.
    pub sounding_s: Seconds,
    /// Sum over all tracks of the time in which a track sounds but its place in the master was
    /// not known: it counts for `same_music` and has no places.
    pub unaligned_s: Seconds,
    /// Sum over all tracks of the duration of all passages.
    pub remaining_s: Seconds,
    /// Largest level of all places relative to the programme; `None` where there are none.
    pub largest_db: Option<f64>,
}

/// A place to listen to.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Remainder {
    pub kind: RemainderKind,
    /// Of the mix, from 1.
    pub track: u32,
    /// In the mix's time.
    pub start_s: Seconds,
    pub end_s: Seconds,
    pub from_hz: Hertz,
    pub to_hz: Hertz,
    /// Power of what remains in its strongest band relative to the whole programme of that track
    /// at that time, over 20 ms to 6 s; of a click, its size relative to the effective value.
    pub level_db: f64,
    /// 0.5 at the limit, towards 1 over it.
    pub confidence: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum RemainderKind {
    /// A single sample.
    Click,
    /// Anything that lasts longer: a hole, an edit, another level of a part.
    Passage,
}

/// Why nothing is said of what remains.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", tag = "reason")]
pub enum NotHeard {
    /// The two files have different sample rates.
    OtherSampleRate,
    /// No track of the one has a counterpart in the other.
    NoPairs,
    /// Less than `needs_s` seconds sound in both.
    TooShort { needs_s: f64 },
}

/// What remains, or why nothing is said of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum MeasuredRemains {
    Is(Remains),
    Not(NotHeard),
}

impl From<Result<Remains, NotHeard>> for MeasuredRemains {
    fn from(result: Result<Remains, NotHeard>) -> Self {
        match result {
            Ok(remains) => Self::Is(remains),
            Err(why) => Self::Not(why),
        }
    }
}
