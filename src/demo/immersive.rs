//! The object-based masters of the scenario: what plays, how it moves, how loud it is.
//!
//! In: nothing but seeds. Out: masters for [`super::adm_file`] to write. Each is brought to its
//! loudness as it sounds on 0+5+0: rendered by the house's own renderer, read by a meter that is
//! not ours. What is wrong with a master is put in last. Knows no files.

use std::io::{self, Cursor};
use std::sync::Arc;

use super::adm_file::{BED_7_1_2, BedChannel, Master, Plays, Stop, Track};
use super::music::{BEAT_S, CHORDS, Piece, Place, RATE_HZ, Score, Seeded, TUNE, pitch};
use crate::adm::Chna;
use crate::adm::parse::{Limits, parse};
use crate::layout::{self, Label};
use crate::render::{Choice, Deaf, Rendered, Renderer, SpeakerLayout, select};

/// The trade reads an immersive master on a render to five loudspeakers and a low one.
pub const MAIN: &str = "0+5+0";

/// What each master is brought to on [`MAIN`]; the studio asks for at most -18.
pub const LOUDNESS_LUFS: f64 = -18.5;

pub const LENGTH_S: f32 = 8.0;
/// Nothing begins in the last two seconds: they ring out.
const BEATS: usize = ((LENGTH_S - 2.0) / BEAT_S) as usize;

/// When the bell of [`meeting`] is struck, in seconds; the third time its two objects are at
/// one place.
const STRIKES_S: [f32; 4] = [0.5, 2.0, 4.0, 5.5];
/// Where they are then: at a loudspeaker of [`MAIN`], so that all of both comes out of it.
const MEETING: f64 = 110.0;

/// A bed and three objects that move, as asked.
pub fn clearing() -> io::Result<Master> {
    let mut tracks = bed(21)?;
    tracks.extend([
        object("Tune", tune(0.20), circle(0.0, 30.0, 0.0)),
        object("Glass", glass(0.09), overhead()),
        object("Rattle", rattle(22, 0.16), circle(-60.0, -45.0, 10.0)),
    ]);
    levelled("Harbour Lights", tracks)
}

/// One bell on two objects, which come from either side and meet for one stroke. Each track is
/// modest; where they meet their waves add up, 6 dB higher.
pub fn meeting() -> io::Result<Master> {
    let mut tracks = bed(23)?;
    let one_bell = || {
        let mut piece = mono();
        for at in STRIKES_S {
            piece.bell(at, pitch(440.0, -5), 0.25, 0.5, Place::Middle);
        }
        piece
    };
    tracks.extend([
        object("Bell from the left", one_bell(), path(&FROM_THE_LEFT)),
        object("Bell from the right", one_bell(), path(&FROM_THE_RIGHT)),
    ]);
    levelled("Ferry Bell", tracks)
}

/// Azimuths at the ends of the half seconds, degrees, left positive. Both hold still while the bell is struck at 4 s.
const FROM_THE_LEFT: [f64; 16] = [
    30.0, 30.0, 30.0, 30.0, 45.0, 60.0, 80.0, MEETING, MEETING, MEETING, 60.0, 30.0, 30.0, 30.0,
    30.0, 30.0,
];
const FROM_THE_RIGHT: [f64; 16] = [
    -30.0, -60.0, -90.0, -110.0, -110.0, -145.0, 180.0, MEETING, MEETING, MEETING, 180.0, -110.0,
    -110.0, -90.0, -60.0, -30.0,
];

/// Three objects and no bed; `chna` does not have the track of one.
pub fn lost_track() -> io::Result<Master> {
    let mut master = levelled("Slack Tide", three_objects(24))?;
    master.not_in_chna = Some(2);
    Ok(master)
}

/// Three objects with blocks for their moves, all of one position: an export that lost them.
pub fn standing() -> io::Result<Master> {
    let mut tracks = three_objects(25);
    for track in &mut tracks {
        let Plays::Object(stops) = &mut track.plays else {
            continue;
        };
        let first = stops[0];
        for stop in stops {
            (stop.azimuth_deg, stop.elevation_deg) = (first.azimuth_deg, first.elevation_deg);
        }
    }
    levelled("Lamp Room", tracks)
}

fn three_objects(seed: u64) -> Vec<Track> {
    vec![
        object("Tune", tune(0.20), circle(30.0, 30.0, 0.0)),
        object("Glass", glass(0.12), circle(-30.0, -30.0, 20.0)),
        object("Rattle", rattle(seed, 0.12), circle(110.0, 45.0, 0.0)),
    ]
}

fn bed(seed: u64) -> io::Result<Vec<Track>> {
    let labels: Result<Vec<Label>, _> = BED_7_1_2.iter().map(|c| c.speaker.parse()).collect();
    let labels = labels.map_err(|_| io::Error::other("a label of the demo's bed"))?;
    let piece = Piece::compose(&Score {
        seed,
        labels: &labels,
        length_s: LENGTH_S,
        rate_hz: RATE_HZ,
        with_tune: false,
    });
    let track = |(channel, samples): (&'static BedChannel, _)| Track {
        name: channel.label,
        plays: Plays::Bed(channel),
        samples,
    };
    Ok(BED_7_1_2.iter().zip(piece.channels).map(track).collect())
}

fn object(name: &'static str, piece: Piece, stops: Vec<Stop>) -> Track {
    Track {
        name,
        plays: Plays::Object(stops),
        samples: piece.channels.into_iter().next().unwrap_or_default(),
    }
}

fn mono() -> Piece {
    let centre = layout::parse_channels("M+000").unwrap_or_default();
    Piece::silence(&centre, LENGTH_S, RATE_HZ)
}

fn tune(level: f32) -> Piece {
    let mut piece = mono();
    for (beat, note) in TUNE.iter().take(BEATS).enumerate() {
        if let Some(note) = *note {
            let at = beat as f32 * BEAT_S;
            piece.string(at, pitch(440.0, note), 0.7, level, Place::Middle);
        }
    }
    piece
}

/// The chord's notes one after another, two octaves up.
fn glass(level: f32) -> Piece {
    let mut piece = mono();
    for step in 0..BEATS * 2 {
        let chord = CHORDS[step / 8 % CHORDS.len()];
        let at = step as f32 * BEAT_S / 2.0;
        let hertz = pitch(440.0, chord[step % chord.len()]);
        piece.string(at, hertz, 0.3, level, Place::Middle);
    }
    piece
}

fn rattle(seed: u64, level: f32) -> Piece {
    let mut piece = mono();
    let mut random = Seeded::new(seed);
    for step in 0..BEATS * 2 {
        let at = step as f32 * BEAT_S / 2.0;
        piece.noise(at, 0.04, level, Place::Middle, &mut random);
    }
    piece
}

/// A block each half second, as many as fill the length.
fn path(azimuths_deg: &[f64; 16]) -> Vec<Stop> {
    let stop = |(index, &azimuth_deg): (usize, &f64)| Stop {
        until_s: (index + 1) as f64 * 0.5,
        azimuth_deg,
        elevation_deg: 0.0,
    };
    azimuths_deg.iter().enumerate().map(stop).collect()
}

/// Around the listener, by as many degrees each half second.
fn circle(from_deg: f64, by_deg: f64, elevation_deg: f64) -> Vec<Stop> {
    let mut azimuths_deg = [0.0; 16];
    for (index, azimuth) in azimuths_deg.iter_mut().enumerate() {
        // From -180 up to 180, as positions are written.
        *azimuth = (from_deg + index as f64 * by_deg + 180.0).rem_euclid(360.0) - 180.0;
    }
    let mut stops = path(&azimuths_deg);
    for stop in &mut stops {
        stop.elevation_deg = elevation_deg;
    }
    stops
}

/// From the left over the listener's head to the right.
fn overhead() -> Vec<Stop> {
    let mut stops = path(&[90.0; 16]);
    for (index, stop) in stops.iter_mut().enumerate() {
        let along = 180.0 / 15.0 * index as f64;
        (stop.azimuth_deg, stop.elevation_deg) = match along <= 90.0 {
            true => (90.0, along),
            false => (-90.0, 180.0 - along),
        };
    }
    stops
}

/// The master at [`LOUDNESS_LUFS`] on [`MAIN`].
///
/// One gain for all tracks: rendering is linear, so one reading is enough.
fn levelled(title: &'static str, tracks: Vec<Track>) -> io::Result<Master> {
    let mut master = Master {
        title,
        tracks,
        rate_hz: RATE_HZ,
        not_in_chna: None,
    };
    let (loudness, _) = heard_on(&master, MAIN)?.reading()?;
    let gain = 10f32.powf((LOUDNESS_LUFS - loudness) as f32 / 20.0);
    for track in &mut master.tracks {
        for sample in &mut track.samples {
            *sample *= gain;
        }
    }
    Ok(master)
}

/// What the master sounds like on a layout.
pub fn heard_on(master: &Master, layout: &str) -> io::Result<Piece> {
    let chna = Chna::parse(&master.chna());
    let axml = Cursor::new(master.axml());
    let parsed = parse(axml, &Limits::default(), &chna.rows)?;
    let model = Arc::new(parsed.model);
    let scene = select(&model, &Choice::default(), master.rate_hz).map_err(io::Error::other)?;
    let layout = SpeakerLayout::named(layout)
        .ok_or_else(|| io::Error::other(format!("no layout {layout}")))?;
    let labels = layout.speakers.iter().map(|speaker| speaker.label.clone());
    let labels: Vec<Label> = labels.collect();
    let tracks = master.tracks.len();
    let renderer = Renderer::new(model, Arc::new(scene), layout, tracks, master.rate_hz);
    let mut renderer = renderer.map_err(io::Error::other)?;

    let wide = |track: &Track| -> Vec<f64> { track.samples.iter().map(|&s| s.into()).collect() };
    let planes: Vec<Vec<f64>> = master.tracks.iter().map(wide).collect();
    let planes: Vec<&[f64]> = planes.iter().map(Vec::as_slice).collect();
    let mut channels = vec![Vec::new(); labels.len()];
    let mut whole = vec![Vec::new(); labels.len()];
    let mut take = |rendered: Rendered| {
        rendered.whole_into(&mut whole);
        for (channel, whole) in channels.iter_mut().zip(&whole) {
            channel.extend(whole.iter().map(|&sample| sample as f32));
        }
    };
    renderer
        .process(&planes, &mut Deaf, &mut take)
        .and_then(|()| renderer.finish(&mut Deaf, &mut take))
        .map_err(io::Error::other)?;
    Ok(Piece {
        channels,
        labels,
        rate_hz: master.rate_hz,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::adm::bed_layout;
    use crate::adm::check::{AudioFacts, check};

    fn tracks_peak_dbtp(master: &Master) -> f64 {
        let piece = Piece {
            channels: master.tracks.iter().map(|t| t.samples.clone()).collect(),
            labels: vec!["M+000".parse().unwrap(); master.tracks.len()],
            rate_hz: master.rate_hz,
        };
        piece.reading().unwrap().1
    }

    fn findings(master: &Master) -> Vec<String> {
        let chna = Chna::parse(&master.chna());
        let parsed = parse(Cursor::new(master.axml()), &Limits::default(), &chna.rows).unwrap();
        assert!(parsed.usable);
        let facts = AudioFacts {
            tracks: master.tracks.len() as u16,
            sample_rate: master.rate_hz,
            frames: master.tracks[0].samples.len() as u64,
            bit_depth: 24,
        };
        let mut all = parsed.findings;
        all.extend(check(&parsed.model, Some(&chna), &facts));
        all.iter()
            .map(|finding| format!("{}: {}", finding.class.name(), finding.says))
            .collect()
    }

    /// The loudness that was asked for, by a meter that is not ours. The reference renderer of
    /// BS.2127 (development state of 2024) made of the clearing and the meeting master files
    /// of -18.5 LUFS too (read by ffmpeg's ebur128), the second 0.4 dB over full scale.
    #[test]
    fn each_master_comes_to_its_loudness_on_the_render() {
        for master in [clearing(), meeting(), lost_track(), standing()] {
            let mut master = master.unwrap();
            master.not_in_chna = None;
            let (loudness, _) = heard_on(&master, MAIN).unwrap().reading().unwrap();
            let off = loudness - LOUDNESS_LUFS;
            assert!(off.abs() < 0.05, "{}: {loudness}", master.title);
        }
    }

    #[test]
    fn only_the_master_that_should_has_a_fault_in_its_metadata() {
        for master in [clearing(), meeting(), standing()] {
            let master = master.unwrap();
            assert_eq!(findings(&master), [""; 0], "{}", master.title);
        }
        let lost = findings(&lost_track().unwrap());
        assert_eq!(lost.len(), 2, "{lost:?}");
        assert!(lost[0].starts_with("chna-missing-uid: ATU_00000002 "));
        // The other side of the same fault.
        assert!(lost[1].starts_with("adm-track-unreferenced: track 2 "));
    }

    #[test]
    fn the_clearing_master_has_a_bed_of_7_1_2_and_three_objects_that_move() {
        let master = clearing().unwrap();
        let chna = Chna::parse(&master.chna());
        let parsed = parse(Cursor::new(master.axml()), &Limits::default(), &chna.rows).unwrap();
        let scene = select(&parsed.model, &Choice::default(), RATE_HZ).unwrap();
        let speakers = scene.items.iter().filter_map(|item| item.speaker_channel());
        let layout = bed_layout(&parsed.model, speakers);
        assert_eq!(layout.as_deref(), Some("7.1.2"));
        assert_eq!(scene.items.iter().filter(|item| !item.is_bed()).count(), 3);
        for track in &master.tracks {
            if let Plays::Object(stops) = &track.plays {
                let places = |a: &Stop, b: &Stop| {
                    (a.azimuth_deg, a.elevation_deg) != (b.azimuth_deg, b.elevation_deg)
                };
                let moves = stops.windows(2).filter(|pair| places(&pair[0], &pair[1]));
                assert!(moves.count() > 10, "{}", track.name);
            }
        }
    }

    /// A wave and its copy add up: twice the amplitude, 6.02 dB.
    #[test]
    fn the_peak_of_the_meeting_bells_is_in_no_track_and_on_the_render() {
        let mut master = meeting().unwrap();
        let tracks = tracks_peak_dbtp(&master);
        assert!(tracks < -4.0, "{tracks}");
        let (_, render) = heard_on(&master, MAIN).unwrap().reading().unwrap();
        assert!(render > -1.0 + 0.5, "{render}");

        // The bells alone: exactly twice one of them where they meet, less where they do not.
        for track in &mut master.tracks {
            if let Plays::Bed(_) = track.plays {
                track.samples.fill(0.0);
            }
        }
        let bells = heard_on(&master, MAIN).unwrap();
        let left = bells.labels.iter().position(|l| l.as_str() == "M+110");
        let at = (STRIKES_S[2] * RATE_HZ as f32) as usize;
        let struck = at..at + RATE_HZ as usize / 4;
        let bell = &master.tracks.last().unwrap().samples[struck.clone()];
        for (heard, alone) in bells.channels[left.unwrap()][struck].iter().zip(bell) {
            assert!((heard - 2.0 * alone).abs() < 1e-6, "{heard} and {alone}");
        }
        // Apart: each at its own loudspeakers, under what the studio asks.
        for channel in &bells.channels {
            let apart = channel[..at]
                .iter()
                .chain(&channel[at + RATE_HZ as usize..]);
            let peak = apart.fold(0.0f32, |max, sample| max.max(sample.abs()));
            assert!(20.0 * peak.log10() < -1.0, "{peak}");
        }
    }

    #[test]
    fn one_seed_gives_one_file() {
        assert!(meeting().unwrap().bytes() == meeting().unwrap().bytes());
    }
}
