//! stub
use crate::measure::Spots;
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ClickFacts { pub spots: Spots }
