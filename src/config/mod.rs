//! The operator's TOML: what it says (raw), then what it means (checked).
//!
//! In: a file's text. Out: a [`Config`] that can only hold what makes sense, or an error with
//! file, line, caret and what would be right. Runs nothing and opens nothing but the file
//! itself; which profiles exist is handed in.

use std::io;
use std::path::{Path, PathBuf};

mod check;
mod folders;
mod judged_by;
mod mail;
pub mod mistake;
mod model;
mod raw;
#[cfg(test)]
mod tests;
mod values;

pub use check::AUDIO_EXTENSIONS;
pub use judged_by::{JudgedBy, MixOf};
pub use mistake::Mistake;
pub use model::*;

use mistake::Text;

/// Why there is no configuration. `Display` is the whole message.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    #[error("the configuration {} cannot be read ({source}): is the path right, and may this user read it?", path.display())]
    Unreadable {
        path: PathBuf,
        #[source]
        source: io::Error,
    },
    #[error(transparent)]
    Wrong(Box<Mistake>),
}

impl From<Mistake> for ConfigError {
    fn from(mistake: Mistake) -> Self {
        Self::Wrong(Box::new(mistake))
    }
}

/// Where the operator's profiles lie: `profiles/` beside the configuration.
pub fn profiles_folder(config_path: &Path) -> PathBuf {
    config_path.with_file_name("profiles")
}

impl Config {
    /// Reads and checks a file. `profile_names` are the profiles that exist.
    pub fn read(path: &Path, profile_names: &[String]) -> Result<Self, ConfigError> {
        let text = std::fs::read_to_string(path).map_err(|source| ConfigError::Unreadable {
            path: path.to_owned(),
            source,
        })?;
        Self::parse(&text, path, profile_names)
    }

    /// Checks a text; `path` is only for messages and for the profiles' folder.
    pub fn parse(text: &str, path: &Path, profile_names: &[String]) -> Result<Self, ConfigError> {
        let source = Text { path, text };
        let raw = toml::from_str(text).map_err(|error| source.not_toml(&error, raw::KEYS))?;
        Ok(check::config(&source, raw, profile_names)?)
    }
}
