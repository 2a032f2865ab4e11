//! The invented scenario and what it needs to run on one machine alone.

pub mod music;
pub mod receiver;
pub mod scenario;
pub mod summary;
