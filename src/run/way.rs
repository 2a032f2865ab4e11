//! The way of one file: weigh, decide, plan, write the papers, carry out, tell.
//!
//! In: an arrival. Out: what to answer intake. Whatever fails, the file is complete at one
//! place, and somebody is told or it is tried again.

use std::ops::ControlFlow;
use std::path::Path;
use std::time::Duration;

use jiff::ZonedDateTime;
use tracing::{error, info, info_span, warn};

use super::asked::{Asked, mix_changed};
use super::house::{Destinations, House};
use crate::config::Watch;
use crate::custody::{self, CustodyError, Deed, Plan, Remedy};
use crate::intake::{Arrival, Identity};
use crate::judge;
use crate::ledger::{
    Basis, CustodyEvent, CustodyEventKind, DeedKind, FileId, FileKey, FileState, FileStory, Ledger,
    LedgerError, NewNotice, NoticeKind, Place, Seen, Weighing,
};
use crate::notice::{ClearAgain, FileNotice, Payload};
use crate::profile::Profile;
use crate::record::{self, Placement, Revision, Sidecar, Story, rfc3339};
use crate::release::{self, Approvals, Disposition, Policy};
use crate::specimen;
use crate::weigh::{WeighError, WeighOrder};

/// What intake is told of a file.
pub(super) enum Answer {
    /// It is dealt with.
    Done,
    /// It came to nothing: let it settle and arrive again.
    GiveBack,
    /// The same, after a while.
    Later(Duration),
    /// The house is stopping.
    Stopped,
}

/// For a folder that is away, a disk that is full: own choice, a few looks a minute.
const AGAIN: Duration = Duration::from_secs(15);

/// Takes a settled file through the house.
pub(super) fn take_up(house: &House, arrival: &Arrival) -> Answer {
    let shown = record::printable(arrival.path.as_os_str());
    let _span = info_span!("file", watch = %arrival.watch, path = %shown).entered();
    if house.is_stopping() {
        return Answer::Stopped;
    }
    let Some(watch) = house.watch(&arrival.watch) else {
        return Answer::Done;
    };
    if !house.can_deliver(watch) || !house.can_compare(watch, &arrival.path) {
        return Answer::Later(AGAIN);
    }
    let mut asked = match Asked::of(house, watch, &arrival.path) {
        Ok(asked) => asked,
        Err(says) => {
            house.alarm(
                &format!("profile {}", watch.name),
                &says,
                &watch.name,
                "mend the configuration",
            );
            return Answer::Later(AGAIN);
        }
    };
    let trouble = trouble_of(&watch.name, &arrival.path);
    match weigh_and_act(house, watch, arrival, &mut asked) {
        Ok(answer) => {
            if matches!(answer, Answer::Done) {
                house.alarm_over(&trouble, &watch.name);
            }
            answer
        }
        Err(Failed::Weigh(WeighError::Stopped)) => Answer::Stopped,
        Err(Failed::Weigh(failed @ WeighError::OtherHead)) => {
            error!(error = %failed, "the order could not be carried out; the file waits");
            Answer::Later(AGAIN)
        }
        Err(Failed::Weigh(WeighError::Changed)) => {
            info!("changed while it was read; it settles anew");
            Answer::GiveBack
        }
        Err(Failed::Weigh(WeighError::NotAFile(what))) => {
            warn!(what, "is not a regular file any more and is left alone");
            Answer::Done
        }
        Err(Failed::Weigh(WeighError::Io(source))) => {
            // Gone between settling and reading: no trouble, intake will say so.
            if source.kind() == std::io::ErrorKind::NotFound {
                return Answer::GiveBack;
            }
            house.alarm(
                &trouble,
                &format!("{}:{shown} could not be read: {source}", watch.name),
                &watch.name,
                "the file stays where it is and is tried again every 15 s; nothing goes out",
            );
            Answer::Later(AGAIN)
        }
        Err(Failed::Custody(failed)) => match failed.remedy() {
            Remedy::WeighAnew | Remedy::PlanAgain => {
                info!(why = %failed, "nothing was done; it settles anew");
                Answer::GiveBack
            }
            Remedy::Tell => {
                if matches!(failed, CustodyError::Unfinished { .. }) {
                    house.note_waiting_deed();
                }
                let says = format!("{}:{shown}: {}", watch.name, chain(&failed));
                house.alarm(&trouble, &says, &watch.name, "it is tried again every 15 s");
                Answer::Later(AGAIN)
            }
        },
        Err(Failed::Ledger(LedgerError::StillOpen(_))) => {
            house.note_waiting_deed();
            Answer::Later(AGAIN)
        }
        Err(Failed::Ledger(failed)) => {
            error!(error = %chain(&failed), "the ledger could not be written; the file waits");
            Answer::Later(AGAIN)
        }
    }
}

/// The key of the alarm that a file can not be dealt with.
pub(super) fn trouble_of(watch: &str, path: &Path) -> String {
    format!("file {watch}:{}", shown(path))
}

#[derive(Debug, thiserror::Error)]
enum Failed {
    #[error(transparent)]
    Weigh(#[from] WeighError),
    #[error(transparent)]
    Custody(#[from] CustodyError),
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

fn chain(error: &dyn std::error::Error) -> String {
    let mut says = error.to_string();
    let mut next = error.source();
    while let Some(source) = next {
        says.push_str(": ");
        says.push_str(&source.to_string());
        next = source.source();
    }
    says
}

fn weigh_and_act(
    house: &House,
    watch: &Watch,
    arrival: &Arrival,
    asked: &mut Asked,
) -> Result<Answer, Failed> {
    let key = FileKey {
        watch: &watch.name,
        path: &arrival.path,
    };
    let name = arrival.path.file_name().unwrap_or_default();
    let now = ZonedDateTime::now();
    let before = basis_before(&house.ledger, key, arrival)?;
    asked.take_mix_as_it_is(before.as_ref());
    let known = already_weighed(&house.ledger, key, arrival, asked)?;
    let file = house.ledger.settled(key, &arrival.identity)?;
    let is_known = known.is_some();
    let (sidecar, basis, identity) = match known {
        Some((sidecar, basis)) => {
            info!(
                verdict = sidecar.verdict.word(),
                "known: the same bytes under the same profile"
            );
            (sidecar, basis, arrival.identity)
        }
        None => {
            let path = arrival.full_path();
            let not_compared = asked.mix.not_compared();
            let order = WeighOrder {
                channels: asked.by.channels.map(<[_]>::to_vec),
                md5: asked.by.md5,
                incomplete: arrival.incomplete.clone(),
                head_blake3: (house.head.as_ref()).map(|head| head.facts().digest_blake3.clone()),
                against: asked.mix.against().map(Path::to_owned),
                not_compared,
                ..WeighOrder::new(&path, asked.profile)
            };
            let weighed =
                order.carry_out(house.head.as_ref(), &mut |_, _| match house.is_stopping() {
                    true => ControlFlow::Break(()),
                    false => ControlFlow::Continue(()),
                })?;
            if mix_changed(&asked.mix) {
                info!("the mix changed while it was read; the file settles anew");
                return Ok(Answer::GiveBack);
            }
            let identity = weighed.identity;
            let sidecar = record::sidecar(&weighed, name, asked.profile, Vec::new(), None, &now);
            (sidecar, asked.basis(&weighed), identity)
        }
    };
    let mut sidecar = sidecar;
    let blake3 = sidecar.file.digests.blake3.clone();
    let revision = house.ledger.revision_of(key, &blake3)?;
    if revision.replaces.is_some()
        && let Some(before) = house.ledger.last_sidecar(key)?
        && let Ok(before) = Sidecar::parse(&before.text)
    {
        sidecar.compare_views(&before);
    }
    sidecar.revision = Some(Revision {
        number: revision.number,
        replaces: revision.replaces,
    });
    house
        .ledger
        .weighed(file, weighing(&sidecar, &identity, basis, asked.profile))?;
    if !is_known {
        info!(
            verdict = sidecar.verdict.word(),
            reason = sidecar.reason,
            profile = asked.profile.name,
            blake3 = blake3.get(..16),
            "weighed"
        );
    }
    act(house, watch, arrival, file, sidecar, &identity)
}

/// The record of an earlier weighing of the same bytes, where there is no need to weigh again:
/// a daemon that died after weighing, or a share that came back with other inodes.
fn already_weighed(
    ledger: &Ledger,
    key: FileKey,
    arrival: &Arrival,
    asked: &Asked,
) -> Result<Option<(Sidecar, Basis)>, Failed> {
    let md5 = asked.by.md5;
    let fits = |text: &str| {
        let sidecar = Sidecar::parse(text).ok()?;
        let same = sidecar.profile.digest == asked.profile.digest
            && sidecar.tool.version == env!("CARGO_PKG_VERSION")
            && (!md5 || sidecar.file.digests.md5.is_some());
        same.then_some(sidecar)
    };
    // An incomplete file is judged with the reason for it, which no earlier record has.
    if arrival.incomplete.is_some() {
        return Ok(None);
    }
    match ledger.look_up(key, &arrival.identity)? {
        Seen::Same {
            file,
            state: FileState::Weighed,
        } => {
            let text = ledger.sidecar_of(file)?;
            let basis = ledger.basis_of(file)?;
            let Some(sidecar) = text.as_deref().and_then(fits) else {
                return Ok(None);
            };
            let same = asked.is_like(basis.as_ref()).map_err(WeighError::Io)?;
            Ok(same.then(|| (sidecar, basis.unwrap_or_default())))
        }
        Seen::Changed {
            last_blake3: Some(last),
        } => {
            let Some(last_record) = ledger.last_sidecar(key)? else {
                return Ok(None);
            };
            let Some(before) = fits(&last_record.text) else {
                return Ok(None);
            };
            if before.file.bytes != Some(arrival.identity.bytes)
                || before.file.digests.blake3 != last
            {
                return Ok(None);
            }
            let (identity, digests) =
                specimen::digest_file(&arrival.full_path(), md5).map_err(WeighError::Io)?;
            if identity != arrival.identity {
                return Err(WeighError::Changed.into());
            }
            let basis = last_record.basis;
            let same =
                digests.blake3 == last && asked.is_like(basis.as_ref()).map_err(WeighError::Io)?;
            Ok(same.then(|| (before, basis.unwrap_or_default())))
        }
        _ => Ok(None),
    }
}

/// On what the last weighing of this very file rests, if there was one.
fn basis_before(
    ledger: &Ledger,
    key: FileKey,
    arrival: &Arrival,
) -> Result<Option<Basis>, LedgerError> {
    match ledger.look_up(key, &arrival.identity)? {
        Seen::Same { file, .. } => ledger.basis_of(file),
        Seen::New | Seen::Changed { .. } => Ok(None),
    }
}

fn weighing(sidecar: &Sidecar, identity: &Identity, basis: Basis, profile: &Profile) -> Weighing {
    let digests = &sidecar.file.digests;
    Weighing {
        identity: *identity,
        bytes: identity.bytes,
        blake3: digests.blake3.clone(),
        sha256: digests.sha256.clone().unwrap_or_default(),
        audio_blake3: sidecar.file.audio_digest.as_ref().map(|d| d.blake3.clone()),
        profile: profile.name.clone(),
        profile_digest: profile.digest.clone(),
        tool_version: env!("CARGO_PKG_VERSION").into(),
        basis,
        verdict: sidecar.verdict.word().into(),
        reason: sidecar.reason.clone(),
        sidecar_json: sidecar.to_line(),
    }
}

fn act(
    house: &House,
    watch: &Watch,
    arrival: &Arrival,
    file: FileId,
    mut sidecar: Sidecar,
    identity: &Identity,
) -> Result<Answer, Failed> {
    let destinations = House::destinations(watch);
    let from = destinations.watch.place(&arrival.path);
    let policy = Policy {
        releases: destinations.release.is_some(),
        quarantines: destinations.quarantine.is_some(),
        signoffs: watch.signoffs,
    };
    let approvals = Approvals {
        signoffs: sidecar.signoffs.clone(),
    };
    let decided = release::decide(&sidecar.report, &approvals, &policy);
    let (deed, remark) = deed_of(&destinations, decided);
    let plan = custody::plan(&house.ledger, &from, &deed, destinations.record.as_ref())?;
    let now = ZonedDateTime::now();
    let events = events(
        arrival,
        &from,
        &plan,
        &sidecar.written,
        remark.as_deref(),
        &now,
    );
    sidecar.custody = events.clone();
    let placement = placement(&plan, &sidecar);
    let note = (!sidecar.verdict.goes_on())
        .then(|| record::note_text(&sidecar, &placement, &judge::title));
    let notice = notice(house, watch, arrival, file, &sidecar, placement, &now)?;
    let told = notice.is_some();
    let text = sidecar.to_pretty();
    let done = custody::carry_out(
        &house.ledger,
        file,
        &plan,
        custody::Papers {
            identity,
            blake3: &sidecar.file.digests.blake3,
            sidecar: &text,
            note: note.as_deref(),
            events,
            notice,
        },
    )?;
    info!(
        place = %done.place,
        verdict = sidecar.verdict.word(),
        "{}", event_of(plan.deed).word()
    );
    for remark in &done.remarks {
        warn!(place = %done.place, "{remark}");
    }
    let note = format!("note {from}");
    match &done.note_trouble {
        Some(trouble) => {
            let says = format!(
                "the note for {from} could not be written: {}",
                chain(trouble)
            );
            house.alarm(&note, &says, &watch.name, "");
        }
        None => house.alarm_over(&note, &watch.name),
    }
    if told {
        house.post.notify_one();
    }
    Ok(if done.source_left {
        Answer::GiveBack
    } else {
        Answer::Done
    })
}

/// The deed of what was decided, and why the file stays where it does.
fn deed_of(destinations: &Destinations, decided: Disposition) -> (Deed, Option<String>) {
    let stays = |why: &str| (Deed::Keep, Some(why.to_owned()));
    match (decided, &destinations.release, &destinations.quarantine) {
        (Disposition::Release, Some(root), _) => (Deed::Release { root: root.clone() }, None),
        (Disposition::Quarantine, _, Some(root)) => (Deed::Quarantine { root: root.clone() }, None),
        (Disposition::Hold(held), _, _) => (Deed::Keep, Some(held.to_string())),
        (Disposition::Mark | Disposition::Quarantine, _, _) => {
            stays("no quarantine folder is configured: it stays and is marked")
        }
        (Disposition::Keep | Disposition::Release, _, _) => (Deed::Keep, None),
    }
}

fn event_of(deed: DeedKind) -> CustodyEventKind {
    match deed {
        DeedKind::Release => CustodyEventKind::Released,
        DeedKind::Quarantine => CustodyEventKind::Quarantined,
        DeedKind::Keep => CustodyEventKind::Kept,
    }
}

fn events(
    arrival: &Arrival,
    from: &Place,
    plan: &Plan,
    weighed_at: &str,
    remark: Option<&str>,
    now: &ZonedDateTime,
) -> Vec<CustodyEvent> {
    let event = |at: String, event| CustodyEvent {
        at,
        event,
        from: None,
        to: None,
        says: None,
    };
    let taken = plan
        .renamed_because_taken
        .then_some("the name was taken there, so a number was added");
    vec![
        CustodyEvent {
            from: Some(from.to_string()),
            says: arrival.incomplete.clone(),
            ..event(rfc3339(arrival.settled_at, now), CustodyEventKind::Settled)
        },
        event(weighed_at.to_owned(), CustodyEventKind::Weighed),
        CustodyEvent {
            from: Some(from.to_string()),
            to: plan.to.as_ref().map(Place::to_string),
            says: remark.or(taken).map(str::to_owned),
            ..event(rfc3339(now.timestamp(), now), event_of(plan.deed))
        },
    ]
}

fn placement(plan: &Plan, sidecar: &Sidecar) -> Placement {
    let place = plan.to.as_ref().unwrap_or(&plan.from);
    Placement {
        now: place.to_string(),
        path: record::printable(place.absolute().as_os_str()),
        moved: plan.to.is_some(),
        ways: record::ways_on(sidecar.verdict, &sidecar.checks),
    }
}

/// Whom it concerns, if anybody: a stop always, an advice for mail and digest, a clear file
/// when its revision before was stopped, or where mails of clear files are asked for.
fn notice(
    house: &House,
    watch: &Watch,
    arrival: &Arrival,
    file: FileId,
    sidecar: &Sidecar,
    placement: Placement,
    now: &ZonedDateTime,
) -> Result<Option<NewNotice>, Failed> {
    let told = FileNotice {
        watch: watch.name.clone(),
        at: sidecar.written.clone(),
        story: Story::of(sidecar, &judge::title),
        placement,
    };
    let stopped_before = match sidecar.verdict.goes_on() {
        true => stop_before(&house.ledger, watch, &arrival.path, file)?,
        false => None,
    };
    let payload = match stopped_before {
        Some(story) => Payload::ClearAgain(ClearAgain {
            file: told,
            stopped_at: story.weighed_at.map(|at| rfc3339(at, now)),
            stopped_for: story.reason,
            stop_message_id: house.ledger.message_id_of_stop(story.file)?,
        }),
        None => Payload::of_file(told),
    };
    let kind = match &payload {
        Payload::Stop(_) => NoticeKind::Stop,
        Payload::Advise(_) => NoticeKind::Advise,
        Payload::ClearAgain(_) => NoticeKind::Clear,
        _ if house
            .config
            .mail
            .as_ref()
            .is_some_and(|mail| mail.when.clear) =>
        {
            NoticeKind::Clear
        }
        _ => return Ok(None),
    };
    let revision = sidecar
        .revision
        .as_ref()
        .map_or(1, |revision| revision.number);
    // The same finding on the same bytes in the same place is told once, whatever inodes it has.
    let key = format!(
        "{} {}:{} r{revision} {} {}",
        kind.word(),
        watch.name,
        shown(&arrival.path),
        sidecar.file.digests.blake3,
        sidecar.profile.digest,
    ) + &compared_with(sidecar);
    let payload_json = payload.to_json();
    Ok(Some(NewNotice {
        kind,
        key,
        payload_json,
        at: now.timestamp(),
    }))
}

/// What is found against a mix is news, though the same file was told of without it.
fn compared_with(sidecar: &Sidecar) -> String {
    let against = sidecar.against.as_ref();
    let compared = against.filter(|against| against.comparison.is_some());
    let digest = compared.and_then(|against| against.digest_blake3.as_deref());
    digest.map_or_else(String::new, |digest| format!(" mix {digest}"))
}

fn shown(path: &Path) -> String {
    record::printable(path.as_os_str())
}

/// The revision before this one, if it was stopped.
fn stop_before(
    ledger: &Ledger,
    watch: &Watch,
    path: &Path,
    file: FileId,
) -> Result<Option<FileStory>, LedgerError> {
    let stories = ledger.find_by_name_or_path(path)?;
    let before = stories
        .into_iter()
        .filter(|story| story.watch == watch.name && story.path == path && story.file != file)
        .filter(|story| story.verdict.is_some())
        .max_by_key(|story| story.file);
    Ok(before.filter(|story| matches!(story.verdict.as_deref(), Some("stop" | "unread"))))
}
