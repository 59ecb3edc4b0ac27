//! The solver behind every fit, against certified results: NIST Statistical Reference Datasets (StRD), nonlinear and
//! linear regression, National Institute of Standards and Technology, data of the United States' government.
//!
//! The files in `strd/` are NIST's own, header and all: Gauss1 to Gauss3 (B. Rust, 1996: two Gaussians on a slope, apart,
//! touching, blended, which is what a lamp's yellow pair is), Eckerle4 (a transmittance against wavelength), Misra1a and
//! Norris. Certified are the parameters, their standard deviations (scaled by the residual variance) and the residual sum
//! of squares, to eleven digits (Norris: fifteen).

use slitwatch::measure::optics::fit::{Fitted, Parameter, least_squares};

/// A file of the collection: what it certifies, and the observations.
struct Certified {
    starts: [Vec<f64>; 2],
    values: Vec<f64>,
    deviations: Vec<f64>,
    residual_sum: f64,
    dof: f64,
    /// x and y.
    points: Vec<(f64, f64)>,
}

impl Certified {
    /// Reads a nonlinear file: starting and certified values stand on lines `b1 = start1 start2 value deviation`.
    fn nonlinear(text: &str) -> Certified {
        let numbers = |line: &str| -> Vec<f64> {
            line.split_whitespace()
                .filter_map(|word| word.parse().ok())
                .collect()
        };
        let after = |what: &str| -> f64 {
            let line = text.lines().find(|line| line.starts_with(what));
            numbers(line.expect("the file states it"))[0]
        };
        let rows: Vec<Vec<f64>> = text
            .lines()
            .filter(|line| line.trim_start().starts_with('b') && line.contains(" = "))
            .map(|line| numbers(line.split_once('=').expect("just seen").1))
            .filter(|row| row.len() == 4)
            .collect();
        let column = |i: usize| rows.iter().map(|row| row[i]).collect::<Vec<f64>>();
        Certified {
            starts: [column(0), column(1)],
            values: column(2),
            deviations: column(3),
            residual_sum: after("Residual Sum of Squares:"),
            dof: after("Degrees of Freedom:"),
            points: points(text),
        }
    }

    /// Digits to which `found` agrees with `certified`: −log10 of the relative difference, as the collection defines it.
    fn digits(found: f64, certified: f64) -> f64 {
        -((found - certified) / certified).abs().max(1e-15).log10()
    }
}

/// The observations: y and x on the lines after the last one that begins with `Data:`.
fn points(text: &str) -> Vec<(f64, f64)> {
    let lines: Vec<&str> = text.lines().collect();
    let head = lines
        .iter()
        .rposition(|line| line.starts_with("Data:"))
        .expect("the file has data");
    lines[head + 1..]
        .iter()
        .filter(|line| !line.trim().is_empty())
        .map(|line| {
            let mut words = line
                .split_whitespace()
                .map(|w| w.parse().expect("a number"));
            let y = words.next().expect("y");
            (words.next().expect("x"), y)
        })
        .collect()
}

/// Two Gaussians on an exponential slope.
fn gauss(b: &[f64], x: f64) -> f64 {
    let bell = |height: f64, at: f64, width: f64| height * (-((x - at) / width).powi(2)).exp();
    b[0] * (-b[1] * x).exp() + bell(b[2], b[3], b[4]) + bell(b[5], b[6], b[7])
}

fn eckerle4(b: &[f64], x: f64) -> f64 {
    b[0] / b[1] * (-0.5 * ((x - b[2]) / b[1]).powi(2)).exp()
}

fn misra1a(b: &[f64], x: f64) -> f64 {
    b[0] * (1.0 - (-b[1] * x).exp())
}

type Model = fn(&[f64], f64) -> f64;

fn fit(set: &Certified, start: &[f64], model: Model) -> Fitted {
    let parameters: Vec<Parameter> = start
        .iter()
        // The square root of the machine's precision, where the rounding and the curvature of a difference balance.
        .map(|&b| Parameter::free(b, 1.5e-8 * b.abs()))
        .collect();
    least_squares(&parameters, set.points.len(), |b, out| {
        for (residual, &(x, y)) in out.iter_mut().zip(&set.points) {
            *residual = y - model(b, x);
        }
    })
    .expect("the fit succeeds")
}

/// Smallest agreement, in digits, of the parameters, of their standard deviations, and of the sum of squares.
fn agreement(set: &Certified, fitted: &Fitted) -> [f64; 3] {
    let scale = (fitted.chi_squared / set.dof).sqrt();
    let worst = |found: &dyn Fn(usize) -> f64, certified: &[f64]| {
        (0..certified.len())
            .map(|i| Certified::digits(found(i), certified[i]))
            .fold(f64::MAX, f64::min)
    };
    [
        worst(&|i| fitted.parameters[i], &set.values),
        worst(&|i| scale * fitted.sigma(i), &set.deviations),
        Certified::digits(fitted.chi_squared, set.residual_sum),
    ]
}

/// Demands the certified result from both starts: parameters to 7 digits, the sum of squares to 10, the deviations to 5,
/// and to 6 when the fit starts from its own result.
///
/// The solver stops when a step gains less than 1e-9 of the sum, and hands out the covariance of the place where that
/// step began: hence the two demands on the deviations.
fn check(text: &str, n_parameters: usize, n_points: usize, model: Model) {
    let set = Certified::nonlinear(text);
    assert_eq!(
        (set.values.len(), set.points.len()),
        (n_parameters, n_points)
    );
    for (which, start) in set.starts.iter().enumerate() {
        let first = fit(&set, start, model);
        let again = fit(&set, &first.parameters, model);
        for (fitted, demanded) in [(&first, [7.0, 5.0, 10.0]), (&again, [7.0, 6.0, 10.0])] {
            let digits = agreement(&set, fitted);
            println!(
                "start {}: parameters, deviations, sum to {digits:.1?} digits",
                which + 1
            );
            for (digits, demanded) in digits.into_iter().zip(demanded) {
                assert!(
                    digits >= demanded,
                    "start {}: {digits:.1} digits of {demanded}",
                    which + 1
                );
            }
        }
    }
}

#[test]
fn two_gaussians_apart_are_fitted_as_certified() {
    check(include_str!("strd/Gauss1.dat"), 8, 250, gauss);
}

#[test]
fn two_gaussians_that_touch_are_fitted_as_certified() {
    check(include_str!("strd/Gauss2.dat"), 8, 250, gauss);
}

#[test]
fn two_blended_gaussians_are_fitted_as_certified() {
    check(include_str!("strd/Gauss3.dat"), 8, 250, gauss);
}

#[test]
fn a_transmittance_band_is_fitted_as_certified() {
    check(include_str!("strd/Eckerle4.dat"), 3, 35, eckerle4);
}

#[test]
fn a_saturation_curve_is_fitted_as_certified() {
    check(include_str!("strd/Misra1a.dat"), 2, 14, misra1a);
}

#[test]
fn a_straight_line_is_fitted_as_certified() {
    // Norris.dat certifies 15 digits; they stand here because its layout is that of the linear files.
    let points = points(include_str!("strd/Norris.dat"));
    assert_eq!(points.len(), 36);
    let parameters = [Parameter::free(0.0, 1e-3), Parameter::free(1.0, 1e-3)];
    let fitted = least_squares(&parameters, points.len(), |b, out| {
        for (residual, &(x, y)) in out.iter_mut().zip(&points) {
            *residual = y - b[0] - b[1] * x;
        }
    })
    .expect("the fit succeeds");
    let residual_deviation = (fitted.chi_squared / 34.0).sqrt();
    for (what, found, certified) in [
        ("B0", fitted.parameters[0], -0.262323073774029),
        ("B1", fitted.parameters[1], 1.00211681802045),
        (
            "deviation of B0",
            residual_deviation * fitted.sigma(0),
            0.232818234301152,
        ),
        (
            "deviation of B1",
            residual_deviation * fitted.sigma(1),
            0.429796848199937e-3,
        ),
        ("residual deviation", residual_deviation, 0.884796396144373),
    ] {
        let digits = Certified::digits(found, certified);
        println!("{what}: {digits:.1} digits");
        assert!(digits >= 9.0, "{what}: {found}, certified {certified}");
    }
}

#[test]
fn the_agreement_counts_digits() {
    assert!((Certified::digits(1.001, 1.0) - 3.0).abs() < 1e-9);
}
