//! Polar blocks and the point panner against the reference renderer of BS.2127 (ear 2.1.0).

use serde_json::Value;

use super::blocks::{Block, deviation};
use crate::adm::reference;
use crate::render::object_gains::ObjectGainCalculator;
use crate::render::speakers::SpeakerLayout;

/// `gains.json` of the references, polar blocks; ear 2.1.0.
#[test]
fn polar_blocks_have_the_gains_of_the_reference_renderer() {
    let Some(path) = reference("immersive/gains.json") else {
        return;
    };
    let file: Value = serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap();
    let mut compared = 0;
    for name in file["layouts"].as_object().unwrap().keys() {
        let layout = SpeakerLayout::named(name).unwrap();
        let mut calculator = ObjectGainCalculator::new(&layout).unwrap();
        for object in file["objects"].as_array().unwrap() {
            if object["block"]["cartesian"] == 1 {
                continue;
            }
            let gains = Block::read(&object["block"]).gains(&mut calculator);
            let worst = deviation(&gains, &object["gains"][name]);
            // The file has nine digits.
            assert!(worst < 1e-8, "{name} {} {worst}: {gains:?}", object["id"]);
            compared += 1;
        }
    }
    assert_eq!(compared, 6 * 126);
}
