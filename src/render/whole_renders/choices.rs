//! What is heard of a file that offers several things (ITU-R BS.2127-1, clause 5).
//!
//! Every track holds its own number and every object stands in one loudspeaker, so that the
//! loudspeakers of 0+5+0 tell which tracks are heard. Each outcome is also that of the reference
//! renderer of BS.2127 (ear 2.1.0; for BS.2076-2 its development state of 2024).

use std::sync::Arc;

use super::master::{Master, block, polar, refs, timed};
use super::{Play, assert_near, at, model_of, numbers};
use crate::adm::Model;
use crate::adm::chna::ChnaRow;
use crate::adm::parse::without_axml;
use crate::render::{Choice, select};

/// The loudspeakers of 0+5+0 that are no LFE, by the track that plays in each below.
const AZIMUTHS: [f64; 5] = [30.0, -30.0, 0.0, 110.0, -110.0];
/// Output places of those.
const PLACES: [usize; 5] = [0, 1, 2, 4, 5];

/// One object in each of the first loudspeakers.
fn objects<const N: usize>(master: &mut Master) -> [String; N] {
    std::array::from_fn(|n| master.single("Objects", n + 1, &[block("", &polar(AZIMUTHS[n], 0.0))]))
}

fn hear(model: &Arc<Model>, choice: Choice) -> Result<Vec<f64>, String> {
    let mut play = Play::new(model, "0+5+0");
    play.choice = choice;
    let heard = play.hear(&numbers(9, 600))?;
    let heard = at(&heard, 500);
    assert_eq!(heard[3], 0.0, "nothing here is an LFE");
    Ok(PLACES.map(|place| heard[place]).to_vec())
}

#[track_caller]
fn assert_heard(model: &Arc<Model>, expected: [f64; 5]) {
    assert_near(&hear(model, Choice::default()).unwrap(), &expected);
}

fn programme(id: &str) -> Choice {
    Choice {
        programme: Some(id.to_owned()),
        ..Choice::default()
    }
}

#[test]
fn the_programme_with_the_lowest_id_is_heard_or_the_one_that_is_chosen() {
    let mut master = Master::new();
    let [one, two, three] = objects(&mut master);
    let contents = [&one, &two, &three].map(|object| master.content(&[object], ""));
    master.programme("APR_100A", &[&contents[0]], "");
    master.programme("APR_1002", &[&contents[1], &contents[2]], "");
    let model = master.model();
    assert_heard(&model, [0.0, 2.0, 3.0, 0.0, 0.0]);
    assert_near(
        &hear(&model, programme("apr_100a")).unwrap(),
        &[1.0, 0.0, 0.0, 0.0, 0.0],
    );
    assert_eq!(
        hear(&model, programme("APR_1009")).unwrap_err(),
        "there is no audioProgramme APR_1009; the file has APR_100A, APR_1002"
    );
}

#[test]
fn an_object_in_two_contents_is_heard_twice() {
    let mut master = Master::new();
    let [one, two] = objects(&mut master);
    let contents = [
        master.content(&[&one, &two], ""),
        master.content(&[&two], ""),
    ];
    master.programme("APR_1001", &[&contents[0], &contents[1]], "");
    assert_heard(&master.model(), [1.0, 4.0, 0.0, 0.0, 0.0]);
}

#[test]
fn without_a_programme_every_object_is_heard_once() {
    let mut master = Master::new();
    let [one, _, three] = objects(&mut master);
    let inner = refs("audioObjectIDRef", &[&one, &three]);
    master.object(&[], &[], "", &inner);
    assert_heard(&master.model(), [1.0, 2.0, 3.0, 0.0, 0.0]);
}

fn complementary(chosen: &[&str]) -> Result<Vec<f64>, String> {
    let mut master = Master::new();
    let [two, three, four] = objects(&mut master);
    let channel = master.channel("Objects", &[block("", &polar(110.0, 0.0))]);
    let pack = master.pack("Objects", &[&channel], "");
    let uid = master.uid(4, &channel, &pack);
    let others = refs("audioComplementaryObjectIDRef", &[&two, &three]);
    let root = master.object(&[&pack], &[&uid], "", &others);
    let ids = [&root, &two, &three, &four].map(String::as_str);
    let model = master.of(&ids);
    let names = |name: &&str| match *name {
        "root" => root.clone(),
        "one" => two.clone(),
        "two" => three.clone(),
        _ => four.clone(),
    };
    let choice = Choice {
        complementary: chosen.iter().map(names).collect(),
        ..Choice::default()
    };
    hear(&model, choice)
}

/// Clause 5.2.6.
#[test]
fn of_complementary_objects_one_is_heard() {
    assert_near(&complementary(&[]).unwrap(), &[0.0, 0.0, 3.0, 4.0, 0.0]);
    assert_near(
        &complementary(&["root"]).unwrap(),
        &[0.0, 0.0, 3.0, 4.0, 0.0],
    );
    assert_near(
        &complementary(&["two"]).unwrap(),
        &[0.0, 2.0, 3.0, 0.0, 0.0],
    );
    assert!(
        complementary(&["one", "two"])
            .unwrap_err()
            .contains("one can be heard")
    );
    let other = complementary(&["other"]).unwrap_err();
    assert!(
        other.contains("not part of a complementary group"),
        "{other}"
    );
}

/// BS.2076-2, clause 5.6: gain, mute; a set replaces what it says and nothing else.
#[test]
fn an_alternative_value_set_replaces_what_it_says() {
    let render = |of_programme: &[&str], of_content: &[&str]| {
        let mut master = Master::second_edition();
        let set = |id: &str, says: &str| {
            format!(
                "<alternativeValueSet alternativeValueSetID=\"{id}\">{says}</alternativeValueSet>"
            )
        };
        let rest = "<gain>0.5</gain><mute>1</mute>".to_owned()
            + &set("AVS_1001_0001", "<mute>0</mute>")
            + &set(
                "AVS_1001_0002",
                "<mute>0</mute><gain gainUnit=\"dB\">20</gain>",
            )
            + &set(
                "AVS_1001_0003",
                "<mute>0</mute><positionOffset coordinate=\"azimuth\">-60</positionOffset>",
            );
        let place = [block("", &polar(30.0, 0.0))];
        let object = master.single_with("Objects", 1, &place, "", &rest);
        let [other] = objects(&mut master);
        let uses = |ids: &[&str]| refs("alternativeValueSetIDRef", ids);
        let content = master.content(&[&object, &other], &uses(of_content));
        master.programme("APR_1001", &[&content], &uses(of_programme));
        hear(&master.model(), Choice::default())
    };
    assert_near(&render(&[], &[]).unwrap(), &[1.0, 0.0, 0.0, 0.0, 0.0]);
    assert_near(
        &render(&["AVS_1001_0001"], &[]).unwrap(),
        &[1.5, 0.0, 0.0, 0.0, 0.0],
    );
    assert_near(
        &render(&[], &["AVS_1001_0002"]).unwrap(),
        &[11.0, 0.0, 0.0, 0.0, 0.0],
    );
    assert_near(
        &render(&["AVS_1001_0003"], &[]).unwrap(),
        &[1.0, 0.5, 0.0, 0.0, 0.0],
    );
    let both = render(&["AVS_1001_0001"], &["AVS_1001_0002"]).unwrap_err();
    assert!(
        both.contains("AVS_1001_0001 and AVS_1001_0002 are both in use"),
        "{both}"
    );
}

#[test]
fn values_of_an_object_that_holds_others_are_refused_rather_than_ignored() {
    for rest in [
        "<gain>0.5</gain>",
        "<mute>1</mute>",
        "<positionOffset coordinate=\"azimuth\">5</positionOffset>",
    ] {
        let mut master = Master::second_edition();
        let [one] = objects(&mut master);
        let inner = refs("audioObjectIDRef", &[&one]);
        let outer = master.object(&[], &[], "", &format!("{rest}{inner}"));
        let refused = hear(&master.of(&[&outer]), Choice::default()).unwrap_err();
        assert!(refused.starts_with(&format!("{outer}: ")), "{refused}");
    }
}

#[test]
fn a_position_offset_goes_on_over_the_pole() {
    let mut master = Master::second_edition();
    let rest = "<positionOffset coordinate=\"elevation\">150</positionOffset>";
    let place = [block("", &polar(150.0, 30.0))];
    let object = master.single_with("Objects", 1, &place, "", rest);
    let speaker = "<speakerLabel>M+000</speakerLabel>".to_owned() + &polar(0.0, 0.0);
    let bed = master.single_with("DirectSpeakers", 2, &[block("", &speaker)], "", "");
    assert_heard(&master.of(&[&object, &bed]), [0.0, 1.0, 2.0, 0.0, 0.0]);

    let mut master = Master::second_edition();
    let bed = master.single_with("DirectSpeakers", 2, &[block("", &speaker)], "", rest);
    let refused = hear(&master.of(&[&bed]), Choice::default()).unwrap_err();
    assert!(
        refused.contains("positionOffset moves objects"),
        "{refused}"
    );
}

/// Clause 5.3.1: an object or pack under the threshold is left out, a block is silent.
#[test]
fn what_is_less_important_than_asked_for_is_not_heard() {
    let mut master = Master::new();
    let place = |n: usize| block("", &polar(AZIMUTHS[n], 0.0));
    let four = master.single_with("Objects", 1, &[place(0)], "importance=\"4\"", "");
    let channel = master.channel("Objects", &[place(1)]);
    let pack = master.pack_with("Objects", "importance=\"6\"", &[&channel], "");
    let uid = master.uid(2, &channel, &pack);
    let six = master.object(&[&pack], &[&uid], "", "");
    let blocks = [
        block(
            &timed(0.0, 0.005),
            &(polar(0.0, 0.0) + "<importance>9</importance>"),
        ),
        block(
            &timed(0.005, 0.02),
            &(polar(0.0, 0.0) + "<importance>2</importance><jumpPosition>1</jumpPosition>"),
        ),
    ];
    let two_later = master.single("Objects", 3, &blocks);
    let [inner] = [master.single_with("Objects", 4, &[place(3)], "importance=\"9\"", "")];
    let outer = refs("audioObjectIDRef", &[&inner]);
    let three = master.object(&[], &[], "importance=\"3\"", &outer);
    let model = master.of(&[&four, &six, &two_later, &three]);
    let from = |importance| {
        hear(
            &model,
            Choice {
                importance: Some(importance),
                ..Choice::default()
            },
        )
        .unwrap()
    };
    assert_near(&from(0), &[1.0, 2.0, 3.0, 4.0, 0.0]);
    assert_near(&from(3), &[1.0, 2.0, 0.0, 4.0, 0.0]);
    assert_near(&from(4), &[1.0, 2.0, 0.0, 0.0, 0.0]);
    assert_near(&from(6), &[0.0, 2.0, 0.0, 0.0, 0.0]);
}

/// Clause 5.2.7, `ATU_00000000`.
#[test]
fn a_silent_track_takes_the_channel_that_is_left() {
    let mut master = Master::new();
    let channels: [String; 3] =
        std::array::from_fn(|n| master.channel("Objects", &[block("", &polar(AZIMUTHS[n], 0.0))]));
    let names = channels.each_ref().map(String::as_str);
    let pack = master.pack("Objects", &names, "");
    let (three, one) = (
        master.uid(3, names[2], &pack),
        master.uid(1, names[0], &pack),
    );
    let object = master.object(&[&pack], &[&three, "ATU_00000000", &one], "", "");
    assert_heard(&master.of(&[&object]), [1.0, 0.0, 3.0, 0.0, 0.0]);
}

#[test]
fn tracks_and_packs_that_do_not_go_together_are_refused() {
    let make = |tracks: &[usize], silent: usize| {
        let mut master = Master::new();
        let channels: [String; 3] = std::array::from_fn(|n| {
            master.channel("Objects", &[block("", &polar(AZIMUTHS[n], 0.0))])
        });
        let names = channels.each_ref().map(String::as_str);
        let pack = master.pack("Objects", &names, "");
        let mut uids: Vec<String> = tracks
            .iter()
            .map(|&track| master.uid(track, names[track - 1], &pack))
            .collect();
        uids.extend((0..silent).map(|_| "ATU_00000000".to_owned()));
        let uids: Vec<&str> = uids.iter().map(String::as_str).collect();
        let object = master.object(&[&pack], &uids, "", "");
        (hear(&master.of(&[&object]), Choice::default()), object)
    };
    make(&[1, 2, 3], 0).0.unwrap();
    for (tracks, silent) in [
        (&[1, 2][..], 0),
        (&[1, 2, 3], 1),
        (&[1, 2, 2], 0),
        (&[1, 2, 3, 3], 0),
    ] {
        let (refused, object) = make(tracks, silent);
        let refused = refused.unwrap_err();
        assert!(
            refused.starts_with(&format!("audioObject {object}: ")),
            "{refused}"
        );
    }
}

/// A file without axml: chna points at the common definitions (BS.2094).
#[test]
fn tracks_without_objects_are_heard_when_they_can_be_read_in_one_way() {
    let hear_rows = |rows: &[(&str, &str)]| {
        let rows: Vec<ChnaRow> = rows
            .iter()
            .enumerate()
            .map(|(index, (channel, pack))| ChnaRow {
                track_index: u16::try_from(index + 1).unwrap(),
                uid: format!("ATU_{:08x}", index + 1),
                track_ref: format!("AT_{channel}_01"),
                pack_ref: (*pack).to_owned(),
            })
            .collect();
        hear(&Arc::new(without_axml(&rows).model), Choice::default())
    };
    let stereo = [("00010001", "AP_00010002"), ("00010002", "AP_00010002")];
    let mono = [("00010003", "AP_00010001")];
    let both = [&mono[..], &stereo].concat();
    assert_near(&hear_rows(&both).unwrap(), &[2.0, 3.0, 1.0, 0.0, 0.0]);
    let twice = [stereo, stereo].concat();
    assert_eq!(
        hear_rows(&twice).unwrap_err(),
        "the chna chunk: the packs and tracks can be read in more than one way"
    );
    assert!(
        hear_rows(&stereo[..1])
            .unwrap_err()
            .contains("contradict each other")
    );
}

#[test]
fn a_track_may_play_several_channels_and_be_named_by_any_pack_on_the_way() {
    let mut master = Master::new();
    let channels: [String; 3] =
        std::array::from_fn(|n| master.channel("Objects", &[block("", &polar(AZIMUTHS[n], 0.0))]));
    let names = channels.each_ref().map(String::as_str);
    let inner = master.pack("Objects", &names[..2], "");
    let outer = master.pack(
        "Objects",
        &names[2..],
        &refs("audioPackFormatIDRef", &[&inner]),
    );
    let uids = [
        master.uid(5, names[0], &outer),
        master.uid(5, names[1], &inner),
        master.uid(7, names[2], &outer),
    ];
    let object = master.object(&[&outer], &uids.each_ref().map(String::as_str), "", "");
    assert_heard(&master.of(&[&object]), [5.0, 5.0, 7.0, 0.0, 0.0]);
}

#[test]
fn a_pack_that_holds_something_twice_harms_only_who_uses_it() {
    let mut master = Master::new();
    let channel = master.channel("Objects", &[block("", &polar(30.0, 0.0))]);
    let inner = master.pack("Objects", &[&channel], "");
    let inside = refs("audioPackFormatIDRef", &[&inner]);
    let outer = master.pack("Objects", &[&channel], &inside);
    let uid = master.uid(1, &channel, &inner);
    let good = master.object(&[&inner], &[&uid], "", "");
    let bad = master.object(&[&outer], &[&uid, &uid], "", "");
    let contents = [master.content(&[&good], ""), master.content(&[&bad], "")];
    master.programme("APR_1001", &[&contents[0]], "");
    master.programme("APR_1002", &[&contents[1]], "");
    let model = master.model();
    assert_heard(&model, [1.0, 0.0, 0.0, 0.0, 0.0]);
    assert_eq!(
        hear(&model, programme("APR_1002")).unwrap_err(),
        format!("{outer}: the audioPackFormat holds {channel} twice")
    );
}

/// Two objects that each name the next two double the ways with every step.
#[test]
fn objects_that_multiply_are_refused_before_they_fill_the_memory() {
    let mut text = String::from(
        "<audioFormatExtended><audioObject audioObjectID=\"AO_2000\" audioObjectName=\"o\"/>\
         <audioObject audioObjectID=\"AO_3000\" audioObjectName=\"o\"/>",
    );
    for step in 1..30 {
        let inner = refs(
            "audioObjectIDRef",
            &[
                &format!("AO_{:04x}", 0x2000 + step - 1),
                &format!("AO_{:04x}", 0x3000 + step - 1),
            ],
        );
        for row in [0x2000, 0x3000] {
            text += &format!(
                "<audioObject audioObjectID=\"AO_{:04x}\" audioObjectName=\"o\">{inner}</audioObject>",
                row + step
            );
        }
    }
    let model = model_of(&(text + "</audioFormatExtended>"));
    let refused = select(&model, &Choice::default(), 48_000)
        .unwrap_err()
        .to_string();
    assert!(refused.contains("too many"), "{refused}");
}
