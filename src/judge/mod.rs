//! Numbers and limits -> reasons with advice, and the word for the photo.

use std::collections::BTreeMap;

use crate::decode::Facts;
use crate::measure::light::exposure::times_too_bright;
use crate::measure::sight::stray::entry_side;
use crate::settings::limits::{Limit, Limits};
use crate::settings::words::Words;
use crate::terms::Capture;
use crate::terms::{Code, Estimate, Measurement, Quantity, Reason, ScaleKind, Severity, Verdict};

/// What the judge needs beside the measurement.
pub struct Case<'a> {
    /// What the photo is for.
    pub capture: Capture,
    /// What the file says.
    pub facts: &'a Facts,
    /// Limits in force.
    pub limits: &'a Limits,
    /// Advice texts.
    pub words: &'a Words,
    /// Blank that the photo is compared with.
    pub blank: Option<Compared<'a>>,
}

/// The blank of a photo.
#[derive(Clone, Copy)]
pub struct Compared<'a> {
    /// Its name.
    pub name: &'a str,
    /// Its exposure time × ISO.
    pub exposure: Option<f64>,
    /// False where the photo may as well show another lamp of the same kind: nothing about the pair is then worse than a
    /// caution.
    pub sure: bool,
}

type Slots = BTreeMap<&'static str, String>;

/// A phone laid on its tube again turns by tenths of a degree, seldom by two; from here on what was taken for the slit's image
/// is not it, or slit or disc was moved.
const SLIT_ELSEWHERE_DEG: f64 = 3.0;

struct Bench<'a> {
    case: &'a Case<'a>,
    reasons: Vec<Reason>,
}

impl Bench<'_> {
    fn add(
        &mut self,
        code: Code,
        severity: Severity,
        measured: String,
        limit: String,
        mut slots: Slots,
    ) {
        if self
            .reasons
            .iter()
            .any(|r| r.code == code && r.severity >= severity)
        {
            return;
        }
        self.reasons.retain(|r| r.code != code);
        if !measured.is_empty() {
            slots.insert("measured", measured.clone());
        }
        if !limit.is_empty() {
            slots.insert("limit", limit.clone());
        }
        let advice = self.case.words.advice(code, severity, &slots);
        self.reasons.push(Reason {
            code,
            severity,
            measured,
            limit,
            advice,
        });
    }

    /// Judges `value` against a limit; `show` writes it with its unit.
    fn weigh(
        &mut self,
        code: Code,
        limit: &Limit,
        value: f64,
        show: impl Fn(f64) -> String,
        measured: String,
        slots: Slots,
    ) {
        if let Some((severity, threshold)) = limit.judge(value) {
            self.add(code, severity, measured, show(threshold), slots);
        }
    }
}

/// Turns a measurement into the word for the photo and its reasons, worst first.
pub fn judge(m: &Measurement, case: &Case) -> (Verdict, Vec<Reason>) {
    let mut b = Bench {
        case,
        reasons: Vec::new(),
    };
    for f in &m.findings {
        b.add(
            f.code,
            f.severity,
            f.measured.clone(),
            f.limit.clone(),
            f.slots.clone(),
        );
    }
    let nothing_found = m.findings.iter().any(|f| f.code == Code::NoSpectrum);
    if !nothing_found && case.capture != Capture::Dark {
        exposure(m, case, &mut b);
        geometry(m, case, &mut b);
        sharpness(m, case, &mut b);
        scale(m, case, &mut b);
    }
    // Where nothing is found, stray light can be why.
    if (nothing_found || case.capture == Capture::Dark)
        && let Some(level) = m.metrics.value(Quantity::BackgroundLevel)
    {
        leak(m, level, case, &mut b);
    }
    locks(case, &mut b);
    b.reasons.sort_by_key(|r| {
        (
            std::cmp::Reverse(r.severity),
            Code::ALL
                .iter()
                .position(|c| *c == r.code)
                .unwrap_or(usize::MAX),
        )
    });
    let worst = b.reasons.iter().map(|r| r.severity).max();
    let needs_scale = !matches!(case.capture, Capture::Calibration | Capture::Dark);
    let verdict = if worst == Some(Severity::Retake) {
        Verdict::Retake
    } else if needs_scale && m.scale_kind != Some(ScaleKind::Calibrated) {
        Verdict::Waiting
    } else if worst == Some(Severity::Caution) {
        Verdict::Caution
    } else {
        Verdict::Good
    };
    (verdict, b.reasons)
}

/// Exposure time as a camera shows it: `1/250 s`, `0.5 s`.
pub fn exposure_time(seconds: f64) -> String {
    if seconds >= 0.3 {
        format!("{seconds:.1} s")
    } else {
        format!("1/{:.0} s", 1.0 / seconds)
    }
}

fn exposure_text(facts: &Facts, factor: f64) -> Option<String> {
    let time = facts.exposure_s? * factor;
    (time > 1e-5 && time < 30.0).then(|| match facts.iso {
        Some(iso) => format!("{} at ISO {iso:.0}", exposure_time(time)),
        None => exposure_time(time),
    })
}

fn exposure(m: &Measurement, case: &Case, b: &mut Bench) {
    let limits = case.limits;
    if let Some(level) = m.metrics.value(Quantity::BackgroundLevel) {
        leak(m, level, case, b);
    }
    // A bracket's photos are over- and under-exposed on purpose.
    if case.capture == Capture::Bracket {
        return;
    }
    if let Some(share) = m.metrics.value(Quantity::ClippedFraction) {
        let line = m.metrics.value(Quantity::ClippedLineShare);
        let factor = times_too_bright(share, line.unwrap_or(0.0));
        let mut slots = Slots::from([("factor", format!("{factor:.0}"))]);
        if let Some(text) = exposure_text(case.facts, 1.0 / factor) {
            slots.insert("exposure_text", text);
        }
        let measured = format!(
            "{} % of the lit spectrum clipped",
            with_sigma(m, Quantity::ClippedFraction, share, 100.0, 1)
        );
        b.weigh(
            Code::Clipped,
            &limits.clipped_fraction,
            share,
            |v| format!("{:.1} %", 100.0 * v),
            measured,
            slots.clone(),
        );
        // Of a lamp photo the lines' places count, and their flanks give them.
        if let Some(line) = line
            && case.capture != Capture::Calibration
        {
            let percent = |v: f64| format!("{:.0} % of a line's width", 100.0 * v);
            let measured = format!(
                "{} % of a line's width clipped",
                with_sigma(m, Quantity::ClippedLineShare, line, 100.0, 0)
            );
            b.weigh(
                Code::Clipped,
                &limits.clipped_line_share,
                line,
                percent,
                measured,
                slots,
            );
        }
    }
    if let (Some(snr), Some(level)) = (
        m.metrics.value(Quantity::Snr),
        m.metrics.value(Quantity::PeakLevel),
    ) {
        let factor = (0.6 / level.max(1e-3)).clamp(1.0, 200.0);
        let nice = if factor < 10.0 {
            factor.round()
        } else {
            (factor / 5.0).round() * 5.0
        };
        // Nobody is told of one photo that it is too bright and too dark: where no more light fits, noise has other reasons.
        if nice < 2.0 && b.reasons.iter().any(|r| r.code == Code::Clipped) {
            return;
        }
        let mut slots = Slots::from([("factor", format!("{nice:.0}"))]);
        if let Some(text) = exposure_text(case.facts, nice) {
            slots.insert("exposure_text", text);
        }
        let measured = format!(
            "signal to noise {}, brightest level {} %",
            with_sigma(m, Quantity::Snr, snr, 1.0, 0),
            with_sigma(m, Quantity::PeakLevel, level, 100.0, 1)
        );
        let percent = |v: f64| format!("brightest level {:.0} %", 100.0 * v);
        b.weigh(
            Code::Dim,
            &limits.peak_level,
            level,
            percent,
            measured.clone(),
            slots.clone(),
        );
        b.weigh(
            Code::Dim,
            &limits.snr,
            snr,
            |v| format!("signal to noise {v:.0}"),
            measured,
            slots,
        );
    }
}

/// `value` of a quantity, times `scale`, with its uncertainty where it has one: `4.7 ± 0.8`.
fn with_sigma(
    m: &Measurement,
    quantity: Quantity,
    value: f64,
    scale: f64,
    decimals: usize,
) -> String {
    match m
        .metrics
        .reading(quantity)
        .and_then(|reading| reading.sigma)
    {
        Some(sigma) if scale * sigma >= 0.5 * 0.1f64.powi(decimals as i32) => format!(
            "{:.decimals$} ± {:.decimals$}",
            scale * value,
            scale * sigma
        ),
        _ => format!("{:.decimals$}", scale * value),
    }
}

fn leak(m: &Measurement, level: f64, case: &Case, b: &mut Bench) {
    let percent = |v: f64| format!("{:.1} %", 100.0 * v);
    let mut slots = Slots::from([("level_percent", format!("{:.1}", 100.0 * level))]);
    let place = m
        .metrics
        .estimate(Quantity::LeakX)
        .zip(m.metrics.estimate(Quantity::LeakY));
    if let Some(side) = place.and_then(|(x, y)| entry_side(x, y)) {
        slots.insert("side", side);
    }
    let measured = format!(
        "stray light {} % of full scale",
        with_sigma(m, Quantity::BackgroundLevel, level, 100.0, 1)
    );
    b.weigh(
        Code::Leak,
        &case.limits.background_level,
        level,
        percent,
        measured,
        slots,
    );
}

fn angle(e: Estimate) -> String {
    let decimals = if e.sigma < 0.05 { 2 } else { 1 };
    format!("{:.decimals$} ± {:.decimals$}°", e.value, e.sigma)
}

fn geometry(m: &Measurement, case: &Case, b: &mut Bench) {
    let limits = case.limits;
    let degrees = |v: f64| format!("{v:.1}°");
    if let Some(tilt) = m.metrics.estimate(Quantity::TiltDeg) {
        let size = tilt.value.abs();
        // The band leans clockwise in the picture when the phone was turned anticlockwise: turn it on, clockwise.
        let direction = if tilt.value > 0.0 {
            "clockwise"
        } else {
            "anticlockwise"
        };
        let slots = Slots::from([
            ("amount_deg", format!("{size:.0}")),
            ("direction", direction.into()),
        ]);
        let measured = format!("tilt {}", angle(tilt));
        b.weigh(
            Code::Tilted,
            &limits.tilt_deg,
            (size - tilt.sigma).max(0.0),
            degrees,
            measured,
            slots,
        );
    }
    if let Some(skew) = m.metrics.estimate(Quantity::SkewDeg) {
        let size = skew.value.abs();
        let slots = Slots::from([("amount_deg", format!("{size:.0}"))]);
        let measured = format!("skew {}", angle(skew));
        b.weigh(
            Code::Skewed,
            &limits.skew_deg,
            (size - skew.sigma).max(0.0),
            degrees,
            measured,
            slots,
        );
    }
    if let Some(share) = m.metrics.value(Quantity::CroppedFraction) {
        let slots = Slots::from([("amount_percent", format!("{:.0}", 100.0 * share))]);
        let measured = format!(
            "{} % of 400 to 700 nm outside the picture",
            with_sigma(m, Quantity::CroppedFraction, share, 100.0, 0)
        );
        b.weigh(
            Code::Cropped,
            &limits.cropped_fraction,
            share,
            |v| format!("{:.0} %", 100.0 * v),
            measured,
            slots,
        );
    }
}

fn sharpness(m: &Measurement, case: &Case, b: &mut Bench) {
    let limits = case.limits;
    let px = |v: f64| format!("{v:.1} px");
    let moved = m.metrics.value(Quantity::MovedPx);
    if let Some(length) = moved {
        let mut slots = Slots::from([("length_px", format!("{length:.0}"))]);
        if let Some(text) = exposure_text(case.facts, 0.25) {
            slots.insert("exposure_text", text);
        }
        b.weigh(
            Code::Moved,
            &limits.moved_px,
            length,
            px,
            format!(
                "smeared over {} px",
                with_sigma(m, Quantity::MovedPx, length, 1.0, 0)
            ),
            slots,
        );
    }
    let is_moved = b.reasons.iter().any(|r| r.code == Code::Moved);
    if let Some(blur) = m.metrics.estimate(Quantity::BlurPx)
        && !is_moved
    {
        let slots = Slots::from([("blur_px", format!("{:.0}", blur.value))]);
        let measured = format!("blur {:.1} ± {:.1} px", blur.value, blur.sigma);
        b.weigh(
            Code::Defocused,
            &limits.blur_px,
            (blur.value - blur.sigma).max(0.0),
            px,
            measured,
            slots,
        );
    }
    let out_of_focus = b
        .reasons
        .iter()
        .any(|r| r.code == Code::Defocused && r.severity == Severity::Retake);
    let round = |v: f64| format!("{:.0}", (v / 10.0).round() * 10.0);
    let um = |v: f64| format!("{v:.0} µm");
    if let Some(width_um) = m.metrics.value(Quantity::SlitWidthIfStillUm) {
        b.weigh(
            Code::SlitWide,
            &limits.slit_width_um,
            width_um,
            um,
            format!(
                "slit about {} µm, if nothing has moved",
                with_sigma(m, Quantity::SlitWidthIfStillUm, width_um, 1.0, 0)
            ),
            Slots::from([("if_still_um", round(width_um))]),
        );
    }
    if let Some(width) = m.metrics.estimate(Quantity::SlitWidthUm)
        // A width that the blur leaves open is no reason to touch the blades.
        && width.sigma < 0.35 * width.value
        && !(out_of_focus && width.sigma > 0.2 * width.value)
    {
        let slots = Slots::from([
            ("width_um", round(width.value)),
            ("wanted_um", "200".to_string()),
        ]);
        let measured = format!(
            "slit {} ± {} µm",
            round(width.value),
            round(width.sigma.max(10.0))
        );
        b.weigh(
            Code::SlitWide,
            &limits.slit_width_um,
            width.value - width.sigma,
            um,
            measured,
            slots,
        );
    }
}

fn scale(m: &Measurement, case: &Case, b: &mut Bench) {
    let limits = case.limits;
    let nm = |v: f64| format!("{v:.2} nm");
    if let Some(c) = &m.calibration {
        let mut names: Vec<&str> = c
            .lines
            .iter()
            .filter(|l| l.used)
            .flat_map(|l| l.name.rsplit(' ').next().unwrap_or("").split('+'))
            .collect();
        names.sort_unstable();
        names.dedup();
        let n = names.len() as f64;
        let needed = limits.calibration_lines.retake.unwrap_or(3.0);
        let slots = Slots::from([
            ("found", format!("{n:.0}")),
            ("needed", format!("{needed:.0}")),
        ]);
        b.weigh(
            Code::FewLines,
            &limits.calibration_lines,
            n,
            |v| format!("{v:.0} lines"),
            format!("{n:.0} lines"),
            slots,
        );
        let slots = Slots::from([("rms_nm", format!("{:.2}", c.rms_nm))]);
        b.weigh(
            Code::PoorFit,
            &limits.calibration_rms_nm,
            c.rms_nm,
            nm,
            format!("residuals {}", nm(c.rms_nm)),
            slots,
        );
    }
    if m.scale_kind == Some(ScaleKind::Calibrated)
        && let Some(sigma) = m.metrics.value(Quantity::WavelengthSigmaNm)
    {
        let measured = format!("scale known to ± {}", nm(sigma));
        let turned = m.metrics.value(Quantity::YawDriftDeg).map(|deg| deg.abs());
        let slots = match turned.filter(|deg| *deg > SLIT_ELSEWHERE_DEG) {
            Some(deg) => Slots::from([("turned_deg", format!("{deg:.0}"))]),
            None => Slots::new(),
        };
        b.weigh(
            Code::PoorFit,
            &limits.wavelength_sigma_nm,
            sigma,
            nm,
            measured,
            slots,
        );
    }
}

fn locks(case: &Case, b: &mut Bench) {
    let in_set = !matches!(case.capture, Capture::Sample | Capture::Calibration)
        || case.blank.is_some_and(|b| b.sure);
    let severity = if in_set {
        case.limits.exposure_auto_in_set
    } else {
        case.limits.exposure_auto
    };
    let what = match (case.facts.exposure_auto, case.facts.white_balance_auto) {
        (Some(true), Some(true)) => Some("exposure and white balance"),
        (Some(true), _) => Some("exposure"),
        (_, Some(true)) => Some("white balance"),
        _ => None,
    };
    if let (Some(severity), Some(what)) = (severity, what) {
        let slots = Slots::from([("what", what.to_string())]);
        b.add(
            Code::ExposureAuto,
            severity,
            format!("{what} chosen by the phone"),
            String::new(),
            slots,
        );
    }
    // A photo that has lost what its camera wrote, as many messengers do, may have been exposed in any way.
    if let Some(blank) = case.blank
        && case.limits.exposure_ratio.caution.is_some()
        && (blank.exposure.is_none() || case.facts.exposure_product().is_none())
    {
        b.add(
            Code::ExposureDiffers,
            Severity::Caution,
            format!(
                "taken as exposed like its blank: {} does not say how it was exposed",
                if blank.exposure.is_none() {
                    blank.name
                } else {
                    "the photo"
                }
            ),
            String::new(),
            Slots::new(),
        );
    }
    if let Some(blank) = case.blank
        && let Some(reference) = blank.exposure
        && let Some(own) = case.facts.exposure_product()
        && reference > 0.0
    {
        let ratio = (own / reference).max(reference / own);
        let times = |v: f64| format!("{v:.2} times");
        let slots = Slots::from([
            ("factor", format!("{ratio:.1}")),
            ("blank", blank.name.to_string()),
        ]);
        let measured = format!("exposure {ratio:.2} times the blank's or the other way about");
        let mut limit = case.limits.exposure_ratio;
        if !blank.sure {
            limit.retake = None;
        }
        b.weigh(Code::ExposureDiffers, &limit, ratio, times, measured, slots);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is said of a sound measurement but for its exposure.
    fn said(m: &Measurement, capture: Capture) -> (Verdict, Vec<Reason>) {
        let (facts, limits, words) = (Facts::default(), Limits::default(), Words::shipped());
        let case = Case {
            capture,
            facts: &facts,
            limits: &limits,
            words: &words,
            blank: None,
        };
        judge(m, &case)
    }

    fn exposed(clipped_fraction: f64) -> Measurement {
        let mut m = Measurement {
            scale_kind: Some(ScaleKind::Calibrated),
            ..Measurement::default()
        };
        m.metrics.set(Quantity::ClippedFraction, clipped_fraction);
        m
    }

    #[test]
    fn an_over_exposed_photo_is_taken_again_unless_it_is_one_of_a_bracket() {
        let mut m = exposed(0.4);
        m.metrics.set(Quantity::BackgroundLevel, 0.2);
        let codes = |capture: Capture| -> Vec<Code> {
            said(&m, capture).1.iter().map(|r| r.code).collect()
        };
        assert_eq!(codes(Capture::Sample), [Code::Clipped, Code::Leak]);
        assert_eq!(codes(Capture::Bracket), [Code::Leak]);
    }

    #[test]
    fn one_cut_line_spoils_heights_but_not_a_scale() {
        let mut m = exposed(0.02);
        m.metrics.set(Quantity::ClippedLineShare, 0.9);
        m.metrics.set(Quantity::Snr, 58.0);
        m.metrics.set(Quantity::PeakLevel, 0.79);
        let verdict = |capture: Capture| {
            let (verdict, reasons) = said(&m, capture);
            let codes: Vec<Code> = reasons.iter().map(|r| r.code).collect();
            assert_eq!(codes, [Code::Clipped]);
            assert!(capture == Capture::Calibration || reasons[0].advice.contains('5'));
            verdict
        };
        assert_eq!(verdict(Capture::Sample), Verdict::Retake);
        assert_eq!(verdict(Capture::Blank), Verdict::Retake);
        assert_eq!(verdict(Capture::Calibration), Verdict::Caution);
    }
}
