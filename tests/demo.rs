//! `weighbridge demo`, run as a user runs it, and looked at from outside: folders, samples,
//! sidecars, notes, mails. What should be where is the table of demo-data/README.md.
//!
//! The demo runs once for all tests, in a folder whose path has spaces. Samples are read by
//! `hound`, digests are taken by `sha2` and `blake3`, loudness by `ebur128`.

use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsString;
use std::fs;
use std::io::Cursor;
use std::os::unix::ffi::OsStringExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::OnceLock;
use std::sync::mpsc::channel;
use std::time::{Duration, Instant};

use notify::{RecursiveMode, Watcher};
use rustix::process::{Pid, Signal, kill_process, test_kill_process};
use serde_json::Value;
use sha2::Digest;
use weighbridge::demo::receiver::Received;

const DEMO: &str = env!("CARGO_BIN_EXE_weighbridge");
const STUDIO_FOLDERS: [&str; 4] = ["exports", "outbound", "dispatch", "quarantine"];

/// One line of the table: path below its watch, where it ends, what is said of it, and for
/// whole audio files channels, rate, bits and frames.
struct Promise {
    /// The folder that it comes to.
    watch: &'static str,
    path: PathBuf,
    ends_in: &'static str,
    verdict: &'static str,
    audio: Option<(u16, u32, u16, u32)>,
}

const CLEARS: &str = "Harbour Lights_immersive.wav";
const MEETS: &str = "Ferry Bell_immersive.wav";
const LOST_TRACK: &str = "Slack Tide_immersive.wav";
const STANDS: &str = "Lamp Room_immersive.wav";

fn promises() -> Vec<Promise> {
    let promise = |path: &str, ends_in, verdict, audio| Promise {
        watch: "exports",
        path: path.into(),
        ends_in,
        verdict,
        audio,
    };
    let outbound = |path: &str, ends_in, verdict, audio| Promise {
        watch: "outbound",
        ..promise(path, ends_in, verdict, audio)
    };
    // 12 s of music each; one has 4 s of silence more.
    let stereo = Some((2, 48_000, 24, 576_000));
    let mut all = vec![
        promise(
            "Harbour Lights/01 Harbour Lights.wav",
            "exports",
            "clear",
            stereo,
        ),
        promise(
            "Harbour Lights/02 Slack Tide.wav",
            "quarantine",
            "stop",
            stereo,
        ),
        promise(
            "Harbour Lights/03 Lamp Room.wav",
            "quarantine",
            "stop",
            stereo,
        ),
        promise(
            "Harbour Lights/04 Ferry Bell.wav",
            "quarantine",
            "stop",
            None,
        ),
        promise(
            "Harbour Lights/05 Last Boat.wav",
            "exports",
            "clear",
            stereo,
        ),
        promise(
            "Harbour Lights/06 Slack Tide (old session).wav",
            "quarantine",
            "stop",
            Some((2, 44_100, 24, 529_200)),
        ),
        promise(
            "Harbour Lights/07 Lamp Room (quiet end).wav",
            "exports",
            "advise",
            Some((2, 48_000, 24, 768_000)),
        ),
        promise("Notes for the plant.wav", "quarantine", "unread", None),
        outbound(
            "Harbour Lights (instrumental).wav",
            "dispatch",
            "clear",
            stereo,
        ),
        // Immersive masters are 8 s long; but for the first they are object-based.
        outbound(
            "Harbour Lights_5.1.wav",
            "dispatch",
            "clear",
            Some((6, 48_000, 24, 384_000)),
        ),
        outbound(CLEARS, "dispatch", "clear", Some((13, 48_000, 24, 384_000))),
        outbound(MEETS, "quarantine", "stop", Some((12, 48_000, 24, 384_000))),
        outbound(
            LOST_TRACK,
            "quarantine",
            "stop",
            Some((3, 48_000, 24, 384_000)),
        ),
        outbound(STANDS, "dispatch", "advise", Some((3, 48_000, 24, 384_000))),
    ];
    all.push(Promise {
        watch: "exports",
        path: nasty_name().into(),
        ends_in: "quarantine",
        verdict: "stop",
        audio: Some((2, 48_000, 16, 576_000)),
    });
    all
}

fn nasty_name() -> OsString {
    OsString::from_vec(
        b"-rf $(halt) Night Mail\r\nBcc: all@tallowstreet.example\r\n<b>\x1b[2J Canci\xf3n.wav"
            .to_vec(),
    )
}

/// The nasty name as faces write it: each byte that is no text as `\xNN`.
const NASTY_SHOWN: &str = "-rf $(halt) Night Mail\\x0d\\x0aBcc: all@tallowstreet.example\
                           \\x0d\\x0a<b>\\x1b[2J Canci\\xf3n.wav";

struct Ran {
    root: PathBuf,
    output: Output,
    /// Names in the order in which they appeared in the dispatch folder.
    dispatched: Vec<OsString>,
}

impl Ran {
    fn stdout(&self) -> String {
        String::from_utf8(self.output.stdout.clone()).unwrap()
    }

    fn at(&self, promise: &Promise) -> PathBuf {
        self.root.join(promise.ends_in).join(&promise.path)
    }

    /// The one sidecar whose `file.name` is this file's, beside it.
    fn sidecar(&self, promise: &Promise) -> Value {
        let file = self.at(promise);
        let name = file.file_name().unwrap().to_string_lossy().into_owned();
        let shown = if promise.path.as_os_str() == nasty_name() {
            NASTY_SHOWN.to_owned()
        } else {
            name
        };
        let beside = fs::read_dir(file.parent().unwrap()).unwrap();
        let mut found: Vec<Value> = beside
            .map(|entry| entry.unwrap().path())
            .filter(|path| path.to_string_lossy().ends_with(".sidecar.json"))
            .map(|path| serde_json::from_slice(&fs::read(path).unwrap()).unwrap())
            .filter(|sidecar: &Value| sidecar["file"]["name"] == *shown)
            .collect();
        assert_eq!(found.len(), 1, "sidecars of {shown}");
        found.remove(0)
    }

    fn mails(&self) -> Vec<Received> {
        let mut all = Vec::new();
        for number in 1.. {
            let Ok(raw) = fs::read(self.root.join(format!("mails/{number}.eml"))) else {
                break;
            };
            all.push(Received {
                from: String::new(),
                to: Vec::new(),
                raw,
                login: None,
            });
        }
        all
    }
}

/// A new folder below the build's own folder for tests, so that nothing is left elsewhere.
fn new_folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    if folder.exists() {
        fs::remove_dir_all(&folder).unwrap();
    }
    fs::create_dir_all(&folder).unwrap();
    fs::canonicalize(folder).unwrap()
}

/// The demo, run once.
fn ran() -> &'static Ran {
    static RAN: OnceLock<Ran> = OnceLock::new();
    RAN.get_or_init(|| {
        let root = new_folder("a demo, with spaces");
        let (tell, told) = channel();
        let mut watcher = notify::recommended_watcher(move |event| {
            let _ = tell.send(event);
        })
        .unwrap();
        watcher.watch(&root, RecursiveMode::Recursive).unwrap();
        let output = Command::new(DEMO).arg("demo").arg(&root).output().unwrap();
        drop(watcher);
        let dispatch = root.join("dispatch");
        let mut dispatched: Vec<OsString> = Vec::new();
        for event in told.try_iter().map(Result::unwrap) {
            for path in event
                .paths
                .iter()
                .filter(|path| path.starts_with(&dispatch))
            {
                let name = path.file_name().unwrap().to_owned();
                if !dispatched.contains(&name) {
                    dispatched.push(name);
                }
            }
        }
        Ran {
            root,
            output,
            dispatched,
        }
    })
}

fn files_below(folder: &Path, out: &mut BTreeSet<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files_below(&path, out);
        } else {
            out.insert(path);
        }
    }
}

#[test]
fn the_demo_ends_as_it_promises_and_says_so() {
    let ran = ran();
    let stdout = ran.stdout();
    assert_eq!(
        ran.output.status.code(),
        Some(0),
        "{stdout}\n{}",
        String::from_utf8_lossy(&ran.output.stderr)
    );
    assert_eq!(String::from_utf8_lossy(&ran.output.stderr), "");
    assert!(stdout.starts_with("caution before you listen"), "{stdout}");
    assert!(stdout.contains("16 of 16 files ended as the scenario says"));
    // One line for each file that was dealt with.
    for word in ["kept", "quarantined", "released"] {
        let lines = stdout
            .lines()
            .filter(|line| line.contains(&format!("  {word} ")));
        let promised = match word {
            "kept" => 3,
            "quarantined" => 8,
            _ => 4,
        };
        assert_eq!(lines.count(), promised, "{word}: {stdout}");
    }
    let root = ran.root.to_str().unwrap();
    // What is to be pasted stays in one piece, however long this checkout's path is.
    let program = env!("CARGO_BIN_EXE_weighbridge");
    let told = stdout
        .lines()
        .filter(|line| !line.contains(root) && !line.contains(program));
    for line in told {
        assert!(line.chars().count() <= 80, "too wide: {line}");
        assert!(!line.contains(char::is_control), "{line:?}");
    }
}

#[test]
fn each_file_is_at_its_place_and_nowhere_else_with_its_papers() {
    let ran = ran();
    let mut found = BTreeSet::new();
    for folder in STUDIO_FOLDERS {
        files_below(&ran.root.join(folder), &mut found);
    }
    let left_alone = "exports/Harbour Lights/._01 Harbour Lights.wav";
    let mut expected = BTreeSet::from([ran.root.join(left_alone)]);
    for promise in promises() {
        expected.insert(ran.at(&promise));
        if promise.path.as_os_str() == nasty_name() {
            continue;
        }
        let with = |folder: &str, suffix: &str| {
            let mut path = ran.root.join(folder).join(&promise.path).into_os_string();
            path.push(suffix);
            PathBuf::from(path)
        };
        expected.insert(with(promise.ends_in, ".sidecar.json"));
        if promise.ends_in == "quarantine" {
            expected.insert(with(promise.watch, ".stopped.txt"));
        }
    }
    // Papers of a name that is not UTF-8: its start, and a hash.
    let strangers: Vec<String> = found
        .difference(&expected)
        .map(|path| {
            let below = path.strip_prefix(&ran.root).unwrap();
            below
                .to_str()
                .expect("papers have names of text")
                .to_owned()
        })
        .collect();
    assert_eq!(strangers.len(), 2, "{strangers:?}");
    assert!(strangers[0].starts_with("exports/-rf $(halt) Night Mail"));
    assert!(strangers[0].ends_with(".stopped.txt"));
    assert!(strangers[1].starts_with("quarantine/-rf $(halt) Night Mail"));
    assert!(strangers[1].ends_with(".sidecar.json"));
    let missing: Vec<_> = expected.difference(&found).collect();
    assert!(missing.is_empty(), "{missing:?}");
}

#[test]
fn what_was_written_is_what_lies_there_and_what_the_sidecars_say() {
    let ran = ran();
    for promise in promises() {
        let path = ran.at(&promise);
        let bytes = fs::read(&path).unwrap();
        let sidecar = ran.sidecar(&promise);
        let digests = &sidecar["file"]["digests"];
        let sha256: String = sha2::Sha256::digest(&bytes)
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect();
        assert_eq!(digests["sha256"], sha256, "{path:?}");
        assert_eq!(digests["blake3"], blake3::hash(&bytes).to_hex().as_str());
        assert_eq!(sidecar["file"]["bytes"], bytes.len());
        let Some((channels, rate, bits, frames)) = promise.audio else {
            continue;
        };
        let reader = hound::WavReader::new(Cursor::new(as_riff(bytes))).unwrap();
        let spec = reader.spec();
        assert_eq!(
            (
                spec.channels,
                spec.sample_rate,
                spec.bits_per_sample,
                reader.duration()
            ),
            (channels, rate, bits, frames),
            "{path:?}"
        );
        let format = &sidecar["format"];
        assert_eq!(format["channels"], channels);
        assert_eq!(format["sample_rate_hz"], rate);
        assert_eq!(format["bit_depth"], bits);
        assert_eq!(format["frames"], frames);
    }
    let text = fs::read_to_string(ran.root.join("quarantine/Notes for the plant.wav")).unwrap();
    assert!(text.starts_with("Side A"));
    let mut cut =
        hound::WavReader::open(ran.root.join("quarantine/Harbour Lights/04 Ferry Bell.wav"))
            .unwrap();
    let whole = cut.samples::<i32>().take_while(Result::is_ok).count();
    assert!(whole < 2 * 576_000, "the copy did break off: {whole}");
}

#[test]
fn each_sidecar_tells_verdict_and_way_and_keeps_to_the_schema() {
    let ran = ran();
    let schema = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/sidecar.schema.json");
    let schema: Value = serde_json::from_slice(&fs::read(schema).unwrap()).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    for promise in promises() {
        let sidecar = ran.sidecar(&promise);
        let errors: Vec<String> = validator
            .iter_errors(&sidecar)
            .map(|error| error.to_string())
            .collect();
        assert!(errors.is_empty(), "{errors:?}");
        assert_eq!(sidecar["schema"], "weighbridge.sidecar/1");
        assert_eq!(sidecar["verdict"], promise.verdict, "{:?}", promise.path);
        assert_eq!(sidecar["revision"]["number"], 1, "weighed once");
        let events: Vec<&str> = sidecar["custody"]
            .as_array()
            .unwrap()
            .iter()
            .map(|event| event["event"].as_str().unwrap())
            .collect();
        let last = match promise.ends_in {
            "quarantine" => "quarantined",
            "dispatch" => "released",
            _ => "kept",
        };
        assert_eq!(events, ["settled", "weighed", last], "{:?}", promise.path);
    }
}

/// A BW64 file for a reader that knows RIFF alone: its format and its samples in a RIFF file.
/// Other files as they are. Chunks: ITU-R BS.2088-1.
fn as_riff(bytes: Vec<u8>) -> Vec<u8> {
    if !bytes.starts_with(b"BW64") {
        return bytes;
    }
    let long = |at: usize| u64::from_le_bytes(bytes[at..at + 8].try_into().unwrap());
    assert_eq!(&bytes[12..16], b"ds64");
    assert_eq!(long(20), bytes.len() as u64 - 8, "the size of all");
    let data_size = long(28) as usize;
    let mut riff = b"RIFF\0\0\0\0WAVE".to_vec();
    let mut at = 12;
    while at < bytes.len() {
        let (id, told) = (&bytes[at..at + 4], &bytes[at + 4..at + 8]);
        let size = match id {
            b"data" => data_size,
            _ => u32::from_le_bytes(told.try_into().unwrap()) as usize,
        };
        if matches!(id, b"fmt " | b"data") {
            riff.extend(id);
            riff.extend((size as u32).to_le_bytes());
            riff.extend(&bytes[at + 8..at + 8 + size]);
        }
        at += 8 + size + size % 2;
    }
    let all = riff.len() as u32 - 8;
    riff[4..8].copy_from_slice(&all.to_le_bytes());
    riff
}

/// EBU Tech 3341 (from memory) allows a meter 0.1 LU; so does the comparison of two.
const LU: f64 = 0.1;

#[test]
fn the_figures_are_those_of_another_meter() {
    let ran = ran();
    for promise in promises() {
        let Some((2, rate, bits, _)) = promise.audio else {
            continue;
        };
        let path = ran.at(&promise);
        let full_scale = (1i64 << (bits - 1)) as f64;
        let mut reader = hound::WavReader::open(&path).unwrap();
        let samples: Vec<f64> = reader
            .samples::<i32>()
            .map(|sample| f64::from(sample.unwrap()) / full_scale)
            .collect();
        let mut meter = ebur128::EbuR128::new(2, rate, ebur128::Mode::I).unwrap();
        meter.add_frames_f64(&samples).unwrap();
        let theirs = meter.loudness_global().unwrap();
        let ours = ran.sidecar(&promise)["measured"]["loudness"]["integrated_lufs"]
            .as_f64()
            .unwrap();
        assert!((ours - theirs).abs() <= LU, "{path:?}: {ours} and {theirs}");
    }
    // What the scenario asked of its music.
    for (name, lufs) in [
        ("Harbour Lights_5.1.wav", -18.5),
        (CLEARS, -18.5),
        (MEETS, -18.5),
        (STANDS, -18.5),
        ("Harbour Lights/02 Slack Tide.wav", -12.4),
    ] {
        let all = promises();
        let promise = all.iter().find(|promise| promise.path == Path::new(name));
        let sidecar = ran.sidecar(promise.unwrap());
        let ours = &sidecar["measured"]["loudness"]["integrated_lufs"];
        assert!(
            (ours.as_f64().unwrap() - lufs).abs() <= LU,
            "{name}: {ours}"
        );
    }
}

/// The findings of one check, by file.
fn finding(sidecar: &Value, check: &str) -> Value {
    let mut all = sidecar["checks"].as_array().unwrap().iter();
    all.find(|finding| finding["check"] == check)
        .unwrap()
        .clone()
}

#[test]
fn each_stop_has_the_reason_that_was_put_into_the_file() {
    let ran = ran();
    let all = promises();
    for (name, check, outcome) in [
        (
            "Harbour Lights/02 Slack Tide.wav",
            "loudness.integrated",
            "stop",
        ),
        ("Harbour Lights/03 Lamp Room.wav", "peaks.true_peak", "stop"),
        (
            "Harbour Lights/04 Ferry Bell.wav",
            "damage.data_truncated",
            "stop",
        ),
        (
            "Harbour Lights/06 Slack Tide (old session).wav",
            "format.sample_rate",
            "stop",
        ),
        (
            "Harbour Lights/07 Lamp Room (quiet end).wav",
            "edges.trailing_silence",
            "advise",
        ),
    ] {
        let promise = all.iter().find(|promise| promise.path == Path::new(name));
        let found = finding(&ran.sidecar(promise.unwrap()), check);
        assert_eq!(found["outcome"], outcome, "{name}: {found}");
    }
    let clicks = all
        .iter()
        .find(|p| p.path.ends_with("03 Lamp Room.wav"))
        .unwrap();
    let overs = finding(&ran.sidecar(clicks), "peaks.true_peak");
    let starts: Vec<f64> = overs["where"]
        .as_array()
        .unwrap()
        .iter()
        .map(|place| place["start_s"].as_f64().unwrap())
        .collect();
    assert_eq!(starts.len(), 3);
    // A click is 3 ms long and begins at these seconds.
    for (start, asked) in starts.iter().zip([2.25, 5.5, 8.75]) {
        assert!((start - asked).abs() < 0.003, "{start} for {asked}");
    }
    let nasty = all
        .iter()
        .find(|p| p.path.as_os_str() == nasty_name())
        .unwrap();
    assert_eq!(
        finding(&ran.sidecar(nasty), "format.bit_depth")["outcome"],
        "stop"
    );
}

/// Of the render at the moment at which two objects meet; of the tracks nothing.
#[test]
fn a_peak_that_only_the_render_has_is_found_there_with_its_time_and_loudspeaker() {
    let ran = ran();
    let all = promises();
    let promise = all.iter().find(|p| p.path == Path::new(MEETS)).unwrap();
    let sidecar = ran.sidecar(promise);
    let over = finding(&sidecar, "peaks.true_peak");
    assert_eq!(
        (&over["outcome"], &over["subject"]),
        (&"stop".into(), &"0+5+0".into()),
        "{over}"
    );
    let worst = over["where"]
        .as_array()
        .unwrap()
        .iter()
        .max_by(|a, b| {
            a["value"]
                .as_f64()
                .unwrap()
                .total_cmp(&b["value"].as_f64().unwrap())
        })
        .unwrap();
    // The bell is struck at 4 s, while both objects are at 110 degrees.
    assert_eq!(worst["channel"], "M+110", "{over}");
    let at = worst["start_s"].as_f64().unwrap();
    assert!((4.0..4.1).contains(&at), "{over}");

    // A meter of the file, and not ours: samples and the waves between them.
    let bytes = as_riff(fs::read(ran.at(promise)).unwrap());
    let mut reader = hound::WavReader::new(Cursor::new(bytes)).unwrap();
    let samples: Vec<f64> = reader
        .samples::<i32>()
        .map(|sample| f64::from(sample.unwrap()) / f64::from(1 << 23))
        .collect();
    let mut meter = ebur128::EbuR128::new(12, 48_000, ebur128::Mode::TRUE_PEAK).unwrap();
    meter.add_frames_f64(&samples).unwrap();
    for track in 0..12 {
        let peak = 20.0 * meter.true_peak(track).unwrap().log10();
        assert!(peak < -4.0, "track {track} peaks at {peak} dBTP");
    }
    let stops: Vec<&Value> = sidecar["checks"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|finding| finding["outcome"] == "stop")
        .collect();
    assert_eq!(stops.len(), 1, "one fault: {stops:?}");
}

#[test]
fn what_is_wrong_with_the_other_masters_is_told_by_its_name() {
    let ran = ran();
    let all = promises();
    for (name, check, outcome) in [
        (LOST_TRACK, "immersive.chna-missing-uid", "stop"),
        (STANDS, "immersive.objects-static", "advise"),
    ] {
        let promise = all.iter().find(|p| p.path == Path::new(name)).unwrap();
        let found = finding(&ran.sidecar(promise), check);
        assert_eq!(found["outcome"], outcome, "{name}: {found}");
    }
    // The figures in the summary are those of the sidecar.
    let promise = all.iter().find(|p| p.path == Path::new(CLEARS)).unwrap();
    let renders = &ran.sidecar(promise)["measured"]["renders"];
    let stdout = ran
        .stdout()
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ");
    for layout in ["0+5+0", "0+2+0"] {
        let loudness = renders[layout]["loudness"]["integrated_lufs"]
            .as_f64()
            .unwrap();
        let peak = renders[layout]["peaks"]["true_peak_dbtp"].as_f64().unwrap();
        let told = format!("{loudness:.1} LUFS, {peak:.1} dBTP on {layout}");
        assert!(stdout.contains(&told), "{told}: {stdout}");
    }
}

#[test]
fn a_sidecar_is_there_before_its_file_is_released() {
    let ran = ran();
    let place = |name: &str| ran.dispatched.iter().position(|seen| seen == name);
    for promise in promises().iter().filter(|p| p.ends_in == "dispatch") {
        let name = promise.path.to_str().unwrap();
        let file = place(name).expect("the file was seen to appear");
        let sidecar = place(&format!("{name}.sidecar.json")).expect("and its sidecar");
        assert!(sidecar < file, "{:?}", ran.dispatched);
    }
}

#[test]
fn a_note_lies_where_a_stopped_file_lay_and_says_why_and_where_to() {
    let ran = ran();
    for (name, words) in [
        (
            "exports/Harbour Lights/02 Slack Tide.wav",
            "1.6 LU too loud",
        ),
        (
            "exports/Harbour Lights/03 Lamp Room.wav",
            "3 true-peak overs",
        ),
        ("exports/Harbour Lights/04 Ferry Bell.wav", "incomplete"),
        (
            "exports/Notes for the plant.wav",
            "could not be read as audio",
        ),
        ("outbound/Ferry Bell_immersive.wav", "0+5+0"),
        ("outbound/Slack Tide_immersive.wav", "chna"),
    ] {
        let note = ran.root.join(format!("{name}.stopped.txt"));
        let text = fs::read_to_string(note).unwrap();
        assert!(text.contains(words), "{name}: {text}");
        let (_, below) = name.split_once('/').unwrap();
        let now = ran.root.join("quarantine").join(below);
        let now = now.to_str().unwrap();
        assert!(
            text.lines().any(|line| line == now),
            "{now} in one line: {text}"
        );
    }
}

#[test]
fn each_stopped_file_is_told_in_one_mail_and_no_other_file_in_any() {
    let ran = ran();
    let mails = ran.mails();
    let mut told: BTreeMap<String, usize> = BTreeMap::new();
    for mail in &mails {
        let subject = mail.header("Subject").unwrap();
        let starts = ["stopped: ", "unread: ", "do not play loud, stopped: "];
        assert!(
            starts.iter().any(|start| subject.starts_with(start)),
            "{subject}"
        );
        assert_eq!(
            mail.header("To").as_deref(),
            Some("mastering@tallowstreet.example")
        );
        assert_eq!(mail.header("Bcc"), None, "a file's name wrote a header");
        let text = mail.part("text/plain").unwrap();
        let html = mail.part("text/html").unwrap();
        assert!(
            !html.contains("<b>\\x1b"),
            "a file's name wrote into the page"
        );
        for promise in promises() {
            let name = match promise.path.as_os_str() == nasty_name() {
                true => NASTY_SHOWN,
                false => promise.path.file_name().unwrap().to_str().unwrap(),
            };
            if text.lines().any(|line| line == name) {
                *told.entry(name.to_owned()).or_default() += 1;
                // How many share a mail is a matter of time: one file's mail names it and
                // says why, that of several names the folders they came from.
                match subject.split_once(" files in ") {
                    Some((_, rest)) => {
                        let (folders, _) = rest.split_once(": ").unwrap();
                        let mut folders = folders.split(" and ");
                        assert!(folders.any(|folder| folder == promise.watch), "{subject}");
                    }
                    None => {
                        let start = name.get(..20).unwrap_or(name);
                        assert!(subject.contains(start), "{subject}");
                        let reason = "stopped: 02 Slack Tide.wav: 1.6 LU too loud";
                        assert!(
                            name != "02 Slack Tide.wav" || subject == reason,
                            "{subject}"
                        );
                    }
                }
            }
        }
    }
    let stopped = promises()
        .iter()
        .filter(|p| p.ends_in == "quarantine")
        .count();
    assert_eq!(told.len(), stopped, "{told:?}");
    assert!(told.values().all(|&times| times == 1), "{told:?}");
    assert!(!told.contains_key("01 Harbour Lights.wav"));
}

#[test]
fn the_page_tells_of_every_file_and_the_log_of_no_error() {
    let ran = ran();
    let page = fs::read_to_string(ran.root.join("page.html")).unwrap();
    assert!(page.contains("<h1>Tallow Street</h1>"));
    for promise in promises() {
        if let Some(path) = promise.path.to_str() {
            let name = format!("{path}</p>");
            assert!(page.contains(&name), "{path}");
        }
    }
    assert!(page.contains("&lt;b&gt;") && !page.contains("<b>\\x1b"));
    let log = fs::read_to_string(ran.root.join("daemon.log")).unwrap();
    let lines: Vec<Value> = log
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    assert!(lines.iter().all(|line| line["level"] != "ERROR"), "{log}");
    assert_eq!(lines.last().unwrap()["message"], "stopped");
}

#[test]
fn a_folder_that_holds_something_is_refused_and_left_as_it_is() {
    let folder = new_folder("not empty");
    fs::write(folder.join("mine.wav"), "mine").unwrap();
    let output = Command::new(DEMO)
        .arg("demo")
        .arg(&folder)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    let says = String::from_utf8(output.stderr).unwrap();
    assert!(
        says.contains("is not empty") && says.contains("nothing was changed"),
        "{says}"
    );
    let mut left = BTreeSet::new();
    files_below(&folder, &mut left);
    assert_eq!(left, BTreeSet::from([folder.join("mine.wav")]));
}

#[test]
fn an_interrupt_stops_the_daemon_too() {
    let folder = new_folder("interrupted");
    let demo = Command::new(DEMO)
        .arg("demo")
        .arg(&folder)
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // The daemon's lock holds its process number.
    let daemon = until("the daemon holds its lock", || {
        let lock = fs::read_to_string(folder.join("state/lock")).ok()?;
        Pid::from_raw(lock.trim().parse().ok()?)
    });
    until("the daemon is ready", || {
        let log = fs::read_to_string(folder.join("daemon.log")).ok()?;
        log.contains("\"ready\"").then_some(())
    });
    kill_process(Pid::from_child(&demo), Signal::INT).unwrap();
    let output = demo.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    let says = String::from_utf8(output.stderr).unwrap();
    assert!(
        says.contains("interrupted: the daemon was stopped"),
        "{says}"
    );
    assert!(
        test_kill_process(daemon).is_err(),
        "the daemon is still there"
    );
    let log = fs::read_to_string(folder.join("daemon.log")).unwrap();
    assert!(log.lines().last().unwrap().contains("\"stopped\""), "{log}");
}

/// Looks again until it is so; a minute is more than any machine needs.
fn until<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let deadline = Instant::now() + Duration::from_secs(60);
    loop {
        if let Some(seen) = look() {
            return seen;
        }
        assert!(Instant::now() < deadline, "not in a minute: {what}");
        std::thread::sleep(Duration::from_millis(50));
    }
}
