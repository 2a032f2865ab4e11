//! Which files a command was pointed at: files as given, folders searched.
//!
//! In: paths from the command line, and the rules that the watches use too. Out: files in a
//! steady order, and remarks on what was passed over. Opens no file; follows no symbolic link.

use std::ffi::OsStr;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::record::printable;

use super::text::counted;

/// What a search in folders takes up.
pub struct Rules<'a> {
    /// Whether a name is taken for audio (extension).
    pub is_audio: &'a dyn Fn(&OsStr) -> bool,
    /// Whether a name is left alone (leading dot, `.part`, our own sidecars and notes).
    pub is_ignored: &'a dyn Fn(&OsStr) -> bool,
}

/// What was found.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Found {
    /// In the order of the arguments; within a folder by name. A file that was given by name is
    /// here whatever it is called, and even if it is not there: weighing it tells why.
    pub files: Vec<PathBuf>,
    /// Plain sentences for standard error.
    pub remarks: Vec<String>,
    /// Folders that could not be read: what is in them is unknown, so nothing is clear.
    pub unreadable_folders: u64,
}

/// All files below the arguments.
pub fn files(paths: &[PathBuf], rules: &Rules) -> Found {
    let mut found = Found::default();
    for path in paths {
        if !path.is_dir() {
            found.files.push(path.clone());
            continue;
        }
        let before = found.files.len();
        let mut links = 0;
        walk(path, rules, &mut found, &mut links);
        if links > 0 {
            found.remarks.push(format!(
                "{}: {} not followed",
                printable(path.as_os_str()),
                counted(links, "symbolic link was", "symbolic links were")
            ));
        }
        if found.files.len() == before {
            found.remarks.push(format!(
                "{}: no audio files in this folder or below",
                printable(path.as_os_str())
            ));
        }
    }
    found
}

/// Depth first, files of a folder before its sub-folders. Its own stack, since the depth is the
/// visitor's choice and not ours.
fn walk(root: &Path, rules: &Rules, found: &mut Found, links: &mut u64) {
    let mut folders = vec![root.to_owned()];
    while let Some(folder) = folders.pop() {
        match look_into(&folder, rules, links) {
            Ok((mut files, mut below)) => {
                files.sort();
                found.files.append(&mut files);
                below.sort();
                folders.extend(below.into_iter().rev());
            }
            Err(error) => {
                found.unreadable_folders += 1;
                found.remarks.push(format!(
                    "{}: this folder could not be read ({error})",
                    printable(folder.as_os_str())
                ));
            }
        }
    }
}

fn look_into(
    folder: &Path,
    rules: &Rules,
    links: &mut u64,
) -> io::Result<(Vec<PathBuf>, Vec<PathBuf>)> {
    let (mut files, mut below) = (Vec::new(), Vec::new());
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name();
        if (rules.is_ignored)(&name) {
            continue;
        }
        let kind = entry.file_type()?;
        if kind.is_symlink() {
            *links += 1;
        } else if kind.is_dir() {
            below.push(entry.path());
        } else if kind.is_file() && (rules.is_audio)(&name) {
            files.push(entry.path());
        }
    }
    Ok((files, below))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rules() -> Rules<'static> {
        Rules {
            is_audio: &|name| Path::new(name).extension() == Some(OsStr::new("wav")),
            is_ignored: &|name| name.as_encoded_bytes().starts_with(b"."),
        }
    }

    fn folder_of(names: &[&str]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        for name in names {
            let path = folder.path().join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, b"").unwrap();
        }
        folder
    }

    #[test]
    fn a_folder_is_searched_to_its_bottom_and_only_audio_is_taken() {
        let folder = folder_of(&[
            "b.wav",
            "a.wav",
            "a.txt",
            "._a.wav",
            "disc 2/c.wav",
            "disc 1/x/d.wav",
            ".trash/e.wav",
        ]);
        let found = files(&[folder.path().to_owned()], &rules());
        let below: Vec<&Path> = found
            .files
            .iter()
            .map(|file| file.strip_prefix(folder.path()).unwrap())
            .collect();
        assert_eq!(
            below,
            ["a.wav", "b.wav", "disc 1/x/d.wav", "disc 2/c.wav"].map(Path::new)
        );
        assert_eq!(found.remarks, Vec::<String>::new());
    }

    #[test]
    fn a_file_that_was_named_is_taken_whatever_it_is_called() {
        let folder = folder_of(&["a.txt"]);
        let given = [
            folder.path().join("a.txt"),
            folder.path().join("nowhere.wav"),
        ];
        assert_eq!(files(&given, &rules()).files, given);
    }

    #[test]
    fn a_folder_without_audio_and_a_symbolic_link_are_told() {
        let folder = folder_of(&["a.txt"]);
        std::os::unix::fs::symlink("/nowhere", folder.path().join("link.wav")).unwrap();
        let found = files(&[folder.path().to_owned()], &rules());
        let root = folder.path().display();
        assert_eq!(
            found.remarks,
            [
                format!("{root}: 1 symbolic link was not followed"),
                format!("{root}: no audio files in this folder or below")
            ]
        );
    }
}
