//! What was read for a check, before any limit: a value, a fault, or why neither is known.

use crate::measure::Places;
use crate::measured::{Measured, NotMeasured};
use crate::profile::{Choice, Severity};

/// What was read for one check.
pub enum Reading {
    Number(Number),
    Word {
        value: String,
        subject: String,
    },
    /// The file has no such property, so it cannot have the one that is asked.
    Lacking(String),
    /// Below every number: silence, or a part that the material does not have. Keeps every upper
    /// limit, and no other.
    Nothing {
        subject: String,
        says: String,
    },
    Fault(Fault),
    /// It was looked for, and there is none: what is said of that.
    NoFault(String),
    NotMeasured {
        subject: String,
        why: NotMeasured,
    },
    /// There is nothing to tell, whatever is asked.
    Untold,
}

/// A number, what it was read on, and its places.
pub struct Number {
    pub value: f64,
    pub subject: String,
    pub places: Places,
    pub beyond: Beyond,
    /// Stands in place of the usual sentence's beginning.
    pub phrase: Option<String>,
    /// Follows the usual sentence's beginning.
    pub aside: Option<&'static str>,
    /// By how much the same quantity may read lower elsewhere: only beyond it is a limit passed
    /// without doubt.
    pub spread: f64,
    /// A limit that is passed weighs no more than this, and why.
    pub doubt: Option<(Severity, &'static str)>,
}

/// Which of a number's places belong to a finding.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Beyond {
    /// All.
    All,
    /// Those whose own value is beyond the limit.
    Limit,
    /// The same, whatever the value's sign.
    LimitEitherSign,
}

/// A fault that was found.
pub struct Fault {
    /// Where there is a limit, the finding weighs no more than this: what is not certain does not
    /// stop a file.
    pub at_most: Severity,
    /// What it weighs where no limit asks for it; `None`: it is not told then.
    pub unasked: Option<Severity>,
    pub subject: String,
    pub value: Option<Choice>,
    /// One sentence without full stop.
    pub says: String,
    /// In the verdict's reason, where it is shorter than the sentence.
    pub brief: Option<String>,
    /// What follows in brackets in the verdict's reason.
    pub detail: Option<String>,
    pub places: Places,
}

impl Fault {
    /// Of the whole file, certain, told only where it is asked.
    pub fn new(says: impl Into<String>) -> Self {
        Self {
            at_most: Severity::Stop,
            unasked: None,
            subject: "file".into(),
            value: None,
            says: says.into(),
            brief: None,
            detail: None,
            places: Places::default(),
        }
    }
}

impl Number {
    pub fn new(value: f64, subject: impl Into<String>) -> Self {
        Self {
            value,
            subject: subject.into(),
            places: Places::default(),
            beyond: Beyond::All,
            phrase: None,
            aside: None,
            spread: 0.0,
            doubt: None,
        }
    }

    pub fn at(self, places: Places) -> Self {
        Self { places, ..self }
    }
}

impl From<Number> for Reading {
    fn from(number: Number) -> Self {
        Self::Number(number)
    }
}

impl From<Fault> for Reading {
    fn from(fault: Fault) -> Self {
        Self::Fault(fault)
    }
}

impl Reading {
    pub fn number(value: f64, subject: impl Into<String>) -> Self {
        Number::new(value, subject).into()
    }

    pub fn nothing(subject: impl Into<String>, says: impl Into<String>) -> Self {
        Self::Nothing {
            subject: subject.into(),
            says: says.into(),
        }
    }

    pub fn not_measured(why: NotMeasured) -> Self {
        Self::NotMeasured {
            subject: "file".into(),
            why,
        }
    }

    /// The same, said of a render.
    pub fn on(mut self, render: &str) -> Self {
        match &mut self {
            Self::Number(Number { subject, .. })
            | Self::Fault(Fault { subject, .. })
            | Self::Word { subject, .. }
            | Self::Nothing { subject, .. }
            | Self::NotMeasured { subject, .. } => *subject = render.to_owned(),
            Self::Lacking(_) | Self::NoFault(_) | Self::Untold => {}
        }
        self
    }
}

/// Ends a reading early where what it is read from was not measured.
pub fn read_from<T>(measured: Measured<T>, of: impl FnOnce(T) -> Reading) -> Reading {
    match measured {
        Measured::Is(value) => of(value),
        Measured::Not(why) => Reading::not_measured(why),
    }
}
