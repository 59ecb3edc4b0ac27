//! What a scale rests on, and how far it can be trusted: residuals, leave-one-out, covariance carried to wavelengths.

use crate::measure::light::lineshape::GroupFit;
use crate::measure::light::spectrum_peaks::element;
use crate::measure::optics::adjust::{Adjusted, Frame0, N, Observation};
use crate::measure::sight::trace::Slit;
use crate::terms::{Calibration, Lamp, LineUse, Optics, Point, SigmaAt};

/// How much more the lines scatter than their sigmas explain (Birge's ratio squared; GUM 4.3), at least 1. The degrees of
/// freedom are what the lines leave over, Σ (1 − leverage): priors hold some of the parameters.
pub fn excess_scatter(
    slit: &Slit,
    path_index: &[usize],
    observations: &[Observation],
    adjusted: &Adjusted,
) -> f64 {
    let lines = observations
        .iter()
        .filter(|o| matches!(o, Observation::Path { path_nm, .. } if *path_nm != 0.0));
    let (mut chi, mut freedom) = (0.0, 0.0);
    for (line, &k) in lines.zip(path_index) {
        let Observation::Path { at, sigma_nm, .. } = line else {
            continue;
        };
        let variance = path_variance(&adjusted.optics, slit.centre, &adjusted.covariance, *at);
        chi += adjusted.residuals[k].powi(2);
        freedom += (1.0 - variance / (sigma_nm * sigma_nm)).max(0.0);
    }
    (chi / freedom.max(1.0)).max(1.0)
}

/// The fitted lines with their residuals, the residuals without each, and the scale's uncertainty by wavelength.
pub fn report(
    lamp: &Lamp,
    slit: &Slit,
    base: &Optics,
    fits: &[(f64, Vec<usize>, GroupFit)],
    path_index: &[usize],
    observations: &[Observation],
    adjusted: &Adjusted,
) -> Calibration {
    let mut lines = Vec::new();
    let mut paths = observations
        .iter()
        .filter(|o| matches!(o, Observation::Path { path_nm, .. } if *path_nm != 0.0));
    let mut sum = 0.0;
    for ((sign, group, fit), &k) in fits.iter().zip(path_index) {
        let Some(Observation::Path { at, sigma_nm, .. }) = paths.next() else {
            break;
        };
        let residual_nm = adjusted.residuals[k] * sigma_nm * sign;
        // The residual as it would be without this line, in first order (Allen's PRESS residual, r / (1 − h); from memory).
        let leverage = path_variance(&adjusted.optics, slit.centre, &adjusted.covariance, *at)
            / (sigma_nm * sigma_nm);
        let left_out_nm = (leverage < 0.999).then(|| residual_nm / (1.0 - leverage));
        let name = if group.len() == 1 {
            lamp.lines[group[0]].name.clone()
        } else {
            let names: Vec<String> = group
                .iter()
                .map(|&i| format!("{:.2}", lamp.lines[i].wavelength_nm))
                .collect();
            let element = element(&lamp.lines[group[0]]);
            format!("{element} {}", names.join("+"))
        };
        sum += residual_nm * residual_nm;
        lines.push(LineUse {
            name,
            wavelength_nm: fit.wavelength_nm,
            order: *sign as i32,
            residual_nm,
            sigma_nm: *sigma_nm,
            left_out_nm,
            used: true,
        });
    }
    let rms_nm = (sum / lines.len().max(1) as f64).sqrt();
    let covariance = adjusted.covariance.clone();
    let sign = strongest_sign(fits);
    let sigma_curve = (38..=76)
        .map(|i| 10.0 * f64::from(i))
        .filter_map(|nm| {
            let sigma = scale_sigma(&adjusted.optics, slit.centre, &covariance, sign * nm)?;
            Some(SigmaAt::from((nm, sigma)))
        })
        .collect();
    let (s, c) = adjusted.optics.roll_rad.sin_cos();
    let shift = (
        adjusted.optics.centre_px.x - base.centre_px.x,
        adjusted.optics.centre_px.y - base.centre_px.y,
    );
    Calibration {
        lamp: lamp.name.clone(),
        slit_px: slit.centre,
        slit_width_um: None,
        line_fwhm_nm: None,
        slit_length_px: None,
        slit_image_px: slit.width_px,
        balance_ln: None,
        on_sensor: None,
        centre_shift_px: shift.0 * c + shift.1 * s,
        centre_across_px: shift.1 * c - shift.0 * s,
        optics: adjusted.optics.clone(),
        covariance,
        lines,
        rms_nm,
        sigma_curve,
        margin: 0.0,
        found_out: None,
    }
}

fn strongest_sign(fits: &[(f64, Vec<usize>, GroupFit)]) -> f64 {
    let light = |sign: f64| {
        fits.iter()
            .filter(|f| f.0 == sign)
            .map(|f| f.2.area)
            .sum::<f64>()
    };
    if light(1.0) >= light(-1.0) { 1.0 } else { -1.0 }
}

/// Standard uncertainty (nm) of the wavelength at the pixel where `path_nm` lies, from the parameters' covariance.
pub fn scale_sigma(
    optics: &Optics,
    slit_px: Point,
    covariance: &[Vec<f64>],
    path_nm: f64,
) -> Option<f64> {
    let at = optics.rays().pixel_of_path(path_nm, 0.0)?;
    Some(path_variance(optics, slit_px, covariance, at).sqrt())
}

/// Variance (nm²) of the `m λ` of a pixel, from the parameters' covariance.
fn path_variance(optics: &Optics, slit_px: Point, covariance: &[Vec<f64>], at: Point) -> f64 {
    let shot = Frame0::new(optics, slit_px);
    let x = shot.vector();
    let mut gradient = [0.0; N];
    for i in 0..N {
        let step = covariance[i][i].max(0.0).sqrt() * 0.1;
        if step <= 0.0 {
            continue;
        }
        let mut y = x;
        y[i] += step;
        let up = shot.optics(&y).rays().path_nm(at);
        y[i] -= 2.0 * step;
        let down = shot.optics(&y).rays().path_nm(at);
        gradient[i] = (up - down) / (2.0 * step);
    }
    let mut variance = 0.0;
    for i in 0..N {
        for j in 0..N {
            variance += gradient[i] * covariance[i][j] * gradient[j];
        }
    }
    variance.max(0.0)
}
