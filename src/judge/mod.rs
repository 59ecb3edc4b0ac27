//! The judge holds what was measured of a photo against the limits in force. It gives the reasons why the photo is not simply
//! good, each with advice, and the verdict.

mod checks;
mod exposure;
mod limit;
mod limits;
mod width;
mod words;

pub use checks::Check;
pub use exposure::exposure_time;
pub use limit::{Limit, Side};
pub use limits::Limits;
pub use words::Words;

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

use crate::decode::Facts;
use crate::judge::checks::{Number, Told};
use crate::terms::{Calibration, Capture, Code, Finding, Measurement, Quantity, Reading};
use crate::terms::{Reason, ScaleKind, Severity, Verdict};

/// What the judge needs to know besides the measurement.
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

/// The blank that a photo is compared with, as far as the judge asks for it.
#[derive(Clone, Copy)]
pub struct Compared<'a> {
    /// Its name.
    pub name: &'a str,
    /// Its exposure time × ISO.
    pub exposure: Option<f64>,
    /// False where photo and blank may show two different lamps of the same kind. Nothing about the pair is then worse than a
    /// caution.
    pub sure: bool,
}

type Slots = BTreeMap<&'static str, String>;

/// Reasons for which little of the photo can be judged at all. Of equally bad reasons they are told first, in this order.
const TOLD_FIRST: [Code; 5] = [
    Code::Truncated,
    Code::Unreadable,
    Code::TooLarge,
    Code::NoSpectrum,
    Code::Cropped,
];

/// A phone that is laid on its tube again has turned by tenths of a degree, seldom by two degrees. Where it seems to have turned
/// by more than this, something else was taken for the slit's image, or slit or disc was moved.
const SLIT_ELSEWHERE_DEG: f64 = 3.0;

/// An angle that is known better than this is told with one decimal more, degrees.
const WELL_KNOWN_DEG: f64 = 0.05;

/// Turns a measurement into the verdict on the photo and its reasons, worst first.
pub fn judge(m: &Measurement, case: &Case) -> (Verdict, Vec<Reason>) {
    let mut judgement = Judgement {
        m,
        case,
        reasons: Vec::new(),
    };
    for finding in &m.findings {
        judgement.add(finding.clone());
    }
    let mut checks = Check::ALL;
    checks.sort_by_key(|check| turn(*check));
    for check in checks {
        match check {
            _ if !judgement.concerns(check) => {}
            Check::SlitWidthUm => {
                judgement.slit_width();
                judgement.line_width();
                judgement.may_have_moved();
            }
            _ => judgement.check(check),
        }
    }
    judgement.locks();
    let mut reasons = judgement.reasons;
    reasons.sort_by_key(|r| {
        let first = TOLD_FIRST.iter().position(|code| *code == r.code);
        (
            Reverse(r.severity),
            first.unwrap_or(TOLD_FIRST.len()),
            r.code,
        )
    });
    let worst = reasons.first().map(|r| r.severity);
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
    (verdict, reasons)
}

/// When a check is asked. Most come first, in the order of the table; those that look at what others have found come later, and
/// so do those that give way to another check with the same reason.
fn turn(check: Check) -> u8 {
    match check {
        Check::PeakLevel | Check::BlurPx => 1,
        Check::Snr | Check::SlitWidthUm => 2,
        _ => 0,
    }
}

/// A photo on its way to its reasons.
struct Judgement<'a> {
    m: &'a Measurement,
    case: &'a Case<'a>,
    reasons: Vec<Reason>,
}

impl Judgement<'_> {
    /// Adds a reason, unless there is one with the same code that is as bad.
    fn add(&mut self, found: Finding) {
        if self.has(found.code, found.severity) {
            return;
        }
        self.reasons.retain(|r| r.code != found.code);
        let mut slots = found.slots;
        for (name, text) in [("measured", &found.measured), ("limit", &found.limit)] {
            if !text.is_empty() {
                slots.insert(name, text.clone());
            }
        }
        self.reasons.push(Reason {
            code: found.code,
            severity: found.severity,
            advice: self.case.words.advice(found.code, found.severity, &slots),
            measured: found.measured,
            limit: found.limit,
        });
    }

    /// True where there is a reason of this code, at least so bad.
    fn has(&self, code: Code, severity: Severity) -> bool {
        let is_it = |r: &Reason| r.code == code && r.severity >= severity;
        self.reasons.iter().any(is_it)
    }

    /// The limit in force. Where it is in doubt whether the blank is of the same lamp, a difference of the two is no retake.
    fn limit(&self, check: Check) -> Limit {
        let limit = self.case.limits[check];
        match self.case.blank {
            Some(blank) if check == Check::ExposureRatio && !blank.sure => Limit {
                retake: None,
                ..limit
            },
            _ => limit,
        }
    }

    /// Holds `value` against the check's limit.
    fn weigh(&mut self, check: Check, value: f64, measured: String, slots: Slots) {
        if let Some((severity, threshold)) = self.limit(check).judge(value) {
            self.add(Finding {
                code: check.row().code,
                severity,
                measured,
                limit: check.row().passed.number(threshold),
                slots,
            });
        }
    }

    /// Judges a check by its row of the table.
    fn check(&mut self, check: Check) {
        let Some(number) = self.number(check) else {
            return;
        };
        let value = match (check.row().number, number.sigma) {
            (Number::BeyondDoubt(_), None) => return,
            (Number::BeyondDoubt(_), Some(sigma)) => (number.value.abs() - sigma).max(0.0),
            _ => number.value,
        };
        let (measured, slots) = (self.measured(check, number), self.slots(check, number));
        self.weigh(check, value, measured, slots);
    }

    /// Whether a check is asked of this photo.
    fn concerns(&self, check: Check) -> bool {
        let capture = self.case.capture;
        let shows_nothing = |f: &Finding| matches!(f.code, Code::NoSpectrum | Code::Dim);
        let is_dark = capture == Capture::Dark || self.m.findings.iter().any(shows_nothing);
        // A bracket's photos are over- and under-exposed on purpose.
        let is_metered = !is_dark && capture != Capture::Bracket;
        match check {
            // Where nothing is found, stray light can be why.
            Check::BackgroundLevel | Check::ExposureRatio => true,
            Check::ClippedFraction => is_metered,
            // Of a lamp photo the lines' places count, and their flanks give them.
            Check::ClippedLineShare => {
                is_metered
                    && capture != Capture::Calibration
                    && self.m.metrics.has(Quantity::ClippedFraction)
            }
            Check::Snr | Check::PeakLevel => is_metered && self.times_too_dark().is_some(),
            Check::BlurPx => !is_dark && !self.has(Code::Moved, Severity::Caution),
            Check::WavelengthSigmaNm => {
                !is_dark && self.m.scale_kind == Some(ScaleKind::Calibrated)
            }
            _ => !is_dark,
        }
    }

    /// The number that a check judges.
    fn number(&self, check: Check) -> Option<Reading> {
        let worked_out = match check {
            Check::CalibrationLines => different_lines(self.m.calibration.as_ref()?),
            Check::CalibrationRmsNm => beyond_doubt_nm(self.m.calibration.as_ref()?),
            Check::ExposureRatio => {
                let own = self.case.facts.exposure_product()?;
                let reference = self.case.blank?.exposure.filter(|r| *r > 0.0)?;
                (own / reference).max(reference / own)
            }
            _ => match check.row().number {
                Number::Published(quantity) | Number::BeyondDoubt(quantity) => {
                    return self.m.metrics.reading(quantity);
                }
                Number::WorkedOut(..) => return None,
            },
        };
        Some(Reading {
            value: worked_out,
            sigma: None,
        })
    }

    /// What was measured, in words.
    fn measured(&self, check: Check, number: Reading) -> String {
        let told = check.row().measured;
        match (check, check.row().number, number.estimate()) {
            (Check::Snr | Check::PeakLevel, ..) => {
                let both = [Check::Snr, Check::PeakLevel].map(|check| {
                    let number = self.number(check);
                    number.map_or_else(String::new, |n| check.row().measured.reading(n))
                });
                both.join(", ")
            }
            (Check::TiltDeg | Check::SkewDeg, _, Some(angle)) if angle.sigma < WELL_KNOWN_DEG => {
                let decimals = told.decimals + 1;
                Told { decimals, ..told }.estimate(angle)
            }
            (_, Number::BeyondDoubt(_), Some(estimate)) => told.estimate(estimate),
            _ => told.reading(number),
        }
    }

    /// What the advice may say of it.
    fn slots(&self, check: Check, number: Reading) -> Slots {
        let (row, value) = (check.row(), number.value);
        let own = row.slot.map(|(name, decimals)| {
            let size = row.measured.times * value.abs();
            (name, format!("{size:.decimals$}"))
        });
        let metrics = &self.m.metrics;
        let facts = self.case.facts;
        let exposed = |factor| exposure::text(facts, factor).map(|text| ("exposure_text", text));
        let further = match check {
            Check::ClippedFraction | Check::ClippedLineShare => {
                let share = |quantity| metrics.value(quantity).unwrap_or(0.0);
                let factor = exposure::times_too_bright(
                    share(Quantity::ClippedFraction),
                    share(Quantity::ClippedLineShare),
                );
                [
                    Some(("factor", format!("{factor:.0}"))),
                    exposed(1.0 / factor),
                ]
            }
            Check::Snr | Check::PeakLevel => {
                let factor = self.times_too_dark();
                let told = factor.map(|factor| ("factor", format!("{factor:.0}")));
                [told, factor.and_then(exposed)]
            }
            Check::TiltDeg => {
                // The band leans clockwise in the picture when the phone was turned anticlockwise: turn it on, clockwise.
                let direction = if value > 0.0 {
                    "clockwise"
                } else {
                    "anticlockwise"
                };
                [Some(("direction", direction.to_owned())), None]
            }
            // A quarter of the time smears over a quarter of the way.
            Check::MovedPx => [exposed(0.25), None],
            Check::BackgroundLevel => [metrics.leak_side().map(|side| ("side", side)), None],
            Check::CalibrationLines => {
                let needed = self.case.limits[check].retake.unwrap_or(3.0);
                [Some(("needed", format!("{needed:.0}"))), None]
            }
            Check::WavelengthSigmaNm => {
                let turned = metrics.value(Quantity::YawDriftDeg).map(f64::abs);
                let turned = turned.filter(|deg| *deg > SLIT_ELSEWHERE_DEG);
                [turned.map(|deg| ("turned_deg", format!("{deg:.0}"))), None]
            }
            Check::ExposureRatio => {
                let blank = self.case.blank.map(|blank| blank.name.to_owned());
                [blank.map(|name| ("blank", name)), None]
            }
            _ => [None, None],
        };
        own.into_iter()
            .chain(further.into_iter().flatten())
            .collect()
    }

    /// How many times longer to expose. Nobody is told of one photo that it is too bright and too dark: where no more light
    /// fits, noise has other reasons.
    fn times_too_dark(&self) -> Option<f64> {
        self.m.metrics.value(Quantity::Snr)?;
        let level = self.m.metrics.value(Quantity::PeakLevel)?;
        let factor = exposure::times_too_dark(level);
        let fits = factor >= 2.0 || !self.has(Code::Clipped, Severity::Caution);
        fits.then_some(factor)
    }

    /// What the phone chose by itself, and what a photo does not say of its exposure.
    fn locks(&mut self) {
        let (case, facts) = (self.case, self.case.facts);
        let in_set = !matches!(case.capture, Capture::Sample | Capture::Calibration)
            || case.blank.is_some_and(|b| b.sure);
        let severity = if in_set {
            case.limits.exposure_auto_in_set
        } else {
            case.limits.exposure_auto
        };
        let what = match (facts.exposure_auto, facts.white_balance_auto) {
            (Some(true), Some(true)) => Some("exposure and white balance"),
            (Some(true), _) => Some("exposure"),
            (_, Some(true)) => Some("white balance"),
            _ => None,
        };
        if let (Some(severity), Some(what)) = (severity, what) {
            let measured = format!("{what} chosen by the phone");
            self.add(Finding::new(Code::ExposureAuto, severity, measured).with("what", what));
        }
        // A photo that has lost what its camera wrote, as many messengers do, may have been exposed in any way.
        if let Some(blank) = case.blank
            && case.limits[Check::ExposureRatio].caution.is_some()
            && (blank.exposure.is_none() || facts.exposure_product().is_none())
        {
            let silent = match blank.exposure {
                None => blank.name,
                Some(_) => "the photo",
            };
            let measured = format!(
                "taken as exposed like its blank: {silent} does not say how it was exposed"
            );
            self.add(Finding::new(
                Code::ExposureDiffers,
                Severity::Caution,
                measured,
            ));
        }
    }
}

/// Root mean square of what the residuals of a scale's lines exceed their standard uncertainties by, nm: a line that is known to half
/// a nanometre, and lies half a nanometre off, fits.
fn beyond_doubt_nm(calibration: &Calibration) -> f64 {
    let lines = calibration.lines.iter().filter(|line| line.used);
    let excess = lines.map(|line| (line.residual_nm.abs() - line.sigma_nm).max(0.0));
    let (sum, n) = excess.fold((0.0, 0), |(sum, n), nm| (sum + nm * nm, n + 1));
    (sum / f64::from(n.max(1))).sqrt()
}

/// How many different lamp lines a scale was fitted to. A blend counts each of its lines, and a line of both orders once; but two
/// lines that both orders show do for three: the slit's image and four places leave as little open.
fn different_lines(calibration: &Calibration) -> f64 {
    let names = |order: i32| -> BTreeSet<&str> {
        let used = calibration.lines.iter().filter(|line| line.used);
        used.filter(|line| line.order == order)
            .flat_map(|line| line.name.rsplit(' ').next().unwrap_or("").split('+'))
            .collect()
    };
    let (plus, minus) = (names(1), names(-1));
    let in_both = plus.intersection(&minus).count();
    plus.union(&minus)
        .count()
        .max((2 * in_both).saturating_sub(1)) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings;

    /// What is said of a sound measurement but for its exposure.
    pub fn said(m: &Measurement, capture: Capture) -> (Verdict, Vec<Reason>) {
        let (facts, limits, words) = (
            Facts::default(),
            Limits::default(),
            settings::words::shipped(),
        );
        let case = Case {
            capture,
            facts: &facts,
            limits: &limits,
            words: &words,
            blank: None,
        };
        judge(m, &case)
    }

    pub fn exposed(clipped_fraction: f64) -> Measurement {
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
