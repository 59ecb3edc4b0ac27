//! The relative spectral response of a phone behind its grating, from a bulb of stated temperature, and powers corrected by
//! it. A bulb's filament is taken as a black body of its distribution temperature, as photometry does.

use super::absorb::neighbourhood;
use super::colour::{chromaticity, colour_temperature, dominant_wavelength, observer, planck};
use super::means::{MOST_CLIPPED, between, common_mean};
use super::refusal::Refusal;
use crate::terms::{Estimate, Spectrum};

/// Smallest response, as a share of the best, that powers are divided by: below it there is little but noise.
const WEAKEST: f64 = 0.02;

/// Temperatures at which filaments neither stay dark nor melt, K (tungsten melts at 3695 K).
const FILAMENT_K: std::ops::RangeInclusive<f64> = 1500.0..=3600.0;
/// A row of the bulb's spectrum is used where it stands out of its noise by so many uncertainties…
const LEAST_SIGNAL_SIGMAS: f64 = 5.0;
/// …and the bulb where so much of its spectrum is, nm.
const LEAST_KNOWN_NM: f64 = 100.0;
/// Bins of power are so wide, nm.
const BIN_NM: f64 = 5.0;

/// Relative response by wavelength, 1 at its best.
#[derive(Clone, Debug, PartialEq)]
pub struct Response {
    /// Wavelength, nm, and response; absent where it is too weak or was clipped. Rising, in the bulb spectrum's steps.
    pub rows: Vec<(f64, Option<Estimate>)>,
}

/// The response from the spectrum of a bulb of `kelvin` ± `kelvin_sigma`.
///
/// # Errors
/// `temperature` outside 1500–3600 K, where filaments do not shine or melt; `clipped` or `dim` where less than 100 nm of
/// the bulb's light can be used.
pub fn response(bulb: &Spectrum, kelvin: f64, kelvin_sigma: f64) -> Result<Response, Refusal> {
    if !FILAMENT_K.contains(&kelvin) {
        return Err(Refusal::new(
            "temperature",
            format!("{kelvin} K is no temperature of a filament"),
        ));
    }
    let raw: Vec<(f64, Option<Estimate>)> = bulb
        .rows
        .iter()
        .map(|row| {
            let p = planck(row.wavelength_nm, kelvin);
            let value = row.signal / p;
            // How a wrong temperature tilts the curve, about 560 nm where it turns.
            let tilt = (planck(row.wavelength_nm, kelvin + kelvin_sigma) / p - 1.0).abs();
            let estimate = Estimate::new(value, (row.signal_sigma / p).hypot(value * tilt));
            let is_known =
                row.clipped <= MOST_CLIPPED && row.signal > LEAST_SIGNAL_SIGMAS * row.signal_sigma;
            (row.wavelength_nm, is_known.then_some(estimate))
        })
        .collect();
    let best = raw
        .iter()
        .filter_map(|r| r.1.map(|e| e.value))
        .fold(0.0, f64::max);
    let rows: Vec<(f64, Option<Estimate>)> = raw
        .into_iter()
        .map(|(nm, e)| {
            let e = e
                .filter(|e| e.value > WEAKEST * best)
                .map(|e| Estimate::new(e.value / best, e.sigma / best));
            (nm, e)
        })
        .collect();
    let known_nm = rows.iter().filter(|r| r.1.is_some()).count() as f64 * bulb.step_nm;
    if known_nm < LEAST_KNOWN_NM {
        let clipped = bulb
            .rows
            .iter()
            .filter(|r| r.clipped > MOST_CLIPPED)
            .count();
        let code = if clipped * 4 > bulb.rows.len() {
            "clipped"
        } else {
            "dim"
        };
        return Err(Refusal::new(
            code,
            format!("only {known_nm:.0} nm of the bulb's spectrum can be used"),
        ));
    }
    Ok(Response { rows })
}

impl Response {
    /// The relative response at a wavelength, linear between rows; absent where it is not known.
    pub fn at(&self, wavelength_nm: f64) -> Option<Estimate> {
        let (before, after, t) = between(&self.rows, |r| r.0, wavelength_nm)?;
        let (x, y) = (self.rows[before].1?, self.rows[after].1?);
        Some(Estimate::new(
            x.value + t * (y.value - x.value),
            x.sigma.max(y.sigma),
        ))
    }

    /// Relative spectral power of a spectrum, one entry a row; absent where the response or the light is not known.
    pub fn power(&self, spectrum: &Spectrum) -> Vec<Option<Estimate>> {
        spectrum
            .rows
            .iter()
            .map(|row| {
                let r = self.at(row.wavelength_nm)?;
                (row.clipped <= MOST_CLIPPED).then(|| {
                    let value = row.signal / r.value;
                    Estimate::new(
                        value,
                        (row.signal_sigma / r.value).hypot(value * r.sigma / r.value),
                    )
                })
            })
            .collect()
    }
}

/// Where a colour needs the power; beyond, where the observer sees a hundredth, the nearest known value stands, nm.
const NEEDED_NM: std::ops::RangeInclusive<f64> = 415.0..=680.0;
/// Distribution temperatures of bulbs are stated to about this, K (common practice, no source).
pub const KELVIN_SIGMA: f64 = 50.0;

/// Share of a light that a phone's lens and grating scatter along the spectrum, into its [`neighbourhood`]: a tenth on drawn
/// photos of lasers. All of it is doubt, for what is scattered out of a broad light is scattered in as well.
const SCATTERED: f64 = 0.1;

/// The colour of a light.
#[derive(Clone, Debug, PartialEq)]
pub struct Colour {
    /// CIE 1931 x.
    pub x: Estimate,
    /// CIE 1931 y.
    pub y: Estimate,
    /// Correlated colour temperature (K) and distance from the Planckian locus, or why there is none.
    pub temperature: Result<(Estimate, Estimate), Refusal>,
    /// Dominant wavelength (nm) and excitation purity, or why there is none.
    pub dominant: Result<(Estimate, Estimate), Refusal>,
}

/// The response is uneven between the blue and the red half, and between the middle and both ends, by these shares: the
/// first to either side, the second from the middle to the ends…
const UNEVEN_HALVES: f64 = 0.005;
const UNEVEN_MIDDLE: f64 = 0.02;
/// …about this wavelength, nm, and wholly so far from it, nm.
const MIDDLE_NM: f64 = 550.0;
const ENDS_AWAY_NM: f64 = 130.0;

/// The colour of a spectrum by the response from a bulb of `kelvin` ± [`KELVIN_SIGMA`].
///
/// Uncertainties are those of the bulb's temperature, which tilts everything, of 1 % unevenness between the blue and the red
/// half (the phone held anew), and of 2 % between the middle and both ends (that, and light scattered from the bright middle
/// to the dim ends), of a tenth of the light scattered along the spectrum, which makes a line's colour paler, and of the
/// noise. Tilts move a whitish light along the Planckian locus: its distance from it is uncertain by the bend.
///
/// # Errors
/// Those of [`response`] and [`chromaticity`]: `not-known` where the light between 415 and 680 nm is not. There is no
/// temperature, and no dominant wavelength, where one of those doubts would leave none.
pub fn colour(bulb: &Spectrum, kelvin: f64, spectrum: &Spectrum) -> Result<Colour, Refusal> {
    let cleared = without_scattered(spectrum);
    let by =
        |spectrum: &Spectrum, kelvin: f64, tilt: f64, bend: f64| -> Result<(f64, f64), Refusal> {
            let power = response(bulb, kelvin, KELVIN_SIGMA)?.power(spectrum);
            let bins = hats(spectrum, &power);
            chromaticity(|nm| {
                let known = bins.iter().filter_map(|b| Some((b.0, b.1?)));
                let value = if NEEDED_NM.contains(&nm) {
                    bins.iter().find(|b| b.0 == nm)?.1?
                } else {
                    known
                        .min_by(|a, b| (a.0 - nm).abs().total_cmp(&(b.0 - nm).abs()))?
                        .1
                };
                let aside = ((nm - MIDDLE_NM) / ENDS_AWAY_NM).clamp(-1.0, 1.0);
                let uneven = 1.0 + tilt * aside + bend * (0.5 - aside * aside);
                Some(value.value.max(0.0) * uneven)
            })
        };
    let here = by(spectrum, kelvin, 0.0, 0.0)?;
    let power = response(bulb, kelvin, KELVIN_SIGMA)?.power(spectrum);
    let noise = chromaticity_noise(here, &hats(spectrum, &power));
    let others = [
        by(spectrum, kelvin + KELVIN_SIGMA, 0.0, 0.0)?,
        by(spectrum, kelvin, UNEVEN_HALVES, 0.0)?,
        by(spectrum, kelvin, 0.0, UNEVEN_MIDDLE)?,
        by(&cleared, kelvin, 0.0, 0.0)?,
        (here.0 + noise.0, here.1),
        (here.0, here.1 + noise.1),
    ];
    // What each of them would change, together.
    let together = |value: f64, changed: &[f64]| {
        Estimate::new(
            value,
            changed
                .iter()
                .map(|other| (other - value).powi(2))
                .sum::<f64>()
                .sqrt(),
        )
    };
    let both = |read: &dyn Fn((f64, f64)) -> Result<(f64, f64), Refusal>| {
        let value = read(here)?;
        let changed = others.iter().map(|o| read(*o));
        let (a, b): (Vec<f64>, Vec<f64>) = changed
            .collect::<Result<Vec<(f64, f64)>, Refusal>>()?
            .into_iter()
            .unzip();
        Ok((together(value.0, &a), together(value.1, &b)))
    };
    let (x, y): (Vec<f64>, Vec<f64>) = others.into_iter().unzip();
    Ok(Colour {
        x: together(here.0, &x),
        y: together(here.1, &y),
        temperature: both(&colour_temperature),
        dominant: both(&dominant_wavelength),
    })
}

/// Power by which the observer's table of 5 nm steps is weighed as if it were interpolated between them: a mean over 5 nm to
/// either side that falls off evenly. In plain bins a line would get the colour of its bin's middle. Absent where half of
/// the weight is.
fn hats(spectrum: &Spectrum, power: &[Option<Estimate>]) -> Vec<(f64, Option<Estimate>)> {
    const STEP_NM: f64 = 5.0;
    let rows = &spectrum.rows;
    observer()
        .iter()
        .map(|&(nm, _)| {
            let first = rows.partition_point(|r| r.wavelength_nm <= nm - STEP_NM);
            let past = rows.partition_point(|r| r.wavelength_nm < nm + STEP_NM);
            let (mut all, mut known, mut value, mut sigma) = (0.0, 0.0, 0.0, 0.0);
            for (row, power) in rows[first..past].iter().zip(&power[first..past]) {
                let weight = 1.0 - (row.wavelength_nm - nm).abs() / STEP_NM;
                all += weight;
                if let Some(power) = power {
                    known += weight;
                    value += weight * power.value;
                    sigma += weight * power.sigma;
                }
            }
            let hat = (known > 0.5 * all).then(|| Estimate::new(value / known, sigma / known));
            (nm, hat)
        })
        .collect()
}

/// A spectrum less what may have been scattered along it.
fn without_scattered(spectrum: &Spectrum) -> Spectrum {
    let mut cleared = spectrum.clone();
    for (row, near) in cleared.rows.iter_mut().zip(neighbourhood(spectrum)) {
        row.signal -= SCATTERED * near;
    }
    cleared
}

/// Standard uncertainty of x and y by the noise of the bins alone (JCGM 100, 5.1.2).
fn chromaticity_noise((x, y): (f64, f64), bins: &[(f64, Option<Estimate>)]) -> (f64, f64) {
    let (mut total, mut var_x, mut var_y) = (0.0, 0.0, 0.0);
    for (nm, [cx, cy, cz]) in observer() {
        let bin = bins.iter().find(|b| b.0 == *nm).and_then(|b| b.1);
        let Some(power) = bin else { continue };
        let sum = cx + cy + cz;
        total += power.value.max(0.0) * sum;
        var_x += (power.sigma * (cx - x * sum)).powi(2);
        var_y += (power.sigma * (cy - y * sum)).powi(2);
    }
    (
        var_x.sqrt() / total.max(1e-12),
        var_y.sqrt() / total.max(1e-12),
    )
}

/// Bins of 5 nm from 380 to 780 nm: the wavelengths of the observer's table.
const BINS: std::ops::RangeInclusive<i32> = 76..=156;

/// Mean power in bins of 5 nm, from 380 to 780 nm; absent where half of a bin is. What is uncertain in a row is so in its
/// neighbours too: a bin's uncertainty is that of a row.
pub fn bins(spectrum: &Spectrum, power: &[Option<Estimate>]) -> Vec<(f64, Option<Estimate>)> {
    let rows = &spectrum.rows;
    BINS.map(|i| {
        let nm = BIN_NM * f64::from(i);
        let first = rows.partition_point(|r| r.wavelength_nm < nm - 0.5 * BIN_NM);
        let past = rows.partition_point(|r| r.wavelength_nm < nm + 0.5 * BIN_NM);
        let near = &power[first.min(power.len())..past.min(power.len())];
        let known: Vec<Estimate> = near.iter().flatten().copied().collect();
        let bin = common_mean(&known).filter(|_| known.len() * 2 > near.len());
        (nm, bin)
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::answers::tests::drawn;

    fn seen(light: &dyn Fn(f64) -> f64) -> Spectrum {
        let eye = |nm: f64| 0.02 + 0.5 * (-0.5 * ((nm - 540.0) / 70.0).powi(2)).exp();
        drawn((400.0, 700.0), 1.0, |nm| eye(nm) * light(nm))
    }

    #[test]
    fn what_the_phone_does_to_a_spectrum_is_taken_out_again() {
        let response = response(&seen(&|nm| 0.5 * planck(nm, 2800.0)), 2800.0, 50.0).unwrap();
        let truth = |nm: f64| 0.3 + 0.2 * (nm / 50.0).sin();
        let spectrum = seen(&truth);
        let power = response.power(&spectrum);
        let scale = power[140].unwrap().value / truth(540.0);
        for (row, p) in spectrum.rows.iter().zip(&power) {
            if let Some(p) = p {
                let off = (p.value / scale - truth(row.wavelength_nm)).abs();
                assert!(off < 1e-9, "{}", row.wavelength_nm);
            }
        }
        assert!(power.iter().flatten().count() > 250);
    }

    #[test]
    fn a_filament_has_its_temperature_by_another_s_light_and_half_a_spectrum_has_no_colour() {
        let bulb = seen(&|nm| planck(nm, 2800.0));
        let found = colour(&bulb, 2800.0, &seen(&|nm| 0.4 * planck(nm, 3200.0))).unwrap();
        let (kelvin, duv) = found.temperature.unwrap();
        assert!(
            (kelvin.value - 3200.0).abs() < 60.0 && duv.value.abs() < 0.002,
            "{kelvin:?}"
        );
        assert!((30.0..120.0).contains(&kelvin.sigma));
        assert!((3e-4..3e-3).contains(&duv.sigma), "{duv:?}");
        let mut half = seen(&|nm| planck(nm, 3200.0));
        half.rows.truncate(120);
        assert_eq!(colour(&bulb, 2800.0, &half).unwrap_err().code, "not-known");
    }

    #[test]
    fn a_line_has_its_own_wavelength_for_a_dominant_one_wherever_it_lies_between_the_observer_s_steps()
     {
        let bulb = seen(&|nm| planck(nm, 2800.0));
        for line in [470.0, 532.0, 546.07, 589.3, 612.4] {
            let light = |nm: f64| (-0.5 * ((nm - line) / 0.9f64).powi(2)).exp();
            let (nm, purity) = colour(&bulb, 2800.0, &seen(&light))
                .unwrap()
                .dominant
                .unwrap();
            let off = (nm.value - line).abs();
            assert!(off < 0.4 && off < 2.0 * nm.sigma.max(0.1), "{line}: {nm:?}");
            assert!(purity.value > 0.9, "{purity:?}");
        }
    }

    #[test]
    fn a_wrong_temperature_or_a_dark_bulb_is_refused() {
        let bulb = seen(&|nm| planck(nm, 2800.0));
        assert_eq!(
            response(&bulb, 280.0, 50.0).unwrap_err().code,
            "temperature"
        );
        assert_eq!(
            response(&seen(&|_| 1e-5), 2800.0, 50.0).unwrap_err().code,
            "dim"
        );
    }
}
