//! Who could read a file can read its papers, and enter the folders that were made for it.

use std::fs;
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};

use super::*;

/// Modes that no usual umask (022, 002, 027) gives all of.
const MODES: [u32; 4] = [0o664, 0o640, 0o600, 0o444];

fn set_mode(path: impl AsRef<Path>, mode: u32) {
    fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
}

fn mode(path: impl AsRef<Path>) -> u32 {
    fs::symlink_metadata(path).unwrap().mode() & 0o7777
}

fn owner(path: impl AsRef<Path>) -> (u32, u32) {
    let found = fs::symlink_metadata(path).unwrap();
    (found.uid(), found.gid())
}

fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}

#[test]
fn whoever_may_read_a_file_may_read_its_sidecar_and_its_note() {
    for mode_of_file in MODES {
        let studio = Studio::new();
        let path = studio.outbound().place("x.wav").absolute();
        fs::write(&path, &studio.bytes).unwrap();
        // Nobody may give files away but root; there the owner is another.
        let owner_of_file = if is_root() {
            chown(&path, Some(4321), Some(1234)).unwrap();
            (4321, 1234)
        } else {
            owner(&path)
        };
        set_mode(&path, mode_of_file);
        let weighed = studio.weigh(studio.outbound().place("x.wav"));
        let done = studio
            .carry(&weighed, &studio.stop(), &mut Conduct::plain())
            .unwrap();
        let note = studio.outbound().place("x.wav.stopped.txt").absolute();
        for paper in [done.sidecar.absolute(), note] {
            // We ourselves must know our papers again, so that we may always read and write.
            assert_eq!(mode(&paper), mode_of_file | 0o600, "{}", paper.display());
            assert_eq!(owner(&paper), owner_of_file, "{}", paper.display());
        }
        assert_eq!(mode(done.place.absolute()), mode_of_file);
    }
}

#[test]
fn a_paper_is_no_programme_though_its_file_may_be_executed() {
    let studio = Studio::new();
    let path = studio.outbound().place("x.wav").absolute();
    fs::write(&path, &studio.bytes).unwrap();
    // File servers keep a client's "archive" mark in the executable bit.
    set_mode(&path, 0o764);
    let weighed = studio.weigh(studio.outbound().place("x.wav"));
    let done = studio
        .carry(&weighed, &studio.release(), &mut Conduct::plain())
        .unwrap();
    assert_eq!(mode(done.sidecar.absolute()), 0o664);
    assert_eq!(mode(done.place.absolute()), 0o764);
}

#[test]
fn a_folder_that_is_made_for_a_file_is_as_open_as_the_one_that_it_lies_in() {
    // The last one hands its group on, as shares do.
    for mode_of_root in [0o775, 0o750, 0o777, 0o2775] {
        let studio = Studio::new();
        let root = studio.dispatch().folder;
        if is_root() {
            chown(&root, Some(4321), Some(1234)).unwrap();
        }
        set_mode(&root, mode_of_root);
        let weighed = studio.export("album/disc 1/x.wav");
        studio
            .carry(&weighed, &studio.release(), &mut Conduct::plain())
            .unwrap();
        for made in ["album", "album/disc 1"] {
            let made = root.join(made);
            assert_eq!(mode(&made), mode_of_root, "{}", made.display());
            assert_eq!(owner(&made), owner(&root), "{}", made.display());
        }
    }
}
