//! How sharp the slit and its light are: the slit's width, the focus, a movement, told apart.

use crate::measure::inputs::Inputs;
use crate::measure::light::lineshape::{
    FWHM_PER_SIGMA, box_gauss_fwhm, box_of_fwhm, fit_shape, is_green,
};
use crate::measure::light::peaks::{Maximum, maxima};
use crate::measure::light::spectrum_peaks::element;
use crate::measure::portrait::bloom::in_glare;
use crate::measure::portrait::slit_width::{SlitBox, Witness, sharpest_px, slit_box};
use crate::measure::shot::Shot;
use crate::measure::sight::{Edge, Survey, end_shape};
use crate::terms::{Estimate, Interval, Lamp, LampLine, Measurement, Quantity, Subject, median};

/// What is wider is no line through any slit that still gives a spectrum (2 mm), but a diode's band, nm: those have 15 and more
/// (common practice, no source).
pub const WIDEST_LINE_NM: f64 = 13.0;
/// Lines of one element that look like one lie this near to each other, nm.
const NAMED_WITHIN_NM: f64 = 1.0;
/// A line's ends whose blur is known to so many px say whether the picture can be out of focus.
const SURE_ENDS_PX: f64 = 0.5;
/// A width of the slit that is less certain than this share of itself is not a measurement.
const LARGEST_WIDTH_SIGMA: f64 = 0.2;

/// What the box of a smeared line is known to, share of its width (drawn movements).
const BOX_SHARE: f64 = 0.15;
/// What a phone's tone curve and unequal light across the slit take off the width at half height of a line or an image of the
/// slit, with room (drawn slits of 0.7 and 0.9 mm: up to 10 %).
pub const MOST_PER_WIDTH: f64 = 1.15;

/// Ends blurred by more than this, px, are soft…
pub const SOFT_PX: f64 = 2.2;
/// …and in blue and red light, whose sharpness a camera has smoothed away as colour, from here on: in focus they reach 2.4.
pub const SOFT_COLOUR_PX: f64 = 2.9;
/// Width over standard deviation of what bad focus makes of a point: 2.4 (at half height) where it fades out, 4 from edge
/// to edge of an even disc, as lenses without much aberration draw it; with room for what both are known to.
pub const DISC_WIDTHS: Interval = Interval::new(1.8, 4.4);
/// What is left of that, at least, once the slit's own share is off: that share is known as the lamp photo's glare left it.
const LEAST_WIDENED: f64 = 1.2;

/// What a line (width at half height) or the slit's image has widened by across the slit, px, where its ends have widened
/// likewise along it (standard deviation): out of focus, and not moved. `slit_px` is the slit's own share of the width, 0 if
/// unknown.
fn widened_evenly(width_px: f64, slit_px: f64, ends_px: f64) -> Option<f64> {
    let widened = (width_px * width_px - slit_px * slit_px).max(0.0).sqrt();
    let even = width_px > DISC_WIDTHS.low * ends_px
        && (LEAST_WIDENED..DISC_WIDTHS.high).contains(&(widened / ends_px));
    even.then_some(widened)
}

/// Blur of the slit's ends, px: median over both ends' blocks. Where one end is so many times as soft as the other it has
/// met dust, for bad focus and movement soften both: the sharper one speaks, unless it is seen in less than a share of the
/// other's blocks.
fn end_blur(survey: &Survey) -> Option<f64> {
    const SEEN: f64 = 0.3;
    const DUSTY: f64 = 1.8;
    let clear = |list: &[Edge]| -> Vec<f64> {
        let clear = list.iter().filter(|e| e.snr > 8.0);
        clear.map(|e| e.blur_px).collect()
    };
    let ends = [clear(&survey.edges.low), clear(&survey.edges.high)];
    let middle = |blurs: &[f64]| median(blurs.iter().copied());
    let most = ends[0].len().max(ends[1].len()) as f64;
    let is_seen = |blurs: &Vec<f64>| blurs.len() as f64 >= SEEN * most;
    if let (Some(a), Some(b)) = (middle(&ends[0]), middle(&ends[1]))
        && ends.iter().all(is_seen)
        && a.max(b) > DUSTY * a.min(b)
    {
        return Some(a.min(b));
    }
    middle(&ends.concat())
}

/// What one line shows of blur along the slit and across it, px.
#[derive(Clone, Copy)]
struct Sharp {
    /// Blur of the slit's ends in its light (standard deviation), with its standard uncertainty.
    ends: f64,
    ends_sigma: f64,
    /// Blur and box of the line, both left free.
    blur: f64,
    width: f64,
    /// Width at half height.
    fwhm: f64,
    /// From where on ends are soft in its colour.
    soft: f64,
    /// Its box, nm, where the line's own flat top shows it.
    open_nm: Option<f64>,
}

/// A line that is so many times as wide as the blur alone would make it is the slit's: the blur is a tenth of its width.
const OPEN_PER_FWHM: f64 = 1.6;
/// A line with a box of at least so many pixels, and so many times its blur, shows its flat top: the box is the slit (or a
/// movement) whatever the ends say. Smaller ones are also made by what a JPEG does to colours.
const OPEN_PX: f64 = 5.0;
const OPEN_PER_BLUR: f64 = 3.0;
/// A box that shows itself is known to this share (drawn slits of 0.6 to 1.2 mm).
const OPEN_SHARE: f64 = 0.08;

/// Slit, focus and movement, told apart: the lines are blurred across the slit by the slit's width, the focus and the
/// movement; the slit's ends, along it, by focus and movement only.
///
/// Returns a width of the slit that is too uncertain to be published on its own, µm.
pub fn widths(shot: &Shot, m: &mut Measurement) -> Option<Estimate> {
    let Shot {
        frame,
        inputs,
        survey,
        beta,
        shape,
        lamp,
        ..
    } = *shot;
    let (optics, profile) = (&shot.scale.optics, shot.profile());
    let rays = optics.rays();
    let px_per_nm = rays.px_per_nm(profile.sign * 550.0).unwrap_or(2.0);
    let overall = end_blur(survey);
    if let Some(blur) = overall {
        m.metrics.note(
            Quantity::BlurPx,
            Estimate::new(blur, 0.3f64.max(0.15 * blur)),
        );
    }
    let mut lines: Vec<Maximum> = maxima(profile, 20.0, 0.04)
        .into_iter()
        .filter(Maximum::is_clean)
        .filter(|l| l.fwhm_nm < WIDEST_LINE_NM)
        .collect();
    lines.sort_by(|a, b| a.fwhm_nm.total_cmp(&b.fwhm_nm));
    let slit_nm = widest_image_px(inputs, survey, overall) / px_per_nm;
    let narrowest = lines
        .first()
        .map(|l| l.fwhm_nm)
        .filter(|w| *w < 1.5 * slit_nm + 0.6);
    let bandpass_nm = narrowest.or(shape.map(|s| s.fwhm_nm())).or_else(|| {
        // No line to see it on: what the lamp photo's slit and this photo's focus come to.
        let width_um = inputs.calibration.and_then(|c| c.slit_width_um)?;
        let box_nm = optics.nm_of_slit(width_um, inputs.bench.slit_distance_mm);
        Some(box_gauss_fwhm(box_nm, overall? / px_per_nm))
    });
    m.metrics.set(Quantity::BandpassNm, bandpass_nm);
    let Some(narrowest) = narrowest else {
        continuum_ends(shot, m);
        return None;
    };
    let to_um = optics.um_per_nm(inputs.bench.slit_distance_mm);
    // No line is narrower than its slit, however the two are told apart from the blur.
    let widest_um = MOST_PER_WIDTH * narrowest * to_um;
    m.metrics.set(Quantity::SlitWidthAtMostUm, widest_um);
    // Over-exposure only widens the slit's own image: no line's box can be wider.
    let image_nm = survey.slit.width_px / rays.px_per_nm(0.0).unwrap_or(px_per_nm);
    if let (Some(blur), Some(own)) = (m.metrics.estimate(Quantity::BlurPx), lines.first()) {
        // What is out of focus is so in every direction: the line's own width bounds it.
        let most = own.fwhm_nm * px_per_nm / FWHM_PER_SIGMA;
        let blur = Estimate::new(blur.value.min(most), blur.sigma);
        m.metrics.note(Quantity::BlurPx, blur);
    }
    let at_narrowest = lines.first().and_then(|l| {
        let (path, half_nm) = (profile.sign * l.nm, 0.8 * l.fwhm_nm + 0.3);
        end_shape(frame, &rays, path, half_nm, beta, optics.focal_px)
    });
    let sharpest = sharpest_px(lines.first().map_or(550.0, |l| l.nm));
    let sure = at_narrowest.filter(|e| e.blur_sigma_px < SURE_ENDS_PX);
    let local = lines
        .first()
        .and_then(|l| rays.px_per_nm(profile.sign * l.nm));
    let narrowest_px = narrowest * local.unwrap_or(px_per_nm);
    if let Some(blur) = sure.map(|e| e.blur_px).or(overall).map(|b| b.max(sharpest))
        && blur < SOFT_COLOUR_PX
        && !in_glare(&survey.slit)
        && narrowest_px > OPEN_PER_FWHM * FWHM_PER_SIGMA * blur
        && (0.85..1.8).contains(&(image_nm / narrowest))
        && let Some(width_px) = box_of_fwhm(narrowest_px, blur)
        && width_px > OPEN_PX
    {
        // Far wider than the blur, and the slit's image is as wide: the line is the slit, whatever is blended into its foot.
        m.metrics.note(
            Quantity::SlitWidthUm,
            Estimate::new(
                width_px / narrowest_px * narrowest * to_um,
                0.12 * width_px / narrowest_px * narrowest * to_um,
            ),
        );
    }
    // Of a line whose wavelength is not known nobody can say whether it is two.
    let is_named = m
        .metrics
        .value(Quantity::WavelengthSigmaNm)
        .is_some_and(|sigma| sigma < NAMED_WITHIN_NM);
    let mut witnesses: Vec<Witness> = Vec::new();
    let mut smears: Vec<f64> = Vec::new();
    let mut sharpness: Vec<Sharp> = Vec::new();
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
        let is_open = line.fwhm_nm * local > 2.0 * FWHM_PER_SIGMA * ends_px;
        let alone = lamp.is_some() || (is_named && !may_be_a_pair(inputs.names, line, is_open));
        let flat = free.box_nm * local > OPEN_PX && free.box_nm > OPEN_PER_BLUR * free.sigma_nm;
        sharpness.push(Sharp {
            open_nm: (flat && alone && chi < 3.0).then_some(free.box_nm),
            ends: ends_px,
            ends_sigma,
            blur: free.sigma_nm * local,
            width: free.box_nm * local,
            fwhm: line.fwhm_nm * local,
            soft: if is_green(line.nm) {
                SOFT_PX
            } else {
                SOFT_COLOUR_PX
            },
        });
        let fwhm_px = free.fwhm_nm() * local;
        m.log.push(format!(
            "line at {:.1} nm: FWHM {fwhm_px:.2} px; ends blurred by {ends_px:.2} ± {ends_sigma:.2} px; free fit box {:.2} px and blur \
             {:.2} px (chi2 {chi:.1})",
            line.nm,
            free.box_nm * local,
            free.sigma_nm * local
        ));
        if alone {
            witnesses.push(Witness {
                nm: line.nm,
                fwhm_px,
                ends_px: Estimate::new(ends_px.max(sharpest_px(line.nm)), ends_sigma),
                px_per_nm: local,
                bin_px: profile.step_nm * local,
            });
        }
    }
    if sharpness.is_empty() {
        return None;
    }
    let sure_ends = sharpness.iter().filter(|s| s.ends_sigma < SURE_ENDS_PX);
    if let Some(ends) = sure_ends.map(|s| s.ends).min_by(f64::total_cmp) {
        m.metrics.set(Quantity::SharpestEndsPx, ends);
    }
    let clearest = sharpness
        .iter()
        .copied()
        .min_by(|a, b| (a.ends_sigma / a.ends).total_cmp(&(b.ends_sigma / b.ends)));
    let Sharp {
        ends,
        ends_sigma,
        blur,
        width,
        fwhm,
        ..
    } = clearest?;
    m.metrics.note(
        Quantity::BlurPx,
        Estimate::new(
            ends.min(fwhm / FWHM_PER_SIGMA),
            ends_sigma.hypot(0.05 * ends),
        ),
    );
    let slit_px = inputs
        .calibration
        .and_then(|c| c.slit_width_um)
        .map_or(1.0, |um| {
            optics.nm_of_slit(um, inputs.bench.slit_distance_mm) * px_per_nm
        });
    let along = smear_of_ends(Estimate::new(ends, ends_sigma), blur);
    let across = (width * width - slit_px * slit_px).max(0.0).sqrt();
    let smeared = smears.len() * 2 > sharpness.len();
    let sharp_px = inputs.calibration.map_or(0.0, |c| c.slit_image_px);
    // Of all lines together: one line's ends may have met dust.
    let weight = |s: &Sharp| s.ends_sigma.powi(-2);
    let weights: f64 = sharpness.iter().map(weight).sum();
    let mean_ends = sharpness.iter().map(|s| s.ends * weight(s)).sum::<f64>() / weights;
    let mean_fwhm = sharpness.iter().map(|s| s.fwhm * weight(s)).sum::<f64>() / weights;
    let mean_soft = sharpness.iter().map(|s| s.soft * weight(s)).sum::<f64>() / weights;
    if mean_ends > mean_soft
        && let Some(widened) = widened_evenly(mean_fwhm, sharp_px, mean_ends)
    {
        // Disc or bell, the line's width tells the blur as the ends do, to a fifth.
        let across = Estimate::new(widened / 2.9, 0.2 * widened / 2.9);
        m.metrics.note(
            Quantity::BlurPx,
            m.metrics
                .estimate(Quantity::BlurPx)
                .map(|along| weighted(along, across)),
        );
        m.metrics.note(Quantity::SlitWidthUm, None);
        m.lacks(Subject::SlitWidth, "out of focus, and the blur hides it");
        return None;
    }
    // A movement smears every line; soft ends of one faint line are its noise and its glare.
    let soft = sharpness
        .iter()
        .filter(|s| s.ends > s.soft && s.blur < 0.7 * s.ends)
        .filter(|s| smeared || s.ends - s.blur > 2.6 * s.ends_sigma)
        .count();
    // One line whose ends are not clear does not say so against the ends of the band.
    let borne_out = sharpness.len() > 1 || overall.is_none_or(|blur| blur > SOFT_PX);
    if 3 * soft >= 2 * sharpness.len() && borne_out {
        // The ends are soft, the lines are not, or only as a box is: the picture has moved along a line.
        let across = Estimate::new(across, BOX_SHARE * width);
        m.metrics
            .note(Quantity::MovedPx, movement(diagonal(along, across)));
        m.metrics.note(Quantity::SlitWidthUm, None);
        return None;
    }
    let open = "the blur is as wide as the slit and leaves it open";
    let flat_tops = sharpness
        .iter()
        .filter(|s| s.ends < s.soft)
        .filter_map(|s| s.open_nm);
    // Bad focus makes flat tops too; green light shows it first.
    let focused = sharpness
        .iter()
        .all(|s| s.soft > SOFT_PX || s.ends < SOFT_PX);
    let open_box = flat_tops
        .min_by(f64::total_cmp)
        .filter(|nm| focused && *nm < 1.1 * image_nm)
        .map(|nm| SlitBox {
            nm: Estimate::new(nm, OPEN_SHARE * nm),
            is_sure: true,
        });
    let Some(found) = open_box.or_else(|| slit_box(&witnesses, image_nm)) else {
        if !witnesses.is_empty() && m.metrics.estimate(Quantity::SlitWidthUm).is_none() {
            m.lacks(Subject::SlitWidth, open);
        }
        return None;
    };
    let width = found.nm.scaled(to_um);
    // Blades do not open between two photos: lines that did are smeared across.
    if let Some(known) = inputs.calibration.and_then(|c| c.slit_width_um)
        && found.is_sure
        && width.value > 1.6 * known
        && across > 4.0
    {
        let sigma = found.nm.sigma / found.nm.value * width.value / to_um * px_per_nm;
        let seen = Estimate::new(across, sigma);
        m.metrics.note(Quantity::MovedPx, movement(seen));
        m.metrics.note(Quantity::SlitWidthUm, None);
        return None;
    }
    if found.is_sure && width.sigma < LARGEST_WIDTH_SIGMA * width.value {
        m.metrics.note(Quantity::SlitWidthUm, width);
        return None;
    }
    if m.metrics.estimate(Quantity::SlitWidthUm).is_none() {
        m.lacks(Subject::SlitWidth, open);
    }
    Some(width)
}

/// Without lines, the slit's ends alone tell: an even ramp is a movement, a soft corner the focus. So is a ramp where the
/// slit's image has widened as much.
fn continuum_ends(shot: &Shot, m: &mut Measurement) {
    let Shot {
        frame,
        inputs,
        survey,
        beta,
        ..
    } = *shot;
    let (optics, profile) = (&shot.scale.optics, shot.profile());
    let brightest = (0..profile.len())
        .filter(|&i| profile.clipped[i] < 0.02)
        .max_by(|&a, &b| profile.light[a].total_cmp(&profile.light[b]));
    let Some(brightest) = brightest else { return };
    let path = profile.sign * profile.nm(brightest as f64);
    // A faint band has many ends that are none: two that agree are the slit's.
    let ends = end_shape(frame, &optics.rays(), path, 8.0, beta, optics.focal_px);
    let Some(ends) = ends.filter(|e| e.both) else {
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
    m.metrics.note(
        Quantity::BlurPx,
        Estimate::new(ends.blur_px, ends.blur_sigma_px.hypot(0.05 * ends.blur_px)),
    );
    let sharp_px = inputs.calibration.map_or(0.0, |c| c.slit_image_px);
    let even = widened_evenly(survey.slit.width_px, sharp_px, ends.blur_px);
    if let Some(smear) = ends.smear_px.filter(|_| even.is_none()) {
        let sigma = smear * ends.blur_sigma_px / ends.blur_px;
        let seen = Estimate::new(smear, sigma);
        m.metrics.note(Quantity::MovedPx, movement(seen));
    }
}

/// A smear that makes ends of this blur (standard deviation, with its uncertainty) of ones that were as sharp as `sharp`, px:
/// a twelfth of its square adds to theirs.
pub fn smear_of_ends(Estimate { value: ends, sigma }: Estimate, sharp: f64) -> Estimate {
    let value = (12.0 * (ends * ends - sharp * sharp).max(0.0)).sqrt();
    // Where the two are alike the smear is anything up to what their doubt allows.
    let most = (24.0 * ends * sigma).sqrt();
    Estimate::new(value, (12.0 * ends * sigma / value.max(1e-3)).min(most))
}

/// What of a movement is not seen, share of it: of one aslant the part across the slit, behind lines that are not sharp, and
/// the blur's own shape (drawn movements of 9 to 30 px: 0.7 to 1.05 of them is found).
const UNSEEN_SHARE: f64 = 0.25;

/// A movement as far as it is seen, px, with the uncertainty of what is not.
pub fn movement(seen: Estimate) -> Estimate {
    Estimate {
        sigma: seen.sigma.hypot(UNSEEN_SHARE * seen.value),
        ..seen
    }
}

/// A smear over so much along the slit and so much across it.
pub fn diagonal(along: Estimate, across: Estimate) -> Estimate {
    let value = along.value.hypot(across.value);
    let share = |e: Estimate| e.value / value.max(1e-3) * e.sigma;
    Estimate::new(value, share(along).hypot(share(across)))
}

/// The mean of two independent estimates, each weighed by its variance (common practice, no source).
pub fn weighted(a: Estimate, b: Estimate) -> Estimate {
    let (wa, wb) = (a.sigma.powi(-2), b.sigma.powi(-2));
    Estimate::new(
        (wa * a.value + wb * b.value) / (wa + wb),
        (wa + wb).sqrt().recip(),
    )
}

/// True where an element has two lines of like strength under one peak (mercury's yellow pair, sodium's): what looks
/// like a wide slit may be both.
fn may_be_a_pair(names: &[LampLine], peak: &Maximum, is_open: bool) -> bool {
    let under: Vec<&LampLine> = names
        .iter()
        .filter(|l| (l.wavelength_nm - peak.nm).abs() < 0.75 * peak.fwhm_nm + 0.3)
        .collect();
    let at_peak = |nm: f64| (nm - peak.nm).abs() < 0.25 * peak.fwhm_nm + 0.15;
    // Two lines nearer than a third of the width make a box no wider at half height: where one has ended the other still
    // gives half. What the blur has rounded they do widen.
    let apart = if is_open { 0.35 } else { 0.2 } * peak.fwhm_nm;
    let blend = under.iter().any(|l| {
        l.width_nm > 0.2 * peak.fwhm_nm && l.width_nm < peak.fwhm_nm && at_peak(l.wavelength_nm)
    });
    blend
        || under.iter().any(|a| {
            under.iter().any(|b| {
                let middle = (a.strength * a.wavelength_nm + b.strength * b.wavelength_nm)
                    / (a.strength + b.strength);
                element(a) == element(b)
                    && b.wavelength_nm - a.wavelength_nm > apart
                    && at_peak(middle)
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
