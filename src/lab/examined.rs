//! What one photo comes to, and the record and the files that state it.

use std::sync::Arc;

use crate::classify::{Decision, Phone, Purpose};
use crate::decode::Facts;
use crate::frame::Frame;
use crate::publish::files;
use crate::publish::kept::{self, Kept, MEASURED, Written};
use crate::publish::record::{Answers, CalibrationRecord, Provenance, Record, Remark};
use crate::terms::{
    AbsorbanceRow, Calibration, Capture, KnownLine, Measurement, Phrases, Quantity, Reason,
    ScaleKind, Verdict,
};

use super::companions::Scale;

/// A photo, and what is known of it before anybody looks at its picture.
#[derive(Clone)]
pub struct Origin {
    /// Path below the inbox, as shown.
    pub photo: String,
    /// From its header.
    pub facts: Arc<Facts>,
    /// What the rules say.
    pub decision: Arc<Decision>,
    /// What its results are made from.
    pub provenance: Provenance,
}

/// What one photo comes to, before it is written down.
#[derive(Default)]
pub struct Examined {
    /// Numbers, spectrum, drawing.
    pub measurement: Measurement,
    /// The word.
    pub verdict: Verdict,
    /// Why.
    pub reasons: Vec<Reason>,
    /// Upright picture; absent where the file could not be decoded, or was not looked at again.
    pub frame: Option<Frame>,
    /// What was drawn on it when it was measured; absent where that is still to be drawn.
    pub picture: Option<Vec<u8>>,
    /// Its measurement before any limit, for the next judging; absent where nothing was to be measured.
    pub kept: Option<Kept>,
    /// Against a blank, one entry per row of the spectrum.
    pub absorbance: Option<Vec<AbsorbanceRow>>,
    /// The scale; absent where there is none.
    pub calibration: Option<CalibrationRecord>,
    /// What the spectrum answers.
    pub answers: Answers,
    /// For people.
    pub remarks: Vec<Remark>,
    /// What its lines say of the lamp photo's scale.
    pub known_lines: Vec<KnownLine>,
    /// Other photos' lines, by which its own scale was refined…
    pub refined_by: Vec<KnownLine>,
    /// …and what it came to before: as such it is drawn, for a picture is drawn once, and other photos come and go.
    pub as_read: Option<Box<Examined>>,
}

impl Examined {
    /// True for a sample that can be measured with.
    pub(super) fn is_usable_sample(&self, purpose: &Purpose) -> bool {
        let is_usable = matches!(self.verdict, Verdict::Good | Verdict::Caution);
        is_usable && purpose.capture == Capture::Sample
    }

    /// What is said of a file that is left alone, and why.
    pub fn ignored(why: &str) -> Examined {
        Examined {
            verdict: Verdict::Ignored,
            remarks: vec![Remark::from(why.to_owned())],
            ..Examined::with_log(format!("left alone: {why}"))
        }
    }

    /// What is said of a file that shows no picture.
    pub fn unreadable(reason: Reason) -> Examined {
        let log = format!("{}: {}", reason.code.as_str(), reason.measured);
        Examined {
            verdict: Verdict::Unreadable,
            reasons: vec![reason],
            ..Examined::with_log(log)
        }
    }

    fn with_log(line: String) -> Examined {
        let mut examined = Examined::default();
        examined.measurement.log.push(line);
        examined
    }
}

/// All that is published about one photo.
pub struct Outcome {
    /// The content of `quality.json`.
    pub record: Record,
    /// Files by name, `quality.json` among them.
    pub files: Vec<(String, Vec<u8>)>,
    /// Names of further files, which stand as they are to be.
    pub standing: Vec<String>,
}

/// Writes down what was found: the record, and the content of every file.
pub fn written(origin: &Origin, mut examined: Examined, phrases: &Phrases) -> Outcome {
    let drawn = examined.as_read.take();
    let drawn = drawn.map(|seen| (record(origin, &seen), seen.measurement));
    let said = Said::of(origin, &mut examined, phrases);
    put_down(said, examined, drawn, phrases)
}

/// The same of a photo that was written down `before`; `read` gives a file of it by its name. Where nothing is said that was not,
/// no file is made again but the record, which names the settings, and the log, which names their rules. Absent where its picture
/// is not what was drawn.
pub fn written_again(
    origin: &Origin,
    mut examined: Examined,
    before: &Written,
    read: &dyn Fn(&str) -> Option<Vec<u8>>,
    phrases: &Phrases,
) -> Option<Outcome> {
    let said = Said::of(origin, &mut examined, phrases);
    let stands = |name: &str| read(name).is_some_and(|bytes| before.has(name, &bytes));
    if said.told == before.told && before.names().all(stands) {
        let standing = before.names().chain([MEASURED]);
        return Some(Outcome {
            files: files::of_settings(&said.record, &examined.measurement).into(),
            standing: standing.map(str::to_owned).collect(),
            record: said.record,
        });
    }
    let picture = read(files::OVERLAY_PNG)?;
    let picture = before.has(files::OVERLAY_PNG, &picture).then_some(picture);
    examined.picture = Some(picture?);
    Some(put_down(said, examined, None, phrases))
}

/// What is said of a photo: with its measurement it makes all its files.
struct Said {
    record: Record,
    /// Hash of what is said by any settings.
    told: String,
}

impl Said {
    /// Of a photo, whose log then begins with what the rules say.
    fn of(origin: &Origin, examined: &mut Examined, phrases: &Phrases) -> Said {
        let record = record(origin, examined);
        let passed_over = origin.decision.passed_over.iter();
        let not = passed_over.map(|(rule, why)| format!("not rule {rule}: {why}"));
        let person = origin.decision.basis.person.iter();
        let by_hand = person.map(|said| format!("the instructor's table: {}", said.words()));
        let of_rules = std::iter::once(format!("rule: {}", origin.decision.rule));
        let of_rules = of_rules.chain(by_hand).chain(not);
        examined.measurement.log.splice(0..0, of_rules);
        let mut by_any = record.clone();
        by_any.provenance.configuration_hash.clear();
        let said = serde_json::to_vec(&(&by_any, &examined.refined_by, phrases.hash("")));
        let said = said.expect("a record has only named fields");
        Said {
            record,
            told: kept::hash(&said),
        }
    }
}

/// `drawn` is what its picture says, where that is something else.
fn put_down(
    said: Said,
    mut examined: Examined,
    drawn: Option<(Record, Measurement)>,
    phrases: &Phrases,
) -> Outcome {
    let Said { record, told } = said;
    let picture = examined.picture.take();
    let picture = picture.unwrap_or_else(|| {
        let frame = examined.frame.as_ref();
        let (record, measurement) = match &drawn {
            Some((record, measurement)) => (record, measurement),
            None => (&record, &examined.measurement),
        };
        files::overlay(record, measurement, frame, phrases)
    });
    let absorbance = examined.absorbance.as_deref();
    let mut files = files::lasting(
        &record,
        &examined.measurement,
        absorbance,
        (picture, phrases),
    );
    if let Some(kept) = examined.kept.take() {
        let file = kept.file(&Written::new(told, &files));
        files.push((MEASURED.to_owned(), file));
    }
    files.extend(files::of_settings(&record, &examined.measurement));
    Outcome {
        record,
        files,
        standing: Vec::new(),
    }
}

/// The record of a photo.
pub fn record(origin: &Origin, examined: &Examined) -> Record {
    let m = &examined.measurement;
    let is_ignored = examined.verdict == Verdict::Ignored;
    let purpose = origin.decision.purpose().filter(|_| !is_ignored);
    let is_as_decided = purpose.is_some() || origin.decision.purpose().is_none();
    let mut metrics = m.metrics.clone();
    if m.spectrum.is_some() {
        // How it was exposed links it to others of its scene.
        metrics.set(Quantity::ExposureS, origin.facts.exposure_s);
        metrics.set(Quantity::Iso, origin.facts.iso);
    }
    let mut remarks = examined.remarks.clone();
    let circumstances = origin.provenance.circumstances.iter().cloned();
    let of_decision = origin.decision.basis.remarks.iter().cloned();
    let circumstances = circumstances.chain(of_decision);
    let at = if is_ignored { remarks.len() } else { 0 };
    remarks.splice(at..at, circumstances.map(Remark::from));
    let mut record = Record {
        photo: origin.photo.clone(),
        bench: origin.decision.bench().to_owned(),
        rule: origin.decision.rule.clone(),
        capture_by: is_as_decided.then_some(origin.decision.basis.ground),
        phone: Phone::of(&origin.photo, &origin.facts).map(|phone| phone.to_string()),
        looks: origin.decision.basis.seen.clone(),
        taken: origin.facts.taken.map(|taken| taken.to_string()),
        verdict: examined.verdict,
        reasons: examined.reasons.clone(),
        metrics: files::as_published(&metrics, m.order_side),
        calibration: examined.calibration.clone(),
        answers: examined.answers.clone(),
        known_lines: examined.known_lines.clone(),
        not_measured: m.not_measured.clone(),
        remarks,
        provenance: origin.provenance.clone(),
        ..Record::default()
    };
    if let Some(purpose) = purpose {
        record.capture = Some(purpose.capture);
        record.label = purpose.label.clone();
        record.lamp = purpose.lamp.clone();
        record.groups = purpose.groups.clone();
    }
    record
}

/// The scale behind a measurement: the photo's own where it is a lamp photo, that of the bench's lamp photo, or one from the
/// stated focal length alone.
pub(super) fn calibration_record(
    photo: &str,
    m: &Measurement,
    scale: Option<Scale>,
) -> Option<CalibrationRecord> {
    let by_lamp = |photo: &str, model: &Calibration| CalibrationRecord {
        photo: Some(photo.to_owned()),
        kind: ScaleKind::Calibrated,
        lines: model.lines.clone(),
        rms_nm: Some(model.rms_nm),
        model: Some(model.clone()),
    };
    match (&m.calibration, m.scale_kind, scale) {
        (Some(own), ..) => Some(by_lamp(photo, own)),
        (None, None, _) => None,
        (None, Some(ScaleKind::Calibrated), Some(scale)) => {
            Some(by_lamp(scale.photo, scale.calibration))
        }
        (None, Some(_), _) => Some(CalibrationRecord {
            photo: None,
            kind: ScaleKind::Provisional,
            lines: Vec::new(),
            rms_nm: None,
            model: None,
        }),
    }
}
