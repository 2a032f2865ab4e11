//! A kept file stays, and its sidecar is always about the bytes beside it.

use std::fs;

use super::*;
use crate::ledger::{FileState, Seen};

#[test]
fn a_kept_file_is_not_touched_and_known_again() {
    let studio = Studio::new();
    let weighed = studio.export("x.wav");
    let done = studio
        .carry(&weighed, &Deed::Keep, &mut Conduct::plain())
        .unwrap();
    assert_eq!(done.place, weighed.from);
    let now = Identity::of(&fs::metadata(weighed.from.absolute()).unwrap());
    assert_eq!(now, weighed.identity);
    let key = FileKey {
        watch: "outbound",
        path: &weighed.from.path,
    };
    assert_eq!(
        studio.ledger().look_up(key, &now).unwrap(),
        Seen::Same {
            file: weighed.file,
            state: FileState::Kept
        }
    );
}

#[test]
fn the_sidecar_of_a_new_revision_takes_the_place_of_ours_of_the_old_one() {
    let studio = Studio::new();
    let first = studio.export("x.wav");
    studio
        .carry(&first, &Deed::Keep, &mut Conduct::plain())
        .unwrap();
    let second = studio.export_bytes("x.wav", b"another take");
    let done = studio
        .carry(&second, &Deed::Keep, &mut Conduct::plain())
        .unwrap();
    assert_eq!(done.sidecar, studio.outbound().place("x.wav.sidecar.json"));
    assert_eq!(
        fs::read_to_string(done.sidecar.absolute()).unwrap(),
        second.sidecar
    );
    // Nothing is lost: the ledger has the text of the first.
    assert_eq!(
        studio.ledger().sidecar_of(first.file).unwrap().unwrap(),
        first.sidecar
    );
}

#[test]
fn a_sidecar_that_is_not_ours_or_was_changed_is_never_replaced() {
    for changed_by_hand in [true, false] {
        let studio = Studio::new();
        let sidecar = studio.outbound().place("x.wav.sidecar.json").absolute();
        if changed_by_hand {
            let first = studio.export("x.wav");
            studio
                .carry(&first, &Deed::Keep, &mut Conduct::plain())
                .unwrap();
        }
        fs::write(&sidecar, "theirs").unwrap();
        for _ in 0..2 {
            let weighed = studio.export("x.wav");
            let planned = studio.plan(&weighed, &Deed::Keep);
            assert!(planned.renamed_because_taken);
            let done = studio
                .carry_plan(&weighed, &planned, &mut Conduct::plain())
                .unwrap();
            assert_eq!(
                done.sidecar,
                studio.outbound().place("x.wav (2).sidecar.json")
            );
            assert_eq!(
                fs::read_to_string(done.sidecar.absolute()).unwrap(),
                weighed.sidecar
            );
            assert_eq!(fs::read_to_string(&sidecar).unwrap(), "theirs");
        }
    }
}

#[test]
fn a_sidecar_that_is_changed_after_the_plan_is_not_replaced() {
    let studio = Studio::new();
    let first = studio.export("x.wav");
    let done = studio
        .carry(&first, &Deed::Keep, &mut Conduct::plain())
        .unwrap();
    let sidecar = done.sidecar.absolute();
    let second = studio.export("x.wav");
    let mut conduct = just_before(Means::ALL, Step::WriteSidecar, || {
        fs::write(&sidecar, "theirs").unwrap()
    });
    let error = studio
        .carry(&second, &Deed::Keep, &mut conduct)
        .unwrap_err();
    drop(conduct);
    assert_eq!(error.remedy(), Remedy::PlanAgain, "{error}");
    assert_eq!(fs::read_to_string(&sidecar).unwrap(), "theirs");
    studio.assert_no_leftovers("sidecar changed");
}

#[test]
fn a_file_that_changes_while_its_sidecar_is_written_has_no_sidecar_of_other_bytes() {
    let studio = Studio::new();
    let weighed = studio.export("x.wav");
    let path = weighed.from.absolute();
    let mut conduct = just_before(Means::ALL, Step::PlaceSidecar, || {
        fs::write(&path, "another take").unwrap()
    });
    let error = studio
        .carry(&weighed, &Deed::Keep, &mut conduct)
        .unwrap_err();
    drop(conduct);
    assert!(matches!(error, CustodyError::Changed { .. }), "{error}");
    assert_eq!(studio.files(), vec![path]);
    assert_eq!(studio.story(weighed.file).state, FileState::Arriving);
}
