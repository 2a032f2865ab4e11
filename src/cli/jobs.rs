//! Files to weigh for a person: which, by what, and the weighing of one of them.
//!
//! In: paths, rules, options. Out: jobs, and a sidecar for each. Prints only what does not fit.
//! Used by `weigh` and `trial`, so that both judge alike.

use std::ffi::OsStr;
use std::io;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::ZonedDateTime;

use crate::config::AUDIO_EXTENSIONS;
use crate::intake::{Identity, NameRules, NameSays};
use crate::layout::Label;
use crate::profile::Profile;
use crate::record::{self, Sidecar, printable};
use crate::render::Choice;
use crate::render::binaural::HeadSet;
use crate::weigh::{self, Companion, WeighError, WeighOrder};

use super::pool;
use super::progress::Meter;
use super::rules::Rules;

/// What the command line asks of every file.
#[derive(Default)]
pub struct Options {
    pub channels: Option<Vec<Label>>,
    pub renders: Vec<String>,
    pub choice: Choice,
    pub head: Option<Arc<HeadSet>>,
    pub against: Option<PathBuf>,
}

/// One file, and by what it is judged.
pub struct Job<'a> {
    pub path: PathBuf,
    pub name: String,
    pub profile: &'a Profile,
    /// What chose the profile.
    pub because: String,
    /// The mix and what chose it, in words; `None` where no mix is asked for.
    pub mix: Option<String>,
    pub meter: Meter,
    options: &'a Options,
    channels: Option<&'a [Label]>,
    md5: bool,
    companion: Companion,
}

impl<'a> Job<'a> {
    pub fn new(path: PathBuf, rules: &'a Rules, options: &'a Options) -> anyhow::Result<Self> {
        let by = rules.of(&path)?;
        let (companion, mix) = match &options.against {
            Some(mix) => {
                let says = format!("{}: --against", printable(mix.as_os_str()));
                (Companion::NotAsked, Some(says))
            }
            None => {
                let companion = Companion::of(&by.mix);
                let says = in_words(&companion);
                (companion, says)
            }
        };
        let bytes = std::fs::metadata(&path).map_or(0, |metadata| metadata.len());
        Ok(Self {
            name: printable(file_name(&path)),
            path,
            profile: by.profile,
            because: by.because,
            mix,
            meter: Meter::of(bytes),
            options,
            channels: options.channels.as_deref().or(by.channels),
            md5: by.md5,
            companion,
        })
    }

    /// Why an option does not fit this file: the caller's mistake, not the file's.
    pub fn misfit(&self) -> Option<String> {
        let options = self.options;
        if let Some(mix) = &options.against
            && is_same_file(mix, &self.path)
        {
            return Some("--against names this very file".to_owned());
        }
        let choice = &options.choice;
        if options.channels.is_none() && options.renders.is_empty() && *choice == Choice::default()
        {
            return None;
        }
        let channels = options.channels.as_deref();
        weigh::misfit(
            &self.path,
            self.profile,
            channels,
            (&options.renders, choice),
        )
    }

    fn order(&self) -> WeighOrder {
        let options = self.options;
        let against = options.against.as_deref().or(self.companion.against());
        WeighOrder {
            channels: self.channels.map(<[Label]>::to_vec),
            md5: self.md5,
            renders: options.renders.clone(),
            choice: options.choice.clone(),
            head_blake3: (options.head.as_ref()).map(|head| head.facts().digest_blake3.clone()),
            against: against.map(Path::to_owned),
            not_compared: self.companion.not_compared(),
            ..WeighOrder::new(&self.path, self.profile)
        }
    }

    /// Weighs it; what could not be read has a sidecar too, with the reason.
    pub fn weigh(&self, stop: &pool::Stop) -> Sidecar {
        self.meter.begin();
        let order = self.order();
        let weighed = order.carry_out(self.options.head.as_ref(), &mut |done, total| {
            self.meter.advance(done, total);
            if stop.is_set() {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        });
        self.meter.end();
        let (name, now) = (file_name(&self.path), ZonedDateTime::now());
        match weighed {
            Ok(weighed) => record::sidecar(&weighed, name, self.profile, Vec::new(), None, &now),
            Err(error) => record::unread(
                identity_of(&self.path).as_ref(),
                name,
                &why(&error),
                self.profile,
                Vec::new(),
                None,
                &now,
            ),
        }
    }
}

fn in_words(companion: &Companion) -> Option<String> {
    let by_rule = |path: &Path, state: &str| {
        let mix = printable(path.as_os_str());
        Some(format!("{mix}: mix rule of the route{state}"))
    };
    match companion {
        Companion::NotAsked => None,
        Companion::Unnamed(why) => Some(why.clone()),
        Companion::Away(path) => by_rule(path, " (it is not there)"),
        Companion::Incomplete { path, .. } => by_rule(path, " (it is incomplete)"),
        Companion::There { path, .. } => by_rule(path, ""),
    }
}

/// Whether both names lead to one file.
fn is_same_file(one: &Path, other: &Path) -> bool {
    let real = |path| std::fs::canonicalize(path).ok();
    matches!((real(one), real(other)), (Some(one), Some(other)) if one == other)
}

/// The last part of a path; the whole path where it has none (`..`).
fn file_name(path: &Path) -> &OsStr {
    path.file_name().unwrap_or(path.as_os_str())
}

/// What is known of a file from outside; `None` where there is none.
fn identity_of(path: &Path) -> Option<Identity> {
    Some(Identity::of(&std::fs::symlink_metadata(path).ok()?))
}

fn why(error: &WeighError) -> String {
    match error {
        WeighError::Io(source) if source.kind() == io::ErrorKind::NotFound => {
            "there is no such file".to_owned()
        }
        WeighError::Io(source) => format!("reading failed ({source})"),
        other => other.to_string(),
    }
}

/// The names that a watch takes up where its configuration says nothing else.
pub struct UsualNames(NameRules);

impl UsualNames {
    pub fn new() -> anyhow::Result<Self> {
        let extensions: Vec<String> = AUDIO_EXTENSIONS.iter().map(|&e| e.to_owned()).collect();
        Ok(Self(NameRules::new(&extensions, false, &[])?))
    }

    pub fn take(&self, name: &OsStr) -> bool {
        self.0.of_file(name) == NameSays::Audio
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_search_takes_audio_and_leaves_junk_and_our_own_files() {
        let names = UsualNames::new().unwrap();
        for taken in ["a.wav", "B.WAV", "c.flac"] {
            assert!(names.take(OsStr::new(taken)), "{taken}");
        }
        for left in [
            "._a.wav",
            ".a.wav",
            "a.wav.part",
            "a.wav.sidecar.json",
            "a.txt",
        ] {
            assert!(!names.take(OsStr::new(left)), "{left}");
        }
    }
}
