//! Daylight of the published reference spectrum (ASTM G173-03, global tilt) photographed through drawn spectroscopes: the
//! Sun's dark lines lie where the table and the spectroscopists put them. No lamp is involved in where they lie.

use slitwatch::simulate::Source;
use slitwatch::terms::Spectrum;
use slitwatch::terms::{Capture, Quantity};

use crate::lab::{Bench, light, photograph};

/// ASTM G173-03, `tests/published/astm_g173_global.csv` names where it is from: nm, W/(m² nm).
fn reference() -> Vec<(f64, f64)> {
    csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(include_str!("../published/astm_g173_global.csv").as_bytes())
        .deserialize()
        .map(|row| row.expect("a wavelength and an irradiance"))
        .collect()
}

/// Fraunhofer's letters with the wavelength of what a bandpass of 1 to 2 nm shows there, nm in air. E, F: Fe I 527.04 and
/// H I 486.13; b: the three lines of Mg I between 516.7 and 518.4; D: the middle of Na I 588.995 and 589.592 (single lines:
/// the usual tables of the Fraunhofer lines; the blends: common practice, no source).
const LETTERS: [(&str, f64, f64); 4] = [
    ("F", 486.13, 0.5),
    ("b", 517.4, 0.7),
    ("E", 527.04, 0.5),
    ("D", 589.29, 0.5),
];

/// Mean over a Gaussian of `fwhm_nm` at `nm`.
fn smoothed(points: &[(f64, f64)], nm: f64, fwhm_nm: f64) -> f64 {
    let (mut sum, mut weights) = (0.0, 0.0);
    for (l, v) in points {
        let w = (-2.772_588_7 * ((l - nm) / fwhm_nm).powi(2)).exp();
        sum += w * v;
        weights += w;
    }
    sum / weights
}

/// How much darker than its surroundings (10 nm) it is at `nm`, seen through `fwhm_nm`.
fn darkness(points: &[(f64, f64)], nm: f64, fwhm_nm: f64) -> f64 {
    (smoothed(points, nm, 10.0) / smoothed(points, nm, fwhm_nm)).ln()
}

/// Darkest place within a nanometre and a half of `nm`, by the parabola through three points a fifth of a nanometre apart.
fn darkest(points: &[(f64, f64)], nm: f64, fwhm_nm: f64) -> f64 {
    let step = 0.2;
    let at = |i: i32| darkness(points, nm + step * f64::from(i), fwhm_nm);
    let i = (-7..=7)
        .max_by(|&a, &b| at(a).total_cmp(&at(b)))
        .expect("fifteen places");
    let (a, b, c) = (at(i - 1), at(i), at(i + 1));
    nm + step * (f64::from(i) + 0.5 * (a - c) / (a - 2.0 * b + c))
}

fn points(spectrum: &Spectrum) -> Vec<(f64, f64)> {
    let rows = spectrum.rows.iter();
    rows.map(|r| (r.wavelength_nm, r.signal)).collect()
}

#[test]
fn the_suns_dark_lines_lie_where_they_are_published() {
    let sun = reference();
    // A fine table, so that a mean over a narrow bandpass is one over the table's own straight pieces.
    let fine: Vec<(f64, f64)> = (4000..=7100)
        .map(|i| f64::from(i) / 10.0)
        .map(|nm| {
            let k = sun.partition_point(|p| p.0 <= nm) - 1;
            let (a, b) = (sun[k], sun[k + 1]);
            (nm, a.1 + (b.1 - a.1) * (nm - a.0) / (b.0 - a.0))
        })
        .collect();
    let mut off: Vec<f64> = Vec::new();
    for (phone, seed) in [(0, 61), (1, 62), (3, 63)] {
        let bench = Bench::sound(phone, seed);
        let lamp = bench.lamp_shot(seed, (0.6, -0.2, 0.3));
        let lamp = photograph("lamp", &lamp, Capture::Calibration, None);
        let day = bench.shot(
            seed + 100,
            light(Source::Smooth(sun.clone()), 1),
            (-0.5, 0.2, 0.1),
        );
        let day = photograph("daylight", &day, Capture::Sample, Some(lamp.calibration()));
        let seen = points(day.measurement.spectrum.as_ref().expect("lit"));
        let bandpass_nm = lamp
            .measurement
            .metrics
            .value(Quantity::BandpassNm)
            .expect("lines");
        for (letter, published_nm, within_nm) in LETTERS {
            let found = darkest(&seen, published_nm, 1.0);
            let table = darkest(&fine, published_nm, bandpass_nm.hypot(1.0));
            println!(
                "phone {phone} {letter}: {found:.2} nm; table {:+.2}, published {:+.2}; bandpass {bandpass_nm:.2}",
                found - table,
                found - published_nm
            );
            assert!(
                (found - published_nm).abs() < within_nm,
                "phone {phone} {letter}: {found:.2} nm"
            );
            off.push((found - table).abs());
        }
    }
    off.sort_by(f64::total_cmp);
    let (median, worst) = (off[off.len() / 2], off[off.len() - 1]);
    println!("against the table: median {median:.3} nm, worst {worst:.3} nm");
    assert!(
        median < 0.1 && worst < 0.35,
        "median {median}, worst {worst}"
    );
}
