//! How well a line's place can be known at all: the Cramér–Rao bound for a Gaussian line on pixels, K. A. Winick, J. Opt.
//! Soc. Am. A 3, 1809 (1986): var ≥ 1 / Σ (∂μᵢ/∂x)² / (μᵢ + s²), for electrons μ and read noise s.
//!
//! Lines are drawn with photon and read noise and fitted by the program's own line fit. The scatter may not be more than
//! half as large again as the bound, nor smaller than it beyond chance, and the stated uncertainty must be the scatter.

use rand::SeedableRng;
use rand_distr::{Distribution, Normal, Poisson};
use rand_pcg::Pcg64Mcg;

use slitwatch::measure::light::lineshape::{LineShape, fit_group};
use slitwatch::measure::light::profile::Profile;
use slitwatch::terms::{Lamp, LampLine};

/// One row of the table: electrons in the line, read noise and background per pixel, and the bound in pixels, computed
/// apart from this program for σ = 3 px.
struct Row {
    electrons: f64,
    read_noise_e: f64,
    background_e: f64,
    bound_px: f64,
}

const fn row(electrons: f64, read_noise_e: f64, background_e: f64, bound_px: f64) -> Row {
    Row {
        electrons,
        read_noise_e,
        background_e,
        bound_px,
    }
}

const TABLE: [Row; 5] = [
    row(1e4, 0.0, 0.0, 0.03000),
    row(1e4, 5.0, 0.0, 0.03200),
    row(1e4, 50.0, 0.0, 0.07816),
    row(1e4, 5.0, 100.0, 0.03633),
    row(500.0, 5.0, 0.0, 0.20802),
];

const SIGMA_PX: f64 = 3.0;
/// The pixels are the profile's steps, of the size that a phone has.
const STEP_NM: f64 = 0.25;
const LINE_NM: f64 = 550.0;
const PIXELS: usize = 81;
const DRAWS: usize = 1500;

/// Electrons per pixel of a line centred `shift_px` off the middle pixel.
fn expected(row: &Row, shift_px: f64) -> Vec<f64> {
    let edge = |i: f64| 0.5 * libm::erf((i - shift_px) / (SIGMA_PX * std::f64::consts::SQRT_2));
    let middle = (PIXELS / 2) as f64;
    (0..PIXELS)
        .map(|i| {
            let i = i as f64 - middle;
            row.background_e + row.electrons * (edge(i + 0.5) - edge(i - 0.5))
        })
        .collect()
}

/// The bound by its definition, px.
fn bound_px(row: &Row) -> f64 {
    let (a, b) = (expected(row, -0.005), expected(row, 0.005));
    let information: f64 = expected(row, 0.0)
        .iter()
        .zip(a.iter().zip(&b))
        // A pixel without light or noise says nothing.
        .filter(|(mean, _)| **mean + row.read_noise_e > 1e-12)
        .map(|(mean, (a, b))| ((b - a) / 0.01).powi(2) / (mean + row.read_noise_e.powi(2)))
        .sum();
    information.sqrt().recip()
}

/// A photographed line: electrons as light, with the noise that a real profile states.
fn photographed(row: &Row, shift_px: f64, chance: &mut Pcg64Mcg) -> Profile {
    let read = Normal::new(0.0, row.read_noise_e).expect("a sound deviation");
    let full_well_e = 1e4;
    let means = expected(row, shift_px);
    let light: Vec<f64> = means
        .iter()
        .map(|&mean| {
            let photons = if mean > 0.0 {
                Poisson::new(mean).map_or(0.0, |p| p.sample(chance))
            } else {
                0.0
            };
            (photons + read.sample(chance)) / full_well_e
        })
        .collect();
    // Without any other light or noise a pixel far off the line would have no uncertainty at all: one electron.
    let sigma: Vec<f64> = means
        .iter()
        .map(|mean| (mean + row.read_noise_e.powi(2)).max(1.0).sqrt() / full_well_e)
        .collect();
    Profile {
        sign: 1.0,
        start_nm: LINE_NM - STEP_NM * (PIXELS / 2) as f64,
        step_nm: STEP_NM,
        rgb: light.iter().map(|&v| [v; 3]).collect(),
        rgb_sigma: sigma.iter().map(|&v| [v; 3]).collect(),
        clipped: vec![0.0; PIXELS],
        background: vec![0.0; PIXELS],
        light,
        sigma,
    }
}

fn lamp() -> Lamp {
    Lamp {
        name: "one line".to_owned(),
        title: "one line".to_owned(),
        strengths_known: Lamp::USUAL_STRENGTHS,
        lines: vec![LampLine {
            wavelength_nm: LINE_NM,
            sigma_nm: 0.0001,
            strength: 1.0,
            name: "line".to_owned(),
            fit: true,
            width_nm: 0.0,
        }],
    }
}

#[test]
fn the_printed_bounds_follow_from_their_definition() {
    for row in TABLE {
        let found = bound_px(&row);
        // Printed to 0.00001 px; the printed ones hold for points, these pixels have a width (1/12 px² in σ²: 0.5 %).
        assert!(
            (found / row.bound_px - 1.0).abs() < 0.012,
            "{found}, printed {}",
            row.bound_px
        );
    }
}

#[test]
fn the_line_fit_comes_near_the_bound_and_not_below_it() {
    let lamp = lamp();
    let shape = LineShape {
        box_nm: 0.05,
        sigma_nm: SIGMA_PX * STEP_NM,
        is_green: true,
    };
    let mut chance = Pcg64Mcg::seed_from_u64(1986);
    for row in TABLE {
        let bound = bound_px(&row);
        let (mut errors, mut pulls) = (Vec::new(), Vec::new());
        for k in 0..DRAWS {
            // All phases of the pixel grid.
            let shift_px = (k % 20) as f64 / 20.0 - 0.475;
            let profile = photographed(&row, shift_px, &mut chance);
            let Some(fit) = fit_group(&profile, &lamp, &[0], shape, true) else {
                continue;
            };
            let error_px = fit.shift_nm / STEP_NM - shift_px;
            errors.push(error_px);
            pulls.push(error_px / (fit.sigma_nm / STEP_NM));
        }
        let n = errors.len() as f64;
        let mean = errors.iter().sum::<f64>() / n;
        let scatter = (errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
        let pull = (pulls.iter().map(|p| p * p).sum::<f64>() / n).sqrt();
        println!(
            "{:6} e, read {:2}, ground {:3}: bound {bound:.4}, scatter {scatter:.4} px ({:.2} times), bias {mean:+.4} px, \
             error over stated uncertainty {pull:.2}, {n} of {DRAWS} fitted",
            row.electrons,
            row.read_noise_e,
            row.background_e,
            scatter / bound
        );
        assert!(
            errors.len() * 100 >= DRAWS * 99,
            "{} of {DRAWS} lines were fitted",
            errors.len()
        );
        assert!(
            scatter <= 1.5 * bound,
            "scatter {scatter} px, bound {bound} px"
        );
        // A scatter of n draws is itself uncertain by 1/√(2n): below the bound by four of these is no chance any more,
        // and means that something beside the light was used.
        assert!(
            scatter >= bound * (1.0 - 4.0 / (2.0 * n).sqrt()),
            "scatter {scatter} px, bound {bound} px"
        );
        assert!(
            mean.abs() < 4.0 * scatter / n.sqrt() + 0.002,
            "bias {mean} px"
        );
        assert!(
            (0.8..1.25).contains(&pull),
            "errors are {pull} times the stated uncertainty"
        );
    }
}
