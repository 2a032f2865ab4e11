//! What every face tells of one file, in the order in which it is told, before it becomes
//! terminal text, mail, note or page.
//!
//! In: a [`Sidecar`]. Out: a [`Story`] of short texts, each one line, nothing escaped yet.
//! Knows nothing of colours, columns or mail.

use serde::{Deserialize, Serialize};

use super::elsewhere;
use super::heard;
use super::sidecar::*;
use crate::judge::{Finding, Outcome, Verdict};
use crate::layout;
use crate::measure::{Place, Spot};
use crate::names::one_line;
use crate::profile::Choice;

/// What is told of one file. Kept as JSON in the outbox, so keys may be added, not changed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Story {
    /// As [`super::printable`] writes it.
    pub name: String,
    pub verdict: Verdict,
    /// One sentence without full stop; empty where there is nothing to say.
    pub reason: String,
    /// Opens every face where it is there.
    pub caution: Option<String>,
    /// What asks for a person, worst first.
    pub rows: Vec<Row>,
    /// What was only noted, a sentence each; what a meter is unsure of stands in the record.
    pub notes: Vec<String>,
    /// How many checks found nothing.
    pub clear: u64,
    /// Loudness and peaks, each with the layout and renderer it was read on.
    pub figures: Vec<Fact>,
    /// Of an object-based master: what its metadata hold, and what was rendered.
    #[serde(default)]
    pub master: Vec<Fact>,
    /// What is left of the programme elsewhere: information, never a limit.
    #[serde(default)]
    pub elsewhere: Vec<Fact>,
    /// Name, digest, format, profile, tool.
    pub file: Vec<Fact>,
    /// BLAKE3 of the bytes; `None` where they could not be read.
    pub blake3: Option<String>,
}

/// One check that is not clear.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// `group.name`
    pub check: String,
    /// The check in words, with what it was read on.
    pub title: String,
    pub outcome: Outcome,
    pub says: String,
    /// Empty where there is no value: what was found is said in words.
    pub found: String,
    pub asked: Option<String>,
    /// `1.6 LU over`; where found and asked are numbers that can be compared.
    pub by: Option<String>,
    /// The first places: `0:42.113, sample 2021424, M+030, -0.31 dBTP`.
    pub places: Vec<String>,
    /// How many more there are.
    pub more_places: u64,
    /// Whose limit.
    pub source: String,
    /// That it was not measured follows from something that is told already.
    #[serde(default)]
    pub follows: bool,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Fact {
    pub what: String,
    pub is: String,
}

impl Fact {
    pub fn new(what: impl Into<String>, is: impl AsRef<str>) -> Self {
        Self {
            what: what.into(),
            is: one_line(is.as_ref()),
        }
    }
}

/// Places that are told; all of them are in the sidecar. Own choice: what a phone shows.
const PLACES_TOLD: usize = 5;

/// Checks whose value is among the figures: where nothing was asked, there is nothing to note.
const FIGURES: [&str; 16] = [
    "loudness.integrated",
    "loudness.momentary_max",
    "loudness.short_term_max",
    "loudness.range",
    "peaks.true_peak",
    "peaks.sample_peak",
    "peaks.peak_to_loudness",
    "immersive.track_count",
    "immersive.object_count",
    "immersive.bed_layout",
    "immersive.bed_against_objects",
    "immersive.fold_headroom",
    "translation.mono_loss",
    "translation.mono_window",
    "translation.mono_band",
    "translation.low_end",
];

impl Story {
    /// `title` gives the catalogue's name of a check; without one the id is put in words.
    pub fn of(sidecar: &Sidecar, title: &dyn Fn(&str) -> Option<String>) -> Self {
        let told = |f: &&Finding| asks_for_a_person(f);
        let with = |outcome| sidecar.checks.iter().filter(move |f| f.outcome == outcome);
        let blake3 = &sidecar.file.digests.blake3;
        Self {
            name: sidecar.file.name.clone(),
            verdict: sidecar.verdict,
            reason: one_line(&sidecar.reason),
            caution: sidecar.caution.as_deref().map(one_line),
            rows: (sidecar.checks.iter().filter(told))
                .map(|finding| Row {
                    follows: follows(sidecar, finding),
                    ..row(finding, title)
                })
                .collect(),
            notes: with(Outcome::Note)
                .filter(|f| f.limit.is_some() || !is_figure(&f.check))
                .filter(|f| !is_doubtful(f))
                .map(|f| one_line(&f.says))
                .collect(),
            clear: with(Outcome::Clear).count() as u64,
            figures: sidecar.measured.as_ref().map_or(Vec::new(), figures),
            master: sidecar.measured.as_ref().map_or(Vec::new(), |measured| {
                let tracks = sidecar.format.as_ref().map(|format| format.channels);
                heard::master(measured, tracks)
            }),
            elsewhere: (sidecar.measured.as_ref()).map_or(Vec::new(), |measured| {
                elsewhere::facts(measured, &sidecar.yardsticks)
            }),
            file: file(sidecar),
            blake3: Some(blake3.clone()).filter(|text| !text.is_empty()),
        }
    }

    /// Verdict and reason in one sentence.
    pub fn sentence(&self) -> String {
        match self.reason.as_str() {
            "" => word(self.verdict).into(),
            reason => format!("{}: {reason}", word(self.verdict)),
        }
    }

    /// The rows to tell, and a sentence about those that need none: where a file could not be
    /// read, or a master not be rendered, to say so once is enough.
    pub fn rows_told(&self) -> (Vec<&Row>, Option<String>) {
        let (left_out, told): (Vec<&Row>, Vec<&Row>) =
            (self.rows.iter()).partition(|row| row.follows);
        let why = match self.verdict {
            Verdict::Unread => "there is nothing to measure",
            _ => "the master could not be rendered",
        };
        let sentence = match left_out.len() {
            0 => None,
            1 => Some(format!("1 check was not made: {why}")),
            n => Some(format!("{n} checks were not made: {why}")),
        };
        (told, sentence)
    }

    /// What stands at the end of every face, each list under its name.
    pub fn lists(&self) -> impl Iterator<Item = (&'static str, &[Fact])> {
        [
            ("Figures", self.figures.as_slice()),
            ("The master", &self.master),
            ("Elsewhere, for information", &self.elsewhere),
            ("The file", &self.file),
        ]
        .into_iter()
        .filter(|(_, facts)| !facts.is_empty())
    }

    /// `41 other checks clear`; `None` where there is nothing to count.
    pub fn clear_line(&self) -> Option<String> {
        let other = if self.rows.is_empty() { "" } else { "other " };
        let line = match self.clear {
            0 => return None,
            1 => format!("1 {other}check clear"),
            n => format!("{n} {other}checks clear"),
        };
        // The reason of a clear file says just that.
        (line != self.reason).then_some(line)
    }
}

/// Whether a check's value stands among the figures of every face.
pub fn is_figure(check: &str) -> bool {
    FIGURES.contains(&check)
}

/// Whether a finding is one of a [`Story`]'s rows. What is clear is not, nor what was only noted,
/// nor what could not be measured where nothing was asked of it.
pub fn asks_for_a_person(finding: &Finding) -> bool {
    match finding.outcome {
        Outcome::Clear | Outcome::Note => false,
        Outcome::Unmeasured => finding.limit.is_some(),
        Outcome::Advise | Outcome::Stop => true,
    }
}

/// Whether a finding says no more than that a file could not be read, or not be rendered: the
/// verdict says the first, the figures the second.
pub fn follows(sidecar: &Sidecar, finding: &Finding) -> bool {
    let scene = sidecar.measured.as_ref().and_then(|m| m.scene.as_ref());
    let not_rendered = scene.is_some_and(|scene| scene.not_rendered.is_some());
    let subject = finding.subject.as_str();
    let of_a_render = finding.check.starts_with("immersive.")
        || subject == "binaural"
        || layout::by_name(subject).is_some();
    finding.outcome == Outcome::Unmeasured
        && (sidecar.verdict == Verdict::Unread || not_rendered && of_a_render)
}

/// Whether all that was found is too doubtful to be told to somebody who did not ask.
fn is_doubtful(finding: &Finding) -> bool {
    let doubtful =
        |place: &Place| !place.inherited && place.confidence.is_some_and(|sure| sure < Spot::SURE);
    finding.outcome == Outcome::Note
        && !finding.places.is_empty()
        && finding.places.iter().all(doubtful)
}

/// How a sentence about a file begins.
pub fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Stop => "stopped",
        other => other.word(),
    }
}

fn row(finding: &Finding, title: &dyn Fn(&str) -> Option<String>) -> Row {
    let name = title(&finding.check).unwrap_or_else(|| in_words(&finding.check));
    let subject = one_line(&finding.subject);
    let compared = compare(finding);
    let digits = compared.as_ref().map_or(1, |c| c.digits);
    let total = finding.places_total.max(finding.places.len() as u64);
    let places: Vec<String> = (finding.places.iter().take(PLACES_TOLD))
        .map(|place| self::place(place, &finding.unit))
        .collect();
    Row {
        check: one_line(&finding.check),
        title: match subject.as_str() {
            "" | "file" => name,
            on => format!("{name}, {on}"),
        },
        outcome: finding.outcome,
        says: one_line(&finding.says),
        found: match &finding.value {
            None if finding.outcome == Outcome::Unmeasured => "not measured".into(),
            None => String::new(),
            Some(Choice::Text(text)) => one_line(text),
            Some(Choice::Number(n)) => quantity(*n, &finding.unit, digits),
        },
        asked: finding.limit.as_deref().map(one_line),
        by: compared.map(|c| c.says),
        more_places: total - places.len() as u64,
        places,
        source: one_line(&finding.source),
        follows: false,
    }
}

/// `peaks.true_peak` as `peaks: true peak`.
fn in_words(check: &str) -> String {
    one_line(check)
        .replace(['_', '-'], " ")
        .replacen('.', ": ", 1)
}

struct Compared {
    says: String,
    /// Decimals that tell found from asked.
    digits: usize,
}

/// The ends of what was asked, from the words of the limit: `at most 1 LU`, `at least 1 LU`,
/// `1 to 2 LU`, `1 ±0.5 LU`.
fn ends(limit: &str) -> Option<(f64, f64)> {
    let mut words = limit.split_whitespace();
    let mut word = || words.next();
    let number = |text: Option<&str>| text?.parse::<f64>().ok();
    match word()? {
        "at" => match (word()?, number(word())?) {
            ("most", most) => Some((f64::NEG_INFINITY, most)),
            ("least", least) => Some((least, f64::INFINITY)),
            _ => None,
        },
        first => {
            let first: f64 = first.parse().ok()?;
            match word()? {
                "to" => Some((first, number(word())?)),
                around => {
                    let tolerance: f64 = around.strip_prefix('±')?.parse().ok()?;
                    Some((first - tolerance, first + tolerance))
                }
            }
        }
    }
}

/// By how much a number misses what was asked.
fn compare(finding: &Finding) -> Option<Compared> {
    let Some(Choice::Number(found)) = finding.value else {
        return None;
    };
    let (low, high) = ends(finding.limit.as_deref()?)?;
    // The limit's words are in per cent of full scale.
    let found = match finding.unit.as_str() {
        "FS" => found * 100.0,
        _ => found,
    };
    let (by, way) = match found > high {
        true => (found - high, "over"),
        false => (low - found, "under"),
    };
    if !by.is_finite() || by <= 0.0 {
        return None;
    }
    let digits = match by {
        by if by < 0.01 => 3,
        by if by < 0.1 => 2,
        _ => 1,
    };
    // A difference of two loudnesses is in LU, of two levels in dB.
    let unit = match finding.unit.as_str() {
        "LUFS" | "LKFS" => "LU",
        "dBTP" | "dBFS" => "dB",
        "FS" => "%",
        other => other,
    };
    let says = format!("{} {way}", quantity(by, unit, digits));
    Some(Compared { says, digits })
}

/// A number with its unit, with the decimals that the trade writes.
pub fn quantity(number: f64, unit: &str, digits: usize) -> String {
    let whole = number.fract() == 0.0 && number.abs() < 1e15;
    // Linear full scale in a sidecar, per cent for people.
    if unit == "FS" {
        return format!("{:.2} % of full scale", number * 100.0);
    }
    let text = match unit {
        "%" => format!("{number:.2}"),
        "LUFS" | "LKFS" | "LU" | "dB" | "dBTP" | "dBFS" => format!("{number:.digits$}"),
        _ if whole => format!("{number:.0}"),
        _ => {
            let text = format!("{number:.6}");
            text.trim_end_matches('0').trim_end_matches('.').to_owned()
        }
    };
    // Rounded to nothing, a small negative number would read -0.0.
    let text = match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| matches!(c, '0' | '.')) => rest.to_owned(),
        _ => text,
    };
    match unit {
        "" => text,
        unit => format!("{text} {}", one_line(unit)),
    }
}

fn place(place: &Place, unit: &str) -> String {
    let mut text = place.start_s.to_string();
    // Shorter than this, start and end read the same to an ear.
    if place.end_s.0 - place.start_s.0 >= 0.01 {
        text += &format!(" to {}", place.end_s);
    }
    text += &format!(", sample {}", place.start_frame.0);
    if let Some(channel) = &place.channel {
        text += &format!(", {}", one_line(channel));
    }
    if let Some(value) = place.value {
        // Of runs a place tells how long it is.
        let unit = if unit == "runs" { "samples" } else { unit };
        text += &format!(", {}", quantity(value, unit, 2));
    }
    text
}

fn figures(measured: &Measured) -> Vec<Fact> {
    if measured.scene.is_some() {
        return heard::figures(measured);
    }
    let mut all = Vec::new();
    let on = match &measured.measured_on {
        Some(own) => format!("{}, the file's own channels", own.layout),
        None => "the file's own channels".into(),
    };
    push_figures(&mut all, &on, measured.loudness.as_ref(), &measured.peaks);
    all
}

/// What it was read on, then the figures: no loudness stands without its layout.
fn push_figures(
    all: &mut Vec<Fact>,
    on: &str,
    loudness: Option<&crate::measure::Loudness>,
    peaks: &crate::measure::Peaks,
) {
    all.push(Fact::new("read on", on));
    let mut push = |what: &str, number: Option<f64>, unit: &str, doubt: &str| {
        if let Some(number) = number {
            all.push(Fact::new(what, quantity(number, unit, 1) + doubt));
        }
    };
    if let Some(heard) = loudness {
        let integrated = heard.integrated_lufs.map(|v| v.value());
        let momentary = heard.momentary_max_lufs.map(|v| v.value());
        let short_term = heard.short_term_max_lufs.map(|v| v.value());
        let unstable = match heard.range_stable {
            true => "",
            false => ", unstable under 60 s",
        };
        push("integrated", integrated, "LUFS", "");
        push("momentary max", momentary, "LUFS", "");
        push("short-term max", short_term, "LUFS", "");
        push("range", heard.range_lu.map(|v| v.value()), "LU", unstable);
    }
    let true_peak = peaks.true_peak_dbtp.map(|v| v.value());
    let sample_peak = peaks.sample_peak_dbfs.map(|v| v.value());
    let above = peaks.peak_to_loudness_lu.map(|v| v.value());
    push("true peak", true_peak, "dBTP", "");
    push("sample peak", sample_peak, "dBFS", "");
    push("peak to loudness", above, "LU", "");
}

fn file(sidecar: &Sidecar) -> Vec<Fact> {
    let mut all = vec![Fact::new("name", &sidecar.file.name)];
    let mut push = |what: &str, is: &str| all.push(Fact::new(what, is));
    let digests = &sidecar.file.digests;
    if !digests.blake3.is_empty() {
        push("BLAKE3", &digests.blake3);
    }
    if let Some(sha256) = &digests.sha256 {
        push("SHA-256", sha256);
    }
    if let Some(bytes) = sidecar.file.bytes {
        push("bytes", &bytes.to_string());
    }
    if let Some(modified) = &sidecar.file.modified {
        push("modified", &to_the_second(modified));
    }
    match &sidecar.format {
        None => push("format", "not read as audio"),
        Some(format) => {
            let bits = format
                .bit_depth
                .map_or(String::new(), |b| format!(" {b} bit,"));
            push(
                "format",
                &format!(
                    "{} {},{bits} {} Hz, {} channels, {}",
                    spelled(&format.container),
                    spelled(&format.encoding),
                    format.sample_rate_hz,
                    format.channels,
                    crate::units::Seconds(format.duration_s),
                ),
            );
            // Where the tracks of an object-based file play, its metadata say.
            let scene = sidecar.measured.as_ref().and_then(|m| m.scene.as_ref());
            let labels = format.channel_labels.as_ref().map(|all| all.join(" "));
            match (&format.layout, labels) {
                (Some(layout), Some(labels)) => push("layout", &format!("{layout} ({labels})")),
                (None, Some(labels)) => push("layout", &labels),
                _ if scene.is_some() => {}
                _ => push("layout", "nobody says where the channels play"),
            }
        }
    }
    push("profile", &sidecar.profile.name);
    if let Some(revision) = &sidecar.revision {
        push("revision", &revision.number.to_string());
    }
    let tool = &sidecar.tool;
    push("weighed by", &format!("{} {}", tool.name, tool.version));
    push("written", &sidecar.written);
    all
}

/// An RFC 3339 time without the fractions that a file system adds.
fn to_the_second(at: &str) -> String {
    match at.split_once('.') {
        Some((start, rest)) => {
            let zone = rest.trim_start_matches(|c: char| c.is_ascii_digit());
            format!("{start}{zone}")
        }
        None => at.to_owned(),
    }
}

/// The sidecar's spelling of container and encoding, so that faces and file agree.
fn spelled(value: &impl Serialize) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(text)) => text,
        _ => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::super::invented;
    use super::*;

    fn of(change: impl Fn(&mut Finding)) -> Story {
        let mut sidecar = invented::stopped("x.wav");
        sidecar.checks.truncate(1);
        change(&mut sidecar.checks[0]);
        Story::of(&sidecar, &|_| None)
    }

    #[test]
    fn an_offset_is_told_in_per_cent_like_its_limit() {
        let story = of(|found| {
            found.check = "levels.dc_offset".into();
            found.unit = "FS".into();
            found.value = Some(Choice::Number(0.0098));
            found.limit = Some("at most 0.10 % of full scale".into());
            found.places = vec![invented::place(0, Some("M+030"), Some(0.0098))];
        });
        let row = &story.rows[0];
        assert_eq!(row.found, "0.98 % of full scale");
        assert_eq!(row.by.as_deref(), Some("0.88 % over"));
        assert!(
            row.places[0].ends_with("M+030, 0.98 % of full scale"),
            "{row:?}"
        );
    }

    #[test]
    fn the_place_of_a_run_tells_its_length_in_samples() {
        let story = of(|found| {
            found.check = "peaks.full_scale_runs".into();
            found.unit = "runs".into();
            found.value = Some(Choice::Number(12.0));
            found.places = vec![invented::place(0, Some("M+030"), Some(4.0))];
        });
        assert!(
            story.rows[0].places[0].ends_with("M+030, 4 samples"),
            "{story:?}"
        );
    }

    #[test]
    fn what_nobody_asked_for_and_could_not_be_measured_asks_for_nobody() {
        let unmeasured = |limit: Option<&str>| {
            of(|found| {
                found.outcome = Outcome::Unmeasured;
                found.value = None;
                found.limit = limit.map(String::from);
            })
        };
        assert_eq!(unmeasured(None).rows, []);
        assert_eq!(unmeasured(Some("at most 20.0 LU")).rows.len(), 1);
    }

    // Cry wolf never: the record keeps it, a mail does not tell it.
    #[test]
    fn what_a_meter_is_unsure_of_is_no_note_of_a_mail() {
        let notes = |confidence: f64, inherited: bool| {
            of(|found| {
                found.outcome = Outcome::Note;
                let mut place = invented::place(0, None, Some(0.5));
                (place.confidence, place.inherited) = (Some(confidence), inherited);
                found.places = vec![place];
            })
            .notes
            .len()
        };
        assert_eq!(
            (notes(0.3, false), notes(0.9, false), notes(0.3, true)),
            (0, 1, 1)
        );
    }
}
