//! How numbers are written: as many digits as their uncertainty bears, never `NaN`, never `-0`.
//!
//! Two audiences: [`cell`] and its like write for programs (ASCII, a point as decimal sign), [`plain`] and
//! [`plus_minus`] for people (a true minus sign, "±").

use crate::terms::{Estimate, Reading};

/// Digits that a standard uncertainty keeps in tables: one more than people are shown, so that a reader's own sums do not
/// suffer from rounding (GUM, JCGM 100:2008, 7.2.6).
const SIGMA_DIGITS_IN_TABLES: i32 = 3;

/// Most decimals ever written. A 16-bit code is 1.5e-5 of full scale; nine decimals hold a mean over any slit.
const MOST_DECIMALS: usize = 9;

/// `value` with a fixed number of decimals; empty for what is not finite.
pub fn fixed(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return String::new();
    }
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|b| b == b'0' || b == b'.') => rest.to_owned(),
        _ => text,
    }
}

/// Decimals that show `digits` significant digits of a number of the size of `size`; 0 to 9.
pub fn decimals_for(size: f64, digits: i32) -> usize {
    if !(size.is_finite() && size > 0.0) {
        return 6;
    }
    let exponent = size.log10().floor() as i32;
    (digits - 1 - exponent).clamp(0, MOST_DECIMALS as i32) as usize
}

/// Fewest decimals in which every multiple of `step` from `first` on is exact to a billionth; at most 6.
pub fn decimals_of_grid(first: f64, step: f64) -> usize {
    let exact = |value: f64, decimals: usize| {
        let scaled = value * 10f64.powi(decimals as i32);
        (scaled - scaled.round()).abs() < 1e-9 * scaled.abs().max(1.0)
    };
    (0..6)
        .find(|&d| exact(step, d) && exact(first, d))
        .unwrap_or(6)
}

/// A value and its standard uncertainty as two table cells with the same number of decimals.
pub fn cells(estimate: Estimate) -> [String; 2] {
    let Estimate { value, sigma } = estimate;
    if !(value.is_finite() && sigma.is_finite()) {
        return [String::new(), String::new()];
    }
    let decimals = decimals_for(sigma.abs(), SIGMA_DIGITS_IN_TABLES);
    [fixed(value, decimals), fixed(sigma, decimals)]
}

/// A value whose uncertainty is not written beside it, as a table cell: as [`cells`] would write it.
pub fn cell(value: f64, sigma: f64) -> String {
    let [text, _] = cells(Estimate::new(value, sigma));
    text
}

/// `value` rounded to `digits` significant digits; absent for what is not finite.
pub fn rounded(value: f64, digits: usize) -> Option<f64> {
    if !value.is_finite() {
        return None;
    }
    // Through text: the nearest double to the decimal number, which prints as that number.
    let rounded: f64 = format!("{value:.*e}", digits.saturating_sub(1))
        .parse()
        .ok()?;
    Some(rounded + 0.0)
}

/// Both numbers of an estimate rounded as [`cells`] writes them; absent where either is not finite.
pub fn rounded_estimate(estimate: Estimate) -> Option<Estimate> {
    let [value, sigma] = cells(estimate);
    Some(Estimate::new(value.parse().ok()?, sigma.parse().ok()?))
}

/// `value` for people, with `decimals` decimals and a true minus sign.
pub fn plain(value: f64, decimals: usize) -> String {
    fixed(value, decimals).replace('-', "\u{2212}")
}

/// An order of diffraction for people: `+1`, `−1`.
pub fn signed(order: i32) -> String {
    match order {
        0.. => format!("+{order}"),
        _ => format!("\u{2212}{}", order.unsigned_abs()),
    }
}

/// A published number for people, times `scale`, which must not be negative; with its uncertainty where it has one.
pub fn said(reading: Reading, scale: f64) -> String {
    match reading.estimate() {
        Some(estimate) => plus_minus(estimate.scaled(scale)),
        None => about(scale * reading.value),
    }
}

/// A value for people where no uncertainty is known: three significant digits.
pub fn about(value: f64) -> String {
    plain(value, decimals_for(value.abs(), 3).min(4))
}

/// "value ± sigma" for people: sigma with two digits where it begins with 1 or 2, else with one.
pub fn plus_minus(estimate: Estimate) -> String {
    let Estimate { value, sigma } = estimate;
    if !(value.is_finite() && sigma.is_finite()) {
        return String::new();
    }
    let decimals = sigma_decimals(sigma);
    format!("{} ± {}", plain(value, decimals), fixed(sigma, decimals))
}

/// A standard uncertainty alone, for people.
pub fn sigma_alone(sigma: f64) -> String {
    fixed(sigma, sigma_decimals(sigma))
}

/// A standard uncertainty of a wavelength, for people: `± 0.05 nm`.
pub fn within_nm(sigma: f64) -> String {
    format!("± {} nm", sigma_alone(sigma))
}

fn sigma_decimals(sigma: f64) -> usize {
    if sigma <= 0.0 {
        return 2;
    }
    let leading = sigma / 10f64.powf(sigma.log10().floor());
    decimals_for(sigma, if leading < 2.95 { 2 } else { 1 }).min(6)
}

/// Tick marks for an axis from `low` to `high`: about `wanted` round numbers and the decimals they need.
pub fn ticks(low: f64, high: f64, wanted: usize) -> (Vec<f64>, usize) {
    let span = high - low;
    if !(span.is_finite() && span > 0.0) {
        return (Vec::new(), 0);
    }
    let rough = span / wanted.max(1) as f64;
    let decade = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|m| m * decade)
        .find(|&s| s >= rough * 0.999)
        .unwrap_or(10.0 * decade);
    let first = (low / step - 1e-9).ceil() as i64;
    let last = (high / step + 1e-9).floor() as i64;
    let marks = (first..=last).map(|i| i as f64 * step + 0.0).collect();
    (marks, decimals_of_grid(step, step))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn e(value: f64, sigma: f64) -> Estimate {
        Estimate::new(value, sigma)
    }

    #[test]
    fn what_is_not_finite_is_an_empty_cell() {
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert_eq!(fixed(bad, 3), "");
            assert_eq!(cells(e(bad, 1.0)), ["", ""]);
            assert_eq!(cells(e(1.0, bad)), ["", ""]);
            assert_eq!(rounded(bad, 3), None);
            assert_eq!(rounded_estimate(e(bad, 0.1)), None);
            assert_eq!(plus_minus(e(bad, 0.1)), "");
        }
    }

    #[test]
    fn a_rounded_negative_zero_has_no_sign() {
        assert_eq!(fixed(-0.0004, 3), "0.000");
        assert_eq!(fixed(-0.0, 0), "0");
        assert_eq!(fixed(-0.0006, 3), "-0.001");
        assert_eq!(rounded(-0.0, 3).map(f64::to_bits), Some(0.0f64.to_bits()));
    }

    #[test]
    fn value_and_sigma_share_their_decimals() {
        assert_eq!(cells(e(546.0712345, 0.01234)), ["546.0712", "0.0123"]);
        assert_eq!(cells(e(0.5, 3.2e-7)), ["0.500000000", "0.000000320"]);
        assert_eq!(cells(e(1234.5, 250.0)), ["1234", "250"]);
        assert_eq!(cells(e(0.25, 0.0)), ["0.250000", "0.000000"]);
    }

    #[test]
    fn people_read_one_or_two_digits_of_an_uncertainty() {
        // Rounding as in JCGM 100:2008 (GUM) 7.2.6: 10.057 62 Ω with 27 mΩ becomes 10.058 Ω, 27 mΩ.
        assert_eq!(plus_minus(e(10.057_62, 0.027)), "10.058 ± 0.027");
        assert_eq!(plus_minus(e(-6.23, 0.41)), "\u{2212}6.2 ± 0.4");
        assert_eq!(plus_minus(e(212.4, 9.1)), "212 ± 9");
        assert_eq!(sigma_alone(0.0834), "0.08");
        assert_eq!(sigma_alone(0.0), "0.00");
    }

    #[test]
    fn the_grid_decides_the_decimals_of_the_wavelengths() {
        for (first, step, decimals) in [
            (380.0, 1.0, 0),
            (380.0, 0.5, 1),
            (380.5, 1.0, 1),
            (380.0, 0.25, 2),
            (400.0, 0.1, 1),
            (399.9, 1.0 / 3.0, 6),
        ] {
            assert_eq!(decimals_of_grid(first, step), decimals, "{first} {step}");
        }
    }

    #[test]
    fn ticks_are_round_and_inside() {
        let (marks, decimals) = ticks(0.0, 0.47, 5);
        assert_eq!(decimals, 1);
        assert_eq!(marks.len(), 5);
        assert!((marks[4] - 0.4).abs() < 1e-12);
        let (marks, decimals) = ticks(381.0, 779.0, 8);
        assert_eq!(
            marks,
            [400.0, 450.0, 500.0, 550.0, 600.0, 650.0, 700.0, 750.0]
        );
        assert_eq!(decimals, 0);
        assert!(ticks(1.0, 1.0, 5).0.is_empty());
        assert!(ticks(0.0, f64::NAN, 5).0.is_empty());
    }
}
