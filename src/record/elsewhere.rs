//! What is left of the programme in other places, told as a small table, and how that differs from
//! another version.
//!
//! In: the tables of the survey, and that of the headroom. Out: facts, one line a view; changes for
//! the record. Information: nothing here has a limit.

use super::figures::view_key;
use super::sidecar::{Measured, Sidecar, ViewChanges};
use super::story::{Fact, quantity};
use crate::measure::Headroom;
use crate::measure::translation::{Translation, View};
use crate::profile::{Yardstick, Yardsticks};

/// Own choice: smaller changes are not told; they are in the record.
const TOLD_LU: f64 = 0.1;
/// Own choice: bands this far under a view's loudest are nothing that is heard to change.
const BANDS_WITHIN_DB: f64 = 30.0;

impl Sidecar {
    /// Adds how what is left elsewhere differs from the revision before.
    pub fn compare_views(&mut self, before: &Sidecar) {
        fn table(measured: &Option<Measured>) -> Option<&Translation> {
            measured.as_ref()?.survey.as_ref()?.translation.as_ref()
        }
        let Some((now, before)) = table(&self.measured).zip(table(&before.measured)) else {
            return;
        };
        let changes = changes(now, before, "revision before");
        if let Some(measured) = &mut self.measured {
            // The same record may be looked at again after a restart.
            (measured.translation_changes).retain(|change| change.against == "mix");
            measured.translation_changes.extend(changes);
        }
    }
}

/// One line a view: its loudness, what it loses, its true peak, and what has changed; and one of
/// what is left over the peaks where others turn the programme.
pub(super) fn facts(measured: &Measured, yardsticks: &Yardsticks) -> Vec<Fact> {
    let table = measured
        .survey
        .as_ref()
        .and_then(|survey| survey.translation.as_ref());
    let mut all = Vec::new();
    if let Some(table) = table {
        views(&mut all, table, &measured.translation_changes, yardsticks);
    }
    all.extend(headroom(&measured.headroom));
    all
}

fn views(
    all: &mut Vec<Fact>,
    table: &Translation,
    changes: &[ViewChanges],
    yardsticks: &Yardsticks,
) {
    if !table.taken_from.is_empty() {
        all.push(Fact::new("taken from", &table.taken_from));
    }
    let lines = table.views.iter();
    all.extend(lines.map(|view| {
        let mut says = line(view, changes);
        if let Some((change, own)) = view.change_lu.zip(yardsticks.get(&view_key(view))) {
            says += &format!("; {}", against_own(change.value(), own));
        }
        Fact::new(&view.name, says)
    }));
    if let (Some(hz), Some(loss)) = (table.mono_worst_band_hz, table.mono_worst_band_loss_db) {
        let hz = quantity(hz, "Hz", 0);
        let loss = quantity(loss, "dB", 1);
        let mut worst = format!("loses most at {hz}: {loss}");
        let own = yardsticks.get("translation.mono_band");
        if let Some((lost, own)) = table.mono_worst_band_loss_db.zip(own) {
            worst += &format!("; {}", lost_in_own(lost, own, "dB"));
        }
        all.push(Fact::new("mono by bands", worst));
    }
}

/// `your 40 masters (trial of 2026-05-04) lie from 4.0 to 11.0 LU under`, and whether this one lies outside.
fn against_own(change: f64, own: &Yardstick) -> String {
    let (low, high) = (own.lowest, own.highest);
    let span = match (rounded(low), rounded(high)) {
        (low, high) if low == high && low <= 0.0 => format!("{:.1} LU under", -low + 0.0),
        (low, high) if low == high => format!("{low:.1} LU over"),
        (low, high) if high <= 0.0 => {
            format!("{:.1} to {:.1} LU under", -high + 0.0, -low + 0.0)
        }
        (low, high) if low >= 0.0 => format!("{low:.1} to {high:.1} LU over"),
        (low, high) => format!("{:.1} LU under to {high:.1} LU over", -low),
    };
    told(change, own, &span)
}

/// The same of a loss, which has no sign.
fn lost_in_own(lost: f64, own: &Yardstick, unit: &str) -> String {
    let [low, high] = [own.lowest, own.highest].map(rounded);
    let span = match low == high {
        true => format!("{low:.1} {unit}"),
        false => format!("{low:.1} to {high:.1} {unit}"),
    };
    told(lost, own, &span)
}

fn told(value: f64, own: &Yardstick, span: &str) -> String {
    let files = own.files;
    let lie = match rounded(own.lowest) == rounded(own.highest) {
        true => "lie at",
        false => "lie from",
    };
    let [value, low, high] = [value, own.lowest, own.highest].map(rounded);
    let way = match value {
        value if value < low => ": this one is lower",
        value if value > high => ": this one is higher",
        _ => "",
    };
    format!(
        "your {files} masters (trial of {}) {lie} {span}{way}",
        own.date
    )
}

/// As it is told, so that a figure at the end of the range does not lie outside of it.
fn rounded(value: f64) -> f64 {
    // Adding 0 turns -0 into 0.
    (value * 10.0).round() / 10.0 + 0.0
}

/// `true peak -1.5 dBTP at -14 LUFS, -3.5 at -16, ...`
fn headroom(table: &[Headroom]) -> Option<Fact> {
    let first = table.first()?;
    let target = |line: &Headroom| format!("{:.0}", line.target_lufs);
    let peak = quantity(first.peak_after_dbtp, "dBTP", 1);
    let mut says = format!("true peak {peak} at {} LUFS", target(first));
    for line in &table[1..] {
        let peak = quantity(line.peak_after_dbtp, "dBTP", 1);
        let peak = peak.trim_end_matches(" dBTP");
        says += &format!(", {peak} at {}", target(line));
    }
    Some(Fact::new("turned to published figures", says))
}

fn line(view: &View, changes: &[ViewChanges]) -> String {
    let mut parts = vec![match view.loudness_lufs {
        Some(loudness) => quantity(loudness.value(), "LUFS", 1),
        None => "no loudness (silent, or too short)".to_owned(),
    }];
    if let (Some(change), Some(against)) = (view.change_lu, &view.against) {
        let by = change.value();
        let way = if by < 0.0 { "under" } else { "over" };
        parts.push(format!("{} {way} {against}", quantity(by.abs(), "LU", 1)));
    }
    if let Some(peak) = view.true_peak_dbtp {
        parts.push(format!("true peak {}", quantity(peak.value(), "dBTP", 1)));
    }
    for change in changes.iter().filter(|change| change.view == view.name) {
        let by = change.loudness_lu.unwrap_or_default();
        if by.abs() >= TOLD_LU {
            let sign = if by < 0.0 { "-" } else { "+" };
            let by = quantity(by.abs(), "LU", 1);
            parts.push(format!("{sign}{by} against the {}", change.against));
        }
    }
    parts.join(", ")
}

/// Each view that both tables have: this one less the other.
pub fn changes(now: &Translation, other: &Translation, against: &str) -> Vec<ViewChanges> {
    let of_name = |view: &View| other.views.iter().find(|other| other.name == view.name);
    let pairs = now
        .views
        .iter()
        .filter_map(|view| Some((view, of_name(view)?)));
    pairs
        .map(|(view, before)| {
            let loudness = view.loudness_lufs.zip(before.loudness_lufs);
            let loudness_lu = loudness.map(|(now, before)| now.value() - before.value());
            let peak = view.true_peak_dbtp.zip(before.true_peak_dbtp);
            let widest = widest(view, before, loudness_lu.unwrap_or_default());
            ViewChanges {
                against: against.to_owned(),
                view: view.name.clone(),
                loudness_lu,
                true_peak_db: peak.map(|(now, before)| now.value() - before.value()),
                band_hz: widest.and_then(|(band, _)| now.band_centres_hz.get(band).copied()),
                band_db: widest.map(|(_, by)| by),
            }
        })
        .collect()
}

/// The band that differs most, without the difference in loudness.
fn widest(now: &View, before: &View, loudness_lu: f64) -> Option<(usize, f64)> {
    let loudest = before.bands_db.iter().flatten().copied().reduce(f64::max)?;
    let bands = now.bands_db.iter().zip(&before.bands_db).enumerate();
    bands
        .filter_map(|(band, (now, before))| Some((band, (*now)?, (*before)?)))
        .filter(|(_, _, before)| *before > loudest - BANDS_WITHIN_DB)
        .map(|(band, now, before)| (band, now - before - loudness_lu))
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{DbTp, Lu, Lufs};

    fn view(name: &str, loudness: f64, bands: &[f64]) -> View {
        View {
            name: name.into(),
            made_by: String::new(),
            loudness_lufs: Lufs::new(loudness),
            change_lu: Lu::new(-2.0),
            against: Some("stereo fold".into()),
            true_peak_dbtp: None,
            bands_db: bands.iter().copied().map(Some).collect(),
        }
    }

    fn table(views: Vec<View>) -> Translation {
        Translation {
            views,
            band_centres_hz: vec![100.0, 125.0, 160.0],
            ..Translation::default()
        }
    }

    // A linear gain moves loudness and peak alike (ITU-R BS.1770-5, Annex 1: both are levels).
    #[test]
    fn the_headroom_at_published_figures_is_one_line() {
        let loud = Lufs::new(-9.0).expect("finite");
        let peak = DbTp::from_linear(1.0).expect("not silent");
        let fact = headroom(&crate::measure::headroom(loud, peak)).expect("a line");
        assert_eq!(
            fact.is,
            "true peak -5.0 dBTP at -14 LUFS, -7.0 at -16, -9.0 at -18, -14.0 at -23, -15.0 at -24"
        );
        assert!(headroom(&[]).is_none());
    }

    #[test]
    fn a_view_is_told_beside_the_studios_own_masters() {
        let own = |lowest, highest| Yardstick {
            lowest,
            median: lowest,
            highest,
            files: 40,
            date: "2026-05-04".into(),
        };
        assert_eq!(
            against_own(-10.0, &own(-11.0, -4.0)),
            "your 40 masters (trial of 2026-05-04) lie from 4.0 to 11.0 LU under"
        );
        assert_eq!(
            against_own(-12.4, &own(-11.0, -4.0)),
            "your 40 masters (trial of 2026-05-04) lie from 4.0 to 11.0 LU under: this one is lower"
        );
        assert_eq!(
            against_own(1.0, &own(-0.5, 0.54)),
            "your 40 masters (trial of 2026-05-04) lie from 0.5 LU under to 0.5 LU over: this one is higher"
        );
        assert_eq!(
            against_own(-0.6, &own(-0.61, -0.6)),
            "your 40 masters (trial of 2026-05-04) lie at 0.6 LU under"
        );
        let mut table = table(vec![view("telephone band", -26.0, &[])]);
        table.views[0].change_lu = Lu::new(-10.0);
        let yardsticks =
            Yardsticks::from([("translation.telephone_band".into(), own(-11.0, -4.0))]);
        let mut facts = Vec::new();
        views(&mut facts, &table, &[], &yardsticks);
        assert_eq!(
            facts[0].is,
            "-26.0 LUFS, 10.0 LU under stereo fold; your 40 masters (trial of 2026-05-04) lie from 4.0 to 11.0 LU under"
        );
    }

    #[test]
    fn a_change_is_this_less_the_other_and_a_band_without_the_change_in_loudness() {
        let now = table(vec![view("mono", -15.0, &[-20.0, -24.0, -90.0])]);
        let before = table(vec![
            view("mono", -16.0, &[-21.0, -28.0, -60.0]),
            view("telephone band", -20.0, &[]),
        ]);
        let changes = changes(&now, &before, "revision before");
        assert_eq!(changes.len(), 1);
        assert_eq!(changes[0].loudness_lu, Some(1.0));
        // 4 dB more at 125 Hz, of which 1 LU is the loudness; what is 39 dB down is not heard.
        assert_eq!(
            (changes[0].band_hz, changes[0].band_db),
            (Some(125.0), Some(3.0))
        );
        assert_eq!(
            line(&now.views[0], &changes),
            "-15.0 LUFS, 2.0 LU under stereo fold, +1.0 LU against the revision before"
        );
    }
}
