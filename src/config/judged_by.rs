//! By what a file is judged: the one answer for the daemon and for `weigh`.
//!
//! In: a watch and a path below it, or a configuration and an absolute path. Out: a [`JudgedBy`]
//! with the profile's name, labels, digests and mix as the first matching route says. Opens no
//! file: whether the mix is there is for others to see.

use std::path::{Path, PathBuf};

use super::model::{Config, MixRule, Route, Watch};
use crate::layout::Label;

/// What one file is judged by.
#[derive(Clone, Debug)]
pub struct JudgedBy<'c> {
    pub watch: &'c Watch,
    /// The first route that matches; without one the watch itself decides.
    pub route: Option<&'c Route>,
    pub profile: &'c str,
    /// Labels for a file that does not say where its channels play.
    pub channels: Option<&'c [Label]>,
    pub md5: bool,
    pub mix: MixOf,
}

/// The mix that a route names for a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MixOf {
    /// No mix rule applies.
    NotAsked,
    /// There or not.
    Named(PathBuf),
    /// The rule says nothing of such a name: why, a sentence without full stop.
    Unnamed(String),
}

impl Config {
    /// By what the file at this absolute path is judged; `None` for a file outside every watch.
    /// Of nested watches the innermost counts.
    pub fn judged_by(&self, path: &Path) -> Option<JudgedBy<'_>> {
        let within = self.watches.iter().filter_map(|watch| {
            let below = path.strip_prefix(&watch.folder).ok()?;
            Some((watch, below))
        });
        let (watch, below) = within.max_by_key(|(watch, _)| watch.folder.components().count())?;
        Some(watch.judged_by(below))
    }
}

impl Watch {
    /// By what the file at `below`, a path below the watch's folder, is judged.
    pub fn judged_by(&self, below: &Path) -> JudgedBy<'_> {
        let matches = |route: &&Route| route.matcher.is_match(below);
        let route = self.routes.iter().find(matches);
        let rule = route.and_then(|route| route.mix.as_ref());
        JudgedBy {
            watch: self,
            route,
            profile: route.map_or(&self.profile, |route| &route.profile),
            channels: route.and_then(|route| route.channels.as_deref()),
            md5: self.md5,
            mix: rule.map_or(MixOf::NotAsked, |rule| {
                rule.mix_of(&self.folder.join(below))
            }),
        }
    }
}

impl JudgedBy<'_> {
    /// What chose the profile: `route "**/*_master*.wav" of watch "exports"`.
    pub fn because(&self) -> String {
        match self.route {
            Some(route) => format!("route {:?} of watch {:?}", route.pattern, self.watch.name),
            None => format!("watch {:?}", self.watch.name),
        }
    }
}

impl MixRule {
    /// The mix of the master at `path`, whether or not it is there.
    pub fn mix_of(&self, path: &Path) -> MixOf {
        let unnamed = |why: String| MixOf::Unnamed(format!("no mix is named for it: {why}"));
        let Some(name) = path.file_name().and_then(|name| name.to_str()) else {
            return unnamed("its name is not UTF-8, which the mix rule needs".to_owned());
        };
        let Some(found) = self.name.captures(name) else {
            let pattern = &self.pattern;
            return unnamed(format!(
                "the name does not match the pattern '{pattern}' of the mix rule"
            ));
        };
        let mut mix = String::new();
        found.expand(&self.is, &mut mix);
        if mix == name {
            return unnamed("the mix rule names the file itself".to_owned());
        }
        if mix.is_empty() || mix.contains(['/', '\0']) || matches!(mix.as_str(), "." | "..") {
            return unnamed(format!("the mix rule makes {mix:?}, which is no file name"));
        }
        MixOf::Named(match &self.folder {
            Some(folder) => folder.join(mix),
            None => path.with_file_name(mix),
        })
    }
}
