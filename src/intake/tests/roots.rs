//! Roots that are missing, come back, or are not what they were.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use super::share::{OFTEN, Options, Share, whole, write};
use crate::config::WatchKind;
use crate::intake::{Happening, RootMemory};

#[test]
fn a_root_that_is_missing_at_the_start_is_trouble_until_it_is_there() {
    let mut share = Share::new(Options {
        make_root: false,
        ..Options::default()
    });
    let says = share.wait_for_trouble("root");
    let root = share.root.display();
    // The wording of the house's page on what people see, "Errors".
    assert_eq!(
        says,
        format!(
            "the folder {root} is not there (watch \"exports\"): is the share mounted? Nothing was \
             changed; I look again every 5 s."
        )
    );
    fs::create_dir(&share.root).expect("made");
    share.write("mix.wav", &whole(100));
    share.watch.scan_now();
    share.wait_for_trouble_over("root");
    share.arrives_once("mix.wav");
}

#[test]
fn a_root_that_goes_away_and_comes_back_is_no_deletion_and_brings_nothing_twice() {
    for kind in [WatchKind::Local, WatchKind::Network] {
        let mut share = Share::new(Options {
            kind,
            poll: OFTEN,
            ..Options::default()
        });
        share.write("mix.wav", &whole(100));
        share.wait_for_arrival("mix.wav");
        share.watch.done(Path::new("mix.wav"));
        share.come_to_rest(1);
        fs::rename(&share.root, share.beside.join("away")).expect("moved");
        share.wait_for_trouble("root");
        fs::rename(share.beside.join("away"), &share.root).expect("moved back");
        share.wait_for_trouble_over("root");
        share.come_to_rest(2);
        assert_eq!(share.gone(), 0, "{:#?}", share.told);
        assert_eq!(share.all_arrivals(), 1, "{:#?}", share.told);
    }
}

#[test]
fn a_root_that_is_removed_and_made_anew_is_listened_to_again() {
    let mut share = Share::new(Options::default());
    share.write("old.wav", &whole(100));
    share.wait_for_arrival("old.wav");
    share.watch.done(Path::new("old.wav"));
    share.come_to_rest(1);
    fs::remove_dir_all(&share.root).expect("removed");
    share.wait_for_trouble("root");
    fs::create_dir(&share.root).expect("made");
    share.watch.scan_now();
    share.wait_for_trouble_over("root");
    share.come_to_rest(1);
    // No scan comes of itself here (`NEVER`), so this one was announced.
    share.write("new.wav", &whole(100));
    share.wait_for_arrival("new.wav");
    assert_eq!(share.arrivals("old.wav"), 1);
    assert_eq!(
        share.gone(),
        1,
        "the old file was removed: {:#?}",
        share.told
    );
}

#[test]
fn a_root_that_was_a_share_and_is_none_now_is_an_alarm_and_its_files_count_all_the_same() {
    let mut share = Share::new(Options {
        root_before: Some(RootMemory {
            device: u64::MAX,
            mount: 7,
            inode: 1,
            mount_point: true,
            held_files: false,
        }),
        ..Options::default()
    });
    let says = share.wait_for_trouble("root");
    assert!(says.contains("is not any more"), "{says}");
    share.write("mix.wav", &whole(100));
    share.wait_for_arrival("mix.wav");
    share.watch.done(Path::new("mix.wav"));
    fs::remove_file(share.root.join("mix.wav")).expect("removed");
    let scans = share.watch.standing().scans;
    share.come_to_rest(2);
    assert!(share.watch.standing().scans > scans);
    assert!(share.remembered.lock().expect("no panic").is_empty());
    let over = |h: &&Happening| matches!(h, Happening::TroubleOver { .. });
    assert_eq!(share.told.iter().find(over), None);
}

#[test]
fn an_empty_root_in_another_place_is_an_alarm_until_its_first_file() {
    let before = RootMemory {
        device: u64::MAX,
        mount: 7,
        inode: 1,
        mount_point: false,
        held_files: true,
    };
    let mut share = Share::new(Options {
        root_before: Some(before),
        ..Options::default()
    });
    let says = share.wait_for_trouble("root");
    assert!(says.contains("is the right share mounted?"), "{says}");
    share.write("mix.wav", &whole(100));
    share.watch.scan_now();
    share.wait_for_trouble_over("root");
    share.arrives_once("mix.wav");
    let remembered = share.remembered.lock().expect("no panic");
    let now = remembered.last().expect("the new root is remembered");
    let stat = fs::metadata(&share.root).expect("there");
    assert_eq!((now.device, now.inode), (stat.dev(), stat.ino()));
    assert!(now.held_files);
}

#[test]
fn a_share_that_is_mounted_anew_with_its_files_is_no_alarm() {
    let mut share = Share::with(
        Options {
            root_before: Some(RootMemory {
                device: u64::MAX,
                mount: 7,
                inode: 1,
                mount_point: false,
                held_files: true,
            }),
            ..Options::default()
        },
        |root| write(&root.join("mix.wav"), &whole(100)),
    );
    share.arrives_once("mix.wav");
    let trouble = |h: &&Happening| matches!(h, Happening::Trouble { .. });
    assert_eq!(share.told.iter().find(trouble), None);
}

#[test]
fn a_root_may_itself_be_a_symbolic_link() {
    let mut share = Share::new(Options {
        make_root: false,
        ..Options::default()
    });
    share.wait_for_trouble("root");
    fs::create_dir(share.beside.join("real")).expect("made");
    std::os::unix::fs::symlink(share.beside.join("real"), &share.root).expect("linked");
    share.watch.scan_now();
    share.wait_for_trouble_over("root");
    share.write("mix.wav", &whole(100));
    share.arrives_once("mix.wav");
}
