//! Positions that belong to a screen: scaling from the reference to the reproduction screen, and
//! locking to the screen's edges (ITU-R BS.2127-1, clauses 7.3.3 and 7.3.4).
//!
//! The reproduction screen is the default one: a measurement has no room. Knows the loudspeakers
//! only as far as Cartesian positions need them: on layouts with U+045 the vertical is bent.

use super::conversion::{position_to_cartesian, position_to_polar};
use super::geometry::{
    Vector, azimuth, cart, elevation, interpolate, length, looking_at, minus, plus, times,
};
use super::speakers::SpeakerLayout;
use crate::adm::block::{HorizontalEdge, ScreenEdgeLock, VerticalEdge};
use crate::adm::model::Screen;

/// Two azimuths that are further apart than this are not on one vertical line.
const SAME_AZIMUTH: f64 = 1e-3;

/// Azimuths and elevations of a screen's edges, degrees.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ScreenEdges {
    pub left: f64,
    pub right: f64,
    pub bottom: f64,
    pub top: f64,
}

impl ScreenEdges {
    /// `None` for a screen that reaches behind the listener or over a pole, or is no screen.
    pub fn of(screen: &Screen) -> Option<Self> {
        let (centre, to_right, to_top) = match *screen {
            Screen::Polar {
                aspect_ratio,
                azimuth,
                elevation,
                distance,
                width_azimuth,
            } => {
                let half_width = distance * (width_azimuth / 2.0).to_radians().tan();
                let [right, _, up] = looking_at(azimuth, elevation);
                (
                    cart(azimuth, elevation, distance),
                    times(right, half_width),
                    times(up, half_width / aspect_ratio),
                )
            }
            Screen::Cartesian {
                aspect_ratio,
                centre,
                width_x,
            } => (
                centre,
                [width_x / 2.0, 0.0, 0.0],
                [0.0, 0.0, width_x / 2.0 / aspect_ratio],
            ),
        };
        let edges = Self {
            left: azimuth(minus(centre, to_right)),
            right: azimuth(plus(centre, to_right)),
            bottom: elevation(minus(centre, to_top)),
            top: elevation(plus(centre, to_top)),
        };
        let tilt = azimuth(minus(centre, to_top)) - azimuth(plus(centre, to_top));
        let sound = edges.right <= edges.left
            && edges.bottom <= edges.top
            && (tilt.abs() <= SAME_AZIMUTH || (360.0 - tilt.abs()) <= SAME_AZIMUTH);
        sound.then_some(edges)
    }

    /// Azimuth and elevation with the locked ones replaced by those of the edge.
    pub fn lock(&self, azimuth: f64, elevation: f64, lock: ScreenEdgeLock) -> (f64, f64) {
        let azimuth = match lock.horizontal {
            Some(HorizontalEdge::Left) => self.left,
            Some(HorizontalEdge::Right) => self.right,
            None => azimuth,
        };
        let elevation = match lock.vertical {
            Some(VerticalEdge::Top) => self.top,
            Some(VerticalEdge::Bottom) => self.bottom,
            None => elevation,
        };
        (azimuth, elevation)
    }

    /// Azimuth and elevation on this screen moved to the same place of the other.
    pub fn scale(&self, azimuth: f64, elevation: f64, other: &Self) -> (f64, f64) {
        let azimuth = interpolate(
            azimuth,
            [
                (-180.0, -180.0),
                (self.right, other.right),
                (self.left, other.left),
                (180.0, 180.0),
            ],
        );
        let elevation = interpolate(
            elevation,
            [
                (-90.0, -90.0),
                (self.bottom, other.bottom),
                (self.top, other.top),
                (90.0, 90.0),
            ],
        );
        (azimuth, elevation)
    }
}

/// Moves the positions of blocks that refer to a screen.
#[derive(Clone, Debug)]
pub struct ScreenHandler {
    reproduction: Option<ScreenEdges>,
    /// The layout has its upper front loudspeakers at 45 degrees, above none of the middle layer.
    wide_upper_front: bool,
    /// The last reference screen and its edges: a programme has one.
    reference: Option<(Screen, Option<ScreenEdges>)>,
}

impl ScreenHandler {
    pub fn new(layout: &SpeakerLayout) -> Self {
        Self {
            reproduction: ScreenEdges::of(&Screen::default()),
            wide_upper_front: layout.index_of("U+045").is_some(),
            reference: None,
        }
    }

    /// Scales a position whose block has screenRef; a reference screen that is none leaves it.
    ///
    /// Polar positions come and go as vectors, too.
    pub fn scale(&mut self, position: Vector, reference: &Screen, cartesian: bool) -> Vector {
        let (Some(reference), Some(reproduction)) = (self.edges_of(reference), self.reproduction)
        else {
            return position;
        };
        self.turn(position, cartesian, |azimuth, elevation| {
            reference.scale(azimuth, elevation, &reproduction)
        })
    }

    /// Locks a position to the edges of the reproduction screen.
    pub fn lock(&self, position: Vector, lock: ScreenEdgeLock, cartesian: bool) -> Vector {
        let Some(edges) = self.reproduction else {
            return position;
        };
        if lock == ScreenEdgeLock::default() {
            return position;
        }
        self.turn(position, cartesian, |azimuth, elevation| {
            edges.lock(azimuth, elevation, lock)
        })
    }

    fn turn(
        &self,
        position: Vector,
        cartesian: bool,
        turned: impl FnOnce(f64, f64) -> (f64, f64),
    ) -> Vector {
        if cartesian {
            let [azimuth, elevation, distance] = position_to_polar(position);
            let (azimuth, elevation) = turned(azimuth, elevation);
            position_to_cartesian([self.compensated(azimuth, elevation), elevation, distance])
        } else {
            let (azimuth, elevation) = turned(azimuth(position), elevation(position));
            cart(azimuth, elevation, length(position))
        }
    }

    /// Bends azimuths so that what moves straight up in the Cartesian room is heard to do so
    /// on a layout with U+045.
    fn compensated(&self, azimuth: f64, elevation: f64) -> f64 {
        if !self.wide_upper_front {
            return azimuth;
        }
        let front = 30.0;
        let right = interpolate(
            elevation,
            [(0.0, front), (30.0, front * (30.0 / 45.0)), (90.0, front)],
        );
        interpolate(
            azimuth,
            [
                (-180.0, -180.0),
                (-front, -right),
                (front, right),
                (180.0, 180.0),
            ],
        )
    }

    fn edges_of(&mut self, screen: &Screen) -> Option<ScreenEdges> {
        if let Some((known, edges)) = &self.reference
            && known == screen
        {
            return *edges;
        }
        let edges = ScreenEdges::of(screen);
        self.reference = Some((*screen, edges));
        edges
    }
}
