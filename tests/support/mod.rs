//! A house for tests: temporary folders, a configuration, the real binary, a real mail
//! receiver, and ways to look at what they did. Helpers look and wait; they assert nothing that
//! a test promises.

use std::ffi::OsStr;
use std::fs::{self, File, OpenOptions};
use std::io::{Read, Write};
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use tempfile::TempDir;
use weighbridge::demo::receiver::{Received, Receiver};
use weighbridge::ledger::{FileStory, Reader};

/// Every wait ends here; a busy machine is slow, not wrong.
pub const LATEST: Duration = Duration::from_secs(90);
/// What the configurations of these tests call settled.
pub const SETTLE: Duration = Duration::from_millis(300);

pub const BINARY: &str = env!("CARGO_BIN_EXE_weighbridge");

/// One watch of the configuration, with its folder.
pub struct Watch {
    pub folder: PathBuf,
    lines: String,
}

impl Watch {
    pub fn line(mut self, line: &str) -> Self {
        self.lines.push_str(line);
        self.lines.push('\n');
        self
    }

    /// Instead of a minute.
    pub fn patience(mut self, time: &str) -> Self {
        self.lines = self
            .lines
            .replace("patience = \"60s\"", &format!("patience = {time:?}"));
        self
    }

    /// `key = "folder"`; the folder is not made.
    pub fn goes_to(self, key: &str, folder: &Path) -> Self {
        let line = format!("{key} = {:?}", folder.to_str().unwrap());
        self.line(&line)
    }
}

pub struct House {
    pub dir: TempDir,
    pub mail: Receiver,
    env: Vec<(String, String)>,
    child: Option<Child>,
    /// Bytes of the log before the last start.
    log_before: u64,
}

impl Default for House {
    fn default() -> Self {
        Self::new()
    }
}

impl House {
    pub fn new() -> Self {
        let dir = tempfile::Builder::new()
            .prefix("weighbridge-test-")
            .tempdir()
            .unwrap();
        fs::create_dir(dir.path().join("profiles")).unwrap();
        // A ceiling that is easy to pass and easy to miss, and nothing else.
        fs::write(
            dir.path().join("profiles/house.toml"),
            "name = \"house\"\ntitle = \"House\"\n[limits.\"loudness.integrated\"]\nat_most = -14.0\n",
        )
        .unwrap();
        Self {
            dir,
            mail: Receiver::start().unwrap(),
            env: Vec::new(),
            child: None,
            log_before: 0,
        }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// The folder, made.
    pub fn folder(&self, name: &str) -> PathBuf {
        let folder = self.path(name);
        fs::create_dir_all(&folder).unwrap();
        folder
    }

    pub fn config(&self) -> PathBuf {
        self.path("weighbridge.toml")
    }

    pub fn state(&self) -> PathBuf {
        self.path("state")
    }

    /// A local watch whose stopped files stay and whose cleared files stay.
    pub fn watch(&self, name: &str) -> Watch {
        let folder = self.folder(name);
        let lines = format!(
            "[[watch]]\nname = {name:?}\nfolder = {:?}\nprofile = \"house\"\npatience = \"60s\"\n",
            folder.to_str().unwrap()
        );
        Watch { folder, lines }.line(&format!("settle = \"{}ms\"", SETTLE.as_millis()))
    }

    /// As `watch`, with a quarantine that is there.
    pub fn guarded(&self, name: &str) -> Watch {
        self.watch(name)
            .goes_to("quarantine", &self.folder("quarantine"))
    }

    /// As `guarded`, with a release folder that is there.
    pub fn outbound(&self, name: &str) -> Watch {
        self.guarded(name)
            .goes_to("release", &self.folder("release"))
    }

    /// Writes the configuration: those watches, mail to this house's receiver, one thread, and
    /// further text.
    pub fn configure(&self, watches: &[&Watch], more: &str) {
        let mail = format!(
            "[notice.mail]\nserver = \"smtp://{}\"\nfrom = \"weighbridge@tallowstreet.example\"\n\
             to = [\"mastering@tallowstreet.example\"]\nwhen = [\"stop\", \"trouble\"]\n",
            self.mail.address()
        );
        self.configure_without_mail(watches, &format!("{mail}{more}"));
    }

    pub fn configure_without_mail(&self, watches: &[&Watch], more: &str) {
        let mut text = format!(
            "[studio]\nname = \"Tallow Street\"\nstate = {:?}\n[crew]\nthreads = 1\n",
            self.state().to_str().unwrap()
        );
        for watch in watches {
            text.push_str(&watch.lines);
        }
        text.push_str(more);
        fs::write(self.config(), text).unwrap();
    }

    /// For every later start.
    pub fn env(&mut self, name: &str, value: &str) {
        self.env.push((name.to_owned(), value.to_owned()));
    }

    fn command(&self, words: &[&str]) -> Command {
        let mut command = Command::new(BINARY);
        command
            .args(words)
            .stdin(Stdio::null())
            .env_remove("RUST_LOG")
            .env_remove("NOTIFY_SOCKET")
            .env_remove("WATCHDOG_USEC")
            .env_remove("WATCHDOG_PID")
            .env_remove("JOURNAL_STREAM")
            .env_remove("WEIGHBRIDGE_CONFIG")
            .envs(self.env.iter().map(|(name, value)| (name, value)));
        command
    }

    /// Starts the daemon and does not wait for anything.
    pub fn spawn(&mut self) {
        assert!(self.child.is_none(), "it runs already");
        let log = OpenOptions::new()
            .create(true)
            .append(true)
            .open(self.path("log"))
            .unwrap();
        self.log_before = log.metadata().unwrap().len();
        let config = self.config();
        let mut command = self.command(&["run", "--config", config.to_str().unwrap()]);
        let child = command.stdout(Stdio::null()).stderr(log).spawn().unwrap();
        self.child = Some(child);
    }

    /// Starts the daemon and waits until it is ready.
    pub fn start(&mut self) {
        self.spawn();
        until("the daemon is ready", || {
            let left = self.child.as_mut().unwrap().try_wait().unwrap();
            assert!(left.is_none(), "it left: {left:?}\n{}", self.log_tail());
            !self.told("ready").is_empty()
        });
    }

    pub fn pid(&self) -> u32 {
        self.child.as_ref().expect("it runs").id()
    }

    pub fn signal(&self, signal: Signal) {
        let pid = Pid::from_raw(i32::try_from(self.pid()).unwrap()).unwrap();
        kill_process(pid, signal).unwrap();
    }

    /// As a power cut does it.
    pub fn kill(&mut self) {
        let mut child = self.child.take().expect("it runs");
        let _ = child.kill();
        child.wait().unwrap();
    }

    /// SIGTERM, and how long it took until it was gone.
    pub fn stop(&mut self) -> (ExitStatus, Duration) {
        let asked = Instant::now();
        self.signal(Signal::TERM);
        let status = self.wait_for_the_end();
        (status, asked.elapsed())
    }

    /// Waits until the daemon ends by itself.
    pub fn wait_for_the_end(&mut self) -> ExitStatus {
        let mut child = self.child.take().expect("it runs");
        let mut ended = None;
        until("the daemon ends", || {
            ended = child.try_wait().unwrap();
            ended.is_some()
        });
        ended.unwrap()
    }

    pub fn runs(&mut self) -> bool {
        let child = self.child.as_mut();
        child.is_some_and(|child| child.try_wait().unwrap().is_none())
    }

    /// Another command of the binary, `--config` added.
    pub fn ask(&self, words: &[&str]) -> Output {
        let config = self.config();
        let words = [words, &["--config", config.to_str().unwrap()]].concat();
        self.command(&words).output().unwrap()
    }

    /// What `status` prints, on one line.
    pub fn status(&self) -> String {
        let output = self.ask(&["status"]);
        assert!(output.status.success(), "{output:?}");
        one_line(&String::from_utf8(output.stdout).unwrap())
    }

    /// Every event of the log since the last start; lines that are none are left out.
    pub fn log(&self) -> Vec<Value> {
        let text = fs::read(self.path("log")).unwrap_or_default();
        let from = usize::try_from(self.log_before).unwrap().min(text.len());
        events(&text[from..])
    }

    /// Every event of the log of all starts.
    pub fn whole_log(&self) -> Vec<Value> {
        events(&fs::read(self.path("log")).unwrap_or_default())
    }

    /// The events since the last start whose message is this.
    pub fn told(&self, message: &str) -> Vec<Value> {
        let mut log = self.log();
        log.retain(|event| event["message"] == message);
        log
    }

    /// How often the file of that path below its watch was weighed, over all starts.
    pub fn times_weighed(&self, path: &str) -> usize {
        let log = self.whole_log();
        let of = |event: &&Value| event["message"] == "weighed" && event["span"]["path"] == path;
        log.iter().filter(of).count()
    }

    pub fn log_tail(&self) -> String {
        let text = fs::read(self.path("log")).unwrap_or_default();
        let text = String::from_utf8_lossy(&text).into_owned();
        let lines: Vec<&str> = text.lines().collect();
        lines[lines.len().saturating_sub(60)..].join("\n")
    }

    pub fn ledger(&self) -> Reader {
        Reader::open(&self.state()).unwrap()
    }

    /// What the ledger knows of a name, newest first.
    pub fn stories(&self, name: &str) -> Vec<FileStory> {
        match Reader::open(&self.state()) {
            Ok(reader) => reader.find_by_name_or_path(Path::new(name)).unwrap(),
            Err(_) => Vec::new(),
        }
    }

    /// Waits until the last settling of that name ended in this state.
    pub fn wait_for(&self, name: &str, state: &str) -> FileStory {
        let mut last = None;
        until(&format!("{name} is {state}"), || {
            last = self.stories(name).into_iter().next();
            last.as_ref()
                .is_some_and(|story| story.state.word() == state)
        });
        last.unwrap()
    }

    /// Puts a fresh file into the watch that will be stopped, and waits for its mail: what was
    /// to be mailed before it has been mailed then.
    pub fn fence(&self, watch: &Watch, name: &str) {
        put(&watch.folder.join(name), &loud(name));
        self.wait_for_mail(name);
    }

    pub fn wait_for_mail(&self, part: &str) -> Received {
        let mut found = None;
        until(&format!("a mail about {part}"), || {
            found = self.mails_about(part).into_iter().next();
            found.is_some()
        });
        found.unwrap()
    }

    /// The mails whose subject or text holds that.
    pub fn mails_about(&self, part: &str) -> Vec<Received> {
        let mut mails = self.mail.mails();
        mails.retain(|mail| {
            let subject = mail.header("subject").unwrap_or_default();
            subject.contains(part) || plain(mail).contains(part)
        });
        mails
    }
}

impl Drop for House {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
        if std::thread::panicking() {
            eprintln!("the daemon's log ends:\n{}", self.log_tail());
            let mut all = Vec::new();
            list_below(self.dir.path(), &mut all);
            eprintln!("files:");
            for path in all {
                eprintln!("  {:?}", path.strip_prefix(self.dir.path()).unwrap());
            }
        }
    }
}

fn events(text: &[u8]) -> Vec<Value> {
    text.split(|byte| *byte == b'\n')
        .filter_map(|line| serde_json::from_slice(line).ok())
        .collect()
}

/// The text of a mail on one line.
pub fn plain(mail: &Received) -> String {
    one_line(&mail.part("text/plain").unwrap_or_default())
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Waits for a condition; panics with `what` when it does not come true.
#[track_caller]
pub fn until(what: &str, mut is_so: impl FnMut() -> bool) {
    let deadline = Instant::now() + LATEST;
    while !is_so() {
        assert!(Instant::now() < deadline, "waited in vain until {what}");
        std::thread::sleep(Duration::from_millis(15));
    }
}

/// Writes a file as a quick copy does it: under its name at once.
pub fn put(path: &Path, bytes: &[u8]) {
    fs::write(path, bytes).unwrap();
}

/// Over the house profile's ceiling; the name makes the bytes its own.
pub fn loud(name: impl AsRef<OsStr>) -> Vec<u8> {
    wav(1.0, 0.5, name)
}

/// Under it.
pub fn quiet(name: impl AsRef<OsStr>) -> Vec<u8> {
    wav(1.0, 0.05, name)
}

/// Stereo, 48 kHz, 16 bit, WAVE_FORMAT_EXTENSIBLE with the mask of left and right; a tone whose
/// pitch comes from `seed`, with a few bits of noise so that no page of it is zeros.
pub fn wav(seconds: f64, amplitude: f64, seed: impl AsRef<OsStr>) -> Vec<u8> {
    let hash = blake3::hash(seed.as_ref().as_bytes());
    let mut noise = u64::from_le_bytes(hash.as_bytes()[..8].try_into().unwrap()) | 1;
    let pitch = 400.0 + (noise % 600) as f64;
    let frames = (seconds * 48_000.0) as usize;
    let mut audio = Vec::with_capacity(frames * 4);
    for frame in 0..frames {
        let phase = pitch * frame as f64 / 48_000.0 * std::f64::consts::TAU;
        // Its loudest moment comes first, so that a debug build need not look for peaks later.
        let level = if frame < 2_400 { 1.6 } else { 1.0 };
        let tone = phase.sin() * amplitude * level * 32_000.0;
        for _ in 0..2 {
            // xorshift64: any bits will do.
            noise ^= noise << 13;
            noise ^= noise >> 7;
            noise ^= noise << 17;
            let sample = tone as i16 + (noise & 15) as i16 + 1;
            audio.extend_from_slice(&sample.to_le_bytes());
        }
    }
    let mut bytes = header(u32::try_from(audio.len()).unwrap(), 2);
    bytes.extend_from_slice(&audio);
    bytes
}

pub const HEADER_BYTES: usize = 68;

/// What stands before the audio: RIFF, `fmt ` of 40 bytes, the head of `data`. One channel or
/// two, 48 kHz, 16 bit.
pub fn header(audio_bytes: u32, channels: u16) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(HEADER_BYTES);
    bytes.extend_from_slice(b"RIFF");
    bytes.extend_from_slice(&(audio_bytes + 60).to_le_bytes());
    bytes.extend_from_slice(b"WAVEfmt ");
    bytes.extend_from_slice(&40u32.to_le_bytes());
    let frame = 2 * channels;
    for word in [0xFFFE, channels] {
        bytes.extend_from_slice(&word.to_le_bytes());
    }
    bytes.extend_from_slice(&48_000u32.to_le_bytes());
    bytes.extend_from_slice(&(48_000 * u32::from(frame)).to_le_bytes());
    for word in [frame, 16, 22, 16] {
        bytes.extend_from_slice(&word.to_le_bytes());
    }
    // Front left and right, or front centre.
    let mask: u32 = if channels == 2 { 3 } else { 4 };
    bytes.extend_from_slice(&mask.to_le_bytes());
    // KSDATAFORMAT_SUBTYPE_PCM
    bytes.extend_from_slice(&[
        1, 0, 0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71,
    ]);
    bytes.extend_from_slice(b"data");
    bytes.extend_from_slice(&audio_bytes.to_le_bytes());
    assert_eq!(bytes.len(), HEADER_BYTES);
    bytes
}

/// Writes into an open file piece by piece, with pauses between them.
pub fn write_slowly(file: &mut File, bytes: &[u8], pieces: usize, pause: Duration) {
    // Whole pages, as copying programs do it.
    let piece = bytes.len().div_ceil(pieces).next_multiple_of(4096);
    for (n, part) in bytes.chunks(piece).enumerate() {
        if n > 0 {
            // The slow writer is what the test is about; nothing is proved by waiting.
            std::thread::sleep(pause);
        }
        file.write_all(part).unwrap();
    }
}

pub fn digest(path: &Path) -> String {
    blake3::hash(&fs::read(path).unwrap()).to_hex().to_string()
}

pub fn digest_of(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

/// The sidecar beside a file of an ordinary name.
pub fn sidecar_path(file: &Path) -> PathBuf {
    let mut name = file.file_name().unwrap().to_owned();
    name.push(".sidecar.json");
    file.with_file_name(name)
}

pub fn note_path(file: &Path) -> PathBuf {
    let mut name = file.file_name().unwrap().to_owned();
    name.push(".stopped.txt");
    file.with_file_name(name)
}

#[track_caller]
pub fn sidecar(file: &Path) -> Value {
    read_json(&sidecar_path(file))
}

#[track_caller]
pub fn read_json(path: &Path) -> Value {
    let text = fs::read(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    serde_json::from_slice(&text).unwrap()
}

/// Every file below, folders left out.
pub fn list_below(folder: &Path, out: &mut Vec<PathBuf>) {
    let Ok(entries) = fs::read_dir(folder) else {
        return;
    };
    for entry in entries.flatten() {
        let path = entry.path();
        // A link to a folder is an entry, not a folder.
        if entry.file_type().is_ok_and(|kind| kind.is_dir()) {
            list_below(&path, out);
        } else {
            out.push(path);
        }
    }
}

/// The names of the files below a folder, sorted, relative to it.
pub fn names_below(folder: &Path) -> Vec<PathBuf> {
    let mut all = Vec::new();
    list_below(folder, &mut all);
    let mut names: Vec<PathBuf> = all
        .into_iter()
        .map(|path| path.strip_prefix(folder).unwrap().to_owned())
        .collect();
    names.sort();
    names
}

/// One GET on loopback: the status line and the body.
pub fn get(address: &str, path: &str) -> Option<(String, String)> {
    let mut stream = std::net::TcpStream::connect(address).ok()?;
    stream.set_read_timeout(Some(LATEST)).ok()?;
    let request = format!("GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).ok()?;
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).ok()?;
    let answer = String::from_utf8_lossy(&answer).into_owned();
    let (head, body) = answer.split_once("\r\n\r\n")?;
    Some((head.lines().next()?.to_owned(), body.to_owned()))
}

/// An address of loopback that was free a moment ago.
pub fn free_address() -> String {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    listener.local_addr().unwrap().to_string()
}
