//! What a comparison found: plain values, ready for the sidecar. Units stand in the keys or in
//! the types; a value that does not exist is `null`. No verdicts.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::remains::MeasuredRemains;
use super::side::Limits;
use super::versions::{Exchange, MOST_CHANNELS, Versions};
use crate::measured::{Measured, NotMeasured};
use crate::units::{Dbfs, Frames, Hertz, Seconds};

/// A master compared with its mix.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Comparison {
    /// Of the mix.
    pub sample_rate_hz: Hertz,
    /// Of the master. Where it is another than the mix's, nothing was compared sample by sample:
    /// only lengths, models and level curves.
    pub master_sample_rate_hz: Hertz,
    pub master_frames: Frames,
    pub mix_frames: Frames,
    /// Master less mix; where the rates differ, in frames of the mix.
    pub length_difference_frames: i64,
    /// Both files have the same tracks, and every sample of each is the same in both (to 24
    /// bits): then every reading of timing, level and polarity is zero, whatever the signal.
    pub identical_audio: bool,
    pub parts: Parts,
    pub timing: Timing,
    /// `None` where one of the files has no Audio Definition Model.
    pub movement: Option<Movement>,
    /// `None` where there are not both a bed and objects.
    pub balance: Option<Balance>,
    /// Channels of the bed that carry each other's sound; `null` where no two channels of a bed
    /// were held against each other. Of channel-based files see `versions`.
    #[serde(default)]
    pub bed_exchanges: Option<Vec<Exchange>>,
    /// One entry a pair of tracks, in the order of the mix.
    pub tracks: Listed<TrackChange>,
    /// Places where a track's level left its own static gain; the largest, in order of time.
    pub level_changes: Listed<LevelChange>,
    /// `None` for object-based files and for more channels than are compared.
    pub versions: Option<Versions>,
    /// What is left of the master when the mix is taken away.
    pub remains: MeasuredRemains,
    pub limits: Limits,
}

impl Comparison {
    /// The offset of most tracks in frames, or why there is none.
    pub fn offset_frames(&self) -> Measured<i64> {
        Measured::of(self.timing.offset_frames, || self.why_no_offset())
    }

    fn why_no_offset(&self) -> NotMeasured {
        let why = self.timing.offset_not_measured.clone();
        why.unwrap_or(NotMeasured::NothingInCommon)
    }

    /// Largest position difference in degrees, or why there is none.
    pub fn position_deg(&self) -> Measured<f64> {
        match &self.movement {
            None => Measured::Not(NotMeasured::NoAdm),
            Some(movement) if movement.objects == 0 => Measured::Not(NotMeasured::NoObjects),
            Some(movement) => Measured::Is(movement.largest_angle_deg),
        }
    }

    /// Bed less objects in decibels, or why there is none.
    pub fn balance_db(&self) -> Measured<f64> {
        if let Some(why) = self.other_rate() {
            return Measured::Not(why);
        }
        match &self.balance {
            None if self.movement.is_none() => Measured::Not(NotMeasured::NoAdm),
            None => Measured::Not(NotMeasured::NoBedOrNoObjects),
            Some(balance) => Measured::of(balance.static_gain_difference_db, || {
                NotMeasured::NothingSounds
            }),
        }
    }

    /// Channels of the bed that carry each other's sound, or why that was not looked at.
    pub fn bed_exchanges(&self) -> Measured<&[Exchange]> {
        if let Some(why) = self.other_rate() {
            return Measured::Not(why);
        }
        let of_bed = |track: &&TrackChange| track.part.kind == PartKind::Bed;
        Measured::of(self.bed_exchanges.as_deref(), || {
            match self.tracks.listed.iter().filter(of_bed).count() {
                _ if self.movement.is_none() => NotMeasured::NoAdm,
                0 | 1 => NotMeasured::NoBed,
                2..=MOST_CHANNELS => NotMeasured::NothingSounds,
                _ => NotMeasured::TooManyChannels {
                    most: MOST_CHANNELS,
                },
            }
        })
    }

    /// The farthest that the level of any track goes from its own static gain, in decibels, or
    /// why there is none.
    pub fn level_change_db(&self) -> Measured<f64> {
        let changes = self.tracks.listed.iter();
        let largest = changes.filter_map(|track| Some(track.largest_change_db?.abs()));
        Measured::of(largest.reduce(f64::max), || {
            let measured = self.timing.offset_frames.is_some();
            self.other_rate().unwrap_or(match measured {
                true => NotMeasured::TooShort { needs_s: 3.0 },
                false => self.why_no_offset(),
            })
        })
    }

    /// Why nothing was compared sample by sample, where the rates are the reason.
    pub(super) fn other_rate(&self) -> Option<NotMeasured> {
        let (master, mix) = (self.master_sample_rate_hz, self.sample_rate_hz);
        (master != mix).then(|| NotMeasured::OtherSampleRate {
            master_hz: master.value(),
            mix_hz: mix.value(),
        })
    }

    /// The frame of the mix that lies where this frame of the master does: with it a place in
    /// the one is looked for in the other. `None` where nothing was found to be the same, or
    /// where the master has something of its own.
    pub fn aligned(&self, master_frame: u64) -> Option<i64> {
        let master_frame = i64::try_from(master_frame).ok()?;
        let Some(versions) = &self.versions else {
            return Some(master_frame - self.timing.offset_frames?);
        };
        versions.alignment.iter().find_map(|stretch| {
            let frame = master_frame - stretch.offset_frames;
            let frames = stretch.start_frame..stretch.end_frame;
            let within = u64::try_from(frame).is_ok_and(|frame| frames.contains(&frame));
            within.then_some(frame)
        })
    }
}

/// A bounded list: all are counted, the first or the largest are kept.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Listed<T> {
    pub total: u64,
    pub listed: Vec<T>,
}

impl<T> Listed<T> {
    pub(super) fn new(mut all: Vec<T>, keep: usize) -> Self {
        let total = all.len() as u64;
        all.truncate(keep);
        Self { total, listed: all }
    }
}

impl<T> Default for Listed<T> {
    fn default() -> Self {
        Self {
            total: 0,
            listed: Vec::new(),
        }
    }
}

/// A value that is one thing in the mix and another in the master.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Changed<T> {
    pub mix: T,
    pub master: T,
}

impl<T: PartialEq> Changed<T> {
    /// `None` when both are equal.
    pub(super) fn of(mix: T, master: T) -> Option<Self> {
        (mix != master).then_some(Self { mix, master })
    }
}

/// What a part is, by the type of its audioChannelFormat; `channel` without a model.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum PartKind {
    Channel,
    Bed,
    Object,
    Hoa,
    Matrix,
    Binaural,
    Unknown,
}

/// How a part of the master was found to be that of the mix.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum PairedBy {
    /// audioObjectID and audioObjectName.
    IdAndName,
    Name,
    /// The same path through the room, which no other object has.
    Path,
    /// The channel that `chna` gives it.
    TrackIndex,
    /// audioChannelFormatID.
    ChannelId,
    /// The same sound, where names or order had put other sounds together.
    Sound,
    /// Loudspeaker label, without a model.
    Label,
    /// Place in the file, without a model.
    Channel,
}

/// One track of one file with the names it goes by.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Part {
    pub kind: PartKind,
    /// audioObjectName, or `ch 3`.
    pub name: String,
    /// audioObjectID.
    pub object_id: Option<String>,
    /// Loudspeaker label as the file has it, or the channel's name.
    pub channel: Option<String>,
    /// From 1; `None` where the file gives it no track.
    pub track: Option<u32>,
}

/// Which parts have a counterpart.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Parts {
    pub tracks: Changed<u32>,
    pub paired: u64,
    /// Only in the mix.
    pub missing: Listed<Part>,
    /// Only in the master.
    pub extra: Listed<Part>,
    /// Paired, but not by id and name: what each was called.
    pub renamed: Listed<Renamed>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Renamed {
    pub by: PairedBy,
    pub mix: Part,
    pub master: Part,
}

/// Where the master's samples lie against the mix's.
///
/// An offset is positive when the master is late: frame `n` of the mix is frame
/// `n + offset` of the master.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Timing {
    /// Of most measured tracks; `None` when none could be measured.
    pub offset_frames: Option<i64>,
    /// Why there is no offset; `None` where there is one.
    pub offset_not_measured: Option<NotMeasured>,
    /// An offset of no more frames, either way, may be what a filter does to an onset. Every
    /// list of offsets and slips but `within_filter_delay` begins beyond it.
    pub filter_delay_frames: u64,
    pub tracks_measured: u64,
    /// Tracks that sound in both files and have nothing in common that was found, or that
    /// repeat themselves.
    pub tracks_not_measured: u64,
    /// Of these, tracks that are as alike at several offsets: a steady tone, a loop, bass alone.
    pub tracks_that_repeat: u64,
    /// Tracks with another offset than that of most, beyond what a filter does.
    pub deviating: Listed<TrackOffset>,
    /// Tracks with another offset than that of most that a filter may have made.
    pub within_filter_delay: Listed<TrackOffset>,
    pub slips: Listed<Slip>,
    /// Offsets were looked for as far as this, either way.
    pub search_range_frames: u64,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrackOffset {
    pub part: Part,
    pub offset_frames: i64,
    /// Against the offset of most tracks.
    pub deviation_frames: i64,
    pub confidence: f64,
}

/// The offset of a track jumped: an edit was moved, frames were lost or put in.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Slip {
    pub part: Part,
    /// The jump lies between these two places of the mix.
    pub after_s: Seconds,
    pub before_s: Seconds,
    pub offset_before_frames: i64,
    pub offset_after_frames: i64,
    /// The second less the first.
    pub jump_frames: i64,
}

/// Positions, sizes, gains and times of the two models, as curves over time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Movement {
    /// Paired object channels.
    pub objects: u64,
    /// Of these, how many differ by more than the limits.
    pub objects_that_differ: u64,
    pub blocks: Changed<u64>,
    pub blocks_that_differ: u64,
    pub largest_angle_deg: f64,
    pub largest_angle_at_s: Option<Seconds>,
    pub largest_angle_object: Option<String>,
    /// The master's times were moved by so many frames before they were compared: the offset
    /// of its samples, where the metadata went along with them.
    pub aligned_by_frames: i64,
    /// Objects that differ; the largest angles first.
    pub changed: Listed<ObjectChange>,
    /// Loudspeaker and scene channels whose metadata differ.
    pub beds_changed: Listed<BedChange>,
}

/// How one object's metadata differ. Largest differences are given also when they lie within
/// the limits; 0 where there is none.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ObjectChange {
    pub part: Part,
    pub blocks: Changed<u64>,
    /// Of the master; of the mix, where the master has none at that time.
    pub blocks_that_differ: u64,
    /// Between a place of one path and what the other passes within `allowed_s` about that time.
    pub largest_angle_deg: f64,
    pub largest_angle_at_s: Option<Seconds>,
    /// By so much one path may be later than the other without a difference: the travel of one
    /// block, where the block grids or the interpolation are not the same.
    pub allowed_s: Seconds,
    /// Of the distance from the listener, as the file counts it.
    pub largest_distance_difference: f64,
    /// Linear, block gain times object gain.
    pub largest_gain_difference: f64,
    pub largest_gain_difference_at_s: Option<Seconds>,
    /// Of width, height and depth, in the file's units.
    pub largest_size_difference: f64,
    pub largest_diffuse_difference: f64,
    /// The first place where anything differs by more than the limits.
    pub first_difference_at_s: Option<Seconds>,
    /// Time in which only one of the two has a block.
    pub only_in_mix_s: Seconds,
    pub only_in_master_s: Seconds,
    /// Blocks whose jumpPosition or interpolationLength differ.
    pub blocks_with_other_interpolation: u64,
    /// Blocks where another property differs: channelLock, divergence, zones and so on.
    pub blocks_with_other_properties: u64,
    /// Sum of the angles between positions that follow each other.
    pub path_deg: Changed<f64>,
    /// The path in the mix is longer than 30 degrees and less than a tenth of it is left.
    pub movement_lost: bool,
    pub kind: Option<Changed<PartKind>>,
    pub start_s: Option<Changed<Option<Seconds>>>,
    pub duration_s: Option<Changed<Option<Seconds>>>,
    pub mute: Option<Changed<bool>>,
}

/// How one channel of a bed or scene differs. Positions are azimuth, elevation and distance,
/// or X, Y and Z, as the file has them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BedChange {
    pub part: Part,
    pub labels: Option<Changed<Vec<String>>>,
    pub position: Option<Changed<[f64; 3]>>,
    pub largest_angle_deg: f64,
    /// Linear, block gain times object gain.
    pub gain: Option<Changed<f64>>,
    pub low_pass_hz: Option<Changed<Option<f64>>>,
    pub mute: Option<Changed<bool>>,
    /// Something else differs: number of blocks, bounds, order and degree of a scene.
    pub other: bool,
}

/// Bed against objects. Curves are those of the power sums of all paired tracks.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Balance {
    /// Median level change, master less mix.
    pub bed_static_gain_db: Option<f64>,
    pub objects_static_gain_db: Option<f64>,
    /// Bed less objects; of the bands in which both sound the one where it is least, 0 where
    /// the bands differ in sign: an equaliser moves one band, a fader all of them.
    pub static_gain_difference_db: Option<f64>,
    /// Difference between the two curves without their static gains, in the band where it is
    /// least: its median and its 99th percentile.
    pub spread_median_db: Option<f64>,
    pub spread_99_percent_db: Option<f64>,
    /// Blocks of 100 ms in which bed and objects both sound.
    pub blocks: u64,
}

/// What became of one track's level and place in time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrackChange {
    pub part: Part,
    pub master_track: u32,
    /// `None`: not measured. See [`Timing`] for the sign.
    pub offset_frames: Option<i64>,
    /// Why there is no offset, and with it no polarity; `None` where there is one.
    pub offset_not_measured: Option<NotMeasured>,
    /// Peak over median of the best correlation; `None` where nothing was found to be the same.
    pub confidence: Option<f64>,
    /// The master is the mix with inverted polarity, in every loud octave of most windows.
    pub polarity_inverted: bool,
    /// Windows that sound in both files, how many of them were found to be the same music, and
    /// how many were as alike at several offsets.
    pub windows_tried: u64,
    pub windows_repeated: u64,
    pub windows_matched: u64,
    /// Median level change, master less mix; `None` where nothing sounds in both.
    pub static_gain_db: Option<f64>,
    /// The same in 20 to 250, 250 to 2500 and 2500 to 16000 Hz.
    pub band_static_gain_db: [Option<f64>; 3],
    /// From the 1st to the 99th percentile of the level change in blocks of 100 ms, in the band
    /// where that is least.
    pub gain_movement_db: Option<f64>,
    pub band_gain_movement_db: [Option<f64>; 3],
    /// The same for windows of 3 s.
    pub short_term_movement_db: Option<f64>,
    /// The place where the short-term change is farthest from the static gain, and how far.
    pub largest_change_db: Option<f64>,
    pub largest_change_at_s: Option<Seconds>,
    /// Blocks of 100 ms that sound in both files and were compared.
    pub blocks_compared: u64,
    /// Blocks around a slip, which lie over each other nowhere.
    pub blocks_left_out: u64,
    /// Time in which only one of the two sounds.
    pub only_in_mix_s: Seconds,
    pub only_in_master_s: Seconds,
    pub level_changes: u64,
    pub gain_curve: Option<GainCurve>,
}

/// Short-term level change over time, for a picture.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GainCurve {
    pub step_s: Seconds,
    /// Master less mix in windows of 3 s about the middle of each step, to 0.01 dB: the least
    /// deviation of the bands, on the static gain. `null` where nothing sounds in both.
    pub values_db: Vec<Option<f64>>,
}

#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum LevelChangeKind {
    /// More level than the static gain explains.
    Louder,
    Quieter,
    /// The mix sounds, the master is silent or has fallen far beyond any dynamics.
    Missing,
    /// The master sounds, the mix is silent.
    Added,
}

/// A place where a track's level change left its static gain.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LevelChange {
    pub part: Part,
    pub kind: LevelChangeKind,
    /// In the mix's time.
    pub start_s: Seconds,
    pub end_s: Seconds,
    /// The largest deviation from the static gain within the place; for `missing` and `added`
    /// against the silence limit, so that it is a lower bound.
    pub deviation_db: f64,
    /// RMS of the side that sounds, over the place.
    pub level_dbfs: Option<Dbfs>,
    /// For `missing` and `added`: the level of the silent side falls before the place or rises
    /// after it, as in a fade.
    #[serde(default)]
    pub faded: bool,
}
