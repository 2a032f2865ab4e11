//! The order to weigh one file: plain, owned values that can be written down and carried out
//! elsewhere. The same order gives the same report in any process and on any host that sees the
//! files.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::{Request, WeighError, Weighed, weigh};
use crate::layout::Label;
use crate::profile::Profile;
use crate::render::Choice;
use crate::render::binaural::HeadSet;

/// What to weigh, by what, and against what.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct WeighOrder {
    #[serde(with = "path_text")]
    pub path: PathBuf,
    pub profile: Profile,
    /// Labels for a file that does not say where its channels play; they go before the profile's.
    pub channels: Option<Vec<Label>>,
    pub md5: bool,
    /// Why intake gave up waiting for the file to become complete.
    pub incomplete: Option<String>,
    /// Layouts to render an object-based file to, besides the profile's.
    pub renders: Vec<String>,
    /// What is heard of an object-based file that offers more than one thing.
    pub choice: Choice,
    /// BLAKE3 of the set of head-related responses for a binaural render; without it there is none.
    pub head_blake3: Option<String>,
    /// The mix that the file came from.
    #[serde(with = "optional_path_text")]
    pub against: Option<PathBuf>,
    /// Why the file is not held against a mix though a rule asks for one.
    pub not_compared: Option<String>,
}

impl WeighOrder {
    /// The plain weighing of one file: what the profile asks, nothing besides.
    pub fn new(path: &Path, profile: &Profile) -> Self {
        Self {
            path: path.to_owned(),
            profile: profile.clone(),
            channels: None,
            md5: false,
            incomplete: None,
            renders: Vec::new(),
            choice: Choice::default(),
            head_blake3: None,
            against: None,
            not_compared: None,
        }
    }

    /// Reads the file once, measures it, judges it. `head` is the set that the order names, read
    /// by whoever carries it out.
    ///
    /// # Errors
    /// [`WeighError::OtherHead`] where `head` is not the set that the order names; see
    /// [`WeighError`] for the others. Nothing was changed in any case.
    pub fn carry_out(
        &self,
        head: Option<&Arc<HeadSet>>,
        progress: &mut dyn FnMut(u64, u64) -> ControlFlow<()>,
    ) -> Result<Weighed, WeighError> {
        let digest = head.map(|head| head.facts().digest_blake3.clone());
        if digest != self.head_blake3 {
            return Err(WeighError::OtherHead);
        }
        let request = Request {
            channels: self.channels.as_deref(),
            md5: self.md5,
            incomplete: self.incomplete.as_deref(),
            renders: &self.renders,
            choice: &self.choice,
            head: head.cloned(),
            against: self.against.as_deref(),
            not_compared: self.not_compared.as_deref(),
            ..Request::new(&self.path, &self.profile)
        };
        weigh(&request, progress)
    }
}

/// Paths as text and back: bytes that are not UTF-8 are kept.
mod path_text {
    use std::path::{Path, PathBuf};

    use serde::{Deserialize, Deserializer, Serializer};

    use crate::names::{printable, unprintable};

    pub fn serialize<S: Serializer>(path: &Path, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&printable(path.as_os_str()))
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<PathBuf, D::Error> {
        Ok(unprintable(&String::deserialize(from)?).into())
    }
}

mod optional_path_text {
    use std::path::PathBuf;

    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use crate::names::{printable, unprintable};

    pub fn serialize<S: Serializer>(path: &Option<PathBuf>, to: S) -> Result<S::Ok, S::Error> {
        let text = path.as_ref().map(|path| printable(path.as_os_str()));
        text.serialize(to)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Option<PathBuf>, D::Error> {
        let text = Option::<String>::deserialize(from)?;
        Ok(text.map(|text| unprintable(&text).into()))
    }
}

#[cfg(test)]
mod tests {
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;

    use super::*;

    #[test]
    fn an_order_survives_json_with_every_built_in_profile_and_any_name() {
        let set = crate::judge::load_profiles(None).unwrap();
        for profile in set.iter() {
            let path = Path::new(OsStr::from_bytes(b"/exports/Harbour \xff Lights\\.wav"));
            let mut order = WeighOrder::new(path, profile);
            order.against = Some("/mixes/Harbour Lights.wav".into());
            order.channels = Some(vec!["M+030".parse().unwrap(), "M-030".parse().unwrap()]);
            let text = serde_json::to_string(&order).unwrap();
            let back: WeighOrder = serde_json::from_str(&text).unwrap();
            assert_eq!(back.path, order.path);
            assert_eq!(back.against, order.against);
            assert_eq!(back.channels, order.channels);
            assert_eq!(back.profile.digest, profile.digest);
            assert_eq!(serde_json::to_string(&back).unwrap(), text);
        }
    }

    // The same order gives the same judgement when it is carried out after a journey as text.
    #[test]
    fn an_order_that_went_through_json_judges_alike() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("tone.wav");
        let spec = hound::WavSpec {
            channels: 2,
            sample_rate: 48_000,
            bits_per_sample: 24,
            sample_format: hound::SampleFormat::Int,
        };
        let mut writer = hound::WavWriter::create(&path, spec).unwrap();
        for frame in 0..96_000 {
            let phase = std::f64::consts::TAU * 997.0 * f64::from(frame) / 48_000.0;
            let sample = (phase.sin() * 1_000_000.0) as i32;
            writer.write_sample(sample).unwrap();
            writer.write_sample(sample / 2).unwrap();
        }
        writer.finalize().unwrap();
        let set = crate::judge::load_profiles(None).unwrap();
        let order = WeighOrder::new(&path, set.get("stereo-music").unwrap());
        let text = serde_json::to_string(&order).unwrap();
        let back: WeighOrder = serde_json::from_str(&text).unwrap();
        let weigh = |order: &WeighOrder| {
            let go_on = &mut |_, _| ControlFlow::Continue(());
            order.carry_out(None, go_on).unwrap().judgement
        };
        assert_eq!(weigh(&order), weigh(&back));
        let other = WeighOrder {
            head_blake3: Some("00".into()),
            ..order
        };
        let refused = other.carry_out(None, &mut |_, _| ControlFlow::Continue(()));
        assert!(matches!(refused, Err(WeighError::OtherHead)));
    }
}
