//! The steps of a file's way through the house, as the ledger keeps them and the sidecar tells
//! them.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One step of a file's way through the house.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CustodyEvent {
    /// RFC 3339 with the zone.
    pub at: String,
    pub event: CustodyEventKind,
    /// Relative to a named root, `WATCH:path` or `quarantine:path`; `null` where nothing moved.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub from: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub to: Option<String>,
    /// A remark for people: why it was kept, that the name was taken.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub says: Option<String>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum CustodyEventKind {
    Settled,
    Weighed,
    Released,
    Kept,
    Quarantined,
}

impl CustodyEventKind {
    pub fn word(self) -> &'static str {
        match self {
            Self::Settled => "settled",
            Self::Weighed => "weighed",
            Self::Released => "released",
            Self::Kept => "kept",
            Self::Quarantined => "quarantined",
        }
    }
}
