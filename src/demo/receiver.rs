//! A small mail receiver on loopback: accepts mails and keeps them, or is rude as it is told.
//!
//! For the demo, which has no mail server of its own to talk to, and for tests, which need a
//! server that refuses, hangs or dies at a chosen step. Speaks enough of RFC 5321 for one
//! sender at a time or several; no TLS. Knows nothing of what the mails say.

use std::collections::VecDeque;
use std::io::{self, BufRead, BufReader, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

/// One mail as it came over the wire.
#[derive(Clone, Debug, PartialEq)]
pub struct Received {
    pub from: String,
    pub to: Vec<String>,
    /// The message with its headers, dots unstuffed, CR LF at the line ends.
    pub raw: Vec<u8>,
    /// `user password` where the sender logged in.
    pub login: Option<String>,
}

/// Where in the conversation the receiver is rude.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    Greeting,
    Hello,
    Login,
    From,
    Recipient,
    Data,
    /// After the message's last line.
    Message,
}

/// What it does instead of a kind answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Rudeness {
    /// Answers this line (`451 later`).
    Says(&'static str),
    /// Answers nothing and keeps the connection open.
    Hangs,
    /// Closes the connection without an answer.
    Closes,
    /// Takes it, answers kindly, and closes the connection.
    TakesAndCloses,
}

#[derive(Default)]
struct State {
    mails: Vec<Received>,
    /// Connections that were opened, mails or not.
    visits: u64,
    /// Used up in order; a step that is not the first one's gets a kind answer.
    rude: VecDeque<(Step, Rudeness)>,
    /// Steps at which every answer is this one.
    always: Vec<(Step, Rudeness)>,
    /// Recipients that are refused with 550.
    unknown: Vec<String>,
    closing: bool,
}

#[derive(Default)]
struct Shared {
    state: Mutex<State>,
    changed: Condvar,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The receiver; it stops listening when it is dropped.
pub struct Receiver {
    address: SocketAddr,
    shared: Arc<Shared>,
    listening: Option<JoinHandle<()>>,
}

impl Receiver {
    /// Listens on a free port of 127.0.0.1.
    pub fn start() -> io::Result<Self> {
        Self::start_at(([127, 0, 0, 1], 0).into())
    }

    /// Listens on that address.
    pub fn start_at(address: SocketAddr) -> io::Result<Self> {
        let listener = TcpListener::bind(address)?;
        let address = listener.local_addr()?;
        let shared = Arc::<Shared>::default();
        let theirs = Arc::clone(&shared);
        let listening = thread::Builder::new()
            .name("mail receiver".into())
            .spawn(move || listen(&listener, &theirs))?;
        Ok(Self {
            address,
            shared,
            listening: Some(listening),
        })
    }

    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// All mails that were taken so far, in the order in which they came.
    pub fn mails(&self) -> Vec<Received> {
        self.shared.lock().mails.clone()
    }

    /// How many connections were opened so far.
    pub fn visits(&self) -> u64 {
        self.shared.lock().visits
    }

    /// Waits until there are `count` mails, or so long; returns what is there then.
    pub fn wait_for(&self, count: usize, at_most: Duration) -> Vec<Received> {
        self.wait_until(at_most, |state| state.mails.len() >= count);
        self.mails()
    }

    /// Waits until there were `count` connections, or so long; returns how many there were.
    pub fn wait_for_visits(&self, count: u64, at_most: Duration) -> u64 {
        self.wait_until(at_most, |state| state.visits >= count);
        self.visits()
    }

    fn wait_until(&self, at_most: Duration, done: impl Fn(&State) -> bool) {
        let deadline = Instant::now() + at_most;
        let mut state = self.shared.lock();
        while !done(&state) {
            let left = deadline.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return;
            }
            let waited = self.shared.changed.wait_timeout(state, left);
            state = waited.unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    /// Is rude once, the next time that this step comes (after earlier orders).
    pub fn be_rude(&self, step: Step, rudeness: Rudeness) {
        self.shared.lock().rude.push_back((step, rudeness));
    }

    /// Is rude at this step until [`Receiver::be_kind`].
    pub fn be_rude_always(&self, step: Step, rudeness: Rudeness) {
        self.shared.lock().always.push((step, rudeness));
    }

    /// Refuses this recipient with 550, and no other.
    pub fn does_not_know(&self, recipient: &str) {
        self.shared.lock().unknown.push(recipient.into());
    }

    /// Forgets all rudeness; a hanging conversation stays hung until its sender leaves.
    pub fn be_kind(&self) {
        let mut state = self.shared.lock();
        state.rude.clear();
        state.always.clear();
        state.unknown.clear();
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        self.shared.lock().closing = true;
        self.shared.changed.notify_all();
        // A connection of our own wakes the listener.
        let _ = TcpStream::connect_timeout(&self.address, Duration::from_secs(1));
        if let Some(listening) = self.listening.take() {
            let _ = listening.join();
        }
    }
}

fn listen(listener: &TcpListener, shared: &Arc<Shared>) {
    for stream in listener.incoming() {
        if shared.lock().closing {
            return;
        }
        let Ok(stream) = stream else { continue };
        shared.lock().visits += 1;
        shared.changed.notify_all();
        let theirs = Arc::clone(shared);
        // A conversation that ends badly is the sender's affair.
        let _ = thread::Builder::new()
            .name("mail conversation".into())
            .spawn(move || converse(stream, &theirs));
    }
}

/// Longest message that is kept; more is refused with 552.
const MOST_BYTES: usize = 64 << 20;

struct Conversation<'a> {
    lines: BufReader<TcpStream>,
    out: TcpStream,
    shared: &'a Shared,
}

/// The conversation is over.
struct Over;

impl From<io::Error> for Over {
    fn from(_: io::Error) -> Self {
        Self
    }
}

fn converse(stream: TcpStream, shared: &Shared) {
    let Ok(out) = stream.try_clone() else { return };
    let mut conversation = Conversation {
        lines: BufReader::new(stream),
        out,
        shared,
    };
    let _ = conversation.run();
}

impl Conversation<'_> {
    fn run(&mut self) -> Result<(), Over> {
        let mut mail = empty();
        let mut login = None;
        self.answer(Step::Greeting, "220 receiver ready")?;
        loop {
            let line = self.line()?;
            let text = String::from_utf8_lossy(&line).trim_end().to_owned();
            let (verb, rest) = text.split_once(' ').unwrap_or((&text, ""));
            match verb.to_ascii_uppercase().as_str() {
                "EHLO" => {
                    let offers = "250-receiver\r\n250-8BITMIME\r\n250 AUTH PLAIN";
                    self.answer(Step::Hello, offers)?;
                }
                "HELO" => {
                    self.answer(Step::Hello, "250 receiver")?;
                }
                "AUTH" => {
                    if self.answer(Step::Login, "235 welcome")? {
                        login = plain_login(rest);
                    }
                }
                "MAIL" => {
                    if self.answer(Step::From, "250 sender ok")? {
                        mail = empty();
                        mail.from = address(rest);
                        mail.login.clone_from(&login);
                    }
                }
                "RCPT" => {
                    let to = address(rest);
                    if self.shared.lock().unknown.contains(&to) {
                        self.say("550 no such recipient")?;
                    } else if self.answer(Step::Recipient, "250 recipient ok")? {
                        mail.to.push(to);
                    }
                }
                "DATA" if mail.to.is_empty() => self.say("503 recipients first")?,
                "DATA" => {
                    if self.answer(Step::Data, "354 go on")? {
                        mail.raw = self.message()?;
                        self.take(std::mem::replace(&mut mail, empty()))?;
                    }
                }
                "RSET" => {
                    mail = empty();
                    self.say("250 forgotten")?;
                }
                "NOOP" => self.say("250 nothing")?,
                "QUIT" => {
                    let _ = self.say("221 goodbye");
                    return Err(Over);
                }
                _ => self.say("502 not known here")?,
            }
        }
    }

    fn say(&mut self, line: &str) -> Result<(), Over> {
        self.out.write_all(format!("{line}\r\n").as_bytes())?;
        Ok(())
    }

    /// Answers kindly, or rudely where it is told; `true` when the answer was kind.
    fn answer(&mut self, step: Step, kind: &str) -> Result<bool, Over> {
        let Some(rudeness) = self.rudeness(step) else {
            self.say(kind)?;
            return Ok(true);
        };
        match rudeness {
            Rudeness::Says(line) => {
                self.say(line)?;
                Ok(false)
            }
            Rudeness::Hangs => {
                // Until the sender goes away.
                while !self.line()?.is_empty() {}
                Err(Over)
            }
            Rudeness::Closes => Err(Over),
            Rudeness::TakesAndCloses => {
                self.say(kind)?;
                Err(Over)
            }
        }
    }

    fn rudeness(&self, step: Step) -> Option<Rudeness> {
        let mut state = self.shared.lock();
        if state.rude.front().is_some_and(|(at, _)| *at == step) {
            return state.rude.pop_front().map(|(_, rudeness)| rudeness);
        }
        let always = state.always.iter().find(|(at, _)| *at == step);
        always.map(|(_, rudeness)| rudeness.clone())
    }

    /// Takes the mail if the answer to it is kind: what was not answered was not taken.
    fn take(&mut self, mail: Received) -> Result<(), Over> {
        let taken = {
            let state = self.shared.lock();
            let rude = state.rude.front().into_iter().chain(&state.always);
            rude.filter(|(at, _)| *at == Step::Message)
                .all(|(_, rudeness)| *rudeness == Rudeness::TakesAndCloses)
        };
        if taken {
            self.shared.lock().mails.push(mail);
            self.shared.changed.notify_all();
        }
        self.answer(Step::Message, "250 taken").map(|_| ())
    }

    /// One line with its end; the end of the stream is [`Over`].
    fn line(&mut self) -> Result<Vec<u8>, Over> {
        let mut line = Vec::new();
        match self.lines.read_until(b'\n', &mut line)? {
            0 => Err(Over),
            _ => Ok(line),
        }
    }

    fn message(&mut self) -> Result<Vec<u8>, Over> {
        let mut raw = Vec::new();
        loop {
            let line = self.line()?;
            if line == b".\r\n" {
                return Ok(raw);
            }
            // RFC 5321, clause 4.5.2: a dot at the start was doubled by the sender.
            raw.extend_from_slice(line.strip_prefix(b".").unwrap_or(&line));
            if raw.len() > MOST_BYTES {
                self.say("552 too long")?;
                return Err(Over);
            }
        }
    }
}

fn empty() -> Received {
    Received {
        from: String::new(),
        to: Vec::new(),
        raw: Vec::new(),
        login: None,
    }
}

/// What stands between `<` and `>`.
fn address(text: &str) -> String {
    let inner = text
        .split_once('<')
        .and_then(|(_, rest)| rest.split_once('>'));
    inner.map_or(text, |(inner, _)| inner).to_owned()
}

/// `PLAIN` and its base64 of `NUL user NUL password` (RFC 4616) as `user password`.
fn plain_login(rest: &str) -> Option<String> {
    let coded = rest.strip_prefix("PLAIN ")?;
    let bytes = from_base64(coded.as_bytes());
    let text = String::from_utf8(bytes).ok()?;
    let mut parts = text.split('\0').skip(1);
    Some(format!("{} {}", parts.next()?, parts.next()?))
}

impl Received {
    /// The header's value, unfolded, encoded words (RFC 2047) decoded; the first of that name.
    pub fn header(&self, name: &str) -> Option<String> {
        let (head, _) = split_head(&self.raw);
        header_of(&head, name)
    }

    /// The decoded text of the first part of that type (`text/plain`, `text/html`).
    pub fn part(&self, content_type: &str) -> Option<String> {
        part_of(&self.raw, content_type)
    }
}

/// Unfolded header lines, and the body.
fn split_head(raw: &[u8]) -> (Vec<String>, &[u8]) {
    let end = (raw.windows(4).position(|w| w == b"\r\n\r\n")).unwrap_or(raw.len());
    let head = String::from_utf8_lossy(&raw[..end]);
    let mut lines: Vec<String> = Vec::new();
    for line in head.split("\r\n") {
        match (line.starts_with([' ', '\t']), lines.last_mut()) {
            // RFC 5322, clause 2.2.3: unfolding removes the line end alone.
            (true, Some(last)) => last.push_str(line),
            _ => lines.push(line.to_owned()),
        }
    }
    (lines, raw.get(end + 4..).unwrap_or_default())
}

fn header_of(head: &[String], name: &str) -> Option<String> {
    head.iter().find_map(|line| {
        let (key, value) = line.split_once(':')?;
        (key.eq_ignore_ascii_case(name)).then(|| decode_words(value.trim()))
    })
}

fn part_of(raw: &[u8], content_type: &str) -> Option<String> {
    let (head, body) = split_head(raw);
    let kind = header_of(&head, "Content-Type")?;
    if let Some((_, rest)) = kind.split_once("boundary=") {
        let boundary = rest.trim_start_matches('"').split(['"', ';']).next()?;
        let text = String::from_utf8_lossy(body);
        let between = format!("--{boundary}");
        let mut parts = text.split(&between).skip(1);
        return parts
            .find_map(|part| part_of(part.trim_start_matches("\r\n").as_bytes(), content_type));
    }
    if !kind.to_ascii_lowercase().starts_with(content_type) {
        return None;
    }
    let bytes = match header_of(&head, "Content-Transfer-Encoding").as_deref() {
        Some("base64") => from_base64(body),
        Some("quoted-printable") => from_quoted_printable(body),
        _ => body.to_vec(),
    };
    Some(String::from_utf8_lossy(&bytes).replace("\r\n", "\n"))
}

/// Encoded words of RFC 2047; white space between two of them is not text (clause 6.2).
fn decode_words(value: &str) -> String {
    let mut out = String::new();
    let mut rest = value;
    let mut after_word = false;
    while let Some(start) = rest.find("=?") {
        let (before, word) = rest.split_at(start);
        let mut fields = word[2..].splitn(4, '?');
        let (Some(_), Some(coding), Some(text), Some(tail)) =
            (fields.next(), fields.next(), fields.next(), fields.next())
        else {
            break;
        };
        let Some(tail) = tail.strip_prefix('=') else {
            break;
        };
        if !(after_word && before.trim().is_empty()) {
            out.push_str(before);
        }
        let bytes = match coding {
            "b" | "B" => from_base64(text.as_bytes()),
            _ => from_quoted_printable(text.replace('_', " ").as_bytes()),
        };
        out.push_str(&String::from_utf8_lossy(&bytes));
        (rest, after_word) = (tail, true);
    }
    out + rest
}

fn from_base64(text: &[u8]) -> Vec<u8> {
    let sextets = text.iter().filter_map(|byte| match byte {
        b'A'..=b'Z' => Some(byte - b'A'),
        b'a'..=b'z' => Some(byte - b'a' + 26),
        b'0'..=b'9' => Some(byte - b'0' + 52),
        b'+' => Some(62),
        b'/' => Some(63),
        _ => None,
    });
    let (mut out, mut bits, mut held) = (Vec::new(), 0u32, 0);
    for sextet in sextets {
        bits = (bits << 6 | u32::from(sextet)) & 0xFFFF;
        held += 6;
        if held >= 8 {
            held -= 8;
            out.push((bits >> held & 0xFF) as u8);
        }
    }
    out
}

fn from_quoted_printable(text: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(text.len());
    let mut rest = text;
    while let Some((&first, after)) = rest.split_first() {
        rest = after;
        if first != b'=' {
            out.push(first);
        } else if let Some(soft) = rest.strip_prefix(b"\r\n") {
            rest = soft;
        } else if let Some(byte) = (rest.get(..2))
            .and_then(|hex| std::str::from_utf8(hex).ok())
            .and_then(|hex| u8::from_str_radix(hex, 16).ok())
        {
            out.push(byte);
            rest = &rest[2..];
        } else {
            out.push(first);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 2047, clause 8, and RFC 2045, clause 6.7: the examples there.
    #[test]
    fn words_and_texts_are_decoded_as_the_rfcs_show() {
        assert_eq!(decode_words("(=?ISO-8859-1?Q?a?= b)"), "(a b)");
        assert_eq!(
            decode_words("(=?ISO-8859-1?Q?a?=  =?ISO-8859-1?Q?b?=)"),
            "(ab)"
        );
        assert_eq!(decode_words("(=?ISO-8859-1?Q?a_b?=)"), "(a b)");
        let soft = b"Now's the time =\r\nfor all folk to come=\r\n to the aid";
        let read = from_quoted_printable(soft);
        assert_eq!(read, b"Now's the time for all folk to come to the aid");
    }

    // RFC 4648, clause 10: the test vectors.
    #[test]
    fn base64_is_decoded_as_the_rfc_shows() {
        for (coded, plain) in [("Zg==", "f"), ("Zm8=", "fo"), ("Zm9vYmFy", "foobar")] {
            assert_eq!(from_base64(coded.as_bytes()), plain.as_bytes());
        }
    }

    #[test]
    fn a_mail_is_taken_as_it_was_sent() {
        let receiver = Receiver::start().unwrap();
        let stream = TcpStream::connect(receiver.address()).unwrap();
        let mut out = stream.try_clone().unwrap();
        let mut lines = BufReader::new(stream);
        let mut heard = String::new();
        lines.read_line(&mut heard).unwrap();
        for said in [
            "HELO me\r\n",
            "MAIL FROM:<a@tallowstreet.example>\r\n",
            "RCPT TO:<b@tallowstreet.example>\r\n",
            "DATA\r\n",
            "Subject: x\r\n\r\n..dot\r\n.\r\n",
        ] {
            out.write_all(said.as_bytes()).unwrap();
            heard.clear();
            lines.read_line(&mut heard).unwrap();
        }
        assert!(heard.starts_with("250"), "{heard}");
        let mails = receiver.wait_for(1, Duration::from_secs(5));
        assert_eq!(mails[0].to, ["b@tallowstreet.example"]);
        assert_eq!(mails[0].raw, b"Subject: x\r\n\r\n.dot\r\n");
        assert_eq!(mails[0].header("subject").as_deref(), Some("x"));
    }
}
