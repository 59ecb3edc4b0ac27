//! The work on one photo, step by step: decode, measure, judge, write down. Where the pure parts meet; it reads no
//! folder and no clock of its own.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::answers::absorb::{
    KNOWN_TONE, Likeness, Link, UNKNOWN_TONE, absorbance, gaps, likeness,
};
use crate::classify;
use crate::classify::{Decision, Purpose};
use crate::decode::{self, Facts, Fault};
use crate::frame::Frame;
use crate::judge::{Case, Compared, judge};
use crate::measure::photo::{self, measure};
use crate::measure::portrait::smeared_beside;
use crate::pair;
use crate::publish::files;
use crate::publish::record::{CalibrationRecord, Measured, Record};
use crate::report::{self, Sink};
use crate::settings::Settings;
use crate::settings::sections::{BlankChoice, CalibrationChoice, Poll};
use crate::standards;
use crate::terms::{
    AbsorbanceRow, Calibration, Code, Measurement, Quantity, Reason, ScaleKind, Severity, Spectrum,
    Unmeasured, Verdict,
};
use crate::terms::{Capture, Subject};

pub use super::company::Against;

use super::answering;
use super::cards::Cards;
use super::company::{
    Company, MOST_ROWS, MOST_TONES, SpectrumKey, Tone, ToneKey, cut_down, spoilt_blank,
};
use super::raw;
use super::read::Gone;
use super::shared::Shared;
use super::work::Input;
use super::work::{Class, Fate, Orders, Outcome, Setup, Task, Work};

/// Share of a dark's level that may be left after the background is taken off: the light that leaks in is not quite even
/// (common practice, no source).
const DARK_DOUBT: f64 = 0.1;

/// The program's real work.
pub struct Lab {
    pub(super) settings: Arc<Settings>,
    names: Vec<crate::terms::LampLine>,
    pub(super) lamps: Vec<crate::terms::Lamp>,
    /// Of blanks and shots of brackets: every sample of a series asks for the same ones.
    pub(super) spectra: Shared<SpectrumKey, Arc<Option<Spectrum>>>,
    pub(super) tones: Shared<ToneKey, Arc<Tone>>,
    cards: Cards,
}

/// What one photo comes to, before it is written down.
pub struct Finding {
    /// Numbers, spectrum, drawing.
    pub measurement: Measurement,
    /// The word.
    pub verdict: Verdict,
    /// Why.
    pub reasons: Vec<Reason>,
    /// Upright picture; absent where the file could not be decoded.
    pub frame: Option<Frame>,
    /// Against a blank, one entry per row of the spectrum.
    pub absorbance: Option<Vec<AbsorbanceRow>>,
    /// For people.
    pub remarks: Vec<String>,
}

/// A lamp photo's scale, ready for use.
pub struct Scale<'a> {
    /// Path of the lamp photo.
    pub photo: &'a str,
    /// Hash of its bytes.
    pub hash: &'a str,
    /// The scale.
    pub calibration: &'a Calibration,
    /// The lamp photo's record.
    pub record: &'a Record,
}

/// Memory for a photo in flight, bytes, and for all of them, where the configuration leaves it open: a photo of 12 megapixels
/// takes 100 to 150 MiB. Whoever has more memory gains nothing by its being used, but for pictures that are too large for it
/// and wait for each other.
const PHOTO_BYTES: u64 = 150 << 20;
const LEAST_BYTES: u64 = 512 << 20;

impl Lab {
    /// For these settings.
    pub fn new(settings: Settings) -> Lab {
        Lab {
            settings: Arc::new(settings),
            names: standards::lines_for_naming(),
            lamps: standards::lamps(),
            spectra: Shared::new(MOST_ROWS, |s| {
                s.as_ref().as_ref().map_or(1, |s| s.rows.len())
            }),
            tones: Shared::new(MOST_TONES, |_| 1),
            cards: Cards::default(),
        }
    }

    /// The settings in force.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// What the shell needs to know, and the work itself.
    pub fn setup(self) -> Setup {
        Setup {
            orders: self.orders(),
            work: Arc::new(self),
        }
    }

    /// What the shell needs to know.
    pub fn orders(&self) -> Orders {
        let s = &self.settings;
        let mut orders = Orders::new(&s.inbox, &s.results);
        let seconds = std::time::Duration::from_secs_f64;
        orders.settle = seconds(s.arrival.settle_s);
        orders.patience = seconds(s.arrival.damaged_after_s);
        orders.rescan = seconds(s.arrival.rescan_s);
        orders.poll = s.arrival.poll == Poll::Always;
        if let Some(workers) = s.work.workers {
            orders.workers = workers;
        }
        match (s.work.memory_mib, free_memory()) {
            (Some(mib), _) => orders.memory_bytes = mib << 20,
            (None, free) => {
                let enough = PHOTO_BYTES
                    .saturating_mul(orders.workers as u64)
                    .max(LEAST_BYTES);
                orders.memory_bytes = free.map_or(enough, |free| enough.min(free / 2));
            }
        }
        orders.pairing.calibration = match s.pairing.calibration {
            CalibrationChoice::Nearest => pair::Choice::Nearest,
            CalibrationChoice::LatestBefore => pair::Choice::Before,
            CalibrationChoice::Best => pair::Choice::All,
        };
        let blank = match s.pairing.blank {
            BlankChoice::Nearest => pair::Choice::Nearest,
            BlankChoice::LatestBefore => pair::Choice::Before,
        };
        (orders.pairing.blank, orders.pairing.dark) = (blank, blank);
        orders.pairing.within_s = s.pairing.within_h.map(|h| h * 3600.0);
        orders.configuration_hash = s.configuration_hash();
        orders
    }

    /// Measures and judges a photo's bytes.
    ///
    /// `scale` is the bench's scale if there is one.
    pub fn examine(
        &self,
        bytes: &[u8],
        facts: &Facts,
        purpose: &Purpose,
        scale: Option<&Scale>,
        against: &Against<'_>,
    ) -> Finding {
        let blank = against.blank;
        let (facts, frame) = match raw::decode(bytes, self.settings.work.max_pixels()) {
            Ok((facts, frame)) => (facts, frame),
            Err(fault) => return self.broken(&fault, facts),
        };
        let frame = match against.curve {
            Some(curve) => frame.retoned(|level| curve.light(level)),
            None => frame,
        };
        let mut measurement =
            self.with_inputs(&facts, purpose, scale, |inputs| measure(&frame, inputs));
        if let Some(how) = against.cut {
            photo::refuse_cut(&mut measurement, how);
        }
        if let (Some(reference), Some(slit_px)) = (blank.and_then(|b| b.2), against.blank_slit_px)
            && let Some(smear_px) = smeared_beside(&measurement, reference, slit_px)
        {
            let metrics = &mut measurement.metrics;
            let known = metrics
                .estimate(Quantity::MovedPx)
                .filter(|k| k.value > smear_px.value);
            metrics.note(Quantity::MovedPx, known.unwrap_or(smear_px));
        }
        let mut remarks = decode::doubts(&facts);
        let ratio = match (blank.and_then(|b| b.1), facts.exposure_product()) {
            (Some(blank), Some(own)) => blank / own,
            _ => 1.0,
        };
        // A bench photographs other lamps after its blank: the blank is not theirs.
        let alike = match (&measurement.spectrum, blank.and_then(|b| b.2)) {
            (Some(sample), Some(reference)) => {
                likeness(sample, &measurement.peaks, reference, ratio)
            }
            (None, _) => Likeness::Another,
            (_, None) => Likeness::Same,
        };
        let blank = match blank {
            Some((name, ..)) if alike == Likeness::Another => {
                remarks.push(format!(
                    "the blank {name} is not compared with: this is not its light through a sample"
                ));
                None
            }
            other => other,
        };
        let case = Case {
            capture: purpose.capture,
            facts: &facts,
            limits: &self.settings.limits,
            words: &self.settings.words,
            blank: blank.map(|(name, exposure, _)| Compared {
                name,
                exposure,
                sure: alike == Likeness::Same,
            }),
        };
        let (verdict, reasons) = judge(&measurement, &case);
        let link = Link {
            exposure_ratio: ratio,
            stray_sigma: against.dark.map_or(0.0, |(_, level)| DARK_DOUBT * level),
            // The sensor's own samples have no tone curve.
            tone_share: match (against.curve, facts.format) {
                (None, format) if format != "dng" => UNKNOWN_TONE,
                _ => KNOWN_TONE,
            },
        };
        let absorbance = match (
            &measurement.spectrum,
            blank.and_then(|b| b.2),
            measurement.scale_kind,
        ) {
            (Some(sample), Some(blank), Some(ScaleKind::Calibrated)) => {
                for (why, from, to, nm) in gaps(sample, blank, &link) {
                    let words = format!(
                        "{} on {nm:.0} nm between {from:.0} and {to:.0} nm",
                        why.words()
                    );
                    let said = Unmeasured::new(Subject::Absorbance, words);
                    measurement.not_measured.push(said);
                }
                if let Some((dark, level)) = against.dark.filter(|(_, level)| *level > 1e-4) {
                    remarks.push(format!(
                        "the dark {dark} holds {:.2} % of full scale; it falls beyond the slit's ends too and is taken off with the background, a tenth of it is counted as doubt",
                        100.0 * level
                    ));
                }
                if link.tone_share == UNKNOWN_TONE {
                    remarks.push(format!(
                        "no bracket shows this phone's tone curve: sRGB's is used, and {:.0} % of each absorbance is counted as doubt",
                        100.0 * UNKNOWN_TONE
                    ));
                }
                Some(absorbance(sample, blank, &link))
            }
            (_, None, _) if blank.is_some() => {
                measurement.lacks(Subject::Blank, "has no spectrum on this scale");
                None
            }
            _ => None,
        };
        Finding {
            measurement,
            verdict,
            reasons,
            frame: Some(frame),
            absorbance,
            remarks,
        }
    }

    /// Measures and judges a photo's bytes against the lamp photos and blanks that pairing chose for it.
    ///
    /// # Errors
    /// Where the blank has changed meanwhile.
    pub(super) fn examine_with<'a>(
        &self,
        bytes: &[u8],
        facts: &Facts,
        purpose: &Purpose,
        company: Company<'a>,
        remarks: &mut Vec<String>,
    ) -> Result<(Finding, Option<Scale<'a>>), Gone> {
        let scale = match purpose.capture {
            Capture::Calibration | Capture::Dark => None,
            _ => self.choose_scale(company.calibrations, facts, remarks),
        };
        let cut = match (&scale, purpose.capture) {
            (None, Capture::Blank | Capture::Sample) => cut_down(company.calibrations, facts),
            _ => None,
        };
        let curve = match purpose.capture {
            Capture::Blank | Capture::Sample => {
                self.tone_curve(company.brackets, facts, scale.as_ref(), remarks)?
            }
            _ => None,
        };
        let (spoilt, blanks): (Vec<&Input>, Vec<&Input>) = company
            .blanks
            .iter()
            .filter(|_| purpose.capture == Capture::Sample)
            .partition(|b| b.record.verdict == Verdict::Retake);
        let blank = match blanks.first() {
            Some(blank) => {
                let spectrum = self.blank_spectrum(blank, scale.as_ref(), curve.as_ref())?;
                Some((*blank, spectrum))
            }
            None => None,
        };
        let dark = company.darks.first().filter(|_| blank.is_some());
        let against = Against {
            blank: blank.as_ref().map(|(b, spectrum)| {
                let exposure = b.facts.exposure_product();
                (b.photo.as_str(), exposure, spectrum.as_ref().as_ref())
            }),
            blank_slit_px: blank
                .as_ref()
                .and_then(|(b, _)| b.record.metrics.value(Quantity::SlitImagePx)),
            dark: dark.and_then(|d| {
                let level = d.record.metrics.value(Quantity::BackgroundMedian)?;
                Some((d.photo.as_str(), level))
            }),
            curve: curve.as_ref().map(|(_, curve)| curve),
            cut: cut.as_deref(),
        };
        let mut finding = self.examine(bytes, facts, purpose, scale.as_ref(), &against);
        if let Some(blank) = spoilt.first() {
            finding.measurement.not_measured.push(spoilt_blank(blank));
        }
        Ok((finding, scale))
    }

    /// What `measured` makes of the inputs that a photo is measured with.
    pub(super) fn with_inputs<T>(
        &self,
        facts: &Facts,
        purpose: &Purpose,
        scale: Option<&Scale>,
        measured: impl FnOnce(&photo::Inputs) -> T,
    ) -> T {
        let lamps = match purpose.capture {
            Capture::Calibration => self.settings.lamps_for(&purpose.lamp),
            _ => Vec::new(),
        };
        measured(&photo::Inputs {
            bench: &self.settings.bench(&purpose.bench),
            facts,
            capture: purpose.capture,
            lamps,
            others: &self.lamps,
            names: &self.names,
            calibration: scale.map(|s| s.calibration),
            range_nm: (self.settings.output.from_nm, self.settings.output.to_nm).into(),
            step_nm: self.settings.output.step_nm,
        })
    }

    fn broken(&self, fault: &Fault, facts: &Facts) -> Finding {
        let (code, slots) = match fault {
            Fault::Truncated(_) => (Code::Truncated, BTreeMap::new()),
            Fault::Unreadable(what) => {
                (Code::Unreadable, BTreeMap::from([("found", what.clone())]))
            }
            Fault::TooLarge(_) => {
                let megapixels = (facts.width * facts.height) as f64 / 1e6;
                let mut slots = BTreeMap::from([(
                    "limit_megapixels",
                    self.settings.work.max_megapixels.to_string(),
                )]);
                if megapixels > 0.0 {
                    slots.insert("megapixels", format!("{megapixels:.0}"));
                }
                (Code::TooLarge, slots)
            }
        };
        self.without_picture(code, fault.to_string(), &slots)
    }

    fn without_picture(&self, code: Code, what: String, slots: &BTreeMap<&str, String>) -> Finding {
        let advice = self.settings.words.advice(code, Severity::Retake, slots);
        let log = vec![format!("{}: {what}", code.as_str())];
        let reason = Reason {
            code,
            severity: Severity::Retake,
            measured: what,
            limit: String::new(),
            advice,
        };
        Finding {
            measurement: Measurement {
                log,
                ..Measurement::default()
            },
            verdict: Verdict::Unreadable,
            reasons: vec![reason],
            frame: None,
            absorbance: None,
            remarks: Vec::new(),
        }
    }
}

/// Memory that the system could give, bytes: what it calls available, proc_meminfo(5).
pub(super) fn free_memory() -> Option<u64> {
    let text = std::fs::read_to_string("/proc/meminfo").ok()?;
    let line = text
        .lines()
        .find_map(|line| line.strip_prefix("MemAvailable:"))?;
    let kib: u64 = line.split_whitespace().next()?.parse().ok()?;
    Some(kib << 10)
}

impl Work for Lab {
    fn facts(&self, bytes: &[u8]) -> Facts {
        decode::facts(bytes)
    }

    fn decide(&self, photo: &str, facts: &Facts) -> Decision {
        self.settings.rules.decide(photo, facts)
    }

    fn measure(&self, task: &Task<'_>) -> Result<Outcome, Gone> {
        let purpose = match (&task.decision.outcome, task.fate) {
            (classify::Outcome::Measure(purpose), Fate::Measure | Fate::Fault { .. }) => {
                Some(purpose)
            }
            _ => None,
        };
        let mut remarks = task.provenance.circumstances.clone();
        let mut used: Option<CalibrationRecord> = None;
        let finding = match (task.fate, purpose) {
            (Fate::Measure, Some(purpose)) => {
                let (found, scale) = self.examine_with(
                    task.bytes,
                    task.facts,
                    purpose,
                    Company {
                        calibrations: task.calibrations,
                        blanks: task.blanks,
                        darks: task.darks,
                        brackets: task.brackets,
                    },
                    &mut remarks,
                )?;
                used = calibration_record(task.photo, &found.measurement, scale.as_ref());
                found
            }
            (Fate::Fault { code, what }, _) => self.without_picture(
                *code,
                what.clone(),
                &BTreeMap::from([("found", what.clone())]),
            ),
            (Fate::Ignore { .. }, _) | (Fate::Measure, None) => {
                let why = match (task.fate, &task.decision.outcome) {
                    (Fate::Ignore { why }, _) | (_, classify::Outcome::Ignore { why, .. }) => {
                        why.clone()
                    }
                    _ => String::new(),
                };
                remarks.insert(0, why.clone());
                Finding {
                    measurement: Measurement {
                        log: vec![format!("left alone: {why}")],
                        ..Measurement::default()
                    },
                    verdict: Verdict::Ignored,
                    reasons: Vec::new(),
                    frame: None,
                    absorbance: None,
                    remarks: Vec::new(),
                }
            }
        };
        remarks.extend(finding.remarks.iter().cloned());
        let mut m = finding.measurement;
        let mut log = vec![format!("rule: {}", task.decision.rule)];
        log.extend(
            task.decision
                .passed_over
                .iter()
                .map(|(rule, why)| format!("not rule {rule}: {why}")),
        );
        log.append(&mut m.log);
        m.log = log;
        let record = Record {
            photo: task.photo.to_owned(),
            bench: bench_of(task),
            capture: purpose.map(|p| p.capture),
            rule: task.decision.rule.clone(),
            label: purpose.map_or_else(String::new, |p| p.label.clone()),
            lamp: purpose.map_or_else(String::new, |p| p.lamp.clone()),
            groups: purpose.map_or_else(BTreeMap::new, |p| p.groups.clone()),
            taken: task.facts.taken.map(|t| t.to_string()),
            verdict: finding.verdict,
            reasons: finding.reasons,
            metrics: metrics(&m, task),
            calibration: used,
            answers: answering::answers(purpose, &m, finding.absorbance.as_deref(), &self.lamps),
            not_measured: m.not_measured.clone(),
            remarks,
            provenance: task.provenance.clone(),
        };
        let files = files::files(
            &record,
            &m,
            finding.absorbance.as_deref(),
            finding.frame.as_ref(),
        );
        Ok(Outcome { record, files })
    }

    fn summaries(&self, class: &Class<'_>, out: &mut dyn Sink) {
        let shown: Vec<report::Shown> = class
            .photos
            .iter()
            .map(|(folder, record)| report::Shown {
                record,
                folder,
                // A scale is what `spectrum.csv` depends on.
                has_spectrum: record.calibration.is_some(),
            })
            .collect();
        let inputs = report::Inputs {
            title: &self.settings.pages.title,
            photos: &shown,
            stated: &self.settings.stated,
            now: Some(class.clock.to_owned()),
            refresh_s: u32::try_from(self.settings.pages.refresh_s).unwrap_or(0),
        };
        let fetch = |shown: &report::Shown| {
            (class.read)(&format!("{}/{}", shown.folder, files::SPECTRUM_CSV))
        };
        report::summaries(&inputs, fetch, out);
        if self.settings.pages.cards {
            self.cards.put(&shown, out);
        }
    }
}

/// What was measured, and how the photo was exposed, which links it to others of its scene.
fn metrics(m: &Measurement, task: &Task<'_>) -> Measured {
    let mut metrics = m.metrics.clone();
    if m.spectrum.is_some() {
        metrics.set(Quantity::ExposureS, task.facts.exposure_s);
        metrics.set(Quantity::Iso, task.facts.iso);
    }
    files::as_published(&metrics, m.order_side)
}

fn bench_of(task: &Task<'_>) -> String {
    match &task.decision.outcome {
        classify::Outcome::Measure(purpose) => purpose.bench.clone(),
        classify::Outcome::Ignore { bench, .. } => bench.clone(),
    }
}

pub(super) fn calibration_record(
    photo: &str,
    m: &Measurement,
    scale: Option<&Scale>,
) -> Option<CalibrationRecord> {
    if let Some(own) = &m.calibration {
        return Some(CalibrationRecord {
            photo: Some(photo.to_owned()),
            kind: ScaleKind::Calibrated,
            lines: own.lines.clone(),
            rms_nm: Some(own.rms_nm),
            model: Some(own.clone()),
        });
    }
    match (m.scale_kind?, scale) {
        (ScaleKind::Calibrated, Some(scale)) => Some(CalibrationRecord {
            photo: Some(scale.photo.to_owned()),
            kind: ScaleKind::Calibrated,
            lines: scale.calibration.lines.clone(),
            rms_nm: Some(scale.calibration.rms_nm),
            model: Some(scale.calibration.clone()),
        }),
        _ => Some(CalibrationRecord {
            photo: None,
            kind: ScaleKind::Provisional,
            lines: Vec::new(),
            rms_nm: None,
            model: None,
        }),
    }
}
