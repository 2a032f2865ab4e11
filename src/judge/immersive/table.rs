//! The part of the catalogue that speaks of immersive masters. A fault here is judged on every
//! file with an audio definition model, by its own severity, whether or not a profile asks.

use crate::judge::catalogue::{Check, PRACTICE, of_practice};
use crate::profile::{Severity, Takes};

const fn fault(
    id: &'static str,
    title: &'static str,
    definition: &'static str,
    source: &'static str,
    severity: Severity,
) -> Check {
    Check {
        id,
        title,
        definition,
        unit: "",
        source,
        severity,
        cannot_see: "What the metadata were meant to say.",
        takes: Takes::Fault,
        always: false,
        on_renders: false,
    }
}

const fn number(
    id: &'static str,
    title: &'static str,
    definition: &'static str,
    unit: &'static str,
    cannot_see: &'static str,
) -> Check {
    of_practice(
        id,
        title,
        definition,
        unit,
        Severity::Advise,
        Takes::Number,
        cannot_see,
    )
}

use Severity::{Advise, Note, Stop};

#[rustfmt::skip]
pub const IMMERSIVE: &[Check] = &[
    fault("immersive.file-truncated", "truncated master", "The audio of an immersive master is shorter than its header says.", "ITU-R BS.2088-1 (chunk sizes)", Stop),
    fault("immersive.ds64-missing", "missing ds64 chunk", "An RF64 or BW64 file does not begin with a ds64 chunk.", "ITU-R BS.2088-1 (ds64 chunk)", Stop),
    fault("immersive.ds64-size", "sizes that disagree", "Sizes in the ds64 chunk, the headers and the file contradict each other.", "ITU-R BS.2088-1 (ds64 chunk)", Advise),
    fault("immersive.chunk-padding", "missing pad byte", "A chunk of odd length has no pad byte.", "ITU-R BS.2088-1 (chunks are padded to an even length)", Advise),
    fault("immersive.chunk-duplicate", "doubled chunk", "A chunk that may stand once stands twice.", "ITU-R BS.2088-1", Advise),
    fault("immersive.chunk-unknown", "chunk of unknown kind", "A chunk that no standard of the trade names; it is kept and not read.", PRACTICE, Note),
    fault("immersive.format-fmt", "contradictory format fields", "Fields of the fmt chunk contradict each other.", "ITU-R BS.2088-1 (fmt chunk)", Advise),
    fault("immersive.format-sample-rate", "sample rate that disagrees", "The metadata give a track another sample rate than the file has.", "ITU-R BS.2076-3, clause 5.9 (audioTrackUID sampleRate)", Stop),
    fault("immersive.format-bit-depth", "bit depth that disagrees", "The metadata give a track another bit depth than the file has.", "ITU-R BS.2076-3, clause 5.9 (audioTrackUID bitDepth)", Stop),
    fault("immersive.audio-empty", "no audio", "The file has no frames.", PRACTICE, Stop),
    fault("immersive.chna-missing", "missing chna chunk", "No chunk ties the tracks to the metadata.", "ITU-R BS.2088-1 (chna chunk), BS.2076-3, clause 7", Stop),
    fault("immersive.chna-counts", "chna counts that disagree", "The counts in the chna chunk are not those of its rows: a stop where readers may play different tracks, otherwise advice or a note.", "ITU-R BS.2088-1 (chna chunk)", Stop),
    fault("immersive.chna-track-index", "track that is not there", "The chna chunk names a track beyond the file's.", "ITU-R BS.2088-1 (chna chunk): trackIndex counts from 1", Stop),
    fault("immersive.chna-duplicate-uid", "track UID used twice", "One audioTrackUID stands for two tracks.", "ITU-R BS.2076-3, clause 5.9", Stop),
    fault("immersive.chna-missing-uid", "track UID without a track", "An audioTrackUID of the metadata has no track in the chna chunk.", "ITU-R BS.2088-1 (chna chunk), BS.2076-3, clause 5.9", Stop),
    fault("immersive.chna-axml-disagree", "chna and axml that disagree", "The chna chunk and the metadata give a track different formats.", "ITU-R BS.2088-1 (chna chunk), BS.2076-3, clause 5.9", Stop),
    fault("immersive.axml-missing", "missing axml chunk", "There are no metadata, and the chna chunk needs them.", "ITU-R BS.2088-1 (axml chunk)", Stop),
    fault("immersive.axml-encoding", "metadata that are not UTF-8", "The axml chunk is in another encoding than it may be.", "W3C XML 1.0, clause 4.3.3", Stop),
    fault("immersive.axml-syntax", "metadata that are no XML", "The axml chunk is not well-formed.", "W3C XML 1.0, clause 2.1", Stop),
    fault("immersive.axml-entities", "document type in the metadata", "The axml chunk declares a document type or entities; they are refused.", "own rule: entities can grow without bound", Stop),
    fault("immersive.axml-too-deep", "metadata nested too deep", "The axml chunk is nested deeper than any master.", "own rule: depth is bounded", Stop),
    fault("immersive.axml-too-large", "metadata too large", "The axml chunk, or a text in it, is larger than any master's.", "own rule: size is bounded", Stop),
    fault("immersive.adm-dangling-reference", "reference to nothing", "An element refers to one that the file does not have.", "ITU-R BS.2076-3, clauses 5.6.2 and 6", Stop),
    fault("immersive.adm-duplicate-id", "id used twice", "Two elements have the same id.", "ITU-R BS.2076-3, clause 6", Stop),
    fault("immersive.adm-object-loop", "element nested in itself", "Objects or packs refer to each other in a circle.", "ITU-R BS.2076-3, clause 5.6", Stop),
    fault("immersive.adm-programme-missing", "no programme", "The metadata have no audioProgramme.", "common practice for delivery; BS.2076-3, clause 3.2, lets a file have none", Stop),
    fault("immersive.adm-track-unreferenced", "track that nothing plays", "A track has a UID that no object refers to.", "ITU-R BS.2076-3, clause 5.6", Advise),
    fault("immersive.adm-type-unknown", "unknown type", "A pack or channel has a type that the standard does not name.", "ITU-R BS.2076-3, clause 5.3", Stop),
    fault("immersive.adm-type-unsupported", "type that is not rendered", "A pack or channel has a type that the renderer has no rule for.", "ITU-R BS.2127-1, clause 5", Advise),
    fault("immersive.adm-id-type", "id that contradicts its type", "The type in an id is not that of the element.", "ITU-R BS.2076-3, clause 6", Advise),
    fault("immersive.adm-block-overlap", "blocks that overlap", "A block begins before the one before it ends.", "ITU-R BS.2076-3, clause 5.4.1, BS.2127-1, clause 6", Stop),
    fault("immersive.adm-block-gap", "gap between blocks", "Between two blocks a track is not heard. Up to one sample is rounding, and noted only.", "ITU-R BS.2127-1, clause 6", Advise),
    fault("immersive.adm-block-order", "blocks out of order", "Blocks do not follow each other in time.", "ITU-R BS.2076-3, clause 5.4.1", Stop),
    fault("immersive.adm-first-block", "first block after the start", "The first block of a channel does not begin with its object.", "ITU-R BS.2076-3, clause 5.4.1", Advise),
    fault("immersive.adm-block-outside-object", "block beyond its object", "A block ends after its object.", "ITU-R BS.2127-1, clause 6", Stop),
    fault("immersive.adm-object-outside-file", "object beyond the audio", "An object lasts longer than the file.", PRACTICE, Advise),
    fault("immersive.adm-rtime-duration", "half a block time", "A block has one of rtime and duration.", "ITU-R BS.2076-3, clause 5.4.1", Stop),
    fault("immersive.adm-interpolation-length", "interpolation longer than its block", "An interpolationLength is longer than its block.", "ITU-R BS.2076-3, clause 9.3", Stop),
    fault("immersive.adm-position-range", "position out of range", "A position is outside the sphere's angles or the cube.", "ITU-R BS.2076-3, clause 8", Stop),
    fault("immersive.adm-coordinate-mismatch", "coordinates that contradict", "A block says one kind of coordinates and has the other.", "ITU-R BS.2076-3, clause 8", Stop),
    fault("immersive.adm-value-range", "value out of range", "A value is not a number, or outside of what it may be.", "ITU-R BS.2076-3, clause 5.4.3", Stop),
    fault("immersive.adm-lfe-undeclared", "undeclared low-frequency channel", "A channel is labelled as low-frequency and has no frequency element. It is rendered as one.", "ITU-R BS.2076-3, clause 5.3.3", Advise),
    fault("immersive.limit-tracks", "too many tracks", "The master has more than 128 tracks.", PRACTICE, Stop),
    fault("immersive.limit-objects", "too many objects", "The master has more than 118 objects.", PRACTICE, Stop),
    fault("immersive.limit-bed-width", "bed wider than 7.1.2", "The bed has more channels than 7.1.2.", PRACTICE, Advise),
    fault("immersive.object-silent", "silent object", "An object's track never rises over -80 dBFS.", PRACTICE, Advise),
    fault("immersive.object-muted", "muted object", "An object is muted, or its gain is zero, throughout.", PRACTICE, Advise),
    fault("immersive.objects-static", "objects that never move", "Objects have many blocks and one position.", PRACTICE, Note),
    fault("immersive.loudness-metadata-disagrees", "loudness metadata that disagree", "The loudness that the metadata state is not what the render reads: over 0.5 LU, or 0.5 dB of true peak.", "ITU-R BS.2076-3, clause 5.8.5; the tolerances are our own choice", Advise),
    fault("immersive.bext-loudness-disagrees", "bext loudness that disagrees", "The loudness that the bext chunk states is not what the render reads: over 0.5 LU, or 0.5 dB of true peak.", "EBU Tech 3285, clause 2.3; the tolerances are our own choice", Advise),
    number("immersive.track_count", "number of tracks", "Tracks of an object-based file.", "tracks", "Whether each is wanted."),
    number("immersive.object_count", "number of objects", "Objects that are heard.", "objects", "Whether each is wanted."),
    Check {
        id: "immersive.bed_layout",
        title: "bed layout",
        definition: "The layout of the bed by its loudspeaker labels. 7.1.2 is no layout of BS.2051: it is known by its labels, and rendered by them.",
        unit: "",
        source: PRACTICE,
        severity: Stop,
        cannot_see: "Whether the right sound is on each channel.",
        takes: Takes::Layout,
        always: false,
        on_renders: false,
    },
    number("immersive.programme_length", "programme length against the audio", "The end of the programme less the end of the audio.", "s", "A programme that has no end."),
    number("immersive.bed-lfe-content", "high frequencies in the low-frequency channel", "Energy over 500 Hz less energy from 20 to 120 Hz of a low-frequency channel before rendering.", "dB", "A channel under -70 dBFS."),
    number("immersive.bed_against_objects", "bed against objects", "Integrated loudness of the bed alone less that of the objects alone, each as it sounds in the main render.", "LU", "What was intended."),
    number("immersive.fold_headroom", "headroom lost in stereo", "True peak of the render to 0+2+0 less that of the main render.", "dB", "Other ways of folding down."),
];
