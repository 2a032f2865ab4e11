//! The document as a whole, and its main elements but those of `programme` and `blocks`.
//!
//! In: steps of a [`Pull`](super::pull::Pull). Out: elements of a [`Model`](crate::adm::Model),
//! references unresolved, with a finding for each value that cannot be read.
//!
//! Source: ITU-R BS.2076-2, clauses 5.1, 5.2, 5.5 and 5.9; a name that a later edition gave is
//! taken too.

use std::io::BufRead;

use super::pull::Step;
use super::reading::{Of, Read, Reading, tell};
use super::values::{self, shown};
use crate::adm::finding::{Class, Severity};
use crate::adm::model::{
    AudioPackFormat, AudioStreamFormat, AudioTrackFormat, AudioTrackUid, TypeDefinition,
};

impl<R: BufRead> Reading<R> {
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
