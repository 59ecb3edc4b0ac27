//! What one photo shows before any limit: the measuring stage's value, of which judging, the record and the files are made. It is
//! kept beside the results, with a hash of all that it was measured from.

use serde::{Deserialize, Serialize};

use crate::classify::Purpose;
use crate::decode::{self, Facts, Fault};
use crate::publish::kept::{Origins, hash};
use crate::publish::record::{Answers, Remark, file_name};
use crate::settings::Settings;
use crate::terms::{AbsorbanceRow, Capture, Instrument, Lamp, Measurement, Quantity};

use super::against::Against;
use super::answering;
use super::companions::Companion;
use super::comparison::Comparison;
use super::examined::Origin;

/// What came of measuring a photo's picture by its bench's lamp photo, and by the phone's bracket. Its blank does not enter into it.
#[derive(Serialize, Deserialize)]
pub struct Measured {
    /// For people: which tone curve the picture was corrected with, or why with none of its own.
    pub tone: Option<Remark>,
    /// What the picture shows and what its file states, or why there is no picture.
    pub shown: Result<(Measurement, Facts), Fault>,
}

/// What one photo's picture shows, measured by its bench's lamp photo and beside its blank.
#[derive(Clone)]
pub struct Shown {
    /// Numbers, spectrum, drawing.
    pub measurement: Measurement,
    /// Where it is compared with its blank: whether that surely is the blank of its light.
    pub beside_its_blank: Option<bool>,
    /// Against the blank, one entry per row of the spectrum.
    pub absorbance: Option<Vec<AbsorbanceRow>>,
    /// What the spectrum answers.
    pub answers: Answers,
    /// For people.
    pub remarks: Vec<String>,
}

impl Shown {
    /// Puts together what a picture shows, measured as `measurement`, whose file states these facts, compared so.
    pub fn new((mut measurement, facts): (Measurement, Facts), of: Comparison) -> Shown {
        let of_comparison = [
            (Quantity::MovedPx, of.moved_px),
            (Quantity::LineWidthPx, of.line_width_px),
        ];
        for (quantity, px) in of_comparison {
            if let Some(px) = px {
                measurement.metrics.note(quantity, px);
            }
        }
        measurement.not_measured.extend(of.not_measured);
        Shown {
            measurement,
            beside_its_blank: of.is_sure,
            absorbance: of.absorbance,
            answers: of.answers,
            remarks: decode::doubts(&facts)
                .into_iter()
                .chain(of.remarks)
                .collect(),
        }
    }
}

/// What a photo is measured by, beside its bytes and its companions.
type By<'a> = (Capture, &'a Instrument, Vec<&'a Lamp>);

/// Hashes of all that a photo's measurement depends on, the picture drawn of it among it; absent where it is not measured.
/// No limit, no rule is in them but by what it makes of the photo, and no word but those that stand in the picture.
pub(super) fn origins(origin: &Origin, against: &Against, settings: &Settings) -> Option<Origins> {
    let purpose = origin.decision.purpose()?;
    let output = &settings.output;
    let whose = (&purpose.bench, file_name(&origin.photo));
    let of_company = |photo: &Companion| {
        let purpose = photo.decision.purpose();
        let scene = purpose.and_then(|purpose| purpose.groups.get("scene").cloned());
        let by = purpose.map(|purpose| format!("{:?}", by(purpose, settings)));
        (photo.hash.clone(), by, scene)
    };
    let shots: Vec<_> = against.shots.iter().map(|shot| of_company(shot)).collect();
    let blank = against.blank.map(|blank| {
        let slit = blank.record.metrics.reading(Quantity::SlitImagePx);
        (&blank.photo, of_company(blank), slit)
    });
    let of_repeat = |blank: &&Companion| {
        let exposure = blank.facts.exposure_product();
        (blank.photo.clone(), of_company(blank), exposure)
    };
    let repeats: Vec<_> = against.repeats.iter().map(of_repeat).collect();
    let dark = against.dark.map(|dark| {
        let level = dark.record.metrics.reading(Quantity::BackgroundMedian);
        (&dark.photo, level)
    });
    // The derived Debug texts name every field and print numbers so that they read back as the same numbers.
    let meaning = format!(
        "{:?}",
        (
            (&origin.provenance.version, &origin.provenance.photo_hash),
            (whose, by(purpose, settings)),
            (output.from_nm, output.to_nm, output.step_nm),
            (
                settings.work.max_megapixels,
                settings.words.phrases.hash("picture."),
            ),
            (against.scale.map(|s| s.calibration), &against.cut, shots),
        )
    );
    let measured = hash(meaning.as_bytes());
    let meaning = format!(
        "{:?}",
        (
            &measured,
            answering::is_solution(purpose),
            (blank, repeats),
            dark
        )
    );
    Some(Origins {
        measured,
        compared: hash(meaning.as_bytes()),
    })
}

fn by<'a>(purpose: &Purpose, settings: &'a Settings) -> By<'a> {
    let bench = settings.bench(&purpose.bench);
    (purpose.capture, bench, lamps_of(purpose, settings))
}

/// The lamps that a photo may be of, where it is to calibrate.
pub(super) fn lamps_of<'a>(purpose: &Purpose, settings: &'a Settings) -> Vec<&'a Lamp> {
    match purpose.capture {
        Capture::Calibration => settings.lamps_for(&purpose.lamp),
        _ => Vec::new(),
    }
}
