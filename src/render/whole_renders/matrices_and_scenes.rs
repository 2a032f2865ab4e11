//! Matrices and HOA scenes as a whole: sums, delays, and what cannot be rendered.

use std::sync::Arc;

use super::master::{Master, block, polar, refs, timed};
use super::{Play, assert_near, at, noise, numbers};
use crate::adm::Model;
use crate::render::Choice;

/// The common stereo pack (BS.2094) and its channels.
const STEREO: &str = "AP_00010002";
const LEFT: &str = "AC_00010001";
const RIGHT: &str = "AC_00010002";

fn coefficient(channel: &str, attributes: &str) -> String {
    format!("<coefficient {attributes}>{channel}</coefficient>")
}

/// A channel that is a sum of others, and goes to `output`.
fn sum(master: &mut Master, terms: &[String], output: Option<&str>, rest: &str) -> String {
    let output = output.map_or(String::new(), |output| {
        refs("outputChannelFormatIDRef", &[output])
    });
    let inside = format!("<matrix>{}</matrix>{output}{rest}", terms.concat());
    master.channel("Matrix", &[block("", &inside)])
}

/// A matrix from stereo to stereo whose sums are `left` and `right`, heard in 0+2+0.
fn direct(left: &[String], right: &[String]) -> (Arc<Model>, [String; 3]) {
    let mut master = Master::second_edition();
    let channels = [
        sum(&mut master, left, Some(LEFT), ""),
        sum(&mut master, right, Some(RIGHT), ""),
    ];
    let packs = refs("inputPackFormatIDRef", &[STEREO]) + &refs("outputPackFormatIDRef", &[STEREO]);
    let pack = master.pack("Matrix", &channels.each_ref().map(String::as_str), &packs);
    let uids = [master.uid(1, LEFT, &pack), master.uid(2, RIGHT, &pack)];
    let object = master.object(&[&pack], &uids.each_ref().map(String::as_str), "", "");
    let [left, right] = channels;
    (master.of(&[&object]), [left, right, pack])
}

#[test]
fn a_matrix_is_a_sum_of_tracks() {
    let (model, _) = direct(
        &[
            coefficient(LEFT, "gain=\"0.5\""),
            coefficient(RIGHT, "gain=\"-0.25\""),
        ],
        &[
            coefficient(LEFT, ""),
            coefficient(RIGHT, "gain=\"20\" gainUnit=\"dB\""),
        ],
    );
    let heard = Play::new(&model, "0+2+0").hear(&numbers(2, 600)).unwrap();
    assert_near(&at(&heard, 0), &[0.0, 21.0]);
}

/// Each coefficient's delay is rounded to whole frames by itself, halves down, as in the reference
/// renderer of BS.2127 (ear 2.1.0): `ceil(delay * rate / 1000 - 0.5)`.
#[test]
fn delays_of_a_matrix_are_whole_frames() {
    for (rate, delay_ms, frames) in [
        (48_000, "0.73", 35),     // 35.04
        (48_000, "0.03125", 1),   // 1.5
        (44_100, "1.21", 53),     // 53.36
        (96_000, "20.002", 1920), // 1920.19
    ] {
        let (model, _) = direct(
            &[coefficient(LEFT, &format!("delay=\"{delay_ms}\""))],
            &[coefficient(RIGHT, "")],
        );
        let mut play = Play::new(&model, "0+2+0");
        play.sample_rate = rate;
        let tracks = [noise(1, 3000), noise(2, 3000)];
        let heard = play.hear(&tracks).unwrap();
        assert_near(&heard[0][..frames], &vec![0.0; frames]);
        assert_near(&heard[0][frames..], &tracks[0][..3000 - frames]);
        assert_near(&heard[1], &tracks[1]);
    }
}

/// Middle and side, made and taken apart: BS.2127-1, clause 5.2.7.
#[test]
fn a_decoding_matrix_is_heard_from_what_its_tracks_carry() {
    for (carry, expected) in [
        // Encoded already: middle 1, side 2.
        ("encoded", [3.0, -1.0]),
        // Decoded already.
        ("decoded", [1.0, 2.0]),
        // Left 1, right 2: encoded and decoded when heard.
        ("plain", [1.0, 2.0]),
    ] {
        for encoder_names_decoder in [false, true] {
            let mut master = Master::new();
            let half =
                |channel: &str, sign: &str| coefficient(channel, &format!("gain=\"{sign}0.5\""));
            let middle = sum(&mut master, &[half(LEFT, ""), half(RIGHT, "")], None, "");
            let side = sum(&mut master, &[half(LEFT, ""), half(RIGHT, "-")], None, "");
            let plus = [coefficient(&middle, ""), coefficient(&side, "")];
            let minus = [coefficient(&middle, ""), coefficient(&side, "gain=\"-1\"")];
            let left = sum(&mut master, &plus, Some(LEFT), "");
            let right = sum(&mut master, &minus, Some(RIGHT), "");
            let output = refs("outputPackFormatIDRef", &[STEREO]);
            let input = refs("inputPackFormatIDRef", &[STEREO]);
            let (encoder, decoder) = if encoder_names_decoder {
                let decoder = master.pack("Matrix", &[&left, &right], &output);
                let named = input + &refs("decodePackFormatIDRef", &[&decoder]);
                (master.pack("Matrix", &[&middle, &side], &named), decoder)
            } else {
                let encoder = master.pack("Matrix", &[&middle, &side], &input);
                let named = output + &refs("encodePackFormatIDRef", &[&encoder]);
                let decoder = master.pack("Matrix", &[&left, &right], &named);
                (encoder, decoder)
            };
            let uids = match carry {
                "encoded" => [
                    master.uid(1, &middle, &decoder),
                    master.uid(2, &side, &decoder),
                ],
                "decoded" => [
                    master.uid(1, &left, &decoder),
                    master.uid(2, &right, &decoder),
                ],
                _ => [
                    master.uid(1, LEFT, &encoder),
                    master.uid(2, RIGHT, &encoder),
                ],
            };
            let object = master.object(&[&decoder], &uids.each_ref().map(String::as_str), "", "");
            let model = master.of(&[&object]);
            let heard = Play::new(&model, "0+2+0").hear(&numbers(2, 600)).unwrap();
            assert_near(&at(&heard, 599), &expected);
        }
    }
}

/// The reference renderer of BS.2127 (ear 2.1.0) refuses each of these but the last two.
#[test]
fn matrices_that_contradict_themselves_are_refused_with_the_element() {
    let plain = |channel: &str| [coefficient(channel, "")];
    for (attributes, says) in [
        ("phase=\"90\"", "a phase or a variable"),
        ("gainVar=\"x\"", "a phase or a variable"),
        ("delay=\"-1\"", "negative or over ten seconds"),
        ("delay=\"20000\"", "negative or over ten seconds"),
        ("gain=\"1e9\"", "over 120 dB"),
    ] {
        let (model, [left, ..]) = direct(&[coefficient(LEFT, attributes)], &plain(RIGHT));
        let refused = Play::new(&model, "0+2+0")
            .hear(&numbers(2, 600))
            .unwrap_err();
        assert!(
            refused.starts_with(&format!("{left}: ")) && refused.contains(says),
            "{refused}"
        );
    }
    let (model, [left, ..]) = direct(&plain("AC_00010003"), &plain(RIGHT));
    let refused = Play::new(&model, "0+2+0")
        .hear(&numbers(2, 600))
        .unwrap_err();
    assert_eq!(
        refused,
        format!("{left}: the matrix reads channel AC_00010003, which pack {STEREO} does not hold")
    );

    let mut master = Master::new();
    let twice = [0, 1].map(|_| sum(&mut master, &plain(LEFT), Some(LEFT), ""));
    let packs = refs("inputPackFormatIDRef", &[STEREO]) + &refs("outputPackFormatIDRef", &[STEREO]);
    let pack = master.pack("Matrix", &twice.each_ref().map(String::as_str), &packs);
    let uids = [master.uid(1, LEFT, &pack), master.uid(2, RIGHT, &pack)];
    let object = master.object(&[&pack], &uids.each_ref().map(String::as_str), "", "");
    let model = master.of(&[&object]);
    let refused = Play::new(&model, "0+2+0")
        .hear(&numbers(2, 600))
        .unwrap_err();
    assert!(refused.starts_with(&format!("{}: ", twice[1])), "{refused}");
}

#[test]
fn delays_that_would_fill_the_memory_are_refused() {
    let terms: Vec<String> = (0..400)
        .map(|_| coefficient(LEFT, "delay=\"9000\""))
        .collect();
    let (model, _) = direct(&terms, &[coefficient(RIGHT, "")]);
    let refused = Play::new(&model, "0+2+0")
        .hear(&numbers(2, 600))
        .unwrap_err();
    assert!(refused.contains("hold back 172800000 frames"), "{refused}");
}

/// One HOA object of these channels: order, degree and what else stands in the block.
fn scene(channels: &[(i32, i32, &str)], in_pack: &str, rest: &str) -> (Arc<Model>, Vec<String>) {
    let mut master = Master::second_edition();
    let ids: Vec<String> = channels
        .iter()
        .map(|(order, degree, rest)| {
            let inside = format!("<order>{order}</order><degree>{degree}</degree>{rest}");
            master.channel("HOA", &[block("", &inside)])
        })
        .collect();
    let names: Vec<&str> = ids.iter().map(String::as_str).collect();
    let pack = master.pack("HOA", &names, in_pack);
    let uids: Vec<String> = names
        .iter()
        .enumerate()
        .map(|(n, name)| master.uid(n + 1, name, &pack))
        .collect();
    let uids: Vec<&str> = uids.iter().map(String::as_str).collect();
    let object = master.object(&[&pack], &uids, "", rest);
    (master.of(&[&object]), ids)
}

const FIRST_ORDER: [(i32, i32, &str); 4] = [(0, 0, ""), (1, -1, ""), (1, 0, ""), (1, 1, "")];

fn first_order(blocks: [&str; 4], in_pack: &str, rest: &str) -> Arc<Model> {
    let channels: [(i32, i32, &str); 4] = std::array::from_fn(|n| {
        let (order, degree, _) = FIRST_ORDER[n];
        (order, degree, blocks[n])
    });
    scene(&channels, in_pack, rest).0
}

#[test]
fn gains_of_a_scene_are_gains_of_its_tracks() {
    let tracks: Vec<Vec<f64>> = (1..=4).map(|track| noise(track, 700)).collect();
    let plain = first_order([""; 4], "", "");
    let gains = [
        "",
        "<gain>0.5</gain>",
        "<gain>-2</gain>",
        "<gain gainUnit=\"dB\">20</gain>",
    ];
    let scaled: Vec<Vec<f64>> = tracks
        .iter()
        .zip([1.0, 0.5, -2.0, 10.0])
        .map(|(track, gain)| track.iter().map(|sample| 0.25 * gain * sample).collect())
        .collect();
    let expected = Play::new(&plain, "4+5+0").hear(&scaled).unwrap();
    let model = first_order(gains, "", "<gain>0.25</gain>");
    let heard = Play::new(&model, "4+5+0").hear(&tracks).unwrap();
    for (heard, expected) in heard.iter().zip(&expected) {
        assert_near(heard, expected);
    }
}

/// N3D is SN3D times the root of `2 order + 1` (BS.2076-2, clause 11).
#[test]
fn pack_and_block_may_say_the_normalization() {
    let tracks: Vec<Vec<f64>> = (1..=4).map(|track| noise(track, 700)).collect();
    let said = "<normalization>N3D</normalization>";
    let in_pack = first_order([""; 4], said, "");
    let in_blocks = first_order([said; 4], "", "");
    let render = |model| Play::new(model, "0+5+0").hear(&tracks).unwrap();
    assert_eq!(render(&in_pack), render(&in_blocks));
    let plain = first_order([""; 4], "", "");
    let mut as_sn3d = tracks.clone();
    for sample in as_sn3d[1..].iter_mut().flatten() {
        *sample /= 3.0_f64.sqrt();
    }
    let expected = Play::new(&plain, "0+5+0").hear(&as_sn3d).unwrap();
    for (heard, expected) in render(&in_pack).iter().zip(&expected) {
        assert_near(heard, expected);
    }
}

#[test]
fn the_order_of_the_channels_does_not_matter() {
    let channels = [(2, -2, ""), (0, 0, ""), (1, 1, ""), (2, 1, ""), (1, -1, "")];
    let mut turned = channels;
    turned.reverse();
    for said in ["SN3D", "N3D", "FuMa"] {
        let said = format!("<normalization>{said}</normalization>");
        let mut tracks: Vec<Vec<f64>> = (1..=5).map(|track| noise(track, 600)).collect();
        let (model, _) = scene(&channels, &said, "");
        let heard = Play::new(&model, "4+7+0").hear(&tracks).unwrap();
        let (model, _) = scene(&turned, &said, "");
        tracks.reverse();
        let again = Play::new(&model, "4+7+0").hear(&tracks).unwrap();
        for (heard, again) in heard.iter().zip(&again) {
            assert_near(heard, again);
        }
    }
}

/// The reference renderer of BS.2127 (ear 2.1.0) refuses each of these but a degree beyond its
/// order, which is no component at all (BS.2076-2, clause 11).
#[test]
fn scenes_that_contradict_themselves_are_refused_with_the_channel() {
    let later = timed(0.01, 0.1);
    for (second, in_pack, says) in [
        ((0, 0, ""), "", "order 0, degree 0 is there twice"),
        ((1, 2, ""), "", "degree 2"),
        ((4, 0, ""), "<normalization>FuMa</normalization>", "FuMa"),
        (
            (1, 0, "<normalization>N3D</normalization>"),
            "",
            "normalization",
        ),
        (
            (1, 0, "<normalization>N3D</normalization>"),
            "<normalization>SN3D</normalization>",
            "normalization",
        ),
        (
            (1, 0, "<normalization>XYZ</normalization>"),
            "",
            "normalization",
        ),
        ((1, 0, "<equation>x</equation>"), "", "no equation"),
    ] {
        let (model, ids) = scene(&[(0, 0, ""), second], in_pack, "");
        let refused = Play::new(&model, "0+2+0")
            .hear(&numbers(2, 600))
            .unwrap_err();
        let names = refused.starts_with("AP_") || refused.starts_with(&ids[1]);
        assert!(names && refused.contains(says), "{refused}");
    }
    let mut master = Master::new();
    let ids = [("", 0), (later.as_str(), 1)].map(|(times, order)| {
        let inside = format!("<order>{order}</order><degree>0</degree>");
        master.channel("HOA", &[block(times, &inside)])
    });
    let pack = master.pack("HOA", &ids.each_ref().map(String::as_str), "");
    let uids = [master.uid(1, &ids[0], &pack), master.uid(2, &ids[1], &pack)];
    let object = master.object(&[&pack], &uids.each_ref().map(String::as_str), "", "");
    let refused = Play::new(&master.of(&[&object]), "0+2+0")
        .hear(&numbers(2, 600))
        .unwrap_err();
    assert!(refused.starts_with(&ids[1]), "{refused}");
}

/// BS.2127-1, clause 5.3.1: a channel's importance silences it, and the others are decoded as
/// before.
#[test]
fn less_important_channels_of_a_scene_are_silent() {
    let tracks: Vec<Vec<f64>> = (1..=4).map(|track| noise(track, 600)).collect();
    let low = "<importance>3</importance>";
    let model = first_order(["", "", low, low], "", "");
    let mut play = Play::new(&model, "0+5+0");
    play.choice = Choice {
        importance: Some(4),
        ..Choice::default()
    };
    let heard = play.hear(&tracks).unwrap();
    let mut silenced = tracks.clone();
    silenced[2..]
        .iter_mut()
        .flatten()
        .for_each(|sample| *sample = 0.0);
    let expected = Play::new(&model, "0+5+0").hear(&silenced).unwrap();
    for (heard, expected) in heard.iter().zip(&expected) {
        assert_near(heard, expected);
    }
}

#[test]
fn a_matrix_may_feed_moving_objects() {
    let mut master = Master::new();
    let blocks = [
        block(&timed(0.0, 0.005), &polar(30.0, 0.0)),
        block(
            &timed(0.005, 0.005),
            &(polar(-30.0, 0.0) + "<jumpPosition>1</jumpPosition>"),
        ),
    ];
    let object = master.channel("Objects", &blocks);
    let objects = master.pack("Objects", &[&object], "");
    let terms = [coefficient(LEFT, "gain=\"0.5\""), coefficient(RIGHT, "")];
    let matrix = sum(&mut master, &terms, Some(&object), "");
    let packs =
        refs("inputPackFormatIDRef", &[STEREO]) + &refs("outputPackFormatIDRef", &[&objects]);
    let pack = master.pack("Matrix", &[&matrix], &packs);
    let uids = [master.uid(1, LEFT, &pack), master.uid(2, RIGHT, &pack)];
    let object = master.object(&[&pack], &uids.each_ref().map(String::as_str), "", "");
    let model = master.of(&[&object]);
    let heard = Play::new(&model, "0+5+0").hear(&numbers(2, 600)).unwrap();
    assert_near(&at(&heard, 100)[..2], &[2.5, 0.0]);
    assert_near(&at(&heard, 300)[..2], &[0.0, 2.5]);
    assert_near(&at(&heard, 500)[..2], &[0.0, 0.0]);
}
