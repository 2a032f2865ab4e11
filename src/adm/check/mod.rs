//! stub
use super::{Chna, Finding, Model};
pub struct AudioFacts {
    pub tracks: u16,
    pub sample_rate: u32,
    pub frames: u64,
    pub bit_depth: u16,
    pub has_axml: bool,
}
pub fn check(_model: &Model, _chna: Option<&Chna>, _facts: &AudioFacts) -> Vec<Finding> {
    Vec::new()
}
