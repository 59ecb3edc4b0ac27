//! Frame -> geometry, spectrum and health of the instrument. Pure: values in, values out.
//!
//! Everything rests on one model (see [`optics`]): a grating shifts only the direction cosine across its grooves.
//! The steps, in the order in which a frame meets them: `locate`, `trace`, `extract`, `scale`, `health`, `judge`.

pub mod absorb;
pub mod adjust;
pub mod anchor;
pub mod band;
pub mod bloom;
pub mod dust;
pub mod evidence;
pub mod exposure;
pub mod extract;
pub mod fit;
pub mod health;
pub mod instrument;
pub mod judge;
mod lamp_photo;
pub mod lineshape;
pub mod locate;
pub mod map;
pub mod optics;
pub mod peaks;
pub mod photo;
pub mod plausible;
pub mod profile;
pub mod recognise;
pub mod scale;
pub mod sharpness;
pub mod slit_width;
pub mod smear;
pub mod spectrum_peaks;
pub mod stray;
pub mod strip;
pub mod survey;
pub mod trace;
pub mod wedge;

use std::collections::BTreeMap;

/// A value with its standard uncertainty, both in the unit that the field's name states.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Estimate {
    /// Best estimate.
    pub value: f64,
    /// One standard uncertainty, ≥ 0.
    pub sigma: f64,
}

/// What is known of an instrument before any photo is seen.
#[derive(Clone, Debug, PartialEq)]
pub struct Bench {
    /// Groove spacings to try, in nm; one where the bench states it.
    pub groove_spacings_nm: Vec<f64>,
    /// Distance from slit to grating in mm.
    pub slit_distance_mm: f64,
}

/// A sharp line of a lamp.
#[derive(Clone, Debug, PartialEq)]
pub struct LampLine {
    /// Wavelength in standard air, nm.
    pub wavelength_nm: f64,
    /// Standard uncertainty of the wavelength as a calibration point, nm.
    pub sigma_nm: f64,
    /// Typical strength, the strongest line of the lamp being 1.
    pub strength: f64,
    /// Name shown to people, such as `Hg 435.83`.
    pub name: String,
    /// True where the scale may be fitted to it; false: helps to recognise the lamp only.
    pub fit: bool,
    /// Own width (FWHM) in nm; 0 for a spectral line.
    pub width_nm: f64,
}

/// A lamp as data: see `standards/`.
#[derive(Clone, Debug, PartialEq)]
pub struct Lamp {
    /// Name used in rules, such as `fluorescent`.
    pub name: String,
    /// What people call it.
    pub title: String,
    /// Lines and bands, rising in wavelength.
    pub lines: Vec<LampLine>,
}

/// One row of a spectrum. Signals are linear shares of full scale, background taken off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpectrumRow {
    /// nm in standard air.
    pub wavelength_nm: f64,
    /// Mean of the three channels over the slit's length.
    pub signal: f64,
    /// One standard uncertainty of `signal`.
    pub signal_sigma: f64,
    /// Red, green, blue.
    pub rgb: [f64; 3],
    /// One standard uncertainty of each channel.
    pub rgb_sigma: [f64; 3],
    /// Share of the bin's pixels at the sensor's ceiling, 0…1.
    pub clipped: f64,
}

/// A spectrum in equal steps of wavelength, rising.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Spectrum {
    /// Step in nm.
    pub step_nm: f64,
    /// Rows, rising.
    pub rows: Vec<SpectrumRow>,
}

/// Transmittance and absorbance of one row; absent where they mean nothing.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct AbsorbanceRow {
    /// Sample over blank.
    pub transmittance: Option<Estimate>,
    /// −log10 of the transmittance.
    pub absorbance: Option<Estimate>,
}

/// What a peak is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PeakKind {
    /// As narrow as the instrument allows.
    Line,
    /// Wider than the instrument's bandpass.
    Band,
    /// Two or more lines that the instrument does not separate.
    Merged,
}

/// A maximum of the spectrum.
#[derive(Clone, Debug, PartialEq)]
pub struct Peak {
    /// Centre, nm; sigma of the centre with the scale's own uncertainty included.
    pub centre_nm: Estimate,
    /// Full width at half height, nm.
    pub fwhm_nm: Estimate,
    /// Height above its surroundings, share of full scale.
    pub height: Estimate,
    /// Area, share of full scale × nm.
    pub area: Estimate,
    /// What it is.
    pub kind: PeakKind,
    /// True where part of it is clipped.
    pub clipped: bool,
    /// Name of the published line it agrees with, or empty.
    pub name: String,
}

/// The contract's metrics; absent where they could not be measured.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Metrics {
    /// Share of the spectrum's lit pixels (over 5 % of its brightest) at the sensor's ceiling, the zero order left out.
    pub clipped_fraction: Option<f64>,
    /// Highest level in the spectrum, linear share of full scale in the strongest channel.
    pub peak_level: Option<f64>,
    /// Signal to noise of the brightest part of the spectrum.
    pub snr: Option<f64>,
    /// Grating against the sensor: angle from the nearer picture axis to the dispersion, degrees, clockwise as seen
    /// in the upright picture.
    pub tilt_deg: Option<Estimate>,
    /// Slit against the grooves, degrees, clockwise as seen.
    pub skew_deg: Option<Estimate>,
    /// Width of the slit, µm.
    pub slit_width_um: Option<Estimate>,
    /// Blur (standard deviation of the equivalent Gaussian), px.
    pub blur_px: Option<Estimate>,
    /// FWHM of an unresolved line, nm.
    pub bandpass_nm: Option<f64>,
    /// Light where the model says none can be, linear share of full scale.
    pub background_level: Option<f64>,
    /// Mean sampling, nm per pixel.
    pub nm_per_px: Option<f64>,
    /// Standard uncertainty of the scale, nm, at the middle of the spectrum.
    pub wavelength_sigma_nm: Option<f64>,
    /// Side of the slit's image on which the measured order lies, as seen upright: `left`, `right`, `above`, `below`.
    pub order_side: Option<&'static str>,
    /// More numbers, by name with the unit at the end; `judge.rs` uses some of them.
    pub more: BTreeMap<&'static str, f64>,
    /// Standard uncertainties of the plain numbers above, by name; absent for bounds, counts and what only helps to judge.
    pub sigmas: BTreeMap<&'static str, f64>,
}

impl Metrics {
    /// Puts a number that has an uncertainty among [`Metrics::more`].
    pub fn note(&mut self, name: &'static str, estimate: Estimate) {
        self.more.insert(name, estimate.value);
        self.sigmas.insert(name, estimate.sigma);
    }

    /// Takes it away again.
    pub fn forget(&mut self, name: &'static str) {
        self.more.remove(name);
        self.sigmas.remove(name);
    }

    /// A number of [`Metrics::more`] with its uncertainty.
    pub fn noted(&self, name: &'static str) -> Option<Estimate> {
        Some(Estimate {
            value: *self.more.get(name)?,
            sigma: *self.sigmas.get(name)?,
        })
    }
}

/// A line used for, or compared with, a scale.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LineUse {
    /// Name, such as `Hg 435.83`.
    pub name: String,
    /// Published wavelength, nm.
    pub wavelength_nm: f64,
    /// Order in which it was seen, such as 1 or −1.
    pub order: i32,
    /// Measured minus published, nm.
    pub residual_nm: f64,
    /// Standard uncertainty of the measured position, nm.
    pub sigma_nm: f64,
    /// The residual as it would be without this line in the fit, to first order, nm; absent where the scale hangs on it alone.
    pub left_out_nm: Option<f64>,
    /// False where it was only compared.
    pub used: bool,
}

/// How far a scale can be trusted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ScaleKind {
    /// From a lamp photo's lines.
    Calibrated,
    /// From the phone's stated focal length alone: ± a few per cent.
    Provisional,
}

/// How the grating lay before the phone's sensor.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct OnSensor {
    /// Direction of +α, clockwise (as seen) from the right of the stored picture, rad.
    pub direction_rad: f64,
    /// True where the stored picture is wider than high.
    pub wide: bool,
}

/// The scale found on a lamp photo: an instrument that other photos of the bench can be measured with.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Calibration {
    /// Lamp whose lines were used.
    pub lamp: String,
    /// Pixel at which the slit's middle was seen.
    pub slit_px: (f64, f64),
    /// Parameters of the instrument and of this shot.
    pub optics: optics::Optics,
    /// Width of the slit as the lamp photo shows it, µm; absent where it does not.
    pub slit_width_um: Option<f64>,
    /// Full width at half height of the lamp photo's narrowest line, nm.
    #[serde(default)]
    pub line_fwhm_nm: Option<f64>,
    /// Length of the slit's image in the lamp photo, px; absent where its ends are not clear.
    #[serde(default)]
    pub slit_length_px: Option<f64>,
    /// Width of the slit's own image at half height in the lamp photo, px.
    pub slit_image_px: f64,
    /// Light of the +α order over that of the −α order, natural logarithm; absent where either is off the picture.
    pub balance_ln: Option<f64>,
    /// Direction of +α on the sensor, before the picture was turned upright; absent where the file mirrors the picture.
    pub on_sensor: Option<OnSensor>,
    /// Principal point against the picture's middle, along +α, px.
    pub centre_shift_px: f64,
    /// The same along +β, px.
    pub centre_across_px: f64,
    /// Covariance of the fitted parameters, in the order of [`adjust::NAMES`].
    pub covariance: Vec<Vec<f64>>,
    /// Lines, rising in wavelength, order by order.
    pub lines: Vec<LineUse>,
    /// Root mean square of the residuals of the lines used, nm.
    pub rms_nm: f64,
    /// Standard uncertainty of the scale by wavelength: (nm, nm).
    pub sigma_curve: Vec<(f64, f64)>,
    /// χ² gained over the best assignment of other lines; large is safe.
    pub margin: f64,
    /// How the lamp was told where none was stated.
    #[serde(default)]
    pub found_out: Option<FoundOut>,
}

/// A lamp that nobody named, told from the others by its pattern.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct FoundOut {
    /// Agreement of the lines with the lamp's pattern, −1…1.
    pub agreement: f64,
    /// Short name of the lamp that agrees next best.
    pub runner_up: Option<String>,
    /// Its agreement.
    pub runner_up_agreement: Option<f64>,
    /// How sure that is, 0.5…1: like a probability, from the lead over the next lamp.
    pub sure: f64,
}

/// What was found, in photo pixels (x right, y down, upright), for drawing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Drawing {
    /// Outline of the slit's image (zero order).
    pub slit: Vec<(f64, f64)>,
    /// Outline of each order's band, with its order.
    pub bands: Vec<(i32, Vec<(f64, f64)>)>,
    /// Lines found or expected.
    pub lines: Vec<DrawnLine>,
    /// Direction of dispersion, and of the slit, each as a segment through the middle of the slit's image.
    pub dispersion_axis: Option<[(f64, f64); 2]>,
    /// Along the slit.
    pub slit_axis: Option<[(f64, f64); 2]>,
    /// Dark streaks that dust on the blades draws along the dispersion: each over the length of the measured order.
    pub streaks: Vec<Vec<(f64, f64)>>,
}

/// A spectral line as it lies in the photo.
#[derive(Clone, Debug, PartialEq)]
pub struct DrawnLine {
    /// Short name, such as `Hg 546.07` or `587.56`.
    pub name: String,
    /// Order.
    pub order: i32,
    /// Where the scale says it lies, along the slit's length.
    pub expected: Vec<(f64, f64)>,
    /// Where it was found; empty where it was not.
    pub found: Vec<(f64, f64)>,
    /// True where its core is clipped.
    pub clipped: bool,
}

/// A reason's code, as in the quality table.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Code {
    /// Spectrum over-exposed.
    Clipped,
    /// Too little light for the noise.
    Dim,
    /// Phone turned against the grating.
    Tilted,
    /// Grooves not parallel to the slit.
    Skewed,
    /// Slit wider than allowed.
    SlitWide,
    /// Not in focus.
    Defocused,
    /// Moved during the exposure.
    Moved,
    /// Stray light in the tube.
    Leak,
    /// Spectrum runs off the picture.
    Cropped,
    /// Nothing like a spectrum in it.
    NoSpectrum,
    /// Too few lamp lines for a scale.
    FewLines,
    /// Lines do not fit one scale.
    PoorFit,
    /// Not taken like its blank.
    ExposureDiffers,
    /// Exposure or white balance was not locked.
    ExposureAuto,
    /// The file ends early.
    Truncated,
    /// Not a picture this program reads.
    Unreadable,
    /// Over the pixel limit.
    TooLarge,
}

impl Code {
    /// Every code, in the order in which they are reported.
    pub const ALL: [Code; 17] = [
        Code::Truncated,
        Code::Unreadable,
        Code::TooLarge,
        Code::NoSpectrum,
        Code::Cropped,
        Code::Clipped,
        Code::Dim,
        Code::Tilted,
        Code::Skewed,
        Code::SlitWide,
        Code::Defocused,
        Code::Moved,
        Code::Leak,
        Code::FewLines,
        Code::PoorFit,
        Code::ExposureDiffers,
        Code::ExposureAuto,
    ];

    /// As written in tables: `slit-wide`.
    pub fn as_str(self) -> &'static str {
        match self {
            Code::Clipped => "clipped",
            Code::Dim => "dim",
            Code::Tilted => "tilted",
            Code::Skewed => "skewed",
            Code::SlitWide => "slit-wide",
            Code::Defocused => "defocused",
            Code::Moved => "moved",
            Code::Leak => "leak",
            Code::Cropped => "cropped",
            Code::NoSpectrum => "no-spectrum",
            Code::FewLines => "few-lines",
            Code::PoorFit => "poor-fit",
            Code::ExposureDiffers => "exposure-differs",
            Code::ExposureAuto => "exposure-auto",
            Code::Truncated => "truncated",
            Code::Unreadable => "unreadable",
            Code::TooLarge => "too-large",
        }
    }
}

/// How bad a reason is.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Usable, but look.
    Caution,
    /// Take the photo again.
    Retake,
}

/// Why a photo is not simply good.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Reason {
    /// What is wrong.
    pub code: Code,
    /// How bad.
    pub severity: Severity,
    /// The measured value, with its unit: `tilt 6.2 ± 0.1°`. Empty where there is no number.
    pub measured: String,
    /// The limit it passed, with its unit; empty where there is none.
    pub limit: String,
    /// What a student can do about it: one or two plain sentences.
    pub advice: String,
}

/// The word for a photo.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// Nothing to do.
    Good,
    /// Usable, with a reason.
    Caution,
    /// Take it again.
    Retake,
    /// Sound, but its bench has no calibration yet.
    Waiting,
    /// Not an image, or broken.
    Unreadable,
    /// Left alone by a rule that says so.
    Ignored,
}

/// Everything learnt from one photo's pixels.
#[derive(Clone, Debug, Default)]
pub struct Measurement {
    /// Numbers.
    pub metrics: Metrics,
    /// The spectrum, where there is a scale.
    pub spectrum: Option<Spectrum>,
    /// Its peaks, rising in wavelength.
    pub peaks: Vec<Peak>,
    /// For lamp photos: the scale found.
    pub calibration: Option<Calibration>,
    /// Which kind of scale the spectrum has.
    pub scale_kind: Option<ScaleKind>,
    /// What could not be measured and why, in words.
    pub not_measured: Vec<String>,
    /// Findings that the limits turn into reasons: code and text, for `few-lines`, `poor-fit`, `no-spectrum`, `cropped`.
    pub findings: Vec<Finding>,
    /// What to draw.
    pub drawing: Drawing,
    /// Lines for the photo's log, in order.
    pub log: Vec<String>,
}

/// Something that is wrong whatever the limits say.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// Which reason it gives.
    pub code: Code,
    /// How bad.
    pub severity: Severity,
    /// The measured value in words.
    pub measured: String,
    /// The limit in words.
    pub limit: String,
    /// Slots for the advice text, by name.
    pub slots: BTreeMap<&'static str, String>,
}
