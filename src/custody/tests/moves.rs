//! What a move promises: never altered, never overwritten, what was weighed and nothing else.

use std::ffi::OsString;
use std::fs;
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::os::unix::fs::{PermissionsExt, symlink};
use std::time::{Duration, SystemTime};

use super::*;
use crate::ledger::FileState;

/// Each way of giving a name, with the step right before it is given.
const WAYS: [(Means, Step); 7] = [
    (Means::ALL, Step::Rename),
    (LINKING, Step::Link),
    (CLAIMING, Step::Claim),
    (CLAIMING, Step::RenameOverClaim),
    (COPYING, Step::PlaceCopy),
    (
        Means {
            same_device: false,
            ..LINKING
        },
        Step::Link,
    ),
    (
        Means {
            same_device: false,
            ..CLAIMING
        },
        Step::Claim,
    ),
];

#[test]
fn a_released_file_keeps_its_sub_folder_and_its_bytes_and_the_ledger_knows_its_place() {
    let studio = Studio::new();
    let weighed = studio.export("album/disc 1/x.wav");
    let done = studio
        .carry(&weighed, &studio.release(), &mut Conduct::plain())
        .unwrap();
    let place = studio.dispatch().place("album/disc 1/x.wav");
    assert_eq!(done.place, place);
    assert_eq!(studio.copies(), vec![place.absolute()]);
    let story = studio.story(weighed.file);
    assert_eq!(
        (story.state, story.place),
        (FileState::Released, Some(place))
    );
    assert_eq!(
        story.events[0].to.as_deref(),
        Some("release:album/disc 1/x.wav")
    );
    assert_eq!(
        fs::read_to_string(
            studio
                .dispatch()
                .place("album/disc 1/x.wav.sidecar.json")
                .absolute()
        )
        .unwrap(),
        weighed.sidecar
    );
}

#[test]
fn a_taken_name_gets_a_number_together_with_its_sidecar() {
    let studio = Studio::new();
    fs::write(studio.dispatch().place("x.wav").absolute(), "theirs").unwrap();
    // Number 2 is free for the file, but not for its sidecar.
    fs::write(
        studio.dispatch().place("x (2).wav.sidecar.json").absolute(),
        "theirs",
    )
    .unwrap();
    let weighed = studio.export("x.wav");
    let planned = studio.plan(&weighed, &studio.release());
    assert!(planned.renamed_because_taken);
    let done = studio
        .carry_plan(&weighed, &planned, &mut Conduct::plain())
        .unwrap();
    assert_eq!(done.place, studio.dispatch().place("x (3).wav"));
    assert_eq!(
        done.sidecar,
        studio.dispatch().place("x (3).wav.sidecar.json")
    );
    for theirs in ["x.wav", "x (2).wav.sidecar.json"] {
        assert_eq!(
            fs::read_to_string(studio.dispatch().place(theirs).absolute()).unwrap(),
            "theirs"
        );
    }
    assert_eq!(studio.copies(), vec![done.place.absolute()]);
}

#[test]
fn a_move_never_replaces_a_file() {
    for (means, step) in WAYS {
        let studio = Studio::new();
        let weighed = studio.export("x.wav");
        let planned = studio.plan(&weighed, &studio.release());
        let target = planned.to.clone().unwrap().absolute();
        let theirs = target.clone();
        let mut conduct = just_before(means, step, move || {
            let _ = fs::remove_file(&theirs);
            fs::write(&theirs, "theirs").unwrap();
        });
        let error = studio
            .carry_plan(&weighed, &planned, &mut conduct)
            .unwrap_err();
        assert_eq!(error.remedy(), Remedy::PlanAgain, "{step:?}: {error}");
        assert_eq!(fs::read_to_string(&target).unwrap(), "theirs", "{step:?}");
        assert_eq!(studio.copies(), vec![weighed.from.absolute()], "{step:?}");
        assert_eq!(
            studio.files().len(),
            2,
            "{step:?}: the sidecar went away again: {:?}",
            studio.files()
        );
        assert_eq!(
            studio.story(weighed.file).state,
            FileState::Arriving,
            "{step:?}"
        );
    }
}

#[test]
fn a_sidecar_never_replaces_a_file() {
    for means in [Means::ALL, LINKING, CLAIMING] {
        let studio = Studio::new();
        let weighed = studio.export("x.wav");
        let planned = studio.plan(&weighed, &studio.release());
        let sidecar = planned.sidecar.absolute();
        let mut conduct = just_before(means, Step::PlaceSidecar, || {
            fs::write(&sidecar, "theirs").unwrap()
        });
        let error = studio
            .carry_plan(&weighed, &planned, &mut conduct)
            .unwrap_err();
        assert_eq!(error.remedy(), Remedy::PlanAgain, "{error}");
        drop(conduct);
        assert_eq!(fs::read_to_string(&sidecar).unwrap(), "theirs");
        assert_eq!(studio.copies(), vec![weighed.from.absolute()]);
        studio.assert_no_leftovers("sidecar taken");
    }
}

#[test]
fn a_file_that_was_written_to_before_the_move_is_weighed_anew() {
    for (means, step) in WAYS {
        let studio = Studio::new();
        let weighed = studio.export("x.wav");
        let path = weighed.from.absolute();
        // As long as before, and with its old time: only ctime tells.
        let modified = fs::metadata(&path).unwrap().modified().unwrap();
        let before_the_last_look = match step {
            Step::PlaceCopy | Step::Link | Step::Claim if !means.same_device => Step::VerifyCopy,
            _ => Step::PlaceSidecar,
        };
        let mut conduct = just_before(means, before_the_last_look, || {
            let file = fs::OpenOptions::new().write(true).open(&path).unwrap();
            std::os::unix::fs::FileExt::write_at(&file, b"!", 7).unwrap();
            file.set_modified(modified).unwrap();
        });
        let error = studio
            .carry(&weighed, &studio.release(), &mut conduct)
            .unwrap_err();
        drop(conduct);
        assert!(
            matches!(error, CustodyError::Changed { .. }),
            "{step:?}: {error}"
        );
        assert_eq!(error.remedy(), Remedy::WeighAnew);
        assert_eq!(studio.files(), vec![path], "{step:?}: nothing was released");
        assert_eq!(studio.story(weighed.file).state, FileState::Arriving);
    }
}

#[test]
fn a_file_that_was_exchanged_between_the_last_look_and_the_rename_is_put_back() {
    for (means, step) in [
        (Means::ALL, Step::Rename),
        (LINKING, Step::Link),
        (CLAIMING, Step::RenameOverClaim),
    ] {
        let studio = Studio::new();
        let weighed = studio.export("x.wav");
        let path = weighed.from.absolute();
        let mut conduct = just_before(means, step, || {
            fs::write(path.with_extension("new"), "another take").unwrap();
            fs::rename(path.with_extension("new"), &path).unwrap();
        });
        let error = studio
            .carry(&weighed, &studio.release(), &mut conduct)
            .unwrap_err();
        drop(conduct);
        assert!(
            matches!(error, CustodyError::Changed { .. }),
            "{step:?}: {error}"
        );
        assert_eq!(studio.files(), vec![path.clone()], "{step:?}");
        assert_eq!(
            fs::read_to_string(&path).unwrap(),
            "another take",
            "{step:?}"
        );
    }
}

#[test]
fn a_new_export_that_comes_while_its_older_one_is_copied_is_not_removed_with_it() {
    for step in [Step::SetAside, Step::RemoveSource] {
        let studio = Studio::new();
        let weighed = studio.export("x.wav");
        let path = weighed.from.absolute();
        let mut conduct = just_before(COPYING, step, || {
            fs::write(path.with_extension("new"), "another take").unwrap();
            fs::rename(path.with_extension("new"), &path).unwrap();
        });
        let done = studio
            .carry(&weighed, &studio.release(), &mut conduct)
            .unwrap();
        drop(conduct);
        assert!(done.source_left, "{step:?}");
        assert_eq!(
            fs::read_to_string(&path).unwrap(),
            "another take",
            "{step:?}"
        );
        assert_eq!(studio.copies(), vec![done.place.absolute()], "{step:?}");
        studio.assert_no_leftovers("new export");
    }
}

#[test]
fn bytes_that_are_not_those_that_were_weighed_are_not_released() {
    for means in [Means::ALL, COPYING] {
        let studio = Studio::new();
        let weighed = Weighed {
            blake3: "0".repeat(64),
            ..studio.export("x.wav")
        };
        let error = studio
            .carry(
                &weighed,
                &studio.release(),
                &mut Conduct::watched(means, |_, _| Go::On),
            )
            .unwrap_err();
        assert!(matches!(error, CustodyError::OtherBytes { .. }), "{error}");
        assert_eq!(studio.files(), vec![weighed.from.absolute()]);
    }
}

#[test]
fn a_copy_that_does_not_read_back_as_it_was_written_is_not_trusted() {
    let studio = Studio::new();
    let weighed = studio.export("x.wav");
    let mut conduct = Conduct::watched(COPYING, |step, _| {
        if step == Step::VerifyCopy {
            let copy = studio
                .files()
                .into_iter()
                .find(|p| name_of(p).ends_with(".copy.part"))
                .unwrap();
            let file = fs::OpenOptions::new().write(true).open(copy).unwrap();
            std::os::unix::fs::FileExt::write_at(&file, b"!!", 1 << 19).unwrap();
        }
        Go::On
    });
    let error = studio
        .carry(&weighed, &studio.release(), &mut conduct)
        .unwrap_err();
    assert!(matches!(error, CustodyError::BadCopy { .. }), "{error}");
    assert_eq!(studio.files(), vec![weighed.from.absolute()]);
}

#[test]
fn a_copy_keeps_mode_times_and_what_servers_store_beside_the_file() {
    let Some(studio) = Studio::across_devices() else {
        return;
    };
    let path = studio.export("x.wav").from.absolute();
    let long_ago = SystemTime::UNIX_EPOCH + Duration::new(1_000_000_000, 123_456_789);
    let file = fs::File::open(&path).unwrap();
    // The set-ID bit means nothing on sound, and a hardened service may not give it.
    file.set_permissions(fs::Permissions::from_mode(0o2640))
        .unwrap();
    file.set_modified(long_ago).unwrap();
    // Not every file system has them.
    let flags = rustix::fs::XattrFlags::empty();
    let has_attributes = rustix::fs::fsetxattr(&file, "user.tag", b"red", flags).is_ok();
    let weighed = studio.weigh(studio.outbound().place("x.wav"));
    let done = studio
        .carry(&weighed, &studio.release(), &mut Conduct::plain())
        .unwrap();
    let released = fs::File::open(done.place.absolute()).unwrap();
    let metadata = released.metadata().unwrap();
    assert_eq!(metadata.permissions().mode() & 0o7777, 0o640);
    assert_eq!(metadata.modified().unwrap(), long_ago);
    if has_attributes && done.remarks.is_empty() {
        let mut value = Vec::with_capacity(9);
        rustix::fs::fgetxattr(
            &released,
            "user.tag",
            rustix::buffer::spare_capacity(&mut value),
        )
        .unwrap();
        assert_eq!(value, b"red");
    }
    assert_eq!(studio.copies(), vec![done.place.absolute()]);
}

#[test]
fn a_file_with_a_second_name_is_released_as_a_copy_that_the_second_name_can_not_change() {
    let studio = Studio::new();
    let path = studio.export("x.wav").from.absolute();
    let second = path.with_file_name("y.wav");
    fs::hard_link(&path, &second).unwrap();
    let weighed = studio.weigh(studio.outbound().place("x.wav"));
    let done = studio
        .carry(&weighed, &studio.release(), &mut Conduct::plain())
        .unwrap();
    assert!(!path.exists());
    fs::write(&second, "changed through the other name").unwrap();
    assert_eq!(studio.copies(), vec![done.place.absolute()]);
    assert_eq!(fs::metadata(done.place.absolute()).unwrap().nlink(), 1);
}

#[test]
fn any_legal_name_travels_and_its_papers_have_names_that_fit() {
    let names = [
        b"Caf\xe9.wav".to_vec(),
        b"new\nline \"quoted\" ; $(x).wav".to_vec(),
        [vec![b'x'; 251], b".wav".to_vec()].concat(),
        b"-rf".to_vec(),
    ];
    for bytes in names {
        let name = OsString::from_vec(bytes);
        let studio = Studio::new();
        for copying in [Means::ALL, COPYING] {
            let weighed = studio.export(Path::new("sub").join(&name));
            let done = studio
                .carry(
                    &weighed,
                    &studio.stop(),
                    &mut Conduct::watched(copying, |_, _| Go::On),
                )
                .unwrap();
            assert!(done.note_trouble.is_none(), "{name:?}");
            if copying == Means::ALL {
                assert_eq!(done.place.name(), name, "a file's own name is kept");
            } else {
                assert!(
                    done.place
                        .name()
                        .as_bytes()
                        .windows(4)
                        .any(|w| w == b" (2)"),
                    "{:?}",
                    done.place
                );
            }
            assert_eq!(fs::read(done.place.absolute()).unwrap(), studio.bytes);
            assert_eq!(
                fs::read_to_string(done.sidecar.absolute()).unwrap(),
                weighed.sidecar
            );
            assert_eq!(done.sidecar.name(), sidecar_name(done.place.name()));
            let note = weighed.from.beside(note_name(&name)).absolute();
            assert!(
                fs::read_to_string(note)
                    .unwrap()
                    .starts_with(NOTE_FIRST_LINE)
            );
            let story = studio.story(weighed.file);
            assert_eq!(story.place.unwrap(), done.place);
        }
    }
}

#[test]
fn links_are_never_followed() {
    let studio = Studio::new();
    let outside = studio.folder.path().join("outside");
    fs::create_dir(&outside).unwrap();

    // A sub-folder of the destination is a link.
    symlink(&outside, studio.dispatch().folder.join("sub")).unwrap();
    let weighed = studio.export("sub/x.wav");
    let error = plan(studio.ledger(), &weighed.from, &studio.release(), None).unwrap_err();
    assert!(matches!(error, CustodyError::Link { .. }), "{error}");

    // It becomes one after the plan.
    fs::remove_file(studio.dispatch().folder.join("sub")).unwrap();
    let planned = studio.plan(&weighed, &studio.release());
    symlink(&outside, studio.dispatch().folder.join("sub")).unwrap();
    let error = studio
        .carry_plan(&weighed, &planned, &mut Conduct::plain())
        .unwrap_err();
    assert!(matches!(error, CustodyError::Link { .. }), "{error}");

    // The file is exchanged for one, after it was weighed.
    let weighed = studio.export("y.wav");
    let path = weighed.from.absolute();
    fs::rename(&path, outside.join("y.wav")).unwrap();
    symlink(outside.join("y.wav"), &path).unwrap();
    let error = studio
        .carry(&weighed, &studio.release(), &mut Conduct::plain())
        .unwrap_err();
    assert!(matches!(error, CustodyError::Link { .. }), "{error}");
    assert!(fs::symlink_metadata(&path).unwrap().is_symlink());
    assert_eq!(fs::read_dir(&outside).unwrap().count(), 1);
}

#[test]
fn a_path_that_leads_out_of_its_root_is_refused() {
    let studio = Studio::new();
    fs::write(studio.folder.path().join("x.wav"), "not below the watch").unwrap();
    for path in ["../x.wav", "sub/../../x.wav", "/etc/hostname", ""] {
        let from = studio.outbound().place(path);
        let error = plan(studio.ledger(), &from, &studio.release(), None).unwrap_err();
        assert!(
            matches!(error, CustodyError::BadPath { .. }),
            "{path}: {error}"
        );
    }
}

#[test]
fn a_destination_that_is_not_there_is_not_made() {
    let studio = Studio::new();
    let weighed = studio.export("x.wav");
    let planned = studio.plan(&weighed, &studio.release());
    fs::remove_dir(studio.dispatch().folder).unwrap();
    let error = plan(studio.ledger(), &weighed.from, &studio.release(), None).unwrap_err();
    assert!(
        error.to_string().contains("is the share mounted?"),
        "{error}"
    );
    let error = studio
        .carry_plan(&weighed, &planned, &mut Conduct::plain())
        .unwrap_err();
    assert!(matches!(error, CustodyError::RootMissing { .. }), "{error}");
    assert!(!studio.dispatch().folder.exists());
    assert_eq!(studio.files(), vec![weighed.from.absolute()]);
    assert_eq!(studio.ledger().open_intents().unwrap(), vec![]);
}

#[test]
fn a_destination_that_can_not_be_written_leaves_the_file_where_it_is_and_says_so() {
    let studio = Studio::new();
    let weighed = studio.export("sub/x.wav");
    // A file where the sub-folder should be: no user, not even root, can write below it.
    fs::write(studio.dispatch().folder.join("sub"), "in the way").unwrap();
    let error = plan(studio.ledger(), &weighed.from, &studio.release(), None).unwrap_err();
    assert!(
        error.to_string().contains("release/sub is not a folder"),
        "{error}"
    );
    assert_eq!(studio.copies(), vec![weighed.from.absolute()]);
}

#[test]
fn sidecars_go_to_the_record_folder_where_one_is_asked_for() {
    let studio = Studio::new();
    let weighed = studio.export("sub/x.wav");
    let planned = plan(
        studio.ledger(),
        &weighed.from,
        &studio.release(),
        Some(&studio.records()),
    )
    .unwrap();
    let done = studio
        .carry_plan(&weighed, &planned, &mut Conduct::plain())
        .unwrap();
    assert_eq!(
        done.sidecar,
        studio.records().place("sub/x.wav.sidecar.json")
    );
    assert_eq!(
        fs::read_to_string(done.sidecar.absolute()).unwrap(),
        weighed.sidecar
    );
    assert_eq!(studio.files().len(), 2, "{:?}", studio.files());
}
