//! Spherical harmonics on the points of a spherical design.
//!
//! In: order and degree. Out: values of the real harmonic in the N3D normalisation, mean square 1
//! over the sphere (ITU-R BS.2076-2, clause 5.4.3.4): positive degrees go with the cosine of
//! the azimuth, negative ones with the sine; left is positive; no Condon-Shortley phase.

/// 5200 points of a design of degree 100; source in README.md beside the file.
const DESIGN: &[u8] = include_bytes!("../data/t_design_5200.f64le");

/// The points of the design on the unit sphere.
pub fn design_points() -> Vec<[f64; 3]> {
    let (angles, _) = DESIGN.as_chunks::<8>();
    let (pairs, _) = angles.as_chunks::<2>();
    pairs
        .iter()
        .map(|pair| {
            let [phi, theta] = pair.map(f64::from_le_bytes);
            [
                theta.sin() * phi.cos(),
                theta.sin() * phi.sin(),
                theta.cos(),
            ]
        })
        .collect()
}

/// Writes the value at each of `points`, unit vectors with X right, Y front and Z up.
///
/// For orders up to 80, where factorials are numbers of double precision.
pub fn n3d(order: i32, degree: i32, points: &[[f64; 3]], out: &mut [f64]) {
    let turns = degree.abs();
    let scale = normalization(order, turns);
    for (value, &[x, y, z]) in out.iter_mut().zip(points) {
        let azimuth = -x.atan2(y);
        let around = match degree {
            0 => 1.0,
            1.. => (f64::from(turns) * azimuth).cos() * std::f64::consts::SQRT_2,
            ..0 => (f64::from(turns) * azimuth).sin() * std::f64::consts::SQRT_2,
        };
        *value = scale * legendre(order, turns, z, x.hypot(y)) * around;
    }
}

/// sqrt((2n + 1) (n - m)! / (n + m)!)
fn normalization(order: i32, degree: i32) -> f64 {
    let ratio: f64 = (order - degree + 1..=order + degree)
        .map(f64::from)
        .product();
    (f64::from(2 * order + 1) / ratio).sqrt()
}

/// The associated Legendre function of `order` and `degree` at `sin`, the sine of the elevation,
/// without the Condon-Shortley phase, by the recursion over the order.
fn legendre(order: i32, degree: i32, sin: f64, cos: f64) -> f64 {
    let mut value: f64 = (0..degree).map(|m| f64::from(2 * m + 1) * cos).product();
    let mut below = 0.0;
    for n in degree + 1..=order {
        let above = (f64::from(2 * n - 1) * sin * value - f64::from(n + degree - 1) * below)
            / f64::from(n - degree);
        (below, value) = (value, above);
    }
    value
}
