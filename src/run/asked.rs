//! What a file is judged by, as the daemon asks for it and remembers it.
//!
//! In: what the configuration says of the file, the profiles, the mix as it is on the disk. Out:
//! an [`Asked`] for weighing, and the [`Basis`] by which the ledger tells whether a weighing is
//! still good.

use std::path::Path;

use super::house::House;
use crate::config::{JudgedBy, Watch};
use crate::ledger::{Basis, MixBasis};
use crate::profile::Profile;
use crate::specimen;
use crate::weigh::{Companion, Weighed};

/// What a file is judged by.
pub(super) struct Asked<'a> {
    pub(super) profile: &'a Profile,
    pub(super) by: JudgedBy<'a>,
    pub(super) mix: Companion,
}

impl<'a> Asked<'a> {
    /// Of the file at `below`, a path below the watch's folder. The error is a sentence.
    pub(super) fn of(house: &'a House, watch: &'a Watch, below: &Path) -> Result<Self, String> {
        let by = watch.judged_by(below);
        let profile = (house.profiles.get(by.profile)).ok_or_else(|| {
            format!(
                "there is no profile {:?} for watch {:?}",
                by.profile, watch.name
            )
        })?;
        let mix = Companion::of(&by.mix);
        Ok(Self { profile, by, mix })
    }

    fn channels(&self) -> Option<Vec<String>> {
        let labels = self.by.channels?;
        Some(labels.iter().map(ToString::to_string).collect())
    }

    /// A mix that seems incomplete and has been like this since the file was last judged without
    /// it will not change by itself: it is compared as it is.
    pub(super) fn take_mix_as_it_is(&mut self, before: Option<&Basis>) {
        if let Companion::Incomplete { path, identity, .. } = &self.mix
            && let Some(MixBasis::NotCompared {
                path: path_before,
                identity: identity_before,
            }) = before.map(|basis| &basis.mix)
            && (path, identity) == (path_before, identity_before)
        {
            self.mix = Companion::There {
                path: path.clone(),
                identity: *identity,
            };
        }
    }

    /// On what this weighing rests.
    pub(super) fn basis(&self, weighed: &Weighed) -> Basis {
        let digest = (weighed.against.as_ref())
            .filter(|against| against.result.is_ok())
            .and_then(|against| against.digests.as_ref())
            .map(|digests| digests.blake3.clone());
        let mix = match (&self.mix, digest) {
            (Companion::NotAsked, _) => MixBasis::NotAsked,
            (Companion::Unnamed(_), _) => MixBasis::Unnamed,
            (Companion::Away(path) | Companion::There { path, .. }, Some(blake3)) => {
                MixBasis::Compared {
                    path: path.clone(),
                    blake3,
                }
            }
            (Companion::Away(path), None) => MixBasis::Away { path: path.clone() },
            (
                Companion::There { path, identity } | Companion::Incomplete { path, identity, .. },
                _,
            ) => MixBasis::NotCompared {
                path: path.clone(),
                identity: *identity,
            },
        };
        Basis {
            channels: self.channels(),
            mix,
        }
    }

    /// Whether a weighing that rests on `before` would come out the same today. Reads the mix
    /// where it was compared, since only its digest tells whether it is still that one. A weighing
    /// whose basis was not noted is good where nothing but the profile is asked.
    pub(super) fn is_like(&self, before: Option<&Basis>) -> std::io::Result<bool> {
        let plain = Basis::default();
        let before = before.unwrap_or(&plain);
        if before.channels != self.channels() {
            return Ok(false);
        }
        Ok(match (&before.mix, &self.mix) {
            (MixBasis::NotAsked, Companion::NotAsked)
            | (MixBasis::Unnamed, Companion::Unnamed(_)) => true,
            (MixBasis::Away { path }, Companion::Away(now)) => path == now,
            (
                MixBasis::NotCompared { path, identity },
                Companion::There {
                    path: now,
                    identity: there,
                }
                | Companion::Incomplete {
                    path: now,
                    identity: there,
                    ..
                },
            ) => (path, identity) == (now, there),
            (MixBasis::Compared { path, blake3 }, Companion::There { path: now, .. }) => {
                path == now && specimen::digest_file(now, false)?.1.blake3 == *blake3
            }
            // The comparison was made, and says more than that the mix is away now.
            (MixBasis::Compared { path, .. }, Companion::Away(now)) => path == now,
            _ => false,
        })
    }
}

/// Whether the mix was exchanged while it was read.
pub(super) fn mix_changed(mix: &Companion) -> bool {
    match mix {
        Companion::There { path, identity } => Companion::identity(path) != Some(*identity),
        _ => false,
    }
}
