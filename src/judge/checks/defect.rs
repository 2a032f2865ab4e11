//! Faults within the sound.

use crate::judge::check::{Case, Check, FAULT, Meter};
use crate::judge::reading::{Reading, read_from};
use crate::measure::{Clicks, Defects, Place, Spot, Spots};
use crate::profile::Severity;

use super::survey::{group, of_spots};

/// In the order in which they are told.
pub const CHECKS: &[Check] = &[
    CLICK, SPLICE, BURST, DROPOUT, REPEAT, ZERO_TAIL, ZERO_HOLE, PERIODIC, HUM, DC_OFFSET,
];

pub const CLICK: Check = Check {
    id: "defect.click",
    title: "click",
    definition: "A disturbance of the wave that neither what comes before nor what comes after explains: 1 to 12 added samples, ragged ones, a short decay, or a step. The size is the largest added sample.",
    unit: "dBFS",
    source: "Vaseghi and Rayner 1990 (linear prediction, matched filter); Janssen, Veldhuis and Vries 1986 (interpolation), both from memory; own thresholds",
    cannot_see: "Clicks under about 25 dB over what surrounds them above 8 kHz, clipped ones, the first and last 64 samples; whether a click is meant, as crackle, hard edits and percussion of single samples are: many alike are told in one sentence. Of lone clicks put into 75 pieces that nobody tuned on it told 88 % at 30 dB and 93 % at 40 dB; in 37 minutes of the same pieces nothing false.",
    needs: &[Meter::Clicks],
    read: click,
    ..FAULT
};

pub const SPLICE: Check = Check {
    id: "defect.splice",
    title: "splice",
    definition: "Two places of the music that meet between two samples: in all channels the forward prediction error is ordinary up to there and the backward one from there on, while both burst as soon as they reach across; both sides of about one level.",
    unit: "dB",
    source: "own method on forward and backward linear prediction; own thresholds",
    severity: Severity::Note,
    cannot_see: "It finds six in seven of the joins that could be heard and tells some false places an hour, most where notes of sequenced music begin or are cut at once, so it only notes. Not seen: steps that look like a click or drown in noise or drums, next to a beginning or ending sound, under -60 dBFS, in the first and last 1024 samples; pieces that come twice sample for sample. Whether an edit is meant, and a hard start in one channel alone, which look the same.",
    needs: &[Meter::Clicks],
    read: splice,
    ..FAULT
};

pub const BURST: Check = Check {
    id: "defect.burst",
    title: "noise burst",
    definition: "20 to 500 ms of white noise near full scale, 20 dB and more over what surrounds it, in all channels, with hard edges: what a failing decoder leaves.",
    unit: "dBFS",
    cannot_see: "Coloured or quiet noise, one channel alone; four and more in a file may be meant and are told in one sentence. Counted on invented noise only.",
    needs: &[Meter::Clicks],
    read: burst,
    ..FAULT
};

pub const DROPOUT: Check = Check {
    id: "defect.dropout",
    title: "dropout",
    definition: "Sound that breaks off and comes back, in the middle of a wave after 0.75 ms to 3.5 s of zeros, a held value or next to nothing, or through fades of a few milliseconds into less than 0.25 s of zeros; all channels, or one while others go on.",
    unit: "s",
    source: "linear-prediction extrapolation (Kauppinen and Roth, DAFx-02, from memory); upper length after an open analysis library's default, as quoted; own thresholds",
    cannot_see: "Gaps with soft edges that are no exact zeros, longer than 0.25 s or on a musical grid; gaps in music under -50 dBFS, or in a wave that is made of steps. Hard cuts that are meant look the same: many, or such on a grid, are told in one sentence. Of 375 put into music that nobody tuned on it told 98 %.",
    needs: &[Meter::Defects],
    read: dropout,
    ..FAULT
};

pub const REPEAT: Check = Check {
    id: "defect.repeat",
    title: "repeated block",
    definition: "A block of 32 to 8192 frames that is its predecessor sample for sample, in all channels.",
    unit: "frames",
    source: "own method: runs of equal samples at one lag",
    cannot_see: "Copies that were dithered, turned up or coded; repeats in one channel alone; from 24 copies in a row on, those without a seam, which are a tone. A stutter or a loop that is meant looks the same: many are told in one sentence.",
    needs: &[Meter::Defects],
    read: repeat,
    ..FAULT
};

pub const ZERO_TAIL: Check = Check {
    id: "defect.zero_tail",
    title: "tail of zeros",
    definition: "Zero bytes in all channels from a border of the disk's blocks to the end, after sound: what a cut copy leaves. It stops only where the border splits a frame, which no editor does.",
    unit: "bytes",
    source: "common practice, no source: disk blocks are 512 or 4096 bytes",
    severity: Severity::Stop,
    cannot_see: "Tails shorter than 4096 bytes; files that are compressed; where the border lies between two frames, as always in 16-bit stereo behind the usual header, whether a cold end is meant.",
    needs: &[Meter::Defects],
    read: zero_tail,
    ..FAULT
};

pub const ZERO_HOLE: Check = Check {
    id: "defect.zero_hole",
    title: "hole of zeros",
    definition: "Zero bytes in all channels that begin and end on borders of the disk's blocks, within sound. It stops only where a border splits a frame, which no editor does.",
    unit: "bytes",
    source: "common practice, no source: disk blocks are 512 or 4096 bytes",
    severity: Severity::Stop,
    cannot_see: "Holes shorter than 4096 bytes; files that are compressed; where the borders lie between two frames, whether a mute is meant.",
    needs: &[Meter::Defects],
    read: zero_hole,
    ..FAULT
};

pub const PERIODIC: Check = Check {
    id: "defect.periodic",
    title: "mark at one period",
    definition: "At least four mutes, tones or bursts of noise of one length and level at one distance of more than 10 s, which the music does not repeat itself with: what unlicensed processing leaves.",
    unit: "s",
    cannot_see: "Mutes that are only lowered; tones of less than 0.1 s, that fade, or that stand less than 10 dB over the music in their band; fewer than four, which are noted.",
    needs: &[Meter::Defects],
    read: periodic,
    ..FAULT
};

pub const HUM: Check = Check {
    id: "defect.hum",
    title: "hum",
    definition: "At least three of the first eight multiples of 50 or 60 Hz, 12 dB over their neighbours, steady in level, frequency and phase throughout.",
    unit: "dBFS",
    source: "own method; common practice, no source",
    cannot_see: "Hum of fewer lines, hum at -50 dBFS and less under music that never pauses, hum in a part of the file only; over -33 dBFS it is taken for a drone of the music.",
    needs: &[Meter::Defects],
    least_s: 2.0,
    read: hum,
    ..FAULT
};

pub const DC_OFFSET: Check = Check {
    id: "defect.dc_offset",
    title: "step of the direct current",
    definition: "The mean of a channel moves and stays (the mean of the whole file is levels.dc_offset).",
    unit: "FS",
    cannot_see: "Steps within 3 s of either end, those that loud music hides, and those at which the level of the music changes too.",
    needs: &[Meter::Defects],
    read: dc_offset,
    ..FAULT
};

fn of_clicks(case: &Case, of: impl Fn(&Clicks) -> &Spots) -> Reading {
    read_from(group(case, |survey| &survey.clicks), |(survey, found)| {
        of_spots(case, survey, &[of(found)], None)
    })
}

fn of_defects(case: &Case, of: impl Fn(&Defects) -> Vec<&Spots>) -> Reading {
    read_from(group(case, |survey| &survey.defects), |(survey, found)| {
        of_spots(case, survey, &of(found), None)
    })
}

/// A click of a few samples under this is not heard. Own choice, in dBFS.
const HEARD_DBFS: f64 = -60.0;

fn click(case: &Case) -> Reading {
    read_from(group(case, |survey| &survey.clicks), |(survey, found)| {
        let clicks = &found.discontinuities.clicks.clicks;
        let heard: Vec<Spot> = (clicks.listed.iter())
            .filter(|spot| spot.size > HEARD_DBFS)
            .copied()
            .collect();
        let beyond = clicks.total.saturating_sub(clicks.listed.len() as u64);
        let heard = Spots {
            total: heard.len() as u64 + beyond,
            listed: heard,
        };
        of_spots(case, survey, &[&heard], None)
    })
}

fn splice(case: &Case) -> Reading {
    of_clicks(case, |found| &found.discontinuities.splices.splices)
}

fn burst(case: &Case) -> Reading {
    of_clicks(case, |found| &found.bursts.bursts)
}

fn dropout(case: &Case) -> Reading {
    of_defects(case, |found| {
        vec![&found.gaps.all_channels, &found.gaps.one_channel]
    })
}

fn repeat(case: &Case) -> Reading {
    of_defects(case, |found| vec![&found.repeats.repeats])
}

fn periodic(case: &Case) -> Reading {
    of_defects(case, |found| vec![&found.periodic.spots])
}

fn dc_offset(case: &Case) -> Reading {
    of_defects(case, |found| vec![&found.dc.steps])
}

fn zero_tail(case: &Case) -> Reading {
    read_from(group(case, |survey| &survey.defects), |(survey, found)| {
        of_spots(case, survey, &[&found.zeros.tail_spots()], None)
    })
}

fn zero_hole(case: &Case) -> Reading {
    read_from(group(case, |survey| &survey.defects), |(survey, found)| {
        of_spots(case, survey, &[&found.zeros.hole_spots()], None)
    })
}

fn hum(case: &Case) -> Reading {
    let says = |place: &Place| {
        let level = place.value.unwrap_or_default();
        let on = place.channel.as_deref().unwrap_or("all channels");
        format!("mains hum of {level:.1} dBFS on {on}, steady throughout")
    };
    read_from(group(case, |survey| &survey.defects), |(survey, found)| {
        of_spots(case, survey, &[&found.hum.hums], Some(&says))
    })
}
