//! `[notice.mail]`: server address, people's addresses, what is mailed when.
//!
//! In: the raw table. Out: a [`Mail`] that can be connected to without further questions, or a
//! [`Mistake`]. A password may not stand in the configuration: it is read from a credential,
//! by the room that sends. Opens no connection.

use std::net::IpAddr;
use std::ops::Range;

use lettre::Address;
use lettre::message::Mailbox;
use toml::Spanned;

use super::mistake::{Mistake, Text};
use super::model::{Mail, MailSecurity, When};
use super::raw::RawMail;
use super::values::{choice, required, time_of_day};

/// RFC 8314, clause 7.3: submission with implicit TLS.
const PORT_TLS: u16 = 465;
/// RFC 6409, clause 3.1: message submission.
const PORT_SUBMISSION: u16 = 587;
/// RFC 5321, clause 4.5.4.2: a mail server of this same machine.
const PORT_LOCAL: u16 = 25;

const SERVER_RIGHT: &str = "\"smtp://mail.lan:587\" (STARTTLS), \"smtps://mail.lan:465\" (TLS), or \"smtp://127.0.0.1:25\" (plain, this machine only)";

pub fn mail(text: &Text, raw: &RawMail, table: Range<usize>) -> Result<Mail, Mistake> {
    let server = required(
        text,
        &raw.server,
        table.clone(),
        "[notice.mail] has no server",
        &format!("server = {SERVER_RIGHT}"),
    )?;
    let address = server_address(text, server)?;
    let from = required(
        text,
        &raw.from,
        table.clone(),
        "[notice.mail] does not say whom the mails come from",
        "from = \"weighbridge@tallowstreet.example\"",
    )?;
    let sender = mailbox(text, from)?;
    let to = required(
        text,
        &raw.to,
        table.clone(),
        "[notice.mail] has nobody to write to",
        "to = [\"mastering@tallowstreet.example\"]",
    )?;
    if to.get_ref().is_empty() {
        return Err(text.mistake(
            to.span(),
            "the mails go to nobody",
            "to = [\"mastering@tallowstreet.example\"]",
        ));
    }
    for person in to.get_ref() {
        mailbox(text, person)?;
    }
    let when = when(text, raw)?;
    let digest = raw
        .digest
        .as_ref()
        .map(|digest| time_of_day(text, digest))
        .transpose()?;
    if when == NEVER && digest.is_none() {
        let at = raw.when.as_ref().map_or(table, Spanned::span);
        return Err(text.mistake(
            at,
            "no mail would ever be sent: \"when\" is empty and there is no digest",
            "when = [\"stop\", \"trouble\"], or digest = \"18:00\", or no [notice.mail] at all",
        ));
    }
    let credential = raw
        .credential
        .as_ref()
        .map(|credential| credential_name(text, credential))
        .transpose()?;
    let user = user(text, raw, address.user, server)?;
    if let (Some(user), None) = (&user, &credential) {
        return Err(text.mistake(
            raw.user.as_ref().unwrap_or(server).span(),
            format!("the user \"{user}\" has no credential to sign in with"),
            "credential = \"smtp-password\", the name of a systemd credential or the absolute path of a file",
        ));
    }
    Ok(Mail {
        host: address.host,
        port: address.port,
        security: address.security,
        // Most submission servers know people by their addresses: common practice, no source.
        user: user.or_else(|| credential.as_ref().map(|_| sender.email.to_string())),
        credential,
        from: from.get_ref().clone(),
        to: to.get_ref().iter().map(|p| p.get_ref().clone()).collect(),
        when,
        digest,
    })
}

const NEVER: When = When {
    stop: false,
    trouble: false,
    advise: false,
    clear: false,
};

fn when(text: &Text, raw: &RawMail) -> Result<When, Mistake> {
    let Some(words) = &raw.when else {
        return Ok(When {
            stop: true,
            trouble: true,
            ..NEVER
        });
    };
    let mut when = NEVER;
    for word in words.get_ref() {
        let set: fn(&mut When) = choice(
            text,
            word,
            "when",
            &[
                ("stop", (|w| w.stop = true) as fn(&mut When)),
                ("trouble", |w| w.trouble = true),
                ("advise", |w| w.advise = true),
                ("clear", |w| w.clear = true),
            ],
        )?;
        set(&mut when);
    }
    Ok(when)
}

/// Who signs in: from the key `user` or the server's address, which must not differ.
fn user(
    text: &Text,
    raw: &RawMail,
    in_address: Option<String>,
    server: &Spanned<String>,
) -> Result<Option<String>, Mistake> {
    let Some(key) = &raw.user else {
        return Ok(in_address);
    };
    let said = key.get_ref().trim();
    if said.is_empty() || said.chars().any(char::is_control) {
        return Err(text.mistake(key.span(), "the user is empty", "user = \"weighbridge\""));
    }
    match in_address {
        Some(other) if other != said => Err(text.mistake(
            key.span(),
            format!(
                "two users: \"{said}\" here and \"{other}\" in the server on line {}",
                text.line_of(server.span().start)
            ),
            "one of them",
        )),
        _ => Ok(Some(said.to_owned())),
    }
}

/// A systemd credential's name or an absolute path.
fn credential_name(text: &Text, value: &Spanned<String>) -> Result<String, Mistake> {
    let said = value.get_ref();
    let is_name = !said.is_empty()
        && said != "."
        && said != ".."
        && !said.contains('/')
        && !said.chars().any(char::is_control);
    let is_path = said.len() > 1 && said.starts_with('/') && !said.contains('\0');
    if is_name || is_path {
        return Ok(said.clone());
    }
    Err(text.mistake(
        value.span(),
        format!("\"{said}\" names no credential"),
        "the name of a systemd credential, as in \"smtp-password\", or the absolute path of a file that holds the password",
    ))
}

/// `a@b.c` or `Name <a@b.c>`.
fn mailbox(text: &Text, value: &Spanned<String>) -> Result<Mailbox, Mistake> {
    let said = value.get_ref().trim();
    let plain = said.parse::<Address>().is_ok();
    let named = said.ends_with('>') && said.matches('<').count() == 1;
    said.parse::<Mailbox>()
        .ok()
        .filter(|_| (plain || named) && !said.chars().any(char::is_control))
        .ok_or_else(|| {
            text.mistake(
                value.span(),
                format!("\"{said}\" is no mail address"),
                "\"mastering@tallowstreet.example\" or \"Mastering <mastering@tallowstreet.example>\"",
            )
        })
}

struct ServerAddress {
    host: String,
    port: u16,
    security: MailSecurity,
    user: Option<String>,
}

fn server_address(text: &Text, value: &Spanned<String>) -> Result<ServerAddress, Mistake> {
    let said = value.get_ref().trim();
    let wrong = |what: String| text.mistake(value.span(), what, SERVER_RIGHT);
    let (tls, rest) = if let Some(rest) = said.strip_prefix("smtps://") {
        (true, rest)
    } else if let Some(rest) = said.strip_prefix("smtp://") {
        (false, rest)
    } else {
        return Err(wrong(format!("\"{said}\" is no mail server's address")));
    };
    // The last @ ends the user, whose name may be an address itself.
    let (user, place) = match rest.rsplit_once('@') {
        Some((user, place)) => (Some(user), place),
        None => (None, rest),
    };
    if let Some((_, password)) = user.and_then(|user| user.split_once(':')) {
        return Err(without(
            password,
            text.mistake(
                value.span(),
                "a password must not stand in the configuration",
                "the user alone, \"smtp://user@mail.lan:587\", and credential = \"smtp-password\", the name of a systemd credential or the absolute path of a file; then change the password, it has been in the open",
            ),
        ));
    }
    if user.is_some_and(|user| user.is_empty() || user.contains(['%', '/'])) {
        return Err(wrong(format!(
            "the user in \"{said}\" cannot be read: write it as a key of its own, user = \"...\""
        )));
    }
    let (host, port) = host_and_port(place)
        .ok_or_else(|| wrong(format!("\"{said}\" is no mail server's address")))?;
    let loopback = host == "localhost" || host.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback());
    let security = match (tls, loopback) {
        (true, _) => MailSecurity::Tls,
        (false, true) => MailSecurity::Plain,
        (false, false) => MailSecurity::StartTls,
    };
    let default_port = match security {
        MailSecurity::Tls => PORT_TLS,
        MailSecurity::StartTls => PORT_SUBMISSION,
        MailSecurity::Plain => PORT_LOCAL,
    };
    Ok(ServerAddress {
        host,
        port: port.unwrap_or(default_port),
        security,
        user: user.map(str::to_owned),
    })
}

/// The mistake with the password struck out of the line it shows: messages end in logs.
fn without(password: &str, mut mistake: Mistake) -> Mistake {
    if let Some(spot) = &mut mistake.spot
        && !password.is_empty()
    {
        let before = spot.text.chars().count();
        spot.text = spot.text.replace(password, "***");
        let after = spot.text.chars().count();
        spot.width = (spot.width + after).saturating_sub(before).max(1);
    }
    mistake
}

/// `host`, `host:port`, `[::1]:port`; a slash may end it, nothing else may follow.
fn host_and_port(place: &str) -> Option<(String, Option<u16>)> {
    let place = place.strip_suffix('/').unwrap_or(place);
    let (host, port) = match place.strip_prefix('[') {
        Some(rest) => {
            let (host, port) = rest.split_once(']')?;
            host.parse::<std::net::Ipv6Addr>().ok()?;
            let port = match port {
                "" => None,
                port => Some(port.strip_prefix(':')?),
            };
            (host, port)
        }
        None => match place.split_once(':') {
            Some((host, port)) => (host, Some(port)),
            None => (place, None),
        },
    };
    let letters = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '_' | ':');
    if host.is_empty() || !host.chars().all(letters) {
        return None;
    }
    let port = match port {
        Some(digits) => Some(digits.parse().ok().filter(|port| *port > 0)?),
        None => None,
    };
    Some((host.to_ascii_lowercase(), port))
}
