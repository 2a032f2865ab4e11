//! What is measured of an immersive master: its renders, its parts, its items.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::content::Content;
use crate::measure::translation::TranslationFacts;
use crate::measure::{Edges, Loudness, Measurements, Places};
use crate::render::binaural::HeadSetFacts;
use crate::units::{DbTp, Dbfs, Frames, Lu, Lufs, Seconds};

/// Everything that exists only on a render, or of an object.
#[derive(Clone, Debug, PartialEq)]
pub struct Immersive {
    /// One per layout, the main one first. Each says its layout and renderer in `measured_on`.
    pub renders: Vec<Measurements>,
    /// Over a virtual loudspeaker layout with the named head; a proxy that stops nothing.
    pub binaural: Option<Binaural>,
    /// What is left elsewhere, where that was asked and there is a render to take it from.
    pub translation: Option<TranslationFacts>,
    pub parts: Parts,
    /// In the scene's order.
    pub items: Vec<ItemFacts>,
    /// Channels that are low-frequency by element or by label.
    pub lfe: Vec<LfeFacts>,
    pub fold: Option<Fold>,
    /// What the tracks are to each other.
    pub content: Content,
    /// What the renderer took as one thing where it could have been another.
    pub remarks: Vec<String>,
}

impl Immersive {
    /// Head and tail of the master as it is heard: of the main render, muted objects and tracks
    /// that nothing plays left out. The renderer adds no delay.
    pub fn edges(&self) -> Option<&Edges> {
        self.renders.first().map(|main| &main.edges)
    }

    /// How each of `tracks` is called in what a person reads: `Vox (track 7)`, `Bed L (track 1)`;
    /// `track 9` where nothing plays it. Several items on one track are joined by ` and `.
    pub fn track_names(&self, tracks: usize) -> Vec<String> {
        (1..=tracks)
            .map(|track| {
                let mut names: Vec<String> = self
                    .items
                    .iter()
                    .filter(|item| item.tracks.contains(&track))
                    .map(|item| match &item.label {
                        Some(label) => format!("{} {label}", item.name),
                        None => item.name.clone(),
                    })
                    .collect();
                names.dedup();
                match names.is_empty() {
                    true => format!("track {track}"),
                    false => format!("{} (track {track})", names.join(" and ")),
                }
            })
            .collect()
    }
}

#[derive(Clone, Debug, PartialEq)]
pub struct Binaural {
    pub head: HeadSetFacts,
    /// The loudspeaker layout that was made audible.
    pub virtual_layout: String,
    pub measured: Measurements,
}

/// Bed and objects, each alone as it sounds in the main render.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Parts {
    /// The layout and renderer behind these figures.
    pub layout: String,
    pub renderer: String,
    /// `null` where the file has no such part.
    pub bed: Option<Loudness>,
    pub objects: Option<Loudness>,
    /// Integrated loudness of the bed alone less that of the objects alone.
    pub bed_less_objects_lu: Option<Lu>,
    /// Short-term difference over the moments in which both sound (over -60 LUFS): 5th, 50th
    /// and 95th percentile.
    pub short_term_difference_lu: Option<[Lu; 3]>,
    /// Moments in which the bed is more than [`BURIED_LU`] over sounding objects.
    #[serde(skip)]
    pub objects_buried: Places,
    /// And the other way round.
    #[serde(skip)]
    pub bed_buried: Places,
}

/// What counts as buried: common practice, no source (a part 15 LU down adds 0.14 LU to the sum).
pub const BURIED_LU: f64 = 15.0;

/// One bed channel, object or HOA group.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ItemFacts {
    /// `bed`, `object` or `hoa`.
    pub kind: ItemKind,
    /// audioObjectID of the innermost object, and audioChannelFormatID.
    pub object: Option<String>,
    pub channel: String,
    /// The object's name, and for a bed the loudspeaker's label.
    pub name: String,
    pub label: Option<String>,
    /// Tracks that feed it, from 1.
    pub tracks: Vec<usize>,
    /// Alone, as it sounds in the main render: the track K-weighted, then its gains. Exact
    /// where gains stand still; where they move, as near as they are slow against 20 ms.
    pub integrated_lufs: Option<Lufs>,
    pub short_term_max_lufs: Option<Lufs>,
    /// Before its gains.
    pub sample_peak_dbfs: Option<Dbfs>,
    /// Frames in which the track sounds and a block covers it.
    pub heard_frames: Frames,
    /// Its object is muted, or its object's or every block's gain is 0.
    pub muted: bool,
    pub blocks: u64,
    /// Different positions among the blocks.
    pub positions: u64,
    /// Sum of the angles from block to block, degrees; for Cartesian blocks of the directions.
    pub path_deg: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum ItemKind {
    Bed,
    Object,
    Hoa,
}

/// A low-frequency channel before rendering.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LfeFacts {
    pub channel: String,
    pub label: Option<String>,
    pub track: usize,
    /// A frequency element marks it (BS.2076-2, clause 5.3.3), not its label alone.
    pub declared: bool,
    pub rms_dbfs: Option<Dbfs>,
    pub sample_peak_dbfs: Option<Dbfs>,
    /// Energy over 500 Hz less energy from 20 to 120 Hz, dB; `null` under -70 dBFS.
    pub high_less_low_db: Option<f64>,
}

/// The main render against the one to two loudspeakers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Fold {
    pub from: String,
    pub to: String,
    /// True peak in stereo less true peak in the main render: headroom that the fold takes.
    pub headroom_lost_db: Option<f64>,
    pub true_peak_dbtp: Option<DbTp>,
    pub loudness_change_lu: Option<Lu>,
    /// Where the stereo render peaks.
    pub at_s: Option<Seconds>,
}
