//! The Audio Definition Model (ITU-R BS.2076): what an immersive file says of its tracks.
//!
//! In: the `axml` chunk as a stream of bytes and the rows of `chna`. Out: a [`Model`] with
//! the file's own ids, and a list of findings, each in a plain sentence with its clause.
//! Knows nothing of rendering, loudness or limits.

mod bed;
pub mod block;
pub mod check;
pub mod chna;
mod common;
pub mod finding;
pub mod labels;
pub mod model;
pub mod parse;
mod resolve;
pub mod time;

pub use bed::{bed_layout, label_of};
pub use chna::{Chna, ChnaRow};
pub use finding::{Class, Finding, Severity, merge};
pub use labels::{bed_label, is_lfe_label};
pub use model::Model;

/// A file or folder of the outside references, where there are any beside the project.
#[cfg(test)]
pub(crate) fn reference(part: &str) -> Option<std::path::PathBuf> {
    let root = match std::env::var_os("WEIGHBRIDGE_REFERENCE") {
        Some(root) => root.into(),
        None => std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/reference"),
    };
    let path = root.join(part);
    if path.exists() {
        return Some(path);
    }
    println!("skipped: no reference files at {}", path.display());
    None
}
