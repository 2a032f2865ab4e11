//! An immersive master of 128 tracks, rendered and measured: times real time on one core, stage
//! by stage in one run, so that the shares hold when the machine's speed drifts.
//!
//! The master is made in a temporary folder: 48 kHz, 24 bit, a bed of ten and 118 objects that
//! move at every block of 100 ms, 30 s long; every track is noise with music's spectrum. A second
//! one has silence on 96 of its tracks. CPU seconds of the one thread that does the work.

#[path = "support/mod.rs"]
mod support;

use std::fmt::Write as _;
use std::hint::black_box;
use std::io::Write as _;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use weighbridge::adm::{Chna, Model, parse};
use weighbridge::measure::{ImmersiveMeters, ImmersiveOrder};
use weighbridge::render::{Choice, Deaf, Renderer, SpeakerLayout, select};
use weighbridge::specimen::{Block, BlockSink, Specimen, digest_file};
use weighbridge::units::Hertz;
use weighbridge::weigh::{Request, weigh};

use support::{cpu, median};

const SECONDS: usize = 30;
const RATE: usize = 48_000;
const BED: usize = 10;
const TRACKS: usize = 128;
const ROUNDS: usize = 3;

fn main() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    println!("{SECONDS} s of {TRACKS} tracks, {RATE} Hz, 24 bit, to 0+5+0 and 0+2+0, one thread");
    println!("times real time (CPU), median of {ROUNDS} interleaved rounds");
    for (name, sounding) in [
        ("all 128 tracks sound", TRACKS),
        ("32 sound, 96 are silent", 32),
    ] {
        let path = master(folder.path(), sounding);
        report(name, &path);
        std::fs::remove_file(path).expect("our own file");
    }
    metadata_alone();
}

fn report(name: &str, path: &Path) {
    let profiles = weighbridge::judge::load_profiles(None).expect("the built-in profiles");
    let profile = profiles.get("immersive-music").expect("a built-in profile");
    let (model, tracks) = read_model(path);
    let mut stages: Vec<(&str, Vec<f64>)> = [
        "everything (weigh)",
        "  digests and reading",
        "  metadata",
        "  decoding, with digests",
        "  render to 0+5+0",
        "  render to 0+2+0",
        "  renders and their meters",
    ]
    .map(|stage| (stage, Vec::new()))
    .into();
    for _ in 0..ROUNDS {
        let times = [
            cpu(|| {
                let request = Request::new(path, profile);
                let weighed = weigh(&request, &mut |_, _| ControlFlow::Continue(()));
                let weighed = weighed.expect("the bench's file can be weighed");
                let immersive = weighed.measurements.expect("measured").immersive;
                black_box(immersive.expect("the bench's file can be rendered"));
            }),
            cpu(|| drop(black_box(digest_file(path, false).expect("our own file")))),
            cpu(|| drop(black_box(read_model(path)))),
            decoded(path, &mut |_| {}),
            rendered(path, &model, tracks, "0+5+0"),
            rendered(path, &model, tracks, "0+2+0"),
            measured(path, &model, tracks),
        ];
        for ((_, all), time) in stages.iter_mut().zip(times) {
            all.push(time);
        }
    }
    println!("\n{name}");
    println!("  {:<28} {:>10} {:>12}", "stage", "x real", "ms/s");
    for (stage, times) in stages {
        let time = median(times);
        println!(
            "{stage:<30} {:>10.1} {:>12.2}",
            SECONDS as f64 / time,
            time * 1000.0 / SECONDS as f64
        );
    }
}

/// The stress case of metadata: ten minutes, 118 objects, a block every 30 ms.
fn metadata_alone() {
    let xml = axml(118, 0, 600.0, 0.03);
    let time = cpu(|| {
        let parsed = parse::parse(xml.as_bytes(), &parse::Limits::default(), &[]);
        black_box(parsed.expect("reading from memory"));
    });
    let megabytes = xml.len() as f64 / 1e6;
    println!(
        "\nmetadata alone: ten minutes, 118 objects, a block every 30 ms: {megabytes:.0} MB in {time:.1} s, {:.0} MB/s",
        megabytes / time
    );
}

fn read_model(path: &Path) -> (Arc<Model>, usize) {
    let specimen = Specimen::open(path, None).expect("our own file");
    let mut bytes = Vec::new();
    let mut chunk = specimen.chunk("chna").expect("our own file");
    std::io::Read::read_to_end(&mut chunk, &mut bytes).expect("our own file");
    let axml = std::io::BufReader::with_capacity(1 << 16, specimen.chunk("axml").expect("axml"));
    let rows = Chna::parse(&bytes).rows;
    let parsed = parse::parse(axml, &parse::Limits::default(), &rows).expect("our own file");
    assert!(parsed.usable, "{:?}", parsed.findings);
    (Arc::new(parsed.model), specimen.format().channels)
}

struct Sink<'a>(&'a mut dyn FnMut(&Block));

impl BlockSink for Sink<'_> {
    fn take(&mut self, block: &Block) -> ControlFlow<()> {
        (self.0)(block);
        ControlFlow::Continue(())
    }
}

fn decoded(path: &Path, take: &mut dyn FnMut(&Block)) -> f64 {
    cpu(|| {
        let specimen = Specimen::open(path, None).expect("our own file");
        let reading = specimen.read(false, &mut Sink(take), &mut |_| {});
        black_box(reading.expect("our own file"));
    })
}

/// CPU seconds of what is done with each block, decoding not counted.
fn on_blocks(path: &Path, work: &mut dyn FnMut(&Block)) -> f64 {
    let mut spent = 0.0;
    decoded(path, &mut |block| spent += cpu(|| work(block)));
    spent
}

fn rendered(path: &Path, model: &Arc<Model>, tracks: usize, layout: &str) -> f64 {
    let scene = Arc::new(select(model, &Choice::default(), RATE as u32).expect("a scene"));
    let layout = SpeakerLayout::named(layout).expect("a layout");
    let mut renderer =
        Renderer::new(model.clone(), scene, layout, tracks, RATE as u32).expect("a renderer");
    on_blocks(path, &mut |block| {
        let done = renderer.process(&block.planes(), &mut Deaf, &mut |rendered| {
            black_box(rendered.bed.len());
        });
        done.expect("our own file");
    })
}

fn measured(path: &Path, model: &Arc<Model>, tracks: usize) -> f64 {
    let scene = Arc::new(select(model, &Choice::default(), RATE as u32).expect("a scene"));
    let layouts = ["0+5+0", "0+2+0"].map(|name| SpeakerLayout::named(name).expect("a layout"));
    let mut meters = ImmersiveMeters::new(ImmersiveOrder {
        model: model.clone(),
        scene,
        layouts: layouts.into(),
        tracks,
        sample_rate: Hertz::new(RATE as u32).expect("not 0"),
        over_ceiling_dbtp: -1.0,
        translation: false,
        bed_channels: true,
        head: None,
    })
    .expect("meters");
    on_blocks(path, &mut |block| meters.feed(&block.planes()))
}

/// A master in a file: the first `sounding` tracks sound.
fn master(folder: &Path, sounding: usize) -> PathBuf {
    let path = folder.join(format!("master_{sounding}.wav"));
    let xml = axml(TRACKS - BED, BED, SECONDS as f64, 0.1);
    let frames = SECONDS * RATE;
    let mut chna = Vec::new();
    chna.extend((TRACKS as u16).to_le_bytes());
    chna.extend((TRACKS as u16).to_le_bytes());
    for track in 1..=TRACKS {
        let (kind, number) = if track <= BED {
            (1, track)
        } else {
            (3, track - BED)
        };
        let pack = if track <= BED {
            "AP_00011001".to_owned()
        } else {
            format!("AP_0003{:04x}", 0x1000 + number)
        };
        chna.extend((track as u16).to_le_bytes());
        chna.extend(format!("ATU_{track:08x}").bytes());
        chna.extend(format!("AT_{kind:04x}{:04x}_01", 0x1000 + number).bytes());
        chna.extend(pack.bytes());
        chna.push(0);
    }
    let mut fmt = Vec::new();
    fmt.extend(1u16.to_le_bytes());
    fmt.extend((TRACKS as u16).to_le_bytes());
    fmt.extend((RATE as u32).to_le_bytes());
    fmt.extend(((RATE * TRACKS * 3) as u32).to_le_bytes());
    fmt.extend(((TRACKS * 3) as u16).to_le_bytes());
    fmt.extend(24u16.to_le_bytes());
    let data_bytes = frames * TRACKS * 3;
    let chunk = |bytes: usize| bytes + bytes % 2 + 8;
    let riff = 4 + chunk(16) + chunk(chna.len()) + chunk(xml.len()) + chunk(data_bytes);
    let mut file = std::io::BufWriter::with_capacity(
        1 << 20,
        std::fs::File::create(&path).expect("a file in the temporary folder"),
    );
    let mut put = |bytes: &[u8]| file.write_all(bytes).expect("room in the temporary folder");
    put(b"RIFF");
    put(&(riff as u32).to_le_bytes());
    put(b"WAVE");
    for (id, bytes) in [
        (b"fmt ", &fmt[..]),
        (b"chna", &chna[..]),
        (b"axml", xml.as_bytes()),
    ] {
        put(id);
        put(&(bytes.len() as u32).to_le_bytes());
        put(bytes);
        put(&[0][..bytes.len() % 2]);
    }
    put(b"data");
    put(&(data_bytes as u32).to_le_bytes());
    let mut noise: Vec<(u64, f64)> = (0..TRACKS as u64)
        .map(|t| ((t + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15), 0.0))
        .collect();
    let mut line = vec![0; TRACKS * 3];
    for _ in 0..frames {
        for (track, (state, low)) in noise.iter_mut().enumerate().take(sounding) {
            *state ^= *state << 13;
            *state ^= *state >> 7;
            *state ^= *state << 17;
            let white = (*state >> 11) as f64 / (1u64 << 52) as f64 - 1.0;
            *low = 0.9 * *low + 0.1 * white;
            let sample = (*low * 0.1 * 8_388_608.0) as i32;
            line[track * 3..track * 3 + 3].copy_from_slice(&sample.to_le_bytes()[..3]);
        }
        put(&line);
    }
    file.flush().expect("room in the temporary folder");
    path
}

const LABELS: [(&str, f64, f64); BED] = [
    ("M+030", 30.0, 0.0),
    ("M-030", -30.0, 0.0),
    ("M+000", 0.0, 0.0),
    ("LFE1", 0.0, -30.0),
    ("M+090", 90.0, 0.0),
    ("M-090", -90.0, 0.0),
    ("M+135", 135.0, 0.0),
    ("M-135", -135.0, 0.0),
    ("U+090", 90.0, 30.0),
    ("U-090", -90.0, 30.0),
];

/// Metadata of a bed and moving objects, half of them polar and half Cartesian.
fn axml(objects: usize, bed: usize, seconds: f64, step: f64) -> String {
    let mut xml = String::from(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<ebuCoreMain xmlns=\"urn:ebu:metadata-schema:ebuCore_2016\"><coreMetadata><format><audioFormatExtended version=\"ITU-R_BS.2076-1\">\n<audioProgramme audioProgrammeID=\"APR_1001\" audioProgrammeName=\"Bench\"><audioContentIDRef>ACO_1001</audioContentIDRef></audioProgramme>\n<audioContent audioContentID=\"ACO_1001\" audioContentName=\"All\">",
    );
    let put = |xml: &mut String, text: std::fmt::Arguments| xml.write_fmt(text).expect("memory");
    if bed > 0 {
        xml.push_str("<audioObjectIDRef>AO_1000</audioObjectIDRef>");
    }
    for n in 1..=objects {
        put(
            &mut xml,
            format_args!("<audioObjectIDRef>AO_{:04x}</audioObjectIDRef>", 0x1000 + n),
        );
    }
    xml.push_str("</audioContent>\n");
    let time = |at: f64| {
        let ticks = (at * 1e5).round() as u64;
        format!(
            "{:02}:{:02}:{:02}.{:05}",
            ticks / 360_000_000,
            ticks / 6_000_000 % 60,
            ticks / 100_000 % 60,
            ticks % 100_000
        )
    };
    let tail = |xml: &mut String,
                kind: usize,
                number: usize,
                name: &str,
                track: usize,
                pack: &str| {
        let id = format!("{kind:04x}{:04x}", 0x1000 + number);
        put(
            xml,
            format_args!(
                "<audioStreamFormat audioStreamFormatID=\"AS_{id}\" audioStreamFormatName=\"{name}\" formatLabel=\"0001\" formatDefinition=\"PCM\"><audioChannelFormatIDRef>AC_{id}</audioChannelFormatIDRef><audioTrackFormatIDRef>AT_{id}_01</audioTrackFormatIDRef></audioStreamFormat>\n<audioTrackFormat audioTrackFormatID=\"AT_{id}_01\" audioTrackFormatName=\"{name}\" formatLabel=\"0001\" formatDefinition=\"PCM\"><audioStreamFormatIDRef>AS_{id}</audioStreamFormatIDRef></audioTrackFormat>\n<audioTrackUID UID=\"ATU_{track:08x}\" sampleRate=\"48000\" bitDepth=\"24\"><audioTrackFormatIDRef>AT_{id}_01</audioTrackFormatIDRef><audioPackFormatIDRef>{pack}</audioPackFormatIDRef></audioTrackUID>\n"
            ),
        );
    };
    if bed > 0 {
        xml.push_str("<audioObject audioObjectID=\"AO_1000\" audioObjectName=\"Bed\"><audioPackFormatIDRef>AP_00011001</audioPackFormatIDRef>");
        for track in 1..=bed {
            put(
                &mut xml,
                format_args!("<audioTrackUIDRef>ATU_{track:08x}</audioTrackUIDRef>"),
            );
        }
        xml.push_str("</audioObject>\n<audioPackFormat audioPackFormatID=\"AP_00011001\" audioPackFormatName=\"Bed\" typeLabel=\"0001\" typeDefinition=\"DirectSpeakers\">");
        for n in 1..=bed {
            put(
                &mut xml,
                format_args!(
                    "<audioChannelFormatIDRef>AC_0001{:04x}</audioChannelFormatIDRef>",
                    0x1000 + n
                ),
            );
        }
        xml.push_str("</audioPackFormat>\n");
        for (n, (label, azimuth, elevation)) in LABELS.iter().enumerate().take(bed) {
            let id = format!("0001{:04x}", 0x1001 + n);
            put(
                &mut xml,
                format_args!(
                    "<audioChannelFormat audioChannelFormatID=\"AC_{id}\" audioChannelFormatName=\"{label}\" typeLabel=\"0001\" typeDefinition=\"DirectSpeakers\"><audioBlockFormat audioBlockFormatID=\"AB_{id}_00000001\"><speakerLabel>{label}</speakerLabel><position coordinate=\"azimuth\">{azimuth}</position><position coordinate=\"elevation\">{elevation}</position></audioBlockFormat></audioChannelFormat>\n"
                ),
            );
            tail(&mut xml, 1, n + 1, label, n + 1, "AP_00011001");
        }
    }
    let blocks = (seconds / step).round() as usize;
    for n in 1..=objects {
        let id = format!("0003{:04x}", 0x1000 + n);
        let track = bed + n;
        put(
            &mut xml,
            format_args!(
                "<audioObject audioObjectID=\"AO_{:04x}\" audioObjectName=\"Object {n}\"><audioPackFormatIDRef>AP_{id}</audioPackFormatIDRef><audioTrackUIDRef>ATU_{track:08x}</audioTrackUIDRef></audioObject>\n<audioPackFormat audioPackFormatID=\"AP_{id}\" audioPackFormatName=\"Object {n}\" typeLabel=\"0003\" typeDefinition=\"Objects\"><audioChannelFormatIDRef>AC_{id}</audioChannelFormatIDRef></audioPackFormat>\n<audioChannelFormat audioChannelFormatID=\"AC_{id}\" audioChannelFormatName=\"Object {n}\" typeLabel=\"0003\" typeDefinition=\"Objects\">\n",
                0x1000 + n
            ),
        );
        for block in 0..blocks {
            let at = block as f64 * step;
            let turn = at * (0.3 + n as f64 * 0.01);
            put(
                &mut xml,
                format_args!(
                    "<audioBlockFormat audioBlockFormatID=\"AB_{id}_{:08x}\" rtime=\"{}\" duration=\"{}\">",
                    block + 1,
                    time(at),
                    time(step)
                ),
            );
            if n % 2 == 0 {
                put(
                    &mut xml,
                    format_args!(
                        "<position coordinate=\"azimuth\">{:.4}</position><position coordinate=\"elevation\">{:.4}</position><position coordinate=\"distance\">1.0</position>",
                        179.0 * turn.sin(),
                        30.0 * turn.cos()
                    ),
                );
            } else {
                put(
                    &mut xml,
                    format_args!(
                        "<cartesian>1</cartesian><position coordinate=\"X\">{:.6}</position><position coordinate=\"Y\">{:.6}</position><position coordinate=\"Z\">{:.6}</position><jumpPosition interpolationLength=\"0.005\">1</jumpPosition>",
                        turn.sin(),
                        turn.cos(),
                        0.5 + 0.5 * (0.7 * turn).sin()
                    ),
                );
            }
            xml.push_str("</audioBlockFormat>\n");
        }
        xml.push_str("</audioChannelFormat>\n");
        tail(&mut xml, 3, n, "Object", track, &format!("AP_{id}"));
    }
    xml.push_str("</audioFormatExtended></format></coreMetadata></ebuCoreMain>\n");
    xml
}
