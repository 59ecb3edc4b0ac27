//! Where a phone may focus, how much of its pupil is lit and how the grating is turned, and what disc of light each of these makes of
//! a point: in the slit's own image and across and along the lines.

use crate::measure::optics::adjust::index;
use crate::measure::shot::Shot;

/// A phone's pupil where the file does not state it, mm.
const USUAL_PUPIL_MM: f64 = 2.3;
/// The light fills so much of the pupil's width, with these probabilities: all of it behind paper, less of it straight from a
/// small lamp.
const PUPIL_FILLED: [(f64, f64); 3] = [(1.0, 0.6), (0.5, 0.2), (0.1, 0.2)];
/// Where the phone focuses: at the slit within so many dioptres (standard deviation)…
const FOCUS_DIOPTRES: f64 = 0.6;
/// …but anywhere within so many of it, with this probability.
const ASTRAY_DIOPTRES: f64 = 4.0;
const ASTRAY: f64 = 0.1;
/// The focus is tried in so many steps to either side of the slit, of this many dioptres, growing outwards.
const FOCUS_STEPS: i32 = 15;
const FIRST_FOCUS_STEP: f64 = 0.09;
const FOCUS_STEP_GROWS: f64 = 0.3;
/// A quantity of normal distribution may lie so many standard uncertainties off, with these probabilities (Gauss and Hermite's
/// nodes).
pub const NODES: [(f64, f64); 3] = [(-1.732, 1.0 / 6.0), (0.0, 2.0 / 3.0), (1.732, 1.0 / 6.0)];

/// One possible state of phone and light.
pub struct Focus {
    /// How far the slit's own image is from focus, px across its pupil's disc, signed.
    defocus_px: f64,
    /// Share of the pupil's width that is lit.
    filled: f64,
    /// ln of its probability.
    pub prior: f64,
}

/// All states of focus that are tried.
pub fn foci(shot: &Shot) -> Vec<Focus> {
    let distance_m = shot.inputs.bench.slit_distance_mm / 1000.0;
    let pupil_px = pupil_px(shot);
    let mut foci = Vec::new();
    for (filled, share) in PUPIL_FILLED {
        for i in -FOCUS_STEPS..=FOCUS_STEPS {
            let i = f64::from(i);
            let dioptres = FIRST_FOCUS_STEP * i * (1.0 + FOCUS_STEP_GROWS * i.abs());
            let step = FIRST_FOCUS_STEP * (1.0 + 2.0 * FOCUS_STEP_GROWS * i.abs());
            let near = (-0.5 * (dioptres / FOCUS_DIOPTRES).powi(2)).exp() / FOCUS_DIOPTRES;
            let far = (-0.5 * (dioptres / ASTRAY_DIOPTRES).powi(2)).exp() / ASTRAY_DIOPTRES;
            let density = (1.0 - ASTRAY) * near + ASTRAY * far;
            foci.push(Focus {
                defocus_px: pupil_px * dioptres * distance_m,
                filled,
                prior: (share * step * density).ln(),
            });
        }
    }
    foci
}

/// How far light is from focus where the slit's own image is in it.
#[derive(Clone, Copy)]
pub struct OwnFocus {
    /// Diameter of the pupil's disc, px, signed.
    px: f64,
}

impl OwnFocus {
    /// The slit's own image.
    pub const IMAGE: OwnFocus = OwnFocus { px: 0.0 };

    /// Across the lines of `path_nm` where light meets the grating at an angle of sine `alpha`: a plane grating in diverging
    /// light. The slit seems as far off as the cube of the cosines' ratio makes it, behind the pupil's own distance.
    pub fn across(shot: &Shot, path_nm: f64, alpha: f64) -> OwnFocus {
        let (out, came) = cosines(shot, path_nm, alpha);
        let seems = shot.scale.optics.pupil_share + (out / came).powi(3);
        OwnFocus::from(shot, 1.0 / seems)
    }

    /// Along the lines, where the grooves are bent by `fan`: light from another part of the pupil has met grooves turned
    /// otherwise.
    pub fn along(shot: &Shot, path_nm: f64, fan: f64) -> OwnFocus {
        let optics = &shot.scale.optics;
        let (out, came) = cosines(shot, path_nm, optics.alpha_slit);
        let straight = 1.0 - path_nm / optics.groove_spacing_nm * fan / came;
        OwnFocus::from(
            shot,
            straight / (optics.pupil_share * straight + out / came),
        )
    }

    /// Of what seems to be at a distance; its reciprocal, in distances of the slit.
    fn from(shot: &Shot, nearness: f64) -> OwnFocus {
        let own = nearness - 1.0 / (1.0 + shot.scale.optics.pupil_share);
        OwnFocus {
            px: pupil_px(shot) * own,
        }
    }

    /// Diameter of the pupil's disc, px.
    pub fn disc_px(&self, focus: &Focus) -> f64 {
        focus.filled * (focus.defocus_px - self.px).abs()
    }
}

/// Over how much a whole pupil smears the slit along itself in the light of `path_nm`, px, where its own image is in focus.
pub fn along(shot: &Shot, path_nm: f64) -> f64 {
    OwnFocus::along(shot, path_nm, shot.scale.optics.fan)
        .px
        .abs()
}

/// Sines at which the light may meet the grating, with their probabilities: one photo tells that angle from the phone's turn to half
/// a degree only.
pub fn incidences(shot: &Shot) -> [(f64, f64); 3] {
    let sigma = sigma(shot, index::ALPHA);
    NODES.map(|(sigmas, share)| (shot.scale.optics.alpha_slit + sigmas * sigma, share))
}

/// Bends of the grooves that are possible, with their probabilities.
pub fn fans(shot: &Shot) -> [(f64, f64); 3] {
    let sigma = sigma(shot, index::FAN);
    NODES.map(|(sigmas, share)| (shot.scale.optics.fan + sigmas * sigma, share))
}

/// Standard uncertainty of a parameter by the lamp photo, or by this one where it is one.
fn sigma(shot: &Shot, parameter: usize) -> f64 {
    let covariance = shot.inputs.calibration.map(|c| &c.covariance);
    let variance = covariance.and_then(|c| Some(*c.get(parameter)?.get(parameter)?));
    variance.map_or(shot.scale.sigma(parameter), |v| v.max(0.0).sqrt())
}

/// Diameter of the pupil, seen from the slit, px: focal length × pupil over distance.
fn pupil_px(shot: &Shot) -> f64 {
    let facts = shot.inputs.facts;
    let stated = facts.focal_mm.zip(facts.f_number);
    let pupil_mm = stated.map_or(USUAL_PUPIL_MM, |(focal, number)| focal / number);
    shot.scale.optics.focal_px * pupil_mm / shot.inputs.bench.slit_distance_mm
}

/// Cosines of the angles at which light of `path_nm` leaves the grating and comes to it.
fn cosines(shot: &Shot, path_nm: f64, alpha: f64) -> (f64, f64) {
    let cosine = |sine: f64| (1.0 - sine * sine).max(0.01).sqrt();
    let out = alpha + path_nm / shot.scale.optics.groove_spacing_nm;
    (cosine(out), cosine(alpha))
}
