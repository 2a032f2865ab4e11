//! Mail over TLS, to a mail server that is not ours: Python's aiosmtpd, with certificates made by
//! openssl for this run alone.
//!
//! `WEIGHBRIDGE_TEST_SMTP_PYTHON` names a Python that has aiosmtpd, and then nothing is skipped;
//! without it `python3` is asked, and where it has none the tests are skipped, in words.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use jiff::Timestamp;
use serde_json::{Value, json};
use tempfile::TempDir;
use tokio::sync::{Notify, watch};

use weighbridge::config::{Mail, MailSecurity, When};
use weighbridge::notice::*;

const PYTHON: &str = "WEIGHBRIDGE_TEST_SMTP_PYTHON";
/// What the sending process is told.
const ORDER: &str = "WEIGHBRIDGE_TEST_MAIL";

/// For a busy machine; whatever is waited for is there in a moment.
const SOON: Duration = Duration::from_secs(60);

const USER: &str = "weighbridge";
const PASSWORD: &str = "not a real one: ü €";

/// Says its port, then each login that is tried and each mail that is taken, one JSON object a
/// line. Ends with its standard input.
const SERVER: &str = r#"
import asyncio, json, ssl, sys
from aiosmtpd.smtp import SMTP, AuthResult

order = json.loads(sys.argv[1])

def tell(**what):
    print(json.dumps(what), flush=True)

def authenticate(server, session, envelope, mechanism, data):
    good = (data.login.decode(), data.password.decode()) == (order["user"], order["password"])
    tell(login=data.login.decode(), good=good)
    return AuthResult(success=good, handled=False)

class Handler:
    async def handle_DATA(self, server, session, envelope):
        cipher = server.transport.get_extra_info("cipher")
        tell(mail=envelope.content.decode("latin-1"), sender=envelope.mail_from,
             to=envelope.rcpt_tos, tls=cipher and cipher[1], authenticated=session.authenticated)
        return "250 taken"

context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
context.load_cert_chain(order["certificate"], order["key"])
how = order["how"]

def connection():
    return SMTP(Handler(), hostname="localhost", authenticator=authenticate,
                tls_context=context if how == "starttls" else None,
                require_starttls=how == "starttls",
                # It knows only of encryption that it began itself.
                auth_required=how != "plain", auth_require_tls=how == "starttls")

async def main():
    loop = asyncio.get_running_loop()
    server = await loop.create_server(connection, "127.0.0.1", 0,
                                      ssl=context if how == "tls" else None)
    tell(port=server.sockets[0].getsockname()[1])
    await loop.run_in_executor(None, sys.stdin.read)

asyncio.run(main())
"#;

/// A Python with aiosmtpd, or a word about why there is none.
fn python() -> Option<PathBuf> {
    let has_it = |python: &Path| {
        let asked = Command::new(python)
            .args(["-c", "import aiosmtpd"])
            .stderr(Stdio::null())
            .status();
        asked.is_ok_and(|status| status.success())
    };
    if let Some(asked) = std::env::var_os(PYTHON) {
        let asked = PathBuf::from(asked);
        assert!(has_it(&asked), "{} has no aiosmtpd", asked.display());
        return Some(asked);
    }
    let found = ["python3", "/usr/bin/python3"].map(PathBuf::from);
    let found = found.into_iter().find(|python| has_it(python));
    let openssl = Command::new("openssl").arg("version").output();
    if found.is_none() || openssl.is_err() {
        println!("skipped: no openssl, or no python3 with aiosmtpd, which is the mail server here");
        return None;
    }
    found
}

/// A certificate authority of our own, and a server's certificate.
struct Certificates {
    folder: TempDir,
}

impl Certificates {
    /// `name` is the host that the certificate is made out to.
    fn made_out_to(name: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(
            folder.path().join("server.ext"),
            format!("subjectAltName=DNS:{name}\nbasicConstraints=CA:FALSE\n"),
        )
        .unwrap();
        let new_key = "-newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes";
        for order in [
            format!(
                "req -x509 {new_key} -keyout ca.key -out ca.pem -days 2 -subj /CN=invented-authority"
            ),
            format!("req {new_key} -keyout server.key -out server.csr -subj /CN={name}"),
            "x509 -req -in server.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 \
             -extfile server.ext -out server.pem"
                .to_owned(),
        ] {
            let made = Command::new("openssl")
                .args(order.split_whitespace())
                .current_dir(folder.path())
                .output()
                .unwrap();
            let said = String::from_utf8_lossy(&made.stderr);
            assert!(made.status.success(), "openssl {order}: {said}");
        }
        Self { folder }
    }

    fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// What a machine that trusts this authority has.
    fn authority(&self) -> PathBuf {
        self.file("ca.pem")
    }
}

/// A process that speaks in lines; ended when it is dropped.
struct Speaker {
    process: Child,
    lines: Receiver<String>,
}

impl Speaker {
    fn start(command: &mut Command) -> Self {
        let mut process = command
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let (said, lines) = channel();
        let out = BufReader::new(process.stdout.take().unwrap());
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                let _ = said.send(line);
            }
        });
        Self { process, lines }
    }

    /// The next line that is a JSON object: the test harness says other things in between.
    fn next(&self) -> Option<Value> {
        loop {
            match self.lines.recv_timeout(SOON) {
                Ok(line) => {
                    if let Ok(value @ Value::Object(_)) = serde_json::from_str(&line) {
                        return Some(value);
                    }
                }
                Err(std::sync::mpsc::RecvTimeoutError::Disconnected) => return None,
                Err(timeout) => panic!("nothing was said for {SOON:?}: {timeout}"),
            }
        }
    }

    /// All that is said until the process ends.
    fn all(&self) -> Vec<Value> {
        std::iter::from_fn(|| self.next()).collect()
    }
}

impl Drop for Speaker {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum How {
    /// Unencrypted at first, and then nothing is taken before STARTTLS.
    StartTls,
    /// Encrypted from the first byte.
    Tls,
    /// Never encrypted, but for logins.
    Plain,
}

struct Server {
    speaker: Speaker,
    port: u64,
}

impl Server {
    fn start(python: &Path, how: How, certificates: &Certificates) -> Self {
        let order = json!({
            "how": match how { How::StartTls => "starttls", How::Tls => "tls", How::Plain => "plain" },
            "user": USER,
            "password": PASSWORD,
            "certificate": certificates.file("server.pem"),
            "key": certificates.file("server.key"),
        });
        let mut command = Command::new(python);
        // Handshakes that come to nothing are told there at length.
        command
            .args(["-c", SERVER, &order.to_string()])
            .stderr(Stdio::null());
        let speaker = Speaker::start(&mut command);
        let port = speaker.next().expect("the server starts")["port"]
            .as_u64()
            .unwrap();
        Self { speaker, port }
    }

    /// Ends the server and gives all that it has seen.
    fn end(mut self) -> Vec<Value> {
        drop(self.speaker.process.stdin.take());
        self.speaker.all()
    }
}

/// One process that has a mail to send: the certificates that it trusts and the place of its
/// credentials are in its environment.
struct Sender<'a> {
    security: MailSecurity,
    port: u64,
    trusts: &'a Path,
    credential: Option<&'a str>,
    credentials: Option<&'a Path>,
}

impl Sender<'_> {
    /// What became of the mail: `sent`, or `failed` with the reason, until it was tried twice.
    fn run(&self) -> Vec<Value> {
        let order = json!({
            "port": self.port,
            "tls": self.security == MailSecurity::Tls,
            "credential": self.credential,
        });
        let mut command = Command::new(std::env::current_exe().unwrap());
        command
            .args(["--ignored", "--exact", "sender", "--nocapture"])
            .env(ORDER, order.to_string())
            .env("SSL_CERT_FILE", self.trusts)
            .env_remove("SSL_CERT_DIR")
            .env_remove("CREDENTIALS_DIRECTORY");
        if let Some(folder) = self.credentials {
            command.env("CREDENTIALS_DIRECTORY", folder);
        }
        Speaker::start(&mut command).all()
    }
}

/// The process of [`Sender`]: the real mail loop with one notice in its outbox.
#[test]
#[ignore = "runs as a process of its own, started by the other tests"]
fn sender() {
    let order = std::env::var(ORDER).expect("started by the other tests");
    let order: Value = serde_json::from_str(&order).unwrap();
    let mail = Mail {
        host: "localhost".into(),
        port: u16::try_from(order["port"].as_u64().unwrap()).unwrap(),
        security: match order["tls"] == true {
            true => MailSecurity::Tls,
            false => MailSecurity::StartTls,
        },
        user: order["credential"].as_str().map(|_| USER.into()),
        credential: order["credential"].as_str().map(str::to_owned),
        from: "weighbridge@tallowstreet.example".into(),
        to: vec!["mastering@tallowstreet.example".into()],
        when: When {
            stop: true,
            trouble: true,
            advise: false,
            clear: false,
        },
        digest: None,
    };
    let pace = Pace {
        quiet: Duration::ZERO,
        gather: Duration::ZERO,
        send_limit: Duration::from_secs(20),
        retries: vec![Duration::from_millis(50)],
        grace: Duration::from_secs(1),
    };
    let order = MailOrder::new("Tallow Street", &mail, pace).unwrap();
    let (end, ended) = watch::channel(false);
    let outbox = Arc::new(OneMail {
        notice: Mutex::new(true),
        mail: Mutex::new(None),
        attempts: AtomicU32::new(0),
        end,
    });
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap()
        .block_on(deliver(outbox, Some(order), Arc::new(Notify::new()), ended));
}

/// An outbox with one notice of trouble, which says what becomes of its mail.
struct OneMail {
    notice: Mutex<bool>,
    mail: Mutex<Option<NewMail>>,
    attempts: AtomicU32,
    end: watch::Sender<bool>,
}

impl OneMail {
    fn tell(&self, what: &Value) {
        let mut out = std::io::stdout().lock();
        writeln!(out, "\n{what}").unwrap();
    }
}

impl Outbox for OneMail {
    fn notice(&self, _: &str, _: &str, _: &str, _: Timestamp) -> Result<(), OutboxError> {
        Err("nothing else is told here".into())
    }

    fn waiting_notices(&self) -> Result<Vec<WaitingNotice>, OutboxError> {
        let trouble = Payload::Trouble(Trouble {
            at: "2026-05-04T17:20:11+01:00".into(),
            what: "the folder /srv/audio/outbound is not there".into(),
            place: "watch outbound".into(),
            to_do: "Is the share mounted?".into(),
            over: false,
        });
        let notice = WaitingNotice {
            id: 1,
            payload_json: trouble.to_json(),
            at: "2026-05-04T16:20:11Z".into(),
        };
        Ok(self
            .notice
            .lock()
            .unwrap()
            .then_some(notice)
            .into_iter()
            .collect())
    }

    fn notices_done(&self, ids: &[i64]) -> Result<(), OutboxError> {
        assert!(ids.is_empty(), "trouble is mailed");
        Ok(())
    }

    fn make_mail(&self, _: &[i64], mail: &NewMail) -> Result<(), OutboxError> {
        *self.notice.lock().unwrap() = false;
        *self.mail.lock().unwrap() = Some(mail.clone());
        Ok(())
    }

    fn due_mails(&self, _: Timestamp) -> Result<Vec<DueMail>, OutboxError> {
        let mail = self.mail.lock().unwrap().clone();
        let due = mail.map(|mail| DueMail {
            id: 1,
            message_id: mail.message_id,
            subject: mail.subject,
            to: mail.to,
            raw: mail.raw,
            attempts: self.attempts.load(Ordering::SeqCst),
        });
        Ok(due.into_iter().collect())
    }

    fn mail_sent(&self, _: i64) -> Result<(), OutboxError> {
        let mail = self.mail.lock().unwrap().take().unwrap();
        self.tell(&json!({ "sent": mail.message_id }));
        self.end.send_replace(true);
        Ok(())
    }

    fn mail_failed(&self, _: i64, _: Timestamp, error: &str) -> Result<(), OutboxError> {
        self.tell(&json!({ "failed": error }));
        if self.attempts.fetch_add(1, Ordering::SeqCst) == 1 {
            self.end.send_replace(true);
        }
        Ok(())
    }

    fn mail_refused(&self, _: i64, error: &str) -> Result<(), OutboxError> {
        self.tell(&json!({ "refused": error }));
        self.end.send_replace(true);
        Ok(())
    }
}

const SECURITIES: [(MailSecurity, How); 2] = [
    (MailSecurity::StartTls, How::StartTls),
    (MailSecurity::Tls, How::Tls),
];

/// A folder with the password as systemd lays it out, or another password.
fn credentials(password: &str) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("smtp-password"), format!("{password}\n")).unwrap();
    folder
}

/// Tried twice, and not sent; the reasons.
fn failed_twice(became: &[Value]) -> String {
    let reasons: Vec<&str> = became.iter().filter_map(|v| v["failed"].as_str()).collect();
    assert_eq!((became.len(), reasons.len()), (2, 2), "{became:?}");
    reasons.join("\n")
}

#[test]
fn a_mail_is_encrypted_and_its_sender_is_logged_in_with_the_password_of_the_credential() {
    let Some(python) = python() else { return };
    let certificates = Certificates::made_out_to("localhost");
    let folder = credentials(PASSWORD);
    let path = folder.path().join("smtp-password");
    for (security, how) in SECURITIES {
        // An absolute path; and a name in the folder that systemd hands over.
        for (credential, credentials) in [
            (path.to_str().unwrap(), None),
            ("smtp-password", Some(folder.path())),
        ] {
            let server = Server::start(&python, how, &certificates);
            let became = Sender {
                security,
                port: server.port,
                trusts: &certificates.authority(),
                credential: Some(credential),
                credentials,
            }
            .run();
            let seen = server.end();
            assert_eq!(became.len(), 1, "{how:?}, {credential}: {became:?}");
            let message_id = became[0]["sent"].as_str().expect("it is sent");
            assert_eq!(seen.len(), 2, "{how:?}, {credential}: {seen:?}");
            assert_eq!(seen[0], json!({ "login": USER, "good": true }));
            let mail = &seen[1];
            assert_eq!(mail["sender"], "weighbridge@tallowstreet.example");
            assert_eq!(mail["to"], json!(["mastering@tallowstreet.example"]));
            assert_eq!(mail["authenticated"], true);
            // RFC 8996: nothing older than 1.2.
            let tls = mail["tls"].as_str().expect("it was encrypted");
            assert!(["TLSv1.2", "TLSv1.3"].contains(&tls), "{tls}");
            let text = mail["mail"].as_str().unwrap();
            assert!(text.contains(message_id), "{text}");
            assert!(text.contains("/srv/audio/outbound"), "{text}");
        }
    }
}

#[test]
fn a_wrong_password_is_tried_again_and_no_mail_is_lost_to_it() {
    let Some(python) = python() else { return };
    let certificates = Certificates::made_out_to("localhost");
    let folder = credentials("another one");
    for (security, how) in SECURITIES {
        let server = Server::start(&python, how, &certificates);
        let became = Sender {
            security,
            port: server.port,
            trusts: &certificates.authority(),
            credential: Some("smtp-password"),
            credentials: Some(folder.path()),
        }
        .run();
        let seen = server.end();
        // RFC 4954, clause 6: 535, authentication credentials invalid.
        let reasons = failed_twice(&became);
        assert!(reasons.contains("535"), "{reasons}");
        assert!(!reasons.contains("another one"), "{reasons}");
        assert!(!seen.is_empty(), "the server was asked");
        for seen in seen {
            assert_eq!(seen, json!({ "login": USER, "good": false }), "{how:?}");
        }
    }
}

#[test]
fn neither_mail_nor_password_goes_to_a_server_whose_certificate_is_not_trusted() {
    let Some(python) = python() else { return };
    let certificates = Certificates::made_out_to("localhost");
    let others = Certificates::made_out_to("localhost");
    let other_name = Certificates::made_out_to("mail.tallowstreet.example");
    let folder = credentials(PASSWORD);
    for (security, how) in SECURITIES {
        for (has, trusts) in [
            // By an authority that this machine does not know; for another host.
            (&certificates, others.authority()),
            (&other_name, other_name.authority()),
        ] {
            let server = Server::start(&python, how, has);
            let became = Sender {
                security,
                port: server.port,
                trusts: &trusts,
                credential: Some("smtp-password"),
                credentials: Some(folder.path()),
            }
            .run();
            let reasons = failed_twice(&became);
            assert!(reasons.contains("certificate"), "{how:?}: {reasons}");
            assert_eq!(server.end(), Vec::<Value>::new(), "{how:?}");
        }
    }
}

#[test]
fn neither_mail_nor_password_goes_in_the_clear_to_a_server_without_starttls() {
    let Some(python) = python() else { return };
    let certificates = Certificates::made_out_to("localhost");
    let folder = credentials(PASSWORD);
    for credential in [Some("smtp-password"), None] {
        let server = Server::start(&python, How::Plain, &certificates);
        let became = Sender {
            security: MailSecurity::StartTls,
            port: server.port,
            trusts: &certificates.authority(),
            credential,
            credentials: Some(folder.path()),
        }
        .run();
        let reasons = failed_twice(&became);
        assert!(reasons.contains("STARTTLS"), "{reasons}");
        assert_eq!(server.end(), Vec::<Value>::new());
    }
}

#[test]
fn the_daemon_itself_mails_over_tls_with_a_credential_of_the_service() {
    let Some(python) = python() else { return };
    let certificates = Certificates::made_out_to("localhost");
    let server = Server::start(&python, How::Tls, &certificates);
    let credentials = credentials(PASSWORD);
    let studio = tempfile::tempdir().unwrap();
    let folder = studio.path().display();
    // A watch whose folder is not there is trouble, which is mailed.
    let configuration = format!(
        "[studio]\nname = \"Tallow Street\"\nstate = \"{folder}/state\"\n\
         [[watch]]\nname = \"exports\"\nfolder = \"{folder}/exports\"\nprofile = \"stereo-music\"\n\
         [notice.mail]\nserver = \"smtps://{USER}@localhost:{}\"\ncredential = \"smtp-password\"\n\
         from = \"weighbridge@tallowstreet.example\"\nto = [\"mastering@tallowstreet.example\"]\n\
         [service]\nlisten = \"127.0.0.1:0\"\n",
        server.port
    );
    let file = studio.path().join("weighbridge.toml");
    std::fs::write(&file, configuration).unwrap();
    let mut daemon = Command::new(env!("CARGO_BIN_EXE_weighbridge"));
    daemon
        .args(["run", "--config"])
        .arg(&file)
        .env("SSL_CERT_FILE", certificates.authority())
        .env_remove("SSL_CERT_DIR")
        .env_remove("NOTIFY_SOCKET")
        .env("CREDENTIALS_DIRECTORY", credentials.path())
        .stderr(Stdio::null());
    let daemon = Speaker::start(&mut daemon);
    let login = server.speaker.next().expect("the daemon logs in");
    assert_eq!(login, json!({ "login": USER, "good": true }));
    let mail = server.speaker.next().expect("the daemon sends");
    assert!(mail["tls"].is_string(), "{mail}");
    let text = mail["mail"].as_str().unwrap();
    assert!(text.contains("Subject: trouble"), "{text}");
    drop(daemon);
}
