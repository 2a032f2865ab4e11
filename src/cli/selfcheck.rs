//! `weighbridge selfcheck`: the standards' test signals, synthesised in memory and weighed, held
//! against the documents' values and against a second opinion.
//!
//! Out: a calibration sheet as text, and whether every reading lies within its tolerance. The
//! second opinion is the `ebur128` library with an explicit channel map; it decides nothing,
//! since it is known to differ (a coarser grid for the maxima, no oversampling from 192 kHz).

use std::fmt::Write;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

use ebur128::{Channel, EbuR128, Mode};

use crate::layout::Label;
use crate::measure::signals::{self, Case, Expected, Quantity};
use crate::units::Hertz;

/// The sheet, and whether all is within tolerance.
pub struct Sheet {
    pub text: String,
    pub within: bool,
}

struct Line {
    case: usize,
    expected: Expected,
    read: Option<f64>,
    second: Option<f64>,
}

/// Weighs every signal on all cores; takes seconds. `when` is written on the sheet.
pub fn sheet(when: &jiff::ZonedDateTime) -> Sheet {
    let cases = signals::cases();
    let lines = weigh_all(&cases);
    let outside: Vec<&Line> = lines
        .iter()
        .filter(|l| !l.expected.met_by(l.read))
        .collect();
    let mut text = String::new();
    let verdict = match outside.len() {
        0 => format!(
            "all {} readings on {} signals lie within tolerance",
            lines.len(),
            cases.len()
        ),
        n => format!(
            "{n} of {} readings lie outside their tolerance",
            lines.len()
        ),
    };
    let _ = writeln!(text, "{verdict}\n");
    let _ = writeln!(
        text,
        "Calibration sheet of weighbridge {}",
        env!("CARGO_PKG_VERSION")
    );
    let _ = writeln!(text, "written {}", when.strftime("%Y-%m-%dT%H:%M:%S%:z"));
    let _ = writeln!(
        text,
        "Signals are made in memory from the clauses named below; nothing is played.\n\
         Second opinion: the ebur128 library (loudness weights given by label); for information.\n"
    );
    let mut clause = "";
    for line in &lines {
        let case = &cases[line.case];
        if case.clause != clause {
            clause = &case.clause;
            let _ = writeln!(text, "{clause}");
            let _ = writeln!(
                text,
                "  {:<26} {:<15} {:>9} {:>11} {:>9} {:>8}  {:>9}",
                "signal", "quantity", "asked", "tolerance", "found", "off by", "second"
            );
        }
        text.push_str(&row(case, line));
    }
    let _ = writeln!(text, "\n{verdict}");
    Sheet {
        text,
        within: outside.is_empty(),
    }
}

fn row(case: &Case, line: &Line) -> String {
    let (quantity, unit) = line.expected.quantity.words();
    let number = |value: Option<f64>| value.map_or("none".into(), |v| format!("{v:.2}"));
    let tolerance = match line.expected.value {
        None => String::new(),
        Some(_) if line.expected.plus == line.expected.minus => format!("±{}", line.expected.plus),
        Some(_) => format!("+{}/-{}", line.expected.plus, line.expected.minus),
    };
    let off = line
        .read
        .zip(line.expected.value)
        .map(|(read, value)| format!("{:+.2}", read - value));
    let mark = if line.expected.met_by(line.read) {
        ""
    } else {
        "  OUTSIDE"
    };
    format!(
        "  {:<26} {:<15} {:>9} {:>11} {:>9} {:>8}  {:>9} {unit}{mark}\n",
        case.name,
        quantity,
        number(line.expected.value),
        tolerance,
        number(line.read),
        off.unwrap_or_default(),
        number(line.second),
    )
}

fn weigh_all(cases: &[Case]) -> Vec<Line> {
    let next = AtomicUsize::new(0);
    let lines = Mutex::new(Vec::new());
    let hands = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..hands {
            scope.spawn(|| {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    let Some(case) = cases.get(index) else { return };
                    let done = weigh_one(index, case);
                    lines
                        .lock()
                        .unwrap_or_else(PoisonError::into_inner)
                        .extend(done);
                }
            });
        }
    });
    let mut lines = lines.into_inner().unwrap_or_else(PoisonError::into_inner);
    lines.sort_by_key(|line| line.case);
    lines
}

fn weigh_one(index: usize, case: &Case) -> Vec<Line> {
    let samples = case.samples();
    let measured = signals::measure(&samples, case.sample_rate, Some(case.labels.clone()), 4096);
    let opinion = SecondOpinion::of(&samples, case.sample_rate, &case.labels);
    let line = |expected: &Expected| Line {
        case: index,
        expected: *expected,
        read: expected.quantity.of(&measured),
        second: opinion
            .as_ref()
            .and_then(|o| o.of_quantity(expected.quantity)),
    };
    case.expected.iter().map(line).collect()
}

/// What the `ebur128` library reads.
pub struct SecondOpinion {
    pub integrated_lufs: f64,
    pub range_lu: f64,
    pub momentary_max_lufs: f64,
    pub short_term_max_lufs: f64,
    pub true_peak: f64,
}

impl SecondOpinion {
    /// `None` where the library refuses (more channels than it takes).
    pub fn of(samples: &[Vec<f64>], sample_rate: Hertz, labels: &[Label]) -> Option<Self> {
        let channels = u32::try_from(samples.len()).ok()?;
        let mode = Mode::I | Mode::LRA | Mode::TRUE_PEAK | Mode::M | Mode::S;
        let mut state = EbuR128::new(channels, sample_rate.value(), mode).ok()?;
        for (index, label) in labels.iter().enumerate() {
            state
                .set_channel(u32::try_from(index).ok()?, library_channel(label))
                .ok()?;
        }
        let (mut momentary, mut short_term) = (f64::NEG_INFINITY, f64::NEG_INFINITY);
        let hop = sample_rate.value() as usize / 10;
        let frames = samples.first().map_or(0, Vec::len);
        for start in (0..frames).step_by(hop) {
            let end = (start + hop).min(frames);
            let pieces: Vec<&[f64]> = samples.iter().map(|c| &c[start..end]).collect();
            state.add_frames_planar_f64(&pieces).ok()?;
            let heard = end as f64 / f64::from(sample_rate.value());
            if heard >= 0.4 {
                momentary = momentary.max(state.loudness_momentary().ok()?);
            }
            if heard >= 3.0 {
                short_term = short_term.max(state.loudness_shortterm().ok()?);
            }
        }
        let peaks = (0..channels).map(|c| state.true_peak(c).unwrap_or(0.0));
        Some(Self {
            integrated_lufs: state.loudness_global().ok()?,
            range_lu: state.loudness_range().ok()?,
            momentary_max_lufs: momentary,
            short_term_max_lufs: short_term,
            true_peak: peaks.fold(0.0, f64::max),
        })
    }

    fn of_quantity(&self, quantity: Quantity) -> Option<f64> {
        let value = match quantity {
            Quantity::Integrated => self.integrated_lufs,
            Quantity::MomentaryMax => self.momentary_max_lufs,
            Quantity::ShortTermMax => self.short_term_max_lufs,
            Quantity::LoudnessRange => self.range_lu,
            Quantity::TruePeak => 20.0 * self.true_peak.log10(),
        };
        value.is_finite().then_some(value)
    }
}

/// The library's channel of that label. Its default map drops channels 7 and up without a
/// word, and its surround pair weighs 1.41 wherever it stands, so every label is given.
fn library_channel(label: &Label) -> Channel {
    match label.as_str() {
        "LFE1" | "LFE2" => Channel::Unused,
        "M+030" => Channel::Left,
        "M-030" => Channel::Right,
        "M+000" => Channel::Center,
        "M+110" => Channel::LeftSurround,
        "M-110" => Channel::RightSurround,
        "M+060" => Channel::Mp060,
        "M-060" => Channel::Mm060,
        "M+090" => Channel::Mp090,
        "M-090" => Channel::Mm090,
        "M+135" => Channel::Mp135,
        "M-135" => Channel::Mm135,
        "M+180" => Channel::Mp180,
        // All heights weigh 1 alike.
        _ => Channel::Up045,
    }
}
