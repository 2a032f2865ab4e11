//! What is told of whole small masters: copies, twins, a stereo file in disguise, the edges.

use std::fmt::Write;

use super::*;
use crate::adm::chna::ChnaRow;
use crate::adm::parse::{Limits, parse};
use crate::render::{Choice, select};

const RATE: u32 = 48_000;
const FRAMES: usize = 2 * RATE as usize;

fn noise(seed: u64) -> Vec<f64> {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    (0..FRAMES)
        .map(|_| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            0.2 * ((state >> 33) as f64 / f64::from(1u32 << 30) - 1.0)
        })
        .collect()
}

/// A 5.1 bed in one object, then objects of one channel with name, azimuth and attributes.
fn document(objects: &[(&str, f64, &str)]) -> (String, Vec<ChnaRow>) {
    let labels = ["M+030", "M-030", "M+000", "LFE1", "M+110", "M-110"];
    let azimuths = [30.0, -30.0, 0.0, 0.0, 110.0, -110.0];
    let mut xml = String::from("<audioFormatExtended version=\"ITU-R_BS.2076-2\">");
    let mut rows = Vec::new();
    let mut ids = String::from("<audioObjectIDRef>AO_1001</audioObjectIDRef>");
    let (mut channels, mut uids) = (String::new(), String::new());
    let mut track = |xml: &mut String, kind: &str, number: usize, pack: &str, block: &str| {
        let label = if kind == "Objects" { 3 } else { 1 };
        let (id, channel) = (
            format!("ATU_{number:08x}"),
            format!("AC_{label:04x}{:04x}", 0x1000 + number),
        );
        let _ = write!(
            xml,
            "<audioChannelFormat audioChannelFormatID=\"{channel}\" audioChannelFormatName=\"c\" typeDefinition=\"{kind}\">\
             <audioBlockFormat audioBlockFormatID=\"AB_{}_00000001\">{block}</audioBlockFormat></audioChannelFormat>\
             <audioTrackUID UID=\"{id}\"><audioChannelFormatIDRef>{channel}</audioChannelFormatIDRef><audioPackFormatIDRef>{pack}</audioPackFormatIDRef></audioTrackUID>",
            &channel[3..]
        );
        rows.push(ChnaRow {
            track_index: number as u16,
            uid: id.clone(),
            ..ChnaRow::default()
        });
        (channel, id)
    };
    let place = |azimuth: f64| {
        format!(
            "<position coordinate=\"azimuth\">{azimuth}</position><position coordinate=\"elevation\">0</position>"
        )
    };
    for (index, (label, azimuth)) in labels.iter().zip(azimuths).enumerate() {
        let block = format!("<speakerLabel>{label}</speakerLabel>{}", place(azimuth));
        let (channel, uid) = track(&mut xml, "DirectSpeakers", index + 1, "AP_00011001", &block);
        let _ = write!(
            channels,
            "<audioChannelFormatIDRef>{channel}</audioChannelFormatIDRef>"
        );
        let _ = write!(uids, "<audioTrackUIDRef>{uid}</audioTrackUIDRef>");
    }
    let _ = write!(
        xml,
        "<audioPackFormat audioPackFormatID=\"AP_00011001\" audioPackFormatName=\"Bed\" typeDefinition=\"DirectSpeakers\">{channels}</audioPackFormat>\
         <audioObject audioObjectID=\"AO_1001\" audioObjectName=\"Bed\"><audioPackFormatIDRef>AP_00011001</audioPackFormatIDRef>{uids}</audioObject>"
    );
    for (index, (name, azimuth, attributes)) in objects.iter().enumerate() {
        let number = index + 7;
        let (pack, object) = (
            format!("AP_0003{:04x}", 0x1000 + number),
            format!("AO_{:04x}", 0x1000 + number),
        );
        let (channel, uid) = track(&mut xml, "Objects", number, &pack, &place(*azimuth));
        let _ = write!(
            xml,
            "<audioPackFormat audioPackFormatID=\"{pack}\" audioPackFormatName=\"p\" typeDefinition=\"Objects\"><audioChannelFormatIDRef>{channel}</audioChannelFormatIDRef></audioPackFormat>\
             <audioObject audioObjectID=\"{object}\" audioObjectName=\"{name}\"><audioPackFormatIDRef>{pack}</audioPackFormatIDRef><audioTrackUIDRef>{uid}</audioTrackUIDRef>{attributes}</audioObject>"
        );
        let _ = write!(ids, "<audioObjectIDRef>{object}</audioObjectIDRef>");
    }
    let _ = write!(
        xml,
        "<audioContent audioContentID=\"ACO_1001\" audioContentName=\"c\">{ids}</audioContent>\
         <audioProgramme audioProgrammeID=\"APR_1001\" audioProgrammeName=\"p\"><audioContentIDRef>ACO_1001</audioContentIDRef></audioProgramme></audioFormatExtended>"
    );
    (xml, rows)
}

fn measured(objects: &[(&str, f64, &str)], tracks: &[Vec<f64>]) -> Immersive {
    let (xml, rows) = document(objects);
    let model = Arc::new(
        parse(xml.as_bytes(), &Limits::default(), &rows)
            .unwrap()
            .model,
    );
    let scene = Arc::new(select(&model, &Choice::default(), RATE).unwrap());
    let mut meters = ImmersiveMeters::new(ImmersiveOrder {
        model,
        scene,
        layouts: vec![SpeakerLayout::named("0+5+0").unwrap()],
        tracks: tracks.len(),
        sample_rate: Hertz::new(RATE).unwrap(),
        over_ceiling_dbtp: -1.0,
        translation: false,
        bed_channels: true,
        head: None,
    })
    .unwrap();
    for from in (0..FRAMES).step_by(1000) {
        let block: Vec<&[f64]> = tracks
            .iter()
            .map(|track| &track[from..from + 1000])
            .collect();
        meters.feed(&block);
    }
    meters.finish().unwrap()
}

fn silence() -> Vec<f64> {
    vec![0.0; FRAMES]
}

/// A bed of six different channels.
fn bed() -> Vec<Vec<f64>> {
    (1..=6).map(noise).collect()
}

#[test]
fn an_honest_master_has_no_copies_and_no_disguise() {
    let tracks = [bed(), vec![noise(7), noise(8)]].concat();
    let content = measured(&[("Vox L", 20.0, ""), ("Vox R", -20.0, "")], &tracks).content;
    assert_eq!((content.duplicates, content.silent_twins), (vec![], vec![]));
    assert_eq!(content.disguise, Disguise::No);
    assert_eq!((content.beds.len(), content.no_beds), (1, None));
    assert_eq!(content.beds[0].tracks, [1, 2, 3, 4, 5, 6]);
}

/// 10 lg of the square of the ratio of the samples; the angle is that of the document.
#[test]
fn the_same_object_twice_is_told_with_its_level_and_its_place() {
    let copy: Vec<f64> = noise(7).iter().map(|v| 0.5 * v).collect();
    let tracks = [bed(), vec![noise(7), copy, noise(7)]].concat();
    let objects = [
        ("Vox", 20.0, ""),
        ("Vox soft", 20.0, ""),
        ("Vox wide", -40.0, ""),
    ];
    let content = measured(&objects, &tracks).content;
    let found: Vec<_> = content
        .duplicates
        .iter()
        .map(|d| (d.tracks, d.identical))
        .collect();
    assert_eq!(found, [([7, 8], false), ([7, 9], true), ([8, 9], false)]);
    let first = &content.duplicates[0];
    assert!((first.level_difference_db - 20.0 * 2f64.log10()).abs() < 1e-6);
    assert!(first.apart_deg.unwrap().abs() < 1e-9);
    assert!((content.duplicates[1].apart_deg.unwrap() - 60.0).abs() < 1e-6);
}

#[test]
fn a_silent_or_muted_twin_is_told_with_the_one_that_sounds() {
    let tracks = [bed(), vec![noise(7), silence(), noise(8), noise(9)]].concat();
    let objects = [
        ("Vox L", 20.0, ""),
        ("Vox R", -20.0, ""),
        ("Gtr L", 60.0, ""),
        ("Gtr R", -60.0, "<gain>0</gain>"),
    ];
    let twins = measured(&objects, &tracks).content.silent_twins;
    let found: Vec<_> = twins
        .iter()
        .map(|t| (t.silent, t.sounding, t.why))
        .collect();
    assert_eq!(
        found,
        [(7, 6, Unheard::SilentTrack), (9, 8, Unheard::Muted)]
    );
}

#[test]
fn two_sounding_channels_are_a_stereo_file_in_disguise() {
    let tracks = [
        vec![noise(1), noise(2)],
        vec![silence(); 4],
        vec![silence()],
    ]
    .concat();
    let content = measured(&[("Vox", 0.0, "")], &tracks).content;
    assert_eq!(content.disguise, Disguise::FewTracks { tracks: vec![1, 2] });
}

#[test]
fn a_front_pair_spread_over_the_bed_is_a_stereo_file_in_disguise() {
    let (left, right) = (noise(1), noise(2));
    let scaled = |of: &[f64]| -> Vec<f64> { of.iter().map(|v| 0.7 * v).collect() };
    let middle: Vec<f64> = left
        .iter()
        .zip(&right)
        .map(|(l, r)| 0.5 * (l + r))
        .collect();
    let back = [scaled(&left), scaled(&right)];
    let spread = |back: [Vec<f64>; 2]| {
        let [back_left, back_right] = back;
        let bed = vec![
            left.clone(),
            right.clone(),
            middle.clone(),
            noise(4),
            back_left,
            back_right,
        ];
        measured(&[], &bed).content.disguise
    };
    let Disguise::FrontPairSpread { tracks, least } = spread(back.clone()) else {
        panic!("not told");
    };
    assert_eq!(tracks, [1, 2, 3, 5, 6]);
    assert!(least > 0.999, "{least}");
    // Surrounds of their own beside it: r = 0.7 / sqrt(0.7^2 + 0.7^2).
    let own = [noise(5), noise(6)].map(|own| scaled(&own));
    let mixed = [0, 1].map(|side| -> Vec<f64> {
        back[side]
            .iter()
            .zip(&own[side])
            .map(|(a, b)| a + b)
            .collect()
    });
    assert_eq!(spread(mixed), Disguise::No);
}

#[test]
fn silence_gives_no_answer() {
    let content = measured(&[], &vec![silence(); 6]).content;
    assert_eq!(content.disguise, Disguise::TooLittleSound);
}

/// One second of silence at the head, by the samples that were written.
#[test]
fn the_edges_are_those_of_the_main_render() {
    let late: Vec<Vec<f64>> = bed()
        .into_iter()
        .map(|track| [&vec![0.0; RATE as usize][..], &track[RATE as usize..]].concat())
        .collect();
    let immersive = measured(
        &[("Muted", 0.0, "<mute>1</mute>")],
        &[late, vec![noise(9)]].concat(),
    );
    let edges = immersive.edges().unwrap();
    assert_eq!(edges.head_zero_frames.0, u64::from(RATE));
    assert!((edges.head_silence_s.0 - 1.0).abs() < 1e-9);
    assert_eq!(edges.tail_zero_frames.0, 0);
}

#[test]
fn tracks_are_called_by_what_plays_them() {
    let names = measured(
        &[("Vox", 0.0, "")],
        &[bed(), vec![noise(7), noise(8)]].concat(),
    )
    .track_names(8);
    assert_eq!(names[0], "Bed M+030 (track 1)");
    assert_eq!(names[6], "Vox (track 7)");
    assert_eq!(names[7], "track 8");
}
