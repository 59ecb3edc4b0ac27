//! One photo, from its frame to everything that can be said of it.

use crate::frame::Frame;
use crate::measure::drawing;
pub use crate::measure::inputs::Inputs;
use crate::measure::light::profile::{Order, Profile, Sampling};
use crate::measure::light::spectrum_peaks;
use crate::measure::optics::bins::Every;
use crate::measure::portrait;
use crate::measure::refusal::NoSpectrum;
pub use crate::measure::refusal::refuse_cut;
use crate::measure::scale::anchor::{Anchored, TURNS_DEG, anchor};
use crate::measure::scale::lamp_photo::{Surveyed, other_focal_length, scale_of_lamp};
use crate::measure::scale::mirror::mirrors;
use crate::measure::scale::photo_scale::PhotoScale;
use crate::measure::shot::Shot;
use crate::measure::sight::{
    CLEAR_ENDS, Familiar, Map, NoSight, Survey, cut_off, dark, lit_direction, look, survey,
};
use crate::measure::view::View;
use crate::terms::{
    Calibration, Capture, Drawing, Interval, LampLine, Measurement, Optics, Quantity, ScaleKind,
    Spectrum, SpectrumRow, Subject, USUAL_SLIT_UM,
};

/// No phone is laid down again so far off, degrees: at 405 nm a line is 14.7° from the slit of a coarse disc.
const ELSEWHERE_DEG: f64 = 12.0;
/// No zoom and no other phone makes the slit's image so many times as long.
const QUITE_ANOTHER_LENGTH: f64 = 3.0;
/// Lines of a photo whose bandpass is not known are taken to be so wide, nm (drawn photos: 1 to 4).
const USUAL_BANDPASS_NM: f64 = 2.0;
/// The scale's uncertainty is published for this wavelength, nm: the middle of what phones see.
const MIDDLE_NM: f64 = 550.0;
/// A slit lit unevenly across its width moves every line by this share of the width (common practice, no source: a
/// lighting that falls by an eighth from blade to blade moves the centre by a hundredth).
const UNEVEN_SHARE: f64 = 0.01;

/// Measures a photo. Never fails: what cannot be measured is said in the result. `view` is what a look has found in this very frame,
/// which is then not found anew; the result is the same without it.
pub fn measure(frame: &Frame, view: Option<View>, inputs: &Inputs) -> Measurement {
    let mut m = Measurement::default();
    if inputs.capture == Capture::Dark {
        match view {
            Some(view) => dark(&view.sketch.map, &mut m),
            None => dark(&Map::new(frame), &mut m),
        }
        return m;
    }
    let view = view.unwrap_or_else(|| View::of(frame));
    match surveys(frame, view, inputs, &mut m.log) {
        Err(why) => why.note(&mut m),
        Ok(surveys) if inputs.capture == Capture::Calibration => {
            measure_lamp(frame, inputs, &surveys, &mut m);
        }
        Ok(surveys) => {
            if let Some(first) = surveys.first() {
                measure_light(frame, inputs, &first.survey, &mut m);
            }
        }
    }
    m
}

/// The spectrum alone, of a photo that is only some other photo's blank or a shot of its bracket: the one that [`measure`]
/// finds, without peaks and without the instrument's health.
///
/// `None` where [`measure`] gives no spectrum on the scale of a lamp photo.
pub fn spectrum_only(frame: &Frame, inputs: &Inputs) -> Option<Spectrum> {
    let calibration = inputs.calibration?;
    let mut log = Vec::new();
    let surveys = surveys(frame, View::of(frame), inputs, &mut log).ok()?;
    let survey = &surveys.first()?.survey;
    let (_, both) = anchored(frame, inputs, calibration, survey, &mut log).ok()??;
    Some(spectrum(&both[portrait::better_order(&both)].profile))
}

/// The slit and its band as seen with each grating that the bench may have, the likeliest first.
///
/// # Errors
/// Where there is no spectrum.
fn surveys(
    frame: &Frame,
    view: View,
    inputs: &Inputs,
    log: &mut Vec<String>,
) -> Result<Vec<Surveyed>, NoSpectrum> {
    let focal_px = inputs
        .calibration
        .map(|c| c.optics.focal_px)
        .or(inputs.facts.focal_px());
    let spacings = match inputs.calibration {
        Some(c) => vec![c.optics.groove_spacing_nm],
        None => inputs.bench.groove_spacings_nm.clone(),
    };
    let View { sketch, alone } = view;
    let map = &sketch.map;
    let familiar = Familiar::of(inputs.calibration, frame);
    let refused = |why: NoSight| {
        let outside = cut_off(
            frame,
            map,
            inputs.calibration.map(|c| &c.optics),
            inputs
                .calibration
                .and_then(|c| lit_direction(c, inputs.facts)),
            focal_px,
            &spacings,
        );
        match (outside, inputs.calibration) {
            (Some(share), _) => NoSpectrum::Outside(share),
            (None, Some(c)) if familiar.has_lines_only(map) => NoSpectrum::Hidden(unanchored_nm(c)),
            _ => NoSpectrum::Nothing(why),
        }
    };
    let is_alone = inputs.calibration.is_none();
    let (sight, mut made) = match alone {
        Some(alone) if is_alone && alone.focal_px == focal_px => {
            log.extend(alone.log);
            (alone.sight, alone.surveyed)
        }
        other => {
            let before = other.and_then(|alone| alone.sight.ok());
            let known = (&familiar, before.as_ref());
            (look(frame, &sketch, focal_px, known, log), Vec::new())
        }
    };
    let sight = sight.map_err(refused)?;
    // The grating whose band shows more of the slit's ends is tried first.
    let mut surveys: Vec<Surveyed> = Vec::new();
    for &spacing in &spacings {
        let known = made
            .iter()
            .position(|made| made.survey.optics.groove_spacing_nm == spacing);
        let here = match known {
            Some(i) => made.swap_remove(i),
            None => Surveyed::of(survey(frame, &sight, spacing)),
        };
        let clear = here.survey.n_ends() >= CLEAR_ENDS;
        surveys.push(here);
        if clear {
            break;
        }
    }
    surveys.sort_by_key(|s| std::cmp::Reverse(s.survey.n_ends()));
    if let Some(Surveyed { survey: first, .. }) = surveys.first() {
        let (agreeing, seen) = first.agreeing_ends();
        log.push(format!(
            "the slit's ends are seen in {seen} places along the band, {agreeing} of them at its height"
        ));
        if let Some(why) = first.doubt() {
            return Err(refused(first.refused(why)));
        }
    }
    Ok(surveys)
}

/// How well wavelengths are known without the slit's image, nm: as a phone is laid down again.
fn unanchored_nm(calibration: &Calibration) -> f64 {
    calibration.optics.groove_spacing_nm * TURNS_DEG.to_radians()
}

/// The bench's instrument where the phone lay for this photo; `None` where the slit's image does not fit it.
///
/// # Errors
/// Where what was taken for the slit's image is something else that lies far off: one of the lines, the slit's own image
/// being hidden; or, far too long or too short, a window's frame or a table's edge.
fn anchored(
    frame: &Frame,
    inputs: &Inputs,
    calibration: &Calibration,
    survey: &Survey,
    log: &mut Vec<String>,
) -> Result<Option<(Anchored, [Order; 2])>, NoSpectrum> {
    let mut unsaid = Vec::new();
    let Some(first) = anchor(survey, calibration, inputs.facts, &[], &mut unsaid) else {
        return Ok(None);
    };
    // Both orders show one spectrum: laid on each other they say how the phone lies better than the slit's glaring image does.
    let mut both = orders(frame, inputs, &first.scale.optics, survey);
    let mirrors = mirrors(
        both.each_ref().map(|order| (&order.slabs, &order.profile)),
        &both[0].slabs.rays,
    );
    log.push(format!(
        "the two orders are laid on each other in {} places",
        mirrors.len()
    ));
    let Some(anchored) = anchor(survey, calibration, inputs.facts, &mirrors, log) else {
        return Ok(None);
    };
    let rays = anchored.scale.optics.rays();
    for order in &mut both {
        order.profile = order.slabs.profile(&rays);
    }
    if anchored.yaw_drift_deg.abs() > ELSEWHERE_DEG {
        let bench = Familiar::of(Some(calibration), frame);
        if bench.has_lines_only(&survey.map)
            && bench.has_line_too_near(&survey.map, &survey.optics.rays())
        {
            return Err(NoSpectrum::Hidden(unanchored_nm(calibration)));
        }
        let lengths = survey.slit_length_px().zip(calibration.slit_length_px);
        if lengths.is_some_and(|(own, lamp)| (own / lamp).max(lamp / own) > QUITE_ANOTHER_LENGTH) {
            let why = "a bright bar of quite another length than the slit, and elsewhere";
            return Err(NoSpectrum::Nothing(NoSight::nothing(why.to_owned())));
        }
    }
    Ok(Some((anchored, both)))
}

/// A lamp photo: the scale that its lines give, or why they give none.
fn measure_lamp(frame: &Frame, inputs: &Inputs, surveys: &[Surveyed], m: &mut Measurement) {
    let (survey, found) = match scale_of_lamp(frame, inputs, surveys, &mut m.log) {
        Ok(found) => found,
        Err(finding) => {
            m.lacks(Subject::Scale, &finding.measured);
            m.findings.push(finding);
            if let Some(first) = surveys.first() {
                measure_provisionally(frame, inputs, &first.survey, m);
            }
            return;
        }
    };
    let scale = PhotoScale::of_lamp(&found.calibration);
    m.findings
        .extend(other_focal_length(&scale.optics, inputs.facts));
    let mut lamps = inputs.lamps.iter();
    let lamp = lamps.find(|l| l.name == found.calibration.lamp).copied();
    let both = orders(frame, inputs, &scale.optics, survey);
    let shot = Shot {
        shape: found.shape,
        lamp,
        ..shot(frame, inputs, survey, &scale, &both)
    };
    finish(&shot, m);
    let lines = found.calibration.lines.iter();
    let drawn = lines.filter_map(|l| drawing::lamp_line(&scale.optics, survey, l));
    m.drawing.lines.extend(drawn);
    let width = m.metrics.estimate(Quantity::SlitWidthUm);
    m.calibration = Some(Calibration {
        stated_focal_px: inputs.facts.focal_px(),
        slit_width_um: width.map(|width| width.value),
        slit_width_sigma_um: width.map(|width| width.sigma),
        slit_width_at_most_um: m.metrics.value(Quantity::SlitWidthAtMostUm),
        end_blur_px: m.metrics.value(Quantity::EndBlurPx),
        line_fwhm_nm: m.metrics.value(Quantity::BandpassNm),
        slit_length_px: survey.slit_length_px(),
        balance_ln: survey.balance_ln(),
        on_sensor: survey.on_sensor(inputs.facts),
        ..found.calibration
    });
}

/// A photo of the light to be measured, on the scale of the bench where it has one.
fn measure_light(frame: &Frame, inputs: &Inputs, survey: &Survey, m: &mut Measurement) {
    let Some(calibration) = inputs.calibration else {
        measure_provisionally(frame, inputs, survey, m);
        return;
    };
    m.findings
        .extend(other_focal_length(&calibration.optics, inputs.facts));
    match anchored(frame, inputs, calibration, survey, &mut m.log) {
        Err(why) => why.note(m),
        Ok(Some((anchored, both))) => {
            let drift_deg = anchored.yaw_drift_deg;
            m.metrics.set(Quantity::YawDriftDeg, drift_deg);
            finish(&shot(frame, inputs, survey, &anchored.scale, &both), m);
        }
        Ok(None) => {
            m.lacks(
                Subject::Scale,
                "the slit's image does not fit the bench's instrument",
            );
            measure_provisionally(frame, inputs, survey, m);
        }
    }
}

/// Measures on the stated focal length and groove spacing alone.
fn measure_provisionally(frame: &Frame, inputs: &Inputs, survey: &Survey, m: &mut Measurement) {
    let scale = PhotoScale::provisional(survey);
    let both = orders(frame, inputs, &scale.optics, survey);
    finish(&shot(frame, inputs, survey, &scale, &both), m);
    if m.scale_kind.is_none() {
        m.spectrum = None;
        m.peaks.clear();
        m.lacks(
            Subject::Scale,
            "no lamp photo, and the file does not state the focal length",
        );
    }
}

/// The slit's extent along the grooves about the middle that `optics` has: the survey measured it about its own.
fn heights(optics: &Optics, survey: &Survey) -> Interval {
    let old = survey.optics.rays();
    let new = optics.rays();
    let at = |height: f64| old.pixel_of_path(0.0, height).map(|p| new.height(p));
    match (at(survey.beta.low), at(survey.beta.high)) {
        (Some(a), Some(b)) => Interval::new(a.min(b), a.max(b)),
        _ => survey.beta,
    }
}

/// Both orders on a scale.
fn orders(frame: &Frame, inputs: &Inputs, optics: &Optics, survey: &Survey) -> [Order; 2] {
    let sampling = Sampling {
        range_nm: inputs.range_nm,
        step_nm: inputs.step_nm,
        every: Every::PIXEL,
    };
    Order::both(frame, optics, heights(optics, survey), sampling)
}

/// A photo on a given scale.
fn shot<'a>(
    frame: &'a Frame,
    inputs: &'a Inputs,
    survey: &'a Survey,
    scale: &'a PhotoScale,
    orders: &'a [Order; 2],
) -> Shot<'a> {
    Shot {
        frame,
        inputs,
        survey,
        scale,
        beta: heights(&scale.optics, survey),
        orders,
        measured: portrait::better_order(orders),
        shape: None,
        lamp: None,
    }
}

/// Spectrum, peaks, metrics and drawing on a given scale; of a lamp photo with the shape of its lines, and its lamp.
fn finish(shot: &Shot, m: &mut Measurement) {
    let Shot { inputs, scale, .. } = *shot;
    let profile = shot.profile();
    let slit_um = inputs
        .calibration
        .and_then(|c| c.slit_width_um)
        .unwrap_or(USUAL_SLIT_UM);
    let slit_nm = scale
        .optics
        .nm_of_slit(slit_um, inputs.bench.slit_distance_mm);
    let sigma_at = |nm: f64| {
        let sigma_nm = scale.sigma_nm(profile.sign * nm)?;
        Some(sigma_nm.hypot(UNEVEN_SHARE * slit_nm))
    };
    let instrument_sigma_at = |nm: f64| {
        let sigma_nm = scale.instrument_sigma_nm(profile.sign * nm);
        sigma_nm.unwrap_or(0.0)
    };
    let middle_nm = || profile.nm(0.5 * profile.len() as f64);
    let sigma_nm = sigma_at(MIDDLE_NM).or_else(|| sigma_at(middle_nm()));
    m.scale_kind = scale.kind;
    let is_calibrated = scale.kind == Some(ScaleKind::Calibrated);
    m.instrument_sigma_nm = instrument_sigma_at(MIDDLE_NM);
    m.order = is_calibrated.then_some((profile.sign * scale.way) as i32);
    m.metrics.set(Quantity::WavelengthSigmaNm, sigma_nm);
    portrait::metrics(shot, m);
    let turned_deg = m.metrics.value(Quantity::YawDriftDeg);
    m.findings
        .extend(portrait::stronger_order_cut(shot, turned_deg));
    m.spectrum = Some(spectrum(profile));
    let bandpass_nm = m.metrics.value(Quantity::BandpassNm);
    m.peaks = spectrum_peaks::peaks(
        profile,
        bandpass_nm.unwrap_or(USUAL_BANDPASS_NM),
        shot.lamp.map_or(inputs.names, |l| &l.lines),
        &sigma_at,
        &instrument_sigma_at,
    );
    let lines = match inputs.capture {
        Capture::Calibration => Vec::new(),
        _ => drawing::peaks(shot, &m.peaks),
    };
    m.drawing = Drawing {
        lines,
        streaks: std::mem::take(&mut m.drawing.streaks),
        ..drawing::outlines(shot)
    };
}

/// Names the lines anew, after its wavelengths have been put right.
pub fn name_lines(m: &mut Measurement, names: &[LampLine]) {
    let bandpass_nm = m.metrics.value(Quantity::BandpassNm);
    let bandpass_nm = bandpass_nm.unwrap_or(USUAL_BANDPASS_NM);
    spectrum_peaks::name(&mut m.peaks, bandpass_nm, names);
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
