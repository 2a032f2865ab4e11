//! All profiles: the built-in ones and the operator's, each resolved through what it extends.
//!
//! In: the checks that exist, and the operator's folder. Out: a [`ProfileSet`]. A profile's
//! limits are those of its parent, replaced check by check: a limit with a rule of its own
//! replaces the parent's whole (source included), one without a rule changes only what it
//! says, `off = true` takes it away.
//!
//! A name means one thing in every house: a built-in's name cannot be taken by another file.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};

use toml::Spanned;

use super::built_in::BUILT_IN;
use super::check;
use super::digest::digest;
use super::known::KnownCheck;
use super::model::{Limit, Profile};
use super::raw::{KEYS, RawProfile};
use super::yardstick;
use crate::config::mistake::{Mistake, Text, closest, did_you_mean};
use crate::layout::{self, Label};

/// Why there are no profiles. `Display` is the whole message.
#[derive(Debug, thiserror::Error)]
pub enum ProfileError {
    #[error("the profiles' folder or file {} cannot be read ({source}): may this user read it?", path.display())]
    Unreadable {
        path: PathBuf,
        #[source]
        source: io::Error,
    },
    #[error(transparent)]
    Wrong(Box<Mistake>),
}

impl From<Mistake> for ProfileError {
    fn from(mistake: Mistake) -> Self {
        Self::Wrong(Box::new(mistake))
    }
}

/// The profiles that exist, by name.
#[derive(Clone, Debug, Default)]
pub struct ProfileSet(BTreeMap<String, Profile>);

impl ProfileSet {
    pub fn get(&self, name: &str) -> Option<&Profile> {
        self.0.get(name)
    }

    pub fn names(&self) -> Vec<String> {
        self.0.keys().cloned().collect()
    }

    /// In the order of their names.
    pub fn iter(&self) -> impl Iterator<Item = &Profile> {
        self.0.values()
    }
}

/// The built-in profiles, and those in `folder`: its files `NAME.toml`. A folder that is not
/// there holds none.
pub fn load(known: &[KnownCheck], folder: Option<&Path>) -> Result<ProfileSet, ProfileError> {
    load_from(known, BUILT_IN, folder)
}

/// [`load`] with other built-in profiles (name and text of each).
pub(super) fn load_from(
    known: &[KnownCheck],
    built_in: &[(&str, &str)],
    folder: Option<&Path>,
) -> Result<ProfileSet, ProfileError> {
    Ok(resolve_all(known, &read_all(built_in, folder)?)?)
}

/// The profiles of [`load`], and that in `file` with those that it extends and that lie beside
/// it. Gives its name, too; it goes before one of the same name in `folder`.
pub fn load_with_file(
    known: &[KnownCheck],
    folder: Option<&Path>,
    file: &Path,
) -> Result<(ProfileSet, String), ProfileError> {
    let mut written = read_all(BUILT_IN, folder)?;
    let mut wanted = file.to_owned();
    let mut name = None;
    loop {
        let text = read(&wanted)?;
        // A copy of a built-in profile, letter for letter, means the same.
        if BUILT_IN.contains(&(stem_of(&wanted), &text)) {
            name.get_or_insert_with(|| stem_of(&wanted).to_owned());
            break;
        }
        let one = Written::read(wanted, text, false)?;
        written.retain(|other| other.built_in || other.name != one.name);
        let parent = (one.raw.extends.as_ref()).map(|parent| parent.get_ref().clone());
        name.get_or_insert_with(|| one.name.clone());
        written.push(one);
        let beside = parent
            .filter(|parent| !written.iter().any(|other| other.name == *parent))
            .filter(|parent| is_plain(parent))
            .map(|parent| file.with_file_name(format!("{parent}.toml")))
            .filter(|path| path.is_file());
        match beside {
            Some(path) => wanted = path,
            None => break,
        }
    }
    Ok((resolve_all(known, &written)?, name.unwrap_or_default()))
}

fn read(path: &Path) -> Result<String, ProfileError> {
    std::fs::read_to_string(path).map_err(|source| ProfileError::Unreadable {
        path: path.to_owned(),
        source,
    })
}

/// The built-in profiles and those in `folder`, as they are written.
fn read_all(
    built_in: &[(&str, &str)],
    folder: Option<&Path>,
) -> Result<Vec<Written>, ProfileError> {
    let mut written = Vec::new();
    for (name, text) in built_in {
        let path = PathBuf::from(format!("config/profiles/{name}.toml"));
        written.push(Written::read(path, (*text).to_owned(), true)?);
    }
    if let Some(folder) = folder {
        for path in files(folder)? {
            let text = read(&path)?;
            // A copy of a built-in profile, letter for letter, means the same.
            if !built_in.contains(&(stem_of(&path), &text)) {
                written.push(Written::read(path, text, false)?);
            }
        }
    }
    Ok(written)
}

/// The file's name without its extension; empty where that is no text.
fn stem_of(path: &Path) -> &str {
    let stem = path.file_stem().and_then(|stem| stem.to_str());
    stem.unwrap_or_default()
}

/// The profiles' files of a folder, in the order of their names.
fn files(folder: &Path) -> Result<Vec<PathBuf>, ProfileError> {
    let unreadable = |source| ProfileError::Unreadable {
        path: folder.to_owned(),
        source,
    };
    let entries = match std::fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(unreadable(error)),
    };
    let mut files = Vec::new();
    for entry in entries {
        let path = entry.map_err(unreadable)?.path();
        let hidden = path
            .file_name()
            .is_some_and(|name| name.as_encoded_bytes().starts_with(b"."));
        if !hidden && path.extension().is_some_and(|end| end == "toml") && path.is_file() {
            files.push(path);
        }
    }
    files.sort();
    Ok(files)
}

/// One profile as it is written.
struct Written {
    path: PathBuf,
    text: String,
    built_in: bool,
    raw: RawProfile,
    name: String,
}

impl Written {
    fn read(path: PathBuf, text: String, built_in: bool) -> Result<Self, Mistake> {
        let source = Text {
            path: &path,
            text: &text,
        };
        let raw: RawProfile =
            toml::from_str(&text).map_err(|error| in_quotes(source.not_toml(&error, KEYS)))?;
        let name = name(&source, &raw)?;
        Ok(Self {
            path,
            text,
            built_in,
            raw,
            name,
        })
    }

    fn source(&self) -> Text<'_> {
        Text {
            path: &self.path,
            text: &self.text,
        }
    }
}

/// `[limits.peaks.true_peak]` is two tables in TOML: the usual slip gets its own advice.
fn in_quotes(mut mistake: Mistake) -> Mistake {
    let line = mistake.spot.as_ref().map_or("", |spot| spot.text.trim());
    let id = line
        .strip_prefix("[limits.")
        .and_then(|rest| rest.strip_suffix(']'))
        .filter(|id| id.contains('.') && !id.contains(['"', '\'']));
    if let Some(id) = id {
        mistake.right = format!("the check in quotes: [limits.\"{id}\"]");
    }
    mistake
}

fn name(text: &Text, raw: &RawProfile) -> Result<String, Mistake> {
    let stem = text.path.file_stem().unwrap_or_default().to_string_lossy();
    let Some(said) = &raw.name else {
        return Err(text.missing("this profile has no name", format!("name = \"{stem}\"")));
    };
    let name = said.get_ref();
    if !is_plain(name) {
        return Err(text.mistake(
            said.span(),
            format!("\"{name}\" is no name for a profile"),
            "letters, digits, - and _, as in \"house-stereo\"",
        ));
    }
    if *name != stem {
        return Err(text.mistake(
            said.span(),
            format!("the profile \"{name}\" stands in a file that is called \"{stem}\""),
            format!("name = \"{stem}\", or the file renamed to {name}.toml"),
        ));
    }
    Ok(name.clone())
}

/// Whether a text can be a profile's name.
pub fn is_plain(name: &str) -> bool {
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    !name.is_empty() && name.chars().all(plain)
}

fn resolve_all(known: &[KnownCheck], written: &[Written]) -> Result<ProfileSet, Mistake> {
    let mut by_name: BTreeMap<&str, &Written> = BTreeMap::new();
    for one in written {
        let taken = by_name.insert(&one.name, one);
        if taken.is_some_and(|other| other.built_in) {
            let at = one.raw.name.as_ref().map_or(0..0, Spanned::span);
            return Err(one.source().mistake(
                at,
                format!(
                    "\"{}\" is a built-in profile: its name must mean the same everywhere",
                    one.name
                ),
                format!(
                    "a name of its own, as in \"house-{}\", with extends = \"{}\"",
                    one.name, one.name
                ),
            ));
        }
    }
    let mut done = BTreeMap::new();
    for one in written {
        resolve(known, &by_name, one, &mut Vec::new(), &mut done)?;
    }
    Ok(ProfileSet(done))
}

/// Resolves one profile after what it extends. `under_way` holds the names on the way here.
fn resolve<'a>(
    known: &[KnownCheck],
    by_name: &BTreeMap<&str, &'a Written>,
    one: &'a Written,
    under_way: &mut Vec<&'a str>,
    done: &mut BTreeMap<String, Profile>,
) -> Result<(), Mistake> {
    if done.contains_key(&one.name) {
        return Ok(());
    }
    let text = one.source();
    under_way.push(&one.name);
    let mut parent = None;
    if let Some(said) = &one.raw.extends {
        let wanted = said.get_ref().as_str();
        if under_way.contains(&wanted) {
            let chain = format!("{} -> {wanted}", under_way.join(" -> "));
            return Err(text.mistake(
                said.span(),
                format!("the profiles extend one another in a circle: {chain}"),
                "one profile at the bottom that extends none of the others",
            ));
        }
        let Some(other) = by_name.get(wanted) else {
            let names: Vec<&str> = by_name.keys().copied().filter(|n| *n != one.name).collect();
            return Err(text.mistake(
                said.span(),
                format!("there is no profile \"{wanted}\" to extend"),
                did_you_mean(wanted, &names),
            ));
        };
        resolve(known, by_name, other, under_way, done)?;
        parent = done.get(wanted).cloned();
    }
    under_way.pop();
    let profile = with_parent(known, &text, one, parent.as_ref())?;
    done.insert(one.name.clone(), profile);
    Ok(())
}

fn with_parent(
    known: &[KnownCheck],
    text: &Text,
    one: &Written,
    parent: Option<&Profile>,
) -> Result<Profile, Mistake> {
    let Some(title) = &one.raw.title else {
        return Err(text.missing(
            format!("the profile \"{}\" has no title", one.name),
            "title = \"Stereo master, house rules\"",
        ));
    };
    let mut limits = parent.map_or_else(BTreeMap::new, |parent| parent.limits.clone());
    // In the order of the text, so that the first mistake in it is the first one told.
    let mut said: Vec<_> = one.raw.limits.iter().collect();
    said.sort_by_key(|(id, _)| id.span().start);
    for (id, raw) in said {
        let (plain, render) = match id.get_ref().split_once('@') {
            Some((plain, render)) => (plain, Some(render)),
            None => (id.get_ref().as_str(), None),
        };
        let Some(check) = known.iter().find(|check| check.id == plain) else {
            return Err(unknown_check(known, text, id));
        };
        let render = match render {
            Some(render) => Some(check::render_named(text, &id.span(), render, check)?),
            None => None,
        };
        let key = match &render {
            Some(render) => format!("{plain}@{render}"),
            None => plain.to_owned(),
        };
        let parent = limits.get(&key);
        match check::limit(text, id.span(), raw.get_ref(), check, parent, render)? {
            Some(limit) => limits.insert(key, limit),
            None => limits.remove(&key),
        };
    }
    let renders = match &one.raw.renders {
        Some(said) => Some(check::renders(text, said)?),
        None => parent.and_then(|parent| parent.renders.clone()),
    };
    let channels = match &one.raw.channels {
        Some(said) => Some(channels(text, said)?),
        None => parent.and_then(|parent| parent.channels.clone()),
    };
    let mut yardsticks = parent.map_or_else(BTreeMap::new, |parent| parent.yardsticks.clone());
    for (figure, raw) in &one.raw.yardstick {
        let checked = yardstick::checked(text, figure, raw)?;
        yardsticks.insert(figure.get_ref().clone(), checked);
    }
    let mut extends = Vec::new();
    if let Some(parent) = parent {
        extends.push(parent.name.clone());
        extends.extend(parent.extends.iter().cloned());
    }
    Ok(Profile {
        name: one.name.clone(),
        title: title.get_ref().trim().to_owned(),
        about: one.raw.about.as_deref().unwrap_or("").trim().to_owned(),
        extends,
        origin: if one.built_in {
            "built in".to_owned()
        } else {
            one.path.display().to_string()
        },
        digest: digest(limits.iter(), channels.as_deref(), renders.as_deref()),
        limits: limits as BTreeMap<String, Limit>,
        channels,
        renders,
        yardsticks,
    })
}

fn channels(text: &Text, said: &Spanned<String>) -> Result<Vec<Label>, Mistake> {
    layout::parse_channels(said.get_ref()).map_err(|error| {
        text.mistake(
            said.span(),
            error.to_string(),
            "a layout such as \"7.1.4\" or \"4+7+0\", or labels in channel order: \"M+030,M-030,M+000,LFE1\"",
        )
    })
}

fn unknown_check(known: &[KnownCheck], text: &Text, id: &Spanned<String>) -> Mistake {
    let right = match closest(id.get_ref(), known.iter().map(|check| check.id)) {
        Some(near) => format!("did you mean \"{near}\"?"),
        None => "a check of the catalogue, see `weighbridge checks`".to_owned(),
    };
    text.mistake(
        id.span(),
        format!("there is no check \"{}\"", id.get_ref()),
        right,
    )
}
