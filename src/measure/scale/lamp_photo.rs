//! A lamp photo: which of the lamps it may be it shows, and the scale that follows.

use std::sync::Arc;

use crate::decode::Facts;
use crate::frame::Frame;
use crate::measure::inputs::Inputs;
use crate::measure::light::profile::{Order, Sampling};
use crate::measure::optics::bins::Every;
use crate::measure::scale::calibrate::{Found, Refused, calibrate, differs};
use crate::measure::scale::lamp_picture::{LEAST_LEAD, LampPicture, Patterned, Refusal, sureness};
use crate::measure::scale::recognise::Search;
use crate::measure::sight::Survey;
use crate::terms::{Code, Finding, FoundOut, Interval, Lamp, Optics, Severity};

/// Orders of a lamp photo are binned over this range, nm, in steps of this: wide enough for a focal length that is off by as
/// much as the search allows, where the file states it…
const STATED_RANGE_NM: Interval = Interval::new(340.0, 800.0);
/// …and where it does not.
const OPEN_RANGE_NM: Interval = Interval::new(270.0, 1000.0);
const STEP_NM: f64 = 0.25;
/// The same of a picture that is only looked at: less than half of a line's width.
const ROUGH_STEP_NM: f64 = 0.5;
/// How far the focal length may be from what the file states, or from a usual phone's: half width of the search, and standard
/// uncertainty, as shares of it.
const STATED_FOCAL: (f64, f64) = (0.12, 0.05);
const OPEN_FOCAL: (f64, f64) = (0.32, 0.15);
/// So many lamps are tried one after the other where one was announced: the two kinds of fluorescent lamp.
const ANNOUNCED: usize = 2;
/// Of all lamps so many that agree best are made a scale of.
const FIRST_FEW: usize = 3;
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

/// The scale of a lamp photo, with the survey that it rests on.
///
/// # Errors
/// What is found to be wrong with the photo where its lines give no scale.
pub fn scale_of_lamp<'s>(
    frame: &Frame,
    inputs: &Inputs,
    surveys: &'s [Surveyed],
    log: &mut Vec<String>,
) -> Result<(&'s Survey, Found), Finding> {
    let mut best: Option<(&Survey, Found)> = None;
    let mut refusals: Vec<Refusal> = Vec::new();
    let mut instead: Option<(&Lamp, f64)> = None;
    for surveyed in surveys {
        let survey = &surveyed.survey;
        let reading = read(frame, inputs, surveyed, log);
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
    let Some((survey, found)) = best else {
        return Err(refused(refusals.into_iter().next(), instead, log));
    };
    let optics = &found.calibration.optics;
    log.push(format!(
        "scale from {} lines, rms {:.3} nm; focal length {:.1} px, k1 {:.4}, yaw {:.3}°, groove spacing {:.0} nm held",
        found.calibration.lines.len(),
        found.calibration.rms_nm,
        optics.focal_px,
        optics.k1,
        optics.yaw_rad.to_degrees(),
        optics.groove_spacing_nm
    ));
    Ok((survey, found))
}

/// A picture as surveyed with one disc, and what was found of lamps where somebody has looked for them.
pub struct Surveyed {
    /// The slit and its band.
    pub survey: Survey,
    looked_for: Option<LookedFor>,
}

/// What was found of lamps.
struct LookedFor {
    orders: Arc<[Order; 2]>,
    found: Vec<Patterned>,
}

impl Surveyed {
    /// A survey in which nobody has looked for lamps.
    pub fn of(survey: Survey) -> Surveyed {
        Surveyed {
            survey,
            looked_for: None,
        }
    }

    /// Keeps what was found of lamps: the picture's orders, and each lamp's scales.
    pub fn with(self, orders: Arc<[Order; 2]>, found: Vec<Patterned>) -> Surveyed {
        Surveyed {
            looked_for: Some(LookedFor { orders, found }),
            ..self
        }
    }

    /// Memory that the orders take, bytes.
    pub fn n_bytes(&self) -> u64 {
        let orders = self.looked_for.iter().flat_map(|l| l.orders.iter());
        orders.map(|order| order.slabs.n_bytes()).sum()
    }
}

/// A photo as a lamp's scale is sought in it, as one survey has it.
fn lamp_picture<'s>(frame: &Frame, surveyed: &'s Surveyed) -> LampPicture<'s> {
    let survey = &surveyed.survey;
    match &surveyed.looked_for {
        None => whole_picture(frame, survey),
        Some(before) => LampPicture {
            found_before: &before.found,
            ..picture_of(survey, Arc::clone(&before.orders))
        },
    }
}

/// The picture of a lamp photo in which nobody has looked before.
pub fn whole_picture<'s>(frame: &Frame, survey: &'s Survey) -> LampPicture<'s> {
    picture_of(survey, orders(frame, survey, (Every::PIXEL, STEP_NM)))
}

/// The picture of a lamp photo in coarser steps, from some pixels of every `stride`-th line along the band alone.
pub fn rough_picture<'s>(frame: &Frame, survey: &'s Survey, stride: usize) -> LampPicture<'s> {
    let every = Every::first_look(stride);
    picture_of(survey, orders(frame, survey, (every, ROUGH_STEP_NM)))
}

fn picture_of(survey: &Survey, orders: Arc<[Order; 2]>) -> LampPicture<'_> {
    let base = survey.optics.clone();
    let (focal_reach, focal_sigma) = match survey.focal_known {
        true => STATED_FOCAL,
        false => OPEN_FOCAL,
    };
    let search = Search {
        focal_px: base.focal_px,
        focal_reach,
        focal_sigma,
        slit_px: survey.slit.centre,
    };
    LampPicture::new(base, &survey.slit, survey.ends(), orders, search)
}

fn orders(frame: &Frame, survey: &Survey, (every, step_nm): (Every, f64)) -> Arc<[Order; 2]> {
    let sampling = Sampling {
        range_nm: match survey.focal_known {
            true => STATED_RANGE_NM,
            false => OPEN_RANGE_NM,
        },
        step_nm,
        every,
    };
    Arc::new(Order::both(frame, &survey.optics, survey.beta, sampling))
}

/// Fits a scale of each lamp that the photo may show, as one survey has it.
fn read<'a>(
    frame: &Frame,
    inputs: &Inputs<'a>,
    surveyed: &Surveyed,
    log: &mut Vec<String>,
) -> Reading<'a> {
    let picture = lamp_picture(frame, surveyed);
    let announced = inputs.lamps.len() <= ANNOUNCED;
    let mut refusals: Vec<Refusal> = Vec::new();
    let mut ranking: Vec<(&Lamp, f64)> = Vec::new();
    let mut lamps = inputs.lamps.clone();
    if !announced {
        ranking = picture.agreements(inputs.lamps.iter().copied());
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
    let mut refused: Vec<Refused> = Vec::new();
    for lamp in lamps {
        if announced && scales.iter().any(|found| found.score > CLEAR_ENOUGH) {
            break;
        }
        match calibrate(&picture, lamp, log) {
            Ok(found) => scales.push(found),
            Err(refusal) => refused.push(refusal),
        }
    }
    scales.sort_by(|a, b| b.score.total_cmp(&a.score));
    // Of two lamps the one that the picture is more like is the one to speak of.
    refused.sort_by(|a, b| b.agreement.total_cmp(&a.agreement));
    refusals.extend(refused.into_iter().map(|r| r.why));
    if let Some(rivals) = rivals(&scales, &picture.base) {
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
        picture.looks_like(others)
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
    let lines = best.calibration.lines.iter();
    let signs: Vec<f64> = lines.map(|line| f64::from(line.order)).collect();
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
        sure: sureness(lead),
    }
}

/// Why there is no scale, as a finding; `instead` is the lamp whose pattern the lines make.
fn refused(
    refusal: Option<Refusal>,
    instead: Option<(&Lamp, f64)>,
    log: &mut Vec<String>,
) -> Finding {
    let (code, why) = match refusal {
        Some(Refusal::FewLines(why)) => (Code::FewLines, why),
        Some(Refusal::PoorFit(why)) => (Code::PoorFit, why),
        None => (Code::FewLines, "no lamp to compare with".into()),
    };
    log.push(format!("no scale: {why}"));
    let finding = Finding::new(code, Severity::Retake, &why).with("found", why);
    let Some((lamp, score)) = instead else {
        return finding;
    };
    log.push(format!(
        "the lines make the pattern of {}: agreement {score:.2}",
        lamp.title
    ));
    let name = lamp.title.split(" (").next().unwrap_or(&lamp.title);
    finding.with("instead", name.to_lowercase())
}

/// What a lamp's scale says of the focal length may be off what the file states by this share: cameras state it in whole
/// millimetres of 26 or so (0.02), some for the picture's width and some for its diagonal (0.04), and a lens has its tolerance.
const FOCAL_TOLERANCE: f64 = 0.1;
/// Sides of a whole sensor, longer over shorter, and by what share a picture's may be off them (no source).
const SENSOR_SIDES: [f64; 2] = [4.0 / 3.0, 1.5];
const SIDES_TOLERANCE: f64 = 0.01;

/// The lens is another than the file states: zoomed in, or the light came from another grating. Only of pictures with the
/// sensor's own sides (4:3, 3:2): of others nobody knows what the stated length is for.
pub fn other_focal_length(optics: &Optics, facts: &Facts) -> Option<Finding> {
    let (a, b) = (facts.width as f64, facts.height as f64);
    let sides = a.max(b) / a.min(b).max(1.0);
    let whole = SENSOR_SIDES
        .iter()
        .any(|s| (sides / s - 1.0).abs() < SIDES_TOLERANCE);
    let off = optics.focal_px / facts.focal_px()? - 1.0;
    if !whole || off.abs() < FOCAL_TOLERANCE {
        return None;
    }
    let percent = format!("{:.0}", 100.0 * off.abs());
    let longer = if off > 0.0 { "longer" } else { "shorter" };
    let measured = format!("focal length {percent} % {longer} than the file states");
    let finding = Finding::new(Code::PoorFit, Severity::Caution, measured);
    Some(Finding {
        limit: format!("{:.0} %", 100.0 * FOCAL_TOLERANCE),
        ..finding
            .with("focal_percent", percent)
            .with("longer", longer)
    })
}
