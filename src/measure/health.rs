//! The instrument's and the photo's health in numbers: saturation, noise, slit, focus, movement, stray light.

use crate::frame::Frame;
use crate::measure::band::Edge;
use crate::measure::lineshape::{FWHM_PER_SIGMA, LineShape, box_gauss_fwhm, fit_shape};
use crate::measure::locate::Map;
use crate::measure::optics::Optics;
use crate::measure::peaks::{Maximum, maxima};
use crate::measure::photo::Inputs;
use crate::measure::profile::Profile;
use crate::measure::scale::Order;
use crate::measure::survey::Survey;
use crate::measure::{Estimate, Measurement};

/// Index of the order to measure: bright, and not cut off by the picture's edge.
pub fn better_order(both: &[Order]) -> usize {
    let worth = |order: &Order| -> f64 {
        let p = &order.profile;
        let covered = (0..p.len()).filter(|&i| (420.0..680.0).contains(&p.nm(i as f64))).count() as f64 * p.step_nm / 260.0;
        let light: f64 = p.light.iter().map(|v| v.max(0.0)).sum();
        light * covered * covered
    };
    usize::from(worth(&both[1]) > worth(&both[0]))
}

/// Share of 400–700 nm that lies outside the picture in an order, 0…1.
fn cropped_share(profile: &Profile) -> f64 {
    let seen = (0..profile.len()).filter(|&i| (400.0..700.0).contains(&profile.nm(i as f64))).count();
    (1.0 - seen as f64 * profile.step_nm / 300.0).max(0.0)
}

/// Fills in the metrics.
#[allow(clippy::too_many_arguments)]
pub fn metrics(
    _frame: &Frame,
    inputs: &Inputs,
    survey: &Survey,
    optics: &Optics,
    both: &[Order],
    measured: usize,
    (roll_sigma, skew_sigma): (f64, f64),
    shape: Option<LineShape>,
    m: &mut Measurement,
) {
    let profile = &both[measured].profile;
    let sign = profile.sign;
    let visible: Vec<usize> = (0..profile.len()).filter(|&i| (395.0..705.0).contains(&profile.nm(i as f64))).collect();
    let top = visible.iter().map(|&i| profile.light[i]).fold(0.0f64, f64::max);
    let px_per_nm = optics.rays().px_per_nm(sign * 550.0).unwrap_or(2.0);
    m.metrics.nm_per_px = Some(1.0 / px_per_nm);
    m.metrics.order_side = Some(side(optics.roll_rad, sign));
    m.metrics.tilt_deg =
        Some(Estimate { value: optics.tilt_rad().to_degrees(), sigma: roll_sigma.to_degrees().max(0.01) });
    m.metrics.skew_deg =
        Some(Estimate { value: optics.skew_rad().to_degrees(), sigma: skew_sigma.to_degrees().max(0.01) });
    if !visible.is_empty() {
        let clipped: f64 = visible.iter().map(|&i| profile.clipped[i]).sum::<f64>() / visible.len() as f64;
        m.metrics.clipped_fraction = Some(clipped);
        let lit: Vec<usize> = visible.iter().copied().filter(|&i| profile.light[i] > 0.05 * top).collect();
        if !lit.is_empty() {
            let share = lit.iter().map(|&i| profile.clipped[i]).sum::<f64>() / lit.len() as f64;
            m.metrics.more.insert("clipped_lit_fraction", share);
        }
        let peak = visible
            .iter()
            .map(|&i| profile.rgb[i].iter().copied().fold(0.0f64, f64::max))
            .fold(0.0f64, f64::max);
        m.metrics.peak_level = Some(peak);
        let mut noise: Vec<f64> = visible.iter().map(|&i| profile.sigma[i]).collect();
        noise.sort_by(f64::total_cmp);
        // Against the noise of the dark parts: at a bright line uneven blades, not noise, limit the scatter.
        let quiet = noise[noise.len() / 4].max(1e-7);
        m.metrics.snr = Some(top / quiet);
    }
    m.metrics.more.insert("cropped_fraction", cropped_share(profile));
    let other = &both[1 - measured].profile;
    if cropped_share(other) < 0.3 {
        let sum = |p: &Profile| p.light.iter().map(|v| v.max(0.0)).sum::<f64>();
        m.metrics.more.insert("order_balance", sum(other) / sum(profile).max(1e-12));
    }
    widths(inputs, survey, profile, px_per_nm, shape, m);
    let stray = stray_light(&survey.map, survey, optics);
    let mut band: Vec<f64> = visible.iter().map(|&i| profile.background[i]).collect();
    band.sort_by(f64::total_cmp);
    let beside = band.get(band.len() / 2).copied().unwrap_or(0.0);
    m.metrics.background_level = Some(stray.max(beside));
    m.metrics.more.insert("background_beside_band", beside);
}

/// Where an order lies from the slit's image, as seen in the upright picture.
pub fn side(roll_rad: f64, sign: f64) -> &'static str {
    let (x, y) = (sign * roll_rad.cos(), sign * roll_rad.sin());
    match (x.abs() >= y.abs(), x > 0.0, y > 0.0) {
        (true, true, _) => "right",
        (true, false, _) => "left",
        (false, _, true) => "below",
        (false, _, false) => "above",
    }
}

/// Blur of the slit's ends near a wavelength, px: median of both ends' nearest blocks.
fn end_blur(survey: &Survey, path_nm: f64, reach_nm: f64) -> Option<f64> {
    let near = |list: &[Edge]| -> Vec<f64> {
        list.iter().filter(|e| (e.path_nm - path_nm).abs() < reach_nm && e.snr > 8.0).map(|e| e.blur_px).collect()
    };
    let mut all = near(&survey.edges.low);
    all.extend(near(&survey.edges.high));
    if all.is_empty() {
        return None;
    }
    all.sort_by(f64::total_cmp);
    Some(all[all.len() / 2])
}

fn widths(inputs: &Inputs, survey: &Survey, profile: &Profile, px_per_nm: f64, shape: Option<LineShape>, m: &mut Measurement) {
    let overall = end_blur(survey, 0.0, 1e4);
    if let Some(blur) = overall {
        m.metrics.blur_px = Some(Estimate { value: blur, sigma: 0.3f64.max(0.15 * blur) });
    }
    let mut lines: Vec<Maximum> = maxima(profile, 20.0, 0.05)
        .into_iter()
        .filter(|l| l.clipped < 0.02 && l.prominence > 0.6 * l.height)
        .collect();
    lines.sort_by(|a, b| a.fwhm_nm.total_cmp(&b.fwhm_nm));
    let Some(narrowest) = lines.first().map(|l| l.fwhm_nm) else {
        m.metrics.bandpass_nm = shape.map(|s| s.fwhm_nm()).or_else(|| from_slit_image(survey, px_per_nm));
        return;
    };
    // Only a line can be the instrument's own width; the colours of a lamp with bands alone are wider.
    let slit_nm = from_slit_image(survey, px_per_nm).unwrap_or(f64::MAX);
    let sharp: Vec<Maximum> = lines.into_iter().filter(|l| l.fwhm_nm < 1.35 * narrowest).take(4).collect();
    let is_line = narrowest < 1.4 * slit_nm + 0.5;
    if is_line {
        m.metrics.bandpass_nm = Some(narrowest);
    } else {
        m.metrics.bandpass_nm = from_slit_image(survey, px_per_nm);
    }
    if !is_line {
        return;
    }
    let mut estimates: Vec<(f64, f64)> = Vec::new();
    let mut across_px: Vec<f64> = Vec::new();
    for line in &sharp {
        let local_px_per_nm = survey.optics.rays().px_per_nm(profile.sign * line.nm).unwrap_or(px_per_nm);
        let blur = end_blur(survey, profile.sign * line.nm, 25.0).or(overall);
        across_px.push(line.fwhm_nm * local_px_per_nm / FWHM_PER_SIGMA);
        let Some(blur_px) = blur else { continue };
        let Some((fitted, sigma, chi)) = fit_shape(profile, line.nm, line.fwhm_nm, Some(blur_px / local_px_per_nm)) else {
            continue;
        };
        m.log.push(format!(
            "line at {:.1} nm: FWHM {:.2} px, ends blurred by {blur_px:.2} px (sigma), box {:.2} px, gauss {:.2} px, chi2/dof {chi:.1}",
            line.nm,
            line.fwhm_nm * local_px_per_nm,
            fitted.box_nm * local_px_per_nm,
            fitted.sigma_nm * local_px_per_nm
        ));
        if chi > 30.0 || sigma <= 0.0 {
            continue;
        }
        let to_um = inputs.bench.slit_distance_mm * 1000.0 / survey.optics.groove_spacing_nm;
        estimates.push((fitted.box_nm * to_um, sigma.max(0.05 * fitted.box_nm) * to_um));
    }
    across_px.sort_by(f64::total_cmp);
    if let Some(&across) = across_px.get(across_px.len() / 2) {
        m.metrics.more.insert("line_sigma_px", across);
        // The slit's ends are blurred along it, the lines across: focus blurs both alike. Sharp lines with soft ends
        // mean that the picture moved along the slit.
        if let Some(blur) = overall
            && blur > 2.0
            && across < 0.6 * blur
        {
            m.metrics.more.insert("moved_px", (12.0 * (blur * blur - across * across)).sqrt());
        }
    }
    if !estimates.is_empty() {
        let weights: f64 = estimates.iter().map(|e| 1.0 / (e.1 * e.1)).sum();
        let value = estimates.iter().map(|e| e.0 / (e.1 * e.1)).sum::<f64>() / weights;
        let scatter = (estimates.iter().map(|e| (e.0 - value).powi(2)).sum::<f64>() / estimates.len() as f64).sqrt();
        m.metrics.slit_width_um = Some(Estimate { value, sigma: (1.0 / weights).sqrt().hypot(scatter) });
    }
}

/// Width of the slit's image at half height in nm: an upper bound for the bandpass, as it is blown up where clipped.
fn from_slit_image(survey: &Survey, px_per_nm: f64) -> Option<f64> {
    Some(survey.slit.width_px / px_per_nm)
}

/// Level that one cell in ten exceeds, where neither band, slit image nor its veil can be.
fn stray_light(map: &Map, survey: &Survey, optics: &Optics) -> f64 {
    let cell = map.cell_px as f64;
    let centre = (survey.slit.centre.0 / cell, survey.slit.centre.1 / cell);
    let half = survey.slit.half_length_px / cell;
    let veil = 0.16 * optics.focal_px / cell;
    let (dx, dy) = (optics.roll_rad.cos(), optics.roll_rad.sin());
    let mut levels = Vec::new();
    for y in (2..map.height.saturating_sub(2)).step_by(4) {
        for x in (2..map.width.saturating_sub(2)).step_by(4) {
            let (rx, ry) = (x as f64 - centre.0, y as f64 - centre.1);
            let (s, t) = (rx * dx + ry * dy, -rx * dy + ry * dx);
            if t.abs() < 1.7 * half + 0.03 * s.abs() || rx.hypot(ry) < veil {
                continue;
            }
            let mut sum = 0.0;
            for (i, j) in [(0i64, 0i64), (2, 0), (-2, 0), (0, 2), (0, -2)] {
                sum += f64::from(map.light[(y as i64 + j) as usize * map.width + (x as i64 + i) as usize]);
            }
            levels.push(sum / 5.0);
        }
    }
    if levels.is_empty() {
        return 0.0;
    }
    levels.sort_by(f64::total_cmp);
    levels[levels.len() * 9 / 10]
}

/// A dark photo: what the sensor and the tube give without a lamp.
pub fn dark(frame: &Frame, m: &mut Measurement) {
    let map = Map::new(frame);
    let mut levels: Vec<f32> = map.light.clone();
    levels.sort_by(f32::total_cmp);
    if levels.is_empty() {
        return;
    }
    let at = |share: f64| f64::from(levels[((levels.len() - 1) as f64 * share) as usize]);
    m.metrics.background_level = Some(at(0.9));
    m.metrics.peak_level = Some(at(1.0));
    m.metrics.more.insert("background_median", at(0.5));
    m.log.push(format!("dark: median level {:.5}, one cell in ten above {:.5}, highest {:.5}", at(0.5), at(0.9), at(1.0)));
}

/// FWHM in nm of a slit of `width_um` at `distance_mm` with a blur of `sigma_px`.
pub fn expected_bandpass_nm(width_um: f64, distance_mm: f64, groove_spacing_nm: f64, sigma_px: f64, px_per_nm: f64) -> f64 {
    box_gauss_fwhm(width_um / (distance_mm * 1000.0) * groove_spacing_nm, sigma_px / px_per_nm)
}
