//! The main elements of an axml chunk: from programme to track UID.
//!
//! In: steps of a [`Pull`]. Out: elements of a [`Model`], references unresolved, with a finding
//! for each value that cannot be read. Blocks are read in `blocks` and `object_block`.
//!
//! Source: ITU-R BS.2076-2, clauses 5.1 to 5.9; a name that a later edition gave is taken too.

use std::io::BufRead;

use super::Limits;
use super::pull::{Pull, Step, Stop};
use super::values::{self, GainUnit, shown};
use crate::adm::block::BlockNumber;
use crate::adm::finding::{Class, Findings, Severity};
use crate::adm::model::{
    AlternativeValueSet, AudioContent, AudioObject, AudioPackFormat, AudioProgramme,
    AudioStreamFormat, AudioTrackFormat, AudioTrackUid, LoudnessMetadata, Model, PositionOffset,
    Reference, Screen, TypeDefinition,
};
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

    /// Reads to the end; true when there was an audioFormatExtended.
    pub fn document(&mut self) -> Read<bool> {
        let mut found = 0_u32;
        loop {
            match self.pull.step()? {
                Step::End => break,
                Step::Open if self.pull.name() == b"audioFormatExtended" => {
                    found += 1;
                    self.format_extended()?;
                }
                Step::Open | Step::Close => {}
            }
        }
        self.check_encoding();
        if found == 0 && self.pull.root_seen() {
            self.findings.of(
                Class::AxmlMissing,
                Severity::Fail,
                "axml",
                "the axml chunk holds no audioFormatExtended".to_owned(),
            );
        }
        if found > 1 {
            self.findings.of(
                Class::AxmlSyntax,
                Severity::Warn,
                "axml",
                format!("the axml chunk holds {found} elements audioFormatExtended; one is wanted, all are read"),
            );
        }
        Ok(found > 0 || !self.pull.root_seen())
    }

    /// The bytes were UTF-8; the declaration should say no other.
    fn check_encoding(&mut self) {
        if let Some(declared) = self.pull.declared_encoding.take() {
            let plain = declared.to_ascii_lowercase();
            if !matches!(plain.as_str(), "utf-8" | "utf8" | "us-ascii" | "ascii") {
                self.findings.of(
                    Class::AxmlEncoding,
                    Severity::Fail,
                    "axml",
                    format!(
                        "the document declares the encoding {}; its bytes were read as UTF-8",
                        shown(&declared)
                    ),
                );
            }
        }
    }

    fn format_extended(&mut self) -> Read<()> {
        let outside = self.pull.depth() - 1;
        self.model.version = self
            .pull
            .attribute("version")
            .map(|version| version.into_owned());
        loop {
            match self.pull.step()? {
                Step::Open => match self.pull.name() {
                    b"audioProgramme" => self.programme()?,
                    b"audioContent" => self.content()?,
                    b"audioObject" => self.object()?,
                    b"audioPackFormat" => self.pack()?,
                    b"audioChannelFormat" => self.channel()?,
                    b"audioStreamFormat" => self.stream()?,
                    b"audioTrackFormat" => self.track_format()?,
                    b"audioTrackUID" => self.track_uid()?,
                    b"profile" => self.profile()?,
                    // What is not known may hold what is.
                    _ => {}
                },
                Step::Close if self.pull.depth() == outside => return Ok(()),
                Step::Close => {}
                Step::End => return Ok(()),
            }
        }
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

    fn whole_of(&mut self, of: Of, name: &str) -> Option<i64> {
        let text = self.pull.attribute(name)?;
        let value = values::whole(&text);
        if value.is_none() {
            unreadable(&mut self.findings, of, name, &text, "a whole number");
        }
        value
    }

    fn flag_of(&mut self, of: Of, name: &str) -> Option<bool> {
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

    // The elements.

    fn programme(&mut self) -> Read<()> {
        let id = self.id("audioProgrammeID")?;
        let of = Of {
            id: &id,
            block: None,
        };
        let mut programme = AudioProgramme {
            name: self.string("audioProgrammeName")?.unwrap_or_default(),
            language: self.string("audioProgrammeLanguage")?,
            start: self.time_of(of, "start", Class::AdmValueRange),
            end: self.time_of(of, "end", Class::AdmValueRange),
            contents: Vec::new(),
            loudness: Vec::new(),
            reference_screen: None,
            alternative_values: Vec::new(),
            common: false,
            id: id.clone(),
        };
        self.children(|reading| {
            match reading.pull.name() {
                b"audioContentIDRef" => programme.contents.push(reading.reference()?),
                b"loudnessMetadata" => programme.loudness.push(reading.loudness(of)?),
                b"audioProgrammeReferenceScreen" => {
                    programme.reference_screen = reading.screen(of)?;
                }
                b"alternativeValueSetIDRef" => {
                    programme.alternative_values.push(reading.text_string()?);
                }
                _ => reading.pull.skip()?,
            }
            Ok(())
        })?;
        self.keep(size_of::<AudioProgramme>())?;
        self.model.programmes.push(programme);
        Ok(())
    }

    fn content(&mut self) -> Read<()> {
        let id = self.id("audioContentID")?;
        let of = Of {
            id: &id,
            block: None,
        };
        let mut content = AudioContent {
            name: self.string("audioContentName")?.unwrap_or_default(),
            language: self.string("audioContentLanguage")?,
            objects: Vec::new(),
            loudness: Vec::new(),
            dialogue: None,
            alternative_values: Vec::new(),
            common: false,
            id: id.clone(),
        };
        self.children(|reading| {
            match reading.pull.name() {
                b"audioObjectIDRef" => content.objects.push(reading.reference()?),
                b"loudnessMetadata" => content.loudness.push(reading.loudness(of)?),
                b"dialogue" => content.dialogue = reading.text_whole(of, "dialogue")?,
                b"alternativeValueSetIDRef" => {
                    content.alternative_values.push(reading.text_string()?);
                }
                _ => reading.pull.skip()?,
            }
            Ok(())
        })?;
        self.keep(size_of::<AudioContent>())?;
        self.model.contents.push(content);
        Ok(())
    }

    fn object(&mut self) -> Read<()> {
        let id = self.id("audioObjectID")?;
        let of = Of {
            id: &id,
            block: None,
        };
        let mut object = AudioObject {
            name: self.string("audioObjectName")?.unwrap_or_default(),
            start: self.time_of(of, "start", Class::AdmValueRange),
            duration: self.time_of(of, "duration", Class::AdmValueRange),
            packs: Vec::new(),
            track_uids: Vec::new(),
            objects: Vec::new(),
            complementary: Vec::new(),
            dialogue: self.whole_of(of, "dialogue"),
            importance: self.whole_of(of, "importance"),
            interact: self.flag_of(of, "interact"),
            disable_ducking: self.flag_of(of, "disableDucking"),
            gain: 1.0,
            mute: false,
            position_offset: None,
            alternative_values: Vec::new(),
            common: false,
            id: id.clone(),
        };
        self.children(|reading| {
            match reading.pull.name() {
                b"audioPackFormatIDRef" => object.packs.push(reading.reference()?),
                b"audioObjectIDRef" => object.objects.push(reading.reference()?),
                b"audioComplementaryObjectIDRef" => object.complementary.push(reading.reference()?),
                b"audioTrackUIDRef" => {
                    let reference = reading.reference()?;
                    let silent = is_silent_track(&reference.id);
                    object.track_uids.push((!silent).then_some(reference));
                }
                b"gain" => object.gain = reading.text_gain(of)?.unwrap_or(1.0),
                b"mute" => object.mute = reading.text_flag(of, "mute")?.unwrap_or(false),
                b"positionOffset" => reading.position_offset(of, &mut object.position_offset)?,
                b"alternativeValueSet" => {
                    let set = reading.alternative_values()?;
                    object.alternative_values.push(set);
                }
                _ => reading.pull.skip()?,
            }
            Ok(())
        })?;
        self.keep(size_of::<AudioObject>())?;
        self.model.objects.push(object);
        Ok(())
    }

    /// alternativeValueSet (BS.2076-2, clause 5.6.6).
    fn alternative_values(&mut self) -> Read<AlternativeValueSet> {
        let id = self.id("alternativeValueSetID")?;
        let of = Of {
            id: &id,
            block: None,
        };
        let mut set = AlternativeValueSet {
            gain: None,
            mute: None,
            position_offset: None,
            id: id.clone(),
        };
        self.children(|reading| {
            match reading.pull.name() {
                b"gain" => set.gain = reading.text_gain(of)?,
                b"mute" => set.mute = reading.text_flag(of, "mute")?,
                b"positionOffset" => reading.position_offset(of, &mut set.position_offset)?,
                _ => reading.pull.skip()?,
            }
            Ok(())
        })?;
        self.keep(size_of::<AlternativeValueSet>())?;
        Ok(set)
    }

    /// One coordinate of a positionOffset (BS.2076-2, clause 5.6.5); absent ones are 0.
    fn position_offset(&mut self, of: Of, offset: &mut Option<PositionOffset>) -> Read<()> {
        let coordinate = self
            .pull
            .attribute("coordinate")
            .unwrap_or_default()
            .into_owned();
        let Some(value) = self.text_number(of, "positionOffset")? else {
            return Ok(());
        };
        let polar = PositionOffset::Polar {
            azimuth: 0.0,
            elevation: 0.0,
            distance: 0.0,
        };
        let cartesian = PositionOffset::Cartesian {
            x: 0.0,
            y: 0.0,
            z: 0.0,
        };
        let first = match coordinate.as_str() {
            "azimuth" | "elevation" | "distance" => polar,
            "X" | "Y" | "Z" => cartesian,
            _ => {
                tell(
                    &mut self.findings,
                    Class::AdmCoordinateMismatch,
                    Severity::Fail,
                    of,
                    || {
                        format!(
                            "positionOffset has the coordinate {}; it is left out",
                            shown(&coordinate)
                        )
                    },
                );
                return Ok(());
            }
        };
        let place = match (offset.get_or_insert(first), coordinate.as_str()) {
            (PositionOffset::Polar { azimuth, .. }, "azimuth") => azimuth,
            (PositionOffset::Polar { elevation, .. }, "elevation") => elevation,
            (PositionOffset::Polar { distance, .. }, "distance") => distance,
            (PositionOffset::Cartesian { x, .. }, "X") => x,
            (PositionOffset::Cartesian { y, .. }, "Y") => y,
            (PositionOffset::Cartesian { z, .. }, "Z") => z,
            _ => {
                tell(
                    &mut self.findings,
                    Class::AdmCoordinateMismatch,
                    Severity::Fail,
                    of,
                    || {
                        format!(
                            "positionOffset mixes polar and Cartesian coordinates; {coordinate} is left out"
                        )
                    },
                );
                return Ok(());
            }
        };
        *place = value;
        Ok(())
    }

    /// loudnessMetadata (BS.2076-2, clause 5.8.5).
    fn loudness(&mut self, of: Of) -> Read<LoudnessMetadata> {
        let mut loudness = LoudnessMetadata {
            method: self.string("loudnessMethod")?,
            recommendation: self.string("loudnessRecType")?,
            correction: self.string("loudnessCorrectionType")?,
            ..LoudnessMetadata::default()
        };
        self.children(|reading| {
            let field = match reading.pull.name() {
                b"integratedLoudness" => (&mut loudness.integrated_lufs, "integratedLoudness"),
                b"loudnessRange" => (&mut loudness.range_lu, "loudnessRange"),
                b"maxTruePeak" => (&mut loudness.max_true_peak_dbtp, "maxTruePeak"),
                b"maxMomentary" => (&mut loudness.max_momentary_lufs, "maxMomentary"),
                b"maxShortTerm" => (&mut loudness.max_short_term_lufs, "maxShortTerm"),
                b"dialogueLoudness" => (&mut loudness.dialogue_lufs, "dialogueLoudness"),
                b"renderer" => {
                    let uri = reading.pull.attribute("uri").map(|uri| uri.into_owned());
                    let name = reading.pull.attribute("name").map(|name| name.into_owned());
                    let text = reading.text_string()?;
                    let renderer = [uri, name, Some(text)]
                        .into_iter()
                        .flatten()
                        .filter(|part| !part.is_empty())
                        .collect::<Vec<_>>()
                        .join(" ");
                    reading.keep(renderer.len())?;
                    loudness.renderers.push(renderer);
                    return Ok(());
                }
                _ => return reading.pull.skip(),
            };
            *field.0 = reading.text_number(of, field.1)?;
            Ok(())
        })?;
        self.keep(size_of::<LoudnessMetadata>())?;
        Ok(loudness)
    }

    /// audioProgrammeReferenceScreen (BS.2076-2, clause 5.7.5); aspectRatio is written as an
    /// element, and by some as an attribute. Parts that are absent are the default screen's.
    fn screen(&mut self, of: Of) -> Read<Option<Screen>> {
        let mut aspect_ratio = self.number_of(of, "aspectRatio").unwrap_or(1.78);
        let mut polar = [0.0, 0.0, 1.0];
        let mut width_azimuth = None;
        let mut centre = None;
        let mut width_x = None;
        self.children(|reading| {
            match reading.pull.name() {
                b"aspectRatio" => {
                    if let Some(value) = reading.text_number(of, "aspectRatio")? {
                        aspect_ratio = value;
                    }
                }
                b"screenCentrePosition" => {
                    let names = ["azimuth", "elevation", "distance"];
                    for (place, name) in polar.iter_mut().zip(names) {
                        if let Some(value) = reading.number_of(of, name) {
                            *place = value;
                        }
                    }
                    let cartesian = ["X", "Y", "Z"].map(|name| reading.number_of(of, name));
                    if cartesian.iter().any(Option::is_some) {
                        let [x, y, z] = cartesian;
                        centre = Some([x.unwrap_or(0.0), y.unwrap_or(1.0), z.unwrap_or(0.0)]);
                    }
                    reading.pull.skip()?;
                }
                b"screenWidth" => {
                    width_azimuth = reading.number_of(of, "azimuth");
                    width_x = reading.number_of(of, "X");
                    reading.pull.skip()?;
                }
                _ => reading.pull.skip()?,
            }
            Ok(())
        })?;
        match (centre, width_azimuth, width_x) {
            (None, _, None) => Ok(Some(Screen::Polar {
                aspect_ratio,
                azimuth: polar[0],
                elevation: polar[1],
                distance: polar[2],
                width_azimuth: width_azimuth.unwrap_or(58.0),
            })),
            (Some(centre), None, Some(width_x)) => Ok(Some(Screen::Cartesian {
                aspect_ratio,
                centre,
                width_x,
            })),
            _ => {
                tell(
                    &mut self.findings,
                    Class::AdmCoordinateMismatch,
                    Severity::Fail,
                    of,
                    || {
                        "the reference screen mixes polar and Cartesian coordinates; it is treated as absent".to_owned()
                    },
                );
                Ok(None)
            }
        }
    }

    fn pack(&mut self) -> Read<()> {
        let id = self.id("audioPackFormatID")?;
        let of = Of {
            id: &id,
            block: None,
        };
        let mut pack = AudioPackFormat {
            name: self.string("audioPackFormatName")?.unwrap_or_default(),
            type_definition: self.type_definition(of),
            channels: Vec::new(),
            packs: Vec::new(),
            importance: self.whole_of(of, "importance"),
            absolute_distance: self.number_of(of, "absoluteDistance"),
            encode_packs: Vec::new(),
            decode_packs: Vec::new(),
            input_pack: None,
            output_pack: None,
            normalization: self.string("normalization")?,
            nfc_ref_dist: self.number_of(of, "nfcRefDist"),
            screen_ref: self.flag_of(of, "screenRef"),
            common: false,
            id: id.clone(),
        };
        self.children(|reading| {
            match reading.pull.name() {
                b"audioChannelFormatIDRef" => pack.channels.push(reading.reference()?),
                b"audioPackFormatIDRef" => pack.packs.push(reading.reference()?),
                b"encodePackFormatIDRef" => pack.encode_packs.push(reading.reference()?),
                b"decodePackFormatIDRef" => pack.decode_packs.push(reading.reference()?),
                b"inputPackFormatIDRef" => pack.input_pack = Some(reading.reference()?),
                b"outputPackFormatIDRef" => pack.output_pack = Some(reading.reference()?),
                b"absoluteDistance" => {
                    pack.absolute_distance = reading.text_number(of, "absoluteDistance")?;
                }
                b"normalization" => pack.normalization = Some(reading.text_string()?),
                b"nfcRefDist" => pack.nfc_ref_dist = reading.text_number(of, "nfcRefDist")?,
                b"screenRef" => pack.screen_ref = reading.text_flag(of, "screenRef")?,
                _ => reading.pull.skip()?,
            }
            Ok(())
        })?;
        self.keep(size_of::<AudioPackFormat>())?;
        self.model.packs.push(pack);
        Ok(())
    }

    /// typeLabel and typeDefinition say the same; where neither stands, the id says it.
    pub fn type_definition(&mut self, of: Of) -> TypeDefinition {
        let label = self
            .pull
            .attribute("typeLabel")
            .map(|text| (values::type_label(&text), text.into_owned()));
        let word = self
            .pull
            .attribute("typeDefinition")
            .map(|text| (values::type_word(&text), text.into_owned()));
        match (label, word) {
            (Some((label, _)), Some((word, _))) if label == word => word,
            (Some((label, label_text)), Some((word, word_text))) => {
                tell(
                    &mut self.findings,
                    Class::AdmIdType,
                    Severity::Fail,
                    of,
                    || {
                        format!(
                            "typeLabel {} and typeDefinition {} are not the same type",
                            shown(&label_text),
                            shown(&word_text)
                        )
                    },
                );
                if word == TypeDefinition::Unknown {
                    label
                } else {
                    word
                }
            }
            (Some((only, _)), None) | (None, Some((only, _))) => only,
            (None, None) => {
                let guessed = values::type_of_id(of.id);
                tell(
                    &mut self.findings,
                    Class::AdmTypeUnknown,
                    Severity::Warn,
                    of,
                    || {
                        format!(
                            "neither typeLabel nor typeDefinition is there; by its id it is taken as {guessed:?}"
                        )
                    },
                );
                guessed
            }
        }
    }

    fn stream(&mut self) -> Read<()> {
        let mut stream = AudioStreamFormat {
            id: self.id("audioStreamFormatID")?,
            name: self.string("audioStreamFormatName")?.unwrap_or_default(),
            format: self.format()?,
            channel: None,
            pack: None,
            tracks: Vec::new(),
            common: false,
        };
        self.children(|reading| {
            match reading.pull.name() {
                b"audioChannelFormatIDRef" => stream.channel = Some(reading.reference()?),
                b"audioPackFormatIDRef" => stream.pack = Some(reading.reference()?),
                b"audioTrackFormatIDRef" => stream.tracks.push(reading.reference()?),
                _ => reading.pull.skip()?,
            }
            Ok(())
        })?;
        self.keep(size_of::<AudioStreamFormat>())?;
        self.model.streams.push(stream);
        Ok(())
    }

    fn track_format(&mut self) -> Read<()> {
        let mut track = AudioTrackFormat {
            id: self.id("audioTrackFormatID")?,
            name: self.string("audioTrackFormatName")?.unwrap_or_default(),
            format: self.format()?,
            stream: None,
            common: false,
        };
        self.children(|reading| {
            match reading.pull.name() {
                b"audioStreamFormatIDRef" => track.stream = Some(reading.reference()?),
                _ => reading.pull.skip()?,
            }
            Ok(())
        })?;
        self.keep(size_of::<AudioTrackFormat>())?;
        self.model.track_formats.push(track);
        Ok(())
    }

    fn format(&mut self) -> Read<Option<String>> {
        match self.string("formatDefinition")? {
            Some(definition) => Ok(Some(definition)),
            None => self.string("formatLabel"),
        }
    }

    fn track_uid(&mut self) -> Read<()> {
        let id = self.id("UID")?;
        let of = Of {
            id: &id,
            block: None,
        };
        let mut uid = AudioTrackUid {
            track_index: None,
            sample_rate: self
                .whole_of(of, "sampleRate")
                .and_then(|rate| rate.try_into().ok()),
            bit_depth: self
                .whole_of(of, "bitDepth")
                .and_then(|depth| depth.try_into().ok()),
            track_format: None,
            channel: None,
            pack: None,
            from_chna: false,
            id: id.clone(),
        };
        self.children(|reading| {
            match reading.pull.name() {
                b"audioTrackFormatIDRef" => uid.track_format = Some(reading.reference()?),
                b"audioChannelFormatIDRef" => uid.channel = Some(reading.reference()?),
                b"audioPackFormatIDRef" => uid.pack = Some(reading.reference()?),
                _ => reading.pull.skip()?,
            }
            Ok(())
        })?;
        self.keep(size_of::<AudioTrackUid>())?;
        self.model.track_uids.push(uid);
        Ok(())
    }

    /// profile in a profileList (BS.2076-3): name, version, level and value in one text.
    fn profile(&mut self) -> Read<()> {
        let parts = ["profileName", "profileVersion", "profileLevel"]
            .map(|name| self.pull.attribute(name).unwrap_or_default().into_owned());
        let value = self.text_string()?;
        let profile = parts
            .into_iter()
            .chain([value])
            .filter(|part| !part.is_empty())
            .collect::<Vec<_>>()
            .join(", ");
        self.keep(profile.len())?;
        self.model.profiles.push(profile);
        Ok(())
    }
}

/// `ATU_00000000` stands for a silent track (BS.2076-2, clause 5.6.2).
pub(crate) fn is_silent_track(id: &str) -> bool {
    id.eq_ignore_ascii_case("ATU_00000000")
}
