//! The one optical model: direction cosines (to come).

/// Parameters of an instrument and of one shot through it.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Optics {
    /// Groove spacing, nm.
    pub groove_spacing_nm: f64,
    /// Focal length, px.
    pub focal_px: f64,
    /// Principal point, px.
    pub centre_px: (f64, f64),
    /// Radial distortion: r_d = r (1 + k1 r²), r in units of the focal length.
    pub k1: f64,
    /// Picture axis nearest to +α, then turned clockwise as seen by this angle, rad.
    pub roll_rad: f64,
    /// Camera turned about the grooves against the grating's normal, rad.
    pub yaw_rad: f64,
    /// Camera turned about the dispersion axis, rad.
    pub pitch_rad: f64,
    /// Direction cosine of the slit across the grooves at `beta_mid`.
    pub alpha_slit: f64,
    /// Direction cosine along the grooves of the slit's middle.
    pub beta_mid: f64,
    /// Slit against grooves: dα/dβ along the slit.
    pub skew_slope: f64,
}

impl Optics {
    /// Names of the fitted parameters, in the order of a covariance matrix.
    pub const NAMES: [&str; 6] = [
        "focal_px",
        "k1",
        "yaw_rad",
        "roll_rad",
        "alpha_slit",
        "skew_slope",
    ];
}
