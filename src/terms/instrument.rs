//! The instrument: what is known of it beforehand, and what a lamp photo says of it.

use serde::{Deserialize, Serialize};

use super::estimate::written_as_pair;
use super::{LineUse, Point};

/// Slits are so wide before any photo is seen, µm: two sheets of paper apart…
pub const USUAL_SLIT_UM: f64 = 200.0;
/// …within this factor (standard deviation of the width's logarithm; common practice, no source).
pub const USUAL_SLIT_LN: f64 = 0.6;

/// What is known of an instrument before any photo is seen.
#[derive(Clone, Debug, PartialEq)]
pub struct Instrument {
    /// Groove spacings to try, in nm; one where the bench states it.
    pub groove_spacings_nm: Vec<f64>,
    /// Distance from slit to grating in mm.
    pub slit_distance_mm: f64,
}

impl Default for Instrument {
    fn default() -> Instrument {
        Instrument {
            // Track pitch of the two kinds of disc: 1.6 µm (ECMA-130) and 0.74 µm (ECMA-267, 10.6.2).
            groove_spacings_nm: vec![1600.0, 740.0],
            // A4 card rolled along its long side, 297 mm, and the thickness of what holds slit and disc.
            slit_distance_mm: 305.0,
        }
    }
}

/// How far a scale can be trusted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[derive(strum::Display)]
#[strum(serialize_all = "lowercase")]
pub enum ScaleKind {
    /// From a lamp photo's lines.
    Calibrated,
    /// From the phone's stated focal length alone: ± a few per cent.
    Provisional,
}

/// How the grating lay before the phone's sensor.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct OnSensor {
    /// Direction of +α, clockwise (as seen) from the right of the stored picture, rad.
    pub direction_rad: f64,
    /// True where the stored picture is wider than high.
    pub wide: bool,
}

/// Parameters of an instrument and of one shot through it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Optics {
    /// Groove spacing, nm.
    pub groove_spacing_nm: f64,
    /// Focal length, px.
    pub focal_px: f64,
    /// Principal point, px from the upright picture's left top corner (pixel centres at integers).
    pub centre_px: Point,
    /// Radial distortion: a ray at tangent r from the axis appears at r (1 + k1 r² + k2 r⁴).
    pub k1: f64,
    /// See `k1`.
    pub k2: f64,
    /// Direction of +α in the picture, clockwise (as seen) from the right, rad.
    pub roll_rad: f64,
    /// Camera axis against the grating's normal, towards +α, rad.
    pub yaw_rad: f64,
    /// Camera axis against the grating's normal, towards +β, rad.
    pub pitch_rad: f64,
    /// Direction cosine of the slit across the grooves at `beta_mid`.
    pub alpha_slit: f64,
    /// Direction cosine along the grooves of the slit's middle.
    pub beta_mid: f64,
    /// Slit against grooves: tangent of the angle between them, positive where α grows with β.
    pub skew_slope: f64,
    /// Distance of the lens's pupil behind the grating, in distances of the slit. Rays of other directions meet the
    /// grating at other places, and from there the slit lies in another direction: `pupil_share` × the tangent of the
    /// ray is the parallax.
    #[serde(default)]
    pub pupil_share: f64,
    /// Distance of the slit over the radius of the grooves, which are circles; positive where the grooves that a ray meets
    /// further along +β are turned from +β towards −α.
    #[serde(default)]
    pub fan: f64,
    /// Lateral colour: what the lens magnifies light of 100 nm more than 550 nm more than that, as a share…
    #[serde(default)]
    pub lateral: f64,
    /// …and what both 100 nm more and 100 nm less are magnified more besides.
    #[serde(default)]
    pub lateral_bow: f64,
}

/// Names, with their units, of the parameters that are adjusted; the order of [`Calibration::covariance`].
pub const PARAMETERS: [&str; 14] = [
    "focal_px",
    "k1",
    "yaw_rad",
    "roll_rad",
    "alpha_slit",
    "skew_slope",
    "centre_shift_px",
    "pitch_rad",
    "k2",
    "pupil_share",
    "centre_across_px",
    "fan",
    "lateral",
    "lateral_bow",
];

/// The scale found on a lamp photo: an instrument that other photos of the bench can be measured with.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    /// Lamp whose lines were used.
    pub lamp: String,
    /// Pixel at which the slit's middle was seen.
    pub slit_px: Point,
    /// Parameters of the instrument and of this shot.
    pub optics: Optics,
    /// Focal length as the lamp photo's file states it, px; absent where it does not.
    #[serde(default)]
    pub stated_focal_px: Option<f64>,
    /// Width of the slit as the lamp photo shows it, µm; absent where it does not.
    pub slit_width_um: Option<f64>,
    /// Its standard uncertainty, µm.
    #[serde(default)]
    pub slit_width_sigma_um: Option<f64>,
    /// What it lies below with 95 % probability, µm.
    #[serde(default)]
    pub slit_width_at_most_um: Option<f64>,
    /// How soft the slit's ends are in the lamp photo besides lens and pupil, px; absent where none is seen.
    #[serde(default)]
    pub end_blur_px: Option<f64>,
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
    /// Covariance of the fitted parameters, in the order of [`PARAMETERS`].
    pub covariance: Vec<Vec<f64>>,
    /// Lines, rising in wavelength, order by order.
    pub lines: Vec<LineUse>,
    /// Root mean square of the residuals of the lines used, nm.
    pub rms_nm: f64,
    /// Standard uncertainty of the scale by wavelength.
    pub sigma_curve: Vec<SigmaAt>,
    /// χ² gained over the best assignment of other lines; large is safe.
    pub margin: f64,
    /// How the lamp was told where none was stated.
    #[serde(default)]
    pub found_out: Option<FoundOut>,
}

/// How well a scale is known at one wavelength. Written as `[wavelength_nm, sigma_nm]`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(from = "(f64, f64)", into = "(f64, f64)")]
pub struct SigmaAt {
    /// Wavelength, nm.
    pub wavelength_nm: f64,
    /// Standard uncertainty of the scale there, nm.
    pub sigma_nm: f64,
}

written_as_pair!(SigmaAt {
    wavelength_nm,
    sigma_nm
});

/// A lamp that nobody named, told from the others by its pattern.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
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
