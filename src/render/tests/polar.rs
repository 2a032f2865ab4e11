//! Blocks and directions against the reference renderer of BS.2127 (ear 2.1.0).

use serde_json::Value;

use super::blocks::{Block, deviation};
use crate::adm::reference;
use crate::render::geometry::cart;
use crate::render::object_gains::ObjectGainCalculator;
use crate::render::polar::PolarPanner;
use crate::render::speakers::SpeakerLayout;

/// The renderer's own test data for its point panner, thinned; the file says what is in it.
#[test]
fn the_point_panner_agrees_with_the_reference_renderer() {
    let mut compared = 0;
    for line in include_str!("data/point_panner.txt").lines() {
        if line.starts_with('#') {
            continue;
        }
        let mut words = line.split(' ');
        let layout = SpeakerLayout::named(words.next().unwrap()).unwrap();
        let mut place = || words.next().unwrap().parse::<f64>().unwrap();
        let (row, column) = (place(), place());
        let panner = PolarPanner::new(&layout).unwrap();
        let mut expected = vec![0.0; panner.len()];
        for word in words {
            let (speaker, gain) = word.split_once(':').unwrap();
            expected[speaker.parse::<usize>().unwrap()] = gain.parse().unwrap();
        }
        let direction = cart(-180.0 + 12.0 * column, -90.0 + 180.0 / 14.0 * row, 1.0);
        let mut gains = vec![0.0; panner.len()];
        panner.gains(direction, &mut gains);
        for (gain, expected) in gains.iter().zip(&expected) {
            // Seven digits are kept in the file.
            assert!((gain - expected).abs() < 2e-7, "{line}: {gains:?}");
        }
        compared += 1;
    }
    assert_eq!(compared, 8 * 66);
}

/// The renderer's own random blocks for 4+5+0, every 22nd, with ten digits.
fn random_blocks(cartesian: bool) {
    let layout = SpeakerLayout::named("4+5+0").unwrap();
    let mut calculator = ObjectGainCalculator::new(&layout).unwrap();
    let lines = include_str!("data/random_blocks.jsonl").lines();
    let mut compared = 0;
    for line in lines {
        let line: Value = serde_json::from_str(line).unwrap();
        let block = Block::read(&line["block"]);
        if block.traits.cartesian == cartesian {
            let gains = block.gains(&mut calculator);
            let worst = deviation(&gains, &line["gains"]);
            assert!(worst < 1e-8, "{worst}: {line}\n{gains:?}");
            compared += 1;
        }
    }
    assert_eq!(compared, if cartesian { 18 } else { 31 });
}

/// `gains.json` of the references; ear 2.1.0, nine digits.
fn gains_file(cartesian: bool) {
    let Some(path) = reference("immersive/gains.json") else {
        return;
    };
    let file: Value = serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap();
    let mut compared = 0;
    for name in file["layouts"].as_object().unwrap().keys() {
        let layout = SpeakerLayout::named(name).unwrap();
        let mut calculator = ObjectGainCalculator::new(&layout).unwrap();
        for object in file["objects"].as_array().unwrap() {
            let block = Block::read(&object["block"]);
            if block.traits.cartesian == cartesian {
                let gains = block.gains(&mut calculator);
                let worst = deviation(&gains, &object["gains"][name]);
                assert!(worst < 1e-8, "{name} {} {worst}: {gains:?}", object["id"]);
                compared += 1;
            }
        }
    }
    assert_eq!(compared, 6 * if cartesian { 74 } else { 126 });
}

#[test]
fn polar_blocks_have_the_gains_of_the_reference_renderer() {
    random_blocks(false);
    gains_file(false);
}

#[test]
fn cartesian_blocks_have_the_gains_of_the_reference_renderer() {
    random_blocks(true);
    gains_file(true);
}
