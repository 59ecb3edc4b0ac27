//! The scale of one photo: the model of its optics, and how well that is known.

use crate::measure::optics::adjust::{N, index};
use crate::measure::optics::sigma::scale_sigma;
use crate::measure::sight::Survey;
use crate::terms::{Calibration, Optics, Point, ScaleKind};

/// Where each wavelength lies in one photo, and how well that is known.
pub struct PhotoScale {
    /// The instrument with this shot's pose.
    pub optics: Optics,
    /// −1 where the picture is the other way up than the lamp photo, so that orders count the other way round; else 1.
    pub way: f64,
    /// Which kind of scale it is; absent where not even the focal length is stated, and no wavelength can be given.
    pub kind: Option<ScaleKind>,
    /// Standard uncertainty of the dispersion's direction, rad.
    pub roll_sigma_rad: f64,
    /// Standard uncertainty of the slit's slope against the grooves.
    pub skew_sigma: f64,
    pub(super) slit_px: Point,
    /// Of the parameters that were adjusted to this photo.
    pub(super) covariance: Vec<Vec<f64>>,
    /// What this photo's own covariance does not hold, where the instrument comes from another one.
    pub(super) borrowed: Option<Borrowed>,
}

/// What is not known of a scale that was taken over from a lamp photo.
pub struct Borrowed {
    /// The same shot with the instrument moved by one standard uncertainty, in each independent direction.
    pub(super) moved: Vec<Optics>,
    /// Other readings of the picture, with their probabilities: the other way up; the slit moved, not the phone.
    pub(super) doubts: Vec<(f64, Optics)>,
    /// Logarithm of the stated focal length here over that in the lamp photo, where it is another: a zoom, or another phone. Every
    /// wavelength may be off by that share.
    pub(super) enlarged: f64,
}

/// A focal length that the file states is known to this share of itself; one that is taken to be a usual phone's, to that.
const STATED_FOCAL_SHARE: f64 = 0.04;
const USUAL_FOCAL_SHARE: f64 = 0.2;
/// Distortion that phones' lenses have after the phone's own correction (standard deviation of k1).
pub(super) const USUAL_K1: f64 = 0.015;
/// Phones' lenses magnify red and blue by some 3 · 10⁻⁴ more or less than green (common practice, no source): standard deviation of
/// what 100 nm more do…
pub(super) const USUAL_LATERAL: f64 = 2e-4;
/// …and of what 100 nm more and less do besides.
pub(super) const USUAL_LATERAL_BOW: f64 = 1.2e-4;
/// A phone is laid on its disc so flat by hand, degrees (standard deviation about either axis).
pub(super) const FLUSH_DEG: f64 = 1.2;
/// The slit's own image shows its slope against the grooves to so much, degrees.
const SKEW_DEG: f64 = 0.05;

/// Standard uncertainty of parameter `i`.
pub(super) fn sigma_of(covariance: &[Vec<f64>], i: usize) -> f64 {
    covariance[i][i].max(0.0).sqrt()
}

impl PhotoScale {
    /// The scale that a lamp photo's own lines give.
    pub fn of_lamp(calibration: &Calibration) -> PhotoScale {
        let covariance = calibration.covariance.clone();
        PhotoScale {
            optics: calibration.optics.clone(),
            way: 1.0,
            kind: Some(ScaleKind::Calibrated),
            roll_sigma_rad: sigma_of(&covariance, index::ROLL),
            skew_sigma: sigma_of(&covariance, index::SKEW),
            slit_px: calibration.slit_px,
            covariance,
            borrowed: None,
        }
    }

    /// A scale from the stated focal length and groove spacing alone.
    pub fn provisional(survey: &Survey) -> PhotoScale {
        let optics = survey.optics.clone();
        let focal_share = if survey.focal_known {
            STATED_FOCAL_SHARE
        } else {
            USUAL_FOCAL_SHARE
        };
        let focal_sigma = focal_share * optics.focal_px;
        let mut covariance = vec![vec![0.0; N]; N];
        covariance[index::FOCAL][index::FOCAL] = focal_sigma * focal_sigma;
        covariance[index::K1][index::K1] = USUAL_K1.powi(2);
        covariance[index::LATERAL][index::LATERAL] = USUAL_LATERAL.powi(2);
        covariance[index::LATERAL_BOW][index::LATERAL_BOW] = USUAL_LATERAL_BOW.powi(2);
        covariance[index::YAW][index::YAW] = FLUSH_DEG.to_radians().powi(2);
        PhotoScale {
            optics,
            way: 1.0,
            kind: survey.focal_known.then_some(ScaleKind::Provisional),
            roll_sigma_rad: survey.roll_sigma_rad,
            skew_sigma: survey.roll_sigma_rad.hypot(SKEW_DEG.to_radians()),
            slit_px: survey.slit.centre,
            covariance,
            borrowed: None,
        }
    }

    /// What the lamp photo leaves open of the instrument where `path_nm` lies, nm (standard uncertainty); 0 in the lamp photo itself.
    pub fn instrument_sigma_nm(&self, path_nm: f64) -> Option<f64> {
        let at = self.optics.rays().pixel_of_path(path_nm, 0.0)?;
        let moved = self.borrowed.iter().flat_map(|borrowed| &borrowed.moved);
        let off = moved.map(|moved| (moved.rays().path_nm(at) - path_nm).powi(2));
        Some(off.sum::<f64>().sqrt())
    }

    /// Standard uncertainty of parameter `i`, as this photo's own adjustment has it.
    pub fn sigma(&self, i: usize) -> f64 {
        sigma_of(&self.covariance, i)
    }

    /// Standard uncertainty of the wavelength where `path_nm` lies: from this photo's own adjustment, and from the instrument
    /// as the lamp photo left it, re-anchored for every change of the instrument.
    pub fn sigma_nm(&self, path_nm: f64) -> Option<f64> {
        let own = scale_sigma(&self.optics, self.slit_px, &self.covariance, path_nm)?;
        let Some(borrowed) = &self.borrowed else {
            return Some(own);
        };
        let at = self.optics.rays().pixel_of_path(path_nm, 0.0)?;
        let off = |other: &Optics| (other.rays().path_nm(at) - path_nm).powi(2);
        let mut variance = own.powi(2) + self.instrument_sigma_nm(path_nm)?.powi(2);
        variance += (borrowed.enlarged * path_nm).powi(2);
        for (probability, other) in &borrowed.doubts {
            variance += probability * off(other);
        }
        Some(variance.max(0.0).sqrt())
    }
}
