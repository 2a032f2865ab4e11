//! HOA decoders against the reference renderer of BS.2127 (ear 2.1.0), and what AllRAD must keep.

use super::*;

/// Six loudspeakers, one at each end of each axis, panned by amplitude: simple enough to say what
/// a decoder for it must keep.
struct SixWays;

impl PointPanner for SixWays {
    fn pan(&self, direction: [f64; 3], out: &mut [f64]) {
        for axis in 0..3 {
            out[2 * axis] = direction[axis].max(0.0);
            out[2 * axis + 1] = (-direction[axis]).max(0.0);
        }
    }
}

fn decoders() -> HoaDecoders {
    HoaDecoders {
        panner: Arc::new(SixWays),
        speakers: 6,
        points: Vec::new(),
        panned: Vec::new(),
        known: Vec::new(),
    }
}

fn all_up_to(order: i32) -> Vec<Component> {
    let degrees = |order: i32| (-order..=order).map(move |degree| Component { order, degree });
    (0..=order).flat_map(degrees).collect()
}

/// Orthonormality is what the N3D normalisation is (BS.2076-2, clause 5.4.3.4).
#[test]
fn the_harmonics_are_orthonormal_on_the_design() {
    let points = harmonics::design_points();
    assert_eq!(points.len(), 5200);
    let mut sets = Vec::new();
    for component in all_up_to(6) {
        let mut values = vec![0.0; points.len()];
        harmonics::n3d(component.order, component.degree, &points, &mut values);
        sets.push(values);
    }
    for (a, first) in sets.iter().enumerate() {
        for (b, second) in sets.iter().enumerate() {
            let sum: f64 = first.iter().zip(second).map(|(x, y)| x * y).sum();
            let expected = f64::from(u8::from(a == b));
            assert!((sum / 5200.0 - expected).abs() < 1e-11, "{a} {b}");
        }
    }
    let top = Component {
        order: MAX_ORDER,
        degree: -MAX_ORDER,
    };
    for component in [
        top,
        Component { degree: 0, ..top },
        Component { degree: 7, ..top },
    ] {
        let mut values = vec![0.0; points.len()];
        harmonics::n3d(component.order, component.degree, &points, &mut values);
        let sum: f64 = values.iter().map(|x| x * x).sum();
        assert!((sum / 5200.0 - 1.0).abs() < 1e-9, "{component:?} {sum}");
    }
}

/// The polynomials of the first orders in SN3D: W = 1, Y = left, Z = up, X = front, and
/// R = (3 z^2 - 1) / 2, S = sqrt(3) z x of order 2.
#[test]
fn the_first_harmonics_are_the_known_polynomials() {
    let points = [[0.48, -0.6, 0.64]];
    let [right, front, up] = points[0];
    let expected = [
        ((0, 0), 1.0),
        ((1, -1), -right),
        ((1, 0), up),
        ((1, 1), front),
        ((2, 0), (3.0 * up * up - 1.0) / 2.0),
        ((2, 1), 3.0_f64.sqrt() * up * front),
        ((2, -1), 3.0_f64.sqrt() * up * -right),
        ((2, -2), 3.0_f64.sqrt() * front * -right),
        (
            (2, 2),
            3.0_f64.sqrt() / 2.0 * (front * front - right * right),
        ),
    ];
    for ((order, degree), value) in expected {
        let mut got = [0.0];
        harmonics::n3d(order, degree, &points, &mut got);
        let sn3d = got[0] / f64::from(2 * order + 1).sqrt();
        assert!(
            (sn3d - value).abs() < 1e-14,
            "{order} {degree}: {sn3d} {value}"
        );
    }
}

/// FuMa scales each component of orders 1 to 3 to a maximum of 1 and W to 1/sqrt(2).
#[test]
fn fuma_components_reach_one() {
    let points = harmonics::design_points();
    for component in all_up_to(3) {
        let mut values = vec![0.0; points.len()];
        harmonics::n3d(component.order, component.degree, &points, &mut values);
        let most = values.iter().fold(0.0_f64, |most, x| most.max(x.abs()));
        let fuma = most / Normalization::FuMa.to_n3d(component);
        let expected = if component.order == 0 {
            FRAC_1_SQRT_2
        } else {
            1.0
        };
        // The points miss the maximum by up to the square of half their distance.
        assert!((fuma - expected).abs() < 2e-3, "{component:?} {fuma}");
    }
}

#[test]
fn the_mean_power_over_the_sphere_is_one() {
    let points = harmonics::design_points();
    let subset = [
        Component {
            order: 2,
            degree: -1,
        },
        Component {
            order: 0,
            degree: 0,
        },
        Component {
            order: 3,
            degree: 3,
        },
    ];
    let cases = [all_up_to(1), all_up_to(3), all_up_to(7), subset.to_vec()];
    for components in cases {
        let matrix = decoders().decoder(&components, Normalization::N3d).unwrap();
        let mut power = 0.0;
        let mut values = vec![vec![0.0; points.len()]; components.len()];
        for (component, values) in components.iter().zip(&mut values) {
            harmonics::n3d(component.order, component.degree, &points, values);
        }
        for point in 0..points.len() {
            for speaker in 0..matrix.speakers() {
                let row = matrix.row(speaker);
                let gain: f64 = row.iter().zip(&values).map(|(g, y)| g * y[point]).sum();
                power += gain * gain;
            }
        }
        assert!((power / 5200.0 - 1.0).abs() < 1e-10, "{power}");
    }
}

#[test]
fn channels_may_come_in_any_order() {
    let straight = all_up_to(2);
    let mut shuffled = straight.clone();
    shuffled.reverse();
    shuffled.swap(1, 5);
    let mut decoders = decoders();
    let first = decoders.decoder(&straight, Normalization::FuMa).unwrap();
    let second = decoders.decoder(&shuffled, Normalization::FuMa).unwrap();
    for speaker in 0..first.speakers() {
        for (channel, component) in shuffled.iter().enumerate() {
            let other = straight
                .iter()
                .position(|known| known == component)
                .unwrap();
            let difference = first.row(speaker)[other] - second.row(speaker)[channel];
            assert!(difference.abs() < 1e-15);
        }
    }
}

/// The same scene in two normalisations sounds the same.
#[test]
fn a_scene_sounds_the_same_in_every_normalisation() {
    let components = all_up_to(3);
    let mut decoders = decoders();
    let n3d = decoders.decoder(&components, Normalization::N3d).unwrap();
    for (normalization, of_first_order) in [
        (Normalization::Sn3d, 1.0 / 3.0_f64.sqrt()),
        // W is 3 dB down, the rest as in SN3D.
        (Normalization::FuMa, 1.0 / 3.0_f64.sqrt()),
    ] {
        let other = decoders.decoder(&components, normalization).unwrap();
        for speaker in 0..6 {
            for channel in 1..4 {
                let (n3d, other) = (n3d.row(speaker)[channel], other.row(speaker)[channel]);
                assert!((n3d - other * of_first_order).abs() < 1e-14);
            }
        }
    }
}

#[test]
fn a_decoder_is_made_once() {
    let mut decoders = decoders();
    let first = decoders
        .decoder(&all_up_to(1), Normalization::Sn3d)
        .unwrap();
    let again = decoders
        .decoder(&all_up_to(1), Normalization::Sn3d)
        .unwrap();
    assert!(Arc::ptr_eq(&first, &again));
}

#[test]
fn channels_that_are_none_are_refused_with_a_reason() {
    let mut decoders = decoders();
    let mut reason = |order, degree, normalization| {
        let components = [Component { order, degree }];
        decoders.decoder(&components, normalization).unwrap_err()
    };
    assert_eq!(reason(-1, 0, Normalization::Sn3d), HoaError::Order(-1));
    assert_eq!(
        reason(i32::MAX, 0, Normalization::Sn3d),
        HoaError::Order(i32::MAX)
    );
    let degree = HoaError::Degree {
        order: 2,
        degree: -3,
    };
    assert_eq!(reason(2, -3, Normalization::N3d), degree);
    assert_eq!(
        reason(2, i32::MIN, Normalization::N3d),
        HoaError::Degree {
            order: 2,
            degree: i32::MIN
        }
    );
    assert_eq!(reason(4, 0, Normalization::FuMa), HoaError::FuMaOrder(4));
    assert!("SN2D".parse::<Normalization>().is_err());
    assert_eq!("FuMa".parse(), Ok(Normalization::FuMa));
    let empty = decoders.decoder(&[], Normalization::Sn3d).unwrap();
    assert_eq!((empty.channels(), empty.speakers()), (0, 0));
}
