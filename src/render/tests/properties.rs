//! What holds for every position on every layout (ITU-R BS.2127-1, clause 6.1: the panner
//! preserves power, is symmetric and has no steps).

use proptest::prelude::*;

use crate::adm::block::{ChannelLock, Divergence, ObjectTraits, ScreenEdgeLock, Zone};
use crate::adm::block::{HorizontalEdge, VerticalEdge};
use crate::adm::model::Screen;
use crate::render::geometry::{Vector, cart};
use crate::render::object_gains::ObjectGainCalculator;
use crate::render::point::{ObjectGains, ObjectPoint};
use crate::render::polar::PolarPanner;
use crate::render::polar::extent::{Extent, PolarExtent, Scratch};
use crate::render::polar::zones::ZoneExclusion;
use crate::render::speakers::{RENDERABLE, SpeakerLayout};

fn layouts() -> Vec<SpeakerLayout> {
    let layout = |name: &&str| SpeakerLayout::named(name).unwrap();
    RENDERABLE.iter().map(layout).collect()
}

fn panned(panner: &PolarPanner, direction: Vector) -> Vec<f64> {
    let mut gains = vec![f64::NAN; panner.len()];
    panner.gains(direction, &mut gains);
    gains
}

fn power(gains: &[f64]) -> f64 {
    gains.iter().map(|gain| gain * gain).sum()
}

/// For each loudspeaker the one at the other side.
fn mirrored(layout: &SpeakerLayout) -> Vec<usize> {
    let places = layout.full_range().into_iter().map(|n| {
        let speaker = &layout.speakers[n];
        (speaker.azimuth, speaker.elevation)
    });
    let places: Vec<(f64, f64)> = places.collect();
    let other = |&(azimuth, elevation): &(f64, f64)| {
        let same = |&(az, el): &(f64, f64)| {
            (az + azimuth).rem_euclid(360.0) < 1e-9 && (el - elevation).abs() < 1e-9
        };
        places.iter().position(same).unwrap()
    };
    places.iter().map(other).collect()
}

fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -400.0..400.0_f64,
        2 => -1.5..1.5_f64,
        1 => proptest::num::f64::ANY,
        1 => prop::sample::select(vec![
            0.0, -0.0, 1.0, -1.0, 90.0, -90.0, 180.0, 360.0, 1e300, -1e300, f64::MAX,
            f64::INFINITY, f64::NEG_INFINITY, f64::NAN, f64::MIN_POSITIVE,
        ]),
    ]
}

fn any_zone() -> impl Strategy<Value = Zone> {
    prop_oneof![
        prop::array::uniform4(any_number()).prop_map(|[a, b, c, d]| Zone::Polar {
            min_azimuth: a,
            max_azimuth: b,
            min_elevation: c,
            max_elevation: d,
        }),
        prop::array::uniform2(prop::array::uniform3(any_number()))
            .prop_map(|[min, max]| Zone::Cartesian { min, max }),
    ]
}

fn any_screen() -> impl Strategy<Value = Screen> {
    prop_oneof![
        prop::array::uniform5(any_number()).prop_map(|[a, b, c, d, e]| Screen::Polar {
            aspect_ratio: a,
            azimuth: b,
            elevation: c,
            distance: d,
            width_azimuth: e,
        }),
        prop::array::uniform5(any_number()).prop_map(|[a, x, y, z, w]| Screen::Cartesian {
            aspect_ratio: a,
            centre: [x, y, z],
            width_x: w,
        }),
    ]
}

fn any_traits() -> impl Strategy<Value = ObjectTraits> {
    let lock = prop::option::of(prop::option::of(any_number()));
    let divergence = prop::option::of((
        any_number(),
        prop::option::of(any_number()),
        prop::option::of(any_number()),
    ));
    let edges = (
        prop::option::of(prop::sample::select(vec![
            HorizontalEdge::Left,
            HorizontalEdge::Right,
        ])),
        prop::option::of(prop::sample::select(vec![
            VerticalEdge::Top,
            VerticalEdge::Bottom,
        ])),
    );
    (
        any::<bool>(),
        prop::array::uniform4(any_number()),
        lock,
        divergence,
        edges,
        prop::collection::vec(any_zone(), 0..3),
        any::<bool>(),
    )
        .prop_map(
            |(cartesian, sizes, lock, divergence, edges, zones, screen_ref)| {
                let [width, height, depth, diffuse] = sizes;
                ObjectTraits {
                    cartesian,
                    width,
                    height,
                    depth,
                    diffuse,
                    channel_lock: lock.map(|max_distance| ChannelLock { max_distance }),
                    divergence: divergence.map(|(value, azimuth_range, position_range)| {
                        Divergence {
                            value,
                            azimuth_range,
                            position_range,
                        }
                    }),
                    screen_ref,
                    screen_edge_lock: ScreenEdgeLock {
                        horizontal: edges.0,
                        vertical: edges.1,
                    },
                    zone_exclusion: zones,
                    ..ObjectTraits::default()
                }
            },
        )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn no_metadata_makes_a_gain_that_is_no_number(
        position in prop::array::uniform3(any_number()),
        gain in any_number(),
        traits in any_traits(),
        screen in any_screen(),
        revision in 0_u32..4,
        layout in prop::sample::select(layouts()),
    ) {
        let mut calculator = ObjectGainCalculator::new(&layout).unwrap();
        let point = ObjectPoint {
            position,
            gain,
            traits: &traits,
            reference_screen: &screen,
            absolute_distance: Some(gain),
            revision,
        };
        let mut gains = ObjectGains { direct: vec![], diffuse: vec![] };
        calculator.gains(&point, &mut gains);
        for list in [&gains.direct, &gains.diffuse] {
            prop_assert_eq!(list.len(), layout.len());
            for (gain, speaker) in list.iter().zip(&layout.speakers) {
                prop_assert!(gain.is_finite());
                prop_assert!(!speaker.is_lfe || *gain == 0.0);
            }
        }
        let sent = if point.gain.is_finite() { point.gain } else { 0.0 };
        let heard = power(&gains.direct) + power(&gains.diffuse);
        if !traits.cartesian {
            prop_assert!(heard <= sent * sent * (1.0 + 1e-9) || !heard.is_finite());
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn a_point_keeps_its_power_but_behind_in_stereo(
        azimuth in -180.0..180.0_f64,
        elevation in -90.0..90.0_f64,
    ) {
        for layout in layouts() {
            let panner = PolarPanner::new(&layout).unwrap();
            let gains = panned(&panner, cart(azimuth, elevation, 1.0));
            prop_assert!(gains.iter().all(|gain| *gain >= 0.0));
            let power = power(&gains);
            if layout.name == "0+2+0" {
                prop_assert!((0.5 - 1e-9..1.0 + 1e-9).contains(&power), "{power}");
            } else {
                prop_assert!((power - 1.0).abs() < 1e-9, "{} {power}", layout.name);
            }
        }
    }
}

/// Clause 6.1.2.4: from 0 dB in front to -3 dB behind.
#[test]
fn stereo_is_three_decibels_lower_behind() {
    let layout = SpeakerLayout::named("0+2+0").unwrap();
    let panner = PolarPanner::new(&layout).unwrap();
    for (azimuth, expected) in [(0.0, 1.0), (30.0, 1.0), (110.0, 0.5), (180.0, 0.5)] {
        let power = power(&panned(&panner, cart(azimuth, 0.0, 1.0)));
        assert!((power - expected).abs() < 1e-12, "{azimuth}: {power}");
    }
}

#[test]
fn every_loudspeaker_plays_its_own_direction_alone() {
    for layout in layouts() {
        let panner = PolarPanner::new(&layout).unwrap();
        for (n, output) in layout.full_range().into_iter().enumerate() {
            let speaker = &layout.speakers[output];
            let gains = panned(&panner, cart(speaker.azimuth, speaker.elevation, 1.0));
            for (other, gain) in gains.iter().enumerate() {
                let expected = f64::from(other == n);
                assert!(
                    (gain - expected).abs() < 1e-9,
                    "{} {}",
                    layout.name,
                    speaker.label
                );
            }
        }
    }
}

#[test]
fn what_is_moved_to_the_other_side_is_heard_there() {
    for layout in layouts() {
        let other = mirrored(&layout);
        let extent = PolarExtent::new(&layout).unwrap();
        let mut scratch = Scratch::default();
        let mut spread = |azimuth: f64, elevation: f64, size: Extent| {
            let mut power = vec![0.0; other.len()];
            let at = cart(azimuth, elevation, 0.9);
            extent.add_power(at, size, 1.0, &mut scratch, &mut power);
            power
        };
        for row in 0..25 {
            for column in 0..37 {
                let (elevation, azimuth) = (-84.0 + 7.0 * f64::from(row), 5.0 * f64::from(column));
                let size = Extent {
                    width: f64::from(column) * 9.0,
                    height: f64::from(row) * 12.0,
                    depth: f64::from(column % 3) * 0.2,
                };
                for size in [Extent::default(), size] {
                    let left = spread(azimuth, elevation, size);
                    let right = spread(-azimuth, elevation, size);
                    for (n, power) in left.iter().enumerate() {
                        assert!(
                            (power.sqrt() - right[other[n]].sqrt()).abs() < 1e-6,
                            "{} {azimuth} {elevation} {size:?}",
                            layout.name
                        );
                    }
                }
            }
        }
    }
}

/// No step along a path: half the distance is about half the change, so a jump would show as a
/// change that does not shrink.
#[test]
fn gains_have_no_steps_along_a_path() {
    let step = 1e-4;
    for layout in layouts() {
        let panner = PolarPanner::new(&layout).unwrap();
        // A great circle that is tilted so that it crosses the regions of all layers.
        for tilt in [3.0_f64, 27.0, 44.0, 71.0, 89.0] {
            let (sin, cos) = tilt.to_radians().sin_cos();
            let at = |turn: f64| [turn.sin(), turn.cos() * cos, turn.cos() * sin];
            let mut before = panned(&panner, at(0.0));
            let steps = (std::f64::consts::TAU / step) as u32;
            for n in 1..=steps {
                let gains = panned(&panner, at(f64::from(n) * step));
                for (gain, before) in gains.iter().zip(&before) {
                    // Between two loudspeakers 30 degrees apart a gain turns from 0 to 1, that
                    // is some two to seven times as fast as the direction.
                    assert!(
                        (gain - before).abs() < 20.0 * step,
                        "{} {tilt} {n}: {before} to {gain}",
                        layout.name
                    );
                }
                before = gains;
            }
        }
    }
}

#[test]
fn extent_keeps_its_power_and_grows_without_steps() {
    for layout in layouts() {
        let extent = PolarExtent::new(&layout).unwrap();
        let mut scratch = Scratch::default();
        for place in 0..24 {
            let at = cart(f64::from(place) * 15.0, f64::from(place) * 7.5 - 90.0, 1.0);
            let mut before: Option<Vec<f64>> = None;
            for degrees in 0..720 {
                let width = f64::from(degrees) / 2.0;
                let size = Extent {
                    width,
                    height: 360.0 - width,
                    depth: 0.0,
                };
                let mut powers = vec![0.0; layout.full_range().len()];
                extent.add_power(at, size, 1.0, &mut scratch, &mut powers);
                let sum: f64 = powers.iter().sum();
                assert!((sum - 1.0).abs() < 1e-12, "{} {size:?} {sum}", layout.name);
                if let Some(before) = &before {
                    for (power, before) in powers.iter().zip(before) {
                        assert!((power.sqrt() - before.sqrt()).abs() < 0.05, "{size:?}");
                    }
                }
                before = Some(powers);
            }
        }
    }
}

/// Clause 7.3.12: power is moved, none is lost, and nothing comes out of an excluded loudspeaker.
#[test]
fn excluded_loudspeakers_are_silent_and_their_power_is_kept() {
    for layout in layouts() {
        let zones = ZoneExclusion::new(&layout);
        let count = layout.full_range().len();
        let mut excluded = Vec::new();
        let zone = |min_azimuth, max_azimuth| Zone::Polar {
            min_azimuth,
            max_azimuth,
            min_elevation: -90.0,
            max_elevation: 90.0,
        };
        for (from, to) in [(100.0, -100.0), (1.0, 179.0), (-180.0, 180.0), (10.0, 70.0)] {
            zones.excluded(&[zone(from, to)], &mut excluded);
            let all = excluded.iter().all(|&out| out);
            for speaker in 0..count {
                let mut power = vec![0.0; count];
                power[speaker] = 1.0;
                let mut rerouted = vec![0.0; count];
                zones.reroute(&excluded, &power, &mut rerouted);
                assert!((rerouted.iter().sum::<f64>() - 1.0).abs() < 1e-12);
                for (&power, &out) in rerouted.iter().zip(&excluded) {
                    assert!(all || !out || power == 0.0, "{} {from} {to}", layout.name);
                }
            }
        }
    }
}
