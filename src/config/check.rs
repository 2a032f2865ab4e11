//! From what the configuration says to what it means.
//!
//! In: the raw tables with their places in the text, and the names of the profiles that
//! exist. Out: a [`Config`] that can only hold what makes sense, or the first [`Mistake`].
//! Opens nothing.

use std::net::SocketAddr;
use std::ops::Range;
use std::time::Duration;

use toml::Spanned;

use super::folders::{self, Folders, absolute};
use super::mail;
use super::mistake::{Mistake, Text};
use super::model::{
    Config, Crew, MixRule, OtherFiles, RecordPlace, RenderSettings, Route, Service, Studio, Watch,
    WatchKind,
};
use super::raw::{RawConfig, RawCrew, RawMix, RawRoute, RawService, RawStudio, RawWatch};
use super::values::{
    channels, choice, duration, extension, first_line, name_pattern, path_pattern, profile,
    required, words,
};

/// How often a local folder is scanned when no event calls for it earlier.
const POLL_LOCAL: Duration = Duration::from_secs(60);
const POLL_NETWORK: Duration = Duration::from_secs(5);
const SETTLE: Duration = Duration::from_secs(10);
const PATIENCE_AT_LEAST: Duration = Duration::from_secs(10);
/// Own choice: more threads than any machine of a studio has cores.
const THREADS_AT_MOST: usize = 1024;

/// Taken for audio where the configuration names no list: what the house reads, and a few that
/// it does not but that a delivery may hold, so that they stop as unread and do not slip by.
pub const AUDIO_EXTENSIONS: &[&str] = &[
    "wav", "wave", "bwf", "rf64", "bw64", "w64", "flac", "aif", "aiff", "aifc", "caf", "mp3",
    "m4a", "aac", "ogg", "oga", "opus",
];

/// Roots that custody names beside the watches: `quarantine:path`.
const NAMES_TAKEN: &[&str] = &["quarantine", "release", "record", "state"];

pub fn config(text: &Text, raw: RawConfig, profiles: &[String]) -> Result<Config, Mistake> {
    if let Some(nats) = raw.crew.as_ref().and_then(|crew| crew.nats.as_ref()) {
        return Err(text.mistake(
            nats.span(),
            "measuring nodes are not built yet: remove the line",
            "threads = 0, which weighs on every core of this machine",
        ));
    }
    let (studio, state) = studio(text, raw.studio.as_ref())?;
    if raw.watch.is_empty() {
        return Err(text.missing(
            "there is no watch: nothing would ever be weighed",
            "at least one [[watch]] with name, folder and profile",
        ));
    }
    let mut watches: Vec<Watch> = Vec::new();
    let mut all: Vec<Folders> = Vec::new();
    for this in &raw.watch {
        let (watch, folders) = watch(text, this.get_ref(), this.span(), profiles)?;
        if let Some(same) = watches.iter().position(|other| other.name == watch.name) {
            let at = |watch: &Spanned<RawWatch>| {
                let name = watch.get_ref().name.as_ref();
                name.map_or(watch.span(), Spanned::span)
            };
            return Err(text.mistake(
                at(this),
                format!(
                    "two watches are called \"{}\"; the first is on line {}",
                    watch.name,
                    text.line_of(at(&raw.watch[same]).start)
                ),
                "a name of its own for each watch: sidecars and mails tell them apart by it",
            ));
        }
        watches.push(watch);
        all.push(folders);
    }
    folders::check(text, &state, &all)?;
    let mail = raw
        .notice
        .as_ref()
        .and_then(|notice| notice.mail.as_ref())
        .map(|mail| mail::mail(text, mail.get_ref(), first_line(text, mail.span())))
        .transpose()?;
    Ok(Config {
        path: text.path.to_owned(),
        studio,
        watches,
        mail,
        service: raw.service.map(|raw| service(text, &raw)).transpose()?,
        crew: crew(text, raw.crew.as_ref())?,
        render: RenderSettings {
            head: raw
                .render
                .as_ref()
                .and_then(|render| render.head.as_ref())
                .map(|head| absolute(text, head, "head").map(|written| written.path))
                .transpose()?,
        },
        profiles_folder: super::profiles_folder(text.path),
    })
}

fn studio(
    text: &Text,
    raw: Option<&Spanned<RawStudio>>,
) -> Result<(Studio, folders::Written), Mistake> {
    let right = "[studio] with name = \"Tallow Street\" and state = \"/var/lib/weighbridge\"";
    let raw = raw.ok_or_else(|| text.missing("there is no [studio]", right))?;
    let table = raw.span();
    let raw = raw.get_ref();
    let name = required(
        text,
        &raw.name,
        table.clone(),
        "the studio has no name",
        "name = \"Tallow Street\"",
    )?;
    let state = required(
        text,
        &raw.state,
        table,
        "[studio] does not say where the ledger lies",
        "state = \"/var/lib/weighbridge\"",
    )?;
    let name = words(text, name, "the studio's name")?;
    let state = absolute(text, state, "state")?;
    let studio = Studio {
        name,
        state: state.path.clone(),
    };
    Ok((studio, state))
}

fn watch(
    text: &Text,
    raw: &RawWatch,
    table: Range<usize>,
    profiles: &[String],
) -> Result<(Watch, Folders), Mistake> {
    let name = watch_name(text, raw, table.clone())?;
    let folder = required(
        text,
        &raw.folder,
        table.clone(),
        &format!("the watch \"{name}\" has no folder"),
        "folder = \"/srv/audio/outbound\"",
    )?;
    let folder = absolute(text, folder, "folder")?;
    let named_profile = required(
        text,
        &raw.profile,
        table,
        &format!("the watch \"{name}\" has no profile"),
        "profile = \"stereo-music\"",
    )?;
    let place = |value: &Option<Spanned<String>>, key: &str| {
        value
            .as_ref()
            .map(|value| absolute(text, value, key))
            .transpose()
    };
    let quarantine = place(&raw.quarantine, "quarantine")?;
    let release = place(&raw.release, "release")?;
    let record = match &raw.record {
        Some(said) if said.get_ref() != "beside" => Some(absolute(text, said, "record")?),
        _ => None,
    };
    let kind = match &raw.kind {
        None => WatchKind::Local,
        Some(said) => choice(
            text,
            said,
            "kind",
            &[("local", WatchKind::Local), ("network", WatchKind::Network)],
        )?,
    };
    let time = |value: &Option<Spanned<String>>, default: Duration| match value {
        Some(value) => duration(text, value),
        None => Ok(default),
    };
    let settle = time(&raw.settle, SETTLE)?;
    let patience = time(&raw.patience, (settle * 10).max(PATIENCE_AT_LEAST))?;
    if let Some(said) = &raw.patience
        && patience < settle
    {
        return Err(text.mistake(
            said.span(),
            format!("patience ({}) is shorter than settle", said.get_ref()),
            "several times settle: it is how long an incomplete file is waited for",
        ));
    }
    let poll = time(
        &raw.poll,
        match kind {
            WatchKind::Local => POLL_LOCAL,
            WatchKind::Network => POLL_NETWORK,
        },
    )?;
    let watch = Watch {
        name: name.clone(),
        folder: folder.path.clone(),
        kind,
        poll,
        settle,
        patience,
        profile: profile(text, named_profile, profiles)?,
        routes: raw
            .route
            .iter()
            .map(|raw| route(text, raw, profiles))
            .collect::<Result<_, _>>()?,
        quarantine: quarantine.as_ref().map(|place| place.path.clone()),
        release: release.as_ref().map(|place| place.path.clone()),
        signoffs: signoffs(text, raw)?,
        record: match &record {
            Some(place) => RecordPlace::Folder(place.path.clone()),
            None => RecordPlace::Beside,
        },
        md5: raw.md5.unwrap_or(false),
        other_files: match &raw.other_files {
            None => OtherFiles::Leave,
            Some(said) => choice(
                text,
                said,
                "other_files",
                &[("leave", OtherFiles::Leave), ("stop", OtherFiles::Stop)],
            )?,
        },
        audio_extensions: audio_extensions(text, raw)?,
        ignore: raw
            .ignore
            .iter()
            .map(|pattern| name_pattern(text, pattern))
            .collect::<Result<_, _>>()?,
    };
    let folders = Folders {
        watch: name,
        folder,
        quarantine,
        release,
        record,
    };
    Ok((watch, folders))
}

fn watch_name(text: &Text, raw: &RawWatch, table: Range<usize>) -> Result<String, Mistake> {
    let said = required(
        text,
        &raw.name,
        table,
        "this watch has no name",
        "name = \"outbound\"",
    )?;
    let name = words(text, said, "the watch's name")?;
    if name.contains(['/', ':']) || NAMES_TAKEN.contains(&name.as_str()) {
        return Err(text.mistake(
            said.span(),
            format!("a watch cannot be called \"{name}\": records write a place as \"name:path\""),
            "a short word without / and :, and none of quarantine, release, record, state",
        ));
    }
    Ok(name)
}

fn signoffs(text: &Text, raw: &RawWatch) -> Result<u32, Mistake> {
    let Some(said) = &raw.signoffs else {
        return Ok(0);
    };
    if *said.get_ref() > 0 && raw.release.is_none() {
        return Err(text.mistake(
            said.span(),
            "signoffs are asked but there is no release folder: nothing would wait for them",
            "release = \"/srv/audio/dispatch\" beside it, or no signoffs",
        ));
    }
    Ok(*said.get_ref())
}

fn audio_extensions(text: &Text, raw: &RawWatch) -> Result<Vec<String>, Mistake> {
    let Some(said) = &raw.audio_extensions else {
        return Ok(AUDIO_EXTENSIONS.iter().map(|&e| e.to_owned()).collect());
    };
    if said.get_ref().is_empty() {
        return Err(text.mistake(
            said.span(),
            "no extension is taken for audio: nothing would ever be weighed",
            "audio_extensions = [\"wav\", \"flac\"], or no such line for the usual ones",
        ));
    }
    said.get_ref()
        .iter()
        .map(|one| extension(text, one))
        .collect()
}

fn route(text: &Text, raw: &Spanned<RawRoute>, profiles: &[String]) -> Result<Route, Mistake> {
    let table = raw.span();
    let raw = raw.get_ref();
    let pattern = required(
        text,
        &raw.pattern,
        table.clone(),
        "this route matches nothing: it has no pattern",
        "match = \"**/*_immersive*.wav\"",
    )?;
    let named_profile = required(
        text,
        &raw.profile,
        table,
        "this route has no profile",
        "profile = \"immersive-music\"",
    )?;
    Ok(Route {
        pattern: pattern.get_ref().clone(),
        matcher: path_pattern(text, pattern)?,
        profile: profile(text, named_profile, profiles)?,
        channels: raw
            .channels
            .as_ref()
            .map(|said| channels(text, said))
            .transpose()?,
        mix: raw.mix.as_ref().map(|said| mix(text, said)).transpose()?,
    })
}

fn mix(text: &Text, raw: &Spanned<RawMix>) -> Result<MixRule, Mistake> {
    let table = raw.span();
    let raw = raw.get_ref();
    let example = "mix = { name = '(.+)_master\\.wav', is = '${1}_mix.wav' }";
    let name = required(
        text,
        &raw.name,
        table.clone(),
        "this rule has no name of a master",
        example,
    )?;
    let is = required(
        text,
        &raw.is,
        table,
        "this rule does not say what the mix is called",
        example,
    )?;
    let pattern = name.get_ref().clone();
    let whole = format!("(?i)\\A(?:{pattern})\\z");
    let name = regex::Regex::new(&whole).map_err(|error| {
        let last = error.to_string();
        text.mistake(
            name.span(),
            format!(
                "not a pattern: {}",
                last.lines().last().unwrap_or_default().trim()
            ),
            example,
        )
    })?;
    if is.get_ref().contains('/') {
        return Err(text.mistake(
            is.span(),
            "the mix's name has a slash",
            "a name alone; where the mixes lie says folder = \"/srv/audio/mixes\"",
        ));
    }
    if let Some(unknown) = unknown_group(&name, is.get_ref()) {
        let brackets = match name.captures_len() - 1 {
            1 => "1 pair of brackets".to_owned(),
            many => format!("{many} pairs of brackets"),
        };
        return Err(text.mistake(
            is.span(),
            format!(
                "the pattern of the master's name has {brackets}, and nothing is called {unknown:?}"
            ),
            "`${1}` for what the first brackets took; braces keep letters after it apart",
        ));
    }
    let folder = match &raw.folder {
        Some(folder) => Some(absolute(text, folder, "folder")?.path),
        None => None,
    };
    Ok(MixRule {
        pattern,
        name,
        is: is.get_ref().clone(),
        folder,
    })
}

/// The first `$name` or `${name}` that the pattern does not have: it would be left out in silence.
fn unknown_group(pattern: &regex::Regex, is: &str) -> Option<String> {
    let reference = regex::Regex::new(r"\$(?:\$|\{([^}]*)\}|([0-9A-Za-z_]+))").ok()?;
    let known = |name: &str| match name.parse::<usize>() {
        Ok(number) => number < pattern.captures_len(),
        Err(_) => pattern.capture_names().flatten().any(|own| own == name),
    };
    let mut names = reference.captures_iter(is).filter_map(|found| {
        let name = found.get(1).or(found.get(2))?;
        Some(name.as_str().to_owned())
    });
    names.find(|name| !known(name))
}

fn service(text: &Text, raw: &RawService) -> Result<Service, Mistake> {
    let Some(said) = &raw.listen else {
        return Ok(Service {
            listen: SocketAddr::from(([127, 0, 0, 1], 8117)),
        });
    };
    let listen = said.get_ref().parse().map_err(|_| {
        text.mistake(
            said.span(),
            format!("\"{}\" is no address to listen on", said.get_ref()),
            "a numeric address and a port: \"127.0.0.1:8117\" for this machine only, \"0.0.0.0:8117\" for the network, \"[::1]:8117\"",
        )
    })?;
    Ok(Service { listen })
}

fn crew(text: &Text, raw: Option<&RawCrew>) -> Result<Crew, Mistake> {
    let said = raw.and_then(|raw| raw.threads.as_ref());
    let threads = said.map_or(0, |said| *said.get_ref());
    if let Some(said) = said
        && threads > THREADS_AT_MOST
    {
        return Err(text.mistake(
            said.span(),
            format!("{threads} threads are more than any machine here has cores"),
            "threads = 0, which is one per core",
        ));
    }
    let cores = || std::thread::available_parallelism().map_or(1, usize::from);
    Ok(Crew {
        threads: if threads == 0 { cores() } else { threads },
    })
}
