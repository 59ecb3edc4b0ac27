//! How long and how sensitive a shot is exposed, as a phone would choose and write it.

use super::bench::Pose;
use super::effective::Effective;
use super::pupil;
use super::rays::vignetting;
use super::shot::{Exposure, Shot};
use super::spread::{REACH, Spread};

/// How a photo is exposed.
#[derive(Clone, Copy, Debug)]
pub(super) struct Exposed {
    /// Exposure time, s.
    pub time_s: f64,
    /// ISO speed.
    pub iso: f64,
    /// Factor from the light's flux to shares of full scale.
    pub gain: f64,
    /// Brightest part of the spectrum without solution, linear share of full scale; 0 where it was not asked for.
    pub peak_level: f64,
}

/// Chosen so that a tri-phosphor lamp of brightness 1 through 0.2 mm takes about 1/30 s at ISO 100.
const FLUX_PER_SECOND: f64 = 3.0e4;

/// Longest time for which the phone keeps its sensitivity, s, and the highest ISO speed it goes to.
const LONGEST_S: f64 = 0.13;
const HIGHEST_ISO: f64 = 800.0;

/// The exposure of a shot.
pub(super) fn expose(effective: &Effective) -> Exposed {
    let gain = |time_s: f64, iso: f64| {
        FLUX_PER_SECOND * effective.shot.light.brightness * time_s * iso / 100.0
    };
    let is_metered = matches!(effective.shot.exposure, Exposure::Metered(_));
    let peak = if is_metered || effective.has_spectrum() {
        metered_peak(effective)
    } else {
        0.0
    };
    let (time_s, iso) = match effective.shot.exposure {
        Exposure::Set(time_s, iso) => (time_s, iso),
        Exposure::Metered(level) => {
            let wanted = if peak > 0.0 { level / peak } else { 1.0 };
            let at_base = wanted / gain(1.0, 100.0);
            let mut iso = 100.0;
            while at_base * 100.0 / iso > LONGEST_S && iso < HIGHEST_ISO {
                iso *= 2.0;
            }
            (at_base * 100.0 / iso, iso)
        }
    };
    let time_s = shutter(time_s * effective.exposure_factor);
    let gain = gain(time_s, iso);
    Exposed {
        time_s,
        iso,
        gain,
        peak_level: gain * peak,
    }
}

impl Shot {
    /// Exposure time (s) and ISO with which this shot is taken, faults included.
    pub fn exposure_settings(&self) -> (f64, f64) {
        let exposed = expose(&Effective::of(self));
        (exposed.time_s, exposed.iso)
    }
}

/// Brightest part of the spectrum alone, for a gain of 1, in the picture's linear channels.
///
/// Metered with the phone held straight, sharp, and no solution in the beam, so that all shots of a lamp through
/// one instrument are exposed alike.
fn metered_peak(effective: &Effective) -> f64 {
    let mut straight = effective.clone();
    straight.shot.pose = Pose::default();
    let slit_mm = straight.shot.instrument.slit_distance_mm + straight.shot.phone.pupil_mm;
    straight.shot.reality = straight.shot.reality.straightened(slit_mm);
    straight.shot.nuisance.glare = false;
    let emission = effective.shot.light.without_solution().emission();
    let rays = straight.rays();
    let mut spread = Spread::new(&straight, &emission, false);
    let (lens_px, points) = (straight.shot.phone.lens_sigma_px, pupil::points(&straight));
    spread.blur(&rays, |shift| match points[..] {
        [_] => lens_px,
        _ => lens_px.hypot(pupil::spread_px(&points, &rays, shift)),
    });
    let spread = spread.integrated();
    let width = 1e-3 * straight.shot.instrument.slit_width_um * rays.shift_per_mm();
    let focal = straight.shot.phone.focal_px;
    let right = straight.shot.phone.width as f64;
    let middle = 0.5 * right;
    let px = 1.0 / focal;
    let (gains, matrix) = straight.colour();
    let mut peak = 0.0f64;
    for i in 0..(2.0 * REACH / px) as usize {
        let shift = -REACH + i as f64 * px;
        let (Some(here), Some(next)) = (
            rays.trace(shift, 0.0, 0.0),
            rays.trace(shift + px, 0.0, 0.0),
        ) else {
            continue;
        };
        if here.x < 0.0 || here.x > right {
            continue;
        }
        let half_px = 0.5 * px / (next.x - here.x).abs();
        let (a, b) = (
            spread.up_to(shift - half_px, width, &[1.0; 3]),
            spread.up_to(shift + half_px, width, &[1.0; 3]),
        );
        let shade = vignetting((here.x - middle).powi(2) / (focal * focal));
        let raw = [0, 1, 2].map(|c| (b[c] - a[c]) * shade);
        let balanced = [0, 1, 2].map(|c| raw[c] * gains[c]);
        let picture = matrix.map(|m| m[0] * balanced[0] + m[1] * balanced[1] + m[2] * balanced[2]);
        peak = picture.into_iter().fold(peak, f64::max);
    }
    peak
}

/// A time that a phone would write: one over a whole number below a third of a second.
fn shutter(time_s: f64) -> f64 {
    if time_s < 0.3 {
        1.0 / (1.0 / time_s).round()
    } else {
        (time_s * 100.0).round() / 100.0
    }
}
