//! What the house promises of all meters of faults together.

use super::*;

/// Three seconds of stereo with notes, noise, a gap, a click and a repeated block: something for
/// every meter to look at.
fn programme(rate: u32) -> Vec<Vec<f64>> {
    let mut state = 0x2545_F491_4F6C_DD1Du64;
    let mut noise = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    };
    let frames = 3 * rate as usize;
    let mut planes = vec![Vec::with_capacity(frames), Vec::with_capacity(frames)];
    for n in 0..frames {
        let t = n as f64 / f64::from(rate);
        let note = (std::f64::consts::TAU * 220.0 * t).sin() * (-2.0 * (t * 3.0).fract()).exp();
        let both = 0.3 * note + 0.01 * noise();
        planes[0].push(both + 0.02 * noise());
        planes[1].push(0.8 * both + 0.02 * noise());
    }
    let at = rate as usize;
    planes[0][at..at + 200].fill(0.0);
    planes[1][at..at + 200].fill(0.0);
    planes[0][2 * at] += 0.4;
    for plane in &mut planes {
        plane.copy_within(at * 5 / 2..at * 5 / 2 + 256, at * 5 / 2 + 256);
        for sample in plane {
            *sample = (*sample * 8_388_608.0).round() / 8_388_608.0;
        }
    }
    planes
}

fn surveyed(planes: &[Vec<f64>], rate: u32, block: usize) -> Survey {
    let mut meters = SurveyMeters::new(SurveyOrder {
        object_based: false,
        sample_rate: Hertz::new(rate).expect("a rate"),
        channels: planes.len(),
        labels: Some(vec![
            "M+030".parse().expect("a label"),
            "M-030".parse().expect("a label"),
        ]),
        bits: Some(24),
        floats: false,
        data: Some(DataLayout {
            first_byte: 44,
            frame_bytes: 6,
        }),
        wants: SurveyWants {
            clicks: true,
            defects: true,
            ends: true,
            channels: true,
            provenance: true,
            translation: true,
        },
    });
    let frames = planes[0].len();
    for start in (0..frames).step_by(block) {
        let end = (start + block).min(frames);
        let cut: Vec<&[f64]> = planes.iter().map(|plane| &plane[start..end]).collect();
        meters.feed(&cut);
    }
    meters.finish()
}

#[test]
fn any_cut_into_blocks_gives_the_same_survey() {
    let planes = programme(44_100);
    let whole = surveyed(&planes, 44_100, usize::MAX / 2);
    for block in [997, 4096] {
        assert!(
            surveyed(&planes, 44_100, block) == whole,
            "blocks of {block}"
        );
    }
}

#[test]
fn a_gap_a_click_and_a_repeat_are_each_found_in_their_place() {
    let planes = programme(48_000);
    let found = surveyed(&planes, 48_000, 4096);
    let defects = found.defects.ok().expect("wanted");
    let near = |spots: &Spots, at: u64| {
        let sure = spots
            .listed
            .iter()
            .filter(|spot| spot.confidence >= Spot::SURE);
        sure.clone().count() == 1 && sure.clone().all(|spot| spot.start.abs_diff(at) < 480)
    };
    assert!(
        near(&defects.gaps.all_channels, 48_000),
        "{:?}",
        defects.gaps
    );
    let clicks = &found
        .clicks
        .ok()
        .expect("wanted")
        .discontinuities
        .clicks
        .clicks;
    assert!(near(clicks, 96_000), "{clicks:?}");
    let repeats = &defects.repeats.repeats;
    assert!(near(repeats, 120_256), "{repeats:?}");
}

#[test]
fn one_channel_silence_and_the_shortest_files_are_no_trouble() {
    for (channels, frames) in [(1, 0), (1, 1), (2, 0), (2, 7), (6, 48_000)] {
        let planes = vec![vec![0.0; frames]; channels];
        let mut meters = SurveyMeters::new(SurveyOrder {
            object_based: false,
            sample_rate: Hertz::new(48_000).expect("a rate"),
            channels,
            labels: None,
            bits: Some(16),
            floats: false,
            data: None,
            wants: SurveyWants {
                clicks: true,
                defects: true,
                ends: true,
                channels: true,
                provenance: true,
                translation: true,
            },
        });
        let cut: Vec<&[f64]> = planes.iter().map(Vec::as_slice).collect();
        meters.feed(&cut);
        let found = meters.finish();
        let defects = found.defects.ok().expect("wanted");
        assert_eq!(defects.gaps.all_channels.total, 0);
        let clicks = found.clicks.ok().expect("wanted");
        assert_eq!(clicks.discontinuities.clicks.clicks.total, 0);
        assert_eq!(defects.repeats.repeats.total, 0);
    }
}

/// A hole of 50 ms in one of four tracks of an object-based master, each with notes of its own.
#[test]
fn a_hole_in_one_object_is_found_on_its_track_and_called_by_the_object_s_name() {
    const RATE: usize = 48_000;
    let mut tracks: Vec<Vec<f64>> = [1.0, 1.26, 1.5, 0.75]
        .into_iter()
        .map(|pitch| {
            let notes = programme(48_000).swap_remove(0);
            let tone = |n: usize| {
                let t = n as f64 / RATE as f64;
                0.1 * (std::f64::consts::TAU * 330.0 * pitch * t).sin()
            };
            (0..2 * RATE)
                .map(|n| notes[(n + (5_000.0 * pitch) as usize) % RATE] + tone(n))
                .collect()
        })
        .collect();
    tracks[2][60_000..62_400].fill(0.0);
    let mut meters = SurveyMeters::new(SurveyOrder {
        object_based: true,
        sample_rate: Hertz::new(48_000).expect("a rate"),
        channels: 4,
        labels: None,
        bits: Some(24),
        floats: false,
        data: None,
        wants: SurveyWants {
            defects: true,
            channels: true,
            ..SurveyWants::default()
        },
    });
    let planes: Vec<&[f64]> = tracks.iter().map(Vec::as_slice).collect();
    meters.feed(&planes);
    let mut found = meters.finish();
    found.channels = (1..=4).map(|n| format!("Synth {n} (track {n})")).collect();
    let spots = &found.defects.get().expect("wanted").gaps.one_channel;
    let sure: Vec<Place> = (spots.listed.iter())
        .filter(|spot| spot.confidence >= Spot::SURE)
        .map(|spot| found.place(spot))
        .collect();
    assert_eq!(sure.len(), 1, "{spots:?}");
    assert_eq!(sure[0].channel.as_deref(), Some("Synth 3 (track 3)"));
    assert!(sure[0].start_frame.0.abs_diff(60_000) < 48, "{sure:?}");
    assert_eq!(found.translation.why_not(), Some(&NotMeasured::NotAsked));
}
