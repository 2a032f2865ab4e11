//! A document while it is read: what it became so far, and how its values are taken.
//!
//! In: steps of a [`Pull`]. Out: values of attributes and texts; one that cannot be read is a
//! finding and treated as absent. Bounds what the model grows to. Knows no element.

use std::io::BufRead;

use super::Limits;
use super::pull::{Pull, Step, Stop};
use super::values::{self, GainUnit, shown};
use crate::adm::block::BlockNumber;
use crate::adm::finding::{Class, Findings, Severity};
use crate::adm::model::{Model, Reference};
use crate::adm::time::AdmTime;

pub(super) type Read<T> = Result<T, Stop>;

/// A document while it is read.
pub(super) struct Reading<R> {
    pub pull: Pull<R>,
    pub model: Model,
    pub findings: Findings,
    kept: u64,
    kept_limit: u64,
}

/// The element that a value belongs to, for a message.
#[derive(Clone, Copy)]
pub(super) struct Of<'a> {
    /// The file's own id.
    pub id: &'a str,
    pub block: Option<(BlockNumber, Option<AdmTime>)>,
}

impl Of<'_> {
    pub fn name(&self) -> String {
        match self.block {
            Some((number, _)) => block_name(self.id, number),
            None => self.id.to_owned(),
        }
    }

    fn at_s(&self) -> Option<f64> {
        self.block.and_then(|(_, at)| at).map(AdmTime::seconds)
    }
}

/// `AC_00031003, AB_00031003_00000002`
pub(crate) fn block_name(channel: &str, number: BlockNumber) -> String {
    let digits = channel
        .split_once('_')
        .map_or(channel, |(_, digits)| digits);
    format!("{channel}, AB_{digits}_{number:08x}")
}

/// Adds a finding about one value.
pub(super) fn tell(
    findings: &mut Findings,
    class: Class,
    severity: Severity,
    of: Of,
    says: impl FnOnce() -> String,
) {
    findings.add(class, severity, of.id, of.at_s(), || (of.name(), says()));
}

/// A value that cannot be read is treated as absent.
pub(super) fn unreadable(findings: &mut Findings, of: Of, what: &str, text: &str, wanted: &str) {
    tell(findings, Class::AdmValueRange, Severity::Fail, of, || {
        format!(
            "{what} is {}; {wanted} is wanted, so it is treated as absent",
            shown(text)
        )
    });
}

impl<R: BufRead> Reading<R> {
    pub fn new(reader: R, limits: &Limits) -> Self {
        Self {
            pull: Pull::new(reader, limits),
            model: Model::default(),
            findings: Findings::default(),
            kept: 0,
            kept_limit: limits.model_bytes,
        }
    }

    /// Counts what the model grows by.
    pub fn keep(&mut self, bytes: usize) -> Read<()> {
        self.kept += bytes as u64;
        if self.kept > self.kept_limit {
            return Stop::fault(
                Class::AxmlTooLarge,
                format!(
                    "the metadata would take more than {} bytes of memory",
                    self.kept_limit
                ),
            );
        }
        Ok(())
    }

    /// Calls `child` for each element inside the one that was opened last; it must read it to its end.
    pub fn children(&mut self, mut child: impl FnMut(&mut Self) -> Read<()>) -> Read<()> {
        while let Step::Open = self.pull.step()? {
            child(self)?;
        }
        Ok(())
    }

    // Attributes of the open tag.

    pub fn string(&mut self, name: &str) -> Read<Option<String>> {
        let value = self.pull.attribute(name).map(|value| value.into_owned());
        self.keep(value.as_ref().map_or(0, String::len))?;
        Ok(value)
    }

    /// The element's id; every element must have one (BS.2076-2, clause 6).
    pub fn id(&mut self, attribute: &str) -> Read<String> {
        let id = self
            .string(attribute)?
            .unwrap_or_default()
            .trim()
            .to_owned();
        if id.is_empty() {
            let (line, _) = self.pull.place();
            self.findings.of(
                Class::AdmIdType,
                Severity::Fail,
                "axml",
                format!("an element has no {attribute} (line {line})"),
            );
        }
        Ok(id)
    }

    pub fn number_of(&mut self, of: Of, name: &str) -> Option<f64> {
        let text = self.pull.attribute(name)?;
        let value = values::number(&text);
        if value.is_none() {
            unreadable(&mut self.findings, of, name, &text, "a number");
        }
        value
    }

    pub fn whole_of(&mut self, of: Of, name: &str) -> Option<i64> {
        let text = self.pull.attribute(name)?;
        let value = values::whole(&text);
        if value.is_none() {
            unreadable(&mut self.findings, of, name, &text, "a whole number");
        }
        value
    }

    pub fn flag_of(&mut self, of: Of, name: &str) -> Option<bool> {
        let text = self.pull.attribute(name)?;
        let value = values::flag(&text);
        if value.is_none() {
            unreadable(&mut self.findings, of, name, &text, "0 or 1");
        }
        value
    }

    /// A time; one that is none is told under `class` and treated as absent.
    pub fn time_of(&mut self, of: Of, name: &str, class: Class) -> Option<AdmTime> {
        let text = self.pull.attribute(name)?;
        match values::time(&text) {
            Ok((time, false)) => Some(time),
            Ok((time, true)) => {
                tell(&mut self.findings, class, Severity::Note, of, || {
                    format!(
                        "{name} {} is finer than is kept; it is read as {time}",
                        shown(&text)
                    )
                });
                Some(time)
            }
            Err(error) => {
                tell(&mut self.findings, class, Severity::Fail, of, || {
                    format!("{name}: {error}; it is treated as absent")
                });
                None
            }
        }
    }

    // Text of the open element, read to its end.

    pub fn text_number(&mut self, of: Of, what: &str) -> Read<Option<f64>> {
        let text = self.pull.text()?;
        let value = values::number(text);
        if value.is_none() {
            unreadable(&mut self.findings, of, what, text, "a number");
        }
        Ok(value)
    }

    pub fn text_whole(&mut self, of: Of, what: &str) -> Read<Option<i64>> {
        let text = self.pull.text()?;
        let value = values::whole(text);
        if value.is_none() {
            unreadable(&mut self.findings, of, what, text, "a whole number");
        }
        Ok(value)
    }

    pub fn text_flag(&mut self, of: Of, what: &str) -> Read<Option<bool>> {
        let text = self.pull.text()?;
        let value = values::flag(text);
        if value.is_none() {
            unreadable(&mut self.findings, of, what, text, "0 or 1");
        }
        Ok(value)
    }

    pub fn text_gain(&mut self, of: Of) -> Read<Option<f64>> {
        let unit = self.unit_of_gain(of);
        let text = self.pull.text()?;
        let value = values::gain(text, unit);
        if value.is_none() {
            unreadable(&mut self.findings, of, "gain", text, "a number");
        }
        Ok(value)
    }

    pub fn unit_of_gain(&mut self, of: Of) -> GainUnit {
        let text = self.pull.attribute("gainUnit");
        values::gain_unit(text.as_deref()).unwrap_or_else(|| {
            let text = text.unwrap_or_default();
            tell(
                &mut self.findings,
                Class::AdmValueRange,
                Severity::Fail,
                of,
                || {
                    format!(
                        "gainUnit is {}; linear or dB is wanted, so the gain is read as linear",
                        shown(&text)
                    )
                },
            );
            GainUnit::Linear
        })
    }

    pub fn text_string(&mut self) -> Read<String> {
        let text = self.pull.text()?.to_owned();
        self.keep(text.len() + size_of::<String>())?;
        Ok(text)
    }

    pub fn reference<T>(&mut self) -> Read<Reference<T>> {
        let reference = Reference::new(self.pull.text()?);
        self.keep(reference.id.len() + size_of::<Reference<T>>())?;
        Ok(reference)
    }
}
