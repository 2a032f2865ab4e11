//! What is left of a programme elsewhere, from the file to the table: of object-based masters it is
//! taken from their renders, of wide beds from the gains that the reference renderer has for them.
//! The masters are the demo's; folds that are checked against are made here, sample by sample.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use weighbridge::demo::immersive::{clearing, heard_on};
use weighbridge::demo::music::Piece;
use weighbridge::layout::Label;
use weighbridge::measure::Measurements;
use weighbridge::measure::translation::{Translation, View};
use weighbridge::profile::Profile;
use weighbridge::weigh::{Request, Weighed, weigh};

fn profile() -> Profile {
    let profiles = weighbridge::judge::load_profiles(None).unwrap();
    profiles.get("fault-finding").unwrap().clone()
}

fn weighed(request: &Request) -> Weighed {
    weigh(request, &mut |_, _| ControlFlow::Continue(())).unwrap()
}

fn measured(weighed: &Weighed) -> &Measurements {
    weighed.measurements.as_ref().unwrap()
}

fn table(weighed: &Weighed) -> &Translation {
    let survey = measured(weighed).survey.as_ref().unwrap();
    &survey.translation.get().expect("a table").table
}

fn view<'a>(table: &'a Translation, name: &str) -> &'a View {
    table.views.iter().find(|view| view.name == name).unwrap()
}

fn loudness(table: &Translation, name: &str) -> f64 {
    view(table, name).loudness_lufs.expect("it sounds").value()
}

/// Writes channels of 32-bit floats in a file that does not say where they play.
fn write(folder: &Path, name: &str, channels: &[Vec<f32>], rate_hz: u32) -> PathBuf {
    let path = folder.join(name);
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: rate_hz,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(&path, spec).unwrap();
    for frame in 0..channels[0].len() {
        for channel in channels {
            writer.write_sample(channel[frame]).unwrap();
        }
    }
    writer.finalize().unwrap();
    if channels.len() > 2 {
        // The writer's mask names loudspeakers from the front of the list: other ones.
        let mut bytes = std::fs::read(&path).unwrap();
        bytes[CHANNEL_MASK].fill(0);
        std::fs::write(&path, bytes).unwrap();
    }
    path
}

/// Where dwChannelMask lies in a file whose first chunk is a WAVEFORMATEXTENSIBLE.
const CHANNEL_MASK: std::ops::Range<usize> = 40..44;

/// Two loudspeakers, by gains for a label.
fn folded(piece: &Piece, gains: impl Fn(&str) -> [f32; 2]) -> Vec<Vec<f32>> {
    let mut sides = vec![vec![0.0; piece.channels[0].len()]; 2];
    for (label, channel) in piece.labels.iter().zip(&piece.channels) {
        for (side, gain) in sides.iter_mut().zip(gains(label.as_str())) {
            for (sum, sample) in side.iter_mut().zip(channel) {
                *sum += gain * sample;
            }
        }
    }
    sides
}

const HALF: f32 = std::f32::consts::FRAC_1_SQRT_2;

#[test]
fn of_an_object_based_master_stereo_is_the_stereo_render() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("master.wav");
    std::fs::write(&path, clearing().unwrap().bytes()).unwrap();
    let profile = profile();
    let weighed = weighed(&Request::new(&path, &profile));
    let table = table(&weighed);
    assert!(
        table
            .taken_from
            .starts_with("the stereo render (0+2+0) and the LFE of the 5.1 render (0+5+0), "),
        "{}",
        table.taken_from
    );
    let immersive = measured(&weighed).immersive.as_ref().unwrap();
    let render = immersive
        .renders
        .iter()
        .find(|render| render.measured_on.as_ref().unwrap().layout == "0+2+0")
        .unwrap();
    let wanted = render.loudness.get().unwrap().integrated_lufs.unwrap();
    for name in ["stereo fold", "soundbar without LFE"] {
        let off = loudness(table, name) - wanted.value();
        assert!(off.abs() < 0.01, "{name}: {off} LU off the render");
    }
    let peak = view(table, "stereo fold").true_peak_dbtp.unwrap().value();
    let off = peak - render.peaks.true_peak_dbtp.unwrap().value();
    // The views are read with the 48-tap filter of BS.1770-5 Annex 2: so much lower at the most.
    let margin = render.peaks.true_peak_margin_db.unwrap();
    assert!(
        (-margin - 0.05..=0.05).contains(&off),
        "true peak: {off} dB off the render's, margin {margin}"
    );
    assert!(table.low_end_lost_without_lfe_db.is_some());
}

// Half the amplitude is 6.02 dB less on every view.
#[test]
fn a_mix_is_rendered_too_and_every_view_differs_by_what_was_done_to_it() {
    let folder = tempfile::tempdir().unwrap();
    let [path, mix] = ["master.wav", "mix.wav"].map(|name| folder.path().join(name));
    let mut master = clearing().unwrap();
    std::fs::write(&path, master.bytes()).unwrap();
    for track in &mut master.tracks {
        track.samples.iter_mut().for_each(|sample| *sample *= 0.5);
    }
    std::fs::write(&mix, master.bytes()).unwrap();
    let profile = profile();
    let weighed = weighed(&Request {
        against: Some(&mix),
        ..Request::new(&path, &profile)
    });
    let mix = weighed.against.as_ref().unwrap().translation.as_ref();
    let (mine, mix) = (table(&weighed), mix.expect("a table of the mix"));
    assert_eq!(mine.taken_from, mix.taken_from);
    assert_eq!(mine.views.len(), 7);
    for view in &mine.views {
        let louder = loudness(mine, &view.name) - loudness(mix, &view.name);
        assert!((louder - 6.02).abs() < 0.02, "{}: {louder} LU", view.name);
    }
}

#[test]
fn without_a_stereo_render_the_surround_render_is_folded_by_bs_775() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("master.wav");
    let master = clearing().unwrap();
    std::fs::write(&path, master.bytes()).unwrap();
    let mut profile = profile();
    profile.renders = Some(vec!["0+5+0".to_owned()]);
    let of_master = weighed(&Request::new(&path, &profile));
    let taken_from = &table(&of_master).taken_from;
    assert!(taken_from.ends_with("by ITU-R BS.775"), "{taken_from}");

    // ITU-R BS.775: L + 0.7071 C + 0.7071 Ls, the same on the right, no LFE.
    let piece = heard_on(&master, "0+5+0").unwrap();
    let sides = folded(&piece, |label| match label {
        "M+030" => [1.0, 0.0],
        "M-030" => [0.0, 1.0],
        "M+000" => [HALF, HALF],
        "M+110" => [HALF, 0.0],
        "M-110" => [0.0, HALF],
        _ => [0.0, 0.0],
    });
    let stereo = write(folder.path(), "fold.wav", &sides, piece.rate_hz);
    let of_fold = weighed(&Request::new(&stereo, &profile));
    let wanted = measured(&of_fold).loudness.get().unwrap();
    let off = loudness(table(&of_master), "stereo fold") - wanted.integrated_lufs.unwrap().value();
    assert!(off.abs() < 0.01, "{off} LU");
}

// The gains are those of the reference renderer of BS.2127 (ear 2.1.0) for the pack of 7.1.4.
#[test]
fn a_wide_bed_is_folded_as_the_reference_renderer_plays_it() {
    let folder = tempfile::tempdir().unwrap();
    let piece = heard_on(&clearing().unwrap(), "4+7+0").unwrap();
    let labels: Vec<Label> = piece.labels.clone();
    let bed = write(folder.path(), "bed.wav", &piece.channels, piece.rate_hz);
    let profile = profile();
    let of_bed = weighed(&Request {
        channels: Some(&labels),
        ..Request::new(&bed, &profile)
    });
    let taken_from = &table(&of_bed).taken_from;
    assert!(
        taken_from.starts_with("the file's channels (7.1.4), by weighbridge "),
        "{taken_from}"
    );
    let sides = folded(&piece, |label| match label {
        "M+030" | "U+045" => [1.0, 0.0],
        "M-030" | "U-045" => [0.0, 1.0],
        "M+000" => [HALF, HALF],
        "M+090" | "M+135" | "U+135" => [HALF, 0.0],
        "M-090" | "M-135" | "U-135" => [0.0, HALF],
        _ => [0.0, 0.0],
    });
    let stereo = write(folder.path(), "fold.wav", &sides, piece.rate_hz);
    let of_fold = weighed(&Request::new(&stereo, &profile));
    let wanted = measured(&of_fold).loudness.get().unwrap();
    let off = loudness(table(&of_bed), "stereo fold") - wanted.integrated_lufs.unwrap().value();
    assert!(off.abs() < 0.01, "{off} LU");
}
