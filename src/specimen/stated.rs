//! What a file states of itself in its metadata: loudness, true peak and dates, wherever they
//! stand.
//!
//! In: a [`Metadata`]. Out: figures and dates, each with the field that it stands in, and the
//! dates that cannot be right. Knows nothing of what was measured: whether a stated figure is
//! right is the judge's question.
//!
//! Sources: EBU Tech 3285 v2 (May 2011), clause 2.3 (bext: OriginationDate `yyyy-mm-dd`, loudness
//! fields in hundredths, 0x7fff where not set), clause number from memory; RIFF INFO `ICRD`;
//! ReplayGain 2.0 (reference -18 LUFS, peak linear) and RFC 7845, clause 5.2.1 (R128 gains against
//! -23 LUFS in 256ths of a dB), both from memory.

use jiff::civil::Date;

use super::facts::Metadata;

/// ReplayGain 2.0: a gain of 0 dB is a track of -18 LUFS (from memory).
const REPLAY_GAIN_LUFS: f64 = -18.0;
/// RFC 7845, clause 5.2.1: gains lead to -23 LUFS (from memory).
const R128_LUFS: f64 = -23.0;

/// A quantity that metadata state of the programme.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// LUFS.
    Integrated,
    /// LU.
    Range,
    /// dBTP.
    MaxTruePeak,
    /// dBFS: a field that tells of a peak and not of which kind, so that a true peak may be
    /// higher.
    Peak,
    /// LUFS.
    MaxMomentary,
    /// LUFS.
    MaxShortTerm,
}

/// One figure with the field that it stands in.
#[derive(Clone, Debug, PartialEq)]
pub struct StatedFigure {
    /// As a person finds it: `bext LoudnessValue`, `INFO ICMT`, `tag replaygain_track_gain`.
    pub field: String,
    pub quantity: Quantity,
    /// In the quantity's own unit.
    pub value: f64,
}

/// One date with the field that it stands in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StatedDate {
    /// `bext OriginationDate`, `INFO ICRD`.
    pub field: &'static str,
    /// As the file has it.
    pub text: String,
    /// `None` where the text is no date with year, month and day.
    pub date: Option<Date>,
}

/// Why a date cannot be right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum DateFault {
    /// Month 13, 30 February, or text where a date is asked.
    Impossible(StatedDate),
    /// More than a day after the file was last written: time zones differ by up to a day.
    AfterFile {
        stated: StatedDate,
        file_written: Date,
    },
    /// Two fields name different days.
    Disagree(StatedDate, StatedDate),
}

impl Metadata {
    /// Every loudness figure that the metadata state of the whole file. ADM loudness is not among
    /// them: it belongs to a programme of the model.
    pub fn stated_figures(&self) -> Vec<StatedFigure> {
        let mut figures = Vec::new();
        let mut add = |field: String, quantity, value: Option<f64>| {
            let value = value.filter(|value| value.is_finite());
            figures.extend(value.map(|value| StatedFigure {
                field,
                quantity,
                value,
            }));
        };
        if let Some(bext) = &self.bext {
            for (field, quantity, value) in [
                ("LoudnessValue", Quantity::Integrated, bext.loudness_lufs),
                ("LoudnessRange", Quantity::Range, bext.range_lu),
                (
                    "MaxTruePeakLevel",
                    Quantity::MaxTruePeak,
                    bext.max_true_peak_dbtp,
                ),
                (
                    "MaxMomentaryLoudness",
                    Quantity::MaxMomentary,
                    bext.max_momentary_lufs,
                ),
                (
                    "MaxShortTermLoudness",
                    Quantity::MaxShortTerm,
                    bext.max_short_term_lufs,
                ),
            ] {
                add(format!("bext {field}"), quantity, value);
            }
        }
        if let Some(comment) = self.info.get("ICMT") {
            let field = || "INFO ICMT".to_owned();
            let integrated = before_unit(comment, &["LUFS", "LKFS"]);
            add(field(), Quantity::Integrated, integrated);
            add(
                field(),
                Quantity::MaxTruePeak,
                before_unit(comment, &["dBTP"]),
            );
        }
        for (name, text) in &self.tags {
            let field = format!("tag {name}");
            match name.as_str() {
                "replaygain_track_gain" => {
                    let gain = leading_number(text);
                    let stated = gain.map(|gain| REPLAY_GAIN_LUFS - gain);
                    add(field, Quantity::Integrated, stated);
                }
                "replaygain_track_peak" => {
                    let linear = leading_number(text).filter(|peak| *peak > 0.0);
                    add(
                        field,
                        Quantity::Peak,
                        linear.map(|peak| 20.0 * peak.log10()),
                    );
                }
                "r128_track_gain" => {
                    let gain = leading_number(text);
                    let stated = gain.map(|gain| R128_LUFS - gain / 256.0);
                    add(field, Quantity::Integrated, stated);
                }
                _ => {}
            }
        }
        figures
    }

    /// The days on which the file says that it was made. A year alone is none.
    pub fn stated_dates(&self) -> Vec<StatedDate> {
        let bext = self.bext.as_ref().map(|bext| &bext.origination_date);
        let fields = [
            ("bext OriginationDate", bext),
            ("INFO ICRD", self.info.get("ICRD")),
        ];
        fields
            .into_iter()
            .filter_map(|(field, text)| Some((field, text?.trim())))
            .filter(|(_, text)| !is_blank(text))
            // INFO dates are free text, and a year or a month alone is common there.
            .filter(|(field, text)| *field != "INFO ICRD" || digits(text).len() == 3)
            .map(|(field, text)| StatedDate {
                field,
                text: text.to_owned(),
                date: date(text),
            })
            .collect()
    }

    /// What is wrong with those days. `file_written`: the day of the file's own modification time;
    /// `None` leaves that question out. No clock is asked.
    pub fn date_faults(&self, file_written: Option<Date>) -> Vec<DateFault> {
        let dates = self.stated_dates();
        let mut faults = Vec::new();
        for stated in &dates {
            match (stated.date, file_written) {
                (None, _) => faults.push(DateFault::Impossible(stated.clone())),
                (Some(date), Some(written))
                    if written.tomorrow().is_ok_and(|latest| date > latest) =>
                {
                    faults.push(DateFault::AfterFile {
                        stated: stated.clone(),
                        file_written: written,
                    });
                }
                _ => {}
            }
        }
        if let [one, other] = &dates[..]
            && let (Some(first), Some(second)) = (one.date, other.date)
            && first != second
        {
            faults.push(DateFault::Disagree(one.clone(), other.clone()));
        }
        faults
    }
}

/// Nothing was filled in: no text, or zeros and separators alone.
fn is_blank(text: &str) -> bool {
    text.chars()
        .all(|c| matches!(c, '0' | '-' | '_' | ':' | '.' | ' ' | '/'))
}

/// The groups of digits of `2026-05-04`, with any of the separators that Tech 3285 allows.
fn digits(text: &str) -> Vec<&str> {
    let day = text.split(['T', ' ']).next().unwrap_or_default();
    day.split(['-', '_', ':', '.', '/'])
        .filter(|group| !group.is_empty() && group.bytes().all(|b| b.is_ascii_digit()))
        .collect()
}

/// Year, month and day in this order.
fn date(text: &str) -> Option<Date> {
    let [year, month, day] = digits(text)[..] else {
        return None;
    };
    if year.len() != 4 {
        return None;
    }
    Date::new(year.parse().ok()?, month.parse().ok()?, day.parse().ok()?).ok()
}

/// `-7.03 dB` is -7.03.
fn leading_number(text: &str) -> Option<f64> {
    let text = text.trim();
    let end = text
        .find(|c: char| !(c.is_ascii_digit() || matches!(c, '+' | '-' | '.')))
        .unwrap_or(text.len());
    text[..end].parse().ok()
}

/// The number right before the first of `units` in running text: `-14.0` in `master, -14.0 LUFS`.
fn before_unit(text: &str, units: &[&str]) -> Option<f64> {
    let place = units.iter().filter_map(|unit| text.find(unit)).min()?;
    let before = text[..place].trim_end();
    let start = before
        .rfind(|c: char| !(c.is_ascii_digit() || matches!(c, '+' | '-' | '.')))
        .map_or(0, |at| {
            at + before[at..].chars().next().map_or(1, char::len_utf8)
        });
    before[start..].parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::specimen::Bext;

    fn with(origination: &str, created: Option<&str>) -> Metadata {
        let mut metadata = Metadata {
            bext: Some(Bext {
                origination_date: origination.to_owned(),
                ..Bext::default()
            }),
            ..Metadata::default()
        };
        metadata
            .info
            .extend(created.map(|text| ("ICRD".to_owned(), text.to_owned())));
        metadata
    }

    fn day(year: i16, month: i8, day: i8) -> Date {
        Date::new(year, month, day).unwrap()
    }

    #[test]
    fn a_month_13_and_a_30_february_are_impossible() {
        for text in ["2026-13-01", "2026-02-30", "26-05-04", "yesterday"] {
            let faults = with(text, None).date_faults(None);
            assert!(
                matches!(&faults[..], [DateFault::Impossible(stated)] if stated.text == text),
                "{text}: {faults:?}"
            );
        }
        // Any separator of Tech 3285, clause 2.3 (from memory).
        for text in ["2026-02-28", "2026:02:28", "2024/02/29", "2026_05.04"] {
            assert_eq!(with(text, None).date_faults(None), [], "{text}");
        }
    }

    #[test]
    fn a_field_that_nobody_filled_in_is_no_date() {
        for text in ["", "0000-00-00", "          "] {
            assert_eq!(with(text, None).stated_dates(), [], "{text:?}");
        }
    }

    /// A writer east of the reader may be a day ahead; more is no time zone.
    #[test]
    fn a_date_after_the_file_was_written_is_told_from_two_days_on() {
        let written = Some(day(2026, 5, 4));
        assert_eq!(with("2026-05-05", None).date_faults(written), []);
        let faults = with("2026-05-06", None).date_faults(written);
        assert!(
            matches!(&faults[..], [DateFault::AfterFile { .. }]),
            "{faults:?}"
        );
        assert_eq!(with("2026-05-06", None).date_faults(None), []);
    }

    #[test]
    fn bext_and_info_that_name_different_days_disagree() {
        let faults = with("2026-05-04", Some("2025-05-04")).date_faults(None);
        assert!(
            matches!(&faults[..], [DateFault::Disagree(..)]),
            "{faults:?}"
        );
        assert_eq!(with("2026-05-04", Some("2026-05-04")).date_faults(None), []);
        // A year alone says nothing of a day.
        assert_eq!(with("2026-05-04", Some("2025")).date_faults(None), []);
    }

    #[test]
    fn figures_are_found_wherever_they_stand() {
        let mut metadata = Metadata {
            bext: Some(Bext {
                loudness_lufs: Some(-16.25),
                max_true_peak_dbtp: Some(-1.0),
                ..Bext::default()
            }),
            ..Metadata::default()
        };
        let comment = "Master für Radio: −14.0? -14.0 LUFS, -1.2 dBTP".to_owned();
        metadata.info.insert("ICMT".to_owned(), comment);
        for (name, text) in [
            ("replaygain_track_gain", "-7.03 dB"),
            ("replaygain_track_peak", "0.5"),
            ("r128_track_gain", "-2304"),
            ("title", "-14 LUFS"),
        ] {
            metadata.tags.insert(name.to_owned(), text.to_owned());
        }
        let found: Vec<(String, Quantity, f64)> = metadata
            .stated_figures()
            .into_iter()
            .map(|figure| (figure.field, figure.quantity, figure.value))
            .collect();
        let expected = [
            ("bext LoudnessValue", Quantity::Integrated, -16.25),
            ("bext MaxTruePeakLevel", Quantity::MaxTruePeak, -1.0),
            ("INFO ICMT", Quantity::Integrated, -14.0),
            ("INFO ICMT", Quantity::MaxTruePeak, -1.2),
            // -23 - (-2304 / 256) and -18 - (-7.03).
            ("tag r128_track_gain", Quantity::Integrated, -14.0),
            ("tag replaygain_track_gain", Quantity::Integrated, -10.97),
            (
                "tag replaygain_track_peak",
                Quantity::Peak,
                20.0 * 0.5f64.log10(),
            ),
        ];
        assert_eq!(found.len(), expected.len(), "{found:?}");
        for (found, (field, quantity, value)) in found.iter().zip(expected) {
            assert_eq!((found.0.as_str(), found.1), (field, quantity));
            assert!((found.2 - value).abs() < 1e-9, "{found:?}");
        }
    }

    #[test]
    fn text_without_a_number_states_nothing() {
        let mut metadata = Metadata::default();
        metadata
            .info
            .insert("ICMT".to_owned(), "LUFS as usual".to_owned());
        metadata
            .tags
            .insert("replaygain_track_gain".to_owned(), "loud".to_owned());
        assert_eq!(metadata.stated_figures(), []);
    }
}
