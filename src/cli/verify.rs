//! Are the bytes still those that were weighed: every file beside its sidecar, digests compared.
//!
//! In: a folder, and what reading each file again gave. Out: one line a file and an exit status. Changes nothing; judges nothing anew.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::fs;
use std::io;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

use crate::record::{Sidecar, one_line, printable};
use crate::specimen::Digests;

use super::exit::Exit;
use super::find::{Takes, is_hidden};
use super::text::{self, Accent, Paint};

/// What every sidecar's name ends with.
pub const SIDECAR_SUFFIX: &str = ".sidecar.json";

/// A sidecar larger than this is none of ours: own choice, a hundred times the usual.
const LARGEST_SIDECAR_BYTES: u64 = 64 << 20;

/// One thing to verify.
#[derive(Debug)]
pub enum Item {
    /// A file, and the sidecar that speaks of it.
    Pair {
        file: PathBuf,
        sidecar: Box<Sidecar>,
    },
    /// A sidecar whose file is not beside it.
    Missing { name: String, sidecar: PathBuf },
    /// An audio file that no sidecar speaks of.
    NoSidecar { file: PathBuf },
    /// A sidecar or a folder that could not be read.
    Unreadable { path: PathBuf, why: String },
}

/// What came out for one file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    Same,
    /// What differs: `size`, `BLAKE3`, ...
    Different(Vec<&'static str>),
    Missing,
    NoSidecar,
    Unreadable(String),
}

/// All files and sidecars below `dir`, folder by folder, in order of their names. Symbolic links
/// are not followed.
pub fn items(dir: &Path, takes: Takes) -> Vec<Item> {
    let mut out = Vec::new();
    let mut folders = vec![dir.to_owned()];
    while let Some(folder) = folders.pop() {
        let mut below = match items_of(&folder, takes, &mut out) {
            Ok(below) => below,
            Err(error) => {
                let why = error.to_string();
                out.push(Item::Unreadable { path: folder, why });
                continue;
            }
        };
        below.sort();
        folders.extend(below.into_iter().rev());
    }
    out
}

/// Adds what lies in `folder` and returns its sub-folders.
fn items_of(folder: &Path, takes: Takes, out: &mut Vec<Item>) -> io::Result<Vec<PathBuf>> {
    let (mut files, mut sidecars, mut below) = (BTreeMap::new(), Vec::new(), Vec::new());
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let (name, kind) = (entry.file_name(), entry.file_type()?);
        if kind.is_dir() && !is_hidden(&name) {
            below.push(entry.path());
        } else if kind.is_file() && name.as_bytes().ends_with(SIDECAR_SUFFIX.as_bytes()) {
            sidecars.push(entry.path());
        } else if kind.is_file() {
            files.insert(printable(&name), name);
        }
    }
    sidecars.sort();
    for path in sidecars {
        match read_sidecar(&path) {
            Ok(sidecar) => out.push(match files.remove(&sidecar.file.name) {
                Some(name) => Item::Pair {
                    file: folder.join(name),
                    sidecar: Box::new(sidecar),
                },
                None => Item::Missing {
                    name: sidecar.file.name.clone(),
                    sidecar: path,
                },
            }),
            Err(why) => out.push(Item::Unreadable { path, why }),
        }
    }
    out.extend(
        files
            .into_values()
            .filter(|name| takes(name))
            .map(|name| Item::NoSidecar {
                file: folder.join(name),
            }),
    );
    Ok(below)
}

fn read_sidecar(path: &Path) -> Result<Sidecar, String> {
    let length = fs::metadata(path).map_err(|error| error.to_string())?.len();
    if length > LARGEST_SIDECAR_BYTES {
        return Err(format!(
            "{} bytes are too many for a sidecar",
            text::grouped(length)
        ));
    }
    let json = fs::read_to_string(path).map_err(|error| error.to_string())?;
    Sidecar::parse(&json).map_err(|error| error.to_string())
}

/// What differs between the record and the file as it is: size, and every digest that both have.
pub fn compare(sidecar: &Sidecar, bytes: u64, now: &Digests) -> Outcome {
    let then = &sidecar.file.digests;
    let differ = |a: Option<&str>, b: Option<&str>| {
        a.zip(b).is_some_and(|(a, b)| !a.eq_ignore_ascii_case(b))
    };
    let mut different = Vec::new();
    if sidecar.file.bytes != Some(bytes) {
        different.push("size");
    }
    for (name, then, now) in [
        (
            "BLAKE3",
            Some(then.blake3.as_str()),
            Some(now.blake3.as_str()),
        ),
        ("SHA-256", then.sha256.as_deref(), now.sha256.as_deref()),
        ("MD5", then.md5.as_deref(), now.md5.as_deref()),
    ] {
        if differ(then, now) {
            different.push(name);
        }
    }
    if different.is_empty() {
        Outcome::Same
    } else {
        Outcome::Different(different)
    }
}

impl Outcome {
    fn word(&self) -> &'static str {
        match self {
            Self::Same => "same",
            Self::Different(_) => "different",
            Self::Missing => "missing",
            Self::NoSidecar => "no sidecar",
            Self::Unreadable(_) => "unreadable",
        }
    }

    pub fn exit(&self) -> Exit {
        match self {
            Self::Same | Self::NoSidecar => Exit::Fine,
            Self::Different(_) | Self::Missing => Exit::Stopped,
            Self::Unreadable(_) => Exit::Unread,
        }
    }
}

/// One line: the word, the name, what is to say about it.
pub fn line(name: &str, outcome: &Outcome, paint: Paint) -> String {
    let accent = match outcome {
        Outcome::Same | Outcome::NoSidecar => Accent::None,
        Outcome::Different(_) | Outcome::Missing | Outcome::Unreadable(_) => Accent::Vermilion,
    };
    let word = text::left(outcome.word(), "unreadable".len());
    let mut out = format!("{}  {}", paint.accent(accent, &word), one_line(name));
    let _ = match outcome {
        Outcome::Different(what) => write!(out, " ({})", what.join(", ")),
        Outcome::Missing => write!(out, " (its sidecar is here, the file is not)"),
        Outcome::Unreadable(why) => write!(out, " ({})", one_line(why)),
        Outcome::Same | Outcome::NoSidecar => Ok(()),
    };
    out
}

/// The closing line: how many of each.
pub fn total(outcomes: &[Outcome]) -> String {
    let order = ["same", "different", "missing", "unreadable", "no sidecar"];
    let counts: Vec<String> = order
        .iter()
        .map(|word| (word, outcomes.iter().filter(|o| o.word() == *word).count()))
        .filter(|(_, count)| *count > 0)
        .map(|(word, count)| format!("{count} {word}"))
        .collect();
    format!(
        "{}: {}",
        text::counted(outcomes.len() as u64, "file", "files"),
        counts.join(", ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::invented;
    use crate::specimen::digest_file;

    fn takes(name: &std::ffi::OsStr) -> bool {
        std::path::Path::new(name)
            .extension()
            .is_some_and(|extension| extension == "wav")
    }

    /// A folder with a file and the sidecar that was written for `content`.
    fn folder(name: &str, content: &[u8]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join(name);
        fs::write(&file, content).unwrap();
        let (identity, digests) = digest_file(&file, false).unwrap();
        let mut sidecar = invented::stopped(name);
        sidecar.file.bytes = Some(identity.bytes);
        sidecar.file.digests = digests;
        fs::write(
            folder.path().join(format!("{name}{SIDECAR_SUFFIX}")),
            sidecar.to_pretty(),
        )
        .unwrap();
        folder
    }

    fn outcomes(folder: &Path) -> Vec<Outcome> {
        items(folder, &takes)
            .iter()
            .map(|item| match item {
                Item::Pair { file, sidecar } => {
                    let (identity, digests) = digest_file(file, false).unwrap();
                    compare(sidecar, identity.bytes, &digests)
                }
                Item::Missing { .. } => Outcome::Missing,
                Item::NoSidecar { .. } => Outcome::NoSidecar,
                Item::Unreadable { why, .. } => Outcome::Unreadable(why.clone()),
            })
            .collect()
    }

    #[test]
    fn an_untouched_file_is_the_same() {
        let folder = folder("a.wav", b"music");
        assert_eq!(outcomes(folder.path()), [Outcome::Same]);
    }

    #[test]
    fn one_changed_bit_is_a_difference_though_the_length_is_the_same() {
        let folder = folder("a.wav", b"music");
        fs::write(folder.path().join("a.wav"), b"musib").unwrap();
        assert_eq!(
            outcomes(folder.path()),
            [Outcome::Different(vec!["BLAKE3", "SHA-256"])]
        );
    }

    #[test]
    fn a_file_that_grew_differs_in_size_too() {
        let folder = folder("a.wav", b"music");
        fs::write(folder.path().join("a.wav"), b"music!").unwrap();
        assert_eq!(
            outcomes(folder.path()),
            [Outcome::Different(vec!["size", "BLAKE3", "SHA-256"])]
        );
    }

    #[test]
    fn missing_files_unknown_files_and_broken_sidecars_are_each_told() {
        let folder = folder("a.wav", b"music");
        fs::rename(folder.path().join("a.wav"), folder.path().join("b.wav")).unwrap();
        fs::create_dir(folder.path().join("below")).unwrap();
        fs::write(folder.path().join("below/c.wav.sidecar.json"), "{").unwrap();
        fs::write(folder.path().join("notes.txt"), "no audio").unwrap();
        let all = outcomes(folder.path());
        assert!(
            matches!(
                &all[..],
                [Outcome::Missing, Outcome::NoSidecar, Outcome::Unreadable(_)]
            ),
            "{all:?}"
        );
        let exits: Vec<Exit> = all.iter().map(Outcome::exit).collect();
        assert_eq!(exits, [Exit::Stopped, Exit::Fine, Exit::Unread]);
    }

    #[test]
    fn a_sidecar_of_whatever_name_is_matched_by_the_name_inside() {
        let folder = folder("a.wav", b"music");
        fs::rename(
            folder.path().join("a.wav.sidecar.json"),
            folder.path().join("a-4f3c.sidecar.json"),
        )
        .unwrap();
        assert_eq!(outcomes(folder.path()), [Outcome::Same]);
    }

    #[test]
    fn the_list_says_what_differs_and_the_last_line_counts() {
        let outcomes = [
            Outcome::Same,
            Outcome::Different(vec!["size", "BLAKE3"]),
            Outcome::NoSidecar,
            Outcome::Same,
        ];
        assert_eq!(
            line("a.wav", &outcomes[0], Paint::Plain),
            "same        a.wav"
        );
        assert_eq!(
            line("b.wav", &outcomes[1], Paint::Plain),
            "different   b.wav (size, BLAKE3)"
        );
        assert_eq!(
            total(&outcomes),
            "4 files: 2 same, 1 different, 1 no sidecar"
        );
    }
}
