//! Samples of the reference renderer of BS.2127 (ear 2.1.0): eleven programmes, six layouts.
//! How they were made stands in data/make_reference.py.

use super::{Play, model_of, noise};

const XML: &str = include_str!("data/reference.xml");
const SAMPLES: &[u8] = include_bytes!("data/reference.f64");
const LAYOUTS: [&str; 6] = ["0+2+0", "0+5+0", "3+7+0", "4+5+0", "4+7+0", "9+10+3"];
const FRAMES: usize = 4800;
const TRACKS: usize = 9;
const EVERY: usize = 229;

/// What each programme is about, in the order of their ids.
const PROGRAMMES: [&str; 11] = [
    "polar blocks",
    "Cartesian blocks",
    "extent",
    "divergence, channel lock and zones",
    "diffuse",
    "jumps",
    "gaps and blocks shorter than a sample",
    "bed",
    "HOA",
    "matrices",
    "screen",
];

/// Source: the reference renderer of BS.2127 (ear 2.1.0). The tolerance is that of filters
/// computed by another Fourier transform, with room.
#[test]
fn every_kind_of_programme_sounds_as_from_the_reference_renderer() {
    let model = model_of(XML);
    let tracks: Vec<Vec<f64>> = (1..=TRACKS).map(|track| noise(track, FRAMES)).collect();
    let mut expected = SAMPLES
        .chunks_exact(8)
        .map(|bytes| f64::from_le_bytes(bytes.try_into().unwrap()));
    for layout in LAYOUTS {
        for (index, about) in PROGRAMMES.iter().enumerate() {
            let mut play = Play::new(&model, layout);
            play.choice.programme = Some(format!("APR_{:04x}", 0x1001 + index));
            let heard = play.hear(&tracks).unwrap();
            let mut loudest = 0.0_f64;
            for (speaker, samples) in heard.iter().enumerate() {
                assert_eq!(samples.len(), FRAMES);
                for (frame, sample) in samples.iter().enumerate().step_by(EVERY) {
                    let expected = expected.next().expect("a sample for each that is kept");
                    loudest = loudest.max(expected.abs());
                    assert!(
                        (sample - expected).abs() < 1e-9,
                        "{about} in {layout}: loudspeaker {speaker}, frame {frame}: \
                         {sample}, not {expected}"
                    );
                }
            }
            assert!(loudest > 0.05, "{about} in {layout} is silent");
        }
    }
    assert_eq!(expected.next(), None);
}
