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

/// Whether a search in folders takes up a file of this name: taken for audio, and not left
/// alone.
pub type Takes<'a> = &'a dyn Fn(&OsStr) -> bool;

/// Folders with a leading dot are left alone, as by the watches.
pub fn is_hidden(folder: &OsStr) -> bool {
    folder.as_encoded_bytes().starts_with(b".")
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
pub fn files(paths: &[PathBuf], takes: Takes) -> Found {
    let mut found = Found::default();
    for path in paths {
        if !path.is_dir() {
            found.files.push(path.clone());
            continue;
        }
        let before = found.files.len();
        let mut links = 0;
        walk(path, takes, &mut found, &mut links);
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
fn walk(root: &Path, takes: Takes, found: &mut Found, links: &mut u64) {
    let mut folders = vec![root.to_owned()];
    while let Some(folder) = folders.pop() {
        match look_into(&folder, takes, links) {
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
    takes: Takes,
    links: &mut u64,
) -> io::Result<(Vec<PathBuf>, Vec<PathBuf>)> {
    let (mut files, mut below) = (Vec::new(), Vec::new());
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name();
        let kind = entry.file_type()?;
        if kind.is_symlink() {
            *links += 1;
        } else if kind.is_dir() && !is_hidden(&name) {
            below.push(entry.path());
        } else if kind.is_file() && takes(&name) {
            files.push(entry.path());
        }
    }
    Ok((files, below))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn takes(name: &OsStr) -> bool {
        Path::new(name).extension() == Some(OsStr::new("wav")) && !is_hidden(name)
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
        let found = files(&[folder.path().to_owned()], &takes);
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
        assert_eq!(files(&given, &takes).files, given);
    }

    #[test]
    fn a_folder_without_audio_and_a_symbolic_link_are_told() {
        let folder = folder_of(&["a.txt"]);
        std::os::unix::fs::symlink("/nowhere", folder.path().join("link.wav")).unwrap();
        let found = files(&[folder.path().to_owned()], &takes);
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
