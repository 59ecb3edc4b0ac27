//! What a scale rests on, and how far it can be trusted: residuals, leave-one-out, covariance carried to wavelengths.

use crate::measure::light::lineshape::GroupFit;
use crate::measure::light::spectrum_peaks::element;
use crate::measure::optics::adjust::Adjusted;
use crate::measure::optics::sigma::{path_variance, scale_sigma};
use crate::measure::scale::lamp_picture::LampPicture;
use crate::measure::sight::Slit;
use crate::terms::{Calibration, Lamp, LineUse, Point, SigmaAt};

/// Lines of a lamp that were fitted together in one order.
pub struct FittedGroup {
    /// The order's sign.
    pub sign: f64,
    /// Indices into the lamp's lines.
    pub lines: Vec<usize>,
    /// The fit.
    pub fit: GroupFit,
    /// Where they were found, at the slabs' middle height.
    pub at: Point,
    /// Standard uncertainty of that along the dispersion, and of the published wavelengths, nm.
    pub sigma_nm: f64,
    /// Index of its residual in the adjustment.
    pub residual: usize,
}

/// How much more the lines scatter than their sigmas explain (Birge's ratio squared; GUM 4.3), at least 1. The degrees of
/// freedom are what the lines leave over, Σ (1 − leverage): priors hold some of the parameters.
pub fn excess_scatter(slit: &Slit, groups: &[FittedGroup], adjusted: &Adjusted) -> f64 {
    let (mut chi, mut freedom) = (0.0, 0.0);
    for group in groups {
        chi += adjusted.residuals[group.residual].powi(2);
        freedom += (1.0 - leverage(slit, group, adjusted)).max(0.0);
    }
    (chi / freedom.max(1.0)).max(1.0)
}

/// How much of a group's position is its own doing in the adjustment, 0…1.
fn leverage(slit: &Slit, group: &FittedGroup, adjusted: &Adjusted) -> f64 {
    let variance = path_variance(
        &adjusted.optics,
        slit.centre,
        &adjusted.covariance,
        group.at,
    );
    variance / (group.sigma_nm * group.sigma_nm)
}

/// Without a line that has more leverage than this the scale would hang in the air.
const INDISPENSABLE: f64 = 0.999;

/// The name of a line, or of a group's lines: `Hg 576.96+579.07`.
fn name(lamp: &Lamp, lines: &[usize]) -> String {
    let first = &lamp.lines[lines[0]];
    if lines.len() == 1 {
        return first.name.clone();
    }
    let names: Vec<String> = lines
        .iter()
        .map(|&i| format!("{:.2}", lamp.lines[i].wavelength_nm))
        .collect();
    format!("{} {}", element(first), names.join("+"))
}

/// The fitted lines with their residuals, the residuals without each, and the scale's uncertainty by wavelength.
pub fn report(
    lamp: &Lamp,
    picture: &LampPicture,
    groups: &[FittedGroup],
    adjusted: &Adjusted,
) -> Calibration {
    let (slit, base) = (picture.slit, &picture.base);
    let mut sum = 0.0;
    let mut lines = Vec::new();
    for group in groups {
        let residual_nm = adjusted.residuals[group.residual] * group.sigma_nm * group.sign;
        // The residual as it would be without this line, in first order (Allen's PRESS residual, r / (1 − h); from memory).
        let leverage = leverage(slit, group, adjusted);
        sum += residual_nm * residual_nm;
        lines.push(LineUse {
            name: name(lamp, &group.lines),
            wavelength_nm: group.fit.wavelength_nm,
            order: group.sign as i32,
            residual_nm,
            sigma_nm: group.sigma_nm,
            left_out_nm: (leverage < INDISPENSABLE).then(|| residual_nm / (1.0 - leverage)),
            used: true,
        });
    }
    let rms_nm = (sum / lines.len().max(1) as f64).sqrt();
    let covariance = adjusted.covariance.clone();
    let sign = strongest_sign(groups);
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
        slit_image_px: slit.width_px,
        centre_shift_px: shift.0 * c + shift.1 * s,
        centre_across_px: shift.1 * c - shift.0 * s,
        optics: adjusted.optics.clone(),
        covariance,
        lines,
        rms_nm,
        sigma_curve,
        ..Calibration::default()
    }
}

/// The sign of the order with more light in its lines.
fn strongest_sign(groups: &[FittedGroup]) -> f64 {
    let light = |sign: f64| {
        groups
            .iter()
            .filter(|g| g.sign == sign)
            .map(|g| g.fit.area)
            .sum::<f64>()
    };
    if light(1.0) >= light(-1.0) { 1.0 } else { -1.0 }
}
