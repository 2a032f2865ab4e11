//! Mails, on the real thing: a receiver on loopback that can be rude, and mails read back
//! with a decoder that is not the encoder's.

use std::collections::HashSet;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use tokio::sync::{Notify, watch};

use weighbridge::config::{Mail, MailSecurity, When};
use weighbridge::demo::receiver::{Received, Receiver, Rudeness, Step};
use weighbridge::judge::{Outcome, Verdict};
use weighbridge::notice::*;
use weighbridge::record::{Fact, Placement, Row, Story, printable, ways_on};

const SOON: Duration = Duration::from_secs(20);

fn file(name: &str) -> FileNotice {
    let story = Story {
        name: name.into(),
        verdict: Verdict::Stop,
        reason: "1.6 LU too loud on the 5.1 re-render (-16.4, asked: at most -18.0 LUFS), and 3 \
                 true-peak overs"
            .into(),
        caution: None,
        rows: vec![
            Row {
                check: "loudness.integrated".into(),
                title: "integrated loudness, 0+5+0".into(),
                outcome: Outcome::Stop,
                says: "the integrated loudness is 1.6 LU over what was asked".into(),
                found: "-16.4 LUFS".into(),
                asked: Some("at most -18.0 LUFS".into()),
                by: Some("1.6 LU over".into()),
                places: Vec::new(),
                more_places: 0,
                source: "the house's aim".into(),
                follows: false,
            },
            Row {
                check: "peaks.true_peak".into(),
                title: "true peak, 0+5+0".into(),
                outcome: Outcome::Stop,
                says: "the true peak passes the ceiling in 9 places".into(),
                found: "-0.3 dBTP".into(),
                asked: Some("at most -1.0 dBTP".into()),
                by: Some("0.7 dB over".into()),
                places: vec![
                    "0:42.113, sample 2021424, M+030, -0.31 dBTP".into(),
                    "1:44.166, sample 5000001, M-030, -0.84 dBTP".into(),
                ],
                more_places: 7,
                source: "EBU R 128 (2023), clause h".into(),
                follows: false,
            },
            Row {
                check: "edges.head_silence".into(),
                title: "silence at the start".into(),
                outcome: Outcome::Advise,
                says: "there is 0.2 s of silence before the music".into(),
                found: "0.2 s".into(),
                asked: Some("at most 0.1 s".into()),
                by: Some("0.1 s over".into()),
                places: Vec::new(),
                more_places: 0,
                source: "common practice, no source".into(),
                follows: false,
            },
        ],
        notes: vec!["the bext chunk names the originator Tallow Street".into()],
        clear: 41,
        figures: vec![
            Fact::new(
                "integrated",
                "-16.4 LUFS on 0+5+0 by an invented renderer 1.0",
            ),
            Fact::new(
                "true peak",
                "-0.3 dBTP on 0+5+0 by an invented renderer 1.0",
            ),
        ],
        master: Vec::new(),
        elsewhere: Vec::new(),
        file: vec![
            Fact::new("name", name),
            Fact::new("BLAKE3", "0f".repeat(32)),
            Fact::new("format", "WAVE PCM, 24 bit, 48000 Hz, 6 channels, 3:36.000"),
            Fact::new("profile", "immersive-music"),
            Fact::new("weighed by", "weighbridge 0.1.0"),
        ],
        blake3: Some("0f".repeat(32)),
    };
    FileNotice {
        watch: "exports".into(),
        at: "2026-05-04T17:20:11+01:00".into(),
        placement: Placement {
            now: format!("quarantine:album/{name}"),
            path: format!("/srv/audio/quarantine/album/{name}"),
            moved: true,
            ways: ways_on(story.verdict, &[]),
        },
        story,
    }
}

fn stop(name: &str) -> Payload {
    Payload::of_file(file(name))
}

fn trouble(what: &str) -> Payload {
    Payload::Trouble(Trouble {
        at: "2026-05-04T17:20:11+01:00".into(),
        what: what.into(),
        place: "watch outbound".into(),
        to_do: "Is the share mounted? Nothing was changed; I look again every 5 s.".into(),
        over: false,
    })
}

fn digest() -> Digest {
    Digest {
        day: "Monday 4 May 2026".into(),
        from: "2026-05-03T18:00:00+01:00".into(),
        to: "2026-05-04T18:00:00+01:00".into(),
        roots: vec![Root {
            name: "exports".into(),
            free_bytes: Some(1_250_000_000_000),
            total_bytes: Some(4_000_000_000_000),
        }],
        ..Digest::default()
    }
}

fn composed(notices: &[&Payload]) -> (Composed, Received) {
    let from = "weighbridge@tallowstreet.example".parse().unwrap();
    let to = ["mastering@tallowstreet.example".parse().unwrap()];
    let now = "2026-05-04T16:20:11Z".parse().unwrap();
    let composed = compose(notices, "Tallow Street", &from, &to, now).unwrap();
    let received = Received {
        from: String::new(),
        to: Vec::new(),
        raw: composed.raw.clone(),
        login: None,
    };
    (composed, received)
}

/// The header lines' names, folded lines joined.
fn header_names(raw: &[u8]) -> Vec<String> {
    let text = String::from_utf8_lossy(raw).into_owned();
    let head = text.split("\r\n\r\n").next().unwrap().to_owned();
    (head.split("\r\n"))
        .filter(|line| !line.starts_with([' ', '\t']))
        .map(|line| line.split(':').next().unwrap().to_owned())
        .collect()
}

#[test]
fn the_subject_alone_says_what_happened() {
    let (mail, read) = composed(&[&stop("Harbour Lights_MI04_48k24.wav")]);
    assert_eq!(
        mail.subject,
        "stopped: Harbour Lights_MI04_48k24.wav: 1.6 LU too loud on the 5.1 re-render, and 3 \
         true-peak overs"
    );
    assert_eq!(read.header("Subject"), Some(mail.subject));
}

#[test]
fn what_may_hurt_is_said_first() {
    let mut loud = file("tone.wav");
    loud.story.caution = Some("Do not play this at listening level: full-scale tone.".into());
    let loud = Payload::of_file(loud);
    let (mail, read) = composed(&[&loud]);
    assert!(
        mail.subject
            .starts_with("do not play loud, stopped: tone.wav"),
        "{}",
        mail.subject
    );
    let plain = read.part("text/plain").unwrap();
    assert!(
        plain.starts_with("Do not play this at listening level"),
        "{plain}"
    );
}

#[test]
fn a_burst_is_one_line_with_the_first_names() {
    let many: Vec<Payload> = (0..40).map(|n| stop(&format!("take_{n:02}.wav"))).collect();
    let (mail, read) = composed(&many.iter().collect::<Vec<_>>());
    assert!(
        mail.subject
            .starts_with("stopped: 40 files in exports: take_00.wav, take_01.wav")
    );
    assert!(mail.subject.ends_with(" more"), "{}", mail.subject);
    assert!(mail.subject.chars().count() <= 120, "{}", mail.subject);
    let plain = read.part("text/plain").unwrap();
    let html = read.part("text/html").unwrap();
    for n in 0..40 {
        let name = format!("take_{n:02}.wav");
        assert!(
            plain.contains(&name) && html.contains(&name),
            "{name} is told"
        );
    }
}

#[test]
fn plain_text_and_html_say_the_same() {
    let (_, read) = composed(&[&stop("Harbour Lights_MI04_48k24.wav")]);
    let plain = read.part("text/plain").unwrap();
    let one_line = plain.split_whitespace().collect::<Vec<_>>().join(" ");
    // HTML without its tags: what is read.
    let html = read.part("text/html").unwrap();
    let html: String = (html.split('<'))
        .map(|part| part.split_once('>').map_or(part, |(_, text)| text))
        .collect();
    for words in [
        "1.6 LU too loud on the 5.1 re-render (-16.4, asked: at most -18.0 LUFS)",
        "quarantine:album/Harbour Lights_MI04_48k24.wav",
        "untouched: BLAKE3",
        "Export it again under the same name",
        "-16.4 LUFS",
        "at most -18.0 LUFS",
        "1.6 LU over",
        "0:42.113, sample 2021424, M+030, -0.31 dBTP",
        "and 7 more",
        "EBU R 128 (2023), clause h",
        "41 other checks clear",
        "an invented renderer 1.0",
        "mastering@tallowstreet.example",
    ] {
        assert!(
            one_line.contains(words),
            "plain text misses {words}:\n{plain}"
        );
        assert!(html.contains(words), "HTML misses {words}");
    }
    let longest = plain.lines().map(|line| line.chars().count()).max();
    // Two columns, the longest label ("peak to loudness") and a space, and the 64 digits of a
    // BLAKE3, which must be copied in one piece.
    assert!(longest <= Some(2 + 17 + 64), "{longest:?}");
}

// RFC 3834, clause 5, and RFC 5322, clause 3.6: which headers, and each once.
#[test]
fn headers_are_those_of_an_automatic_mail_and_no_others() {
    let (mail, read) = composed(&[&stop("a.wav")]);
    let mut names = header_names(&mail.raw);
    names.sort_unstable();
    let mut wanted = vec![
        "Auto-Submitted",
        "Content-Type",
        "Date",
        "From",
        "MIME-Version",
        "Message-ID",
        "Subject",
        "To",
    ];
    wanted.sort_unstable();
    assert_eq!(names, wanted);
    assert_eq!(
        read.header("Auto-Submitted").as_deref(),
        Some("auto-generated")
    );
    assert_eq!(
        read.header("Date").as_deref(),
        Some("Mon, 04 May 2026 16:20:11 +0000")
    );
    assert_eq!(read.header("Message-ID"), Some(mail.message_id.clone()));
    assert!(mail.message_id.ends_with("@tallowstreet.example>"));
    let (other, _) = composed(&[&stop("a.wav")]);
    assert_ne!(other.message_id, mail.message_id, "each mail has its own");
}

#[test]
fn no_name_injects_headers_html_or_lines() {
    use std::os::unix::ffi::OsStrExt;
    let long = format!("{}_MI04_48k24.wav", "Harbour Lights ".repeat(20));
    let nasty: Vec<Vec<u8>> = vec![
        b"a\r\nBcc: thief@elsewhere.example\r\n\r\n<b>.wav".to_vec(),
        "x\u{202e}vaw.exe".into(),
        b"<script>alert(1)</script>&amp;\"'.wav".to_vec(),
        long.into(),
        b"caf\xe9\xff\xfe.wav".to_vec(),
        b"=?utf-8?b?QmNjOiB4?=.wav".to_vec(),
        b"\x1b[2J\x00\x07.wav".to_vec(),
        "Åska 夜 🎧.wav".into(),
        b".\r\n.\r\nQUIT.wav".to_vec(),
        "{}\u{2028}</style></head>.wav".into(),
    ];
    for bytes in nasty {
        // As the house writes names, and as a careless caller might.
        let careless = String::from_utf8_lossy(&bytes).into_owned();
        for name in [printable(std::ffi::OsStr::from_bytes(&bytes)), careless] {
            let again = Payload::ClearAgain(ClearAgain {
                file: file(&name),
                stopped_at: Some(name.clone()),
                stopped_for: Some(name.clone()),
                stop_message_id: Some(format!("<{name}@tallowstreet.example>")),
            });
            let lines = Payload::Digest(Digest {
                files: vec![FileLine {
                    watch: name.clone(),
                    name: name.clone(),
                    sentence: name.clone(),
                }],
                troubles: vec![name.clone()],
                refused: vec![name.clone()],
                ..digest()
            });
            let many: Vec<Payload> = (0..30).map(|_| stop(&name)).collect();
            let mails: Vec<Vec<&Payload>> = vec![
                vec![&many[0]],
                many.iter().collect(),
                vec![&again],
                vec![&lines],
            ];
            let troubled = trouble(&name);
            for notices in mails.into_iter().chain([vec![&troubled]]) {
                let (mail, read) = composed(&notices);
                assert!(mail.raw.is_ascii());
                let names: Vec<String> = header_names(&mail.raw);
                let once: HashSet<&String> = names.iter().collect();
                assert_eq!(names.len(), once.len(), "{names:?}");
                assert!(
                    !names.iter().any(|n| n.eq_ignore_ascii_case("bcc")),
                    "{names:?}"
                );
                assert!(
                    !mail.subject.chars().any(char::is_control),
                    "{}",
                    mail.subject
                );
                assert!(mail.subject.chars().count() <= 120, "{}", mail.subject);
                // RFC 5322, clause 2.1.1: at most 998 characters a line.
                assert!(
                    mail.raw
                        .split(|b| *b == b'\n')
                        .all(|line| line.len() <= 999)
                );
                let subject = read.header("Subject").unwrap();
                assert_eq!(subject.trim_end(), mail.subject.trim_end(), "{name:?}");
                let plain = read.part("text/plain").unwrap();
                let html = read.part("text/html").unwrap();
                for text in [&plain, &html] {
                    assert!(!text.contains('\u{202e}'), "{text}");
                    assert!(!text.chars().any(|c| c.is_control() && c != '\n'), "{text}");
                }
                assert!(!plain.contains("\nBcc:"), "{plain}");
                assert!(
                    !html.contains("<script") && !html.contains("<b>.wav"),
                    "{html}"
                );
                assert_eq!(html.matches("</style>").count(), 1);
            }
        }
    }
}

#[test]
fn a_long_name_is_cut_in_its_middle_and_the_reason_stays() {
    let name = format!("{}_MI04_48k24.wav", "Harbour".repeat(43));
    let (mail, _) = composed(&[&stop(&name)]);
    assert!(
        mail.subject.starts_with("stopped: HarbourHarb"),
        "{}",
        mail.subject
    );
    assert!(mail.subject.contains("…"), "{}", mail.subject);
    assert!(
        mail.subject
            .ends_with("48k24.wav: 1.6 LU too loud on the 5.1 re-render, and 3 true-peak overs"),
        "{}",
        mail.subject
    );
}

#[test]
fn clear_again_answers_the_mail_that_told_of_the_stop() {
    let (first, _) = composed(&[&stop("a.wav")]);
    let mut clear = file("a.wav");
    clear.story.verdict = Verdict::Clear;
    clear.story.reason = String::new();
    clear.story.rows.clear();
    let again = Payload::ClearAgain(ClearAgain {
        file: clear,
        stopped_at: Some("2026-05-04T17:20:11+01:00".into()),
        stopped_for: Some("1.6 LU too loud".into()),
        stop_message_id: Some(first.message_id.clone()),
    });
    let (mail, read) = composed(&[&again]);
    assert_eq!(mail.subject, "clear again: a.wav");
    assert_eq!(read.header("In-Reply-To"), Some(first.message_id.clone()));
    assert_eq!(read.header("References"), Some(first.message_id));
    assert!(read.part("text/plain").unwrap().contains("1.6 LU too loud"));
}

#[test]
fn a_day_without_files_is_told_too() {
    let (mail, read) = composed(&[&Payload::Digest(digest())]);
    assert_eq!(
        mail.subject,
        "daily summary, Tallow Street, Monday 4 May 2026: nothing arrived"
    );
    let plain = read.part("text/plain").unwrap();
    assert!(plain.contains("nothing arrived"), "{plain}");
    assert!(plain.contains("1.2 TB free (31 %)"), "{plain}");
}

#[test]
fn a_full_day_names_what_waits_for_people() {
    let day = Digest {
        seen: 14,
        clear: 11,
        advise: 1,
        stopped: 2,
        waiting: 3,
        oldest_waiting: Some(Since {
            name: "exports:slow.wav".into(),
            since: "2026-05-04T16:01:00+01:00".into(),
        }),
        undelivered: 1,
        oldest_undelivered: Some(Since {
            name: "stopped: x.wav".into(),
            since: "2026-05-04T17:01:00+01:00".into(),
        }),
        refused: vec!["stopped: y.wav (550 no such recipient)".into()],
        ..digest()
    };
    let (mail, read) = composed(&[&Payload::Digest(day)]);
    assert!(
        mail.subject.contains("14 files: 2 stopped, 1 advise"),
        "{}",
        mail.subject
    );
    let plain = read.part("text/plain").unwrap();
    let plain = plain.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in [
        "exports:slow.wav",
        "1 mail undelivered",
        "550 no such recipient",
    ] {
        assert!(plain.contains(words), "{words}:\n{plain}");
    }
}

#[test]
fn a_notice_survives_the_outbox_and_an_odd_one_is_not_lost() {
    for payload in [
        stop("a.wav"),
        trouble("x"),
        Payload::Digest(digest()),
        Payload::ClearAgain(ClearAgain {
            file: file("b.wav"),
            stopped_at: None,
            stopped_for: None,
            stop_message_id: None,
        }),
    ] {
        assert_eq!(Payload::from_json(&payload.to_json(), "now"), payload);
    }
    let odd = Payload::from_json(r#"{"kind":"of a later version"}"#, "now");
    let (mail, read) = composed(&[&odd]);
    assert!(mail.subject.starts_with("trouble"));
    let plain = read.part("text/plain").unwrap();
    let one_line = plain.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(one_line.contains("of a later version"), "{plain}");
}

// ---- the loop -------------------------------------------------------------------------------

/// An outbox in memory: the ledger's is tested with the ledger.
#[derive(Default)]
struct Memory(Mutex<Held>);

#[derive(Default)]
struct Held {
    notices: Vec<WaitingNotice>,
    keys: HashSet<String>,
    mails: Vec<(DueMail, End)>,
}

#[derive(Clone, Debug, PartialEq)]
enum End {
    Due,
    Sent,
    Refused(String),
}

impl Memory {
    fn ends(&self) -> Vec<End> {
        self.0
            .lock()
            .unwrap()
            .mails
            .iter()
            .map(|(_, end)| end.clone())
            .collect()
    }

    fn set(&self, id: i64, end: End) {
        self.0.lock().unwrap().mails[id as usize].1 = end;
    }

    fn attempts(&self) -> u32 {
        self.0
            .lock()
            .unwrap()
            .mails
            .iter()
            .map(|(mail, _)| mail.attempts)
            .sum()
    }

    fn put(&self, payload: &Payload) {
        let mut held = self.0.lock().unwrap();
        let id = held.keys.len() as i64;
        held.keys.insert(format!("{id}"));
        held.notices.push(WaitingNotice {
            id,
            payload_json: payload.to_json(),
            at: "2026-05-04T16:20:11Z".into(),
        });
    }
}

impl Outbox for Memory {
    fn notice(&self, kind: &str, key: &str, json: &str, at: Timestamp) -> Result<(), OutboxError> {
        let mut held = self.0.lock().unwrap();
        if held.keys.insert(format!("{kind} {key}")) {
            let id = held.keys.len() as i64 - 1;
            held.notices.push(WaitingNotice {
                id,
                payload_json: json.into(),
                at: at.to_string(),
            });
        }
        Ok(())
    }

    fn waiting_notices(&self) -> Result<Vec<WaitingNotice>, OutboxError> {
        Ok(self.0.lock().unwrap().notices.clone())
    }

    fn notices_done(&self, ids: &[i64]) -> Result<(), OutboxError> {
        self.0
            .lock()
            .unwrap()
            .notices
            .retain(|n| !ids.contains(&n.id));
        Ok(())
    }

    fn make_mail(&self, ids: &[i64], mail: &NewMail) -> Result<(), OutboxError> {
        let mut held = self.0.lock().unwrap();
        held.notices.retain(|n| !ids.contains(&n.id));
        let id = held.mails.len() as i64;
        let due = DueMail {
            id,
            message_id: mail.message_id.clone(),
            subject: mail.subject.clone(),
            to: mail.to.clone(),
            raw: mail.raw.clone(),
            attempts: 0,
        };
        held.mails.push((due, End::Due));
        Ok(())
    }

    fn due_mails(&self, _: Timestamp) -> Result<Vec<DueMail>, OutboxError> {
        let held = self.0.lock().unwrap();
        let due = held.mails.iter().filter(|(_, end)| *end == End::Due);
        Ok(due.map(|(mail, _)| mail.clone()).collect())
    }

    fn mail_sent(&self, id: i64) -> Result<(), OutboxError> {
        self.set(id, End::Sent);
        Ok(())
    }

    fn mail_failed(&self, id: i64, _: Timestamp, _: &str) -> Result<(), OutboxError> {
        self.0.lock().unwrap().mails[id as usize].0.attempts += 1;
        Ok(())
    }

    fn mail_refused(&self, id: i64, error: &str) -> Result<(), OutboxError> {
        self.set(id, End::Refused(error.into()));
        Ok(())
    }
}

fn mail_section(port: u16) -> Mail {
    Mail {
        host: "127.0.0.1".into(),
        port,
        security: MailSecurity::Plain,
        user: None,
        credential: None,
        from: "weighbridge@tallowstreet.example".into(),
        to: vec!["mastering@tallowstreet.example".into()],
        when: When {
            stop: true,
            trouble: true,
            advise: false,
            clear: false,
        },
        digest: None,
    }
}

fn pace() -> Pace {
    Pace {
        quiet: Duration::from_millis(150),
        gather: Duration::from_secs(2),
        send_limit: Duration::from_millis(700),
        retries: vec![Duration::from_millis(100)],
        grace: Duration::from_secs(1),
    }
}

/// A running mail loop over an outbox in memory.
struct House {
    outbox: Arc<Memory>,
    wake: Arc<Notify>,
    stop: watch::Sender<bool>,
    running: Option<std::thread::JoinHandle<()>>,
}

impl House {
    fn start(outbox: Arc<Memory>, mail: Option<&Mail>) -> Self {
        let wake = Arc::new(Notify::new());
        let (stop, stopped) = watch::channel(false);
        let order = mail.map(|mail| MailOrder::new("Tallow Street", mail, pace()).unwrap());
        let (theirs, woken) = (Arc::clone(&outbox), Arc::clone(&wake));
        let running = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread()
                .enable_all()
                .build()
                .unwrap();
            runtime.block_on(deliver(theirs, order, woken, stopped));
        });
        Self {
            outbox,
            wake,
            stop,
            running: Some(running),
        }
    }

    fn with(mail: &Mail) -> Self {
        Self::start(Arc::default(), Some(mail))
    }

    fn tell(&self, payload: &Payload) {
        self.outbox.put(payload);
        self.wake.notify_one();
    }

    fn wait(&self, what: &str, done: impl Fn(&Memory) -> bool) {
        let deadline = Instant::now() + SOON;
        while !done(&self.outbox) {
            assert!(
                Instant::now() < deadline,
                "{what}: {:?}",
                self.outbox.ends()
            );
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

impl Drop for House {
    fn drop(&mut self) {
        let _ = self.stop.send(true);
        if let Some(running) = self.running.take() {
            running.join().expect("the mail loop does not panic");
        }
    }
}

fn start() -> (Receiver, House) {
    let receiver = Receiver::start().unwrap();
    let house = House::with(&mail_section(receiver.address().port()));
    (receiver, house)
}

#[test]
fn a_burst_of_stops_is_one_mail_and_trouble_another() {
    let (receiver, house) = start();
    for n in 0..5 {
        house.tell(&stop(&format!("take_{n}.wav")));
    }
    house.tell(&trouble("the folder /srv/audio/outbound is not there"));
    house.wait("both are sent", |outbox| {
        outbox.ends() == [End::Sent, End::Sent]
    });
    let mails = receiver.mails();
    assert_eq!(mails.len(), 2);
    let subject = |n: usize| mails[n].header("Subject").unwrap();
    assert!(
        subject(0).starts_with("stopped: 5 files in exports"),
        "{}",
        subject(0)
    );
    assert!(
        subject(1).starts_with("trouble: the folder"),
        "{}",
        subject(1)
    );
    assert_eq!(mails[0].to, ["mastering@tallowstreet.example"]);
    assert_eq!(mails[0].from, "weighbridge@tallowstreet.example");
}

#[test]
fn what_when_does_not_name_waits_for_the_summary() {
    let (receiver, house) = start();
    let mut advised = file("fine.wav");
    advised.story.verdict = Verdict::Advise;
    house.tell(&Payload::of_file(advised));
    house.wait("it is done", |outbox| {
        outbox.waiting_notices().unwrap().is_empty()
    });
    house.tell(&stop("bad.wav"));
    house.wait("the stop is sent", |outbox| outbox.ends() == [End::Sent]);
    assert_eq!(receiver.mails().len(), 1);
}

#[test]
fn a_server_that_was_down_gets_one_mail_when_it_is_up() {
    let receiver = Receiver::start().unwrap();
    let address = receiver.address();
    drop(receiver);
    let house = House::with(&mail_section(address.port()));
    house.tell(&stop("a.wav"));
    house.wait("two attempts failed", |outbox| outbox.attempts() >= 2);
    let receiver = Receiver::start_at(address).unwrap();
    house.wait("it is sent", |outbox| outbox.ends() == [End::Sent]);
    assert_eq!(receiver.mails().len(), 1);
}

#[test]
fn each_way_of_not_now_ends_in_one_mail_with_its_first_message_id() {
    for (step, rudeness) in [
        (Step::Greeting, Rudeness::Says("421 busy")),
        (Step::Greeting, Rudeness::Says("554 no service")),
        (Step::Greeting, Rudeness::Closes),
        (Step::Hello, Rudeness::Closes),
        (Step::From, Rudeness::Says("451 later")),
        (Step::From, Rudeness::Says("530 log in first")),
        (Step::Recipient, Rudeness::Says("450 grey")),
        (Step::Data, Rudeness::Says("452 full")),
        (Step::Message, Rudeness::Says("451 later")),
        (Step::Message, Rudeness::Closes),
        (Step::Message, Rudeness::Hangs),
        (Step::Greeting, Rudeness::Hangs),
    ] {
        let (receiver, house) = start();
        receiver.be_rude(step, rudeness.clone());
        receiver.be_rude(step, rudeness.clone());
        house.tell(&stop("a.wav"));
        house.wait(&format!("{step:?} {rudeness:?}"), |outbox| {
            outbox.ends() == [End::Sent]
        });
        assert_eq!(receiver.mails().len(), 1, "{step:?} {rudeness:?}");
        assert_eq!(house.outbox.attempts(), 2, "{step:?} {rudeness:?}");
        let held = house.outbox.0.lock().unwrap();
        let kept = &held.mails[0].0;
        let got = &receiver.mails()[0];
        assert_eq!(got.header("Message-ID").as_ref(), Some(&kept.message_id));
        let trimmed = |raw: &[u8]| {
            String::from_utf8(raw.to_vec())
                .unwrap()
                .trim_end()
                .to_owned()
        };
        assert_eq!(trimmed(&got.raw), trimmed(&kept.raw), "identical bytes");
    }
}

#[test]
fn a_server_that_takes_the_mail_and_drops_the_line_has_it() {
    let (receiver, house) = start();
    receiver.be_rude(Step::Message, Rudeness::TakesAndCloses);
    house.tell(&stop("a.wav"));
    house.wait("it is sent", |outbox| outbox.ends() == [End::Sent]);
    assert_eq!(receiver.mails().len(), 1);
    assert_eq!(house.outbox.attempts(), 0);
}

#[test]
fn a_refusal_for_good_is_told_once_and_never_tried_again() {
    for step in [Step::From, Step::Recipient, Step::Data, Step::Message] {
        let (receiver, house) = start();
        receiver.be_rude(step, Rudeness::Says("550 never"));
        house.tell(&stop("a.wav"));
        house.wait("it is refused", |outbox| {
            matches!(outbox.ends().as_slice(), [End::Refused(said)] if said.contains("never"))
        });
        // The next mail passes it by.
        house.tell(&stop("b.wav"));
        house.wait("the next is sent", |outbox| {
            outbox.ends().get(1) == Some(&End::Sent)
        });
        assert_eq!(receiver.mails().len(), 1, "{step:?}");
        assert_eq!(receiver.visits(), 2, "{step:?}");
    }
}

#[test]
fn one_unknown_recipient_does_not_keep_the_mail_from_the_others() {
    let receiver = Receiver::start().unwrap();
    receiver.does_not_know("gone@tallowstreet.example");
    let mut mail = mail_section(receiver.address().port());
    mail.to.insert(0, "gone@tallowstreet.example".into());
    let house = House::with(&mail);
    house.tell(&stop("a.wav"));
    house.wait("the stop and the trouble", |outbox| {
        outbox.ends() == [End::Sent, End::Sent]
    });
    let mails = receiver.mails();
    assert_eq!(mails[0].to, ["mastering@tallowstreet.example"]);
    let subject = mails[1].header("Subject").unwrap();
    assert!(
        subject.contains("refuses the recipient gone@tallowstreet.example"),
        "{subject}"
    );
    // The trouble's own mail meets the same refusal, which is known by now.
    house.tell(&stop("b.wav"));
    house.wait("three in all", |outbox| outbox.ends().len() == 3);
    house.wait("all sent", |outbox| {
        outbox.ends().iter().all(|end| *end == End::Sent)
    });
    assert_eq!(receiver.mails().len(), 3);
}

#[test]
fn mails_in_the_outbox_go_out_after_a_restart() {
    let receiver = Receiver::start().unwrap();
    receiver.be_rude_always(Step::From, Rudeness::Says("451 later"));
    let mail = mail_section(receiver.address().port());
    let house = House::with(&mail);
    house.tell(&stop("a.wav"));
    house.wait("an attempt failed", |outbox| outbox.attempts() >= 1);
    let outbox = Arc::clone(&house.outbox);
    drop(house);
    // One that came just before the end and was in no mail yet.
    outbox.put(&trouble("a share went away"));
    receiver.be_kind();
    let house = House::start(outbox, Some(&mail));
    house.wait("both are sent", |outbox| {
        outbox.ends() == [End::Sent, End::Sent]
    });
    assert_eq!(receiver.mails().len(), 2);
}

#[test]
fn the_word_to_stop_is_heard_while_the_server_hangs() {
    let receiver = Receiver::start().unwrap();
    receiver.be_rude_always(Step::Greeting, Rudeness::Hangs);
    let house = House::with(&mail_section(receiver.address().port()));
    house.tell(&stop("a.wav"));
    assert!(receiver.wait_for_visits(1, SOON) >= 1);
    let asked = Instant::now();
    let outbox = Arc::clone(&house.outbox);
    drop(house);
    // send_limit and grace are under 2 s together; the rest is for a busy machine.
    assert!(asked.elapsed() < Duration::from_secs(10));
    assert_eq!(outbox.ends(), [End::Due], "it waits for the next start");
}

#[test]
fn without_a_mail_section_notices_are_done_and_nothing_is_sent() {
    let house = House::start(Arc::default(), None);
    house.tell(&stop("a.wav"));
    house.tell(&Payload::Digest(digest()));
    house.wait("all are done", |outbox| {
        outbox.waiting_notices().unwrap().is_empty()
    });
    assert_eq!(house.outbox.ends(), []);
}

#[test]
fn the_password_comes_from_a_file_and_reaches_the_server() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("smtp-password");
    std::fs::write(&path, "not a real one\n").unwrap();
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
    assert_eq!(
        read_credential("smtp-password", Some(folder.path())).unwrap(),
        "not a real one"
    );
    let receiver = Receiver::start().unwrap();
    let mut mail = mail_section(receiver.address().port());
    mail.user = Some("weighbridge".into());
    mail.credential = Some(path.to_str().unwrap().into());
    let house = House::with(&mail);
    receiver.be_rude(Step::Login, Rudeness::Says("535 wrong password"));
    house.tell(&stop("a.wav"));
    house.wait("it is sent", |outbox| outbox.ends() == [End::Sent]);
    assert_eq!(
        receiver.mails()[0].login.as_deref(),
        Some("weighbridge not a real one")
    );
    assert_eq!(
        house.outbox.attempts(),
        1,
        "a wrong password is no refusal of the mail"
    );
}

#[test]
fn a_missing_credential_is_named_with_what_to_do() {
    let error = read_credential("smtp-password", Some("/nowhere".as_ref())).unwrap_err();
    assert!(
        error.to_string().contains("/nowhere/smtp-password"),
        "{error}"
    );
    let error = read_credential("smtp-password", None).unwrap_err();
    assert!(
        error.to_string().contains("CREDENTIALS_DIRECTORY"),
        "{error}"
    );
}

#[test]
fn a_password_never_goes_to_a_server_that_does_not_encrypt() {
    let receiver = Receiver::start().unwrap();
    let mut mail = mail_section(receiver.address().port());
    // This receiver offers no STARTTLS.
    mail.security = MailSecurity::StartTls;
    let house = House::with(&mail);
    house.tell(&stop("a.wav"));
    house.wait("it fails", |outbox| outbox.attempts() >= 1);
    assert_eq!(house.outbox.ends(), [End::Due]);
    assert!(receiver.mails().is_empty());

    mail.security = MailSecurity::Plain;
    mail.host = "mail.tallowstreet.example".into();
    let refused = MailOrder::new("Tallow Street", &mail, pace());
    assert!(matches!(refused, Err(MailOrderError::PlainAbroad(_))));
}

#[test]
fn the_summary_comes_at_its_time_of_day_whatever_the_clocks_do() {
    let next =
        |now: &str, at: &str| next_digest(&now.parse().unwrap(), at.parse().unwrap()).to_string();
    assert_eq!(
        next("2026-05-04T17:59:59+01:00[Europe/London]", "18:00"),
        "2026-05-04T18:00:00+01:00[Europe/London]"
    );
    assert_eq!(
        next("2026-05-04T18:00:00+01:00[Europe/London]", "18:00"),
        "2026-05-05T18:00:00+01:00[Europe/London]"
    );
    // 29 March 2026: 01:00 to 02:00 does not exist in London.
    assert_eq!(
        next("2026-03-28T23:00:00+00:00[Europe/London]", "01:30"),
        "2026-03-29T02:30:00+01:00[Europe/London]"
    );
}

/// Not a test of anything: writes a mail as a page, to be looked at.
/// `LOOK=folder cargo test --test notice a_mail_to_look_at`
#[test]
fn a_mail_to_look_at() {
    let Some(folder) = std::env::var_os("LOOK").map(std::path::PathBuf::from) else {
        return;
    };
    let name = "Harbour Lights_MI04_Imm_48k24.wav";
    let mut loud = file("TESTTONE_997Hz_full scale_and a rather long name_r12_48k24.wav");
    loud.story.caution =
        Some("Do not play this at listening level: a full-scale tone of 40 s.".into());
    let full = Digest {
        seen: 14,
        clear: 11,
        advise: 1,
        stopped: 2,
        files: vec![FileLine {
            watch: "exports".into(),
            name: name.into(),
            sentence: "stopped: 1.6 LU too loud".into(),
        }],
        ..digest()
    };
    let stops = [Payload::of_file(loud), stop(name)];
    for (to, notices) in [
        ("stop", vec![&stops[1]]),
        ("burst", stops.iter().collect()),
        (
            "trouble",
            vec![&trouble("the folder /srv/audio/outbound is not there")],
        ),
        ("digest", vec![&Payload::Digest(full)]),
    ] {
        let (mail, read) = composed(&notices);
        std::fs::write(
            folder.join(format!("{to}.html")),
            read.part("text/html").unwrap(),
        )
        .unwrap();
        std::fs::write(
            folder.join(format!("{to}.txt")),
            read.part("text/plain").unwrap(),
        )
        .unwrap();
        std::fs::write(folder.join(format!("{to}.eml")), mail.raw).unwrap();
    }
}
