//! What is wrong in the audio definition metadata. Judged on every file that has them, by its own
//! severity, whether or not a profile asks.

use crate::adm::{self, Class};
use crate::judge::check::{Case, Check, FAULT};
use crate::judge::reading::{Reading, read_from};
use crate::measured::{Measured, NotMeasured};
use crate::profile::Severity;

use super::found::{Found, told};

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[
    CHNA_MISSING,
    CHNA_COUNTS,
    CHNA_TRACK_INDEX,
    CHNA_DUPLICATE_UID,
    CHNA_MISSING_UID,
    CHNA_AXML_DISAGREE,
    AXML_MISSING,
    AXML_ENCODING,
    AXML_SYNTAX,
    AXML_ENTITIES,
    AXML_TOO_DEEP,
    AXML_TOO_LARGE,
    ADM_DANGLING_REFERENCE,
    ADM_DUPLICATE_ID,
    ADM_OBJECT_LOOP,
    ADM_PROGRAMME_MISSING,
    ADM_TRACK_UNREFERENCED,
    ADM_TYPE_UNKNOWN,
    ADM_TYPE_UNSUPPORTED,
    ADM_ID_TYPE,
    ADM_BLOCK_OVERLAP,
    ADM_BLOCK_GAP,
    ADM_BLOCK_ORDER,
    ADM_FIRST_BLOCK,
    ADM_BLOCK_OUTSIDE_OBJECT,
    ADM_OBJECT_OUTSIDE_FILE,
    ADM_RTIME_DURATION,
    ADM_INTERPOLATION_LENGTH,
    ADM_POSITION_RANGE,
    ADM_COORDINATE_MISMATCH,
    ADM_VALUE_RANGE,
    ADM_LFE_UNDECLARED,
    ADM_LABEL_PLACE,
    LIMIT_TRACKS,
    LIMIT_OBJECTS,
    LIMIT_BED_WIDTH,
];

pub const CHNA_MISSING: Check = Check {
    id: "immersive.chna-missing",
    title: "missing chna chunk",
    definition: "No chunk ties the tracks to the metadata.",
    source: "ITU-R BS.2088-1 (chna chunk), BS.2076-3, clause 7",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::ChnaMissing),
    ..FAULT
};

pub const CHNA_COUNTS: Check = Check {
    id: "immersive.chna-counts",
    title: "chna counts that disagree",
    definition: "The counts in the chna chunk are not those of its rows: a stop where readers may play different tracks, otherwise advice or a note.",
    source: "ITU-R BS.2088-1 (chna chunk)",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::ChnaCounts),
    ..FAULT
};

pub const CHNA_TRACK_INDEX: Check = Check {
    id: "immersive.chna-track-index",
    title: "track that is not there",
    definition: "The chna chunk names a track beyond the file's.",
    source: "ITU-R BS.2088-1 (chna chunk): trackIndex counts from 1",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::ChnaTrackIndex),
    ..FAULT
};

pub const CHNA_DUPLICATE_UID: Check = Check {
    id: "immersive.chna-duplicate-uid",
    title: "track UID used twice",
    definition: "One audioTrackUID stands for two tracks.",
    source: "ITU-R BS.2076-3, clause 5.9",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::ChnaDuplicateUid),
    ..FAULT
};

pub const CHNA_MISSING_UID: Check = Check {
    id: "immersive.chna-missing-uid",
    title: "track UID without a track",
    definition: "An audioTrackUID of the metadata has no track in the chna chunk.",
    source: "ITU-R BS.2088-1 (chna chunk), BS.2076-3, clause 5.9",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::ChnaMissingUid),
    ..FAULT
};

pub const CHNA_AXML_DISAGREE: Check = Check {
    id: "immersive.chna-axml-disagree",
    title: "chna and axml that disagree",
    definition: "The chna chunk and the metadata give a track different formats.",
    source: "ITU-R BS.2088-1 (chna chunk), BS.2076-3, clause 5.9",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::ChnaAxmlDisagree),
    ..FAULT
};

pub const AXML_MISSING: Check = Check {
    id: "immersive.axml-missing",
    title: "missing axml chunk",
    definition: "There are no metadata, and the chna chunk needs them.",
    source: "ITU-R BS.2088-1 (axml chunk)",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AxmlMissing),
    ..FAULT
};

pub const AXML_ENCODING: Check = Check {
    id: "immersive.axml-encoding",
    title: "metadata that are not UTF-8",
    definition: "The axml chunk is in another encoding than it may be.",
    source: "W3C XML 1.0, clause 4.3.3",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AxmlEncoding),
    ..FAULT
};

pub const AXML_SYNTAX: Check = Check {
    id: "immersive.axml-syntax",
    title: "metadata that are no XML",
    definition: "The axml chunk is not well-formed.",
    source: "W3C XML 1.0, clause 2.1",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AxmlSyntax),
    ..FAULT
};

pub const AXML_ENTITIES: Check = Check {
    id: "immersive.axml-entities",
    title: "document type in the metadata",
    definition: "The axml chunk declares a document type or entities; they are refused.",
    source: "own rule: entities can grow without bound",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AxmlEntities),
    ..FAULT
};

pub const AXML_TOO_DEEP: Check = Check {
    id: "immersive.axml-too-deep",
    title: "metadata nested too deep",
    definition: "The axml chunk is nested deeper than any master.",
    source: "own rule: depth is bounded",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AxmlTooDeep),
    ..FAULT
};

pub const AXML_TOO_LARGE: Check = Check {
    id: "immersive.axml-too-large",
    title: "metadata too large",
    definition: "The axml chunk, or a text in it, is larger than any master's.",
    source: "own rule: size is bounded",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AxmlTooLarge),
    ..FAULT
};

pub const ADM_DANGLING_REFERENCE: Check = Check {
    id: "immersive.adm-dangling-reference",
    title: "reference to nothing",
    definition: "An element refers to one that the file does not have.",
    source: "ITU-R BS.2076-3, clauses 5.6.2 and 6",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmDanglingReference),
    ..FAULT
};

pub const ADM_DUPLICATE_ID: Check = Check {
    id: "immersive.adm-duplicate-id",
    title: "id used twice",
    definition: "Two elements have the same id.",
    source: "ITU-R BS.2076-3, clause 6",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmDuplicateId),
    ..FAULT
};

pub const ADM_OBJECT_LOOP: Check = Check {
    id: "immersive.adm-object-loop",
    title: "element nested in itself",
    definition: "Objects or packs refer to each other in a circle.",
    source: "ITU-R BS.2076-3, clause 5.6",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmObjectLoop),
    ..FAULT
};

pub const ADM_PROGRAMME_MISSING: Check = Check {
    id: "immersive.adm-programme-missing",
    title: "no programme",
    definition: "The metadata have no audioProgramme.",
    source: "common practice for delivery; BS.2076-3, clause 3.2, lets a file have none",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmProgrammeMissing),
    ..FAULT
};

pub const ADM_TRACK_UNREFERENCED: Check = Check {
    id: "immersive.adm-track-unreferenced",
    title: "track that nothing plays",
    definition: "A track has a UID that no object refers to.",
    source: "ITU-R BS.2076-3, clause 5.6",
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmTrackUnreferenced),
    ..FAULT
};

pub const ADM_TYPE_UNKNOWN: Check = Check {
    id: "immersive.adm-type-unknown",
    title: "unknown type",
    definition: "A pack or channel has a type that the standard does not name.",
    source: "ITU-R BS.2076-3, clause 5.3",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmTypeUnknown),
    ..FAULT
};

pub const ADM_TYPE_UNSUPPORTED: Check = Check {
    id: "immersive.adm-type-unsupported",
    title: "type that is not rendered",
    definition: "A pack or channel has a type that the renderer has no rule for.",
    source: "ITU-R BS.2127-1, clause 5",
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmTypeUnsupported),
    ..FAULT
};

pub const ADM_ID_TYPE: Check = Check {
    id: "immersive.adm-id-type",
    title: "id that contradicts its type",
    definition: "The type in an id is not that of the element.",
    source: "ITU-R BS.2076-3, clause 6",
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmIdType),
    ..FAULT
};

pub const ADM_BLOCK_OVERLAP: Check = Check {
    id: "immersive.adm-block-overlap",
    title: "blocks that overlap",
    definition: "A block begins before the one before it ends.",
    source: "ITU-R BS.2076-3, clause 5.4.1, BS.2127-1, clause 6",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmBlockOverlap),
    ..FAULT
};

pub const ADM_BLOCK_GAP: Check = Check {
    id: "immersive.adm-block-gap",
    title: "gap between blocks",
    definition: "Between two blocks a track is not heard. Up to one sample is rounding, and noted only.",
    source: "ITU-R BS.2127-1, clause 6",
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmBlockGap),
    ..FAULT
};

pub const ADM_BLOCK_ORDER: Check = Check {
    id: "immersive.adm-block-order",
    title: "blocks out of order",
    definition: "Blocks do not follow each other in time.",
    source: "ITU-R BS.2076-3, clause 5.4.1",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmBlockOrder),
    ..FAULT
};

pub const ADM_FIRST_BLOCK: Check = Check {
    id: "immersive.adm-first-block",
    title: "first block after the start",
    definition: "The first block of a channel does not begin with its object.",
    source: "ITU-R BS.2076-3, clause 5.4.1",
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmFirstBlock),
    ..FAULT
};

pub const ADM_BLOCK_OUTSIDE_OBJECT: Check = Check {
    id: "immersive.adm-block-outside-object",
    title: "block beyond its object",
    definition: "A block ends after its object.",
    source: "ITU-R BS.2127-1, clause 6",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmBlockOutsideObject),
    ..FAULT
};

pub const ADM_OBJECT_OUTSIDE_FILE: Check = Check {
    id: "immersive.adm-object-outside-file",
    title: "object beyond the audio",
    definition: "An object lasts longer than the file.",
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmObjectOutsideFile),
    ..FAULT
};

pub const ADM_RTIME_DURATION: Check = Check {
    id: "immersive.adm-rtime-duration",
    title: "half a block time",
    definition: "A block has one of rtime and duration.",
    source: "ITU-R BS.2076-3, clause 5.4.1",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmRtimeDuration),
    ..FAULT
};

pub const ADM_INTERPOLATION_LENGTH: Check = Check {
    id: "immersive.adm-interpolation-length",
    title: "interpolation longer than its block",
    definition: "An interpolationLength is longer than its block.",
    source: "ITU-R BS.2076-3, clause 9.3",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmInterpolationLength),
    ..FAULT
};

pub const ADM_POSITION_RANGE: Check = Check {
    id: "immersive.adm-position-range",
    title: "position out of range",
    definition: "A position is outside the sphere's angles or the cube.",
    source: "ITU-R BS.2076-3, clause 8",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmPositionRange),
    ..FAULT
};

pub const ADM_COORDINATE_MISMATCH: Check = Check {
    id: "immersive.adm-coordinate-mismatch",
    title: "coordinates that contradict",
    definition: "A block says one kind of coordinates and has the other.",
    source: "ITU-R BS.2076-3, clause 8",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmCoordinateMismatch),
    ..FAULT
};

pub const ADM_VALUE_RANGE: Check = Check {
    id: "immersive.adm-value-range",
    title: "value out of range",
    definition: "A value is not a number, or outside of what it may be.",
    source: "ITU-R BS.2076-3, clause 5.4.3",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmValueRange),
    ..FAULT
};

pub const ADM_LFE_UNDECLARED: Check = Check {
    id: "immersive.adm-lfe-undeclared",
    title: "undeclared low-frequency channel",
    definition: "A channel is labelled as low-frequency and has no frequency element. It is rendered as one.",
    source: "ITU-R BS.2076-3, clause 5.3.3",
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::AdmLfeUndeclared),
    ..FAULT
};

pub const ADM_LABEL_PLACE: Check = Check {
    id: "immersive.adm-label-place",
    title: "bed channel whose label and place disagree",
    definition: "The position of a bed channel lies on the other side than its speakerLabel says, or more than 75 degrees from it; or its name says the other side.",
    source: "ITU-R BS.2051-3, Table 1",
    cannot_see: "Which of them was meant; left and right exchanged in sound alone.",
    read: |case| of_class(case, Class::AdmLabelPlace),
    ..FAULT
};

pub const LIMIT_TRACKS: Check = Check {
    id: "immersive.limit-tracks",
    title: "too many tracks",
    definition: "The master has more than 128 tracks.",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::LimitTracks),
    ..FAULT
};

pub const LIMIT_OBJECTS: Check = Check {
    id: "immersive.limit-objects",
    title: "too many objects",
    definition: "The master has more than 118 objects.",
    severity: Severity::Stop,
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::LimitObjects),
    ..FAULT
};

pub const LIMIT_BED_WIDTH: Check = Check {
    id: "immersive.limit-bed-width",
    title: "bed wider than 7.1.2",
    definition: "The bed has more channels than 7.1.2.",
    cannot_see: "What the metadata were meant to say.",
    read: |case| of_class(case, Class::LimitBedWidth),
    ..FAULT
};

fn of_class(case: &Case, class: Class) -> Reading {
    let adm = Measured::of(case.facts.adm, || NotMeasured::NoAdm);
    read_from(adm, |adm| {
        let found = (adm.findings.iter())
            .filter(|finding| finding.class == class)
            .map(|finding| Found {
                severity: match finding.severity {
                    adm::Severity::Fail => case.check.severity.max(Severity::Advise),
                    // Readers that believe the count play other tracks than those that do not.
                    adm::Severity::Warn if class == Class::ChnaCounts => case.check.severity,
                    adm::Severity::Warn => case.check.severity.min(Severity::Advise),
                    adm::Severity::Note => Severity::Note,
                },
                subject: finding.element.clone(),
                says: finding.says.clone(),
                count: finding.count.max(1),
                at_s: finding.at_s,
            })
            .collect();
        told(case, found)
    })
}
