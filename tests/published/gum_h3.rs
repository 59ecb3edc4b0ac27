//! A straight line with its covariance and a prediction: JCGM 100:2008 (GUM), example H.3, calibration of a thermometer.
//!
//! Eleven corrections b against the reading t; the line y1 + y2 (t − 20 °C). It is the pattern of every scale here: a fit,
//! its covariance, and the uncertainty that both give at a place where nothing was measured. Printed there (H.3.3, H.3.4):
//! y1 = −0.1712 °C, s 0.0029; y2 = 0.002 18, s 0.000 67; r = −0.930; s = 0.0035 °C; b(30 °C) = −0.1494 °C, u 0.0041 °C.
//! The readings are those of table H.6, quoted from memory; that they lead to every printed number checks them.

use slitwatch::measure::optics::fit::{Parameter, least_squares};

/// Reading t, correction b, °C.
const READINGS: [(f64, f64); 11] = [
    (21.521, -0.171),
    (22.012, -0.169),
    (22.512, -0.166),
    (23.003, -0.159),
    (23.507, -0.164),
    (23.999, -0.165),
    (24.513, -0.156),
    (25.002, -0.157),
    (25.503, -0.159),
    (26.010, -0.161),
    (26.511, -0.160),
];

#[test]
fn the_thermometer_of_the_guide_is_calibrated_as_printed() {
    let parameters = [Parameter::free(0.0, 1e-3), Parameter::free(0.0, 1e-3)];
    let fitted = least_squares(&parameters, READINGS.len(), |y, out| {
        for (residual, (t, b)) in out.iter_mut().zip(READINGS) {
            *residual = b - y[0] - y[1] * (t - 20.0);
        }
    })
    .expect("the fit succeeds");
    let variance = fitted.chi_squared / 9.0;
    let c = |i: usize, j: usize| variance * fitted.covariance[i][j];
    let (y1, y2) = (fitted.parameters[0], fitted.parameters[1]);
    let r = c(0, 1) / (c(0, 0) * c(1, 1)).sqrt();
    // H.3.4: the law of propagation with the covariance of the two.
    let u_30 = (c(0, 0) + 100.0 * c(1, 1) + 20.0 * c(0, 1)).sqrt();
    for (what, found, printed, half_digit) in [
        ("y1", y1, -0.1712, 0.000_05),
        ("s(y1)", c(0, 0).sqrt(), 0.0029, 0.000_05),
        ("y2", y2, 0.00218, 0.000_005),
        ("s(y2)", c(1, 1).sqrt(), 0.00067, 0.000_005),
        ("r", r, -0.930, 0.000_5),
        ("s", variance.sqrt(), 0.0035, 0.000_05),
        ("b(30)", y1 + 10.0 * y2, -0.1494, 0.000_05),
        ("u(b(30))", u_30, 0.0041, 0.000_05),
        // The same with more digits, computed apart from this program.
        ("y1", y1, -0.171_204, 5e-7),
        ("y2", y2, 0.002_182_70, 5e-9),
        ("r", r, -0.930_43, 5e-6),
        ("s", variance.sqrt(), 0.003_497_6, 5e-8),
        ("b(30)", y1 + 10.0 * y2, -0.149_377, 5e-7),
        ("u(b(30))", u_30, 0.004_138_6, 5e-8),
    ] {
        assert!(
            (found - printed).abs() <= half_digit,
            "{what}: {found}, printed {printed}"
        );
    }
}
