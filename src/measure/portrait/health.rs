//! The instrument's and the photo's health in numbers: saturation, noise, slit, focus, movement, stray light.

use crate::measure::light::exposure::{clipped_line_share, exposure};
use crate::measure::light::profile::{Order, Profile};
use crate::measure::portrait::dust::dust;
use crate::measure::portrait::focus::along;
use crate::measure::portrait::sharpness::{BANDPASS_SHARE, sharpness};
use crate::measure::portrait::smear::SOFT_COLOUR_PX;
use crate::measure::portrait::wedge::wedge;
use crate::measure::shot::Shot;
use crate::measure::sight::{Bar, Stray};
use crate::terms::{
    Code, Estimate, Finding, Interval, Measurement, Point, Quantity, Reading, Severity, Subject,
    median,
};

/// Of the better order so much is seen of this light, nm (no source).
const WORTH_NM: std::ops::Range<f64> = 420.0..680.0;
/// An order is cut off where the picture lacks some of this light, nm (no source).
const ORDER_NM: std::ops::Range<f64> = 400.0..700.0;
/// Exposure is told of this light, nm: what phones see (no source).
const EXPOSED_NM: std::ops::Range<f64> = 395.0..705.0;
/// Where an order's sampling and smear are told, nm: its middle.
const MIDDLE_NM: f64 = 550.0;
/// Glare of the slit's image reaches so far, in focal lengths (no source).
const GLARE_SHARE: f64 = 0.16;
/// Sampling, px per nm, and blur, px, where they are not known (no source).
const USUAL_PX_PER_NM: f64 = 2.0;
const USUAL_BLUR_PX: f64 = 1.5;

/// Index of the order to measure: bright, and not cut off by the picture's edge.
pub fn better_order(both: &[Order]) -> usize {
    let worth = |order: &Order| -> f64 {
        let p = &order.profile;
        let covered =
            p.within(WORTH_NM).count() as f64 * p.step_nm / (WORTH_NM.end - WORTH_NM.start);
        p.total_light() * covered * covered
    };
    usize::from(worth(&both[1]) > worth(&both[0]))
}

/// An order of which so much, as a share of 400 to 700 nm, lies outside the picture is cut off; of one that is gone altogether
/// nobody knows whether it was brighter (no source).
const CUT_SHARE: std::ops::Range<f64> = 0.08..0.85;
/// What is left of the brighter order has so much of the other's light at least.
const LEFT_OF_BRIGHTER: f64 = 0.75;
/// Several times what a phone turns about the grooves by itself between two shots, degrees.
const TURNED_DEG: f64 = 4.0;

/// The brighter order runs off the picture and the weaker one had to serve: the picture is badly placed, not one-sided.
///
/// `turned_deg` is how far the phone has turned about the grooves since the lamp photo, where there is one.
pub fn stronger_order_cut(shot: &Shot, turned_deg: Option<f64>) -> Option<Finding> {
    let (own, other) = (shot.profile(), shot.other());
    let cut = cropped_share(other);
    let brighter =
        CUT_SHARE.contains(&cut) && other.total_light() >= LEFT_OF_BRIGHTER * own.total_light();
    let turned = cut > CUT_SHARE.start && turned_deg.is_some_and(|t| t.abs() > TURNED_DEG);
    if !brighter && !turned {
        return None;
    }
    let percent = format!("{:.0}", 100.0 * cut);
    let measured = format!("{percent} % of the other order outside the picture");
    let finding = Finding::new(Code::Cropped, Severity::Retake, measured);
    Some(finding.with("amount_percent", percent))
}

/// Share of 400–700 nm that lies outside the picture in an order, 0…1.
fn cropped_share(profile: &Profile) -> f64 {
    let seen = profile.within(ORDER_NM).count();
    (1.0 - seen as f64 * profile.step_nm / (ORDER_NM.end - ORDER_NM.start)).max(0.0)
}

/// How evenly a phone lights its picture after its own correction, side against side (common practice, no source).
const EVEN_SHARE: f64 = 0.05;

/// Light of one order over another's.
fn balance(other: &Profile, own: &Profile) -> Estimate {
    let sum = |p: &Profile| -> (f64, f64) {
        let light = p.total_light().max(1e-12);
        let noise = p.sigma.iter().map(|s| s * s).sum::<f64>().sqrt();
        (light, noise / light)
    };
    let ((a, share_a), (b, share_b)) = (sum(other), sum(own));
    Estimate::new(a / b, a / b * share_a.hypot(share_b).hypot(EVEN_SHARE))
}

/// Share of the lit spectrum from which on it is over-exposed enough for its slit's image to be glare.
const MOST_CLIPPED: f64 = 0.05;

/// Tilt and skew are known to this, degrees, at best: which part of the slit and of the pupil a lamp lights moves the slit's ends in
/// the orders (drawn photos, and photos that another program drew: 0.1 in the median, however sure the ends are).
const ANGLE_DEG: f64 = 0.12;

/// Of a slit that runs off the picture this share counts as cropped: how much is missing cannot be seen (no source).
const CUT_SLIT_SHARE: f64 = 0.25;
/// Orders of which more than this lies outside the picture are not compared in their light.
const MOST_CROPPED: f64 = 0.3;

/// Fills in the metrics.
pub fn metrics(shot: &Shot, m: &mut Measurement) {
    let Shot { inputs, survey, .. } = *shot;
    let (optics, profile) = (&shot.scale.optics, shot.profile());
    let sign = profile.sign;
    let visible: Vec<usize> = profile.within(EXPOSED_NM).collect();
    let top = visible
        .iter()
        .map(|&i| profile.light[i])
        .fold(0.0f64, f64::max);
    let px_per_nm = optics
        .rays()
        .px_per_nm(sign * MIDDLE_NM)
        .unwrap_or(USUAL_PX_PER_NM);
    let scale_sigma_nm = m.metrics.value(Quantity::WavelengthSigmaNm);
    let sampling = Reading {
        value: 1.0 / px_per_nm,
        sigma: scale_sigma_nm.map(|sigma_nm| sigma_nm / MIDDLE_NM / px_per_nm),
    };
    m.metrics.put(Quantity::NmPerPx, Some(sampling));
    m.order_side = Some(side(optics.roll_rad, sign));
    m.metrics.note(
        Quantity::TiltDeg,
        Estimate::new(
            optics.tilt_rad().to_degrees(),
            shot.scale.roll_sigma_rad.to_degrees().hypot(ANGLE_DEG),
        ),
    );
    m.metrics.note(
        Quantity::SkewDeg,
        Estimate::new(
            optics.skew_rad().to_degrees(),
            (shot.scale.skew_sigma * optics.skew_per_slope())
                .to_degrees()
                .hypot(ANGLE_DEG),
        ),
    );
    exposure(profile, &visible, top, m);
    if !visible.is_empty() {
        m.metrics.set(Quantity::SlitImagePx, survey.slit.width_px);
        m.metrics
            .set(Quantity::SlitImageRisePx, survey.slit.rise_px);
    }
    // A slit that runs off the picture is cropped as well.
    let cut = if survey.slit_is_cut() {
        CUT_SLIT_SHARE
    } else {
        0.0
    };
    let cropped = cropped_share(profile);
    let cropped = Reading {
        value: cropped.max(cut),
        // The picture ends at a wavelength that is known as well as the scale.
        sigma: (cropped >= cut)
            .then(|| scale_sigma_nm.unwrap_or(0.0) / (ORDER_NM.end - ORDER_NM.start)),
    };
    m.metrics.put(Quantity::CroppedFraction, Some(cropped));
    let other = shot.other();
    if cropped_share(other) < MOST_CROPPED {
        m.metrics
            .note(Quantity::OrderBalance, balance(other, profile));
    }
    sharpness(shot, m);
    let lamp_fwhm_nm = inputs.calibration.and_then(|c| c.line_fwhm_nm);
    if let Some(fwhm_nm) = m.metrics.value(Quantity::BandpassNm).or(lamp_fwhm_nm) {
        let share = clipped_line_share(profile, fwhm_nm);
        // Where it begins and ends lies somewhere between two pixels each.
        let ends = 2f64.sqrt() / 12f64.sqrt() / px_per_nm / fwhm_nm;
        let sigma = ends.hypot(BANDPASS_SHARE * share);
        let share = Estimate::new(share, if share > 0.0 { sigma } else { 0.0 });
        m.metrics.note(Quantity::ClippedLineShare, share);
    }
    blades(shot, m);
    let cell = survey.map.cell_px as f64;
    let bar = Bar {
        centre: Point::new(survey.slit.centre.x / cell, survey.slit.centre.y / cell),
        half_length: survey.slit.half_length_px / cell,
        across_rad: optics.roll_rad,
        glare: GLARE_SHARE * optics.focal_px / cell,
    };
    let stray = Stray::beside(&survey.map, &bar);
    if let Some(stray) = &stray {
        stray.note_place(m);
    }
    let (stray, stray_sigma) = stray.map_or((0.0, 0.0), |stray| (stray.level, stray.level_sigma));
    let beside = median(visible.iter().map(|&i| profile.background[i])).unwrap_or(0.0);
    // What is brightest beside the band itself may be brighter still behind it.
    if beside > HIDDEN_SHARE * stray {
        m.metrics.set(Quantity::LeakX, None);
        m.metrics.set(Quantity::LeakY, None);
    }
    let level = Estimate::new(stray.max(beside), stray_sigma);
    m.metrics.note(Quantity::BackgroundLevel, level);
    m.metrics.set(Quantity::BackgroundBesideBand, beside);
}

/// Stray light beside the band of so much of the level elsewhere may have its brightest place behind the band.
const HIDDEN_SHARE: f64 = 0.8;
/// So many times its uncertainty, a wedge is one…
const CLEAR_WEDGE: f64 = 2.0;
/// …otherwise, known less well than to this share of the slit's width, it is not a measurement.
const LARGEST_WEDGE_SHARE: f64 = 0.5;

/// Places nearer to each other than this share of the slit's length are told apart where its blades can be judged.
const SMEARED_SHARE: f64 = 0.1;

/// Are the slit's blades parallel, and clean?
fn blades(shot: &Shot, m: &mut Measurement) {
    let Shot {
        frame,
        inputs,
        survey,
        beta,
        ..
    } = *shot;
    let (optics, order) = (&shot.scale.optics, shot.order());
    let blur = m.metrics.estimate(Quantity::BlurPx);
    let is_blurred = blur.is_none_or(|b| b.value > SOFT_COLOUR_PX);
    if is_blurred || m.metrics.has(Quantity::MovedPx) {
        m.lacks(Subject::Blades, "the picture is not sharp");
        return;
    }
    let smear_px = along(shot, order.profile.sign * MIDDLE_NM);
    if smear_px > SMEARED_SHARE * beta.width() * optics.focal_px {
        let why =
            format!("the disc's round grooves smear the slit along itself, over {smear_px:.0} px");
        m.lacks(Subject::Blades, why);
        return;
    }
    let (profile, rays) = (&order.profile, optics.rays());
    let to_um = optics.um_per_nm(inputs.bench.slit_distance_mm);
    let blur_px = blur.map_or(USUAL_BLUR_PX, |b| b.value);
    let slit_um = m.metrics.estimate(Quantity::SlitWidthUm);
    let wedge = slit_um.and_then(|slit| {
        let bandpass_nm = m.metrics.value(Quantity::BandpassNm)?;
        let blur_nm = blur_px / rays.px_per_nm(profile.sign * MIDDLE_NM)?;
        let slit = Estimate::new(slit.value / to_um, slit.sigma / to_um);
        let found = wedge(&order.slabs, profile, slit, bandpass_nm, blur_nm)?;
        // As seen: towards the bottom of the picture, or where the slit lies, towards its right.
        let (low, high) = (
            rays.pixel_of_path(0.0, beta.low)?,
            rays.pixel_of_path(0.0, beta.high)?,
        );
        let (dx, dy) = (high.x - low.x, high.y - low.y);
        let onwards = if dy.abs() >= dx.abs() { dy } else { dx };
        let seen = Estimate::new(found.value * to_um * onwards.signum(), found.sigma * to_um);
        m.log.push(format!(
            "wedge {:.1} ± {:.1} µm for a slit of {:.0} ± {:.0} µm",
            seen.value,
            seen.sigma,
            slit.value * to_um,
            slit.sigma * to_um
        ));
        let is_told = found.sigma < LARGEST_WEDGE_SHARE * slit.value
            || found.value.abs() > CLEAR_WEDGE * found.sigma;
        is_told.then_some(seen)
    });
    match wedge {
        Some(wedge) => m.metrics.note(Quantity::SlitWedgeUm, wedge),
        None => m.lacks(
            Subject::Wedge,
            "no line is sharp and bright enough to show it",
        ),
    }
    // Beside an over-exposed line there is only its glare, which is smooth.
    let is_legible = m
        .metrics
        .value(Quantity::ClippedFraction)
        .is_none_or(|c| c < MOST_CLIPPED);
    let is_whole = !survey.slit_is_cut();
    let found = dust(frame, &rays, profile, beta, optics.focal_px, blur_px);
    match found.filter(|_| is_legible && is_whole) {
        Some(dust) => {
            m.metrics.note(Quantity::DustShare, dust.share);
            m.metrics
                .set(Quantity::DustStreaks, dust.streaks.len() as f64);
            let ends = Interval::new(
                profile.nm(0.0).max(ORDER_NM.start),
                profile.nm(profile.len() as f64).min(ORDER_NM.end),
            );
            let along = |height: f64| -> Vec<Point> {
                (0..=8)
                    .map(|i| ends.at(f64::from(i) / 8.0))
                    .filter_map(|nm| rays.pixel_of_path(profile.sign * nm, height))
                    .collect()
            };
            m.drawing.streaks = dust.streaks.iter().map(|s| along(s.0)).collect();
            for (height, depth) in dust.streaks {
                m.log.push(format!(
                    "a streak at {height:.5} takes {:.0} % of the light",
                    100.0 * depth
                ));
            }
        }
        None => m.lacks(
            Subject::Dust,
            "too little of the spectrum is lit evenly and not clipped",
        ),
    }
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
