//! Mail that is told once, whatever the mail server does.

use std::net::SocketAddr;

use rustix::process::Signal;
use weighbridge::demo::receiver::{Receiver, Rudeness, Step};

use crate::support::*;

#[test]
fn a_stop_during_an_outage_of_the_mail_server_is_mailed_once_when_it_is_back() {
    let mut house = House::new();
    let watch = house.guarded("exports");
    house.configure(&[&watch], "");
    house.mail.be_rude_always(Step::Greeting, Rudeness::Closes);
    house.start();
    put(&watch.folder.join("song.wav"), &loud("song"));
    house.wait_for("song.wav", "quarantined");
    // Custody did not wait for the mail; the mail waits.
    let visits = house.mail.wait_for_visits(2, LATEST);
    assert!(visits >= 2, "it is tried again");
    let status = house.status();
    assert!(status.contains("1 mail waits"), "{status}");
    house.mail.be_kind();
    house.wait_for_mail("song.wav");
    house.fence(&watch, "fence.wav");
    assert_eq!(house.mails_about("song.wav").len(), 1);
}

#[test]
fn a_mail_server_that_is_not_there_at_first_gets_one_mail() {
    let mut house = House::new();
    let watch = house.guarded("exports");
    house.configure(&[&watch], "");
    let address: SocketAddr = house.mail.address();
    // Nobody listens at that address now.
    house.mail = Receiver::start().unwrap();
    house.start();
    put(&watch.folder.join("song.wav"), &loud("song"));
    until("it was tried in vain", || {
        !house
            .told("a mail could not be sent: it is tried again")
            .is_empty()
    });
    house.mail = Receiver::start_at(address).unwrap();
    house.wait_for_mail("song.wav");
    house.fence(&watch, "fence.wav");
    assert_eq!(house.mails_about("song.wav").len(), 1);
}

#[test]
fn a_mail_whose_taking_was_not_heard_comes_again_under_the_same_message_id() {
    let mut house = House::new();
    let watch = house.guarded("exports");
    house.configure(&[&watch], "");
    house.mail.be_rude(Step::Message, Rudeness::TakesAndCloses);
    house.start();
    put(&watch.folder.join("song.wav"), &loud("song"));
    house.wait_for_mail("song.wav");
    until("no mail waits", || !house.status().contains("mail waits"));
    house.fence(&watch, "fence.wav");
    let mut ids: Vec<String> = house
        .mails_about("song.wav")
        .iter()
        .map(|mail| mail.header("message-id").unwrap())
        .collect();
    ids.dedup();
    assert_eq!(ids.len(), 1);
}

#[test]
fn a_burst_of_stops_is_one_mail_that_names_them_all() {
    let mut house = House::new();
    let watch = house.guarded("exports");
    house.configure(&[&watch], "");
    // They lie there when the daemon starts, so that they settle together.
    let songs: Vec<String> = (0..6).map(|n| format!("burst-{n}.wav")).collect();
    for song in &songs {
        put(&watch.folder.join(song), &loud(song));
    }
    house.start();
    house.wait_for_mail("burst-5.wav");
    house.fence(&watch, "fence.wav");
    let mails = house.mails_about("burst-");
    let subject = mails[0].header("subject").unwrap();
    assert_eq!(mails.len(), 1, "{subject}");
    assert!(subject.contains("6 files"), "{subject}");
    for song in &songs {
        assert!(plain(&mails[0]).contains(song), "{song}");
    }
}

#[test]
fn a_mail_that_is_refused_for_good_is_told_by_status_and_not_tried_again() {
    let mut house = House::new();
    let watch = house.guarded("exports");
    house.configure(&[&watch], "");
    house
        .mail
        .be_rude(Step::Message, Rudeness::Says("550 no such studio"));
    house.start();
    put(&watch.folder.join("song.wav"), &loud("song"));
    until("status tells of the refusal", || {
        let status = house.status();
        status.contains("trouble") && status.contains("no such studio")
    });
    assert_eq!(house.ask(&["status", "--json"]).status.code(), Some(0));
    house.fence(&watch, "fence.wav");
    assert!(house.mails_about("song.wav").is_empty());
    assert!(
        house.status().contains("no such studio"),
        "it is not forgotten"
    );
}

#[test]
fn a_stop_that_was_not_mailed_before_the_end_is_mailed_after_the_next_start() {
    for signal in [Signal::TERM, Signal::KILL] {
        let mut house = House::new();
        let watch = house.guarded("exports");
        house.configure(&[&watch], "");
        house
            .mail
            .be_rude_always(Step::From, Rudeness::Says("451 later"));
        house.start();
        put(&watch.folder.join("song.wav"), &loud("song"));
        house.wait_for("song.wav", "quarantined");
        house.mail.wait_for_visits(1, LATEST);
        house.signal(signal);
        house.wait_for_the_end();
        house.mail.be_kind();
        house.start();
        house.wait_for_mail("song.wav");
        house.fence(&watch, "fence.wav");
        assert_eq!(house.mails_about("song.wav").len(), 1);
        assert_eq!(house.times_weighed("song.wav"), 1);
    }
}

#[test]
fn a_server_that_hangs_holds_up_neither_custody_nor_the_end() {
    let mut house = House::new();
    let watch = house.outbound("outbound");
    house.configure(&[&watch], "");
    house.mail.be_rude_always(Step::Greeting, Rudeness::Hangs);
    house.start();
    put(&watch.folder.join("bad.wav"), &loud("bad"));
    house.mail.wait_for_visits(1, LATEST);
    put(&watch.folder.join("good.wav"), &quiet("good"));
    house.wait_for("good.wav", "released");
    let (status, took) = house.stop();
    assert!(status.success());
    // The grace of a conversation under way is 10 s; the unit's TimeoutStopSec is 60 s.
    assert!(took.as_secs() < 30, "{took:?}");
}
