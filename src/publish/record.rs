//! `quality.json`: everything said about one photo, as it stands on disk.
//!
//! Tables and pages are made from records only, and a restart reads them back: whatever is shown for the class is a
//! function of what stands in the photos' folders.

use std::collections::BTreeMap;
use std::fmt;
use std::ops::{Deref, DerefMut};

use serde::ser::SerializeStruct;
use serde::{Deserialize, Serialize, Serializer};

use crate::terms::{
    Calibration, Capture, Estimate, Ground, KnownLine, LineUse, Metrics, PARAMETERS, Quantity,
    Reason, ScaleKind, Seen, SlateSeen, Unmeasured, Verdict,
};

/// One photo's fate. The order of the fields is that in the file.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// Path below the inbox, with `/`; bytes that are not UTF-8 as `\xNN`.
    pub photo: String,
    /// The instrument.
    pub bench: String,
    /// Absent for ignored files.
    pub capture: Option<Capture>,
    /// Name of the rule that took it.
    pub rule: String,
    /// What `capture` was decided by, or that a rule, a slate or a person leaves it alone; absent where another file is measured in its
    /// place.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub capture_by: Option<Ground>,
    /// What the people call it.
    pub label: String,
    /// Lamp named by the rule, for calibrations; empty otherwise.
    pub lamp: String,
    /// Further named groups of the rule.
    pub groups: BTreeMap<String, String>,
    /// Which phone took it: model and a code made from a hash; absent where the file does not say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub phone: Option<String>,
    /// What the photo looks like, where a rule asked for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub looks: Option<Seen>,
    /// ISO 8601 without zone, as the phone says; absent where it does not.
    pub taken: Option<String>,
    /// The word.
    pub verdict: Verdict,
    /// Why; worst first.
    pub reasons: Vec<Reason>,
    /// Numbers.
    pub metrics: Measured,
    /// The scale: absent where there is none.
    pub calibration: Option<CalibrationRecord>,
    /// What the spectrum answers.
    #[serde(default, skip_serializing_if = "Answers::is_empty")]
    pub answers: Answers,
    /// What its lines say of the lamp photo's scale, where they are a known tube's.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub known_lines: Vec<KnownLine>,
    /// What could not be measured and why.
    pub not_measured: Vec<Unmeasured>,
    /// Remarks for people, such as why a file is ignored or that another file has the same bytes.
    pub remarks: Vec<Remark>,
    /// What this was made from.
    pub provenance: Provenance,
}

impl Record {
    /// The photo's file name, without its folders.
    pub fn file_name(&self) -> &str {
        file_name(&self.photo)
    }

    /// True where the photo can be measured with: it is good, or good with a caution.
    pub fn is_usable(&self) -> bool {
        matches!(self.verdict, Verdict::Good | Verdict::Caution)
    }

    /// The same for a sample: a photo that is to be taken again may be over-exposed or have moved, and says nothing of what
    /// it shows.
    pub fn is_usable_sample(&self) -> bool {
        self.is_usable() && self.capture == Some(Capture::Sample)
    }

    /// Exposure time × ISO / 100, s, where its file states both.
    pub fn exposure(&self) -> Option<f64> {
        let metric = |quantity| self.metrics.value(quantity);
        Some(metric(Quantity::ExposureS)? * metric(Quantity::Iso)? / 100.0)
    }

    /// True where the wavelengths come from a lamp photo's lines.
    pub fn is_calibrated(&self) -> bool {
        let scale = self.calibration.as_ref();
        scale.is_some_and(|c| c.kind == ScaleKind::Calibrated)
    }

    /// Who decided something about it in the instructor's table; absent where nobody did. Where that was its capture, or that it is left
    /// alone, it is what [`Record::capture_by`] says.
    pub fn decided_by(&self) -> Option<&str> {
        let cells = &self.provenance.overrides;
        let by = cells.get("by").map_or("the instructor", String::as_str);
        (!cells.is_empty()).then_some(by)
    }

    /// The slate that governs it, by its path below the inbox, or two with `with` between them; absent where none does.
    pub fn slate(&self) -> Option<&str> {
        self.provenance.slate.get("by").map(String::as_str)
    }

    /// True where a slate or a person says whose it is.
    pub fn is_bench_told(&self) -> bool {
        let said = [&self.provenance.slate, &self.provenance.overrides];
        said.iter().any(|cells| cells.contains_key("bench"))
    }

    /// True where it may be of one of several phones that cannot be told apart, so that no slate governs it.
    pub fn is_of_alike_phones(&self) -> bool {
        let why = self.provenance.slate.get(UNGOVERNED);
        why.is_some_and(|why| why == ALIKE_PHONES)
    }

    /// True for a photo of a slate that was read.
    pub fn is_read_slate(&self) -> bool {
        let seen = self.looks.as_ref().and_then(|seen| seen.slate.as_ref());
        self.verdict == Verdict::Ignored && matches!(seen, Some(SlateSeen::Read(_)))
    }

    /// Standard uncertainty of the scale in the middle of the spectrum, nm.
    pub fn scale_sigma_nm(&self) -> Option<f64> {
        self.metrics.value(Quantity::WavelengthSigmaNm)
    }
}

/// A path's last part.
pub fn file_name(path: &str) -> &str {
    path.rsplit('/').next().unwrap_or_default()
}

/// A remark for people. It is written as one sentence.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "String", into = "String")]
pub enum Remark {
    /// Which tone curve the photo was corrected with, or why with none of its own; continues "tone curve".
    ToneCurve(String),
    /// Anything else.
    Other(String),
}

/// How a remark on the tone curve is written.
const TONE_CURVE: &str = "tone curve";

impl fmt::Display for Remark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Remark::ToneCurve(said) => write!(f, "{TONE_CURVE}{said}"),
            Remark::Other(said) => f.write_str(said),
        }
    }
}

impl From<Remark> for String {
    fn from(remark: Remark) -> String {
        remark.to_string()
    }
}

impl From<String> for Remark {
    fn from(text: String) -> Remark {
        match text.strip_prefix(TONE_CURVE) {
            Some(said) => Remark::ToneCurve(said.to_owned()),
            None => Remark::Other(text),
        }
    }
}

/// What a spectrum answers beyond its peaks. In the file only where there is something to say.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Answers {
    /// What the lamp is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lamp: Option<LampAnswer>,
    /// Further numbers by name, with the unit at the end; `x_sigma` is the standard uncertainty of `x`.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub numbers: BTreeMap<String, f64>,
    /// Bands of absorption, rising in wavelength.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub absorption_bands: Vec<BandAnswer>,
    /// What is not answered, and why.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub refused: Vec<String>,
}

impl Answers {
    /// One of the numbers with its standard uncertainty; absent where either is.
    pub fn estimate(&self, name: &str) -> Option<Estimate> {
        let sigma = *self.numbers.get(&format!("{name}_sigma"))?;
        Some(Estimate::new(*self.numbers.get(name)?, sigma))
    }

    fn is_empty(&self) -> bool {
        *self == Answers::default()
    }
}

/// A lamp's name with its score.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LampAnswer {
    /// Name of the table, or `laser`, `led`, `white-led`, `filament`, `daylight`, `unknown`.
    pub name: String,
    /// Like a probability, 0…1.
    pub score: f64,
    /// The next best.
    pub runner_up: String,
    /// Its score.
    pub runner_up_score: f64,
}

/// A band of absorption.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BandAnswer {
    /// Wavelength of its top, nm.
    pub centre_nm: f64,
    /// Its standard uncertainty, nm.
    pub centre_sigma_nm: f64,
    /// Full width at half height, nm.
    pub fwhm_nm: f64,
    /// Its standard uncertainty, nm.
    pub fwhm_sigma_nm: f64,
    /// Absorbance at the top.
    pub absorbance: f64,
    /// Its standard uncertainty.
    pub absorbance_sigma: f64,
}

/// The scale behind a spectrum.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct CalibrationRecord {
    /// Photo it came from, as in [`Record::photo`]; absent for a provisional scale.
    pub photo: Option<String>,
    /// Kind.
    pub kind: ScaleKind,
    /// Lines with their residuals.
    pub lines: Vec<LineUse>,
    /// Root mean square of the residuals of the lines used, nm.
    pub rms_nm: Option<f64>,
    /// The fit itself.
    pub model: Option<Calibration>,
}

/// Column of [`Provenance::slate`] that says why no slate governs the photo: one of the words below.
pub const UNGOVERNED: &str = "ungoverned";
/// The word for a photo that may be of one of several phones.
pub const ALIKE_PHONES: &str = "alike-phones";

/// Group of a rule that names a dilution series.
pub const SERIES: &str = "series";
/// Group of a rule that states a concentration.
pub const CONCENTRATION: &str = "concentration";

/// Everything a result was made from. Two equal provenances mean equal results.
#[derive(Clone, Debug, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Provenance {
    /// BLAKE3 of the photo's bytes, hexadecimal.
    pub photo_hash: String,
    /// Hash of the configuration's meaning for results, but for the rules: what they make of the photo is in `decision_hash`.
    pub configuration_hash: String,
    /// Version of this program.
    pub version: String,
    /// Hash of what rules, slates and people made of the photo, and of the photos that it is made from.
    #[serde(default)]
    pub decision_hash: String,
    /// Hash of all that what a photo looks like depends on; absent where nobody asked what it looks like.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub looks_hash: String,
    /// Hashes of the calibration photos used, by path.
    pub calibration: BTreeMap<String, String>,
    /// Hashes of the blank photos used, by path.
    pub blank: BTreeMap<String, String>,
    /// Hashes of the dark photos used, by path.
    pub dark: BTreeMap<String, String>,
    /// Hashes of the bracket photos used, by path; absent where there are none.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub bracket: BTreeMap<String, String>,
    /// Hashes of what the known lines of other photos say of the scale, by path; absent where they say nothing.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub known_lines: BTreeMap<String, String>,
    /// What the instructor's table says of the photo, by column; absent where it says nothing.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub overrides: BTreeMap<String, String>,
    /// What a slate says of the photo, by column, and which (`by`); or why none says anything ([`UNGOVERNED`]). Absent where
    /// there is nothing to say of slates.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub slate: BTreeMap<String, String>,
    /// What the inbox as a whole says about the photo, such as that another file has the same bytes; also why an
    /// entry is not a file to be read. These stand among the remarks.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub circumstances: Vec<String>,
}

/// The numbers of one photo and the side of its order: in the file they stand side by side.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(into = "BTreeMap<String, Written>")]
#[serde(try_from = "BTreeMap<String, Written>")]
pub struct Measured {
    /// Only what was measured.
    pub numbers: Metrics,
    /// Side of the slit's image on which the measured order lies; absent where there is none.
    pub order_side: Option<String>,
}

impl Deref for Measured {
    type Target = Metrics;

    fn deref(&self) -> &Metrics {
        &self.numbers
    }
}

impl DerefMut for Measured {
    fn deref_mut(&mut self) -> &mut Metrics {
        &mut self.numbers
    }
}

/// A metric as it stands in the file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
enum Written {
    Number(f64),
    Word(String),
}

/// Name under which [`Measured::order_side`] stands among the metrics.
const ORDER_SIDE: &str = "order_side";

impl From<Measured> for BTreeMap<String, Written> {
    fn from(measured: Measured) -> BTreeMap<String, Written> {
        let named = measured.numbers.named().into_iter();
        let numbers = named.map(|(name, value)| (name, Written::Number(value)));
        let side = measured.order_side.map(Written::Word);
        let word = side.map(|side| (ORDER_SIDE.to_owned(), side));
        numbers.chain(word).collect()
    }
}

impl TryFrom<BTreeMap<String, Written>> for Measured {
    type Error = String;

    fn try_from(written: BTreeMap<String, Written>) -> Result<Measured, String> {
        let mut named = BTreeMap::new();
        let mut order_side = None;
        for (name, metric) in written {
            match metric {
                Written::Number(value) => {
                    named.insert(name, value);
                }
                Written::Word(side) if name == ORDER_SIDE => order_side = Some(side),
                Written::Word(word) => {
                    return Err(format!("metric `{name}` is \"{word}\", not a number"));
                }
            }
        }
        Ok(Measured {
            numbers: Metrics::from_named(&named),
            order_side,
        })
    }
}

impl Serialize for CalibrationRecord {
    /// As it is, and the fit's parameters by name for those who read the file.
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let named = self.model.as_ref().map(parameters).unwrap_or_default();
        let mut fields = serializer.serialize_struct("CalibrationRecord", 6)?;
        fields.serialize_field("photo", &self.photo)?;
        fields.serialize_field("kind", &self.kind)?;
        fields.serialize_field("rms_nm", &self.rms_nm)?;
        fields.serialize_field("parameters", &named)?;
        fields.serialize_field("lines", &self.lines)?;
        fields.serialize_field("model", &self.model)?;
        fields.end()
    }
}

/// The fitted parameters by name, each `x` with its standard uncertainty `x_sigma` where the fit gives one.
pub fn parameters(calibration: &Calibration) -> BTreeMap<String, f64> {
    let o = &calibration.optics;
    let values = [
        ("focal_px", o.focal_px),
        ("k1", o.k1),
        ("k2", o.k2),
        ("centre_shift_px", calibration.centre_shift_px),
        ("yaw_rad", o.yaw_rad),
        ("roll_rad", o.roll_rad),
        ("alpha_slit", o.alpha_slit),
        ("skew_slope", o.skew_slope),
        ("groove_spacing_nm", o.groove_spacing_nm),
        ("pitch_rad", o.pitch_rad),
        ("beta_mid", o.beta_mid),
        ("pupil_share", o.pupil_share),
        ("fan", o.fan),
    ];
    let mut named: BTreeMap<String, f64> = values
        .into_iter()
        .map(|(name, value)| (name.to_owned(), value))
        .collect();
    for (i, name) in PARAMETERS.iter().enumerate() {
        let variance = calibration.covariance.get(i).and_then(|row| row.get(i));
        if let Some(variance) = variance.filter(|v| v.is_finite() && **v >= 0.0) {
            named.insert(format!("{name}_sigma"), variance.sqrt());
        }
    }
    named.retain(|_, value| value.is_finite());
    named
}
