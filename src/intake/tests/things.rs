//! What lies about in folders that is no delivery, and names of every kind.

use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::symlink;
use std::os::unix::net::UnixListener;
use std::path::Path;

use rustix::fs::{CWD, FileType, Mode, OFlags, mkdirat, mknodat, openat};

use super::share::{Options, Share, whole, write};
use crate::intake::Happening;

#[test]
fn pipes_and_sockets_are_told_once_and_never_opened() {
    let mut share = Share::with(Options::default(), |root| {
        // Opening this one for reading would wait for a writer that never comes.
        let pipe = root.join("a-pipe.wav");
        mknodat(CWD, &pipe, FileType::Fifo, Mode::RWXU, 0).expect("a pipe");
        UnixListener::bind(root.join("b-socket.wav")).expect("a socket");
        write(&root.join("c.wav"), &whole(100));
    });
    share.arrives_once("c.wav");
    assert!(share.wait_for_told("a-pipe.wav").contains("a named pipe"));
    assert!(share.wait_for_told("b-socket.wav").contains("a socket"));
    share.come_to_rest(2);
    let told = share.told.iter();
    assert_eq!(
        told.filter(|h| matches!(h, Happening::Told { .. })).count(),
        2
    );
    assert_eq!(share.all_arrivals(), 1);
}

#[test]
fn symbolic_links_are_told_once_and_never_followed() {
    let mut share = Share::new(Options::default());
    write(&share.beside.join("outside.wav"), &whole(100));
    share.write("c.wav", &whole(100));
    symlink(".", share.root.join("loop")).expect("linked");
    symlink(&share.beside, share.root.join("elsewhere")).expect("linked");
    symlink("c.wav", share.root.join("link.wav")).expect("linked");
    symlink("nowhere", share.root.join("dangling.wav")).expect("linked");
    share.arrives_once("c.wav");
    for link in ["loop", "elsewhere", "link.wav", "dangling.wav"] {
        let says = share.wait_for_told(link);
        assert!(says.contains("symbolic link"), "{says}");
    }
    share.come_to_rest(2);
    let told = share.told.iter();
    assert_eq!(
        told.filter(|h| matches!(h, Happening::Told { .. })).count(),
        4
    );
    assert_eq!(share.all_arrivals(), 1);
}

#[test]
fn any_legal_file_name_arrives() {
    // A file system takes any byte but `/` and zero, up to 255 of them (path_resolution(7)).
    let longest = [b"x".repeat(251), b".wav".to_vec()].concat();
    let names: Vec<&[u8]> = vec![
        &longest,
        b"\xff\xfe\x80.wav",
        b"line\nbreak\ttab\x1b[31m.wav",
        b"-rf *.wav",
        "\u{202e}Straße 🎛 e\u{301}.WAV".as_bytes(),
        b" .wav",
        b"\"'\\$(x)%00.wav",
    ];
    let mut share = Share::new(Options::default());
    for name in &names {
        write(&share.root.join(OsStr::from_bytes(name)), &whole(100));
    }
    for name in &names {
        let wanted = Path::new(OsStr::from_bytes(name));
        share.wait_for(
            "a name",
            |h| matches!(h, Happening::Arrived(a) if a.path == wanted),
        );
    }
}

#[test]
fn a_deep_tree_is_walked_to_its_end() {
    let path = vec!["d"; 1500].join("/");
    let mut share = Share::with(Options::default(), |root| {
        fs::create_dir_all(root.join(&path)).expect("made");
        write(&root.join(&path).join("mix.wav"), &whole(100));
    });
    share.wait_for_arrival(&format!("{path}/mix.wav"));
}

#[test]
fn a_folder_that_cannot_be_read_is_trouble_and_the_rest_goes_on() {
    // Deeper than a path can say (PATH_MAX, 4096 bytes): this fails for the superuser too.
    let name = "x".repeat(250);
    let mut share = Share::with(Options::default(), |root| {
        let mut folder = openat(CWD, root, OFlags::PATH, Mode::empty()).expect("opened");
        for _ in 0..20 {
            mkdirat(&folder, &name, Mode::RWXU).expect("made");
            folder = openat(&folder, &name, OFlags::PATH, Mode::empty()).expect("opened");
        }
        write(&root.join("z.wav"), &whole(100));
    });
    share.arrives_once("z.wav");
    let trouble = share.wait_for(
        "a trouble",
        |h| matches!(h, Happening::Trouble { key, .. } if key.starts_with("folder:")),
    );
    let Happening::Trouble { key, says, .. } = trouble else {
        panic!("{trouble:?}");
    };
    assert!(says.contains("cannot be looked into"), "{says}");
    share.come_to_rest(2);
    let told = share.told.iter();
    assert_eq!(
        told.filter(|h| matches!(h, Happening::Trouble { .. }))
            .count(),
        1,
        "told once"
    );
    fs::remove_dir_all(share.root.join(&name)).expect("removed");
    share.wait_for_trouble_over(&key);
}

#[test]
fn a_folder_that_may_not_be_read_is_trouble_and_is_looked_into_when_it_may() {
    use std::os::unix::fs::PermissionsExt;
    let mut share = Share::with(Options::default(), |root| {
        fs::create_dir(root.join("closed")).expect("made");
        write(&root.join("closed/a.wav"), &whole(100));
        fs::set_permissions(root.join("closed"), fs::Permissions::from_mode(0o000))
            .expect("closed");
        write(&root.join("z.wav"), &whole(100));
    });
    share.arrives_once("z.wav");
    if fs::read_dir(share.root.join("closed")).is_err() {
        let says = share.wait_for_trouble("folder:closed");
        assert!(says.contains("ermission denied"), "{says}");
        fs::set_permissions(share.root.join("closed"), fs::Permissions::from_mode(0o755))
            .expect("opened");
        share.come_to_rest(1);
        share.wait_for_trouble_over("folder:closed");
    }
    // For the superuser no folder is closed.
    share.arrives_once("closed/a.wav");
}

#[test]
fn two_names_that_many_computers_take_for_one_are_told_once() {
    let mut share = Share::new(Options::default());
    share.write("Caf\u{e9}.wav", &whole(100));
    share.write("cafe\u{301}.WAV", &whole(100));
    share.write("other.wav", &whole(100));
    share.wait_for(
        "twins",
        |h| matches!(h, Happening::Told { says, .. } if says.contains("take them for one file")),
    );
    share.come_to_rest(2);
    let told = share.told.iter();
    assert_eq!(
        told.filter(|h| matches!(h, Happening::Told { .. })).count(),
        1
    );
    assert_eq!(share.all_arrivals(), 3, "both are weighed");
}

#[test]
fn a_hidden_note_of_another_system_is_left_alone_and_a_file_only_called_so_is_told() {
    let mut share = Share::new(Options::default());
    // RFC 1740, appendix A: an AppleDouble file begins with 0x00051607.
    share.write("._note.wav", b"\x00\x05\x16\x07\x00\x02\x00\x00");
    share.write("._mine.wav", &whole(100));
    let says = share.wait_for_told("._mine.wav");
    assert!(says.contains("does not begin with a dot"), "{says}");
    share.come_to_rest(2);
    assert_eq!(share.told.len(), 1, "{:#?}", share.told);
}

#[test]
fn hidden_folders_and_folders_of_the_house_are_left_alone() {
    let mut share = Share::with(
        Options {
            leave: vec!["stopped"],
            ..Options::default()
        },
        |root| {
            for folder in [".Trash", "stopped", "stopped/album", "album.part"] {
                fs::create_dir(root.join(folder)).expect("made");
                write(&root.join(folder).join("a.wav"), &whole(100));
            }
        },
    );
    share.wait_for_arrival("album.part/a.wav");
    share.write("stopped/later.wav", &whole(100));
    share.come_to_rest(2);
    assert_eq!(share.all_arrivals(), 1);
}
