//! What is left over the peaks once a service has turned the programme to its own loudness.
//!
//! In: integrated loudness and true peak. Out: a small table, one line a published
//! distribution figure. A pure function of two numbers; says nothing about which is right.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::units::{DbTp, Lu, Lufs};

/// A published figure and where it stands.
struct Figure {
    target_lufs: f64,
    source: &'static str,
}

/// Loudest first.
const FIGURES: [Figure; 5] = [
    Figure {
        target_lufs: -14.0,
        source: "AES TD1008 (2021), Table 1: music, loudest track of the album",
    },
    Figure {
        target_lufs: -16.0,
        source: "AES TD1008 (2021), Table 1: music, track-normalised",
    },
    Figure {
        target_lufs: -18.0,
        source: "AES TD1008 (2021), Table 1: assorted content",
    },
    Figure {
        target_lufs: -23.0,
        source: "EBU R 128: programme loudness",
    },
    Figure {
        target_lufs: -24.0,
        source: "ATSC A/85 (2013), clause 6: delivery without metadata",
    },
];

/// One distribution figure and what it does to this programme.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Headroom {
    pub target_lufs: f64,
    /// The gain that brings the programme there, in dB.
    pub gain_db: f64,
    /// The true peak after that gain, if it were linear: over 0 it would clip, or be limited.
    pub peak_after_dbtp: f64,
    /// Where the figure stands.
    pub source: String,
}

/// The table for a programme, loudest target first.
pub fn headroom(integrated: Lufs, true_peak: DbTp) -> Vec<Headroom> {
    FIGURES
        .iter()
        .filter_map(|figure| {
            let gain: Lu = Lufs::new(figure.target_lufs)? - integrated;
            Some(Headroom {
                target_lufs: figure.target_lufs,
                gain_db: gain.value(),
                peak_after_dbtp: true_peak.value() + gain.value(),
                source: figure.source.to_owned(),
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_gain_of_a_service_moves_the_peak_by_as_much() {
        let loud = Lufs::new(-8.5).expect("finite");
        let table = headroom(loud, DbTp::from_linear(1.0).expect("not silent"));
        let gains: Vec<f64> = table.iter().map(|line| line.gain_db).collect();
        assert_eq!(gains, [-5.5, -7.5, -9.5, -14.5, -15.5]);
        assert!(
            table
                .iter()
                .all(|line| line.peak_after_dbtp == line.gain_db)
        );
    }

    #[test]
    fn a_quiet_programme_may_be_turned_up_past_full_scale() {
        let quiet = Lufs::new(-20.0).expect("finite");
        let peak = DbTp::from_linear(0.5).expect("not silent");
        let first = &headroom(quiet, peak)[0];
        assert_eq!((first.target_lufs, first.gain_db), (-14.0, 6.0));
        // 20 log 0.5 = -6.0206
        assert!((first.peak_after_dbtp + 0.0206).abs() < 1e-4);
    }
}
