//! What is left of the programme elsewhere: a small table of views, for the record.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::measure::Spots;
use crate::units::{DbTp, Lu, Lufs, Seconds};

/// The table, and the places where much is lost in mono.
#[derive(Clone, Debug, PartialEq)]
pub struct TranslationFacts {
    pub table: Translation,
    /// Passages of 3 s windows that lose more than 6 LU in mono. The size is the worst loss in
    /// LU; information, hence a confidence of 0.4.
    pub mono_losses: Spots,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Translation {
    /// What is played elsewhere: the file's channels and by which gains they are folded, or the
    /// renders of an object-based master with the renderer's name.
    #[serde(default)]
    pub taken_from: String,
    /// The stereo fold first, then mono and the bands, then the soundbar.
    pub views: Vec<View>,
    /// Nominal centre frequencies of every view's `bands_db` (IEC 61260-1).
    pub band_centres_hz: Vec<f64>,
    /// Loudness of the stereo fold less that of mono, each over the whole file.
    pub mono_loss_lu: Option<Lu>,
    /// The worst 3 s window, where it begins, and how many seconds lie in windows over 6 LU.
    pub mono_worst_window_lu: Option<Lu>,
    pub mono_worst_window_at_s: Option<Seconds>,
    pub mono_lost_s: Seconds,
    /// The third-octave band that loses most, among those within 20 dB of the loudest.
    pub mono_worst_band_hz: Option<f64>,
    pub mono_worst_band_loss_db: Option<f64>,
    /// Level from 20 to 120 Hz with the low-frequency channel less that without it, dB; `null`
    /// where there is no such channel.
    pub low_end_lost_without_lfe_db: Option<f64>,
    /// K-weighted energy from 30 to 100 Hz as a share of all, 0 to 1: what a small loudspeaker
    /// does not play.
    pub bass_share: Option<f64>,
    /// Share of that bass at whose moments 100 to 400 Hz is at most 10 dB weaker and stands for
    /// it, 0 to 1.
    pub bass_carried_share: Option<f64>,
}

/// The programme as it sounds in one place.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct View {
    /// `stereo fold`, `mono`, `telephone band`, ...
    pub name: String,
    /// What it is, in words: gains, edges.
    pub made_by: String,
    /// Integrated (ITU-R BS.1770); mono and the bands as dual mono.
    pub loudness_lufs: Option<Lufs>,
    /// Loudness less that of the view named in `against`.
    pub change_lu: Option<Lu>,
    pub against: Option<String>,
    /// By the 48-tap filter of BS.1770-5 Annex 2, not looked for where the samples lie 2.6 dB
    /// under the highest so far. `null` in silence, and for the fold of a file that is stereo
    /// itself: its true peak is the file's.
    pub true_peak_dbtp: Option<DbTp>,
    /// Power sum of both loudspeakers in third-octave bands, dB re full scale (a full-scale sine
    /// in one loudspeaker reads -3.01); `null` for nothing and over half the sample rate.
    pub bands_db: Vec<Option<f64>>,
}
