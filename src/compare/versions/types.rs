//! What two versions of a channel-based file are to each other: plain values, ready for the
//! sidecar. Tracks are counted from 1, times are the mix's where nothing else is said. A
//! confidence goes from 0 to 1. No verdicts.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::compare::types::{Listed, Part};
use crate::units::{Dbfs, Hertz, Seconds};

/// Channel by channel, edit by edit. Empty lists and `None` where the sample rates differ, but
/// for [`rate`](Self::rate).
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Versions {
    /// One entry a pair of tracks, in the order of the mix.
    pub channels: Vec<ChannelAgainst>,
    /// Channels that stand in each other's places.
    pub exchanges: Vec<Exchange>,
    /// Passages that were put in, taken out or replaced, in order of time.
    pub edits: Listed<Edit>,
    /// Which stretch of the mix lies where in the master, in order of time.
    pub alignment: Vec<Aligned>,
    /// `None` where nothing was found to be the same.
    pub null: Option<NullTest>,
    pub rate: Option<RateLabel>,
    pub tone: Option<TonalBalance>,
    pub floor: Option<FloorChange>,
}

impl Versions {
    /// Every sample is the same in both files: nothing changed.
    pub(in crate::compare) fn become_identical(&mut self, frames: u64) {
        self.exchanges.clear();
        self.edits = Listed::default();
        self.alignment = vec![Aligned {
            start_frame: 0,
            end_frame: frames,
            offset_frames: 0,
        }];
        for channel in &mut self.channels {
            let sounds = channel.correlation.map(|_| 1.0);
            channel.correlation = sounds;
            channel.most_like_correlation = sounds;
            channel.most_like_track = sounds.map(|_| channel.master_track);
            channel.inverted = false;
            channel.inverted_confidence = 0.0;
            channel.delay_frames = Some(0);
            channel.level_change_db = channel.level_change_db.map(|_| 0.0);
            channel.missing = false;
        }
        if let Some(null) = &mut self.null {
            *null = NullTest::of_identical(null.compared_s);
        }
        if let Some(tone) = &mut self.tone {
            tone.overall_gain_db = 0.0;
            tone.largest_change_db = 0.0;
            for band in &mut tone.bands {
                band.change_db = 0.0;
            }
        }
        if let Some(floor) = &mut self.floor {
            floor.master_dbfs = floor.mix_dbfs;
            floor.change_db = 0.0;
        }
        self.rate = None;
    }
}

/// One channel of the master against the one in the same place of the mix, and against the
/// other channels' changes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChannelAgainst {
    pub part: Part,
    pub master_track: u32,
    /// Mean of the octaves' correlations over the whole file, -1 to 1; `None` for silence.
    pub correlation: Option<f64>,
    /// The track of the master that this channel of the mix is most like, and how much.
    pub most_like_track: Option<u32>,
    pub most_like_correlation: Option<f64>,
    /// The channel of the master that is most like it is upside down.
    pub inverted: bool,
    pub inverted_confidence: f64,
    /// Later than most channels; `None` where it was not measured.
    pub delay_frames: Option<i64>,
    pub delay_confidence: f64,
    /// Change of level without that of the other channels; of three bands the one that changed
    /// least, 0 where they do not agree.
    pub level_change_db: Option<f64>,
    pub level_confidence: f64,
    /// Time that it sounds in each.
    pub sounds_in_mix_s: Seconds,
    pub sounds_in_master_s: Seconds,
    /// Sounds in the mix for a second or more and nowhere in the master.
    pub missing: bool,
}

/// Which channels changed places.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum ExchangeKind {
    /// The front pair, or the only two channels.
    LeftRight,
    /// Surround channels among themselves or with the front pair.
    Surround,
    /// Centre or low-frequency channel among them.
    Other,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Exchange {
    pub kind: ExchangeKind,
    /// Tracks of the mix, and in which place of the master each was found.
    pub tracks: Vec<u32>,
    pub found_at: Vec<u32>,
    /// Sum of the correlations in their own places, and in those where they were found.
    pub direct: f64,
    pub crossed: f64,
    /// Of a pair: side over mid in the mix, and the correlation of both side signals, which a
    /// swap turns around however narrow the pair is.
    pub side_to_mid_db: Option<f64>,
    pub side_correlation: Option<f64>,
    pub confidence: f64,
}

#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum EditKind {
    /// The master has something that the mix does not have.
    Inserted,
    /// The mix has something that the master does not have.
    Removed,
    /// Something else sounds in the master.
    Replaced,
    /// The master is silent where the mix sounds.
    Silenced,
    /// The same at a lower, and at a higher level than before and behind.
    Lowered,
    Raised,
}

/// A place where the master stops being the mix.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Edit {
    pub kind: EditKind,
    pub start_s: Seconds,
    pub start_in_master_s: Seconds,
    /// What of each was not found in the other.
    pub length_in_mix_s: Seconds,
    pub length_in_master_s: Seconds,
    /// Of what was lowered or raised.
    pub level_change_db: Option<f64>,
    /// Later by so many frames behind the edit.
    pub jump_frames: i64,
    /// How far off the place may be.
    pub uncertain_s: Seconds,
    pub confidence: f64,
}

/// A stretch of the mix that lies in the master with one offset.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Aligned {
    pub start_frame: u64,
    /// The frame after the last.
    pub end_frame: u64,
    /// Frame `n` of the mix is frame `n + offset` of the master.
    pub offset_frames: i64,
}

/// Master less gain times mix: what is left.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct NullTest {
    /// The gain of the mix with which least is left.
    pub gain_db: f64,
    pub inverted: bool,
    /// RMS of what is left against that of the master, of the loudest channel that is left;
    /// -150 for nothing.
    pub residual_db: f64,
    /// The same in the block of 100 ms where it is worst, among blocks that sound; of those
    /// whose residual is over -85 dBFS.
    pub worst_block_db: f64,
    /// Every sample that was compared is the same in both.
    pub identical_samples: bool,
    /// As long as each other, and from start to end the same samples, or the same but for noise
    /// 60 dB down.
    pub same_audio: bool,
    /// The same, at another constant gain of all channels.
    pub same_but_gain: bool,
    pub compared_s: Seconds,
}

impl NullTest {
    fn of_identical(compared_s: Seconds) -> Self {
        Self {
            gain_db: 0.0,
            inverted: false,
            residual_db: super::null::NOTHING_DB,
            worst_block_db: super::null::NOTHING_DB,
            identical_samples: true,
            same_audio: true,
            same_but_gain: false,
            compared_s,
        }
    }
}

/// The master is the mix played at another rate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RateLabel {
    pub master_sample_rate_hz: Hertz,
    pub mix_sample_rate_hz: Hertz,
    /// Duration of the master over that of the mix, in seconds as labelled.
    pub duration_ratio: f64,
    /// The ratio of two rates that is nearest to it; 1 where no other is.
    pub ratio: f64,
    /// Of the level curves, with the mix's time stretched by that ratio, and as it is.
    pub correlation: f64,
    pub correlation_as_labelled: f64,
    /// That the rate of the master is labelled wrongly.
    pub confidence: f64,
}

/// Third-octave spectrum of the master less that of the mix and the overall gain.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TonalBalance {
    pub overall_gain_db: f64,
    pub largest_band_hz: f64,
    pub largest_change_db: f64,
    pub bands: Vec<BandChange>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BandChange {
    /// Nominal centre.
    pub centre_hz: f64,
    pub change_db: f64,
}

/// The quietest passages.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FloorChange {
    pub mix_dbfs: Option<Dbfs>,
    pub master_dbfs: Option<Dbfs>,
    /// Master less mix, without the static gain.
    pub change_db: f64,
}
