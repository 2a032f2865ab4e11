//! The sidecar's shape, `weighbridge.sidecar/1`. A key's meaning never changes within a
//! schema number; unknown readers must be able to ignore new keys.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::judge::{Finding, Verdict};
use crate::ledger::CustodyEvent;
use crate::measure::{ChannelMeasurements, Edges, Loudness, MeasuredOn, Peaks};
use crate::specimen::{Digests, Metadata};

/// Everything the house knows of one file, beside the file.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Sidecar {
    /// `weighbridge.sidecar/1`
    pub schema: String,
    /// When it was written: RFC 3339 with the zone.
    pub written: String,
    pub tool: Tool,
    pub file: FileFacts,
    /// `null` for a file that could not be read as audio.
    pub format: Option<FormatFacts>,
    pub metadata: Metadata,
    /// `null` for a file that could not be read as audio.
    pub measured: Option<Measured>,
    pub checks: Vec<Finding>,
    pub verdict: Verdict,
    /// The verdict's reason in one sentence.
    pub reason: String,
    /// The listening caution, where playing the file could hurt.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub caution: Option<String>,
    pub profile: ProfileFacts,
    /// Empty for a file that was only weighed by command.
    pub custody: Vec<CustodyEvent>,
    pub signoffs: Vec<Signoff>,
    pub waivers: Vec<Waiver>,
    /// Which revision of this path it is, counted from 1, and the digest of the one before.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub revision: Option<Revision>,
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
    pub bytes: u64,
    /// RFC 3339 with the zone.
    pub modified: String,
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
    pub channels: Vec<ChannelMeasurements>,
    pub edges: Edges,
    pub measured_on: Option<MeasuredOn>,
    /// By layout; empty for channel-based files.
    pub renders: BTreeMap<String, Render>,
}

#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Render {
    pub loudness: Option<Loudness>,
    pub peaks: Peaks,
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
