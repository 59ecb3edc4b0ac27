//! Observations -> parameters of the optics, by one adjustment with priors where the data do not decide.

use crate::measure::optics::fit::{Parameter, least_squares};
use crate::terms::{Optics, PARAMETERS, Point};

/// Number of adjustable parameters.
pub const N: usize = PARAMETERS.len();

/// Indices into a parameter vector, in the order of [`PARAMETERS`].
pub mod index {
    /// Focal length.
    pub const FOCAL: usize = 0;
    /// Distortion.
    pub const K1: usize = 1;
    /// Camera about the grooves.
    pub const YAW: usize = 2;
    /// Camera in the picture's plane.
    pub const ROLL: usize = 3;
    /// Incidence.
    pub const ALPHA: usize = 4;
    /// Slit against grooves.
    pub const SKEW: usize = 5;
    /// Principal point along the dispersion.
    pub const CENTRE: usize = 6;
    /// Camera about the dispersion.
    pub const PITCH: usize = 7;
    /// Distortion of the fourth power.
    pub const K2: usize = 8;
    /// Pupil behind the grating.
    pub const PUPIL: usize = 9;
    /// Principal point along the grooves.
    pub const ACROSS: usize = 10;
    /// Curvature of the grooves.
    pub const FAN: usize = 11;
    /// Lateral colour.
    pub const LATERAL: usize = 12;
    /// Lateral colour of the second power.
    pub const LATERAL_BOW: usize = 13;
}

/// Steps of the numerical derivatives: each moves a line by about a hundredth of a pixel to a pixel.
const STEPS: [f64; N] = [
    0.3, 1e-4, 1e-4, 1e-5, 1e-5, 1e-5, 0.3, 1e-4, 1e-4, 1e-4, 0.3, 0.1, 1e-5, 1e-5,
];

/// How far each parameter may go (no source): the focal length as shares of where it starts, the roll from where it starts, rad, the
/// others from nothing: yaw and pitch in rad, places in px, the rest in the units of [`Optics`].
const FOCAL_SHARES: (f64, f64) = (0.4, 2.5);
const MOST_ROLL_RAD: f64 = 0.4;
const MOST_DISTORTION: f64 = 0.12;
const MOST_PUPIL: f64 = 0.05;
const MOST_TURN_RAD: f64 = 0.5;
const MOST_ALPHA: f64 = 0.9;
const MOST_FAN: f64 = 20.0;
const MOST_SKEW: f64 = 0.6;
const MOST_LATERAL: f64 = 2e-3;
const FARTHEST_PX: f64 = 400.0;

/// Something seen, with its standard uncertainty.
#[derive(Clone, Debug)]
pub enum Observation {
    /// A place of known `m λ` (0 on the slit's image).
    Path {
        /// Pixel.
        at: Point,
        /// `m λ`, nm.
        path_nm: f64,
        /// nm.
        sigma_nm: f64,
    },
    /// Places of equal, unknown `m λ`: one line along the slit.
    SamePath {
        /// Pixels.
        at: Vec<Point>,
        /// nm.
        sigma_nm: f64,
    },
    /// Places of equal height: one end of the slit in several colours.
    SameHeight {
        /// Pixels.
        at: Vec<Point>,
        /// px.
        sigma_px: f64,
    },
    /// One wavelength, unknown, in the first orders on both sides.
    Mirror {
        /// Pixel in order +1.
        plus: Point,
        /// Pixel in order −1.
        minus: Point,
        /// nm.
        sigma_nm: f64,
    },
    /// What is known of a parameter beforehand.
    Prior {
        /// Which.
        parameter: usize,
        /// Expected value.
        value: f64,
        /// Standard uncertainty.
        sigma: f64,
    },
}

impl Observation {
    /// What is known of a parameter beforehand.
    pub fn prior(parameter: usize, value: f64, sigma: f64) -> Observation {
        Observation::Prior {
            parameter,
            value,
            sigma,
        }
    }
}

/// The adjusted optics.
#[derive(Clone, Debug)]
pub struct Adjusted {
    /// Best parameters.
    pub optics: Optics,
    /// Covariance in the order of [`PARAMETERS`].
    pub covariance: Vec<Vec<f64>>,
    /// Residuals in units of sigma, in the order of the observations (groups in a row).
    pub residuals: Vec<f64>,
}

/// The adjustable parameters of one shot's optics as a vector, in the order of [`PARAMETERS`].
#[derive(Clone, Debug)]
pub struct OpticsVector {
    base: Optics,
    /// Pixel at which the slit's middle is seen: fixes `beta_mid`.
    slit_px: Point,
}

impl OpticsVector {
    /// `slit_px` is the pixel of the slit's middle, at which `alpha_slit` holds.
    pub fn new(base: &Optics, slit_px: Point) -> OpticsVector {
        OpticsVector {
            base: base.clone(),
            slit_px,
        }
    }

    /// The base as a vector.
    pub fn vector(&self) -> [f64; N] {
        let b = &self.base;
        [
            b.focal_px,
            b.k1,
            b.yaw_rad,
            b.roll_rad,
            b.alpha_slit,
            b.skew_slope,
            0.0,
            b.pitch_rad,
            b.k2,
            b.pupil_share,
            0.0,
            b.fan,
            b.lateral,
            b.lateral_bow,
        ]
    }

    /// The optics of a vector.
    pub fn optics(&self, x: &[f64]) -> Optics {
        let (s, c) = self.base.roll_rad.sin_cos();
        let mut o = Optics {
            focal_px: x[index::FOCAL],
            k1: x[index::K1],
            k2: x[index::K2],
            yaw_rad: x[index::YAW],
            roll_rad: x[index::ROLL],
            alpha_slit: x[index::ALPHA],
            skew_slope: x[index::SKEW],
            pitch_rad: x[index::PITCH],
            pupil_share: x[index::PUPIL],
            fan: x[index::FAN],
            lateral: x[index::LATERAL],
            lateral_bow: x[index::LATERAL_BOW],
            centre_px: Point::new(
                self.base.centre_px.x + c * x[index::CENTRE] - s * x[index::ACROSS],
                self.base.centre_px.y + s * x[index::CENTRE] + c * x[index::ACROSS],
            ),
            ..self.base.clone()
        };
        o.beta_mid = o.rays().cosines(self.slit_px).1;
        o
    }
}

/// Adjusts the parameters marked free to the observations.
///
/// Refuses (absent) where the observations are fewer than the free parameters or the solver fails.
pub fn adjust(
    base: &Optics,
    slit_px: Point,
    free: &[usize],
    observations: &[Observation],
) -> Option<Adjusted> {
    let shot = OpticsVector::new(base, slit_px);
    let start = shot.vector();
    let limits = |i: usize| -> (f64, f64) {
        match i {
            index::FOCAL => (FOCAL_SHARES.0 * start[i], FOCAL_SHARES.1 * start[i]),
            index::K1 | index::K2 => (-MOST_DISTORTION, MOST_DISTORTION),
            index::PUPIL => (-MOST_PUPIL, MOST_PUPIL),
            index::YAW | index::PITCH => (-MOST_TURN_RAD, MOST_TURN_RAD),
            index::ROLL => (start[i] - MOST_ROLL_RAD, start[i] + MOST_ROLL_RAD),
            index::ALPHA => (-MOST_ALPHA, MOST_ALPHA),
            index::FAN => (-MOST_FAN, MOST_FAN),
            index::SKEW => (-MOST_SKEW, MOST_SKEW),
            index::LATERAL | index::LATERAL_BOW => (-MOST_LATERAL, MOST_LATERAL),
            _ => (-FARTHEST_PX, FARTHEST_PX),
        }
    };
    let parameters: Vec<Parameter> = (0..N)
        .map(|i| {
            let (low, high) = limits(i);
            Parameter::free(start[i], STEPS[i])
                .within(low, high)
                .only_if(free.contains(&i))
        })
        .collect();
    let n: usize = observations.iter().map(count).sum();
    let fitted = least_squares(&parameters, n, |x, out| {
        residuals(&shot, observations, x, out)
    })?;
    let mut at_best = vec![0.0; n];
    residuals(&shot, observations, &fitted.parameters, &mut at_best);
    Some(Adjusted {
        optics: shot.optics(&fitted.parameters),
        covariance: fitted.covariance,
        residuals: at_best,
    })
}

/// Number of residuals of an observation.
pub fn count(observation: &Observation) -> usize {
    match observation {
        Observation::SamePath { at, .. } | Observation::SameHeight { at, .. } => at.len(),
        _ => 1,
    }
}

fn residuals(shot: &OpticsVector, observations: &[Observation], x: &[f64], out: &mut [f64]) {
    let optics = shot.optics(x);
    let rays = optics.rays();
    let mut k = 0;
    let mut values = Vec::new();
    for observation in observations {
        match observation {
            Observation::Path {
                at,
                path_nm,
                sigma_nm,
            } => {
                out[k] = (rays.path_nm(*at) - path_nm) / sigma_nm;
                k += 1;
            }
            Observation::SamePath { at, sigma_nm } => {
                values.clear();
                values.extend(at.iter().map(|p| rays.path_nm(*p)));
                about_mean(&values, *sigma_nm, &mut out[k..]);
                k += values.len();
            }
            Observation::SameHeight { at, sigma_px } => {
                values.clear();
                values.extend(at.iter().map(|p| rays.height(*p) * optics.focal_px));
                about_mean(&values, *sigma_px, &mut out[k..]);
                k += values.len();
            }
            Observation::Mirror {
                plus,
                minus,
                sigma_nm,
            } => {
                out[k] = (rays.path_nm(*plus) + rays.path_nm(*minus)) / sigma_nm;
                k += 1;
            }
            Observation::Prior {
                parameter,
                value,
                sigma,
            } => {
                out[k] = (x[*parameter] - value) / sigma;
                k += 1;
            }
        }
    }
}

/// Deviations of values from their mean, in units of their uncertainty.
fn about_mean(values: &[f64], sigma: f64, out: &mut [f64]) {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    for (out, v) in out.iter_mut().zip(values) {
        *out = (v - mean) / sigma;
    }
}
