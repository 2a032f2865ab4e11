//! stub
use crate::measure::Spots;
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SpliceFacts { pub spots: Spots }
