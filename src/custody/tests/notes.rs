//! A note comes with a stopped file and goes when a clear version arrives.

use std::fs;

use super::*;

#[test]
fn a_note_tells_why_is_brought_up_to_date_and_goes_when_a_clear_version_arrives() {
    let studio = Studio::new();
    let note = studio.outbound().place("sub/x.wav.stopped.txt").absolute();
    for _ in 0..2 {
        let weighed = studio.export("sub/x.wav");
        studio
            .carry(&weighed, &studio.stop(), &mut Conduct::plain())
            .unwrap();
        assert_eq!(
            fs::read_to_string(&note).unwrap(),
            format!("{NOTE_FIRST_LINE}too loud\n")
        );
    }
    let weighed = studio.export("sub/x.wav");
    studio
        .carry(&weighed, &studio.release(), &mut Conduct::plain())
        .unwrap();
    assert!(!note.exists());
}

#[test]
fn a_file_that_only_looks_like_a_note_of_ours_is_neither_replaced_nor_removed() {
    let studio = Studio::new();
    let theirs = studio.outbound().place("x.wav.stopped.txt").absolute();
    fs::write(&theirs, "my own list").unwrap();
    let weighed = studio.export("x.wav");
    studio
        .carry(&weighed, &studio.stop(), &mut Conduct::plain())
        .unwrap();
    let ours = studio.outbound().place("x.wav (2).stopped.txt").absolute();
    assert!(ours.exists());
    let from = studio.outbound().place("x.wav");
    assert!(remove_note(&from).unwrap());
    assert!(!remove_note(&from).unwrap(), "once is enough");
    assert!(!ours.exists());
    assert_eq!(fs::read_to_string(&theirs).unwrap(), "my own list");
}

#[test]
fn a_note_that_is_a_link_is_not_written_through() {
    let studio = Studio::new();
    let outside = studio.folder.path().join("outside.txt");
    fs::write(&outside, format!("{NOTE_FIRST_LINE}not a note")).unwrap();
    std::os::unix::fs::symlink(
        &outside,
        studio.outbound().place("x.wav.stopped.txt").absolute(),
    )
    .unwrap();
    let weighed = studio.export("x.wav");
    studio
        .carry(&weighed, &studio.stop(), &mut Conduct::plain())
        .unwrap();
    assert_eq!(
        fs::read_to_string(&outside).unwrap(),
        format!("{NOTE_FIRST_LINE}not a note")
    );
}
