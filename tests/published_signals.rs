//! Every published test signal through the meters: the reading lies within the document's
//! tolerance, and nearer where the value is exact by computation.

use weighbridge::measure::Measurements;
use weighbridge::measure::signals::{self, Case, Quantity};

fn weigh(case: &Case, cut: usize) -> Measurements {
    signals::measure(
        &case.samples(),
        case.sample_rate,
        Some(case.labels.clone()),
        cut,
    )
}

#[test]
fn every_reading_lies_within_the_documents_tolerance() {
    let mut wrong = Vec::new();
    let cases = signals::cases();
    assert!(cases.len() > 150, "{} cases", cases.len());
    for case in &cases {
        let measured = weigh(case, 4096);
        for expected in &case.expected {
            let read = expected.quantity.of(&measured);
            let good = expected.met_by(read);
            if !good {
                wrong.push(format!("{}: {read:?}, expected {expected:?}", case.name));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

// The value follows from BS.1770-5's own formulas; 0.02 LU is own choice, a fifth of the
// tolerance of Report BS.2217.
#[test]
fn tones_read_what_the_formulas_give() {
    for case in signals::cases() {
        let exact = ["response-", "weight-", "calibration-"];
        if !exact.iter().any(|start| case.name.starts_with(start)) {
            continue;
        }
        let Some(value) = case.expected[0].value else {
            continue;
        };
        let read = Quantity::Integrated.of(&weigh(&case, 4096)).unwrap();
        assert!(
            (read - value).abs() <= 0.02,
            "{}: {read}, formula {value}",
            case.name
        );
    }
}

// EBU Tech 3341, Table 1, cases 15 to 19: the analogue peak is the amplitude. 0.1 dB is the
// project's aim, narrower than the document's +0.2/-0.4 dB.
#[test]
fn steady_tones_under_read_by_at_most_a_tenth_of_a_decibel() {
    for case in signals::cases() {
        let Some(number) = case.name.strip_prefix("tech3341-") else {
            continue;
        };
        let Ok(number) = number[..2].parse::<u32>() else {
            continue;
        };
        if !(15..=19).contains(&number) {
            continue;
        }
        let amplitude: f64 = if number == 19 { 1.41 } else { 0.5 };
        let read = Quantity::TruePeak.of(&weigh(&case, 4096)).unwrap();
        let error = read - 20.0 * amplitude.log10();
        assert!((-0.1..=0.05).contains(&error), "{}: {error} dB", case.name);
    }
}

#[test]
fn any_cut_into_blocks_gives_the_same_bits() {
    let cases = signals::cases();
    for name in [
        "tech3341-05",
        "tech3341-20",
        "weight-7.1.4-all",
        "response-25-44100",
    ] {
        let case = cases.iter().find(|c| c.name == name).unwrap();
        let whole = weigh(case, 4096);
        for cut in [61, 480, 1009, 4095] {
            assert_eq!(weigh(case, cut), whole, "{name} in blocks of {cut}");
        }
    }
}
