//! Reads the convention SimpleFreeFieldHRIR of AES69 (SOFA) out of an HDF5 container.
//!
//! In: the bytes of a file. Out: a [`Reading`]: texts, rate, directions and responses, left ear
//! first, every number finite and every shape checked. Knows nothing of loudspeakers. The file
//! is hostile until read: what it may make us allocate is bounded by the constants below.
//!
//! Source: AES69-2022, the convention SimpleFreeFieldHRIR 1.0 (names, shapes, units and the
//! coordinates: x ahead, y left, z up; azimuth counter-clockwise): from memory, and checked
//! against one published set only.

use hdf5_reader::error::Error as ContainerError;
use hdf5_reader::messages::datatype::Datatype;
use hdf5_reader::{Dataset, Hdf5File, OpenOptions};

use super::set::HeadSetError;

/// Numbers in all responses together: 8192 directions of 2048 taps, 256 MiB; own choice, above
/// any public set known (from memory).
const MOST_VALUES: u64 = 1 << 25;
/// Measured directions; own choice; the densest public sets have about
/// 12 000 (from memory).
const MOST_DIRECTIONS: u64 = 1 << 16;
/// Taps of a response, and samples of a delay; own choice: a third of a second, a head is done
/// after 10 ms.
const MOST_TAPS: u64 = 1 << 14;
/// The metadata of one object in the container; own choice.
const MOST_HEADER_BYTES: usize = 1 << 20;
/// Characters of a text that is kept; own choice, some sets carry a whole licence.
const MOST_TEXT: usize = 500;
/// Sampling rates that are believed, Hz; own choice.
const RATES: std::ops::RangeInclusive<f64> = 8_000.0..=384_000.0;
/// How far a head may look aside of straight ahead, as a component of a unit vector; own choice.
const AHEAD_WITHIN: f64 = 1e-3;

/// A vector: x ahead, y left, z up.
pub(super) type Vector = [f64; 3];

/// What the file says.
#[derive(Clone, Debug)]
pub(super) struct Reading {
    pub title: String,
    pub database: String,
    pub listener: String,
    pub licence: String,
    pub sample_rate: f64,
    pub taps: usize,
    /// From the listener to each source, metres; never of length 0.
    pub sources: Vec<Vector>,
    /// `[direction][ear][tap]`, flat; left ear first.
    pub responses: Vec<f64>,
    /// `[direction][ear]`, samples.
    pub delays: Vec<[f64; 2]>,
}

/// An array of the file.
struct Array {
    shape: Vec<u64>,
    values: Vec<f64>,
    kind: String,
    units: String,
}

pub(super) fn read(bytes: Vec<u8>) -> Result<Reading, HeadSetError> {
    let most_bytes = usize::try_from(MOST_VALUES * 8).unwrap_or(usize::MAX);
    let options = OpenOptions::default()
        .with_max_chunk_bytes(most_bytes)
        .with_max_read_bytes(most_bytes)
        .with_max_object_header_bytes(MOST_HEADER_BYTES);
    let file = Hdf5File::from_vec_with_options(bytes, options).map_err(unreadable("the file"))?;

    wanted(&file, "Conventions", "SOFA")?;
    wanted(&file, "SOFAConventions", "SimpleFreeFieldHRIR")?;
    wanted(&file, "DataType", "FIR")?;
    looks_ahead(&file)?;

    let (mut responses, directions, taps) = responses(&file)?;
    let sample_rate = sample_rate(&file, directions)?;
    let mut delays = delays(&file, directions)?;
    if right_ear_first(&file)? {
        for pair in responses.chunks_exact_mut(2 * taps) {
            let (first, second) = pair.split_at_mut(taps);
            first.swap_with_slice(second);
        }
        delays.iter_mut().for_each(|pair| pair.swap(0, 1));
    }
    let text = |name| text(&file, name).ok().flatten().unwrap_or_default();
    Ok(Reading {
        title: text("Title"),
        database: text("DatabaseName"),
        listener: text("ListenerShortName"),
        licence: text("License"),
        sample_rate,
        taps,
        sources: sources(&file, directions)?,
        responses,
        delays,
    })
}

fn unreadable(what: &'static str) -> impl FnOnce(ContainerError) -> HeadSetError {
    move |source| HeadSetError::Unreadable {
        what,
        source: Box::new(source),
    }
}

/// A text of the file itself, on one line and not longer than it is good for.
fn text(file: &Hdf5File, name: &'static str) -> Result<Option<String>, HeadSetError> {
    let root = file.root_group().map_err(unreadable("the file"))?;
    match root.attribute(name).and_then(|found| found.read_string()) {
        Ok(found) => Ok(Some(one_line(&found))),
        Err(ContainerError::AttributeNotFound(_)) => Ok(None),
        Err(error) => Err(unreadable(name)(error)),
    }
}

fn one_line(text: &str) -> String {
    let words: Vec<&str> = text
        .split(|c: char| c.is_whitespace() || c.is_control())
        .filter(|word| !word.is_empty())
        .collect();
    let line = words.join(" ");
    match line.char_indices().nth(MOST_TEXT) {
        Some((end, _)) => format!("{}…", &line[..end]),
        None => line,
    }
}

fn wanted(file: &Hdf5File, name: &'static str, wanted: &'static str) -> Result<(), HeadSetError> {
    let found = text(file, name)?.ok_or(HeadSetError::Missing(name))?;
    if found == wanted {
        return Ok(());
    }
    Err(HeadSetError::NotASet {
        name,
        found,
        wanted,
    })
}

/// The array of that name, `None` when there is none.
fn array(file: &Hdf5File, name: &'static str) -> Result<Option<Array>, HeadSetError> {
    let dataset = match file.dataset(name) {
        Ok(dataset) => dataset,
        Err(error) if is_not_found(&error) => return Ok(None),
        Err(error) => return Err(unreadable(name)(error)),
    };
    let shape = dataset.shape().to_vec();
    let count = shape
        .iter()
        .try_fold(1_u64, |count, &side| count.checked_mul(side));
    if count.is_none_or(|count| count > MOST_VALUES) {
        return Err(HeadSetError::Shape {
            name,
            found: shape,
            wanted: "fewer numbers",
        });
    }
    let values = numbers(&dataset).map_err(unreadable(name))?;
    if Some(values.len() as u64) != count {
        return Err(HeadSetError::Shape {
            name,
            found: shape,
            wanted: "as many numbers as the shape says",
        });
    }
    if values.iter().any(|value| !value.is_finite()) {
        return Err(HeadSetError::Value {
            name,
            problem: "is no number",
        });
    }
    let said = |attribute| {
        let text = dataset.attribute(attribute).and_then(|a| a.read_string());
        text.map(|text| one_line(&text).to_ascii_lowercase())
            .unwrap_or_default()
    };
    Ok(Some(Array {
        kind: said("Type"),
        units: said("Units"),
        shape,
        values,
    }))
}

fn is_not_found(error: &ContainerError) -> bool {
    match error {
        ContainerError::DatasetNotFound(_) | ContainerError::GroupNotFound(_) => true,
        ContainerError::Context { source, .. } => is_not_found(source),
        _ => false,
    }
}

/// The numbers of a dataset in row-major order, whatever they are stored as.
fn numbers(dataset: &Dataset) -> Result<Vec<f64>, ContainerError> {
    let values: Vec<f64> = match dataset.dtype() {
        Datatype::FloatingPoint { size: 4, .. } => {
            let single = dataset.read_array::<f32>()?;
            single.into_iter().map(f64::from).collect()
        }
        Datatype::FixedPoint {
            size: 4,
            signed: true,
            ..
        } => {
            let whole = dataset.read_array::<i32>()?;
            whole.into_iter().map(f64::from).collect()
        }
        _ => dataset.read_array::<f64>()?.into_iter().collect(),
    };
    Ok(values)
}

/// All responses, the number of directions, and the taps of each response.
fn responses(file: &Hdf5File) -> Result<(Vec<f64>, usize, usize), HeadSetError> {
    let name = "Data.IR";
    let array = array(file, name)?.ok_or(HeadSetError::Missing(name))?;
    match array.shape[..] {
        [directions @ 1..=MOST_DIRECTIONS, 2, taps @ 1..=MOST_TAPS] => {
            // Both fit: their product is not above MOST_VALUES.
            Ok((array.values, directions as usize, taps as usize))
        }
        _ => Err(HeadSetError::Shape {
            name,
            found: array.shape,
            wanted: "directions (up to 65536) x 2 ears x taps (up to 16384)",
        }),
    }
}

/// The one rate of all responses.
fn sample_rate(file: &Hdf5File, directions: usize) -> Result<f64, HeadSetError> {
    let name = "Data.SamplingRate";
    let array = array(file, name)?.ok_or(HeadSetError::Missing(name))?;
    if !(array.units.is_empty() || array.units == "hertz" || array.units == "hz") {
        return Err(HeadSetError::NotASet {
            name: "Data.SamplingRate:Units",
            found: array.units,
            wanted: "hertz",
        });
    }
    let Some(&rate) = array.values.first() else {
        return Err(HeadSetError::Missing(name));
    };
    if array.values.len() != 1 && array.values.len() != directions {
        return Err(HeadSetError::Shape {
            name,
            found: array.shape,
            wanted: "one rate, or one a direction",
        });
    }
    if !RATES.contains(&rate) || array.values.iter().any(|&other| other != rate) {
        return Err(HeadSetError::Value {
            name,
            problem: "is not one rate between 8 and 384 kHz",
        });
    }
    Ok(rate)
}

fn delays(file: &Hdf5File, directions: usize) -> Result<Vec<[f64; 2]>, HeadSetError> {
    let name = "Data.Delay";
    let Some(array) = array(file, name)? else {
        return Ok(vec![[0.0; 2]; directions]);
    };
    if array
        .values
        .iter()
        .any(|delay| !(0.0..=MOST_TAPS as f64).contains(delay))
    {
        return Err(HeadSetError::Value {
            name,
            problem: "is not between 0 and 16384 samples",
        });
    }
    let pairs: Vec<[f64; 2]> = array.values.as_chunks().0.to_vec();
    match array.shape[..] {
        [1, 2] => Ok(vec![pairs[0]; directions]),
        [rows, 2] if rows == directions as u64 => Ok(pairs),
        _ => Err(HeadSetError::Shape {
            name,
            found: array.shape,
            wanted: "1 or directions, x 2 ears",
        }),
    }
}

/// The places of an array of coordinates, as vectors.
fn places(array: &Array, name: &'static str) -> Result<Vec<Vector>, HeadSetError> {
    let rows = array.values.as_chunks::<3>().0;
    match array.kind.as_str() {
        "cartesian" => Ok(rows.to_vec()),
        "spherical" if array.units.is_empty() || array.units.starts_with("degree") => {
            Ok(rows.iter().map(|&row| from_spherical(row)).collect())
        }
        "spherical" => Err(HeadSetError::NotASet {
            name,
            found: array.units.clone(),
            wanted: "degree, degree, metre",
        }),
        _ => Err(HeadSetError::NotASet {
            name,
            found: array.kind.clone(),
            wanted: "spherical or cartesian",
        }),
    }
}

/// From azimuth and elevation in degrees, and a radius.
pub(super) fn from_spherical([azimuth, elevation, radius]: Vector) -> Vector {
    let (azimuth, elevation) = (azimuth.to_radians(), elevation.to_radians());
    [
        radius * elevation.cos() * azimuth.cos(),
        radius * elevation.cos() * azimuth.sin(),
        radius * elevation.sin(),
    ]
}

pub(super) fn length(vector: Vector) -> f64 {
    vector.iter().map(|part| part * part).sum::<f64>().sqrt()
}

fn sources(file: &Hdf5File, directions: usize) -> Result<Vec<Vector>, HeadSetError> {
    let name = "SourcePosition";
    let array = array(file, name)?.ok_or(HeadSetError::Missing(name))?;
    if array.shape != [directions as u64, 3] {
        return Err(HeadSetError::Shape {
            name,
            found: array.shape,
            wanted: "directions x 3 coordinates",
        });
    }
    let places = places(&array, name)?;
    // A length that is not normal has no direction: 0, or squares that overflow.
    if places.iter().any(|&place| !length(place).is_normal()) {
        return Err(HeadSetError::Value {
            name,
            problem: "is no place around a head",
        });
    }
    Ok(places)
}

/// Refuses a head that is not at the origin, upright and looking along x: then the places of
/// the sources are not the directions that it hears.
fn looks_ahead(file: &Hdf5File) -> Result<(), HeadSetError> {
    let expected: [(&'static str, Vector); 3] = [
        ("ListenerPosition", [0.0, 0.0, 0.0]),
        ("ListenerView", [1.0, 0.0, 0.0]),
        ("ListenerUp", [0.0, 0.0, 1.0]),
    ];
    for (name, expected) in expected {
        let Some(mut array) = array(file, name)? else {
            continue;
        };
        if array.kind.is_empty() {
            // ListenerUp has the type of ListenerView, which is Cartesian unless told.
            array.kind = "cartesian".into();
        }
        let aside = places(&array, name)?.into_iter().any(|place| {
            let apart = [0, 1, 2].map(|axis| place[axis] - expected[axis]);
            length(apart) > AHEAD_WITHIN
        });
        if aside {
            return Err(HeadSetError::Value {
                name,
                problem: "is not that of a head at the origin that looks straight ahead",
            });
        }
    }
    Ok(())
}

/// Whether the first receiver is the right ear: the file's places decide, the left ear comes
/// first where they do not.
fn right_ear_first(file: &Hdf5File) -> Result<bool, HeadSetError> {
    let name = "ReceiverPosition";
    let Some(array) = array(file, name)? else {
        return Ok(false);
    };
    let &[2, 3, repeats] = &array.shape[..] else {
        return Ok(false);
    };
    if repeats == 0 {
        return Ok(false);
    }
    // [ear][coordinate][repeat]: the first of the repeats stands for all.
    let at = |index: u64| array.values[(index * repeats) as usize];
    let ears = Array {
        shape: vec![2, 3],
        values: (0..6).map(at).collect(),
        kind: array.kind,
        units: array.units,
    };
    let places = places(&ears, name)?;
    Ok(places[0][1] < places[1][1])
}
