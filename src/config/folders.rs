//! How the folders of all watches lie to one another: no file may be taken up twice, and none
//! that was put away may come in again.
//!
//! In: the folders with their places in the text. Out: nothing, or the first [`Mistake`].
//! Compares component by component after normalising as text; asks no disk, so two names of
//! one folder (symbolic links, bind mounts) are not seen here.

use std::ops::Range;
use std::path::{Component, Path, PathBuf};

use toml::Spanned;

use super::mistake::{Mistake, Text};

/// A folder and where it is written.
#[derive(Clone)]
pub struct Written {
    pub path: PathBuf,
    pub at: Range<usize>,
}

/// One watch's folders.
pub struct Folders {
    pub watch: String,
    pub folder: Written,
    pub quarantine: Option<Written>,
    pub release: Option<Written>,
    pub record: Option<Written>,
}

/// An absolute path, `.` and `..` resolved as text.
pub fn absolute(text: &Text, value: &Spanned<String>, key: &str) -> Result<Written, Mistake> {
    let said = value.get_ref();
    let path = Path::new(said);
    if !path.is_absolute() || said.contains('\0') {
        return Err(text.mistake(
            value.span(),
            format!("the {key} \"{said}\" is not absolute: it would depend on where I was started"),
            format!("a path from the root, as in \"/srv/audio/{key}\""),
        ));
    }
    let mut normal = PathBuf::new();
    for part in path.components() {
        match part {
            Component::ParentDir => {
                normal.pop();
            }
            Component::CurDir => {}
            other => normal.push(other),
        }
    }
    Ok(Written {
        path: normal,
        at: value.span(),
    })
}

/// Refuses what would make a loop.
pub fn check(text: &Text, state: &Written, all: &[Folders]) -> Result<(), Mistake> {
    for (n, one) in all.iter().enumerate() {
        for other in &all[..n] {
            watches_apart(text, one, other)?;
        }
    }
    for one in all {
        destinations_outside(text, one, all)?;
    }
    for one in all {
        for other in all {
            dispatch_apart(text, one, other)?;
        }
    }
    for watch in all {
        if state.path.starts_with(&watch.folder.path) {
            return Err(text.mistake(
                state.at.clone(),
                format!(
                    "the state folder lies in the folder of the watch \"{}\" ({}): the ledger is no delivery",
                    watch.watch,
                    watch.folder.path.display()
                ),
                "a folder outside every watch, as in \"/var/lib/weighbridge\"",
            ));
        }
    }
    Ok(())
}

fn watches_apart(text: &Text, one: &Folders, other: &Folders) -> Result<(), Mistake> {
    let (a, b) = (&one.folder, &other.folder);
    let how = if a.path == b.path {
        "the same as"
    } else if a.path.starts_with(&b.path) {
        "inside"
    } else if b.path.starts_with(&a.path) {
        "around"
    } else {
        return Ok(());
    };
    Err(text.mistake(
        a.at.clone(),
        format!(
            "the folder of the watch \"{}\" is {how} that of \"{}\" on line {} ({}): a file in both would be weighed twice",
            one.watch,
            other.watch,
            text.line_of(b.at.start),
            b.path.display()
        ),
        "folders of which none lies in another; routes give sub-folders their own profile",
    ))
}

/// Quarantine, release and record lie outside all watches; no watch lies in the first two.
fn destinations_outside(text: &Text, one: &Folders, all: &[Folders]) -> Result<(), Mistake> {
    let places = [
        ("quarantine", &one.quarantine, true),
        ("release", &one.release, true),
        ("record", &one.record, false),
    ];
    for (key, place, takes_files) in places {
        let Some(place) = place else { continue };
        for watch in all {
            let folder = &watch.folder;
            let how = if place.path == folder.path {
                "is"
            } else if place.path.starts_with(&folder.path) {
                "lies in"
            } else if takes_files && folder.path.starts_with(&place.path) {
                "lies around"
            } else {
                continue;
            };
            return Err(text.mistake(
                place.at.clone(),
                format!(
                    "the {key} folder of the watch \"{}\" {how} the folder of the watch \"{}\" on line {} ({}): what is put there would be taken up again, without end",
                    one.watch,
                    watch.watch,
                    text.line_of(folder.at.start),
                    folder.path.display()
                ),
                format!("a {key} folder outside every watch"),
            ));
        }
    }
    Ok(())
}

/// No release folder in a quarantine, no quarantine in a release folder.
fn dispatch_apart(text: &Text, one: &Folders, other: &Folders) -> Result<(), Mistake> {
    let (Some(release), Some(quarantine)) = (&one.release, &other.quarantine) else {
        return Ok(());
    };
    let (inner, outer, how) = if release.path == quarantine.path {
        (release, quarantine, "release and quarantine are one folder")
    } else if release.path.starts_with(&quarantine.path) {
        (
            release,
            quarantine,
            "the release folder lies in a quarantine",
        )
    } else if quarantine.path.starts_with(&release.path) {
        (
            quarantine,
            release,
            "the quarantine lies in a release folder",
        )
    } else {
        return Ok(());
    };
    Err(text.mistake(
        inner.at.clone(),
        format!(
            "{how} (line {}, {}): stopped files must not lie where cleared ones are fetched",
            text.line_of(outer.at.start),
            outer.path.display()
        ),
        "two folders of which none lies in the other",
    ))
}
