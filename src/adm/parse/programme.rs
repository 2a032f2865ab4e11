//! audioProgramme, audioContent and audioObject.
//!
//! Source: ITU-R BS.2076-2, clauses 5.6 to 5.8.

use std::io::BufRead;

use super::reading::{Of, Read, Reading, tell};
use super::values::shown;
use crate::adm::finding::{Class, Severity};
use crate::adm::model::{
    AlternativeValueSet, AudioContent, AudioObject, AudioProgramme, LoudnessMetadata,
    PositionOffset, Screen,
};

impl<R: BufRead> Reading<R> {
    pub(super) fn programme(&mut self) -> Read<()> {
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

    pub(super) fn content(&mut self) -> Read<()> {
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

    pub(super) fn object(&mut self) -> Read<()> {
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
}

/// `ATU_00000000` stands for a silent track (BS.2076-2, clause 5.6.2).
pub(crate) fn is_silent_track(id: &str) -> bool {
    id.eq_ignore_ascii_case("ATU_00000000")
}
