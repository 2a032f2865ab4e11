//! What a checker finds wrong in immersive metadata: classes, severities, findings.
//!
//! Owns the names of the fault classes (they are part of check ids, so they never change) and
//! the merging of many like faults into one finding. Knows nothing of profiles or verdicts:
//! the severities are the defaults that a profile may change.

use std::collections::HashMap;
use std::fmt;

/// The kind of a fault; [`Class::name`] is its name for good.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Class {
    ChnaMissing,
    ChnaCounts,
    ChnaTrackIndex,
    ChnaDuplicateUid,
    ChnaMissingUid,
    ChnaAxmlDisagree,
    AxmlMissing,
    AxmlEncoding,
    AxmlSyntax,
    AxmlEntities,
    AxmlTooDeep,
    AxmlTooLarge,
    AdmDanglingReference,
    AdmDuplicateId,
    AdmObjectLoop,
    AdmProgrammeMissing,
    AdmTrackUnreferenced,
    AdmTypeUnknown,
    AdmTypeUnsupported,
    AdmIdType,
    AdmBlockOverlap,
    AdmBlockGap,
    AdmBlockOrder,
    AdmFirstBlock,
    AdmBlockOutsideObject,
    AdmObjectOutsideFile,
    AdmRtimeDuration,
    AdmInterpolationLength,
    AdmPositionRange,
    AdmCoordinateMismatch,
    AdmValueRange,
    AdmLfeUndeclared,
    AdmLabelPlace,
    LimitTracks,
    LimitObjects,
    LimitBedWidth,
}

impl Class {
    /// Every class, in the order of a report: what makes a file unreadable first.
    pub const ALL: [Self; 36] = [
        Self::ChnaMissing,
        Self::ChnaCounts,
        Self::ChnaTrackIndex,
        Self::ChnaDuplicateUid,
        Self::ChnaMissingUid,
        Self::ChnaAxmlDisagree,
        Self::AxmlMissing,
        Self::AxmlEncoding,
        Self::AxmlSyntax,
        Self::AxmlEntities,
        Self::AxmlTooDeep,
        Self::AxmlTooLarge,
        Self::AdmDanglingReference,
        Self::AdmDuplicateId,
        Self::AdmObjectLoop,
        Self::AdmProgrammeMissing,
        Self::AdmTrackUnreferenced,
        Self::AdmTypeUnknown,
        Self::AdmTypeUnsupported,
        Self::AdmIdType,
        Self::AdmBlockOverlap,
        Self::AdmBlockGap,
        Self::AdmBlockOrder,
        Self::AdmFirstBlock,
        Self::AdmBlockOutsideObject,
        Self::AdmObjectOutsideFile,
        Self::AdmRtimeDuration,
        Self::AdmInterpolationLength,
        Self::AdmPositionRange,
        Self::AdmCoordinateMismatch,
        Self::AdmValueRange,
        Self::AdmLfeUndeclared,
        Self::AdmLabelPlace,
        Self::LimitTracks,
        Self::LimitObjects,
        Self::LimitBedWidth,
    ];

    /// The name in check ids, reports and sidecars.
    pub fn name(self) -> &'static str {
        match self {
            Self::ChnaMissing => "chna-missing",
            Self::ChnaCounts => "chna-counts",
            Self::ChnaTrackIndex => "chna-track-index",
            Self::ChnaDuplicateUid => "chna-duplicate-uid",
            Self::ChnaMissingUid => "chna-missing-uid",
            Self::ChnaAxmlDisagree => "chna-axml-disagree",
            Self::AxmlMissing => "axml-missing",
            Self::AxmlEncoding => "axml-encoding",
            Self::AxmlSyntax => "axml-syntax",
            Self::AxmlEntities => "axml-entities",
            Self::AxmlTooDeep => "axml-too-deep",
            Self::AxmlTooLarge => "axml-too-large",
            Self::AdmDanglingReference => "adm-dangling-reference",
            Self::AdmDuplicateId => "adm-duplicate-id",
            Self::AdmObjectLoop => "adm-object-loop",
            Self::AdmProgrammeMissing => "adm-programme-missing",
            Self::AdmTrackUnreferenced => "adm-track-unreferenced",
            Self::AdmTypeUnknown => "adm-type-unknown",
            Self::AdmTypeUnsupported => "adm-type-unsupported",
            Self::AdmIdType => "adm-id-type",
            Self::AdmBlockOverlap => "adm-block-overlap",
            Self::AdmBlockGap => "adm-block-gap",
            Self::AdmBlockOrder => "adm-block-order",
            Self::AdmFirstBlock => "adm-first-block",
            Self::AdmBlockOutsideObject => "adm-block-outside-object",
            Self::AdmObjectOutsideFile => "adm-object-outside-file",
            Self::AdmRtimeDuration => "adm-rtime-duration",
            Self::AdmInterpolationLength => "adm-interpolation-length",
            Self::AdmPositionRange => "adm-position-range",
            Self::AdmCoordinateMismatch => "adm-coordinate-mismatch",
            Self::AdmValueRange => "adm-value-range",
            Self::AdmLfeUndeclared => "adm-lfe-undeclared",
            Self::AdmLabelPlace => "adm-label-place",
            Self::LimitTracks => "limit-tracks",
            Self::LimitObjects => "limit-objects",
            Self::LimitBedWidth => "limit-bed-width",
        }
    }

    /// Where the rule comes from. Clauses of BS.2076-3 and BS.2127-1 follow their published
    /// tables of contents.
    pub fn clause(self) -> &'static str {
        match self {
            Self::ChnaMissing => "BS.2088-1 (chna chunk), BS.2076-3 clause 7",
            Self::ChnaCounts | Self::ChnaTrackIndex => "BS.2088-1 (chna chunk)",
            Self::ChnaDuplicateUid => "BS.2076-3 clause 5.9",
            Self::ChnaMissingUid | Self::ChnaAxmlDisagree => "BS.2076-3 clause 7",
            Self::AxmlMissing => "BS.2088-1 (axml chunk)",
            Self::AxmlEncoding => "XML 1.0 clause 4.3.3",
            Self::AxmlSyntax => "XML 1.0 clause 2.1",
            Self::AxmlEntities => "XML 1.0 clauses 2.8 and 4.1; no document types: own choice",
            Self::AxmlTooDeep | Self::AxmlTooLarge => "own choice, against hostile files",
            Self::AdmDanglingReference => "BS.2076-3 clauses 5.6.2 and 6",
            Self::AdmDuplicateId | Self::AdmIdType => "BS.2076-3 clause 6",
            Self::AdmObjectLoop => "BS.2076-3 clause 5.6.2",
            Self::AdmProgrammeMissing => {
                "common practice, no source; BS.2076-3 clause 3.2 lets a file have none"
            }
            Self::AdmTrackUnreferenced => "BS.2076-3 clauses 5.6.2 and 5.9",
            Self::AdmTypeUnknown => "BS.2076-3 clauses 5.3 and 5.5",
            Self::AdmTypeUnsupported => "BS.2127-1 clause 5",
            Self::AdmBlockOverlap => "BS.2076-3 clause 5.4.1, BS.2127-1 clause 6",
            Self::AdmBlockGap
            | Self::AdmBlockOrder
            | Self::AdmFirstBlock
            | Self::AdmRtimeDuration => "BS.2076-3 clause 5.4.1",
            Self::AdmBlockOutsideObject => "BS.2127-1 clause 6",
            Self::AdmObjectOutsideFile => "BS.2076-3 clause 5.6.1",
            Self::AdmInterpolationLength => "BS.2076-3 clause 9.3",
            Self::AdmPositionRange | Self::AdmCoordinateMismatch => "BS.2076-3 clause 8",
            Self::AdmValueRange => "BS.2076-3 clause 5",
            Self::AdmLfeUndeclared => "BS.2127-1 clause 8 (DirectSpeakers)",
            Self::AdmLabelPlace => "ITU-R BS.2051-3, Table 1",
            Self::LimitTracks | Self::LimitObjects | Self::LimitBedWidth => {
                "common practice, no source"
            }
        }
    }
}

impl fmt::Display for Class {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.pad(self.name())
    }
}

/// What a finding means for the master, unless a profile says otherwise.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Severity {
    /// Worth knowing; nothing is wrong with the sound.
    Note,
    /// It may leave, and the report says so.
    Warn,
    /// It must not leave.
    Fail,
}

/// One fault, or many like ones in one element.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    pub class: Class,
    pub severity: Severity,
    /// The file's own id, with the first block's where there is one: `AC_00031003,
    /// AB_00031003_00000002`; `axml` or `chna` for a chunk.
    pub element: String,
    /// A plain sentence with what was found and what was wanted.
    pub says: String,
    /// Standard and clause, or `common practice, no source`.
    pub clause: &'static str,
    /// How many faults of this kind the element has; the first is told.
    pub count: u64,
    /// Seconds from the start of the object, of the first.
    pub at_s: Option<f64>,
}

/// Two lists of findings as one: what `parse` saw in the text and `check` in the model. Those of
/// one class, severity and element become one; the first is told.
pub fn merge(first: Vec<Finding>, second: Vec<Finding>) -> Vec<Finding> {
    let mut merged: Vec<Finding> = Vec::with_capacity(first.len() + second.len());
    let mut known: HashMap<(Class, Severity, String), usize> = HashMap::new();
    for finding in first.into_iter().chain(second) {
        // The block is not part of the element's identity.
        let element = finding.element.split(',').next().unwrap_or_default();
        let place = merged.len();
        let key = (finding.class, finding.severity, element.to_owned());
        match known.entry(key).or_insert(place) {
            new if *new == place => merged.push(finding),
            old => merged[*old].count += finding.count,
        }
    }
    merged
}

/// More elements than this with one class of fault are counted together.
const ELEMENTS_TOLD: usize = 500;

/// Findings while they are collected: one for each class, severity and element.
#[derive(Debug, Default)]
pub(crate) struct Findings {
    list: Vec<Finding>,
    known: HashMap<(Class, Severity), HashMap<Box<str>, usize>>,
}

impl Findings {
    /// Adds a fault of the element `key`. `tell` makes the element's name and the sentence, and
    /// is called for the first fault only.
    pub fn add(
        &mut self,
        class: Class,
        severity: Severity,
        key: &str,
        at_s: Option<f64>,
        tell: impl FnOnce() -> (String, String),
    ) {
        let elements = self.known.entry((class, severity)).or_default();
        if let Some(&index) = elements.get(key) {
            self.list[index].count += 1;
            return;
        }
        if elements.len() > ELEMENTS_TOLD {
            // The last one stands for all that follow.
            if let Some(&index) = elements.get("\0more") {
                self.list[index].count += 1;
            }
            return;
        }
        let more = elements.len() == ELEMENTS_TOLD;
        let key = if more { "\0more" } else { key };
        elements.insert(key.into(), self.list.len());
        let (element, says) = if more {
            (
                "further elements".to_owned(),
                format!(
                    "more than {ELEMENTS_TOLD} elements have this fault; the others are counted here"
                ),
            )
        } else {
            tell()
        };
        self.list.push(Finding {
            class,
            severity,
            element,
            says,
            clause: class.clause(),
            count: 1,
            at_s,
        });
    }

    /// A fault of `element` as a whole.
    pub fn of(&mut self, class: Class, severity: Severity, element: &str, says: String) {
        self.add(class, severity, element, None, || {
            (element.to_owned(), says)
        });
    }

    pub fn into_list(self) -> Vec<Finding> {
        self.list
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_class_has_a_name_of_its_own_and_a_source() {
        let names: std::collections::HashSet<&str> =
            Class::ALL.iter().map(|class| class.name()).collect();
        assert_eq!(names.len(), Class::ALL.len());
        assert!(Class::ALL.iter().all(|class| !class.clause().is_empty()));
    }

    /// The catalogue of the reference material has these groups; its other classes need audio.
    #[test]
    fn the_names_are_those_of_the_catalogue() {
        let Some(path) = crate::adm::reference("immersive/README.md") else {
            return;
        };
        let text = std::fs::read_to_string(path).unwrap();
        let section = text.split_once("## Fault classes").unwrap().1;
        let section = section.split_once("\n## ").unwrap().0;
        let mut named: Vec<&str> = Vec::new();
        for group in [
            "\nchna:",
            "\naxml:",
            "\nreferences:",
            "\nblocks:",
            "\nlimits ",
        ] {
            let group = section.split_once(group).unwrap().1;
            let group = group.split_once(';').unwrap().0;
            named.extend(group.split('`').skip(1).step_by(2));
        }
        // The catalogue has no class for what ITU-R BS.2051-3 says of a label's place.
        let mut ours = Class::ALL.map(Class::name).to_vec();
        ours.retain(|name| *name != Class::AdmLabelPlace.name());
        named.sort_unstable();
        ours.sort_unstable();
        assert_eq!(ours, named);
    }

    #[test]
    fn a_million_faults_of_one_element_are_one_finding() {
        let mut findings = Findings::default();
        for _ in 0..1_000_000 {
            findings.add(Class::AdmBlockGap, Severity::Note, "AC_1", None, || {
                ("AC_1".into(), String::new())
            });
        }
        let list = findings.into_list();
        assert_eq!((list.len(), list[0].count), (1, 1_000_000));
    }

    #[test]
    fn findings_are_bounded_however_many_elements_are_wrong() {
        let mut findings = Findings::default();
        for index in 0..10_000 {
            findings.of(
                Class::AdmIdType,
                Severity::Warn,
                &index.to_string(),
                String::new(),
            );
        }
        let list = findings.into_list();
        assert_eq!(list.len(), ELEMENTS_TOLD + 1);
        assert_eq!(
            list.iter().map(|finding| finding.count).sum::<u64>(),
            10_000
        );
    }
}
