//! Conversion between the coordinate systems (ITU-R BS.2127-1, clause 10), screens and divergence.

use crate::adm::block::{Divergence, HorizontalEdge, ScreenEdgeLock, VerticalEdge};
use crate::adm::model::Screen;
use crate::render::conversion::{
    CartesianPlace, PolarPlace, position_to_cartesian, position_to_polar, to_cartesian, to_polar,
};
use crate::render::divergence::diverge;
use crate::render::geometry::{azimuth, length, minus};
use crate::render::screen::{ScreenEdges, ScreenHandler};
use crate::render::speakers::SpeakerLayout;

/// The corners of the room (clause 10.1): the loudspeakers of 4+5+0 and what lies below them.
#[test]
fn the_rooms_corners_are_the_loudspeakers_at_30_and_110_degrees() {
    for (elevation, z) in [(-30.0, -1.0), (0.0, 0.0), (30.0, 1.0)] {
        for (azimuth, x, y) in [
            (0.0, 0.0, 1.0),
            (-30.0, 1.0, 1.0),
            (30.0, -1.0, 1.0),
            (-110.0, 1.0, -1.0),
            (110.0, -1.0, -1.0),
        ] {
            for distance in [0.5, 1.0, 2.0] {
                let polar = [azimuth, elevation, distance];
                let room = [x * distance, y * distance, z * distance];
                let there = position_to_cartesian(polar);
                assert!(length(minus(there, room)) < 1e-10, "{polar:?} {there:?}");
                let back = position_to_polar(room);
                assert!(length(minus(back, polar)) < 1e-10, "{room:?} {back:?}");
            }
        }
    }
}

#[test]
fn poles_and_middle_have_a_place_in_both_systems() {
    for sign in [-1.0, 1.0] {
        let above = position_to_cartesian([0.0, sign * 90.0, 0.5]);
        assert!(length(minus(above, [0.0, 0.0, sign * 0.5])) < 1e-10);
        assert_eq!(
            position_to_polar([0.0, 0.0, sign * 0.5]),
            [0.0, sign * 90.0, 0.5]
        );
    }
    assert_eq!(position_to_polar([0.0; 3]), [0.0; 3]);
    for azimuth in [-90.0, 0.0, 90.0] {
        assert_eq!(length(position_to_cartesian([azimuth, 45.0, 0.0])), 0.0);
    }
}

#[test]
fn a_position_survives_the_way_there_and_back() {
    for azimuth in -17..18 {
        for elevation in -8..9 {
            let polar = [f64::from(azimuth) * 10.0, f64::from(elevation) * 10.0, 0.7];
            let back = position_to_polar(position_to_cartesian(polar));
            assert!(length(minus(back, polar)) < 1e-9, "{polar:?} {back:?}");
        }
    }
}

/// Values of the reference renderer of BS.2127 (ear 2.1.0): azimuth, elevation, distance, width,
/// height, depth; then X, Y, Z and the sizes along them.
const TO_CARTESIAN: &[([f64; 6], [f64; 6])] = &[
    (
        [44.24461, 43.521658, 1.233752, 0.0, 0.0, 0.0],
        [-0.859357680284, 0.570951354968, 1.233752, 0.0, 0.0, 0.0],
    ),
    (
        [-11.135143, -45.61689, 0.906889, 20.0, 10.0, 0.0],
        [
            0.204093878102,
            0.595427750426,
            -0.906889,
            0.17080635752,
            0.0699067110895,
            0.0612025666816,
        ],
    ),
    (
        [
            42.282907, -67.194138, 0.202307, 313.705708, 75.404298, 0.215481,
        ],
        [
            -0.0622547531104,
            0.0443423395089,
            -0.202307,
            0.868245425273,
            0.838063912539,
            0.91592513686,
        ],
    ),
    (
        [
            -106.279375,
            79.37568,
            1.097835,
            347.963152,
            321.747004,
            0.298789,
        ],
        [
            0.153670127535,
            -0.140619954725,
            1.097835,
            0.999913799026,
            0.999992648952,
            0.997337918306,
        ],
    ),
    (
        [
            -178.782077,
            32.028165,
            0.639266,
            111.584855,
            294.666507,
            0.480745,
        ],
        [
            0.00597228968138,
            -0.606193014058,
            0.639266,
            0.827062782014,
            0.94377664053,
            0.978402410498,
        ],
    ),
    (
        [
            89.926208, 62.07856, 0.223488, 283.585789, 131.826411, 0.578519,
        ],
        [
            -0.0855254211306,
            -0.0444077879833,
            0.223488,
            0.908572525549,
            0.99999985528,
            0.897322126455,
        ],
    ),
    (
        [
            154.675915, 79.567889, 0.647696, 127.725554, 188.892655, 0.775603,
        ],
        [
            -0.0193279184693,
            -0.0890006875602,
            0.647696,
            0.9159994642,
            0.976637841285,
            0.78397924415,
        ],
    ),
    (
        [
            -147.175249,
            -28.666704,
            0.994076,
            330.511387,
            122.38543,
            0.924198,
        ],
        [
            0.291880564825,
            -0.994076,
            -0.926992683247,
            0.988388143957,
            0.971860513501,
            0.902066718138,
        ],
    ),
];

/// The same the other way: X, Y, Z and the sizes along them; then the polar six.
const TO_POLAR: &[([f64; 6], [f64; 6])] = &[
    (
        [-0.94199, -0.068755, 0.886713, 0.0, 0.0, 0.0],
        [72.7569238996, 28.845748515, 0.94199, 0.0, 0.0, 0.0],
    ),
    (
        [-0.441035, 0.832691, 0.531451, 0.1, 0.1, 0.6],
        [
            15.7155088173,
            21.6982457294,
            0.832691,
            22.0775688296,
            95.6103858909,
            0.0763305056443,
        ],
    ),
    (
        [0.964842, 0.744816, -0.42139, 0.480739, 0.269612, 0.338915],
        [
            -39.8072412528,
            -15.7287087161,
            0.964842,
            89.4666293526,
            77.3469172159,
            0.223907487652,
        ],
    ),
    (
        [-0.27762, -0.668088, -0.708596, 0.03257, 0.15068, 0.301555],
        [
            137.0789521,
            -32.2472046053,
            0.708596,
            21.6155499104,
            49.2693884621,
            0.141441790461,
        ],
    ),
    (
        [-0.368414, -0.037563, 0.409338, 0.0285, 0.48755, 0.011433],
        [
            73.8523413196,
            34.0160395397,
            0.409338,
            66.8071983229,
            14.4231484024,
            0.0322441898505,
        ],
    ),
    (
        [-0.981843, -0.906546, -0.638161, 0.47759, 0.098261, 0.377868],
        [
            106.636420311,
            -22.0149011512,
            0.981843,
            43.8396752578,
            93.5889055967,
            0.290323153603,
        ],
    ),
    (
        [-0.783894, 0.496796, 0.594453, 0.429847, 0.018316, 0.4729],
        [
            45.4892437593,
            24.7828381026,
            0.783894,
            67.6913841822,
            93.5364544077,
            0.184356876274,
        ],
    ),
    (
        [0.090288, -0.375099, -0.3664, 0.088739, 0.039098, 0.074434],
        [
            -152.26977091,
            -29.5519048828,
            0.375099,
            13.0580182922,
            11.4189383726,
            0.0562911933018,
        ],
    ),
];

#[test]
fn places_are_converted_as_the_reference_renderer_does() {
    let close = |a: [f64; 6], b: [f64; 6]| {
        let near = a.iter().zip(&b).all(|(a, b)| (a - b).abs() < 1e-8);
        assert!(near, "{a:?} {b:?}");
    };
    for &([azimuth, elevation, distance, width, height, depth], expected) in TO_CARTESIAN {
        let place = to_cartesian(&PolarPlace {
            position: [azimuth, elevation, distance],
            width,
            height,
            depth,
        });
        let [x, y, z] = place.position;
        close([x, y, z, place.width, place.depth, place.height], expected);
    }
    for &([x, y, z, width, depth, height], expected) in TO_POLAR {
        let place = to_polar(&CartesianPlace {
            position: [x, y, z],
            width,
            height,
            depth,
        });
        let [azimuth, elevation, distance] = place.position;
        let sizes = [place.width, place.height, place.depth];
        close(
            [azimuth, elevation, distance, sizes[0], sizes[1], sizes[2]],
            expected,
        );
    }
}

/// Clause 7.3.3: the default screen is 58 degrees wide and 1.78 to 1.
#[test]
fn the_default_screen_has_its_edges_at_29_degrees() {
    let edges = ScreenEdges::of(&Screen::default()).unwrap();
    assert!((edges.left - 29.0).abs() < 1e-12 && (edges.right + 29.0).abs() < 1e-12);
    let top = (29_f64.to_radians().tan() / 1.78).atan().to_degrees();
    assert!((edges.top - top).abs() < 1e-12 && (edges.bottom + top).abs() < 1e-12);
}

#[test]
fn a_screen_behind_the_listener_or_over_a_pole_is_none() {
    let screen = |azimuth, elevation, width_azimuth| Screen::Polar {
        aspect_ratio: 1.0,
        azimuth,
        elevation,
        distance: 1.0,
        width_azimuth,
    };
    assert!(ScreenEdges::of(&screen(0.0, 0.0, 60.0)).is_some());
    assert!(ScreenEdges::of(&screen(180.0, 0.0, 60.0)).is_none());
    assert!(ScreenEdges::of(&screen(30.0, 80.0, 60.0)).is_none());
    assert!(ScreenEdges::of(&screen(-30.0, 80.0, 60.0)).is_none());
    assert!(ScreenEdges::of(&screen(f64::NAN, 0.0, 60.0)).is_none());
}

/// Clause 7.3.4: the edge of the reference screen goes to the edge of the other, what lies
/// behind stays.
#[test]
fn positions_on_a_screens_edge_stay_on_the_edge() {
    let layout = SpeakerLayout::named("0+5+0").unwrap();
    let mut handler = ScreenHandler::new(&layout);
    let wide = Screen::Polar {
        aspect_ratio: 1.78,
        azimuth: 0.0,
        elevation: 0.0,
        distance: 1.0,
        width_azimuth: 80.0,
    };
    let at = |degrees: f64| crate::render::geometry::cart(degrees, 0.0, 1.0);
    for (from, to) in [(40.0, 29.0), (-40.0, -29.0), (20.0, 14.5), (180.0, 180.0)] {
        let scaled = handler.scale(at(from), &wide, false);
        assert!(length(minus(scaled, at(to))) < 1e-12, "{from} {scaled:?}");
    }
    let lock = ScreenEdgeLock {
        horizontal: Some(HorizontalEdge::Right),
        vertical: Some(VerticalEdge::Top),
    };
    let locked = handler.lock(at(77.0), lock, false);
    assert!((azimuth(locked) + 29.0).abs() < 1e-12);
}

/// Clause 7.3.7; BS.2076-2, clause 5.4.3.3 on the default of azimuthRange.
#[test]
fn divergence_shares_the_power_and_its_default_range_is_the_documents() {
    let front = [0.0, 1.0, 0.0];
    let divergence = |value| Divergence {
        value,
        azimuth_range: None,
        position_range: None,
    };
    for (value, side, centre) in [(0.5, 1.0 / 3.0, 1.0 / 3.0), (1.0, 0.5, 0.0)] {
        let old = diverge(front, Some(&divergence(value)), false, 1);
        let shares: Vec<f64> = old.places().iter().map(|place| place.0).collect();
        assert_eq!(shares, [side, centre, side]);
        let angles: Vec<f64> = old.places().iter().map(|p| azimuth(p.1).round()).collect();
        assert_eq!(angles, [45.0, 0.0, -45.0]);
        let new = diverge(front, Some(&divergence(value)), false, 2);
        assert!(
            new.places()
                .iter()
                .all(|place| azimuth(place.1).abs() < 1e-12)
        );
    }
    assert_eq!(
        diverge(front, Some(&divergence(0.0)), false, 1)
            .places()
            .len(),
        1
    );
    let wide = Divergence {
        value: 1.0,
        azimuth_range: None,
        position_range: Some(0.75),
    };
    let room = diverge([0.5, 1.0, 0.0], Some(&wide), true, 2);
    let xs: Vec<f64> = room.places().iter().map(|place| place.1[0]).collect();
    assert_eq!(xs, [1.0, 0.5, -0.25]);
}
