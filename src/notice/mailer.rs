//! Hands one mail to the mail server, and says in which of three ways that ended.
//!
//! In: recipients and the bytes of a message. Out: taken, to be tried again later, or refused
//! for good. One connection a mail and no pool (a pooled one that the server closed fails
//! later, and oddly); the whole conversation under one time limit, name resolution included.
//! Knows no outbox.

use std::io;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use lettre::address::Address;
use lettre::message::Mailbox;
use lettre::transport::smtp::Error as SmtpError;
use lettre::transport::smtp::authentication::{Credentials, Mechanism};
use lettre::transport::smtp::client::{AsyncSmtpConnection, TlsParameters};
use lettre::transport::smtp::commands::{Data, Mail as MailFrom, Rcpt};
use lettre::transport::smtp::extension::ClientId;

use crate::config::{Mail, MailSecurity};

/// Why a mail section can not be used.
#[derive(Debug, thiserror::Error)]
pub enum MailOrderError {
    #[error("{address:?} is no mail address")]
    Address {
        address: String,
        #[source]
        source: lettre::address::AddressError,
    },
    #[error(
        "the credential {name:?} can not be read from {}: give it to the service as a \
         credential of that name, or name a file by its absolute path",
        path.display()
    )]
    Credential {
        name: String,
        path: PathBuf,
        #[source]
        source: io::Error,
    },
    #[error(
        "the credential {0:?} has no place: it is no absolute path, and CREDENTIALS_DIRECTORY \
         is not set"
    )]
    NoCredentials(String),
    #[error("the credential {0:?} is empty or no UTF-8 text")]
    NoPassword(String),
    #[error("{0} is not this machine: mail leaves it encrypted or not at all")]
    PlainAbroad(String),
    #[error("the certificates of this machine can not be loaded")]
    Tls(#[source] SmtpError),
}

/// How a mail that was not taken ended.
#[derive(Debug, PartialEq, Eq)]
pub enum NotSent {
    /// The server spoke and deferred this mail (4xx), or has something against us that the
    /// operator can mend (login, encryption): later.
    Deferred(String),
    /// Nobody spoke to us to the end: later, and so will it be for other mails.
    Away(String),
    /// The server will never take this mail (5xx).
    Refused(String),
}

/// A mail that was taken.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Sent {
    /// Recipients that the server refused for good, and what it said; the others have it.
    pub refused: Vec<(String, String)>,
}

/// Talks to one mail server.
pub struct Mailer {
    host: String,
    port: u16,
    security: Security,
    credentials: Option<Credentials>,
    from: Address,
    hello: ClientId,
    limit: Duration,
}

enum Security {
    Plain,
    StartTls(TlsParameters),
    Tls(TlsParameters),
}

/// A whole conversation takes seconds; a server that takes longer is away.
pub const SEND_LIMIT: Duration = Duration::from_secs(60);

impl Mailer {
    /// Reads the credential; connects to nothing yet.
    pub fn new(mail: &Mail, from: &Mailbox, limit: Duration) -> Result<Self, MailOrderError> {
        let tls = || TlsParameters::new(mail.host.clone()).map_err(MailOrderError::Tls);
        let security = match mail.security {
            MailSecurity::Plain if !is_loopback(&mail.host) => {
                return Err(MailOrderError::PlainAbroad(mail.host.clone()));
            }
            MailSecurity::Plain => Security::Plain,
            MailSecurity::StartTls => Security::StartTls(tls()?),
            MailSecurity::Tls => Security::Tls(tls()?),
        };
        let credentials = match &mail.credential {
            None => None,
            Some(name) => {
                let folder = std::env::var_os("CREDENTIALS_DIRECTORY").map(PathBuf::from);
                let password = read_credential(name, folder.as_deref())?;
                let user = mail.user.clone().unwrap_or_else(|| from.email.to_string());
                Some(Credentials::new(user, password))
            }
        };
        Ok(Self {
            host: mail.host.clone(),
            port: mail.port,
            security,
            credentials,
            from: from.email.clone(),
            hello: ClientId::default(),
            limit,
        })
    }

    /// Sends these bytes to these recipients.
    ///
    /// Where at least one recipient is accepted and none is deferred, the mail goes; where one
    /// is deferred, it waits for all of them, so that nobody gets it twice.
    pub async fn send(&self, to: &[String], raw: &[u8]) -> Result<Sent, NotSent> {
        let conversation = async {
            let mut connection = self.connect().await?;
            let sent = self.hand_over(&mut connection, to, raw).await;
            Ok((connection, sent))
        };
        match tokio::time::timeout(self.limit, conversation).await {
            Err(_) => Err(NotSent::Away(format!(
                "no end within {} s",
                self.limit.as_secs_f64()
            ))),
            Ok(Err(away)) => Err(away),
            Ok(Ok((mut connection, sent))) => {
                // The answer is known; a server that does not say goodbye changes nothing.
                let goodbye = Duration::from_secs(2).min(self.limit);
                let _ = tokio::time::timeout(goodbye, connection.abort()).await;
                sent
            }
        }
    }

    /// Connects, encrypts, logs in. Whatever is wrong here is not the mail's fault, so even a
    /// 5xx is no refusal of the mail.
    async fn connect(&self) -> Result<AsyncSmtpConnection, NotSent> {
        let away = |error: SmtpError| NotSent::Away(error.to_string());
        let wrapped = match &self.security {
            Security::Tls(tls) => Some(tls.clone()),
            Security::Plain | Security::StartTls(_) => None,
        };
        let mut connection = AsyncSmtpConnection::connect_tokio1(
            (self.host.as_str(), self.port),
            Some(self.limit),
            &self.hello,
            wrapped,
            None,
        )
        .await
        .map_err(away)?;
        if let Security::StartTls(tls) = &self.security {
            (connection.starttls(tls.clone(), &self.hello).await).map_err(away)?;
        }
        if let Some(credentials) = &self.credentials {
            let mechanisms = [Mechanism::Plain, Mechanism::Login];
            (connection.auth(&mechanisms, credentials).await).map_err(away)?;
        }
        Ok(connection)
    }

    async fn hand_over(
        &self,
        connection: &mut AsyncSmtpConnection,
        to: &[String],
        raw: &[u8],
    ) -> Result<Sent, NotSent> {
        let from = MailFrom::new(Some(self.from.clone()), Vec::new());
        connection.command(from).await.map_err(classify)?;
        let mut sent = Sent::default();
        for recipient in to {
            let address: Address = match recipient.parse() {
                Ok(address) => address,
                Err(error) => {
                    sent.refused.push((recipient.clone(), format!("{error}")));
                    continue;
                }
            };
            let answer = connection.command(Rcpt::new(address, Vec::new())).await;
            match answer.map_err(classify) {
                Ok(_) => {}
                Err(NotSent::Refused(said)) => sent.refused.push((recipient.clone(), said)),
                Err(other) => return Err(other),
            }
        }
        if sent.refused.len() == to.len() {
            let said = sent
                .refused
                .iter()
                .map(|(who, said)| format!("{who}: {said}"));
            return Err(NotSent::Refused(said.collect::<Vec<_>>().join("; ")));
        }
        connection.command(Data).await.map_err(classify)?;
        connection.message(raw).await.map_err(classify)?;
        Ok(sent)
    }
}

fn classify(error: SmtpError) -> NotSent {
    let said = error.to_string();
    let Some(code) = error.status() else {
        return NotSent::Away(said);
    };
    match u16::from(code) {
        // Login or encryption is asked for (RFC 4954, clause 6): the operator can mend that.
        530 | 534 | 535 | 538 => NotSent::Deferred(said),
        // The server is about to close (RFC 5321, clause 3.8).
        421 => NotSent::Away(said),
        500..=599 => NotSent::Refused(said),
        _ => NotSent::Deferred(said),
    }
}

fn is_loopback(host: &str) -> bool {
    let bare = host.trim_start_matches('[').trim_end_matches(']');
    host.eq_ignore_ascii_case("localhost")
        || bare
            .parse::<std::net::IpAddr>()
            .is_ok_and(|ip| ip.is_loopback())
}

/// The password, without the newline at its end.
///
/// `name` is an absolute path, or a file in `folder` (systemd's `$CREDENTIALS_DIRECTORY`).
pub fn read_credential(name: &str, folder: Option<&Path>) -> Result<String, MailOrderError> {
    let path = match (Path::new(name).is_absolute(), folder) {
        (true, _) => PathBuf::from(name),
        (false, Some(folder)) => folder.join(name),
        (false, None) => return Err(MailOrderError::NoCredentials(name.into())),
    };
    let failed = |source| MailOrderError::Credential {
        name: name.into(),
        path: path.clone(),
        source,
    };
    let bytes = std::fs::read(&path).map_err(failed)?;
    let mode = std::fs::metadata(&path)
        .map_err(failed)?
        .permissions()
        .mode();
    if mode & 0o007 != 0 {
        tracing::warn!(
            file = %path.display(),
            mode = format!("{:o}", mode & 0o777),
            "everybody on this machine can read the mail password: chmod 0600 would be right"
        );
    }
    let text = String::from_utf8(bytes).ok();
    let password = text.map(|text| text.trim_end_matches(['\r', '\n']).to_owned());
    (password.filter(|p| !p.is_empty() && !p.contains(['\n', '\0'])))
        .ok_or_else(|| MailOrderError::NoPassword(name.into()))
}
