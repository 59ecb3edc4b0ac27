//! One photo, from its frame to everything that can be said of it.

use std::sync::Arc;

use crate::decode::Facts;
use crate::frame::Frame;
use crate::measure::light::lineshape::LineShape;
use crate::measure::light::profile::{Profile, slabs};
use crate::measure::light::spectrum_peaks;
use crate::measure::optics::adjust::{N, index};
use crate::measure::optics::anchor::{TURNS_DEG, anchor, calibration_sigma};
use crate::measure::portrait::health;
use crate::measure::scale::evidence::scale_sigma;
use crate::measure::scale::lamp_photo::{measure_lamp, other_focal_length};
use crate::measure::scale::{Order, UNEVEN_SHARE};
use crate::measure::sight::map::Map;
use crate::measure::sight::plausible::{Familiar, NoSight};
use crate::measure::sight::stray;
use crate::measure::sight::survey::{Survey, cut_off, lit_direction, look, survey};
use crate::terms::{
    Bench, Calibration, Capture, Code, Drawing, DrawnLine, Finding, Lamp, LampLine, Measurement,
    Optics, Point, Quantity, ScaleKind, Severity, Spectrum, SpectrumRow, Subject,
};

/// So many ends of the slit, seen in different colours at the expected places, leave no doubt about the grating.
const CLEAR_EDGES: usize = 8;

/// What a photo is measured with.
pub struct Inputs<'a> {
    /// The instrument, as the configuration states it.
    pub bench: &'a Bench,
    /// What the file says.
    pub facts: &'a Facts,
    /// What the photo is for.
    pub capture: Capture,
    /// Lamps a calibration photo may show: one, or all for `auto`.
    pub lamps: Vec<&'a Lamp>,
    /// Lamps that a wrong one is compared with, to say what it looks like.
    pub others: &'a [Lamp],
    /// Published lines by which peaks are named.
    pub names: &'a [LampLine],
    /// The scale of the bench, from one of its lamp photos.
    pub calibration: Option<&'a Calibration>,
    /// Range of the spectrum, nm.
    pub range_nm: (f64, f64),
    /// Step of the spectrum, nm.
    pub step_nm: f64,
}

/// Measures a photo. Never fails: what cannot be measured is said in the result.
pub fn measure(frame: &Frame, inputs: &Inputs) -> Measurement {
    let mut m = Measurement::default();
    if inputs.capture == Capture::Dark {
        stray::dark(frame, &mut m);
        return m;
    }
    let focal_px = inputs
        .calibration
        .map(|c| c.optics.focal_px)
        .or(inputs.facts.focal_px());
    let spacings = match inputs.calibration {
        Some(c) => vec![c.optics.groove_spacing_nm],
        None => inputs.bench.groove_spacings_nm.clone(),
    };
    let map = Arc::new(Map::new(frame));
    let familiar = Familiar::of(inputs.calibration, frame);
    let refuse = |m: &mut Measurement, why: NoSight| {
        let outside = cut_off(
            frame,
            &map,
            inputs.calibration.map(|c| &c.optics),
            inputs
                .calibration
                .and_then(|c| lit_direction(c, inputs.facts)),
            focal_px,
            &spacings,
        );
        let hidden_nm = inputs
            .calibration
            .filter(|_| outside.is_none() && familiar.has_lines_only(&map))
            .map(without_slit_nm);
        match hidden_nm {
            Some(sigma_nm) => slit_hidden(m, sigma_nm),
            None => nothing_to_measure(m, why, outside),
        }
    };
    let sight = match look(frame, &map, focal_px, &familiar, &mut m.log) {
        Ok(sight) => sight,
        Err(why) => {
            refuse(&mut m, why);
            return m;
        }
    };
    // The grating whose band shows more of the slit's ends is tried first.
    let mut surveys: Vec<Survey> = Vec::new();
    for &spacing in &spacings {
        let here = survey(frame, &sight, spacing);
        let clear = here.edges.low.len() + here.edges.high.len() >= CLEAR_EDGES;
        surveys.push(here);
        if clear {
            break;
        }
    }
    surveys.sort_by_key(|s| std::cmp::Reverse(s.edges.low.len() + s.edges.high.len()));
    if let Some(first) = surveys.first() {
        let (agreeing, seen) = first.agreeing_ends();
        m.log.push(format!(
            "the slit's ends are seen in {seen} places along the band, {agreeing} of them at its height"
        ));
        if let Some(why) = first.doubt() {
            let veil = first.veil();
            refuse(&mut m, NoSight { why, veil });
            return m;
        }
    }
    if inputs.capture == Capture::Calibration {
        measure_lamp(frame, inputs, &surveys, &mut m);
    } else if !surveys.is_empty() {
        measure_light(frame, inputs, surveys.swap_remove(0), &mut m);
    }
    m
}

/// No spectrum to measure: `outside` is the share of it that lies off the picture, where that is why.
fn nothing_to_measure(m: &mut Measurement, sight: NoSight, outside: Option<f64>) {
    if let Some(outside) = outside {
        let outside = format!("{:.0}", 100.0 * outside);
        let measured = format!("{outside} % of the spectrum outside the picture");
        m.lacks(Subject::Everything, &measured);
        let mut f = finding(Code::Cropped, Severity::Retake, &measured, "");
        f.slots.insert("amount_percent", outside);
        m.findings.push(f);
        return;
    }
    m.metrics.set(Quantity::BackgroundLevel, sight.veil);
    m.lacks(Subject::Everything, &sight.why);
    let mut f = finding(Code::NoSpectrum, Severity::Retake, &sight.why, "");
    f.slots.insert("found", sight.why);
    m.findings.push(f);
}

/// A spectrum without the slit's image: no wavelength can be given better than to `sigma_nm`.
fn slit_hidden(m: &mut Measurement, sigma_nm: f64) {
    let measured =
        format!("the slit's image is hidden or off the picture: scale known to ± {sigma_nm:.0} nm");
    m.lacks(Subject::Scale, &measured);
    let mut f = finding(Code::PoorFit, Severity::Retake, &measured, "");
    f.slots.insert("hidden_nm", format!("{sigma_nm:.0}"));
    m.findings.push(f);
}

/// A picture that was cut after it was taken: no scale holds for it, and what was cut off nobody knows.
pub fn refuse_cut(m: &mut Measurement, how: &str) {
    m.spectrum = None;
    m.scale_kind = None;
    m.peaks.clear();
    // Both are of a spectrum that was looked for in the wrong place.
    m.metrics.set(Quantity::Snr, None);
    m.metrics.set(Quantity::PeakLevel, None);
    m.lacks(Subject::Scale, how);
    m.findings.retain(|f| f.code != Code::Cropped);
    let mut cropped = finding(Code::Cropped, Severity::Retake, how, "");
    let mut sentence = how.to_owned();
    sentence[..1].make_ascii_uppercase();
    cropped.slots.insert("cut", sentence);
    m.findings.push(cropped);
}

/// A finding without slots.
pub fn finding(code: Code, severity: Severity, measured: &str, limit: &str) -> Finding {
    Finding {
        code,
        severity,
        measured: measured.into(),
        limit: limit.into(),
        slots: Default::default(),
    }
}

pub(super) fn orders(
    frame: &Frame,
    optics: &Optics,
    beta: (f64, f64),
    range: (f64, f64),
    step: f64,
) -> Vec<Order> {
    let rays = optics.rays();
    [-1.0, 1.0]
        .into_iter()
        .map(|sign| {
            let slabs = slabs(frame, &rays, sign, range, step, beta);
            let profile = slabs.profile(&rays);
            Order { slabs, profile }
        })
        .collect()
}

/// No phone is laid down again so far off, degrees: at 405 nm a line is 14.7° from the slit of a coarse disc.
const ELSEWHERE_DEG: f64 = 12.0;

/// True where what stands for the slit's image lies so far off that it must be one of the lines, the slit's own being hidden.
fn is_a_line_taken_for_the_slit(
    frame: &Frame,
    calibration: &Calibration,
    survey: &Survey,
    m: &Measurement,
) -> bool {
    let turned = m.metrics.value(Quantity::YawDriftDeg);
    let bench = Familiar::of(Some(calibration), frame);
    turned.is_some_and(|deg| deg.abs() > ELSEWHERE_DEG)
        && bench.has_lines_only(&survey.map)
        && bench.has_line_too_near(&survey.map, &survey.optics.rays())
}

/// No zoom and no other phone makes the slit's image so many times as long.
const QUITE_ANOTHER_LENGTH: f64 = 3.0;

/// True where what stands for the slit's image lies far off and is far too long or too short: a window's frame, a table's edge.
fn is_no_slit_of_the_bench(calibration: &Calibration, survey: &Survey, m: &Measurement) -> bool {
    let turned = m.metrics.value(Quantity::YawDriftDeg);
    let times = match (survey.slit_length_px(), calibration.slit_length_px) {
        (Some(own), Some(lamp)) => (own / lamp).max(lamp / own),
        _ => 1.0,
    };
    turned.is_some_and(|deg| deg.abs() > ELSEWHERE_DEG) && times > QUITE_ANOTHER_LENGTH
}

/// How well wavelengths are known without the slit's image, nm: as a phone is laid down again.
fn without_slit_nm(calibration: &Calibration) -> f64 {
    calibration.optics.groove_spacing_nm * TURNS_DEG.to_radians()
}

fn measure_light(frame: &Frame, inputs: &Inputs, survey: Survey, m: &mut Measurement) {
    let Some(calibration) = inputs.calibration else {
        provisional(frame, inputs, &survey, m);
        return;
    };
    m.findings
        .extend(other_focal_length(&calibration.optics, inputs.facts));
    match anchor(&survey, calibration, inputs.facts, m) {
        Some(_) if is_a_line_taken_for_the_slit(frame, calibration, &survey, m) => {
            m.metrics.set(Quantity::YawDriftDeg, None);
            slit_hidden(m, without_slit_nm(calibration));
        }
        Some(_) if is_no_slit_of_the_bench(calibration, &survey, m) => {
            m.metrics.set(Quantity::YawDriftDeg, None);
            let why =
                "a bright bar of quite another length than the slit, and elsewhere".to_owned();
            nothing_to_measure(m, NoSight::nothing(why), None);
        }
        Some(anchored) => {
            m.scale_kind = Some(ScaleKind::Calibrated);
            let pose = (
                anchored.sigma(index::ROLL),
                anchored
                    .sigma(index::SKEW)
                    .hypot(calibration_sigma(calibration, index::SKEW)),
            );
            let sigma_at = |path: f64| anchored.scale_sigma(path);
            finish(
                frame,
                inputs,
                &survey,
                &anchored.optics,
                &sigma_at,
                pose,
                None,
                None,
                m,
            );
        }
        None => {
            m.lacks(
                Subject::Scale,
                "the slit's image does not fit the bench's instrument",
            );
            provisional(frame, inputs, &survey, m);
        }
    }
}

/// A scale from the stated focal length and groove spacing alone.
pub(super) fn provisional(frame: &Frame, inputs: &Inputs, survey: &Survey, m: &mut Measurement) {
    let optics = survey.optics.clone();
    let mut covariance = vec![vec![0.0; N]; N];
    let focal_sigma = if survey.focal_known { 0.04 } else { 0.2 } * optics.focal_px;
    covariance[index::FOCAL][index::FOCAL] = focal_sigma * focal_sigma;
    covariance[index::K1][index::K1] = 0.015f64.powi(2);
    covariance[index::YAW][index::YAW] = 1.2f64.to_radians().powi(2);
    let skew_sigma = survey.roll_sigma_rad.hypot(0.05f64.to_radians());
    if survey.focal_known {
        m.scale_kind = Some(ScaleKind::Provisional);
    }
    let sigma_at = |path: f64| scale_sigma(&optics, survey.slit.centre, &covariance, path);
    finish(
        frame,
        inputs,
        survey,
        &optics,
        &sigma_at,
        (survey.roll_sigma_rad, skew_sigma),
        None,
        None,
        m,
    );
    if !survey.focal_known {
        m.spectrum = None;
        m.peaks.clear();
        m.lacks(
            Subject::Scale,
            "no lamp photo, and the file does not state the focal length",
        );
    }
}

/// Spectrum, peaks, metrics and drawing on a given scale.
#[allow(clippy::too_many_arguments)]
pub(super) fn finish(
    frame: &Frame,
    inputs: &Inputs,
    survey: &Survey,
    optics: &Optics,
    path_sigma: &dyn Fn(f64) -> Option<f64>,
    (roll_sigma, skew_sigma): (f64, f64),
    shape: Option<LineShape>,
    lamp: Option<&Lamp>,
    m: &mut Measurement,
) {
    let beta = {
        // The extent was measured about the survey's middle; the optics may have another.
        let old = survey.optics.rays();
        let new = optics.rays();
        let at = |b: f64| old.pixel_of_path(0.0, b).map(|p| new.height(p));
        match (at(survey.beta.0), at(survey.beta.1)) {
            (Some(a), Some(b)) => (a.min(b), a.max(b)),
            _ => survey.beta,
        }
    };
    let both = orders(frame, optics, beta, inputs.range_nm, inputs.step_nm);
    let measured = health::better_order(&both);
    let profile = &both[measured].profile;
    // 200 µm where the width is not known: what a slit of two sheets of paper has.
    let slit_um = inputs
        .calibration
        .and_then(|c| c.slit_width_um)
        .unwrap_or(200.0);
    let slit_nm = slit_um / (1000.0 * inputs.bench.slit_distance_mm) * optics.groove_spacing_nm;
    let sigma_at = |nm: f64| path_sigma(profile.sign * nm).map(|s| s.hypot(UNEVEN_SHARE * slit_nm));
    let sigma_nm = sigma_at(550.0).or_else(|| sigma_at(profile.nm(0.5 * profile.len() as f64)));
    m.metrics.set(Quantity::WavelengthSigmaNm, sigma_nm);
    health::metrics(
        frame,
        inputs,
        survey,
        optics,
        beta,
        &both,
        measured,
        (roll_sigma, skew_sigma),
        (shape, lamp),
        m,
    );
    if let Some(finding) =
        health::stronger_order_cut(&both, measured, m.metrics.value(Quantity::YawDriftDeg))
    {
        m.findings.push(finding);
    }
    m.drawing = Drawing {
        streaks: std::mem::take(&mut m.drawing.streaks),
        ..drawing(survey, optics, beta, &both)
    };
    m.spectrum = Some(spectrum(profile));
    let bandpass = m.metrics.value(Quantity::BandpassNm).unwrap_or(2.0);
    m.peaks = spectrum_peaks::peaks(
        profile,
        bandpass,
        lamp.map_or(inputs.names, |l| &l.lines),
        &sigma_at,
    );
    if inputs.capture != Capture::Calibration {
        let rays = optics.rays();
        for peak in m.peaks.iter().filter(|p| p.height.value > 0.0).take(40) {
            let along: Vec<Point> = (0..=8)
                .filter_map(|i| {
                    let b = beta.0 + (beta.1 - beta.0) * f64::from(i) / 8.0;
                    rays.pixel_of_path(profile.sign * peak.centre_nm.value, b)
                })
                .collect();
            let name = if peak.name.is_empty() {
                format!("{:.1}", peak.centre_nm.value)
            } else {
                peak.name.clone()
            };
            m.drawing.lines.push(DrawnLine {
                name,
                order: profile.sign as i32,
                expected: Vec::new(),
                found: along,
                clipped: peak.clipped,
            });
        }
    }
}

fn spectrum(profile: &Profile) -> Spectrum {
    let rows = (0..profile.len())
        .map(|i| SpectrumRow {
            wavelength_nm: profile.nm(i as f64),
            signal: profile.light[i],
            signal_sigma: profile.sigma[i],
            rgb: profile.rgb[i],
            rgb_sigma: profile.rgb_sigma[i],
            clipped: profile.clipped[i],
        })
        .collect();
    Spectrum {
        step_nm: profile.step_nm,
        rows,
    }
}

fn drawing(survey: &Survey, optics: &Optics, beta: (f64, f64), both: &[Order]) -> Drawing {
    let rays = optics.rays();
    let slit = &survey.slit;
    let (ax, ay) = (slit.along_rad.cos(), slit.along_rad.sin());
    let (nx, ny) = (ay, -ax);
    let (h, w) = (slit.half_length_px, 0.5 * slit.width_px + 2.0);
    let corner = |a: f64, n: f64| {
        Point::new(
            slit.centre.x + a * ax + n * nx,
            slit.centre.y + a * ay + n * ny,
        )
    };
    let mut bands = Vec::new();
    for order in both {
        let p = &order.profile;
        if p.len() < 20 {
            continue;
        }
        let (low, high) = (p.nm(0.0).max(390.0), p.nm(p.len() as f64).min(720.0));
        if high - low < 20.0 {
            continue;
        }
        let edge = |b: f64, reverse: bool| -> Vec<Point> {
            let mut points: Vec<Point> = (0..=16)
                .filter_map(|i| {
                    rays.pixel_of_path(p.sign * (low + (high - low) * f64::from(i) / 16.0), b)
                })
                .collect();
            if reverse {
                points.reverse();
            }
            points
        };
        let mut outline = edge(beta.0, false);
        outline.extend(edge(beta.1, true));
        bands.push((p.sign as i32, outline));
    }
    let reach = 1.3 * h;
    let (dx, dy) = (optics.roll_rad.cos(), optics.roll_rad.sin());
    Drawing {
        slit: vec![corner(-h, -w), corner(-h, w), corner(h, w), corner(h, -w)],
        bands,
        lines: Vec::new(),
        streaks: Vec::new(),
        dispersion_axis: Some([
            Point::new(slit.centre.x - reach * dx, slit.centre.y - reach * dy),
            Point::new(slit.centre.x + reach * dx, slit.centre.y + reach * dy),
        ]),
        slit_axis: Some([corner(-reach, 0.0), corner(reach, 0.0)]),
    }
}
