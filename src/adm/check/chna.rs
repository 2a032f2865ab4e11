//! The chna chunk held against itself, the audio and axml.
//!
//! Source: ITU-R BS.2088-1 (chna chunk); ITU-R BS.2076-3, clauses 5.9 and 7.

use std::collections::{BTreeSet, HashMap};

use super::AudioFacts;
use super::reach::Reach;
use crate::adm::Model;
use crate::adm::chna::{Chna, ChnaRow};
use crate::adm::finding::{Class, Findings, Severity};
use crate::adm::model::AudioTrackUid;
use crate::adm::parse::is_silent_track;
use crate::adm::resolve::{Index, is_channel_id};

pub(super) fn check(
    model: &Model,
    chna: Option<&Chna>,
    facts: &AudioFacts,
    reach: &Reach,
    findings: &mut Findings,
) {
    let Some(chna) = chna else {
        findings.of(
            Class::ChnaMissing,
            Severity::Fail,
            "chna",
            "the file has no chna chunk; without it no track is tied to the metadata".to_owned(),
        );
        return;
    };
    if chna.rows.is_empty() {
        findings.of(
            Class::ChnaMissing,
            Severity::Fail,
            "chna",
            "the chna chunk has no row; without one no track is tied to the metadata".to_owned(),
        );
        return;
    }
    counts(model, chna, facts, reach, findings);
    rows(chna, facts, findings);
    missing(model, reach, findings);
    disagree(model, chna, reach, findings);
    unreferenced(model, chna, facts, reach, findings);
}

/// Counts that contradict the rows. What fails is what two readers may play differently; a count
/// that changes nothing that plays is a note or a warning.
fn counts(model: &Model, chna: &Chna, facts: &AudioFacts, reach: &Reach, findings: &mut Findings) {
    let known = Index::of(model.track_uids.iter().map(|uid| uid.id.as_str()));
    // What the model does not tell of is taken to play.
    let plays = |row: &&ChnaRow| {
        let place = known.get(&row.uid).map(|place| place as usize);
        place.is_none_or(|place| reach.uids[place])
    };
    let uids = chna.declared_uids;
    let (count, places) = (chna.rows.len(), chna.places);
    let beyond = chna.rows_beyond();
    let lost: Vec<&ChnaRow> = beyond.iter().filter(plays).collect();
    let found = match lost.first() {
        Some(first) => Some((
            Severity::Fail,
            format!(
                "chna says {uids} track UIDs and has {count} rows: a reader that follows the count does not play {}, one that takes every row does",
                tracks_in_words(first, lost.len())
            ),
        )),
        None if !beyond.is_empty() => Some((
            Severity::Note,
            format!(
                "chna says {uids} track UIDs and has {count} rows; no object uses the rows behind the count"
            ),
        )),
        None if usize::from(uids) > places => Some((
            Severity::Warn,
            format!(
                "chna says {uids} track UIDs and has {count} rows; every row is read, and a strict reader may refuse the file"
            ),
        )),
        None if usize::from(uids) != count => Some((
            Severity::Note,
            format!(
                "chna says {uids} track UIDs and has {count} rows; the count includes empty rows"
            ),
        )),
        None => None,
    };
    if let Some((severity, says)) = found {
        findings.add(Class::ChnaCounts, severity, "numUIDs", None, || {
            ("chna".to_owned(), says)
        });
    }
    let of = |rows: &mut dyn Iterator<Item = &ChnaRow>| -> BTreeSet<u16> {
        rows.map(|row| row.track_index).collect()
    };
    let named = of(&mut chna.rows.iter()).len();
    let playing = of(&mut chna.rows.iter().filter(plays)).len();
    let says = usize::from(chna.declared_tracks);
    if says == named {
        return;
    }
    // The count of the file's channels is a common reading of numTracks and harms nobody.
    let (severity, readings) = if chna.declared_tracks == facts.tracks {
        (Severity::Note, "")
    } else if says < playing {
        (
            Severity::Fail,
            ": a reader that follows the count does not play all of them, one that follows the rows does",
        )
    } else {
        (
            Severity::Warn,
            "; every track that plays is within the count",
        )
    };
    findings.add(Class::ChnaCounts, severity, "numTracks", None, || {
        (
            "chna".to_owned(),
            format!("chna says {says} tracks and its rows name {named} different ones{readings}"),
        )
    });
}

/// `track 4 (ATU_00000004)`, `track 4 (ATU_00000004) and 2 more`.
fn tracks_in_words(first: &ChnaRow, count: usize) -> String {
    let more = match count {
        1 => String::new(),
        many => format!(" and {} more", many - 1),
    };
    format!("track {} ({}){more}", first.track_index, first.uid)
}

fn rows(chna: &Chna, facts: &AudioFacts, findings: &mut Findings) {
    let mut places: HashMap<String, Vec<u16>> = HashMap::new();
    for row in &chna.rows {
        if row.track_index == 0 || row.track_index > facts.tracks {
            findings.of(
                Class::ChnaTrackIndex,
                Severity::Fail,
                &row.uid,
                format!(
                    "chna ties {} to track {} of a file with {} tracks; tracks are counted from 1",
                    row.uid, row.track_index, facts.tracks
                ),
            );
        }
        if row.uid.is_empty() || is_silent_track(&row.uid) {
            findings.of(
                Class::AdmIdType,
                Severity::Fail,
                "chna",
                format!(
                    "the row of track {} has {}; ATU_ and eight hexadecimal digits other than zeros are wanted",
                    row.track_index,
                    if row.uid.is_empty() { "no UID" } else { &row.uid }
                ),
            );
        } else {
            places
                .entry(row.uid.to_ascii_lowercase())
                .or_default()
                .push(row.track_index);
        }
    }
    for row in &chna.rows {
        let Some(tracks) = places.remove(&row.uid.to_ascii_lowercase()) else {
            continue;
        };
        if tracks.len() > 1 {
            let shown: Vec<String> = tracks.iter().take(8).map(u16::to_string).collect();
            findings.of(
                Class::ChnaDuplicateUid,
                Severity::Fail,
                &row.uid,
                format!(
                    "{} stands in {} rows of chna (tracks {}); a UID identifies one track",
                    row.uid,
                    tracks.len(),
                    shown.join(" and ")
                ),
            );
        }
    }
}

/// UIDs of axml that no row ties to a track.
fn missing(model: &Model, reach: &Reach, findings: &mut Findings) {
    for (uid, &used) in model.track_uids.iter().zip(&reach.uids) {
        if uid.track_index.is_none() {
            let severity = if used { Severity::Fail } else { Severity::Warn };
            findings.of(
                Class::ChnaMissingUid,
                severity,
                &uid.id,
                format!(
                    "{} is in axml and has no row in chna{}",
                    uid.id,
                    if used {
                        ", so its track cannot be found"
                    } else {
                        "; no object uses it"
                    }
                ),
            );
        }
    }
}

fn disagree(model: &Model, chna: &Chna, reach: &Reach, findings: &mut Findings) {
    let known = Index::of(model.track_uids.iter().map(|uid| uid.id.as_str()));
    let channels = Index::of(model.channels.iter().map(|channel| channel.id.as_str()));
    let tracks = Index::of(model.track_formats.iter().map(|track| track.id.as_str()));
    // A file whose UIDs are all in chna alone leaves them there on purpose.
    let some_in_axml = model.track_uids.iter().any(|uid| !uid.from_chna);
    for row in &chna.rows {
        let Some(place) = known.get(&row.uid).map(|place| place as usize) else {
            continue;
        };
        let uid = &model.track_uids[place];
        if uid.from_chna {
            if some_in_axml && reach.uids[place] {
                findings.of(
                    Class::ChnaAxmlDisagree,
                    Severity::Warn,
                    &uid.id,
                    format!(
                        "{} has a row in chna and no audioTrackUID in axml; the row is taken",
                        uid.id
                    ),
                );
            }
            continue;
        }
        let in_axml = uid.channel.as_ref().map(|channel| &channel.id);
        let in_axml = in_axml.or(uid.track_format.as_ref().map(|track| &track.id));
        if let Some(in_axml) = in_axml
            && !row.track_ref.is_empty()
            && !row.track_ref.eq_ignore_ascii_case(in_axml)
            && !same_channel(model, uid, row, &channels, &tracks)
        {
            findings.add(
                Class::ChnaAxmlDisagree,
                Severity::Fail,
                &uid.id,
                None,
                || {
                    (
                        uid.id.clone(),
                        format!(
                            "chna says {} carries {}, axml says {in_axml}",
                            uid.id, row.track_ref
                        ),
                    )
                },
            );
        }
        if let Some(pack) = &uid.pack
            && !row.pack_ref.is_empty()
            && !row.pack_ref.eq_ignore_ascii_case(&pack.id)
        {
            findings.add(
                Class::ChnaAxmlDisagree,
                Severity::Fail,
                &uid.id,
                None,
                || {
                    (
                        uid.id.clone(),
                        format!(
                            "chna says {} belongs to {}, axml says {}",
                            uid.id, row.pack_ref, pack.id
                        ),
                    )
                },
            );
        }
    }
}

/// A track format here and its channel format there are two names of one thing.
fn same_channel(
    model: &Model,
    uid: &AudioTrackUid,
    row: &ChnaRow,
    channels: &Index,
    tracks: &Index,
) -> bool {
    let theirs = if is_channel_id(&row.track_ref) {
        channels.get(&row.track_ref).map(|place| place as usize)
    } else {
        tracks.get(&row.track_ref).and_then(|place| {
            let stream = model.track_formats[place as usize]
                .stream
                .as_ref()?
                .index()?;
            model.streams[stream].channel.as_ref()?.index()
        })
    };
    // Two different track formats are two things, even of one channel.
    let kinds_differ = is_channel_id(&row.track_ref) != uid.channel.is_some();
    kinds_differ && theirs.is_some() && theirs == model.channel_of(uid)
}

/// Tracks that play nowhere.
fn unreferenced(
    model: &Model,
    chna: &Chna,
    facts: &AudioFacts,
    reach: &Reach,
    findings: &mut Findings,
) {
    for (uid, _) in model
        .track_uids
        .iter()
        .zip(&reach.uids)
        .filter(|(_, used)| !**used)
    {
        if let Some(track) = uid.track_index {
            findings.of(
                Class::AdmTrackUnreferenced,
                Severity::Warn,
                &uid.id,
                format!(
                    "{} on track {track} is in no object of a programme, so it is not heard",
                    uid.id
                ),
            );
        }
    }
    let named: BTreeSet<u16> = chna.rows.iter().map(|row| row.track_index).collect();
    // A row with a wrong index is told; the track that it meant is no fault of its own.
    if named
        .iter()
        .any(|&track| track == 0 || track > facts.tracks)
    {
        return;
    }
    for track in (1..=facts.tracks).filter(|track| !named.contains(track)) {
        findings.add(
            Class::AdmTrackUnreferenced,
            Severity::Warn,
            "\0tracks",
            None,
            || {
                (
                    format!("track {track}"),
                    format!("track {track} of the file has no row in chna, so it is not heard"),
                )
            },
        );
    }
}
