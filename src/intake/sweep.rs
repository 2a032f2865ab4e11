//! Walking: what the scanner does with what it finds in a tree. Continues `scanner`, whose
//! fields it uses; separate because it is about single folders and files, not about when.

use std::collections::{HashMap, HashSet};
use std::ffi::{OsStr, OsString};
use std::io;
use std::path::Path;

use crate::config::WatchKind;

use super::names::{NameSays, folded, is_hidden, shown, spelled};
use super::root::Place;
use super::scanner::{JudgedDouble, MetFolder, Scanner};
use super::settling::{AfterLook, AfterProbe};
use super::teller::{Remark, Stopped};
use super::tree::{Found, OpenRoot};
use super::{Identity, Probe};

/// The heart beats after so many names of one folder.
const NAMES_PER_BEAT: usize = 256;
/// How AppleDouble files begin (RFC 1740, appendix A).
const APPLE_DOUBLE: [u8; 4] = [0x00, 0x05, 0x16, 0x07];

impl Scanner {
    /// Looks at all names in a folder, and below: everywhere when `deep`, otherwise only in
    /// folders that were not met before. Keeps its own list of folders to come, so that the
    /// depth of a tree costs memory and no stack.
    pub(super) fn walk(
        &mut self,
        root: &OpenRoot,
        start: &Path,
        place: Place,
        deep: bool,
    ) -> Result<(), Stopped> {
        let mut ahead = vec![(start.to_path_buf(), place)];
        while let Some((folder, place)) = ahead.pop() {
            self.tell.beat()?;
            // Before its names are read: what comes later is announced.
            self.listen(&folder, &place);
            let listing = match root.list(&folder) {
                Ok(Some(listing)) => listing,
                Ok(None) => continue,
                Err(error) => {
                    self.cannot_read(&folder, &error)?;
                    continue;
                }
            };
            let mut failed = None;
            for (n, name) in listing.names.iter().enumerate() {
                if n % NAMES_PER_BEAT == 0 {
                    self.tell.beat()?;
                }
                if is_hidden(name) && self.order.names.of_file(name) == NameSays::LeaveAlone {
                    continue;
                }
                let path = folder.join(name);
                match listing.look(name) {
                    Ok(None) => {}
                    Ok(Some(Found::Folder(place))) => {
                        if let Some(new) = self.meet_folder(&path, place)?
                            && (deep || new)
                        {
                            ahead.push((path, place));
                        }
                    }
                    Ok(Some(found)) => self.meet(root, &path, found)?,
                    Err(error) => failed = Some(error),
                }
            }
            match failed {
                Some(error) => self.cannot_read(&folder, &error)?,
                None => self.tell.trouble_over(&folder_key(&folder))?,
            }
            self.tell_twins(&folder, &listing.names)?;
        }
        Ok(())
    }

    /// Looks at one path.
    pub(super) fn look_at(&mut self, root: &OpenRoot, path: &Path) -> Result<(), Stopped> {
        self.tell.beat()?;
        match root.look(path, self.order.kind == WatchKind::Network) {
            Ok(Some(Found::Folder(place))) => {
                self.missing(path)?;
                if path.as_os_str().is_empty() || self.meet_folder(path, place)?.is_some() {
                    self.walk(root, path, place, false)?;
                }
                Ok(())
            }
            Ok(Some(found)) => self.meet(root, path, found),
            Ok(None) => {
                if self.folders.remove(path).is_some() {
                    self.folders.retain(|folder, _| !folder.starts_with(path));
                }
                for file in self.settling.below(path) {
                    self.missing(&file)?;
                }
                // A folder that is not there cannot be unreadable.
                let key = folder_key(path);
                self.tell.trouble_over(&key)?;
                self.tell.troubles_over(&format!("{key}/"), &HashSet::new())
            }
            Err(error) => {
                self.settling.postpone(path, self.now());
                self.cannot_read(path.parent().unwrap_or(path), &error)
            }
        }
    }

    /// What the sweep has not met is looked at once more by itself. With `forget`, what is not
    /// there is forgotten and nothing is concluded.
    pub(super) fn look_at_unmet(&mut self, root: &OpenRoot, forget: bool) -> Result<(), Stopped> {
        for path in self.settling.unmet() {
            if forget && matches!(root.look(&path, false), Ok(None)) {
                self.settling.forget(&path);
            } else {
                self.look_at(root, &path)?;
            }
        }
        Ok(())
    }

    /// Two names in one folder that many systems take for one.
    pub(super) fn look_for_twins(&mut self, root: &OpenRoot) -> Result<(), Stopped> {
        for folder in std::mem::take(&mut self.new_in) {
            if let Ok(Some(listing)) = root.list(&folder) {
                self.tell_twins(&folder, &listing.names)?;
            }
        }
        Ok(())
    }

    fn tell_twins(&mut self, folder: &Path, names: &[OsString]) -> Result<(), Stopped> {
        let mut first: HashMap<String, &OsStr> = HashMap::new();
        for name in names {
            if self.order.names.of_file(name) == NameSays::LeaveAlone {
                continue;
            }
            let Some(folded) = folded(name) else {
                continue;
            };
            let Some(other) = first.insert(folded, name) else {
                continue;
            };
            let (this, other) = (shown(Path::new(name)), shown(Path::new(other)));
            self.tell
                .remark(Remark::LooksTheSame, &folder.join(name), self.sweep, || {
                    format!(
                        "{other} and {this} lie in one folder and differ only in capitals or in how \
                         an accent is written: many computers take them for one file. Rename one."
                    )
                })?;
        }
        Ok(())
    }

    /// `None`: it is to be left alone. Otherwise whether it is new.
    fn meet_folder(&mut self, path: &Path, place: Place) -> Result<Option<bool>, Stopped> {
        if path.file_name().is_some_and(is_hidden) || self.order.leave.iter().any(|l| l == path) {
            return Ok(None);
        }
        let sweep = self.sweep;
        let key = mount_key(path);
        let before = self.folders.get_mut(path);
        if let Some(before) = before
            && before.place.mount_point
            && !place.mount_point
        {
            // It stays remembered as a mount until it is one again.
            before.sweep = sweep;
            self.lost_mounts.insert(path.to_path_buf());
            let says = format!(
                "a share was mounted at {} (watch \"{}\") and is not any more: is it mounted? \
                 Nothing is taken for removed.",
                shown(&self.order.root.join(path)),
                self.order.name
            );
            self.tell.trouble(&key, says)?;
            return Ok(Some(true));
        }
        if self.lost_mounts.remove(path) {
            self.tell.trouble_over(&key)?;
        }
        let met = MetFolder { place, sweep };
        let before = self.folders.insert(path.to_path_buf(), met);
        Ok(Some(before.is_none_or(|before| before.place != place)))
    }

    /// Something that is no folder.
    fn meet(&mut self, root: &OpenRoot, path: &Path, found: Found) -> Result<(), Stopped> {
        let Some(name) = path.file_name() else {
            return Ok(());
        };
        match found {
            Found::Folder(_) => Ok(()),
            Found::File(identity) => match self.order.names.of_file(name) {
                NameSays::LeaveAlone => Ok(()),
                NameSays::AppleDouble => self.meet_apple_double(root, path, identity),
                NameSays::Audio => self.consider(root, path, identity, true),
                NameSays::Other => self.consider(root, path, identity, false),
            },
            Found::SymbolicLink => self.leave_alone(path, name, Remark::SymbolicLink, || {
                "is a symbolic link: never followed, never moved. If a file is to be weighed, put \
                 the file itself here."
                    .to_owned()
            }),
            Found::Special(what) => self.leave_alone(path, name, Remark::Special, || {
                format!("is {what} and no file: it is left alone.")
            }),
        }
    }

    fn leave_alone(
        &mut self,
        path: &Path,
        name: &OsStr,
        remark: Remark,
        says: impl FnOnce() -> String,
    ) -> Result<(), Stopped> {
        self.missing(path)?;
        if self.order.names.is_left_alone(name) {
            return Ok(());
        }
        self.tell.remark(remark, path, self.sweep, || {
            format!("{} {}", shown(path), says())
        })
    }

    /// `._x.wav` is another system's note beside `x.wav`, unless it only is called so.
    fn meet_apple_double(
        &mut self,
        root: &OpenRoot,
        path: &Path,
        identity: Identity,
    ) -> Result<(), Stopped> {
        let judged = self
            .doubles
            .get(path)
            .filter(|judged| judged.identity == identity)
            .map(|judged| judged.is_one);
        let is_one = judged.unwrap_or_else(|| {
            // All zero: not written yet. An error, or a shorter file: nothing to tell.
            !matches!(root.first_bytes::<4>(path), Ok(start) if start != [0; 4] && start != APPLE_DOUBLE)
        });
        let judged = JudgedDouble {
            identity,
            is_one,
            sweep: self.sweep,
        };
        self.doubles.insert(path.to_path_buf(), judged);
        if is_one {
            return Ok(());
        }
        self.tell
            .remark(Remark::NotAppleDouble, path, self.sweep, || {
                format!(
                    "{} is called like another system's hidden note but is none: it is left alone. \
                     If it is to be weighed, give it a name that does not begin with a dot.",
                    shown(path)
                )
            })
    }

    fn consider(
        &mut self,
        root: &OpenRoot,
        path: &Path,
        identity: Identity,
        audio: bool,
    ) -> Result<(), Stopped> {
        let now = self.now();
        let (known, watch) = (&self.hooks.known, &self.order.name);
        let after = self.settling.look(path, Some(identity), now, |identity| {
            known(watch, path, identity)
        });
        match after {
            AfterLook::Rest => Ok(()),
            AfterLook::New => {
                if let Some(folder) = path.parent() {
                    self.new_in.insert(folder.to_path_buf());
                }
                let why = format!(
                    "waiting until it has been unchanged for {}",
                    spelled(self.order.settle)
                );
                self.tell.arriving(path, identity, why)
            }
            AfterLook::Probe => self.probe(root, path, audio),
            AfterLook::Gone => self.tell.gone(path),
        }
    }

    fn probe(&mut self, root: &OpenRoot, path: &Path, audio: bool) -> Result<(), Stopped> {
        let probe = if audio {
            (self.hooks.probe)(&self.order.root.join(path))
        } else {
            Ok(Probe::Unknown)
        };
        let probe = probe.unwrap_or_else(|error| {
            // Whether it was removed meanwhile, the look below says.
            Probe::Incomplete(format!("it cannot be read: {error}"))
        });
        self.tell.beat()?;
        // Opening it made a network client ask the server again, so this look is the true one.
        let found = match root.look(path, self.order.kind == WatchKind::Network) {
            Ok(Some(Found::File(identity))) => Some(identity),
            Ok(_) if self.may_forget(path) => None,
            Ok(_) | Err(_) => {
                self.settling.postpone(path, self.now());
                return Ok(());
            }
        };
        match self.settling.probed(path, found, probe, self.now()) {
            AfterProbe::Rest => Ok(()),
            AfterProbe::HandOut {
                identity,
                incomplete,
            } => self.tell.arrived(path, identity, audio, incomplete),
            AfterProbe::StillArriving { identity, why } => self.tell.arriving(path, identity, why),
            AfterProbe::Gone => self.tell.gone(path),
        }
    }

    /// No file stands at this path.
    fn missing(&mut self, path: &Path) -> Result<(), Stopped> {
        let now = self.now();
        if !self.may_forget(path) {
            self.settling.postpone(path, now);
            return Ok(());
        }
        match self.settling.look(path, None, now, |_| false) {
            AfterLook::Gone => self.tell.gone(path),
            AfterLook::Rest | AfterLook::New | AfterLook::Probe => Ok(()),
        }
    }

    fn may_forget(&self, path: &Path) -> bool {
        let lost = &self.lost_mounts;
        self.may_conclude && (lost.is_empty() || !path.ancestors().any(|a| lost.contains(a)))
    }

    fn listen(&mut self, folder: &Path, place: &Place) {
        // One failure is enough: at a limit, each further folder would fail too.
        if self.deaf.is_none()
            && let Some(ears) = &mut self.ears
            && let Err(deaf) = ears.listen(&self.order.root, folder, place)
        {
            self.deaf = Some(deaf);
        }
    }

    fn cannot_read(&mut self, folder: &Path, error: &io::Error) -> Result<(), Stopped> {
        let key = folder_key(folder);
        let says = format!(
            "the folder {} cannot be looked into (watch \"{}\"): {error}. What is in it is not \
             weighed; nothing was changed. I look again every {}.",
            shown(&self.order.root.join(folder)),
            self.order.name,
            spelled(self.order.poll)
        );
        self.troubled.insert(key.clone());
        self.tell.trouble(&key, says)
    }
}

fn folder_key(folder: &Path) -> String {
    format!("folder:{}", shown(folder))
}

fn mount_key(folder: &Path) -> String {
    format!("mount:{}", shown(folder))
}
