//! A lamp photo: which of the lamps it may be it shows, and the scale that follows.

use crate::decode::Facts;
use crate::frame::Frame;
use crate::measure::optics::adjust::index;
use crate::measure::photo::{Inputs, finding, finish, orders, provisional};
use crate::measure::scale::evidence::scale_sigma;
use crate::measure::scale::recognise::Search;
use crate::measure::scale::{Found, Refusal, agreements, calibrate, differs, looks_like};
use crate::measure::sight::survey::{Survey, height_observations};
use crate::terms::{
    Calibration, Code, DrawnLine, Finding, FoundOut, Lamp, LineUse, Measurement, Optics, Point,
    Quantity, ScaleKind, Severity, Subject,
};

/// So many lamps are tried one after the other where one was announced: the two kinds of fluorescent lamp.
const ANNOUNCED: usize = 2;
/// Of all lamps so many that agree best are made a scale of.
const FIRST_FEW: usize = 3;
/// The leader's doubt falls to a third with so much lead over the next lamp: right lamps lead by 0.1 to 1 (drawn photos).
const SURE_PER_LEAD: f64 = 0.1;
/// With less lead than this, and another scale, two lamps are as likely.
const LEAST_LEAD: f64 = 0.06;
/// A scale that agrees so well needs no second look.
const CLEAR_ENOUGH: f64 = 0.3;

/// What one reading of the picture gives.
struct Reading<'a> {
    scale: Option<Found>,
    /// Why not, the first being the one to tell.
    refusals: Vec<Refusal>,
    /// The lamp that was not announced and whose pattern the lines make.
    instead: Option<(&'a Lamp, f64)>,
}

/// The scale of a lamp photo, or why there is none, and all that is measured on it.
pub(in crate::measure) fn measure_lamp(
    frame: &Frame,
    inputs: &Inputs,
    surveys: &[Survey],
    m: &mut Measurement,
) {
    let mut best: Option<(&Survey, Found)> = None;
    let mut refusals: Vec<Refusal> = Vec::new();
    let mut instead: Option<(&Lamp, f64)> = None;
    for survey in surveys {
        let reading = read(frame, inputs, survey, &mut m.log);
        refusals.extend(reading.refusals);
        instead = instead.or(reading.instead);
        if let Some(found) = reading.scale
            && best.as_ref().is_none_or(|b| found.score > b.1.score)
        {
            best = Some((survey, found));
        }
        if best.as_ref().is_some_and(|b| b.1.score > CLEAR_ENOUGH) {
            break;
        }
    }
    match best {
        Some((survey, found)) => accept(frame, inputs, survey, found, m),
        None => {
            refuse(refusals.into_iter().next(), instead, m);
            if let Some(survey) = surveys.first() {
                provisional(frame, inputs, survey, m);
            }
        }
    }
}

fn read<'a>(
    frame: &Frame,
    inputs: &Inputs<'a>,
    survey: &Survey,
    log: &mut Vec<String>,
) -> Reading<'a> {
    let heights = height_observations(&survey.edges);
    let base = survey.optics.clone();
    // Wide enough for a focal length that is off by as much as the search allows.
    let range = if survey.focal_known {
        (340.0, 800.0)
    } else {
        (270.0, 1000.0)
    };
    let orders = orders(frame, &base, survey.beta, range, 0.25);
    let search = Search {
        focal_px: base.focal_px,
        focal_reach: if survey.focal_known { 0.10 } else { 0.32 },
        focal_sigma: if survey.focal_known { 0.03 } else { 0.15 },
        slit_px: survey.slit.centre,
    };
    let announced = inputs.lamps.len() <= ANNOUNCED;
    let mut refusals: Vec<Refusal> = Vec::new();
    let mut ranking: Vec<(&Lamp, f64)> = Vec::new();
    let mut lamps = inputs.lamps.clone();
    if !announced {
        ranking = agreements(&base, &orders, inputs.lamps.iter().copied(), &search);
        lamps = ranking.iter().take(FIRST_FEW).map(|r| r.0).collect();
        if ranking.is_empty() {
            let why = "fewer than three lines stand out, and no lamp was named";
            refusals.push(Refusal::FewLines(why.into()));
        } else {
            let words = ranking.iter().map(|r| format!("{} {:.2}", r.0.name, r.1));
            let words: Vec<String> = words.collect();
            log.push(format!("agreement with lamps: {}", words.join(", ")));
        }
    }
    let mut scales: Vec<Found> = Vec::new();
    for lamp in lamps {
        if announced && scales.iter().any(|found| found.score > CLEAR_ENOUGH) {
            break;
        }
        match calibrate(&base, &survey.slit, &heights, &orders, lamp, &search, log) {
            Ok(found) => scales.push(found),
            Err(refusal) => refusals.push(refusal),
        }
    }
    scales.sort_by(|a, b| b.score.total_cmp(&a.score));
    if let Some(rivals) = rivals(&scales, &base) {
        refusals.insert(0, rivals);
        scales.clear();
    }
    let mut scale = scales.into_iter().next();
    if let Some(found) = scale.as_mut().filter(|_| !announced) {
        let told = found_out(found, &ranking);
        log.push(format!(
            "lamp found out: {}, sure to {:.3}; next {} (agreement {:.2} and {:.2})",
            found.calibration.lamp,
            told.sure,
            told.runner_up.as_deref().unwrap_or("none"),
            told.agreement,
            told.runner_up_agreement.unwrap_or(-1.0)
        ));
        found.calibration.found_out = Some(told);
    }
    let is_announced = |lamp: &&Lamp| inputs.lamps.iter().any(|l| l.name == lamp.name);
    let instead = if scale.is_none() {
        let others = inputs.others.iter().filter(|lamp| !is_announced(lamp));
        looks_like(&base, &orders, others, &search)
    } else {
        None
    };
    Reading {
        scale,
        refusals,
        instead,
    }
}

/// Two lamps that fit nearly alike on scales that are not alike; `scales` best first.
fn rivals(scales: &[Found], base: &Optics) -> Option<Refusal> {
    let (best, others) = scales.split_first()?;
    let signs: Vec<f64> = best.groups.iter().map(|group| group.0).collect();
    let rival = others.iter().find(|other| {
        let (a, b) = (&other.calibration.optics, &best.calibration.optics);
        other.score > best.score - LEAST_LEAD && differs(a, b, base, &signs)
    })?;
    Some(Refusal::PoorFit(format!(
        "{} and {} fit nearly alike (agreement {:.2} and {:.2}): name the lamp in the rule",
        best.calibration.lamp, rival.calibration.lamp, best.score, rival.score
    )))
}

/// A scale of one of several lamps: how well it agrees, and how the others do.
fn found_out(best: &Found, ranking: &[(&Lamp, f64)]) -> FoundOut {
    let mut others = ranking.iter();
    let next = others.find(|(lamp, _)| lamp.name != best.calibration.lamp);
    let lead = next.map_or(1.0, |(_, score)| (best.score - score).max(0.0));
    FoundOut {
        agreement: best.score,
        runner_up: next.map(|(lamp, _)| lamp.name.clone()),
        runner_up_agreement: next.map(|(_, score)| *score),
        sure: 1.0 - 0.5 * (-lead / SURE_PER_LEAD).exp(),
    }
}

fn accept(frame: &Frame, inputs: &Inputs, survey: &Survey, found: Found, m: &mut Measurement) {
    let optics = found.calibration.optics.clone();
    let covariance = found.calibration.covariance.clone();
    m.log.push(format!(
        "scale from {} lines, rms {:.3} nm; focal length {:.1} px, k1 {:.4}, yaw {:.3}°, groove spacing {:.0} nm held",
        found.calibration.lines.len(),
        found.calibration.rms_nm,
        optics.focal_px,
        optics.k1,
        optics.yaw_rad.to_degrees(),
        optics.groove_spacing_nm
    ));
    m.findings.extend(other_focal_length(&optics, inputs.facts));
    let sigma = |i: usize| covariance[i][i].max(0.0).sqrt();
    m.scale_kind = Some(ScaleKind::Calibrated);
    let mut lamps = inputs.lamps.iter();
    let lamp = lamps.find(|l| l.name == found.calibration.lamp).copied();
    let sigma_at = |path: f64| scale_sigma(&optics, survey.slit.centre, &covariance, path);
    finish(
        frame,
        inputs,
        survey,
        &optics,
        &sigma_at,
        (sigma(index::ROLL), sigma(index::SKEW)),
        found.shape,
        lamp,
        m,
    );
    let lines = found.calibration.lines.iter();
    let drawn = lines.filter_map(|l| drawn_line(&optics, survey, l));
    m.drawing.lines.extend(drawn);
    let width = m.metrics.estimate(Quantity::SlitWidthUm);
    let sure_width = width.filter(|width| width.sigma < 0.3 * width.value);
    m.calibration = Some(Calibration {
        slit_width_um: sure_width.map(|width| width.value),
        line_fwhm_nm: m.metrics.value(Quantity::BandpassNm),
        slit_length_px: survey.slit_length_px(),
        balance_ln: survey.balance_ln(),
        on_sensor: survey.on_sensor(inputs.facts),
        ..found.calibration
    });
}

fn refuse(refusal: Option<Refusal>, instead: Option<(&Lamp, f64)>, m: &mut Measurement) {
    let (code, why) = match refusal {
        Some(Refusal::FewLines(why)) => (Code::FewLines, why),
        Some(Refusal::PoorFit(why)) => (Code::PoorFit, why),
        None => (Code::FewLines, "no lamp to compare with".into()),
    };
    m.log.push(format!("no scale: {why}"));
    m.lacks(Subject::Scale, &why);
    let mut f = finding(code, Severity::Retake, &why, "");
    f.slots.insert("found", why);
    if let Some((lamp, score)) = instead {
        m.log.push(format!(
            "the lines make the pattern of {}: agreement {score:.2}",
            lamp.title
        ));
        let name = lamp.title.split(" (").next().unwrap_or(&lamp.title);
        f.slots.insert("instead", name.to_lowercase());
    }
    m.findings.push(f);
}

/// What a lamp's scale says of the focal length may be off what the file states by this share: cameras state it in whole
/// millimetres of 26 or so, and a lens has its tolerance. Drawn photos of two hands are within 0.013.
const FOCAL_TOLERANCE: f64 = 0.04;

/// The lens is another than the file states: zoomed in, or the light came from another grating. Only of pictures with the
/// sensor's own sides (4:3, 3:2): of others nobody knows what the stated length is for.
pub(in crate::measure) fn other_focal_length(optics: &Optics, facts: &Facts) -> Option<Finding> {
    let (a, b) = (facts.width as f64, facts.height as f64);
    let sides = a.max(b) / a.min(b).max(1.0);
    let whole = [4.0 / 3.0, 1.5]
        .iter()
        .any(|s| (sides / s - 1.0).abs() < 0.01);
    let off = optics.focal_px / facts.focal_px()? - 1.0;
    if !whole || off.abs() < FOCAL_TOLERANCE {
        return None;
    }
    let percent = format!("{:.0}", 100.0 * off.abs());
    let longer = if off > 0.0 { "longer" } else { "shorter" };
    let measured = format!("focal length {percent} % {longer} than the file states");
    let limit = format!("{:.0} %", 100.0 * FOCAL_TOLERANCE);
    let mut f = finding(Code::PoorFit, Severity::Caution, &measured, &limit);
    f.slots.insert("focal_percent", percent);
    f.slots.insert("longer", longer.into());
    Some(f)
}

fn drawn_line(optics: &Optics, survey: &Survey, line: &LineUse) -> Option<DrawnLine> {
    let rays = optics.rays();
    let along = |nm: f64| -> Vec<Point> {
        (0..=8)
            .filter_map(|i| {
                let beta = survey.beta.0 + (survey.beta.1 - survey.beta.0) * f64::from(i) / 8.0;
                rays.pixel_of_path(f64::from(line.order) * nm, beta)
            })
            .collect()
    };
    let expected = along(line.wavelength_nm);
    let found = along(line.wavelength_nm + line.residual_nm);
    (!expected.is_empty()).then(|| DrawnLine {
        name: line.name.clone(),
        order: line.order,
        expected,
        found,
        clipped: false,
    })
}
