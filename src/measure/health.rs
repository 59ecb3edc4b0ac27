//! The instrument's and the photo's health in numbers: saturation, noise, slit, focus, movement, stray light.

use std::collections::BTreeMap;

use crate::frame::Frame;
use crate::measure::band::{Edge, end_shape};
use crate::measure::lineshape::{FWHM_PER_SIGMA, LineShape, box_gauss_fwhm, fit_shape};
use crate::measure::map::Map;
use crate::measure::optics::Optics;
use crate::measure::peaks::{Maximum, maxima};
use crate::measure::photo::Inputs;
use crate::measure::profile::Profile;
use crate::measure::scale::Order;
use crate::measure::slit_width::{Witness, slit_box_nm};
use crate::measure::spectrum_peaks::element;
use crate::measure::survey::Survey;
use crate::measure::trace::Slit;
use crate::measure::{Code, Estimate, Finding, Lamp, LampLine, Measurement, Severity};

/// A width of the slit that is less certain than this share of itself is not a measurement.
const LARGEST_WIDTH_SIGMA: f64 = 0.35;

/// Index of the order to measure: bright, and not cut off by the picture's edge.
pub fn better_order(both: &[Order]) -> usize {
    let worth = |order: &Order| -> f64 {
        let p = &order.profile;
        let covered = (0..p.len())
            .filter(|&i| (420.0..680.0).contains(&p.nm(i as f64)))
            .count() as f64
            * p.step_nm
            / 260.0;
        let light: f64 = p.light.iter().map(|v| v.max(0.0)).sum();
        light * covered * covered
    };
    usize::from(worth(&both[1]) > worth(&both[0]))
}

/// The brighter order runs off the picture and the weaker one had to serve: the picture is badly placed, not one-sided.
///
/// `turned_deg` is how far the phone has turned about the grooves since the lamp photo, where there is one.
pub fn stronger_order_cut(
    both: &[Order],
    measured: usize,
    turned_deg: Option<f64>,
) -> Option<Finding> {
    let light = |p: &Profile| p.light.iter().map(|v| v.max(0.0)).sum::<f64>();
    let (own, other) = (&both[measured].profile, &both[1 - measured].profile);
    let cut = cropped_share(other);
    // Three quarters of the light in what is left of it, and it is not just an order that is off the picture anyway.
    let brighter = (0.08..0.85).contains(&cut) && light(other) >= 0.75 * light(own);
    // Several times what a phone does by itself between two shots, and an order was lost by it.
    let turned = cut > 0.08 && turned_deg.is_some_and(|t| t.abs() > 4.0);
    if !brighter && !turned {
        return None;
    }
    let measured = format!(
        "{:.0} % of the other order outside the picture",
        100.0 * cut
    );
    let slots = BTreeMap::from([("amount_percent", format!("{:.0}", 100.0 * cut))]);
    Some(Finding {
        code: Code::Cropped,
        severity: Severity::Retake,
        measured,
        limit: String::new(),
        slots,
    })
}

/// Share of 400–700 nm that lies outside the picture in an order, 0…1.
fn cropped_share(profile: &Profile) -> f64 {
    let seen = (0..profile.len())
        .filter(|&i| (400.0..700.0).contains(&profile.nm(i as f64)))
        .count();
    (1.0 - seen as f64 * profile.step_nm / 300.0).max(0.0)
}

/// Fills in the metrics.
#[allow(clippy::too_many_arguments)]
pub fn metrics(
    frame: &Frame,
    inputs: &Inputs,
    survey: &Survey,
    optics: &Optics,
    beta: (f64, f64),
    both: &[Order],
    measured: usize,
    (roll_sigma, skew_sigma): (f64, f64),
    (shape, lamp): (Option<LineShape>, Option<&Lamp>),
    m: &mut Measurement,
) {
    let profile = &both[measured].profile;
    let sign = profile.sign;
    let visible: Vec<usize> = (0..profile.len())
        .filter(|&i| (395.0..705.0).contains(&profile.nm(i as f64)))
        .collect();
    let top = visible
        .iter()
        .map(|&i| profile.light[i])
        .fold(0.0f64, f64::max);
    let px_per_nm = optics.rays().px_per_nm(sign * 550.0).unwrap_or(2.0);
    m.metrics.nm_per_px = Some(1.0 / px_per_nm);
    m.metrics.order_side = Some(side(optics.roll_rad, sign));
    m.metrics.tilt_deg = Some(Estimate {
        value: optics.tilt_rad().to_degrees(),
        sigma: roll_sigma.to_degrees().max(0.01),
    });
    m.metrics.skew_deg = Some(Estimate {
        value: optics.skew_rad().to_degrees(),
        sigma: skew_sigma.to_degrees().max(0.01),
    });
    if !visible.is_empty() {
        // Of the places that carry light: a clipped line is as wrong beside darkness as in a continuum.
        let lit: Vec<usize> = visible
            .iter()
            .copied()
            .filter(|&i| profile.light[i] > 0.05 * top)
            .collect();
        if !lit.is_empty() {
            let share = lit.iter().map(|&i| profile.clipped[i]).sum::<f64>() / lit.len() as f64;
            m.metrics.clipped_fraction = Some(share);
        }
        m.metrics.more.insert("slit_image_px", survey.slit.width_px);
        m.metrics
            .more
            .insert("slit_image_rise_px", survey.slit.rise_px);
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
    // A slit that runs off the picture is cropped as well: the part that is missing, as far as can be seen.
    let cut = if survey.slit_is_cut() { 0.25 } else { 0.0 };
    m.metrics
        .more
        .insert("cropped_fraction", cropped_share(profile).max(cut));
    let other = &both[1 - measured].profile;
    if cropped_share(other) < 0.3 {
        let sum = |p: &Profile| p.light.iter().map(|v| v.max(0.0)).sum::<f64>();
        m.metrics
            .more
            .insert("order_balance", sum(other) / sum(profile).max(1e-12));
    }
    widths(
        frame,
        inputs,
        survey,
        optics,
        beta,
        profile,
        (shape, lamp),
        m,
    );
    m.metrics
        .more
        .insert("end_shear_px", survey.slit.end_shear_px);
    // The slit's image smeared aslant: its two ends bend to opposite sides.
    if survey.slit.end_shear_px > (6.0 * survey.slit.scatter_px).max(2.5)
        && let Some(blur) = m.metrics.blur_px
        && blur.value > 2.0
    {
        let across = 2.0 * survey.slit.end_shear_px;
        let along = (12.0 * (blur.value.powi(2) - 1.5f64.powi(2)))
            .max(0.0)
            .sqrt();
        m.metrics.more.insert("moved_px", across.hypot(along));
        m.metrics.slit_width_um = None;
    }
    // Where the spectrum itself is over-exposed the slit's image says nothing about its width any more.
    let is_legible = m.metrics.clipped_fraction.is_none_or(|c| c < 0.3);
    if let Some(grown) = smeared_across(inputs, survey, m.metrics.blur_px.map(|b| b.value))
        && is_legible
    {
        let known = m.metrics.more.get("moved_px").copied().unwrap_or(0.0);
        m.metrics.more.insert("moved_px", known.max(grown));
        m.metrics.slit_width_um = None;
    }
    let stray = stray_light(&survey.map, survey, optics);
    let mut band: Vec<f64> = visible.iter().map(|&i| profile.background[i]).collect();
    band.sort_by(f64::total_cmp);
    let beside = band.get(band.len() / 2).copied().unwrap_or(0.0);
    m.metrics.background_level = Some(stray.max(beside));
    m.metrics.more.insert("background_beside_band", beside);
}

/// By how much, px, the slit's image is wider than in the lamp photo where it is as sharp as ever: blades do not open
/// between two photos, so the phone has moved across the slit. Glare and bad focus widen it too, but with soft flanks.
fn smeared_across(inputs: &Inputs, survey: &Survey, blur_px: Option<f64>) -> Option<f64> {
    let grown = survey.slit.width_px - inputs.calibration?.slit_image_px;
    let sharp =
        !in_glare(&survey.slit) && (survey.slit.rise_px < 2.6 || blur_px.is_some_and(|b| b < 2.2));
    let beyond_blur = blur_px.is_none_or(|b| {
        let disc = if b < SOFT_PX { 3.0 } else { DISC_WIDTHS.1 };
        grown > disc * b
    });
    (grown > 6.0 && sharp && beyond_blur).then_some(grown)
}

/// Ends blurred by more than this, px, are soft.
const SOFT_PX: f64 = 2.2;
/// Width over standard deviation of what bad focus makes of a point: 2.4 (at half height) where it fades out, 4 from edge
/// to edge of an even disc, as lenses without much aberration draw it; with room for what both are known to.
const DISC_WIDTHS: (f64, f64) = (1.5, 4.4);

/// What a line (width at half height) or the slit's image has widened by across the slit, px, where its ends have widened
/// likewise along it (standard deviation): out of focus, and not moved. `slit_px` is the slit's own share of the width, 0 if
/// unknown.
fn widened_evenly(width_px: f64, slit_px: f64, ends_px: f64) -> Option<f64> {
    let widened = (width_px * width_px - slit_px * slit_px).max(0.0).sqrt();
    (DISC_WIDTHS.0..DISC_WIDTHS.1)
        .contains(&(widened / ends_px))
        .then_some(widened)
}

/// True where glare has widened the slit's image: its flanks climb over a quarter of its width then; those of a wide slit
/// or a smear over some pixels, whatever the width.
fn in_glare(slit: &Slit) -> bool {
    slit.rise_px > 0.145 * slit.width_px
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
        list.iter()
            .filter(|e| (e.path_nm - path_nm).abs() < reach_nm && e.snr > 8.0)
            .map(|e| e.blur_px)
            .collect()
    };
    let mut all = near(&survey.edges.low);
    all.extend(near(&survey.edges.high));
    if all.is_empty() {
        return None;
    }
    all.sort_by(f64::total_cmp);
    Some(all[all.len() / 2])
}

/// Slit, focus and movement, told apart: the lines are blurred across the slit by the slit's width, the focus and the
/// movement; the slit's ends, along it, by focus and movement only.
#[allow(clippy::too_many_arguments)]
fn widths(
    frame: &Frame,
    inputs: &Inputs,
    survey: &Survey,
    optics: &Optics,
    beta: (f64, f64),
    profile: &Profile,
    (shape, lamp): (Option<LineShape>, Option<&Lamp>),
    m: &mut Measurement,
) {
    let rays = optics.rays();
    let px_per_nm = rays.px_per_nm(profile.sign * 550.0).unwrap_or(2.0);
    let overall = end_blur(survey, 0.0, 1e4);
    if let Some(blur) = overall {
        m.metrics.blur_px = Some(Estimate {
            value: blur,
            sigma: 0.3f64.max(0.15 * blur),
        });
    }
    let mut lines: Vec<Maximum> = maxima(profile, 20.0, 0.04)
        .into_iter()
        .filter(|l| l.clipped < 0.02 && l.prominence > 0.8 * l.height)
        .collect();
    lines.sort_by(|a, b| a.fwhm_nm.total_cmp(&b.fwhm_nm));
    let slit_nm = widest_image_px(inputs, survey, overall) / px_per_nm;
    let narrowest = lines
        .first()
        .map(|l| l.fwhm_nm)
        .filter(|w| *w < 1.5 * slit_nm + 0.6);
    m.metrics.bandpass_nm = narrowest.or(shape.map(|s| s.fwhm_nm())).or_else(|| {
        // No line to see it on: what the lamp photo's slit and this photo's focus come to.
        let width_um = inputs.calibration.and_then(|c| c.slit_width_um)?;
        let box_nm = width_um / (1000.0 * inputs.bench.slit_distance_mm) * optics.groove_spacing_nm;
        Some(box_gauss_fwhm(box_nm, overall? / px_per_nm))
    });
    let Some(narrowest) = narrowest else {
        continuum_ends(frame, inputs, survey, optics, beta, profile, m);
        return;
    };
    // Width = distance × angle, the slit square to its tube; a tube that slants by an angle turns that into its cosine's
    // share of path difference.
    let cosine = (1.0 - optics.alpha_slit * optics.alpha_slit)
        .max(0.1)
        .sqrt();
    let to_um = inputs.bench.slit_distance_mm * 1000.0 / optics.groove_spacing_nm / cosine;
    // Over-exposure only widens the slit's own image: no line's box can be wider.
    let image_nm = survey.slit.width_px / rays.px_per_nm(0.0).unwrap_or(px_per_nm);
    if let (Some(blur), Some(own)) = (&mut m.metrics.blur_px, lines.first()) {
        // What is out of focus is so in every direction: the line's own width bounds it.
        blur.value = blur.value.min(own.fwhm_nm * px_per_nm / FWHM_PER_SIGMA);
    }
    let at_narrowest = lines.first().and_then(|l| {
        let (path, half_nm) = (profile.sign * l.nm, 0.8 * l.fwhm_nm + 0.3);
        end_shape(frame, &rays, path, half_nm, beta, optics.focal_px)
    });
    if let Some(blur) = at_narrowest.map(|e| e.blur_px).or(overall)
        && !in_glare(&survey.slit)
        && narrowest * px_per_nm > 2.0 * FWHM_PER_SIGMA * blur
        && (0.85..1.8).contains(&(image_nm / narrowest))
    {
        // Far wider than the blur, and the slit's image is as wide: the line is the slit, whatever is blended into its foot.
        m.metrics.slit_width_um = Some(Estimate {
            value: narrowest * to_um,
            sigma: 0.12 * narrowest * to_um,
        });
    }
    let mut witnesses: Vec<Witness> = Vec::new();
    let mut smears: Vec<f64> = Vec::new();
    // End blur with its uncertainty, free blur, free box, width at half height of each line, px.
    let mut sharpness: Vec<(f64, f64, f64, f64, f64)> = Vec::new();
    let mut strongest: Vec<Maximum> = lines
        .into_iter()
        .filter(|l| l.fwhm_nm < 1.8 * narrowest)
        // Of a known lamp only its sharp lines are witnesses, not the peaks of its phosphors.
        .filter(|l| match lamp {
            Some(lamp) => is_sharp(lamp, l.nm),
            None => true,
        })
        .collect();
    strongest.sort_by(|a, b| b.prominence.total_cmp(&a.prominence));
    for line in strongest.iter().take(5) {
        let path = profile.sign * line.nm;
        let local = rays.px_per_nm(path).unwrap_or(px_per_nm);
        let Some(ends) = end_shape(
            frame,
            &rays,
            path,
            0.8 * line.fwhm_nm + 0.3,
            beta,
            optics.focal_px,
        ) else {
            continue;
        };
        let (ends_px, ends_sigma) = (ends.blur_px, ends.blur_sigma_px);
        smears.extend(ends.smear_px);
        let Some((free, chi)) = fit_shape(profile, line.nm, line.fwhm_nm) else {
            continue;
        };
        // A blend or a band is no witness.
        if chi > 6.0 {
            continue;
        }
        sharpness.push((
            ends_px,
            ends_sigma,
            free.sigma_nm * local,
            free.box_nm * local,
            line.fwhm_nm * local,
        ));
        let fwhm_px = free.fwhm_nm() * local;
        m.log.push(format!(
            "line at {:.1} nm: FWHM {fwhm_px:.2} px; ends blurred by {ends_px:.2} ± {ends_sigma:.2} px; free fit box {:.2} px and blur \
             {:.2} px (chi2 {chi:.1})",
            line.nm,
            free.box_nm * local,
            free.sigma_nm * local
        ));
        if lamp.is_some() || !may_be_a_pair(inputs.names, line) {
            witnesses.push(Witness {
                nm: line.nm,
                fwhm_px,
                ends_px: (ends_px, ends_sigma),
                px_per_nm: local,
                bin_px: profile.step_nm * local,
            });
        }
    }
    if sharpness.is_empty() {
        return;
    }
    let clearest = sharpness
        .iter()
        .copied()
        .min_by(|a, b| (a.1 / a.0).total_cmp(&(b.1 / b.0)));
    let Some((ends, ends_sigma, blur, width, fwhm)) = clearest else {
        return;
    };
    m.metrics.blur_px = Some(Estimate {
        value: ends.min(fwhm / FWHM_PER_SIGMA),
        sigma: ends_sigma.hypot(0.05 * ends),
    });
    let slit_px = inputs
        .calibration
        .and_then(|c| c.slit_width_um)
        .map_or(1.0, |um| {
            um / (inputs.bench.slit_distance_mm * 1000.0) * optics.groove_spacing_nm * px_per_nm
        });
    let along = (12.0 * (ends * ends - blur * blur).max(0.0)).sqrt();
    let across = (width * width - slit_px * slit_px).max(0.0).sqrt();
    let smeared = smears.len() * 2 > sharpness.len();
    let sharp_px = inputs.calibration.map_or(0.0, |c| c.slit_image_px);
    if ends > SOFT_PX
        && let Some(widened) = widened_evenly(fwhm, sharp_px, ends)
    {
        // Disc or bell, the line's width tells the blur as the ends do, to a fifth.
        let across = Estimate {
            value: widened / 2.9,
            sigma: 0.2 * widened / 2.9,
        };
        m.metrics.blur_px = m.metrics.blur_px.map(|along| weighted(along, across));
        m.metrics.slit_width_um = None;
        m.not_measured
            .push("slit width: out of focus, and the blur hides it".into());
        return;
    }
    // A movement smears every line; soft ends of one faint line are its noise and its glare.
    let soft = sharpness
        .iter()
        .filter(|s| s.0 > SOFT_PX && s.2 < 0.7 * s.0 && (smeared || s.0 - s.2 > 2.6 * s.1))
        .count();
    if 3 * soft >= 2 * sharpness.len() {
        // The ends are soft, the lines are not, or only as a box is: the picture has moved along a line.
        m.metrics.more.insert("moved_px", along.hypot(across));
        m.metrics.slit_width_um = None;
        return;
    }
    let Some((value, sigma)) = slit_box_nm(&witnesses, image_nm) else {
        return;
    };
    let width = Estimate {
        value: value * to_um,
        sigma: sigma * to_um,
    };
    // Blades do not open between two photos: lines that did are smeared across.
    if let Some(known) = inputs.calibration.and_then(|c| c.slit_width_um)
        && width.value > 1.6 * known
        && across > 4.0
    {
        m.metrics.more.insert("moved_px", across);
        m.metrics.slit_width_um = None;
        return;
    }
    if width.sigma < LARGEST_WIDTH_SIGMA * width.value {
        m.metrics.slit_width_um = Some(width);
    } else {
        m.not_measured
            .push("slit width: the blur is as wide as the slit and leaves it open".into());
    }
}

/// Without lines, the slit's ends alone tell: an even ramp is a movement, a soft corner the focus. So is a ramp where the
/// slit's image has widened as much.
fn continuum_ends(
    frame: &Frame,
    inputs: &Inputs,
    survey: &Survey,
    optics: &Optics,
    beta: (f64, f64),
    profile: &Profile,
    m: &mut Measurement,
) {
    let brightest = (0..profile.len())
        .filter(|&i| profile.clipped[i] < 0.02)
        .max_by(|&a, &b| profile.light[a].total_cmp(&profile.light[b]));
    let Some(brightest) = brightest else { return };
    let path = profile.sign * profile.nm(brightest as f64);
    let Some(ends) = end_shape(frame, &optics.rays(), path, 8.0, beta, optics.focal_px) else {
        return;
    };
    m.log.push(format!(
        "ends of the slit at {:.0} nm: blurred by {:.2} ± {:.2} px{}",
        path.abs(),
        ends.blur_px,
        ends.blur_sigma_px,
        ends.smear_px
            .map_or(String::new(), |s| format!(", an even smear of {s:.1} px"))
    ));
    m.metrics.blur_px = Some(Estimate {
        value: ends.blur_px,
        sigma: ends.blur_sigma_px.hypot(0.05 * ends.blur_px),
    });
    let sharp_px = inputs.calibration.map_or(0.0, |c| c.slit_image_px);
    let even = widened_evenly(survey.slit.width_px, sharp_px, ends.blur_px);
    if let Some(smear) = ends.smear_px.filter(|_| even.is_none()) {
        m.metrics.more.insert("moved_px", smear);
    }
}

/// The mean of two independent estimates, by weight (GUM H.5 has the form; from memory).
fn weighted(a: Estimate, b: Estimate) -> Estimate {
    let (wa, wb) = (a.sigma.powi(-2), b.sigma.powi(-2));
    Estimate {
        value: (wa * a.value + wb * b.value) / (wa + wb),
        sigma: (wa + wb).sqrt().recip(),
    }
}

/// True where an element has two lines of like strength under one peak (mercury's yellow pair, sodium's): what looks
/// like a wide slit may be both.
fn may_be_a_pair(names: &[LampLine], peak: &Maximum) -> bool {
    let under: Vec<&LampLine> = names
        .iter()
        .filter(|l| (l.wavelength_nm - peak.nm).abs() < 0.75 * peak.fwhm_nm + 0.3)
        .collect();
    let wide = 0.2 * peak.fwhm_nm;
    let blend = under
        .iter()
        .any(|l| l.width_nm > wide && l.width_nm < peak.fwhm_nm);
    blend
        || under.iter().any(|a| {
            under.iter().any(|b| {
                element(a) == element(b)
                    && b.wavelength_nm - a.wavelength_nm > wide
                    && a.strength.min(b.strength) > 0.1 * a.strength.max(b.strength)
            })
        })
}

fn is_sharp(lamp: &Lamp, nm: f64) -> bool {
    let line = lamp
        .lines
        .iter()
        .find(|l| l.fit && (l.wavelength_nm - nm).abs() < 0.6);
    line.is_some_and(|line| {
        !lamp.lines.iter().any(|o| {
            let d = (o.wavelength_nm - line.wavelength_nm).abs();
            d > 0.0 && d < 4.0 && o.width_nm < 10.0
        })
    })
}

/// Width of the slit's image at half height, px: an upper bound for a line's. Where glare has blown the image up, the lamp
/// photo's image and this photo's focus (standard deviation `blur_px`) bound it instead.
fn widest_image_px(inputs: &Inputs, survey: &Survey, blur_px: Option<f64>) -> f64 {
    let seen = survey.slit.width_px;
    match (inputs.calibration, blur_px) {
        (Some(c), Some(blur)) if in_glare(&survey.slit) => {
            seen.min(c.slit_image_px + FWHM_PER_SIGMA * blur)
        }
        _ => seen,
    }
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
                sum += f64::from(
                    map.light[(y as i64 + j) as usize * map.width + (x as i64 + i) as usize],
                );
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
    m.log.push(format!(
        "dark: median level {:.5}, one cell in ten above {:.5}, highest {:.5}",
        at(0.5),
        at(0.9),
        at(1.0)
    ));
}
