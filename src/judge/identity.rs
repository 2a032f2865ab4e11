//! Who a finding is: the same check on the same bytes at the same place is the same finding, on
//! any host and any day, so that a person's word can bind to it and to nothing else.
//!
//! In: findings and the digest of the file they are of. Out: the findings with an identity each,
//! and each of their places. A name, a limit and a sentence are no part of it: a file may be
//! renamed and a profile reworded.

use super::types::Judgement;

/// Hexadecimal digits that are kept: 64 bits, in which two of a studio's findings do not meet.
const DIGITS: usize = 16;

impl Judgement {
    /// The same judgement, of the file with that BLAKE3 digest. Without a digest nothing is said.
    pub fn of_bytes(mut self, digest: &str, sample_rate_hz: u32) -> Self {
        if digest.is_empty() {
            return self;
        }
        let rate = f64::from(sample_rate_hz);
        for finding in &mut self.findings {
            let (check, subject) = (finding.check.as_str(), finding.subject.as_str());
            finding.identity = Some(digest_of(&["finding", check, subject, digest]));
            for place in &mut finding.places {
                let start = place.start_frame.0.to_string();
                let end = ((place.end_s.0 * rate).round() as i64).to_string();
                let channel = place.channel.as_deref().unwrap_or_default();
                place.identity = Some(digest_of(&["place", check, channel, &start, &end, digest]));
            }
        }
        self
    }
}

/// Of the parts with their lengths, so that no two lists of parts read alike.
fn digest_of(parts: &[&str]) -> String {
    let mut hasher = blake3::Hasher::new();
    hasher.update(b"weighbridge.identity/1");
    for part in parts {
        hasher.update(&(part.len() as u64).to_le_bytes());
        hasher.update(part.as_bytes());
    }
    hasher.finalize().to_hex()[..DIGITS].to_owned()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::super::types::*;
    use crate::measure::Place;
    use crate::units::{Frames, Seconds};

    fn judged(check: &str, subject: &str, channel: Option<&str>, frames: (u64, u64)) -> Judgement {
        Judgement {
            verdict: Verdict::Advise,
            reason: String::new(),
            caution: None,
            findings: vec![Finding {
                check: check.into(),
                subject: subject.into(),
                value: None,
                unit: String::new(),
                limit: None,
                outcome: Outcome::Advise,
                says: String::new(),
                source: String::new(),
                places: vec![Place {
                    start_s: Seconds(frames.0 as f64 / 44_100.0),
                    end_s: Seconds(frames.1 as f64 / 44_100.0),
                    start_frame: Frames(frames.0),
                    channel: channel.map(String::from),
                    ..Place::default()
                }],
                places_total: 1,
                identity: None,
                not_measured: None,
                weight: None,
            }],
        }
    }

    fn identities(judgement: Judgement, digest: &str) -> [String; 2] {
        let named = judgement.of_bytes(digest, 44_100);
        let finding = &named.findings[0];
        let place = &finding.places[0];
        [finding.identity.clone(), place.identity.clone()].map(|id| id.expect("named"))
    }

    #[test]
    fn an_identity_is_of_check_channel_time_and_bytes_and_of_nothing_else() {
        let of = |check: &str, channel: Option<&str>, frames, digest: &str| {
            identities(judged(check, "file", channel, frames), digest)
        };
        let first = of("defect.click", Some("M+030"), (7, 8), "aa");
        assert_eq!(of("defect.click", Some("M+030"), (7, 8), "aa"), first);
        let mut reworded = judged("defect.click", "file", Some("M+030"), (7, 8));
        reworded.findings[0].says = "another sentence".into();
        reworded.findings[0].outcome = Outcome::Stop;
        reworded.findings[0].limit = Some("none".into());
        assert_eq!(identities(reworded, "aa"), first);
        let others = [
            of("defect.splice", Some("M+030"), (7, 8), "aa"),
            of("defect.click", Some("M-030"), (7, 8), "aa"),
            of("defect.click", None, (7, 8), "aa"),
            of("defect.click", Some("M+030"), (6, 8), "aa"),
            of("defect.click", Some("M+030"), (7, 9), "aa"),
            of("defect.click", Some("M+030"), (7, 8), "ab"),
        ];
        let all: BTreeSet<&String> = others.iter().chain([&first]).map(|ids| &ids[1]).collect();
        assert_eq!(all.len(), 7);
        assert_eq!(others[1][0], first[0], "the finding is that of all places");
        assert_ne!(others[5][0], first[0]);
    }

    #[test]
    fn without_a_digest_nothing_is_said() {
        let named = judged("defect.click", "file", None, (7, 8)).of_bytes("", 44_100);
        assert_eq!(named.findings[0].identity, None);
        assert_eq!(named.findings[0].places[0].identity, None);
    }
}
