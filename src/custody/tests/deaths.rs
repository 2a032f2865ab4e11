//! Every step is once the last one before a power cut, and once the one that fails.

use std::cell::Cell;
use std::fs;

use super::*;
use crate::ledger::FileState;

/// The ways on which a file can travel.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Way {
    Rename,
    Copy,
    /// Onto a file system that is really another.
    Across,
    Link,
    Claim,
    CopyAndClaim,
    /// The file has a second name.
    TwoNames,
}

const WAYS: [Way; 7] = [
    Way::Rename,
    Way::Copy,
    Way::Across,
    Way::Link,
    Way::Claim,
    Way::CopyAndClaim,
    Way::TwoNames,
];

impl Way {
    fn means(self) -> Means {
        match self {
            Self::Rename | Self::Across | Self::TwoNames => Means::ALL,
            Self::Copy => COPYING,
            Self::Link => LINKING,
            Self::Claim => CLAIMING,
            Self::CopyAndClaim => Means {
                same_device: false,
                ..CLAIMING
            },
        }
    }

    /// `None` where this machine can not show it.
    fn studio(self) -> Option<Studio> {
        match self {
            Self::Across => Studio::across_devices(),
            _ => Some(Studio::new()),
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum What {
    Release,
    Quarantine,
    Keep,
}

impl What {
    fn deed(self, studio: &Studio) -> Deed {
        match self {
            Self::Release => studio.release(),
            Self::Quarantine => studio.stop(),
            Self::Keep => Deed::Keep,
        }
    }
}

/// Files outside the outbound folder that are not the file of the test: its second name.
const SECOND_NAME: &str = "second name.wav";

fn prepare(studio: &Studio, way: Way) -> Weighed {
    let weighed = studio.export("sub/x.wav");
    if way != Way::TwoNames {
        return weighed;
    }
    let path = weighed.from.absolute();
    fs::hard_link(&path, path.with_file_name(SECOND_NAME)).unwrap();
    studio.weigh(weighed.from)
}

fn copies_of_the_file(studio: &Studio) -> Vec<PathBuf> {
    studio
        .copies()
        .into_iter()
        .filter(|path| name_of(path) != SECOND_NAME)
        .collect()
}

/// What must be true at every instant, dead or alive.
fn assert_nothing_is_lost(studio: &Studio, weighed: &Weighed, way: Way, when: &str) {
    assert!(
        !copies_of_the_file(studio).is_empty(),
        "{when}: the file is nowhere: {:?}",
        studio.files()
    );
    let released = studio.dispatch().place("sub/x.wav").absolute();
    if released.exists() {
        let sidecar = released.with_file_name("x.wav.sidecar.json");
        assert_eq!(
            fs::read_to_string(sidecar).unwrap(),
            weighed.sidecar,
            "{when}: released without its sidecar"
        );
        // Only where a file system can neither rename safely nor link, a small file of ours
        // stands at the name for an instant.
        let whole = fs::read(&released).unwrap() == studio.bytes;
        assert!(
            whole || matches!(way, Way::Claim | Way::CopyAndClaim),
            "{when}: released in part"
        );
    }
}

/// After everything was finished or undone.
fn assert_all_is_well(studio: &Studio, weighed: &Weighed, what: What, when: &str) {
    studio.assert_no_leftovers(when);
    assert_eq!(studio.ledger().open_intents().unwrap(), vec![], "{when}");
    let story = studio.story(weighed.file);
    let copies = copies_of_the_file(studio);
    let sidecars = studio
        .files()
        .into_iter()
        .filter(|p| name_of(p).ends_with(".json"))
        .count();
    let notes = studio
        .files()
        .into_iter()
        .filter(|p| name_of(p).ends_with(".stopped.txt"))
        .count();
    if story.state == FileState::Arriving {
        assert_eq!(copies, vec![weighed.from.absolute()], "{when}");
        assert_eq!((sidecars, notes), (0, 0), "{when}");
        assert!(
            !studio.is_noticed(weighed.file),
            "{when}: nothing happened, nothing is told"
        );
        assert_eq!(story.events, vec![], "{when}");
        return;
    }
    assert!(story.state.is_dealt_with(), "{when}: {:?}", story.state);
    assert_eq!(copies, vec![story.place.unwrap().absolute()], "{when}");
    assert_eq!(
        fs::read_to_string(story.sidecar.unwrap().absolute()).unwrap(),
        weighed.sidecar,
        "{when}"
    );
    assert_eq!(
        (sidecars, notes),
        (1, usize::from(what == What::Quarantine)),
        "{when}"
    );
    assert!(studio.is_noticed(weighed.file), "{when}");
    assert_eq!(story.events.len(), 1, "{when}");
}

/// Goes through a deed with something in place of step number `at`. `None` if there is no such
/// step any more.
fn instead_of_step(
    studio: &Studio,
    weighed: &Weighed,
    deed: &Deed,
    means: Means,
    at: usize,
    go: Go,
) -> Option<(Step, Result<Done, CustodyError>)> {
    let (count, met) = (Cell::new(0), Cell::new(None));
    let mut conduct = Conduct::watched(means, |step, _| {
        count.set(count.get() + 1);
        if count.get() == at + 1 {
            met.set(Some(step));
            go
        } else {
            Go::On
        }
    });
    let result = studio.carry(weighed, deed, &mut conduct);
    drop(conduct);
    met.get().map(|step| (step, result))
}

/// Recovery, which dies itself: at its first step, then at its second, until it comes through.
fn recover_dying(studio: &mut Studio, way: Way, weighed: &Weighed, when: &str) {
    for dies_at in 0..100 {
        studio.restart();
        let (count, died) = (Cell::new(0), Cell::new(false));
        let mut conduct = Conduct::watched(way.means(), |_, _| {
            count.set(count.get() + 1);
            if count.get() == dies_at + 1 {
                died.set(true);
                return Go::Die;
            }
            Go::On
        });
        finish_open_intents_watched(studio.ledger(), &mut conduct).unwrap();
        drop(conduct);
        assert_nothing_is_lost(studio, weighed, way, when);
        if !died.get() {
            return;
        }
    }
    panic!("{when}: recovery does not end");
}

#[test]
fn whatever_dies_at_whatever_step_the_file_is_whole_at_the_one_place_that_the_ledger_names() {
    for way in WAYS {
        for what in [What::Release, What::Quarantine, What::Keep] {
            let (mut at, mut accomplished, mut undone) = (0, 0, 0);
            loop {
                let Some(mut studio) = way.studio() else {
                    break;
                };
                let weighed = prepare(&studio, way);
                let deed = what.deed(&studio);
                let Some((step, result)) =
                    instead_of_step(&studio, &weighed, &deed, way.means(), at, Go::Die)
                else {
                    break;
                };
                let when = format!("{way:?} {what:?}, dead before step {at} {step:?}");
                assert!(
                    matches!(result, Err(CustodyError::Interrupted)),
                    "{when}: {result:?}"
                );
                assert_nothing_is_lost(&studio, &weighed, way, &when);
                recover_dying(&mut studio, way, &weighed, &when);
                assert_all_is_well(&studio, &weighed, what, &when);
                match studio.story(weighed.file).state {
                    FileState::Arriving => {
                        undone += 1;
                        // It settles and goes its way as if nothing had been.
                        let again = studio.weigh(weighed.from.clone());
                        studio
                            .carry(&again, &deed, &mut Conduct::plain())
                            .expect(&when);
                        assert_all_is_well(&studio, &again, what, &when);
                    }
                    _ => accomplished += 1,
                }
                at += 1;
            }
            if at > 0 {
                assert!(accomplished > 0, "{way:?} {what:?}");
                assert!(undone > 0 || what == What::Keep, "{way:?} {what:?}");
            }
        }
    }
}

#[test]
fn whatever_step_fails_the_file_is_whole_at_the_one_place_that_the_ledger_names() {
    // No space left on device; permission denied (errno of Linux, asm-generic/errno-base.h).
    const ENOSPC: i32 = 28;
    const EACCES: i32 = 13;
    for way in WAYS {
        for what in [What::Release, What::Quarantine, What::Keep] {
            for error in [ENOSPC, EACCES] {
                if error == EACCES && !matches!(way, Way::Rename | Way::Across) {
                    continue;
                }
                let mut at = 0;
                loop {
                    let Some(mut studio) = way.studio() else {
                        break;
                    };
                    let weighed = prepare(&studio, way);
                    let deed = what.deed(&studio);
                    let Some((step, result)) =
                        instead_of_step(&studio, &weighed, &deed, way.means(), at, Go::Fail(error))
                    else {
                        break;
                    };
                    let when =
                        format!("{way:?} {what:?}, {error} at step {at} {step:?}: {result:?}");
                    assert_nothing_is_lost(&studio, &weighed, way, &when);
                    match &result {
                        // A note is not worth a file.
                        Ok(done) => assert!(done.note_trouble.is_some(), "{when}"),
                        Err(CustodyError::Unfinished { .. }) => {
                            assert_eq!(studio.ledger().open_intents().unwrap().len(), 1, "{when}");
                            studio.restart();
                            finish_open_intents(studio.ledger()).unwrap();
                        }
                        Err(told) => {
                            assert_eq!(told.remedy(), Remedy::Tell, "{when}");
                            assert_eq!(
                                matches!(told, CustodyError::Full { .. }),
                                error == ENOSPC,
                                "{when}"
                            );
                            assert_eq!(
                                studio.story(weighed.file).state,
                                FileState::Arriving,
                                "{when}"
                            );
                        }
                    }
                    let noted = matches!(&result, Ok(done) if done.note_trouble.is_some());
                    let what = if noted { What::Release } else { what };
                    assert_all_is_well(&studio, &weighed, what, &when);
                    at += 1;
                }
            }
        }
    }
}

#[test]
fn an_unmounted_share_is_waited_for_and_not_taken_for_an_empty_folder() {
    for (what, vanishes) in [
        (What::Release, "release"),
        (What::Release, "outbound"),
        (What::Keep, "outbound"),
    ] {
        let mut studio = Studio::new();
        let weighed = studio.export("x.wav");
        let deed = what.deed(&studio);
        let mut conduct = Conduct::watched(Means::ALL, |step, _| {
            if step == Step::CloseJournal {
                Go::Die
            } else {
                Go::On
            }
        });
        studio.carry(&weighed, &deed, &mut conduct).unwrap_err();
        drop(conduct);

        let root = studio.folder.path().join(vanishes);
        let unmounted = studio.folder.path().join("unmounted");
        fs::rename(&root, &unmounted).unwrap();
        for mount_point in [false, true] {
            if mount_point {
                fs::create_dir(&root).unwrap();
            }
            studio.restart();
            let finished = finish_open_intents(studio.ledger()).unwrap();
            let Ended::Waiting(error) = &finished[0].ended else {
                panic!("{vanishes} {mount_point}: {finished:?}");
            };
            assert!(
                error.to_string().contains("is the share mounted?"),
                "{error}"
            );
            assert!(
                error.to_string().contains(root.to_str().unwrap()),
                "{error}"
            );
            assert_eq!(studio.ledger().open_intents().unwrap().len(), 1);
        }
        fs::remove_dir(&root).unwrap();
        fs::rename(&unmounted, &root).unwrap();
        let finished = finish_open_intents(studio.ledger()).unwrap();
        assert!(
            matches!(finished[0].ended, Ended::Accomplished(_)),
            "{finished:?}"
        );
        assert_all_is_well(&studio, &weighed, what, vanishes);
    }
}

#[test]
fn a_file_at_neither_place_is_an_alarm_and_not_a_guess() {
    for taken_after in [Step::Rename, Step::CloseJournal] {
        let mut studio = Studio::new();
        let weighed = studio.export("x.wav");
        let mut conduct = Conduct::watched(Means::ALL, |step, _| {
            if step == taken_after { Go::Die } else { Go::On }
        });
        studio
            .carry(&weighed, &studio.release(), &mut conduct)
            .unwrap_err();
        drop(conduct);
        fs::remove_file(&studio.copies()[0]).unwrap();
        studio.restart();
        let finished = finish_open_intents(studio.ledger()).unwrap();
        assert!(
            matches!(finished[0].ended, Ended::OutOfSight),
            "{finished:?}"
        );
        assert_eq!(studio.story(weighed.file).state, FileState::Gone);
        assert_eq!(studio.ledger().open_intents().unwrap(), vec![]);
        assert!(!studio.is_noticed(weighed.file));
        studio.assert_no_leftovers("out of sight");
    }
}

#[test]
fn a_new_file_at_the_old_place_survives_the_finishing_of_the_old_deed() {
    for way in [Way::Rename, Way::Copy] {
        let mut studio = Studio::new();
        let weighed = studio.export("x.wav");
        let dies_at = if way == Way::Copy {
            Step::SetAside
        } else {
            Step::SyncFolders
        };
        let mut conduct =
            Conduct::watched(
                way.means(),
                |step, _| if step == dies_at { Go::Die } else { Go::On },
            );
        studio
            .carry(&weighed, &studio.release(), &mut conduct)
            .unwrap_err();
        drop(conduct);
        // Exported again while we were dead, as programs do it: a new file renamed into place.
        let path = weighed.from.absolute();
        fs::write(path.with_extension("new"), "another take").unwrap();
        fs::rename(path.with_extension("new"), &path).unwrap();
        studio.restart();
        let finished = finish_open_intents(studio.ledger()).unwrap();
        let Ended::Accomplished(done) = &finished[0].ended else {
            panic!("{way:?}: {finished:?}");
        };
        assert!(done.source_left, "{way:?}");
        assert_eq!(
            fs::read_to_string(&path).unwrap(),
            "another take",
            "{way:?}"
        );
        assert_eq!(studio.copies(), vec![done.place.absolute()], "{way:?}");
    }
}
