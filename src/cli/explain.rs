//! Profiles, checks and configurations in words: every number with its source.
//!
//! In: checked profiles and configurations, rows of the catalogue. Out: text that ends with a
//! line feed. Pure; decides nothing.

use std::time::Duration;

use crate::config::{Config, MailSecurity, OtherFiles, RecordPlace, Watch, WatchKind};
use crate::judge::{self, Check};
use crate::layout;
use crate::profile::{Limit, Profile, Rule, Severity};

use crate::record::{one_line, printable};

use super::text;

/// What is asked, in words: `at most -18.0 LUFS`.
fn asked(rule: &Rule, unit: &str) -> String {
    let words = judge::asked(rule, unit).unwrap_or_else(|| "nothing; it is noted".to_owned());
    one_line(&words)
}

pub fn severity_word(severity: Severity) -> &'static str {
    match severity {
        Severity::Note => "note",
        Severity::Advise => "advise",
        Severity::Stop => "stop",
    }
}

/// The names and titles, and where a profile that is not built in was read from.
pub fn profiles(all: &[&Profile], columns: usize) -> String {
    let rows: Vec<Vec<String>> = all
        .iter()
        .map(|profile| {
            let title = match profile.origin.as_str() {
                "built in" => one_line(&profile.title),
                file => format!("{} ({})", one_line(&profile.title), one_line(file)),
            };
            vec![one_line(&profile.name), title]
        })
        .collect();
    text::table("", &rows, columns).concat()
}

/// One profile with every number and its source. `unit_of` gives a check's unit.
pub fn profile(
    profile: &Profile,
    unit_of: &dyn Fn(&str) -> &'static str,
    columns: usize,
) -> String {
    let mut out = text::hanging(
        "",
        &format!("{}: {}", one_line(&profile.name), one_line(&profile.title)),
        columns,
    );
    if !profile.about.is_empty() {
        out.push_str(&text::hanging("  ", &one_line(&profile.about), columns));
    }
    let mut origin = vec![one_line(&profile.origin)];
    if !profile.extends.is_empty() {
        origin.push(format!(
            "extends {}",
            one_line(&profile.extends.join(", then "))
        ));
    }
    origin.push(format!("digest {}", profile.digest));
    out.push_str(&text::hanging("  ", &origin.join("; "), columns));
    if let Some(labels) = &profile.channels {
        let labels: Vec<&str> = labels.iter().map(crate::layout::Label::as_str).collect();
        let says = format!(
            "files that do not say where their channels play: {}",
            labels.join(",")
        );
        out.push_str(&text::hanging("  ", &says, columns));
    }
    if let Some(renders) = &profile.renders {
        let renders: Vec<String> = renders.iter().map(|render| both_names(render)).collect();
        let says = format!("object-based files are rendered to {}", renders.join(", "));
        out.push_str(&text::hanging("  ", &says, columns));
    }
    out.push('\n');
    let rows: Vec<Vec<String>> = profile
        .limits
        .iter()
        .map(|(check, limit)| {
            let asked = asked(&limit.rule, unit_of(check));
            let severity = match limit.rule {
                Rule::Report => Severity::Note,
                _ => limit.severity,
            };
            vec![severity_word(severity).to_owned(), one_line(check), asked]
        })
        .collect();
    for (line, limit) in text::table("  ", &rows, columns)
        .iter()
        .zip(profile.limits.values())
    {
        out.push_str(line);
        out.push_str(&text::hanging("        ", &conditions(limit), columns));
    }
    out
}

/// `5.1 (0+5+0)`
fn both_names(render: &str) -> String {
    match layout::spoken(render) {
        same if same == render => one_line(render),
        spoken => format!("{spoken} ({})", one_line(render)),
    }
}

/// On which render, how far passing it only advises, and whose limit it is.
fn conditions(limit: &Limit) -> String {
    let mut parts = Vec::new();
    if let Some(render) = &limit.render {
        parts.push(format!("on {}", both_names(render)));
    }
    if limit.margin > 0.0 {
        parts.push(format!(
            "passing it by {} or less only advises",
            limit.margin
        ));
    }
    parts.push(one_line(&limit.source));
    parts.join("; ")
}

/// The catalogue as a table: id, title, unit, what it does by default.
pub fn checks(all: &[Check], columns: usize) -> String {
    let rows: Vec<Vec<String>> = all
        .iter()
        .map(|check| {
            let unit = if check.unit.is_empty() {
                "-"
            } else {
                check.unit
            };
            [severity_word(check.severity), check.id, unit, check.title]
                .map(str::to_owned)
                .to_vec()
        })
        .collect();
    text::table("", &rows, columns).concat()
}

/// One check in full.
pub fn check(check: &Check, columns: usize) -> String {
    let mut out = text::hanging("", &format!("{}: {}", check.id, check.title), columns);
    let unit = if check.unit.is_empty() {
        "none"
    } else {
        check.unit
    };
    for (first, says) in [
        ("  what it is      ", check.definition),
        ("  unit            ", unit),
        ("  by default      ", severity_word(check.severity)),
        ("  source          ", check.source),
        ("  cannot see      ", check.cannot_see),
    ] {
        out.push_str(&text::hanging(first, says, columns));
    }
    out
}

/// A configuration that was read without a mistake, in sentences.
pub fn config(config: &Config, columns: usize) -> String {
    let mut out = String::new();
    let mut say = |first: &str, says: &str| out.push_str(&text::hanging(first, says, columns));
    let shown = |path: &std::path::Path| printable(path.as_os_str());

    say("", &format!("{}: no mistakes", shown(&config.path)));
    say(
        "studio    ",
        &format!(
            "{}; ledger and outbox in {}",
            one_line(&config.studio.name),
            shown(&config.studio.state)
        ),
    );
    for watch in &config.watches {
        say(
            "watch     ",
            &format!("{}: {}", one_line(&watch.name), shown(&watch.folder)),
        );
        for says in watch_sentences(watch) {
            say("          ", &says);
        }
    }
    match &config.mail {
        Some(mail) => {
            let how = match mail.security {
                MailSecurity::Tls => "TLS from the first byte",
                MailSecurity::StartTls => "STARTTLS",
                MailSecurity::Plain => "plain, this machine only",
            };
            let to = one_line(&mail.to.join(", "));
            say(
                "mail      ",
                &format!(
                    "to {to} through {}:{} ({how})",
                    one_line(&mail.host),
                    mail.port
                ),
            );
            say(
                "          ",
                &format!("at once: {}", when_words(&mail.when)),
            );
            if let Some(time) = mail.digest {
                say(
                    "          ",
                    &format!("summary of the day at {}", time.strftime("%H:%M")),
                );
            }
        }
        None => say(
            "mail      ",
            "none: stopped files are told by their notes, the log and the status page",
        ),
    }
    match &config.service {
        Some(service) => say("page      ", &format!("http://{}/", service.listen)),
        None => say("page      ", "none"),
    }
    say(
        "crew      ",
        &text::counted(config.crew.threads as u64, "file at once", "files at once"),
    );
    if let Some(head) = &config.render.head {
        say("binaural  ", &format!("heard through {}", shown(head)));
    }
    say(
        "profiles  ",
        &format!("built in, and those in {}", shown(&config.profiles_folder)),
    );
    out
}

fn watch_sentences(watch: &Watch) -> Vec<String> {
    let shown = |path: &std::path::Path| printable(path.as_os_str());
    let mut out = Vec::new();
    let looks = match watch.kind {
        WatchKind::Local => "looked at when the kernel tells of a change, and at least every",
        WatchKind::Network => "looked at every",
    };
    out.push(format!(
        "{looks} {}; settled after {} without change; an incomplete file is waited for {}",
        seconds(watch.poll),
        seconds(watch.settle),
        seconds(watch.patience)
    ));
    for route in &watch.routes {
        let channels = match &route.channels {
            Some(labels) => {
                let labels: Vec<&str> = labels.iter().map(crate::layout::Label::as_str).collect();
                format!(
                    ", channels {} where the file does not say",
                    labels.join(",")
                )
            }
            None => String::new(),
        };
        out.push(format!(
            "{} by {}{channels}",
            one_line(&route.pattern),
            one_line(&route.profile)
        ));
    }
    let others = if watch.routes.is_empty() {
        "all files"
    } else {
        "all others"
    };
    out.push(format!("{others} by {}", one_line(&watch.profile)));
    out.push(match &watch.quarantine {
        Some(folder) => format!("stopped files go to {}", shown(folder)),
        None => "stopped files stay and are marked".to_owned(),
    });
    out.push(match (&watch.release, watch.signoffs) {
        (Some(folder), 0) => format!("cleared files go to {}", shown(folder)),
        (Some(folder), people) => format!(
            "cleared files go to {} when {} signed",
            shown(folder),
            text::counted(u64::from(people), "person has", "people have")
        ),
        (None, _) => "cleared files stay".to_owned(),
    });
    out.push(match &watch.record {
        RecordPlace::Beside => "sidecars beside the files".to_owned(),
        RecordPlace::Folder(folder) => format!("sidecars in {}", shown(folder)),
    });
    if watch.other_files == OtherFiles::Stop {
        out.push("files that are no audio are stopped".to_owned());
    }
    if watch.md5 {
        out.push("MD5 as well".to_owned());
    }
    out
}

fn when_words(when: &crate::config::When) -> String {
    let words: Vec<&str> = [
        (when.stop, "stop"),
        (when.trouble, "trouble"),
        (when.advise, "advise"),
        (when.clear, "clear"),
    ]
    .iter()
    .filter_map(|&(on, word)| on.then_some(word))
    .collect();
    if words.is_empty() {
        "nothing".to_owned()
    } else {
        words.join(", ")
    }
}

fn seconds(duration: Duration) -> String {
    format!("{} s", duration.as_secs_f64())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    fn limit(rule: Rule, margin: f64, render: Option<&str>) -> Limit {
        Limit {
            if_compared: false,
            advise_below: None,
            rule,
            margin,
            severity: Severity::Stop,
            source: "house rule of the invented studio".into(),
            render: render.map(Into::into),
        }
    }

    #[test]
    fn a_profile_tells_every_number_with_its_source() {
        let invented = Profile {
            renders: None,
            name: "tallow".into(),
            title: "Tallow Street master".into(),
            about: "What the invented studio asks for.".into(),
            extends: vec!["stereo-music".into(), "any-audio".into()],
            origin: "profiles/tallow.toml".into(),
            channels: None,
            limits: BTreeMap::from([
                (
                    "loudness.integrated".into(),
                    limit(Rule::AtMost(-18.0), 0.1, Some("0+5+0")),
                ),
                (
                    "peaks.true_peak".into(),
                    limit(Rule::AtMost(-1.0), 0.0, None),
                ),
            ]),
            digest: "ab".repeat(32),
            yardsticks: BTreeMap::new(),
        };
        let unit = |check: &str| {
            if check == "peaks.true_peak" {
                "dBTP"
            } else {
                "LUFS"
            }
        };
        assert_eq!(
            profile(&invented, &unit, 80),
            "\
tallow: Tallow Street master
  What the invented studio asks for.
  profiles/tallow.toml; extends stereo-music, then any-audio; digest
  abababababababababababababababababababababababababababababababab

  stop  loudness.integrated  at most -18.0 LUFS
        on 5.1 (0+5+0); passing it by 0.1 or less only advises; house rule of
        the invented studio
  stop  peaks.true_peak      at most -1.0 dBTP
        house rule of the invented studio
"
        );
    }

    #[test]
    fn every_check_of_the_catalogue_says_what_it_is_and_what_it_cannot_see() {
        for known in judge::catalogue() {
            let text = check(known, 80);
            for line in text.lines() {
                assert!(
                    text::width(line) <= 80 || !line.trim_start().contains(' '),
                    "{line}"
                );
            }
            for fact in [known.definition, known.source, known.cannot_see] {
                let words = fact
                    .split_whitespace()
                    .next()
                    .expect("a fact says something");
                assert!(text.contains(words), "{}: {fact}", known.id);
            }
        }
    }
}
