//! Slit, focus and movement of a photo, in numbers.

use crate::measure::light::lineshape::box_gauss_fwhm;
use crate::measure::portrait::ends::ends;
use crate::measure::portrait::explanation::{Explained, Known, explain, um_per_px};
use crate::measure::portrait::witness::{Witness, witnesses};
use crate::measure::shot::Shot;
use crate::terms::{Estimate, Measurement, Quantity, Subject};

/// A line's width at half height is known to this share (drawn photos).
pub const BANDPASS_SHARE: f64 = 0.05;
/// Lines are as wide as they are seen where that is more than is explained by so many standard uncertainties (coverage factor of 95 %,
/// GUM 6.3.3).
pub const CLEARLY: f64 = 2.0;
/// A line alone may be two: only so many are taken for as wide as they are seen.
const LEAST_SEEN: usize = 2;
/// Where a width in nm is made one in px, nm.
const MIDDLE_NM: f64 = 550.0;
/// What is more probable than not is said.
const PROBABLE: f64 = 0.5;
/// The slit's image smeared aslant: its two ends bend to opposite sides by so many times the scatter of its middle line, between
/// these px. (Drawn photos that had not moved: 0.3 px nearly all, 2.9 px at most, of a bulb over-exposed out of all measure.)
const SHEARED_SIGMAS: f64 = 6.0;
const LEAST_SHEARED_PX: f64 = 2.5;
const SHEARED_PX: f64 = 4.0;
/// Ends softer than this, px, and than the lamp photo's by this factor, where the slit is lit as far as there: moved along.
const SOFT_PX: f64 = 3.5;
const SOFTER: f64 = 2.0;
/// The slit is lit as far as in the lamp photo from this share on.
const FULLY_LIT: f64 = 0.95;
/// What of a movement is not seen, share of it: of one aslant the part across the slit, behind lines that are not sharp, and
/// the blur's own shape (drawn movements of 9 to 30 px: 0.7 to 1.05 of them is found).
const UNSEEN_SHARE: f64 = 0.25;
/// A smear adds a twelfth of its square to the ends' variance.
const SMEAR_PER_SIGMA: f64 = 3.464;

/// Takes down the slit's width, the bandpass, the blur, and what has moved.
pub fn sharpness(shot: &Shot, m: &mut Measurement) {
    let lines = witnesses(shot);
    let ends = ends(shot.survey);
    let known = shot.inputs.calibration.and_then(|c| {
        Some(Known {
            width: Estimate::new(c.slit_width_um?, c.slit_width_sigma_um?),
            at_most: c.slit_width_at_most_um?,
        })
    });
    let explained = explain(shot, &lines, &ends, known);
    bandpass(shot, &lines, &explained, m);
    m.log.push(format!(
        "slit {:.0} ± {:.0} µm, blur {:.2} ± {:.2} px by {} lines and {} ends, which are softer by {}",
        explained.width_um.value,
        explained.width_um.sigma,
        explained.blur_px.value,
        explained.blur_px.sigma,
        lines.len(),
        ends.len(),
        match explained.soft_px {
            Some(soft) => format!("{:.1} ± {:.1} px", soft.value, soft.sigma),
            None => "nothing that is seen".into(),
        }
    ));
    if let Some(changed) = explained.changed {
        m.log.push(format!(
            "wider than the bench's slit with a probability of {changed:.3}; its image {:.1} px, climbing over {:.1} px",
            shot.survey.slit.width_px, shot.survey.slit.rise_px
        ));
    }
    if !lines.iter().any(Witness::is_a_line) && ends.is_empty() {
        m.lacks(Subject::Blur, "no line and no end of the slit is clear");
    } else {
        m.metrics.note(Quantity::BlurPx, explained.blur_px);
    }
    m.metrics.set(
        Quantity::EndBlurPx,
        explained.soft_px.map(|soft| soft.value),
    );
    m.metrics
        .set(Quantity::EndShearPx, shot.survey.slit.end_shear_px);
    m.metrics.set(Quantity::LitShare, lit_share(shot));
    m.metrics.note(Quantity::SlitWidthUm, explained.width_um);
    m.metrics
        .note(Quantity::LineWidthPx, line_width(shot, &lines, &explained));
    m.metrics.set(Quantity::LineBlurShare, explained.blur_share);
    m.metrics.set(Quantity::SlitUmPerPx, um_per_px(shot));
    m.metrics
        .set(Quantity::SlitWidthAtMostUm, explained.at_most_um);
    moved(shot, &explained, m);
}

/// Length of the slit's image over that in the lamp photo, at most 1; absent where either is not clear.
fn lit_share(shot: &Shot) -> Option<f64> {
    let whole_px = shot.inputs.calibration?.slit_length_px?;
    Some((shot.survey.slit_length_px()? / whole_px).min(1.0))
}

/// Width at half height of the narrowest line of the measured order; without one, what the explanation makes of it.
fn bandpass(shot: &Shot, lines: &[Witness], explained: &Explained, m: &mut Measurement) {
    let sign = shot.profile().sign;
    // What may be a pair tells only where nothing else does: it may as well be one line.
    let (pairs, single): (Vec<&Witness>, Vec<&Witness>) =
        own_lines(shot, lines).partition(|l| l.may_be_a_pair());
    let narrowest = narrowest_nm(&single).or_else(|| narrowest_nm(&pairs));
    let by_shape = || Some(shot.shape?.fwhm_nm());
    let drawn = || {
        let um_per_nm = shot
            .scale
            .optics
            .um_per_nm(shot.inputs.bench.slit_distance_mm);
        let px_per_nm = shot.scale.optics.rays().px_per_nm(sign * MIDDLE_NM)?;
        let blur_nm = explained.blur_px.value / px_per_nm;
        Some(box_gauss_fwhm(
            explained.width_um.value / um_per_nm,
            blur_nm,
        ))
    };
    let fwhm_nm = narrowest.or_else(by_shape).or_else(drawn);
    let bandpass = fwhm_nm.map(|nm| Estimate::new(nm, BANDPASS_SHARE * nm));
    m.metrics.note(Quantity::BandpassNm, bandpass);
}

/// The lines of the measured order.
fn own_lines<'l>(shot: &Shot, lines: &'l [Witness]) -> impl Iterator<Item = &'l Witness> {
    let sign = shot.profile().sign;
    let own = lines.iter();
    own.filter(move |l| l.is_a_line() && l.path_nm * sign > 0.0)
}

fn narrowest_nm(lines: &[&Witness]) -> Option<f64> {
    let widths = lines.iter().map(|l| l.one_line_nm());
    widths.min_by(f64::total_cmp)
}

/// Width of a line, px: by slit and blur as they are explained; of a lamp whose lines are known, as the measured order has them where
/// that is clearly wider. The order may be out of focus where the slit's own image is not, and what is seen of one line is so wide
/// whatever explains it. Of other lights nobody knows what is one line.
fn line_width(shot: &Shot, lines: &[Witness], explained: &Explained) -> Estimate {
    let Some(shape) = shot.shape.filter(|_| shot.lamp.is_some()) else {
        return explained.line_px;
    };
    let own: Vec<&Witness> = own_lines(shot, lines).collect();
    let seen_nm = narrowest_nm(&own).filter(|_| own.len() >= LEAST_SEEN);
    let seen_nm = seen_nm.unwrap_or_else(|| shape.fwhm_nm());
    let rays = shot.scale.optics.rays();
    let px_per_nm = rays.px_per_nm(shot.profile().sign * MIDDLE_NM);
    let least_px = explained.line_px.value + CLEARLY * explained.line_px.sigma;
    match px_per_nm.map(|px_per_nm| seen_nm * px_per_nm) {
        Some(px) if px > least_px => Estimate::new(px, BANDPASS_SHARE * px),
        _ => explained.line_px,
    }
}

/// Has the picture moved during the exposure?
fn moved(shot: &Shot, explained: &Explained, m: &mut Measurement) {
    let slit = &shot.survey.slit;
    let bent = slit.end_shear_px;
    let clear = (SHEARED_SIGMAS * slit.scatter_px).clamp(LEAST_SHEARED_PX, SHEARED_PX);
    let soft = explained.soft_px.unwrap_or(Estimate::new(0.0, 0.0));
    let along_px = SMEAR_PER_SIGMA * soft.value;
    let mut smear_px = 0.0f64;
    if bent > clear {
        smear_px = (2.0 * bent).hypot(along_px);
    }
    if softer_than_its_lamp(shot, soft)
        && m.metrics
            .value(Quantity::LitShare)
            .is_none_or(|s| s > FULLY_LIT)
    {
        smear_px = smear_px.max(along_px);
    }
    // Lines or the slit's image wider than the bench's slit makes them.
    let is_wider = explained.changed.is_some_and(|p| p > PROBABLE);
    let across_px = is_wider.then_some(explained.changed_px.value);
    let straight = across_px.is_some() && smear_px == 0.0;
    smear_px = smear_px.hypot(across_px.unwrap_or(0.0));
    if smear_px > 0.0 {
        let movement = Estimate::new(smear_px, UNSEEN_SHARE * smear_px);
        m.metrics.note(Quantity::MovedPx, movement);
    }
    if let Some(px) = across_px {
        let um = px * um_per_px(shot);
        // Straight across, nothing tells it from a slit that was opened since the lamp photo.
        if straight {
            let if_still = Estimate::new(um, explained.changed_px.sigma / px * um);
            m.metrics.note(Quantity::SlitWidthIfStillUm, if_still);
        }
        // The slit itself is anything up to that.
        let own = Estimate::new(0.5 * um, um / 12f64.sqrt());
        m.metrics.note(Quantity::SlitWidthUm, own);
        m.metrics.set(Quantity::SlitWidthAtMostUm, um);
    }
}

/// True where the slit's ends are softer than those of the lamp photo, and beyond doubt.
fn softer_than_its_lamp(shot: &Shot, soft: Estimate) -> bool {
    let lamp_px = shot.inputs.calibration.and_then(|c| c.end_blur_px);
    lamp_px.is_some_and(|lamp| soft.value - soft.sigma > SOFT_PX.max(SOFTER * lamp))
}
