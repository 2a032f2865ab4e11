//! stub
pub struct BurstMeter;
pub struct BurstFacts;
