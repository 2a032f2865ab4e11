//! The invented deliveries of Tallow Street: what is written where, and what should become of it.
//!
//! In: a folder. Out: the files below its `exports` and `outbound`, and for each what the house
//! should say. Everything comes from seeds: two runs write the same bytes. Knows nothing of the
//! daemon.

use std::ffi::OsString;
use std::fs::{self, File};
use std::io::{self, Cursor, Write};
use std::os::unix::ffi::OsStringExt;
use std::path::{Path, PathBuf};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use hound::{SampleFormat, WavSpec, WavWriter};

use super::immersive;
use super::music::{Piece, RATE_HZ, Score, Seeded};
use super::studio::{PATIENCE, SETTLE};
use crate::layout;

/// Said before anything can be played.
pub const HEARING: &str = "caution before you listen: \"03 Lamp Room.wav\" holds three short clicks \
     near full scale; turn the level down first";

/// Between two pieces of the slow export: longer than the watches wait for a file to settle, so
/// that only the unfinished header tells that more is to come; shorter than their patience.
const PAUSE: Duration = Duration::from_millis(1300);
const _: () = assert!(PAUSE.as_millis() > SETTLE.as_millis());
const _: () = assert!(PAUSE.as_millis() < PATIENCE.as_millis());

/// How many files [`write_deliveries`] makes.
pub const COUNT: usize = 16;

/// What becomes of a file that is no delivery.
pub const LEFT_ALONE: &str = "left alone";

/// One file of the scenario.
#[derive(Clone, Debug)]
pub struct Delivery {
    /// The watch that should find it: `exports` or `outbound`, the name of its folder too.
    pub watch: &'static str,
    /// Below the watch's folder.
    pub path: PathBuf,
    /// BLAKE3 of the bytes that were written.
    pub blake3: blake3::Hash,
    /// The verdict's word (`clear`, `advise`, `stop`, `unread`), or [`LEFT_ALONE`].
    pub expected: &'static str,
    /// What is the matter with it, in a few words.
    pub why: &'static str,
}

impl Delivery {
    pub fn is_left_alone(&self) -> bool {
        self.expected == LEFT_ALONE
    }

    pub fn is_stopped(&self) -> bool {
        matches!(self.expected, "stop" | "unread")
    }

    /// The demo's folder in which it lies at the end, under the same path.
    pub fn ends_in(&self) -> &'static str {
        match (self.is_stopped(), self.watch) {
            (true, _) => "quarantine",
            (false, "outbound") => "dispatch",
            (false, watch) => watch,
        }
    }
}

/// Writes all deliveries below `dir`, making the watches' folders where they are missing, and
/// returns when the last byte is written. One export arrives in pieces on a thread of its own
/// while the others are made. Takes some ten seconds; about 72 MB.
pub fn write_deliveries(dir: &Path) -> io::Result<Vec<Delivery>> {
    let slow = wave(&stereo(5, -15.5)?, 24)?;
    let slow_path = Path::new(ALBUM).join("05 Last Boat.wav");
    fs::create_dir_all(dir.join("exports").join(ALBUM))?;
    let writer = write_in_pieces(dir.join("exports").join(&slow_path), slow.clone());

    let mut out = Deliveries {
        dir,
        watch: "exports",
        all: Vec::new(),
    };
    exports(&mut out, slow_path, &slow)?;
    out.watch = "outbound";
    outbound(&mut out)?;
    writer
        .join()
        .map_err(|_| io::Error::other("the slow export's writer died"))??;
    Ok(out.all)
}

/// The sub-folder of the album.
const ALBUM: &str = "Harbour Lights";

/// The slow export is on its way already, written by another thread.
fn exports(out: &mut Deliveries, slow_path: PathBuf, slow: &[u8]) -> io::Result<()> {
    let album = |name: &str| Path::new(ALBUM).join(name);

    let bytes = wave(&stereo(1, -15.0)?, 24)?;
    out.put(album("01 Harbour Lights.wav"), &bytes, "clear", "as asked")?;

    // The first bytes of such a file (from memory: its magic number and version).
    let bytes = [0x00, 0x05, 0x16, 0x07, 0x00, 0x02, 0x00, 0x00];
    out.put(
        album("._01 Harbour Lights.wav"),
        &bytes,
        LEFT_ALONE,
        "left behind by a file manager",
    )?;

    let bytes = wave(&stereo(2, -12.4)?, 24)?;
    out.put(
        album("02 Slack Tide.wav"),
        &bytes,
        "stop",
        "1.6 LU too loud",
    )?;

    let mut clicks = stereo(3, -15.0)?;
    clicks.add_intersample_peaks(&[2.25, 5.5, 8.75], 1.06);
    let bytes = wave(&clicks, 24)?;
    out.put(
        album("03 Lamp Room.wav"),
        &bytes,
        "stop",
        "three true-peak overs",
    )?;

    let cut = wave(&stereo(4, -15.0)?, 24)?;
    out.put(
        album("04 Ferry Bell.wav"),
        &cut[..cut.len() * 3 / 5],
        "stop",
        "a copy that broke off",
    )?;

    out.tell(
        slow_path,
        slow,
        "clear",
        "an export that comes in pieces, its header last",
    );

    let bytes = wave(&stereo_at(6, -15.0, 44_100)?, 24)?;
    out.put(
        album("06 Slack Tide (old session).wav"),
        &bytes,
        "stop",
        "44.1 kHz where 48 kHz is asked",
    )?;

    let mut tail = stereo(7, -15.0)?;
    for channel in &mut tail.channels {
        channel.resize(channel.len() + 4 * RATE_HZ as usize, 0.0);
    }
    let bytes = wave(&tail, 24)?;
    out.put(
        album("07 Lamp Room (quiet end).wav"),
        &bytes,
        "advise",
        "4 s of silence at the end",
    )?;

    let bytes = wave(&stereo(8, -15.0)?, 16)?;
    out.put(
        nasty_name().into(),
        &bytes,
        "stop",
        "16 bit, and a name that plays tricks",
    )?;

    let text = b"Side A ends with the bell. Please keep the gap.\n";
    out.put(
        "Notes for the plant.wav".into(),
        text,
        "unread",
        "a text that calls itself audio",
    )
}

fn outbound(out: &mut Deliveries) -> io::Result<()> {
    let mut put =
        |name: &str, piece: Piece, why| out.put(name.into(), &wave(&piece, 24)?, "clear", why);
    put(
        "Harbour Lights (instrumental).wav",
        music(1, "0+2+0", RATE_HZ, STEREO_S, false)?.master(-15.0, -1.5)?,
        "the version without its tune",
    )?;
    put(
        "Harbour Lights_5.1.wav",
        music(9, "0+5+0", RATE_HZ, immersive::LENGTH_S, true)?.master(-18.5, -1.5)?,
        "5.1 as channels, with its channel mask, as asked",
    )?;
    masters(out)
}

/// Object-based masters: what is wrong with two of them, no meter of their tracks can see.
fn masters(out: &mut Deliveries) -> io::Result<()> {
    out.put(
        "Harbour Lights_immersive.wav".into(),
        &immersive::clearing()?.bytes(),
        "clear",
        "a 7.1.2 bed and three moving objects, as asked",
    )?;
    out.put(
        "Ferry Bell_immersive.wav".into(),
        &immersive::meeting()?.bytes(),
        "stop",
        "no track shows it, the render does: two objects play one bell and meet at the left \
         surround for one stroke, where their waves add up",
    )?;
    out.put(
        "Slack Tide_immersive.wav".into(),
        &immersive::lost_track()?.bytes(),
        "stop",
        "an object plays a track that chna does not have",
    )?;
    out.put(
        "Lamp Room_immersive.wav".into(),
        &immersive::standing()?.bytes(),
        "advise",
        "three objects whose blocks all have one position: an export that lost the moves",
    )
}

/// Writes below a folder and remembers what was written.
struct Deliveries<'a> {
    dir: &'a Path,
    watch: &'static str,
    all: Vec<Delivery>,
}

impl Deliveries<'_> {
    fn put(
        &mut self,
        path: PathBuf,
        bytes: &[u8],
        expected: &'static str,
        why: &'static str,
    ) -> io::Result<()> {
        let target = self.dir.join(self.watch).join(&path);
        if let Some(folder) = target.parent() {
            fs::create_dir_all(folder)?;
        }
        fs::write(&target, bytes)?;
        self.tell(path, bytes, expected, why);
        Ok(())
    }

    fn tell(&mut self, path: PathBuf, bytes: &[u8], expected: &'static str, why: &'static str) {
        self.all.push(Delivery {
            watch: self.watch,
            path,
            blake3: blake3::hash(bytes),
            expected,
            why,
        });
    }
}

/// Tries a shell, a mail header, a web page and a UTF-8 decoder at once.
fn nasty_name() -> OsString {
    let mut name =
        b"-rf $(halt) Night Mail\r\nBcc: all@tallowstreet.example\r\n<b>\x1b[2J Canci".to_vec();
    name.extend_from_slice(b"\xf3n.wav");
    OsString::from_vec(name)
}

fn stereo(seed: u64, loudness_lufs: f64) -> io::Result<Piece> {
    stereo_at(seed, loudness_lufs, RATE_HZ)
}

fn stereo_at(seed: u64, loudness_lufs: f64, rate_hz: u32) -> io::Result<Piece> {
    music(seed, "0+2+0", rate_hz, STEREO_S, true)?.master(loudness_lufs, -1.5)
}

const STEREO_S: f32 = 12.0;

fn music(
    seed: u64,
    channels: &str,
    rate_hz: u32,
    length_s: f32,
    with_tune: bool,
) -> io::Result<Piece> {
    let labels = layout::parse_channels(channels).map_err(io::Error::other)?;
    Ok(Piece::compose(&Score {
        seed,
        labels: &labels,
        length_s,
        rate_hz,
        with_tune,
    }))
}

/// The piece as a WAVE file with dither, and with the channel mask of its layout.
fn wave(piece: &Piece, bits: u16) -> io::Result<Vec<u8>> {
    let spec = WavSpec {
        channels: u16::try_from(piece.channels.len()).map_err(io::Error::other)?,
        sample_rate: piece.rate_hz,
        bits_per_sample: bits,
        sample_format: SampleFormat::Int,
    };
    let mut file = Cursor::new(Vec::new());
    let mut writer = WavWriter::new(&mut file, spec).map_err(io::Error::other)?;
    let steps = (1i64 << (bits - 1)) as f32;
    let mut random = Seeded::new(99);
    let frames = piece.channels.first().map_or(0, Vec::len);
    for frame in 0..frames {
        for channel in &piece.channels {
            let value = (channel[frame] * steps + random.dither()).round();
            let value = value.clamp(-steps, steps - 1.0) as i32;
            writer.write_sample(value).map_err(io::Error::other)?;
        }
    }
    writer.finalize().map_err(io::Error::other)?;
    let mut bytes = file.into_inner();
    if let Some(mask) = channel_mask(piece.channels.len()) {
        set_channel_mask(&mut bytes, mask);
    }
    Ok(bytes)
}

/// The loudspeaker bits of WAVE_FORMAT_EXTENSIBLE for the scenario's layouts (documentation of
/// WAVEFORMATEXTENSIBLE, `dwChannelMask`, from memory). 5.1: front pair, centre, low, back pair.
/// The bits' order is the channels' order in the file.
fn channel_mask(channels: usize) -> Option<u32> {
    match channels {
        2 => Some(0x3),
        6 => Some(0x3F),
        _ => None,
    }
}

/// The writer's library can not be told a mask: it is put in afterwards, where the format is
/// WAVE_FORMAT_EXTENSIBLE (format tag 0xFFFE at byte 20, the mask at byte 40 of its files).
fn set_channel_mask(wave: &mut [u8], mask: u32) {
    if wave.get(20..22) == Some(&[0xFE, 0xFF])
        && let Some(field) = wave.get_mut(40..44)
    {
        field.copy_from_slice(&mask.to_le_bytes());
    }
}

/// Writes as some workstations do: a header that says 0, the samples bit by bit with pauses,
/// and the true sizes at the very end.
fn write_in_pieces(path: PathBuf, bytes: Vec<u8>) -> JoinHandle<io::Result<()>> {
    thread::spawn(move || {
        let mut unfinished = bytes.clone();
        let data_size = data_size_at(&bytes)?;
        unfinished[4..8].fill(0);
        unfinished[data_size..data_size + 4].fill(0);
        let mut file = File::create(&path)?;
        for piece in unfinished.chunks(bytes.len() / 5 + 1) {
            file.write_all(piece)?;
            file.sync_data()?;
            // A pause of the imitated workstation, not a wait for something to happen.
            thread::sleep(PAUSE);
        }
        use std::os::unix::fs::FileExt;
        file.write_all_at(&bytes[4..8], 4)?;
        file.write_all_at(&bytes[data_size..data_size + 4], data_size as u64)?;
        file.sync_all()
    })
}

/// Where the length of the `data` chunk stands in a file that [`wave`] made.
fn data_size_at(wave: &[u8]) -> io::Result<usize> {
    let header = &wave[..wave.len().min(128)];
    let id = header.windows(4).position(|window| window == b"data");
    id.map(|at| at + 4)
        .ok_or_else(|| io::Error::other("no data chunk in the demo's own file"))
}

#[cfg(test)]
mod tests {
    use super::super::studio::{PROFILES, configuration};
    use super::*;
    use crate::judge::load_profiles;
    use crate::weigh::{Request, weigh};
    use std::ops::ControlFlow;

    #[test]
    fn each_delivery_weighs_as_the_scenario_says() {
        let folder = tempfile::tempdir().unwrap();
        let own = folder.path().join("profiles");
        fs::create_dir(&own).unwrap();
        for (name, text) in PROFILES {
            fs::write(own.join(name), text).unwrap();
        }
        let profiles = load_profiles(Some(&own)).unwrap();
        let deliveries = write_deliveries(folder.path()).unwrap();

        let mut bytes = 0;
        for delivery in &deliveries {
            let path = folder.path().join(delivery.watch).join(&delivery.path);
            bytes += fs::metadata(&path).unwrap().len();
            if delivery.expected == LEFT_ALONE {
                continue;
            }
            let name = delivery.path.to_string_lossy();
            let profile = match () {
                () if name.contains("_immersive.") => "tallow-immersive",
                () if name.contains("_5.1.") => "tallow-channels",
                () => "tallow-stereo",
            };
            let request = Request::new(&path, profiles.get(profile).unwrap());
            let weighed = weigh(&request, &mut |_, _| ControlFlow::Continue(())).unwrap();
            assert_eq!(
                weighed.judgement.verdict.word(),
                delivery.expected,
                "{}: {}",
                delivery.path.display(),
                weighed.judgement.reason
            );
        }
        assert_eq!(deliveries.len(), COUNT);
        // Own choice: 70 MiB, little enough for any temporary folder.
        assert!(bytes < 70 << 20, "{bytes}");
    }

    #[test]
    fn the_demo_s_configuration_holds_whatever_the_folder_is_called() {
        let profiles = PROFILES.map(|(name, _)| name.trim_end_matches(".toml").to_owned());
        let dir = Path::new("/srv/it's \"a\" demo");
        let mail = "127.0.0.1:2525".parse().unwrap();
        let text = configuration(dir, mail, "127.0.0.1:8117".parse().unwrap());
        let path = dir.join("weighbridge.toml");
        let config = crate::config::Config::parse(&text, &path, &profiles).unwrap();
        assert_eq!(config.watches.len(), 2);
        assert_eq!(config.watches[0].folder, dir.join("exports"));
        assert_eq!(config.watches[1].settle, SETTLE);
    }

    #[test]
    fn a_slow_export_is_unfinished_until_its_last_bytes() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("slow.wav");
        let labels = layout::parse_channels("0+2+0").unwrap();
        let silence = Piece {
            channels: vec![vec![0.0; 4800]; 2],
            labels,
            rate_hz: RATE_HZ,
        };
        let whole = wave(&silence, 24).unwrap();
        let writer = write_in_pieces(path.clone(), whole.clone());
        while !writer.is_finished() {
            let now = fs::read(&path).unwrap_or_default();
            if now.len() == whole.len() && now == whole {
                break;
            }
            // Whatever is there before the end has a header that owns to no length.
            assert!(now.len() < 8 || now[4..8] == [0; 4] || now.len() == whole.len());
            thread::yield_now();
        }
        writer.join().unwrap().unwrap();
        assert!(fs::read(&path).unwrap() == whole);
    }
}
