//! The pure composition: one file in, one judgement out. Writes nothing, knows no ledger and
//! no network; the same bytes, name and profile give the same judgement on any host.

mod against;
mod companion;
mod fit;
mod immersive;
mod order;
mod rerender;

use std::cell::Cell;
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

pub use against::Against;
pub use companion::Companion;
pub use fit::misfit;
pub use immersive::AdmWeighed;
pub use order::WeighOrder;
pub use rerender::{Rerender, RerenderError, Rerendered, rerender};

use crate::intake::Identity;
use crate::judge::{self, AgainstRead, Facts, Judgement};
use crate::layout::Label;
use crate::measure::defects::DataLayout;
use crate::measure::{
    Depth, ImmersiveMeters, Measurements, MeterOrder, Meters, SurveyMeters, SurveyOrder,
};
use crate::measured::{Measured, NotMeasured};
use crate::profile::Profile;
use crate::render::Choice;
use crate::render::binaural::HeadSet;
use crate::specimen::{
    self, Block, BlockSink, Digests, Encoding, Format, Metadata, OpenError, ReadError, Specimen,
};

/// What to weigh, and how.
pub struct Request<'a> {
    pub path: &'a Path,
    pub profile: &'a Profile,
    /// Labels for a file that does not say where its channels play (route or `--channels`);
    /// they go before the profile's.
    pub channels: Option<&'a [Label]>,
    pub md5: bool,
    /// Why intake gave up waiting for the file to become complete.
    pub incomplete: Option<&'a str>,
    /// Layouts to render an object-based file to, besides the profile's; `binaural` among them
    /// asks for nothing: it is made where `head` is there.
    pub renders: &'a [String],
    /// What is heard of an object-based file that offers more than one thing.
    pub choice: &'a Choice,
    /// Whose ears a binaural render is made for; without it there is none.
    pub head: Option<Arc<HeadSet>>,
    /// The mix that the file came from, to be held against it.
    pub against: Option<&'a Path>,
    /// Why the file is not held against a mix though a rule asks for one: a sentence without full
    /// stop, for `movement.not_compared`. Of no effect beside `against`.
    pub not_compared: Option<&'a str>,
}

impl<'a> Request<'a> {
    /// The plain weighing of one file: what the profile asks, nothing besides.
    pub fn new(path: &'a Path, profile: &'a Profile) -> Self {
        static ALL: Choice = Choice {
            programme: None,
            complementary: Vec::new(),
            importance: None,
        };
        Self {
            path,
            profile,
            channels: None,
            md5: false,
            incomplete: None,
            renders: &[],
            choice: &ALL,
            head: None,
            against: None,
            not_compared: None,
        }
    }
}

/// All that was found out about one file.
#[derive(Clone, Debug)]
pub struct Weighed {
    /// The file as it was when it was opened; it was the same when the reading ended.
    pub identity: Identity,
    pub digests: Digests,
    /// BLAKE3 of the audio payload alone; `None` where the file could not be read as audio.
    pub audio_blake3: Option<String>,
    /// `None` for a file that could not be read as audio.
    pub format: Option<Format>,
    pub metadata: Metadata,
    pub measurements: Option<Measurements>,
    /// The audio definition metadata; `None` for a file that has none.
    pub adm: Option<AdmWeighed>,
    /// What the file is against its mix, where one was named.
    pub against: Option<Against>,
    pub judgement: Judgement,
}

/// Why there is no judgement. The file stays where it is.
#[derive(Debug, thiserror::Error)]
pub enum WeighError {
    /// The share was away, not the file wrong: try again.
    #[error("reading failed")]
    Io(#[source] std::io::Error),
    /// It is being written: let it settle again.
    #[error("the file changed while it was read")]
    Changed,
    /// A symbolic link, a folder, a device: never followed.
    #[error("it is not a regular file but {0}")]
    NotAFile(&'static str),
    /// The order names another set of head-related responses than the one that was read.
    #[error("the head-related responses are not those that the order names")]
    OtherHead,
    /// The daemon is stopping.
    #[error("stopped before the end")]
    Stopped,
}

/// Reads the file once, measures it, judges it.
///
/// `progress` is told (bytes read, bytes in all) now and then; its `Break` ends the weighing
/// with [`WeighError::Stopped`]. A file that is damaged or no audio at all is no error: it gets
/// a judgement, `stop` or `unread`.
///
/// Errors: see [`WeighError`]; nothing was changed in any case.
pub fn weigh(
    request: &Request,
    progress: &mut dyn FnMut(u64, u64) -> ControlFlow<()>,
) -> Result<Weighed, WeighError> {
    let told = request.channels.or(request.profile.channels.as_deref());
    let specimen = match Specimen::open(request.path, told) {
        Ok(specimen) => specimen,
        Err(OpenError::NotAFile(what)) => return Err(WeighError::NotAFile(what)),
        Err(OpenError::Io { source, .. }) => return Err(WeighError::Io(source)),
        Err(unread) => return no_audio(request, &unread.to_string()),
    };
    let identity = specimen.identity();
    let format = specimen.format().clone();
    let stopped = Cell::new(false);
    let mut adm = immersive::metadata(&specimen, request).map_err(WeighError::Io)?;
    let renders = adm
        .as_mut()
        .and_then(|adm| immersive::meters(adm, &format, request));
    // Tracks of an object-based file are not what is heard: their loudness says nothing.
    let depth = if adm.is_some() {
        Depth::Levels
    } else {
        Depth::Full
    };
    let mut scales = Scales {
        meters: Meters::new(order(&format, request.profile, depth)),
        survey: SurveyMeters::new(survey_order(&specimen, adm.is_some(), request.profile)),
        renders,
        against: None,
        stopped: &stopped,
    };
    let mut on_progress = |done: u64| {
        if progress(done, identity.bytes).is_break() {
            stopped.set(true);
        }
    };
    let mut mix_survey = None;
    let (reading, against) = match request.against {
        None => (
            specimen.read(request.md5, &mut scales, &mut on_progress),
            None,
        ),
        Some(path) => match against::open(path, request).and_then(|mix| {
            let comparer = against::comparer(&mix, &format, adm.as_ref(), request.profile)?;
            Ok((mix, comparer))
        }) {
            Err(why) => {
                let reading = specimen.read(request.md5, &mut scales, &mut on_progress);
                let name = path.file_name().unwrap_or_default().to_owned();
                (
                    reading,
                    Some(Against {
                        mix: name,
                        digests: None,
                        translation: None,
                        result: Err(why),
                    }),
                )
            }
            Ok((mix, comparer)) => {
                let (to, from) = std::sync::mpsc::sync_channel(against::AHEAD);
                scales.against = Some(against::Desk::new(comparer, from));
                let order = mix.order(request);
                std::thread::scope(|threads| {
                    let mix = threads.spawn(|| against::read_mix(mix.specimen, order, to));
                    let reading = specimen.read(request.md5, &mut scales, &mut on_progress);
                    // Taken away where the master was not read to its end: the mix's thread then
                    // finds nobody listening, and ends.
                    let whole = reading.is_ok() && !stopped.get();
                    let desk = scales.against.take().filter(|_| whole);
                    let comparison = desk.map(against::Desk::finish);
                    let ended = against::ended(path, mix.join(), comparison).ok();
                    let (against, survey) = ended.unzip();
                    mix_survey = survey.flatten();
                    (reading, against)
                })
            }
        },
    };
    let reading = reading.map_err(|ReadError::Io { source, .. }| WeighError::Io(source))?;
    if stopped.get() {
        return Err(WeighError::Stopped);
    }
    if reading.identity_after != identity {
        return Err(WeighError::Changed);
    }
    let Scales {
        meters,
        survey,
        renders,
        ..
    } = scales;
    let mut measurements = meters.finish();
    let mut survey = survey.finish();
    if let (Some(mix), Some(Ok(comparison))) =
        (&mix_survey, against.as_ref().map(|against| &against.result))
    {
        survey.inherit(mix, &|frame| comparison.aligned(frame));
    }
    let renders = renders.map(ImmersiveMeters::finish);
    if let Some(Ok(immersive)) = &renders {
        survey.channels = immersive.track_names(survey.channels.len());
    }
    measurements.survey = Some(Box::new(survey));
    match renders {
        Some(Ok(immersive)) => measurements.heard_on(immersive),
        Some(Err(error)) => {
            if let Some(adm) = &mut adm {
                adm.not_rendered = Some(error.to_string());
            }
        }
        None => {}
    }
    if let Some(why) = adm.as_ref().and_then(|adm| adm.not_rendered.clone()) {
        measurements.loudness = Measured::Not(NotMeasured::NotRendered { why });
    }
    let not_compared = request.not_compared.map(|why| AgainstRead {
        mix: None,
        result: Err(why),
    });
    let judgement = judge::judge(
        &Facts {
            name: request.path.file_name().unwrap_or_default(),
            format: Some(&format),
            metadata: &reading.metadata,
            oddities: &reading.oddities,
            measurements: Some(&measurements),
            adm: adm.as_ref().map(AdmWeighed::read),
            against: against.as_ref().map(Against::read).or(not_compared),
            file_written: written_on(&identity),
            unread: None,
            incomplete: request.incomplete,
        },
        request.profile,
    )
    .of_bytes(&reading.digests.blake3, format.sample_rate.value());
    Ok(Weighed {
        identity,
        digests: reading.digests,
        audio_blake3: Some(reading.audio_blake3),
        format: Some(format),
        metadata: reading.metadata,
        measurements: Some(measurements),
        adm,
        against,
        judgement,
    })
}

/// A file that is no audio, or none that can be read: digests and the verdict `unread`.
fn no_audio(request: &Request, why: &str) -> Result<Weighed, WeighError> {
    let (identity, digests) =
        specimen::digest_file(request.path, request.md5).map_err(WeighError::Io)?;
    let metadata = Metadata::default();
    let judgement = judge::judge(
        &Facts {
            name: request.path.file_name().unwrap_or_default(),
            format: None,
            metadata: &metadata,
            oddities: &[],
            measurements: None,
            adm: None,
            against: None,
            file_written: written_on(&identity),
            unread: Some(why),
            incomplete: request.incomplete,
        },
        request.profile,
    )
    .of_bytes(&digests.blake3, 1);
    Ok(Weighed {
        identity,
        digests,
        audio_blake3: None,
        format: None,
        metadata,
        measurements: None,
        adm: None,
        against: None,
        judgement,
    })
}

/// The day of the file's own modification time, in UTC; `None` where no calendar has it.
fn written_on(identity: &Identity) -> Option<Date> {
    let at = Timestamp::from_nanosecond(identity.modified_ns).ok()?;
    Some(TimeZone::UTC.to_datetime(at).date())
}

fn order(format: &Format, profile: &Profile, depth: Depth) -> MeterOrder {
    let full_scale = match (&format.encoding, format.bit_depth) {
        (Encoding::Pcm | Encoding::Flac | Encoding::Alac, Some(bits)) => {
            1.0 - 2f64.powi(1 - i32::from(bits))
        }
        _ => 1.0,
    };
    MeterOrder {
        sample_rate: format.sample_rate,
        channels: format.channels,
        labels: format.labels.clone(),
        over_ceiling_dbtp: judge::over_ceiling_dbtp(profile),
        full_scale,
        renderer: None,
        depth,
    }
}

/// What the survey must know of the file. Tracks of an object-based file are not what is heard:
/// what is left of it elsewhere is taken from its renders.
fn survey_order(specimen: &Specimen, object_based: bool, profile: &Profile) -> SurveyOrder {
    let format = specimen.format();
    let data = specimen.sample_bytes().and_then(|(first_byte, frame)| {
        Some(DataLayout {
            first_byte,
            frame_bytes: u32::try_from(frame).ok()?,
        })
    });
    let integers = matches!(
        format.encoding,
        Encoding::Pcm | Encoding::Flac | Encoding::Alac
    );
    let mut wants = judge::wants(profile);
    wants.translation &= !object_based;
    SurveyOrder {
        sample_rate: format.sample_rate,
        channels: format.channels,
        labels: format.labels.clone(),
        bits: format.bit_depth.filter(|_| integers),
        floats: format.encoding == Encoding::Float,
        data,
        object_based,
        wants,
    }
}

struct Scales<'a> {
    meters: Meters,
    survey: SurveyMeters,
    renders: Option<ImmersiveMeters>,
    against: Option<against::Desk>,
    stopped: &'a Cell<bool>,
}

impl BlockSink for Scales<'_> {
    fn take(&mut self, block: &Block) -> ControlFlow<()> {
        if self.stopped.get() {
            return ControlFlow::Break(());
        }
        let planes = block.planes();
        self.meters.feed_planes(&planes);
        self.survey.feed(&planes);
        if let Some(renders) = &mut self.renders {
            renders.feed(&planes);
        }
        if let Some(against) = &mut self.against {
            against.feed(&planes);
        }
        ControlFlow::Continue(())
    }
}
