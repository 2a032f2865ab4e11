//! What the tracks of an object-based master are to each other.

use crate::judge::check::{Case, Check, FAULT, Meter};
use crate::judge::facts::Facts;
use crate::judge::reading::{Reading, read_from};
use crate::measure::channels::ChannelFacts;
use crate::measure::{
    BedChannels, Disguise, Duplicate, Immersive, ItemFacts, NoBeds, Spot, Spots, Unheard,
};
use crate::measured::NotMeasured;
use crate::profile::Severity;

use super::found::{Found, told};
use super::immersive_figures::rendered;

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[
    OBJECT_TWICE,
    SILENT_TWIN,
    DISGUISE,
    BED_ORDER,
    BED_SIDES,
    BED_POLARITY,
];

pub const OBJECT_TWICE: Check = Check {
    id: "immersive.object-twice",
    title: "sound on two objects",
    definition: "Two tracks hold one sound: sample for sample, or with a correlation of 0.99 and more over the whole file. Where both play in one place it advises; a pair that is spread apart is noted.",
    cannot_see: "Whether a pair was doubled on purpose; copies that were delayed or processed.",
    read: object_twice,
    ..FAULT
};

pub const SILENT_TWIN: Check = Check {
    id: "immersive.object-silent-twin",
    title: "silent half of a pair",
    definition: "An object is muted or its track is silent while another sounds whose name differs only in the side.",
    cannot_see: "Pairs whose names say nothing of each other.",
    read: silent_twin,
    ..FAULT
};

pub const DISGUISE: Check = Check {
    id: "immersive.stereo-in-disguise",
    title: "stereo in an immersive master",
    definition: "No more than two tracks sound, or every other channel of the bed is the front channel of its side (correlation 0.95 and more) and no object sounds.",
    source: "a platform's published style guide asks for it; the correlation is common practice, no source",
    cannot_see: "An upmix whose channels were decorrelated; a recording that was made with two microphones.",
    read: disguise,
    ..FAULT
};

pub const BED_ORDER: Check = Check {
    id: "immersive.bed-order",
    title: "other order of bed channels",
    definition: "A bed channel that is not labelled LFE holds what an LFE holds, and the labelled one does not.",
    source: "own thresholds: energy over 500 Hz against 20 to 120 Hz",
    cannot_see: "Orders that leave the LFE in its place; beds whose LFE is silent.",
    needs: &[Meter::Channels],
    read: bed_order,
    ..FAULT
};

pub const BED_SIDES: Check = Check {
    id: "immersive.bed-sides",
    title: "bed sides exchanged",
    definition: "The surround channels of a bed seem exchanged left to right: each has more in common with the front channel of the other side, or their balance moves against that of the front.",
    source: "own method on coherence and balance; own thresholds",
    cannot_see: "Left and right of the whole bed exchanged: that takes the mix. Sides that have nothing in common with the front.",
    needs: &[Meter::Channels],
    read: bed_sides,
    ..FAULT
};

pub const BED_POLARITY: Check = Check {
    id: "immersive.bed-polarity",
    title: "bed channel of inverted polarity",
    definition: "Two channels of a pair of the bed hold the same with inverted polarity: correlation at low frequencies and over the whole file.",
    cannot_see: "Which of the two it is; channels that have little in common: the mix shows those.",
    needs: &[Meter::Channels],
    read: bed_polarity,
    ..FAULT
};

/// Further apart than this two sounds are a spread pair. Own choice: the width of a phantom image.
const SPREAD_DEG: f64 = 10.0;

fn element(item: &ItemFacts) -> String {
    item.object.clone().unwrap_or_else(|| item.channel.clone())
}

fn object_twice(case: &Case) -> Reading {
    read_from(rendered(case), |immersive| {
        let content = &immersive.content;
        let found = (content.duplicates.iter())
            .map(|pair| twice(case, immersive, pair))
            .collect();
        told(case, found)
    })
}

fn twice(case: &Case, immersive: &Immersive, pair: &Duplicate) -> Found {
    let [first, second] = pair.items.map(|index| &immersive.items[index]);
    let how = match pair.identical {
        true => "sample for sample".to_owned(),
        false => format!("correlation {:.3}", pair.correlation),
    };
    let (severity, place) = match pair.apart_deg {
        Some(apart) if apart > SPREAD_DEG => {
            (Severity::Note, format!(", {apart:.0} degrees apart"))
        }
        Some(_) | None => (case.check.severity, String::new()),
    };
    let says = format!(
        "\"{}\" and \"{}\" hold one sound ({how}){place}",
        first.name, second.name
    );
    Found::new(severity, element(first), says)
}

fn silent_twin(case: &Case) -> Reading {
    read_from(rendered(case), |immersive| {
        let found = (immersive.content.silent_twins.iter())
            .map(|twin| {
                let silent = &immersive.items[twin.silent];
                let sounding = &immersive.items[twin.sounding];
                let why = match twin.why {
                    Unheard::SilentTrack => "silent",
                    Unheard::Muted => "muted",
                };
                let says = format!(
                    "\"{}\" is {why} while \"{}\" sounds",
                    silent.name, sounding.name
                );
                Found::new(case.check.severity, element(silent), says)
            })
            .collect();
        told(case, found)
    })
}

fn disguise(case: &Case) -> Reading {
    read_from(rendered(case), |immersive| {
        let says = match &immersive.content.disguise {
            Disguise::TooLittleSound => {
                return Reading::not_measured(NotMeasured::NothingSounds);
            }
            Disguise::No => return case.none_found(),
            Disguise::FewTracks { tracks } => match tracks.as_slice() {
                [one] => format!("only track {one} sounds"),
                _ => format!("only tracks {} sound", listed(tracks)),
            },
            Disguise::FrontPairSpread { tracks, least } => format!(
                "tracks {} are the front channels again (correlation {least:.2} and more), and no object sounds",
                listed(tracks)
            ),
        };
        told(case, vec![Found::new(case.check.severity, "bed", says)])
    })
}

fn listed(tracks: &[usize]) -> String {
    let words: Vec<String> = tracks.iter().map(usize::to_string).collect();
    crate::judge::words::and(&words)
}

fn bed_order(case: &Case) -> Reading {
    of_beds(case, |facts| &facts.channel_order, &|label, _| {
        format!("{label} holds what an LFE holds, and the LFE does not")
    })
}

fn bed_sides(case: &Case) -> Reading {
    of_beds(case, |facts| &facts.surround_swapped, &|_, _| {
        "the surround channels seem exchanged left to right".to_owned()
    })
}

fn bed_polarity(case: &Case) -> Reading {
    of_beds(case, |facts| &facts.polarity, &|label, spot| {
        format!(
            "the pair of {label} has inverted polarity: their correlation is {:.2}",
            spot.size
        )
    })
}

/// A fault between the channels of a bed.
fn of_beds(
    case: &Case,
    of: impl Fn(&ChannelFacts) -> &Spots,
    says: &dyn Fn(&str, &Spot) -> String,
) -> Reading {
    read_from(rendered(case), |immersive| {
        if let Some(why) = no_beds(case.facts, immersive) {
            return why;
        }
        let in_bed = |bed: &BedChannels| -> Vec<Found> {
            (of(&bed.facts).listed.iter())
                .filter(|spot| spot.confidence >= Spot::SURE)
                .map(|spot| {
                    let label = spot.channel.and_then(|index| bed.labels.get(index));
                    let label = label.map_or("a channel", |label| label.as_str());
                    let subject = bed.object.clone().unwrap_or_else(|| "bed".to_owned());
                    Found::new(case.check.severity, subject, says(label, spot))
                })
                .collect()
        };
        let found = immersive.content.beds.iter().flat_map(in_bed).collect();
        told(case, found)
    })
}

/// What is said where no bed was looked at channel by channel.
fn no_beds(facts: &Facts, immersive: &Immersive) -> Option<Reading> {
    let channels = facts.format.map_or(0, |format| format.channels);
    Some(match immersive.content.no_beds? {
        NoBeds::NotAskedFor if facts.has_labels() => {
            Reading::NoFault("the bed is looked at with the file's own channels".into())
        }
        NoBeds::NotAskedFor => Reading::not_measured(NotMeasured::NotAsked),
        NoBeds::NoBed => Reading::NoFault("the master has no bed of several channels".into()),
        NoBeds::UnknownLabels | NoBeds::NotStraight => {
            Reading::not_measured(NotMeasured::NoLabels { channels })
        }
        NoBeds::TooManyChannels => Reading::not_measured(NotMeasured::TooManyChannels { most: 32 }),
    })
}
