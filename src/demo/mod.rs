//! The invented scenario and what it needs to run on one machine alone.

pub mod music;
pub mod receiver;
pub mod scenario;
pub mod summary;

/// Placeholder until wired in this slice.
pub fn run(_: Option<std::path::PathBuf>) -> anyhow::Result<bool> {
    Ok(false)
}
