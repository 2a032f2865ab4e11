//! A master held against the mix it came from, while both are read.
//!
//! In: an opened master and the path of its mix. Out: what the comparison found, or why there is
//! none. The mix is read by a thread of its own, a few blocks ahead at most; it is only read, and
//! its digests go into the record. A mix that cannot be read is a fact, never an error of the
//! weighing.

use std::ops::ControlFlow;
use std::path::Path;
use std::sync::mpsc::{Receiver, SyncSender};

use super::immersive::{AdmWeighed, layouts, metadata};
use super::{Request, WeighError, survey_order};
use crate::compare::{Comparer, Comparison, Limits, Side, Wants};
use crate::judge::{self, AgainstRead};
use crate::measure::translation::Translation;
use crate::measure::{ElsewhereMeters, Survey, SurveyMeters, SurveyOrder};
use crate::measured::{Measured, NotMeasured};
use crate::profile::Profile;
use crate::specimen::{Block, BlockSink, Digests, Format, Specimen};

/// Blocks that the reading of the mix may be ahead: bounded, so memory is.
pub(super) const AHEAD: usize = 4;

/// `[track][frame]` of one block.
pub(super) type Planes = Vec<Vec<f64>>;

/// A master against its mix.
#[derive(Clone, Debug)]
pub struct Against {
    /// The mix's file name.
    pub mix: std::ffi::OsString,
    /// Of the mix's bytes; `None` where it could not be read to its end.
    pub digests: Option<Digests>,
    /// What is left of the mix elsewhere, where that was wanted.
    pub translation: Option<Translation>,
    /// What was found, or why nothing was: a sentence without full stop.
    pub result: Result<Box<Comparison>, String>,
}

impl Against {
    pub(super) fn read(&self) -> AgainstRead<'_> {
        AgainstRead {
            mix: Some(&self.mix),
            result: self.result.as_deref().map_err(String::as_str),
        }
    }
}

/// The mix, opened.
pub(super) struct Mix {
    pub specimen: Specimen,
    side: Side,
    adm: Option<AdmWeighed>,
}

/// What is measured of the mix besides the comparison.
pub(super) struct MixOrder {
    survey: SurveyOrder,
    /// Of an object-based mix.
    elsewhere: Option<ElsewhereMeters>,
}

impl Mix {
    pub(super) fn order(&self, request: &Request) -> MixOrder {
        let format = self.specimen.format();
        let wanted = judge::wants(request.profile).translation;
        let scene = self.adm.as_ref().filter(|_| wanted).and_then(|adm| {
            let scene = adm.scene.as_ref()?;
            Some((&adm.model, scene))
        });
        MixOrder {
            survey: survey_order(&self.specimen, self.adm.is_some(), request.profile),
            elsewhere: scene.and_then(|(model, scene)| {
                let rate = format.sample_rate;
                ElsewhereMeters::new(model, scene, &layouts(request), format.channels, rate)
            }),
        }
    }
}

fn side(format: &Format, adm: Option<&AdmWeighed>) -> Side {
    Side {
        model: adm.map(|adm| adm.model.clone()),
        tracks: format.channels,
        sample_rate: format.sample_rate.value(),
        labels: format.labels.clone(),
        frames_hint: format.frames.map(|frames| frames.0),
    }
}

/// Opens the mix; the error is the reason why there is no comparison.
pub(super) fn open(path: &Path, request: &Request) -> Result<Mix, String> {
    if !path.exists() {
        let folder = path.parent().unwrap_or(Path::new("")).display().to_string();
        return Err(format!("it is not in {folder}"));
    }
    let specimen = Specimen::open(path, request.channels).map_err(|error| error.to_string())?;
    let adm = metadata(&specimen, request).map_err(|error| format!("reading failed: {error}"))?;
    let side = side(specimen.format(), adm.as_ref());
    Ok(Mix {
        specimen,
        side,
        adm,
    })
}

/// The comparer of both; the level limit is the profile's.
pub(super) fn comparer(
    mix: &Mix,
    format: &Format,
    adm: Option<&AdmWeighed>,
    profile: &Profile,
) -> Result<Comparer, String> {
    let usual = Limits::default();
    let limits = Limits {
        level_change_db: judge::level_change_limit_db(profile).unwrap_or(usual.level_change_db),
        angle_deg: judge::position_limit_deg(profile).unwrap_or(usual.angle_deg),
        ..usual
    };
    Comparer::new(&side(format, adm), &mix.side, &limits).map_err(|error| error.to_string())
}

/// What the reading of the mix came to.
pub(super) struct MixRead {
    digests: Digests,
    pub survey: Survey,
}

/// Reads the mix, surveys it as the master is, and sends its blocks; ends when nobody listens any
/// more.
pub(super) fn read_mix(
    mix: Specimen,
    order: MixOrder,
    to: SyncSender<Planes>,
) -> Result<MixRead, String> {
    struct Sender {
        to: SyncSender<Planes>,
        survey: SurveyMeters,
        elsewhere: Option<ElsewhereMeters>,
    }
    impl BlockSink for Sender {
        fn take(&mut self, block: &Block) -> ControlFlow<()> {
            let planes = block.planes();
            self.survey.feed(&planes);
            if let Some(elsewhere) = &mut self.elsewhere {
                elsewhere.feed(&planes);
            }
            let planes = planes.into_iter().map(<[f64]>::to_vec).collect();
            match self.to.send(planes) {
                Ok(()) => ControlFlow::Continue(()),
                Err(_) => ControlFlow::Break(()),
            }
        }
    }
    let mut sender = Sender {
        to,
        survey: SurveyMeters::new(order.survey),
        elsewhere: order.elsewhere,
    };
    let reading = mix
        .read(false, &mut sender, &mut |_| {})
        .map_err(|error| error.to_string())?;
    let mut survey = sender.survey.finish();
    if let Some(elsewhere) = sender.elsewhere {
        survey.translation = Measured::of(elsewhere.finish(), || NotMeasured::NotAsked);
    }
    Ok(MixRead {
        digests: reading.digests,
        survey,
    })
}

/// The side of the master: feeds what it is given and takes as much of the mix as is wanted.
pub(super) struct Desk {
    comparer: Comparer,
    from: Receiver<Planes>,
    mix_ended: bool,
}

impl Desk {
    pub(super) fn new(comparer: Comparer, from: Receiver<Planes>) -> Self {
        Self {
            comparer,
            from,
            mix_ended: false,
        }
    }

    pub(super) fn feed(&mut self, tracks: &[&[f64]]) {
        self.comparer.feed_master(tracks);
        while !self.mix_ended && self.comparer.wants() == Wants::Mix {
            self.pull();
        }
    }

    fn pull(&mut self) {
        match self.from.recv() {
            Ok(planes) => {
                let tracks: Vec<&[f64]> = planes.iter().map(Vec::as_slice).collect();
                self.comparer.feed_mix(&tracks);
            }
            Err(_) => {
                self.comparer.mix_ended();
                self.mix_ended = true;
            }
        }
    }

    /// The master has ended: the rest of the mix is heard, and the result told.
    pub(super) fn finish(mut self) -> Comparison {
        self.comparer.master_ended();
        while !self.mix_ended {
            self.pull();
        }
        self.comparer.finish()
    }
}

/// What the thread of the mix came to.
pub(super) fn ended(
    mix: &Path,
    reading: std::thread::Result<Result<MixRead, String>>,
    comparison: Option<Comparison>,
) -> Result<(Against, Option<Survey>), WeighError> {
    let name = mix.file_name().unwrap_or_default().to_owned();
    let reading = reading.unwrap_or_else(|_| Err("reading the mix came to a bad end".to_owned()));
    Ok(match (reading, comparison) {
        (Ok(mix), Some(comparison)) => {
            let against = Against {
                mix: name,
                digests: Some(mix.digests).filter(|digests| !digests.blake3.is_empty()),
                translation: mix.survey.figures().translation,
                result: Ok(Box::new(comparison)),
            };
            (against, Some(mix.survey))
        }
        (Ok(_), None) => return Err(WeighError::Stopped),
        (Err(why), _) => {
            let against = Against {
                mix: name,
                digests: None,
                translation: None,
                result: Err(why),
            };
            (against, None)
        }
    })
}
