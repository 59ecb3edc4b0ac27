//! The bench's instrument behind another photo: the slit stays where it is against the grooves, the phone has moved a
//! little. The slit's image and the ends of the band say how.

use crate::decode::Facts;
use crate::measure::adjust::{Adjusted, Observation, adjust, index};
use crate::measure::evidence::scale_sigma;
use crate::measure::optics::Optics;
use crate::measure::scale::slit_observations;
use crate::measure::survey::{Survey, height_observations};
use crate::measure::{Calibration, Measurement};

/// Standard uncertainty of parameter `i` that the lamp photo left.
pub fn calibration_sigma(calibration: &Calibration, i: usize) -> f64 {
    calibration.covariance[i][i].max(0.0).sqrt()
}

/// A shot with a bench's instrument behind it.
pub struct Anchored {
    /// The instrument with this shot's pose.
    pub optics: Optics,
    slit_px: (f64, f64),
    /// Of the pose alone, the instrument being held.
    covariance: Vec<Vec<f64>>,
    /// The same shot with one instrument parameter moved by its standard uncertainty, and its correlations.
    moved: Vec<(usize, Optics)>,
    instrument: Vec<Vec<f64>>,
    /// Probability that the picture is the other way up, and the optics then; absent where it is below a hundredth.
    doubt: Option<(f64, Optics)>,
}

/// What a lamp photo fixes for all other photos of its bench.
const INSTRUMENT: [usize; 8] = [
    index::FOCAL,
    index::K1,
    index::K2,
    index::ALPHA,
    index::SKEW,
    index::CENTRE,
    index::PUPIL,
    index::ACROSS,
];

impl Anchored {
    /// Standard uncertainty of parameter `i` of the pose.
    pub fn sigma(&self, i: usize) -> f64 {
        self.covariance[i][i].max(0.0).sqrt()
    }

    /// Standard uncertainty of the wavelength where `path_nm` lies: this shot's pose, and the instrument as the lamp
    /// photo left it, re-anchored for every change of the instrument.
    pub fn scale_sigma(&self, path_nm: f64) -> Option<f64> {
        let at = self.optics.rays().pixel_of_path(path_nm, 0.0)?;
        let mut variance =
            scale_sigma(&self.optics, self.slit_px, &self.covariance, path_nm)?.powi(2);
        let slopes: Vec<(usize, f64)> = self
            .moved
            .iter()
            .map(|(i, o)| (*i, o.rays().path_nm(at.0, at.1).0 - path_nm))
            .collect();
        for &(i, a) in &slopes {
            for &(j, b) in &slopes {
                let scale = (self.instrument[i][i] * self.instrument[j][j]).sqrt();
                variance += a * b * self.instrument[i][j] / scale;
            }
        }
        if let Some((probability, other)) = &self.doubt {
            variance += probability * (other.rays().path_nm(at.0, at.1).0 - path_nm).powi(2);
        }
        Some(variance.max(0.0).sqrt())
    }
}

/// What speaks against `flip`, as a χ²: the brighter order is the same one of the instrument's, whatever the lamp, and
/// phones lie on their tube the same way round. A phone lying flat does not know which way is up: the file's orientation
/// may change while nothing has moved, so it is the picture as stored that counts.
fn other_way_up(survey: &Survey, calibration: &Calibration, facts: &Facts, flip: f64) -> f64 {
    // Lamps differ in colour, and each order has its own preference: the ratio is good to a factor of two.
    let unlike = match (calibration.balance_ln, survey.balance_ln()) {
        (Some(lamp), Some(shot)) => ((shot - flip * lamp) / 0.7).powi(2).min(8.0),
        _ => 0.0,
    };
    let expected = match (calibration.on_sensor, survey.on_sensor(facts)) {
        (Some(a), Some(b)) if a.wide == b.wide => {
            (a.direction_rad - b.direction_rad).cos().signum()
        }
        _ => 1.0,
    };
    // Twelve to one that nobody has turned the phone over (common practice, no source).
    unlike + if flip == expected { 0.0 } else { 5.0 }
}

/// The bench's instrument with one parameter moved by `by`, as seen in a picture that may be the other way up.
fn instrument(
    survey: &Survey,
    calibration: &Calibration,
    flip: f64,
    change: Option<(usize, f64)>,
) -> Optics {
    let known = &calibration.optics;
    let moved = |i: usize| change.filter(|c| c.0 == i).map_or(0.0, |c| c.1);
    let mut o = survey.optics.clone();
    o.groove_spacing_nm = known.groove_spacing_nm;
    o.focal_px = known.focal_px + moved(index::FOCAL);
    o.k1 = known.k1 + moved(index::K1);
    o.k2 = known.k2 + moved(index::K2);
    o.pupil_share = known.pupil_share + moved(index::PUPIL);
    o.alpha_slit = flip * (known.alpha_slit + moved(index::ALPHA));
    o.skew_slope = known.skew_slope + moved(index::SKEW);
    o.yaw_rad = flip * known.yaw_rad;
    let (s, c) = o.roll_rad.sin_cos();
    let shift = flip * (calibration.centre_shift_px + moved(index::CENTRE));
    let across = flip * (calibration.centre_across_px + moved(index::ACROSS));
    o.centre_px.0 += c * shift - s * across;
    o.centre_px.1 += s * shift + c * across;
    o
}

/// Finds the pose of the phone for a given instrument from the slit's image and the band's ends.
fn pose(survey: &Survey, start: &Optics) -> Option<Adjusted> {
    let mut observations = height_observations(&survey.edges);
    observations.extend(slit_observations(&survey.slit, &start.rays()));
    // The blades do not move between shots; a hair's breadth is allowed.
    observations.push(Observation::Prior {
        parameter: index::ALPHA,
        value: start.alpha_slit,
        sigma: 1e-4,
    });
    observations.push(Observation::Prior {
        parameter: index::SKEW,
        value: start.skew_slope,
        sigma: 1.5e-3,
    });
    observations.push(Observation::Prior {
        parameter: index::PITCH,
        value: 0.0,
        sigma: 1.2f64.to_radians(),
    });
    let free = [
        index::YAW,
        index::ROLL,
        index::PITCH,
        index::ALPHA,
        index::SKEW,
    ];
    adjust(start, survey.slit.centre, &free, &observations)
}

/// Puts a bench's instrument behind this shot: the slit stays where it is against the grooves, the phone has moved.
pub fn anchor(
    survey: &Survey,
    calibration: &Calibration,
    facts: &Facts,
    m: &mut Measurement,
) -> Option<Anchored> {
    let known = &calibration.optics;
    let mut tried: Vec<(f64, f64, Adjusted)> = Vec::new();
    // The picture may be the other way up than the lamp's: then the instrument's +α points the other way.
    for flip in [1.0, -1.0] {
        let Some(a) = pose(survey, &instrument(survey, calibration, flip, None)) else {
            continue;
        };
        // Between shots a phone turns by tenths of a degree.
        let turned = (a.optics.yaw_rad - flip * known.yaw_rad).to_degrees() / 0.7;
        let cost = turned * turned + other_way_up(survey, calibration, facts, flip);
        tried.push((cost, flip, a));
    }
    tried.sort_by(|a, b| a.0.total_cmp(&b.0));
    // Where both ways are about as likely the scale is one or the other: the doubt is what lies between them.
    let doubt = tried.get(1).and_then(|other| {
        let odds = (-0.5 * (other.0 - tried[0].0)).exp();
        let probability = odds / (1.0 + odds);
        (probability > 0.01).then(|| (probability, other.2.optics.clone()))
    });
    let (cost, flip, last) = tried.into_iter().next()?;
    // Beyond a quarter of a right angle this is not the slit's image, or not this instrument.
    if cost > 1000.0 {
        return None;
    }
    let moved = INSTRUMENT
        .iter()
        .filter_map(|&i| {
            let sigma = calibration_sigma(calibration, i);
            let start = instrument(survey, calibration, flip, Some((i, sigma)));
            (sigma > 0.0)
                .then(|| pose(survey, &start).map(|a| (i, a.optics)))
                .flatten()
        })
        .collect();
    let yaw = (last.optics.yaw_rad - flip * known.yaw_rad).to_degrees();
    m.log.push(format!(
        "anchored on the slit's image at ({:.2}, {:.2}) px; phone against lamp photo: roll {:+.2}°, yaw {yaw:+.2}°{}",
        survey.slit.centre.0,
        survey.slit.centre.1,
        (last.optics.tilt_rad() - known.tilt_rad()).to_degrees(),
        if flip < 0.0 { ", held the other way up" } else { "" }
    ));
    m.metrics.more.insert("yaw_drift_deg", yaw);
    Some(Anchored {
        optics: last.optics,
        slit_px: survey.slit.centre,
        covariance: last.covariance,
        moved,
        instrument: calibration.covariance.clone(),
        doubt,
    })
}
