//! The instrument's and the photo's health in numbers: saturation, noise, slit, focus, movement, stray light.

use std::collections::BTreeMap;

use crate::frame::Frame;
use crate::measure::bloom::from_image;
use crate::measure::lineshape::LineShape;
use crate::measure::map::Map;
use crate::measure::optics::Optics;
use crate::measure::photo::Inputs;
use crate::measure::profile::Profile;
use crate::measure::scale::Order;
use crate::measure::sharpness::{MOST_PER_WIDTH, SLIT_AT_MOST, SOFT_COLOUR_PX, weighted, widths};
use crate::measure::smear::{is_sheared, smeared_across, smeared_lines, smeared_plateau};
use crate::measure::survey::Survey;
use crate::measure::{Code, Estimate, Finding, Lamp, Measurement, Severity};

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

/// A slit's width on which its lines and its image agree is known where it is more certain than this share of itself: what
/// the two err by has different reasons.
const LARGEST_SHARE: f64 = 1.0 / 6.0;
/// The ends of a slit in focus reach this blur in blue light, px; what is softer can be out of focus.
const SHARPEST_BLUE_PX: f64 = 2.4;
/// Share of the lit spectrum from which on it is over-exposed enough for its slit's image to be glare.
const MOST_CLIPPED: f64 = 0.05;

/// A line falls below this share of full scale within its own width beside what of it is at the ceiling; a band does not.
const FOOT_LEVEL: f64 = 0.7;

/// Of a line at the ceiling so many of its pixels are seen there: a JPEG's coarser colour mixes the others with the dark beside
/// them (drawn lines 1.8 times too bright: 0.17 to 0.47).
const CEILING_SHARE: f64 = 0.15;

/// How much of a line is at the ceiling, as a share of a line's width at half height
/// (`fwhm_nm`), of the worst line: 0 where none is, 1 where one is twice too bright, whatever its shape, since half its
/// height then lies above.
fn clipped_line_share(profile: &Profile, fwhm_nm: f64) -> f64 {
    let n = profile.len();
    let at_ceiling = |i: usize| profile.clipped[i] > CEILING_SHARE;
    let reach = (fwhm_nm / profile.step_nm).ceil() as usize;
    let has_foot = |mut places: std::ops::Range<usize>| {
        places.any(|i| profile.rgb[i].iter().all(|level| *level < FOOT_LEVEL))
    };
    // Where the share of clipped pixels passes that, between two bins.
    let crossing_nm = |inside: usize, outside: usize| {
        let (a, b) = (profile.clipped[inside], profile.clipped[outside]);
        (a - CEILING_SHARE) / (a - b) * profile.step_nm
    };
    let mut worst_nm = 0.0f64;
    let mut i = 1;
    while i + 1 < n {
        if !at_ceiling(i) {
            i += 1;
            continue;
        }
        let from = i;
        while i + 1 < n && at_ceiling(i + 1) {
            i += 1;
        }
        let to = i;
        i += 1;
        let is_line =
            has_foot(from.saturating_sub(reach)..from) && has_foot(to + 1..n.min(to + 1 + reach));
        if is_line && !at_ceiling(from - 1) {
            let width_nm = (to - from) as f64 * profile.step_nm
                + crossing_nm(from, from - 1)
                + crossing_nm(to, to + 1);
            worst_nm = worst_nm.max(width_nm);
        }
    }
    worst_nm / fwhm_nm
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
        sigma: (skew_sigma * optics.skew_per_slope())
            .to_degrees()
            .max(0.01),
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
    let open = widths(
        frame,
        inputs,
        survey,
        optics,
        beta,
        profile,
        (shape, lamp),
        m,
    );
    let lamp_fwhm_nm = inputs.calibration.and_then(|c| c.line_fwhm_nm);
    if let Some(fwhm_nm) = m.metrics.bandpass_nm.or(lamp_fwhm_nm) {
        let share = clipped_line_share(profile, fwhm_nm);
        m.metrics.more.insert("clipped_line_share", share);
    }
    m.metrics
        .more
        .insert("end_shear_px", survey.slit.end_shear_px);
    // The slit's image smeared aslant: its two ends bend to opposite sides. By more than SHEARED_PX nothing else does that.
    if survey.slit.end_shear_px > (6.0 * survey.slit.scatter_px).clamp(2.5, SHEARED_PX)
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
    let blur_px = m.metrics.blur_px;
    let soft_px = blur_px.map(|b| b.value);
    let smear = smeared_across(inputs, survey, soft_px)
        .or_else(|| smeared_plateau(frame, inputs, survey, soft_px))
        .filter(|_| is_legible)
        .and_then(|grown_px| Some((grown_px, grown_px + inputs.calibration?.slit_image_px)))
        .or_else(|| {
            // Over-exposed, a line is as wide as its glare.
            let is_clear = m.metrics.clipped_fraction.is_none_or(|c| c < MOST_CLIPPED);
            let smear = || smeared_lines(inputs, survey, optics, profile, m);
            let line_px = is_clear.then(smear).flatten()?;
            Some((line_px, line_px))
        });
    if let Some((smear_px, width_px)) = smear {
        let aslant_px = m.metrics.more.get("moved_px").copied();
        m.metrics
            .more
            .insert("moved_px", aslant_px.unwrap_or(0.0).max(smear_px));
        // Straight across, nothing tells it from a slit that was opened since the lamp photo.
        if aslant_px.is_none() && !is_sheared(&survey.slit) {
            let um_per_px = optics.um_per_nm(inputs.bench.slit_distance_mm) / px_per_nm;
            let by_lines = m.metrics.slit_width_um.map(|width| width.value);
            let width_um = by_lines.unwrap_or(width_px * um_per_px);
            m.metrics.more.insert("slit_width_if_still_um", width_um);
        }
        m.metrics.slit_width_um = None;
    }
    with_its_image(frame, inputs, survey, optics, open, m);
    let cell = survey.map.cell_px as f64;
    let bar = Bar {
        centre: (survey.slit.centre.0 / cell, survey.slit.centre.1 / cell),
        half_length: survey.slit.half_length_px / cell,
        across_rad: optics.roll_rad,
        glare: 0.16 * optics.focal_px / cell,
    };
    let stray = stray_light(&survey.map, &bar);
    let mut band: Vec<f64> = visible.iter().map(|&i| profile.background[i]).collect();
    band.sort_by(f64::total_cmp);
    let beside = band.get(band.len() / 2).copied().unwrap_or(0.0);
    m.metrics.background_level = Some(stray.max(beside));
    m.metrics.more.insert("background_beside_band", beside);
}

/// What the slit's own image says of its width, with what the lines have said: `open` is a width by lines that is not sure on
/// its own. Where it stays unknown, why, and how wide the slit can be at most.
fn with_its_image(
    frame: &Frame,
    inputs: &Inputs,
    survey: &Survey,
    optics: &Optics,
    open: Option<Estimate>,
    m: &mut Measurement,
) {
    let is_moved = m.metrics.more.contains_key("moved_px");
    // Of one that is out of focus, or exposed until the spectrum clips too, blur or glare is most of the image.
    let in_focus = m
        .metrics
        .blur_px
        .filter(|b| b.value < SOFT_COLOUR_PX && b.value - b.sigma < SHARPEST_BLUE_PX);
    let is_legible = m.metrics.clipped_fraction.is_none_or(|c| c < MOST_CLIPPED);
    let distance_mm = inputs.bench.slit_distance_mm;
    let image = in_focus
        .filter(|_| is_legible && !is_moved)
        .and_then(|blur| {
            // Blades do not open between two photos: what is wider than the lamp photo's image is no slit.
            let widest_px = inputs
                .calibration
                .map_or(f64::INFINITY, |c| c.slit_image_px);
            let scale_share = m.metrics.wavelength_sigma_nm? / 550.0;
            let limits = (widest_px, scale_share);
            from_image(frame, survey, optics, distance_mm, blur.value, limits)
        });
    if let Some(width) = image {
        m.log.push(format!(
            "slit width by its own image, less what over-exposure has blown up: {:.0} ± {:.0} µm",
            width.width_um.value, width.width_um.sigma
        ));
    }
    let sure = image.filter(|i| i.is_sure).map(|i| i.width_um);
    let image = image.map(|i| i.width_um);
    let agreeing = |lines: Estimate| {
        image
            .filter(|_| in_focus.is_some_and(|b| b.value < SHARPEST_BLUE_PX))
            .filter(|i| (i.value - lines.value).abs() < 2.0 * i.sigma.hypot(lines.sigma))
            .map(|i| weighted(i, lines))
    };
    m.metrics.slit_width_um = match m.metrics.slit_width_um {
        // What is taken for a line can be a band, and what is wrong with an image widens it too.
        Some(lines) => agreeing(lines)
            .or(sure.filter(|i| i.value < lines.value))
            .or(Some(lines)),
        None => open
            .and_then(agreeing)
            .filter(|w| w.sigma < LARGEST_SHARE * w.value)
            .or(sure),
    };
    let is_about_slit = |said: &String| said.starts_with("slit width");
    if m.metrics.slit_width_um.is_some() {
        m.not_measured.retain(|said| !is_about_slit(said));
        m.metrics.more.remove(SLIT_AT_MOST);
        return;
    }
    let why = match m.not_measured.iter().position(is_about_slit) {
        Some(at) => m.not_measured.remove(at),
        None if is_moved => "slit width: the picture has moved".to_owned(),
        None => "slit width: no line is sharp, bright and alone enough to show it".to_owned(),
    };
    // Over-exposure and blur only widen: what is taken off an image for them is left aside here.
    let nm_per_px = optics.rays().px_per_nm(0.0).map(f64::recip);
    let image_px = MOST_PER_WIDTH * survey.slit.width_px;
    let by_image = nm_per_px.map(|nm| nm * image_px * optics.um_per_nm(distance_mm));
    let by_lines = m.metrics.more.get(SLIT_AT_MOST).copied();
    let at_most_um = by_image.into_iter().chain(by_lines).min_by(f64::total_cmp);
    let at_most_um = at_most_um
        .filter(|_| !is_moved)
        .map(|um| 10.0 * (um / 10.0).ceil());
    let Some(um) = at_most_um else {
        m.metrics.more.remove(SLIT_AT_MOST);
        m.not_measured.push(why);
        return;
    };
    m.metrics.more.insert(SLIT_AT_MOST, um);
    m.not_measured.push(format!("{why}; at most {um:.0} µm"));
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

/// The slit's image and the strip of its band, in cells of the map.
pub struct Bar {
    /// Middle of the slit's image.
    pub centre: (f64, f64),
    /// Half its length.
    pub half_length: f64,
    /// Direction of the dispersion, rad.
    pub across_rad: f64,
    /// How far its glare reaches.
    pub glare: f64,
}

/// Drawn photos that had not moved: 0.3 px nearly all, 2.9 px at most, of a bulb over-exposed out of all measure.
const SHEARED_PX: f64 = 4.0;

/// Level that one cell in ten exceeds, linear share of full scale, where neither band, slit image nor its glare can be.
pub fn stray_light(map: &Map, bar: &Bar) -> f64 {
    let (dx, dy) = (bar.across_rad.cos(), bar.across_rad.sin());
    let mut levels = Vec::new();
    for y in (2..map.height.saturating_sub(2)).step_by(4) {
        for x in (2..map.width.saturating_sub(2)).step_by(4) {
            let (rx, ry) = (x as f64 - bar.centre.0, y as f64 - bar.centre.1);
            let (s, t) = (rx * dx + ry * dy, -rx * dy + ry * dx);
            if t.abs() < 1.7 * bar.half_length + 0.03 * s.abs() || rx.hypot(ry) < bar.glare {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::lineshape::FWHM_PER_SIGMA;

    /// What a sensor with a ceiling makes of `light`, by wavelength, in steps of 0.25 nm from 500 nm.
    fn seen(light: impl Fn(f64) -> f64) -> Profile {
        let full: Vec<f64> = (0..400)
            .map(|i| light(500.0 + 0.25 * f64::from(i)))
            .collect();
        let light: Vec<f64> = full.iter().map(|v| v.min(1.0)).collect();
        Profile {
            sign: 1.0,
            start_nm: 500.0,
            step_nm: 0.25,
            rgb: light.iter().map(|&v| [v; 3]).collect(),
            rgb_sigma: vec![[1e-4; 3]; light.len()],
            sigma: vec![1e-4; light.len()],
            // The slit is not evenly bright: by its length, the ceiling is met by ±10 % of the light.
            clipped: full
                .iter()
                .map(|v| (5.0 * (v - 0.9)).clamp(0.0, 1.0))
                .collect(),
            background: vec![0.0; light.len()],
            light,
        }
    }

    fn gauss(nm: f64, centre: f64, fwhm: f64) -> f64 {
        (-0.5 * ((nm - centre) * FWHM_PER_SIGMA / fwhm).powi(2)).exp()
    }

    #[test]
    fn a_line_is_at_the_ceiling_over_its_half_width_where_it_is_twice_too_bright() {
        // A Gaussian of peak p passes a level c at √(log₂ p/c) of its width at half height; at 0.93 of the ceiling the brightest
        // 15 % of this slit reach it.
        for peak in [0.85f64, 1.19, 2.0, 4.0] {
            let share = (peak / 0.93).log2().max(0.0).sqrt();
            let profile = seen(|nm| peak * gauss(nm, 546.07, 2.0));
            let found = clipped_line_share(&profile, 2.0);
            // Where flanks are steep all pixels are at the ceiling one bin further in: that is up to a third of a bin too wide
            // on either side, and a bin is an eighth of the width.
            assert!(
                (-0.02..0.11).contains(&(found - share)),
                "{found} for {share}"
            );
        }
        // Its colour is smeared: of the pixels at the ceiling two in five are still seen there.
        let mut smeared = seen(|nm| 2.0 * gauss(nm, 546.07, 2.0));
        smeared.clipped.iter_mut().for_each(|share| *share *= 0.4);
        let found = clipped_line_share(&smeared, 2.0);
        assert!((0.9..1.1).contains(&found), "{found}");
        // A line as square as the slit: 2 nm wide with flanks of 0.4 nm, half way up at its own edge.
        let square = |nm: f64| 2.0 * ((1.2 - (nm - 546.07).abs()) / 0.4).clamp(0.0, 1.0);
        let found = clipped_line_share(&seen(square), 2.0);
        assert!((0.98..1.11).contains(&found), "{found}");
        // The worst of several counts, and a neighbour that runs into it makes it no band.
        let two = |nm: f64| 1.19 * gauss(nm, 546.0, 2.0) + 2.0 * gauss(nm, 552.0, 2.0) + 0.1;
        let share = (2.0f64 / (0.93 - 0.1)).log2().sqrt();
        let found = clipped_line_share(&seen(two), 2.0);
        assert!((-0.02..0.11).contains(&(found - share)), "{found}");
    }

    #[test]
    fn the_top_of_a_band_is_no_line() {
        for peak in [1.001, 1.2, 3.0] {
            let profile = seen(|nm| peak * gauss(nm, 550.0, 30.0));
            assert_eq!(clipped_line_share(&profile, 2.0), 0.0);
        }
    }
}
