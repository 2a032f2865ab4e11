//! Object blocks as the reference files write them: the ADM's names, absent where default.

use serde_json::Value;

use crate::adm::block::{
    ChannelLock, Divergence, HorizontalEdge, ObjectTraits, ScreenEdgeLock, VerticalEdge, Zone,
};
use crate::adm::model::Screen;
use crate::render::object_gains::ObjectGainCalculator;
use crate::render::point::{ObjectGains, ObjectPoint};

pub struct Block {
    pub position: [f64; 3],
    pub gain: f64,
    pub traits: ObjectTraits,
    pub screen: Screen,
}

impl Block {
    pub fn read(block: &Value) -> Self {
        let number = |of: &Value, name: &str| of[name].as_f64();
        let or = |of: &Value, name: &str, default: f64| of[name].as_f64().unwrap_or(default);
        let cartesian = block["cartesian"] == 1;
        let place = &block["position"];
        let names = if cartesian {
            ["X", "Y", "Z"]
        } else {
            ["azimuth", "elevation", "distance"]
        };
        let zone = |zone: &Value| {
            if zone.get("minX").is_some() {
                Zone::Cartesian {
                    min: ["minX", "minY", "minZ"].map(|name| number(zone, name).unwrap()),
                    max: ["maxX", "maxY", "maxZ"].map(|name| number(zone, name).unwrap()),
                }
            } else {
                Zone::Polar {
                    min_azimuth: number(zone, "minAzimuth").unwrap(),
                    max_azimuth: number(zone, "maxAzimuth").unwrap(),
                    min_elevation: number(zone, "minElevation").unwrap(),
                    max_elevation: number(zone, "maxElevation").unwrap(),
                }
            }
        };
        let zones = block["zoneExclusion"].as_array();
        let lock = &block["screenEdgeLock"];
        let screen = &block["referenceScreen"];
        let default = Screen::default();
        Self {
            position: names.map(|name| or(place, name, 1.0)),
            gain: or(block, "gain", 1.0),
            traits: ObjectTraits {
                cartesian,
                width: or(block, "width", 0.0),
                height: or(block, "height", 0.0),
                depth: or(block, "depth", 0.0),
                diffuse: or(block, "diffuse", 0.0),
                channel_lock: block.get("channelLock").map(|lock| ChannelLock {
                    max_distance: number(lock, "maxDistance"),
                }),
                divergence: block.get("objectDivergence").map(|divergence| Divergence {
                    value: or(divergence, "value", 0.0),
                    azimuth_range: number(divergence, "azimuthRange"),
                    position_range: number(divergence, "positionRange"),
                }),
                screen_ref: block["screenRef"] == 1,
                screen_edge_lock: ScreenEdgeLock {
                    horizontal: match lock["horizontal"].as_str() {
                        Some("left") => Some(HorizontalEdge::Left),
                        Some("right") => Some(HorizontalEdge::Right),
                        _ => None,
                    },
                    vertical: match lock["vertical"].as_str() {
                        Some("top") => Some(VerticalEdge::Top),
                        Some("bottom") => Some(VerticalEdge::Bottom),
                        _ => None,
                    },
                },
                zone_exclusion: zones.into_iter().flatten().map(zone).collect(),
                ..ObjectTraits::default()
            },
            screen: match screen {
                Value::Null => default,
                screen if screen.get("widthX").is_some() => Screen::Cartesian {
                    aspect_ratio: or(screen, "aspectRatio", 1.78),
                    centre: ["X", "Y", "Z"].map(|name| or(screen, name, 0.0)),
                    width_x: or(screen, "widthX", 1.0),
                },
                screen => Screen::Polar {
                    aspect_ratio: or(screen, "aspectRatio", 1.78),
                    azimuth: or(screen, "azimuth", 0.0),
                    elevation: or(screen, "elevation", 0.0),
                    distance: or(screen, "distance", 1.0),
                    width_azimuth: or(screen, "widthAzimuth", 58.0),
                },
            },
        }
    }

    pub fn point(&self) -> ObjectPoint<'_> {
        ObjectPoint {
            position: self.position,
            gain: self.gain,
            traits: &self.traits,
            reference_screen: &self.screen,
            absolute_distance: None,
            revision: 1,
        }
    }

    pub fn gains(&self, calculator: &mut ObjectGainCalculator) -> ObjectGains {
        let mut gains = ObjectGains {
            direct: Vec::new(),
            diffuse: Vec::new(),
        };
        calculator.gains(&self.point(), &mut gains);
        gains
    }
}

/// The largest difference between gains and those of a file, where no list is all zeros.
pub fn deviation(gains: &ObjectGains, expected: &Value) -> f64 {
    let lists = [(&gains.direct, "direct"), (&gains.diffuse, "diffuse")];
    let mut worst = 0.0_f64;
    for (list, name) in lists {
        let expected = expected[name].as_array();
        if let Some(expected) = expected {
            assert_eq!(expected.len(), list.len(), "{name}");
        }
        for (n, gain) in list.iter().enumerate() {
            let other = expected.map_or(0.0, |list| list[n].as_f64().unwrap());
            let difference = (gain - other).abs();
            // Not a number is as far away as can be.
            worst = worst.max(if difference.is_nan() { 1e9 } else { difference });
        }
    }
    worst
}
