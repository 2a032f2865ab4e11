//! What happens to a file: release, hold, keep, or quarantine.
//!
//! In: the report of the weighing, people's approvals, the policy of the watch. Out: a
//! [`Disposition`] with its reason. Pure: no clock, no disk, no ledger; the same three give the
//! same answer on any host.

use serde::{Deserialize, Serialize};

use crate::judge::Verdict;
use crate::measured::NotMeasured;
use crate::profile::Severity;
use crate::record::{Report, Signoff};

/// What the watch asks for.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Policy {
    /// Whether there is a folder from which files go out: the gate.
    pub releases: bool,
    /// Whether there is a folder for stopped files.
    pub quarantines: bool,
    /// Different people who must have signed these bytes before they go out.
    pub signoffs: u32,
}

/// What people said of the file's bytes.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Approvals {
    /// Of this digest only; who signed twice counts once.
    pub signoffs: Vec<Signoff>,
}

/// What is to be done with the file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "action", content = "why")]
pub enum Disposition {
    /// It goes out.
    Release,
    /// It may go on and stays where it is: there is no gate here.
    Keep,
    /// It stays where it is until a person has supplied what is missing.
    Hold(Held),
    /// It is put aside.
    Quarantine,
    /// It is stopped and stays where it is, marked by its note: there is no folder to put it in.
    Mark,
}

/// What a held file waits for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "waits_for")]
pub enum Held {
    /// Labels for channels that nothing names.
    Labels {
        channels: usize,
    },
    /// A mix that could not be had.
    Mix {
        why: String,
    },
    Signoffs {
        asked: u32,
        given: u32,
    },
}

impl std::fmt::Display for Held {
    fn fmt(&self, to: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Labels { channels } => write!(
                to,
                "needs a decision: nothing says where the {channels} channels play; set `channels` in the route or the profile"
            ),
            Self::Mix { why } => write!(to, "waits for its mix: {why}"),
            Self::Signoffs { asked, given } => write!(
                to,
                "waits for sign-offs ({given} of {asked}), which this version can not take yet"
            ),
        }
    }
}

/// What happens to a file.
pub fn decide(report: &Report, approvals: &Approvals, policy: &Policy) -> Disposition {
    if !report.verdict.goes_on() {
        return match (stopped_for_want_of(report), policy.quarantines) {
            (Some(held), _) => Disposition::Hold(held),
            (None, true) => Disposition::Quarantine,
            (None, false) => Disposition::Mark,
        };
    }
    if !policy.releases {
        return Disposition::Keep;
    }
    if let Some(held) = limited_and_not_measured(report) {
        return Disposition::Hold(held);
    }
    let given = distinct_people(&approvals.signoffs);
    match given < policy.signoffs {
        true => Disposition::Hold(Held::Signoffs {
            asked: policy.signoffs,
            given,
        }),
        false => Disposition::Release,
    }
}

fn distinct_people(signoffs: &[Signoff]) -> u32 {
    let mut people: Vec<&str> = signoffs.iter().map(|signed| signed.by.as_str()).collect();
    people.sort_unstable();
    people.dedup();
    u32::try_from(people.len()).unwrap_or(u32::MAX)
}

/// Of a stopped file: what a person can supply, where nothing else stops it.
fn stopped_for_want_of(report: &Report) -> Option<Held> {
    if report.verdict == Verdict::Unread {
        return None;
    }
    let mut stops = (report.checks.iter()).filter(|found| found.weight == Some(Severity::Stop));
    let only_missing = stops.all(|found| {
        let why = found.not_measured.as_ref();
        why.is_some_and(NotMeasured::asks_a_person)
    });
    match only_missing {
        true => limited_and_not_measured(report),
        false => None,
    }
}

/// A limit on something that cannot be measured without a person's help.
fn limited_and_not_measured(report: &Report) -> Option<Held> {
    (report.checks.iter())
        .filter(|found| found.weight.is_some())
        .find_map(|found| match &found.not_measured {
            Some(NotMeasured::NoLabels { channels }) => Some(Held::Labels {
                channels: *channels,
            }),
            Some(NotMeasured::NotCompared { why }) => Some(Held::Mix { why: why.clone() }),
            Some(_) | None => None,
        })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::invented;

    const GATE: Policy = Policy {
        releases: true,
        quarantines: true,
        signoffs: 0,
    };
    const EXPORTS: Policy = Policy {
        releases: false,
        ..GATE
    };

    /// A report with these findings alone: what was not measured, and what it weighs.
    fn report(verdict: Verdict, missing: &[(NotMeasured, Severity)]) -> Report {
        let mut report = invented::stopped("x.wav").report;
        report.verdict = verdict;
        let one = report.checks[0].clone();
        report.checks = (missing.iter())
            .map(|(why, weight)| {
                let mut found = one.clone();
                found.not_measured = Some(why.clone());
                found.weight = Some(*weight);
                found
            })
            .collect();
        report
    }

    fn decided(report: &Report, policy: &Policy) -> Disposition {
        decide(report, &Approvals::default(), policy)
    }

    #[test]
    fn what_may_go_on_goes_out_at_the_gate_and_stays_where_there_is_none() {
        for verdict in [Verdict::Clear, Verdict::Advise] {
            let report = report(verdict, &[]);
            assert_eq!(decided(&report, &GATE), Disposition::Release);
            assert_eq!(decided(&report, &EXPORTS), Disposition::Keep);
        }
    }

    #[test]
    fn what_is_stopped_or_unread_is_put_aside_or_marked() {
        for verdict in [Verdict::Stop, Verdict::Unread] {
            let report = report(verdict, &[]);
            assert_eq!(decided(&report, &GATE), Disposition::Quarantine);
            let no_folder = Policy {
                quarantines: false,
                ..GATE
            };
            assert_eq!(decided(&report, &no_folder), Disposition::Mark);
        }
    }

    #[test]
    fn a_file_that_asks_for_labels_is_held_and_not_put_aside() {
        let labels = NotMeasured::NoLabels { channels: 6 };
        let held = Disposition::Hold(Held::Labels { channels: 6 });
        let advised = report(Verdict::Advise, &[(labels.clone(), Severity::Advise)]);
        assert_eq!(decided(&advised, &GATE), held);
        assert_eq!(decided(&advised, &EXPORTS), Disposition::Keep);
        let stopped = report(Verdict::Stop, &[(labels.clone(), Severity::Stop)]);
        assert_eq!(decided(&stopped, &GATE), held);
        assert_eq!(decided(&stopped, &EXPORTS), held);
        // A true fault beside it puts the file aside.
        let mut faulty = stopped;
        let mut fault = faulty.checks[0].clone();
        fault.not_measured = None;
        fault.weight = Some(Severity::Stop);
        faulty.checks.push(fault);
        assert_eq!(decided(&faulty, &GATE), Disposition::Quarantine);
    }

    #[test]
    fn a_mix_that_is_away_holds_what_must_be_compared() {
        let why = "it is not in /mixes".to_owned();
        let away = NotMeasured::NotCompared { why: why.clone() };
        let stopped = report(Verdict::Stop, &[(away, Severity::Stop)]);
        let held = Disposition::Hold(Held::Mix { why });
        assert_eq!(decided(&stopped, &GATE), held);
    }

    #[test]
    fn a_signature_counts_once_a_person() {
        let report = report(Verdict::Clear, &[]);
        let two = Policy {
            signoffs: 2,
            ..GATE
        };
        let signed = |people: &[&str]| Approvals {
            signoffs: (people.iter())
                .map(|by| Signoff {
                    at: "2026-05-04T17:20:11+01:00".into(),
                    by: (*by).into(),
                })
                .collect(),
        };
        let waits = |given| Disposition::Hold(Held::Signoffs { asked: 2, given });
        assert_eq!(decide(&report, &signed(&["A", "A"]), &two), waits(1));
        assert_eq!(
            decide(&report, &signed(&["A", "B"]), &two),
            Disposition::Release
        );
        // Nobody's signature lets a stopped file out.
        let mut stopped = report;
        stopped.verdict = Verdict::Stop;
        assert_eq!(
            decide(&stopped, &signed(&["A", "B"]), &two),
            Disposition::Quarantine
        );
    }

    #[test]
    fn a_disposition_survives_json() {
        let held = Disposition::Hold(Held::Signoffs { asked: 2, given: 1 });
        let text = serde_json::to_string(&held).unwrap();
        assert_eq!(serde_json::from_str::<Disposition>(&text).unwrap(), held);
    }
}
