//! The sidecar's shape, `weighbridge.sidecar/1`. A key's meaning never changes within a
//! schema number; unknown readers must be able to ignore new keys.

use std::collections::BTreeMap;
use std::ops::{Deref, DerefMut};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::compare::Comparison;
use crate::judge::{Finding, Verdict};
use crate::ledger::CustodyEvent;
use crate::measure::{
    ChannelMeasurements, Edges, Fold, Headroom, ItemFacts, LfeFacts, Loudness, MeasuredOn, Parts,
    Peaks, SurveyFigures,
};
use crate::profile::Yardsticks;
use crate::render::binaural::HeadSetFacts;
use crate::specimen::{Digests, Metadata};

/// Everything that is known of one file, beside the file: the report of its weighing, and what was
/// done with it.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Sidecar {
    /// `weighbridge.sidecar/1`
    pub schema: String,
    /// When it was written: RFC 3339 with the zone.
    pub written: String,
    #[serde(flatten)]
    pub report: Report,
    /// Empty for a file that was only weighed by command.
    pub custody: Vec<CustodyEvent>,
    pub signoffs: Vec<Signoff>,
    pub waivers: Vec<Waiver>,
    /// Which revision of this path it is, counted from 1, and the digest of the one before.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub revision: Option<Revision>,
}

/// What a weighing came to: facts, figures and findings. The same order gives the same report on
/// any host. What happens to the file is decided on it (`release::decide`).
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Report {
    pub tool: Tool,
    pub file: FileFacts,
    /// `null` for a file that could not be read as audio.
    pub format: Option<FormatFacts>,
    pub metadata: Metadata,
    /// `null` for a file that could not be read as audio.
    pub measured: Option<Measured>,
    /// The master against the mix it came from, where one was named.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub against: Option<AgainstFacts>,
    pub checks: Vec<Finding>,
    pub verdict: Verdict,
    /// The verdict's reason in one sentence.
    pub reason: String,
    /// The listening caution, where playing the file could hurt.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub caution: Option<String>,
    pub profile: ProfileFacts,
    /// Where figures of this file lay in the studio's own masters, by figure: as the profile says
    /// them. They decide nothing.
    #[serde(skip_serializing_if = "BTreeMap::is_empty", default)]
    pub yardsticks: Yardsticks,
}

/// A sidecar is read as its report: what is told of a file is most of it.
impl Deref for Sidecar {
    type Target = Report;

    fn deref(&self) -> &Report {
        &self.report
    }
}

impl DerefMut for Sidecar {
    fn deref_mut(&mut self) -> &mut Report {
        &mut self.report
    }
}

#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Tool {
    pub name: String,
    pub version: String,
    pub methods: Vec<String>,
}

#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct FileFacts {
    /// The whole name; bytes that are not UTF-8 are written `\xNN`.
    pub name: String,
    /// This and `modified` are `null` where there is no such file.
    pub bytes: Option<u64>,
    /// RFC 3339 with the zone.
    pub modified: Option<String>,
    /// Each `null` or absent where the file could not be read to its end.
    #[serde(with = "digests_json")]
    #[schemars(with = "digests_json::DigestsJson")]
    pub digests: Digests,
    /// Of the audio payload alone.
    pub audio_digest: Option<Digests>,
}

#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct FormatFacts {
    pub container: crate::specimen::Container,
    pub encoding: crate::specimen::Encoding,
    pub sample_rate_hz: u32,
    pub bit_depth: Option<u16>,
    pub channels: usize,
    pub layout: Option<String>,
    pub channel_labels: Option<Vec<String>>,
    pub channel_labels_from: Option<crate::specimen::LabelSource>,
    /// Frames that were read.
    pub frames: u64,
    pub duration_s: f64,
}

#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Measured {
    /// `null` where nobody says where the channels play.
    pub loudness: Option<Loudness>,
    pub peaks: Peaks,
    /// What is left over the peaks at published distribution figures; empty where loudness or
    /// true peak is not known.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub headroom: Vec<Headroom>,
    pub channels: Vec<ChannelMeasurements>,
    pub edges: Edges,
    pub measured_on: Option<MeasuredOn>,
    /// By layout, and `binaural`; empty for channel-based files. `loudness` and `peaks` above
    /// are then those of the main render, as `measured_on` says.
    pub renders: BTreeMap<String, Render>,
    /// What is heard of an object-based file.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub scene: Option<SceneFacts>,
    /// Bed and objects, each alone as it sounds in the main render.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub parts: Option<Parts>,
    /// Each bed channel and object alone.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub items: Vec<ItemFacts>,
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub lfe: Vec<LfeFacts>,
    /// What the stereo render loses against the main one.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub fold: Option<Fold>,
    /// Figures of what ears miss; `null` where the profile asks for nothing of it.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub survey: Option<SurveyFigures>,
    /// How what is left of the programme elsewhere differs from another version of it.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub translation_changes: Vec<ViewChanges>,
}

/// One view of this file less the same view of another version.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ViewChanges {
    /// `mix`, or `revision before`.
    pub against: String,
    /// `mono`, `telephone band`, ...
    pub view: String,
    pub loudness_lu: Option<f64>,
    pub true_peak_db: Option<f64>,
    /// The third-octave band that differs most once the difference in loudness is taken off, and
    /// by how much, dB.
    pub band_hz: Option<f64>,
    pub band_db: Option<f64>,
}

#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Render {
    pub loudness: Option<Loudness>,
    pub peaks: Peaks,
    /// The layout, its loudness weights, and the renderer with its version.
    #[serde(default)]
    pub measured_on: Option<MeasuredOn>,
    /// In the layout's order.
    #[serde(default)]
    pub channels: Vec<ChannelMeasurements>,
    /// Whose ears a binaural render was made for, and over which loudspeakers.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub head: Option<Head>,
}

/// A binaural figure is a proxy: it depends on whose head was measured, and stops no file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Head {
    #[serde(flatten)]
    pub set: HeadSetFacts,
    pub virtual_layout: String,
}

/// What the renderer chose to play.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SceneFacts {
    /// Of the audio definition model, as the file says it.
    pub version: Option<String>,
    /// audioProgrammeID and name of what was rendered; `null` where the file has none.
    pub programme: Option<Named>,
    /// The file's other programmes.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub other_programmes: Vec<Named>,
    /// By its loudspeaker labels; `null` without a bed.
    pub bed_layout: Option<String>,
    pub bed_channels: usize,
    pub objects: usize,
    pub hoa_groups: usize,
    /// What was taken as one thing where it could have been another.
    #[serde(skip_serializing_if = "Vec::is_empty", default)]
    pub remarks: Vec<String>,
    /// Why there are no renders.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub not_rendered: Option<String>,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Named {
    pub id: String,
    pub name: String,
}

/// What the file is against its mix.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct AgainstFacts {
    /// The mix's file name.
    pub mix: String,
    /// Of the mix's bytes; `null` where it was not read to its end.
    pub digest_blake3: Option<String>,
    /// `null` where the two could not be compared; a check then says why.
    pub comparison: Option<Box<Comparison>>,
}

#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct ProfileFacts {
    pub name: String,
    pub digest: String,
}

/// A person's word that these bytes may go (given by `signoff`, which is not built yet).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Signoff {
    pub at: String,
    pub by: String,
}

/// A person's word that a finding is accepted (given by `waive`, which is not built yet).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Waiver {
    pub at: String,
    pub by: String,
    pub check: String,
    pub reason: String,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Revision {
    pub number: u64,
    /// BLAKE3 of the revision before; `null` for the first.
    pub replaces: Option<String>,
}

/// Digests in the sidecar: one that does not exist is `null`, not an empty text.
mod digests_json {
    use schemars::JsonSchema;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use crate::specimen::Digests;

    /// Digests of the whole file, lower-case hexadecimal.
    #[derive(Serialize, Deserialize, JsonSchema)]
    pub struct DigestsJson {
        blake3: Option<String>,
        sha256: Option<String>,
        /// Only where a watch asks for it.
        #[serde(skip_serializing_if = "Option::is_none")]
        md5: Option<String>,
    }

    pub fn serialize<S: Serializer>(digests: &Digests, to: S) -> Result<S::Ok, S::Error> {
        DigestsJson {
            blake3: Some(digests.blake3.clone()).filter(|text| !text.is_empty()),
            sha256: digests.sha256.clone(),
            md5: digests.md5.clone(),
        }
        .serialize(to)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Digests, D::Error> {
        let read = DigestsJson::deserialize(from)?;
        Ok(Digests {
            blake3: read.blake3.unwrap_or_default(),
            sha256: read.sha256,
            md5: read.md5,
        })
    }
}
