//! Lamps as data, and the lines that a scale rests on.

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
    /// How well the strengths of neighbouring lines are known against each other, share of them (standard uncertainty).
    pub strengths_known: f64,
}

impl Lamp {
    /// Where a table does not say how well strengths are known: excitation, and how a phone sees colours (common practice, no
    /// source).
    pub const USUAL_STRENGTHS: f64 = 0.3;
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
