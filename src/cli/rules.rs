//! By what a file is judged when a person asks: the configuration's watches and routes, as for
//! the daemon, unless an option says otherwise.
//!
//! In: `--profile`, `--config` or the environment. Out: for each path a profile, labels and a mix,
//! with what chose them in words. Weighs nothing.

use std::path::{Path, PathBuf};

use anyhow::bail;

use crate::config::{self, Config, JudgedBy, MixOf};
use crate::judge;
use crate::layout::Label;
use crate::profile::{Profile, ProfileSet};
use crate::record::printable;

use super::args::config_path;
use super::output::said;

/// Where nobody names a profile: what most deliveries of a mastering studio are. Own choice.
const USUAL_PROFILE: &str = "stereo-music";

/// Everything by which files may be judged.
pub struct Rules {
    pub profiles: ProfileSet,
    pub config: Option<Config>,
    /// The name of the profile that `--profile` names, and the option as it was typed.
    typed: Option<(String, String)>,
}

/// What one file is judged by.
#[derive(Clone, Debug)]
pub struct FileRules<'a> {
    pub profile: &'a Profile,
    /// What chose the profile.
    pub because: String,
    pub channels: Option<&'a [Label]>,
    pub md5: bool,
    pub mix: MixOf,
}

impl Rules {
    /// Reads the configuration, typed or named by the environment, and the profiles.
    pub fn load(profile: Option<&str>, config: Option<PathBuf>) -> anyhow::Result<Self> {
        let config = config_path(config);
        let folder = config.as_deref().map(config::profiles_folder);
        let (profiles, typed) = load_profiles(profile, folder.as_deref())?;
        let config = match config {
            Some(path) => Some(Config::read(&path, &profiles.names()).map_err(said)?),
            None => None,
        };
        if let Some(name) = &typed {
            named(&profiles, name)?;
        }
        let typed = typed.zip(profile.map(|typed| format!("--profile {typed}")));
        Ok(Self {
            profiles,
            config,
            typed,
        })
    }

    /// By what the file at `path` is judged: as the daemon would, were it to arrive there.
    pub fn of(&self, path: &Path) -> anyhow::Result<FileRules<'_>> {
        let by = self
            .config
            .as_ref()
            .and_then(|config| watched(config, path));
        let (name, because) = match (&self.typed, &by) {
            (Some((name, option)), _) => (name.as_str(), option.clone()),
            (None, Some(by)) => (by.profile, by.because()),
            (None, None) => (USUAL_PROFILE, self.usual()),
        };
        Ok(FileRules {
            profile: named(&self.profiles, name)?,
            because,
            channels: by.as_ref().and_then(|by| by.channels),
            md5: by.as_ref().is_some_and(|by| by.md5),
            mix: by.map_or(MixOf::NotAsked, |by| by.mix),
        })
    }

    fn usual(&self) -> String {
        match &self.config {
            Some(config) => format!(
                "the usual one, since no watch of {} holds this file",
                printable(config.path.as_os_str())
            ),
            None => "the usual one, since no configuration and no --profile names another".into(),
        }
    }
}

/// What the configuration says of a path, also where it is relative, or leads through symbolic
/// links to the folder of a watch.
fn watched<'c>(config: &'c Config, path: &Path) -> Option<JudgedBy<'c>> {
    let plain = |path: &Path| path.components().all(|part| part.as_os_str() != "..");
    let absolute = std::path::absolute(path).ok().filter(|path| plain(path));
    if let Some(by) = absolute.and_then(|path| config.judged_by(&path)) {
        return Some(by);
    }
    let folder = path
        .parent()
        .filter(|folder| !folder.as_os_str().is_empty());
    let folder = std::fs::canonicalize(folder.unwrap_or(Path::new("."))).ok()?;
    let real = folder.join(path.file_name()?);
    let watches = config.watches.iter().filter_map(|watch| {
        let folder = std::fs::canonicalize(&watch.folder).ok()?;
        let below = real.strip_prefix(&folder).ok()?.to_owned();
        Some((watch, below))
    });
    let (watch, below) = watches.min_by_key(|(_, below)| below.components().count())?;
    Some(watch.judged_by(&below))
}

/// The profiles that there are, and the name of the one that was typed, by name or by path.
fn load_profiles(
    typed: Option<&str>,
    folder: Option<&Path>,
) -> anyhow::Result<(ProfileSet, Option<String>)> {
    match typed.filter(|typed| is_path(typed)) {
        Some(path) => {
            let (profiles, name) =
                judge::load_profile_file(folder, Path::new(path)).map_err(said)?;
            Ok((profiles, Some(name)))
        }
        None => {
            let profiles = judge::load_profiles(folder).map_err(said)?;
            Ok((profiles, typed.map(str::to_owned)))
        }
    }
}

/// The profile that was typed, by name or by path, with all that there are.
pub fn profile_typed(typed: &str, folder: Option<&Path>) -> anyhow::Result<(ProfileSet, String)> {
    let (profiles, name) = load_profiles(Some(typed), folder)?;
    let name = name.unwrap_or_default();
    named(&profiles, &name)?;
    Ok((profiles, name))
}

fn is_path(typed: &str) -> bool {
    typed.ends_with(".toml") || typed.contains(std::path::MAIN_SEPARATOR)
}

/// The profile of that name, or an error that names all there are.
pub fn named<'a>(profiles: &'a ProfileSet, name: &str) -> anyhow::Result<&'a Profile> {
    match profiles.get(name) {
        Some(profile) => Ok(profile),
        None => {
            let names = profiles.names();
            let near = config::mistake::closest(name, names.iter().map(AsRef::as_ref));
            let near = near.map_or(String::new(), |near| format!(" (did you mean {near:?}?)"));
            bail!(
                "there is no profile {name:?}{near}; there are {}",
                names.join(", ")
            )
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_in_a_profiles_name_is_answered_with_the_name_that_was_meant() {
        let profiles = judge::load_profiles(None).unwrap();
        let answer = |name: &str| named(&profiles, name).unwrap_err().to_string();
        let says = answer("stereo-musc");
        assert!(
            says.contains("(did you mean \"stereo-music\"?); there are any-audio,"),
            "{says}"
        );
        assert!(!answer("nothing like it").contains("did you mean"));
    }

    #[test]
    fn what_ends_in_toml_or_has_a_slash_is_a_path() {
        assert!(is_path("house.toml") && is_path("./house") && is_path("/etc/house.toml"));
        assert!(!is_path("stereo-music"));
    }
}
