//! A figure, or the reason why there is none.
//!
//! Silence, an empty list of places and zero are values. What was not measured is not one of
//! them: it carries a reason, and no limit on it can be kept.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A figure or a list of places, or why it was not measured.
#[derive(Clone, Debug, PartialEq)]
pub enum Measured<T> {
    Is(T),
    Not(NotMeasured),
}

/// Why something was not measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", tag = "reason")]
pub enum NotMeasured {
    /// The file could not be read as audio.
    Unread,
    /// The container could not be made out.
    NoContainer,
    /// Nothing says where the channels play.
    NoLabels { channels: usize },
    /// The file has no audio definition metadata (`axml`, `chna`).
    NoAdm,
    /// The object-based master could not be rendered.
    NotRendered { why: String },
    /// No render to this layout was made.
    NoRender { layout: String },
    /// A binaural render needs a set of head-related responses.
    NoHead,
    /// Nothing passes the gates of a loudness measurement.
    NothingSounds,
    /// The programme is shorter than the quantity needs.
    TooShort { needs_s: f64 },
    /// Compressed audio has no such property in the file.
    Compressed,
    /// The layout has no rule by which it is folded to two channels.
    NoFold,
    /// More channels than are compared.
    TooManyChannels { most: usize },
    /// The meter did not run: nothing in the profile asked for it.
    NotAsked,
    /// No mix or reference was named.
    NoCompanion,
    /// A mix was named, and the two could not be compared: `NAME: it is not in FOLDER`.
    NotCompared { why: String },
    /// Mix and master run at different sample rates.
    OtherSampleRate { master_hz: u32, mix_hz: u32 },
    /// One of the two is object-based and the other is not.
    OtherKind,
    /// Neither file has an object, or none that is in both.
    NoObjects,
    /// There are not both a bed and objects.
    NoBedOrNoObjects,
    /// There is no bed of two channels or more that is in both files.
    NoBed,
    /// The signal repeats itself, so that several offsets fit equally well.
    RepeatsItself,
    /// Master and mix have nothing in common by which they could be aligned.
    NothingInCommon,
}

impl NotMeasured {
    /// True where the material itself has no such reading and nobody can supply what is missing:
    /// a limit then advises at most. Everything else weighs as much as the limit does.
    pub fn is_of_the_material(&self) -> bool {
        matches!(
            self,
            Self::RepeatsItself
                | Self::OtherSampleRate { .. }
                | Self::OtherKind
                | Self::NoObjects
                | Self::NoBedOrNoObjects
                | Self::NoBed
        )
    }
}

impl NotMeasured {
    /// The reason in a few words, without what to do about it.
    pub fn in_brief(&self) -> String {
        match self {
            Self::NoLabels { channels } => {
                format!("nothing says where the {channels} channels play")
            }
            Self::NotRendered { .. } => "the master could not be rendered".to_owned(),
            Self::NoHead => "no set of head-related responses is named".to_owned(),
            other => other.to_string(),
        }
    }

    /// True where there is nothing to compare: no mix was named, or the two files have no such parts.
    /// A mix that was named and could not be had is not among these.
    pub fn is_no_comparison(&self) -> bool {
        matches!(
            self,
            Self::NoCompanion
                | Self::NoAdm
                | Self::OtherKind
                | Self::NoObjects
                | Self::NoBedOrNoObjects
                | Self::NoBed
        )
    }

    /// True where a person can supply what is missing: the file itself need not be put aside.
    pub fn asks_a_person(&self) -> bool {
        matches!(self, Self::NoLabels { .. } | Self::NotCompared { .. })
    }
}

/// The reason as the end of a sentence, without full stop: `not measured: ...`.
impl fmt::Display for NotMeasured {
    fn fmt(&self, to: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unread => to.write_str("the file could not be read as audio"),
            Self::NoContainer => to.write_str("the container could not be made out"),
            Self::NoLabels { channels } => write!(
                to,
                "nothing says where the {channels} channels play; set `channels` in the route or the profile, to a layout such as 7.1.4 or to labels"
            ),
            Self::NoAdm => to.write_str("the file has no audio definition metadata"),
            Self::NotRendered { why } => write!(to, "the master could not be rendered ({why})"),
            Self::NoRender { layout } => write!(to, "no {layout} render was made"),
            Self::NoHead => {
                to.write_str("no set of head-related responses is named in the configuration")
            }
            Self::NothingSounds => to.write_str("nothing passes the gate"),
            Self::TooShort { needs_s } if *needs_s < 1.0 => {
                write!(to, "the file is shorter than {:.0} ms", needs_s * 1000.0)
            }
            Self::TooShort { needs_s } => write!(to, "the file is shorter than {needs_s:.0} s"),
            Self::Compressed => to.write_str("the audio is compressed"),
            Self::NoFold => to.write_str("there is no rule to fold this layout to two channels"),
            Self::TooManyChannels { most } => {
                write!(to, "there are more than {most} channels")
            }
            Self::NotAsked => to.write_str("the profile did not ask for it when the file was read"),
            Self::NoCompanion => to.write_str("no mix was named"),
            Self::NotCompared { why } => write!(to, "not compared with its mix {why}"),
            Self::OtherSampleRate { master_hz, mix_hz } => write!(
                to,
                "this file runs at {master_hz} Hz and its mix at {mix_hz} Hz"
            ),
            Self::OtherKind => to.write_str("one of the two is object-based and the other is not"),
            Self::NoObjects => to.write_str("there is no object that both have"),
            Self::NoBedOrNoObjects => to.write_str("there are not both a bed and objects"),
            Self::NoBed => to.write_str("there is no bed of several channels that both have"),
            Self::RepeatsItself => to.write_str(
                "the signal repeats itself (a steady tone, a loop), so that several offsets fit",
            ),
            Self::NothingInCommon => {
                to.write_str("master and mix have nothing in common to align them by")
            }
        }
    }
}

impl<T> Measured<T> {
    pub fn as_ref(&self) -> Measured<&T> {
        match self {
            Self::Is(value) => Measured::Is(value),
            Self::Not(why) => Measured::Not(why.clone()),
        }
    }

    pub fn as_mut(&mut self) -> Measured<&mut T> {
        match self {
            Self::Is(value) => Measured::Is(value),
            Self::Not(why) => Measured::Not(why.clone()),
        }
    }

    /// The figure, where there is one: for records, in which a missing figure is `null`.
    pub fn ok(self) -> Option<T> {
        match self {
            Self::Is(value) => Some(value),
            Self::Not(_) => None,
        }
    }

    /// The figure in place, where there is one.
    pub fn get(&self) -> Option<&T> {
        self.as_ref().ok()
    }

    pub fn is_measured(&self) -> bool {
        matches!(self, Self::Is(_))
    }

    pub fn why_not(&self) -> Option<&NotMeasured> {
        match self {
            Self::Is(_) => None,
            Self::Not(why) => Some(why),
        }
    }

    pub fn map<U>(self, of: impl FnOnce(T) -> U) -> Measured<U> {
        match self {
            Self::Is(value) => Measured::Is(of(value)),
            Self::Not(why) => Measured::Not(why),
        }
    }

    pub fn and_then<U>(self, of: impl FnOnce(T) -> Measured<U>) -> Measured<U> {
        match self {
            Self::Is(value) => of(value),
            Self::Not(why) => Measured::Not(why),
        }
    }

    /// `Is` of what is there, `Not` with the reason otherwise.
    pub fn of(value: Option<T>, why: impl FnOnce() -> NotMeasured) -> Self {
        match value {
            Some(value) => Self::Is(value),
            None => Self::Not(why()),
        }
    }
}

impl<T: Clone> Measured<&T> {
    pub fn cloned(self) -> Measured<T> {
        self.map(T::clone)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reason_survives_every_step_of_a_reading() {
        let not: Measured<f64> = Measured::Not(NotMeasured::RepeatsItself);
        let read = not.as_ref().map(|value| value + 1.0).and_then(Measured::Is);
        assert_eq!(read.why_not(), Some(&NotMeasured::RepeatsItself));
        assert_eq!(not.ok(), None);
        assert_eq!(
            Measured::of(Some(1), || NotMeasured::Unread).get(),
            Some(&1)
        );
    }

    #[test]
    fn every_reason_survives_json_and_says_something() {
        for why in [
            NotMeasured::NoLabels { channels: 6 },
            NotMeasured::TooShort { needs_s: 0.4 },
            NotMeasured::NotRendered {
                why: "no programme".into(),
            },
            NotMeasured::RepeatsItself,
        ] {
            let text = serde_json::to_string(&why).unwrap();
            assert_eq!(serde_json::from_str::<NotMeasured>(&text).unwrap(), why);
            assert!(!why.to_string().is_empty());
        }
    }
}
