//! The bench's instrument behind another photo: the slit stays where it is against the grooves, the phone has moved a
//! little. The slit's image and the ends of the band say how.

use crate::decode::Facts;
use crate::measure::optics::FAN_SIGMA;
use crate::measure::optics::adjust::{Adjusted, N, Observation, adjust, index};
use crate::measure::scale::photo_scale::{Borrowed, FLUSH_DEG, PhotoScale, sigma_of};
use crate::measure::sight::Survey;
use crate::terms::{Calibration, Optics, Point, ScaleKind};

/// A shot with a bench's instrument behind it.
pub struct Anchored {
    /// The scale.
    pub scale: PhotoScale,
    /// How far the phone has turned about the grooves since the lamp photo, degrees.
    pub yaw_drift_deg: f64,
}

/// Below this probability another reading of the picture is left out of the uncertainty: the odds are good to a factor of
/// a few, and a reading that is nanometres off would drown everything else.
const LEAST_DOUBT: f64 = 0.05;
/// One photo in fifty has had its slit or its disc moved, or comes from another bench (common practice, no source)…
const MOVED_SHARE: f64 = 0.02;
/// …by up to so many degrees either way…
const MOVED_DEG: f64 = 6.0;
/// …while the phone on its tube turns by this between shots (standard deviation).
pub const TURNS_DEG: f64 = 0.7;

/// A phone is laid down anew to so much of the slit's distance: 0.7 mm of 305 (common practice, no source). Seen from there the
/// slit lies under another angle, and the grooves are turned.
const LAID_DOWN_SHARE: f64 = 0.0023;
/// Lamps differ in colour, and each order has its own preference: the ratio of the two orders is good to a factor of two
/// (standard deviation of its logarithm)…
const BALANCE_LN: f64 = 0.7;
/// …and says so much against a picture at most, χ².
const MOST_BALANCE: f64 = 8.0;
/// The places of the slit's ends in the orders, which grooves that are circles set to one side, say so much against a reading at most,
/// χ²: a lamp that fills a small part of the slit, or stray light, makes ends that are none. (Drawn photos of two hands: 100 to 30,000
/// against the wrong reading, rarely as much against the right one.)
const MOST_ENDS: f64 = 4.0;
/// What turning the phone over costs, χ²: twelve to one that nobody has (common practice, no source).
const TURNED_OVER: f64 = 5.0;
/// From this χ² on, a phone turned by a quarter of a right angle, it is not the slit's image, or not this instrument.
const NOT_THE_SLIT: f64 = 1000.0;

/// A file that states another focal length than the lamp photo's, by more than this share, is of another phone or zoomed: files
/// state it in whole millimetres of 26 or so, and always alike.
const ANOTHER_FOCAL: f64 = 0.01;

/// Logarithm of the focal length that a photo's file states over that of the lamp photo's; 0 for one and the same.
fn enlarged(calibration: &Calibration, facts: &Facts) -> f64 {
    let stated = facts.focal_px().zip(calibration.stated_focal_px);
    let ln = stated.map_or(0.0, |(here, lamp)| (here / lamp).ln());
    if ln.abs() > ANOTHER_FOCAL { ln } else { 0.0 }
}

/// What a lamp photo fixes for all other photos of its bench.
const INSTRUMENT: [usize; 11] = [
    index::FOCAL,
    index::K1,
    index::K2,
    index::ALPHA,
    index::SKEW,
    index::CENTRE,
    index::PUPIL,
    index::ACROSS,
    index::FAN,
    index::LATERAL,
    index::LATERAL_BOW,
];

/// Moves of the instrument whose squares add up to its covariance: the columns of the Cholesky factor.
///
/// Focal length, pupil and distortion stand in for each other: each alone may move by nanometres, together by hundredths.
/// Moved one at a time, what is not straight in that would not cancel.
pub(super) fn independent_moves(covariance: &[Vec<f64>]) -> Vec<[f64; N]> {
    let mut rest: Vec<Vec<f64>> = covariance.to_vec();
    let mut moves = Vec::new();
    for &i in &INSTRUMENT {
        let pivot = rest[i][i];
        // What is left of a parameter that the others explain is rounding.
        if pivot <= 1e-9 * covariance[i][i] || covariance[i][i] <= 0.0 {
            continue;
        }
        let mut column = [0.0; N];
        for &j in &INSTRUMENT {
            column[j] = rest[j][i] / pivot.sqrt();
        }
        for &j in &INSTRUMENT {
            for &k in &INSTRUMENT {
                rest[j][k] -= column[j] * column[k];
            }
        }
        moves.push(column);
    }
    moves
}

/// What speaks against `flip`, as a χ²: the brighter order is the same one of the instrument's, whatever the lamp, and
/// phones lie on their tube the same way round. A phone lying flat does not know which way is up: the file's orientation
/// may change while nothing has moved, so it is the picture as stored that counts.
fn other_way_up(survey: &Survey, calibration: &Calibration, facts: &Facts, flip: f64) -> f64 {
    let unlike = match (calibration.balance_ln, survey.balance_ln()) {
        (Some(lamp), Some(shot)) => ((shot - flip * lamp) / BALANCE_LN)
            .powi(2)
            .min(MOST_BALANCE),
        _ => 0.0,
    };
    let expected = match (calibration.on_sensor, survey.on_sensor(facts)) {
        (Some(a), Some(b)) if a.wide == b.wide => {
            (a.direction_rad - b.direction_rad).cos().signum()
        }
        _ => 1.0,
    };
    unlike + if flip == expected { 0.0 } else { TURNED_OVER }
}

/// How likely it is that the slit's image lies elsewhere by `turned_deg` because the slit or the disc was moved, and not
/// the phone.
fn slit_moved_probability(turned_deg: f64) -> f64 {
    let t = turned_deg / TURNS_DEG;
    let phone = (-0.5 * t * t).exp() / (TURNS_DEG * (2.0 * std::f64::consts::PI).sqrt());
    let slit = 1.0 / (2.0 * MOVED_DEG);
    let odds = MOVED_SHARE * slit / ((1.0 - MOVED_SHARE) * phone).max(1e-300);
    odds / (1.0 + odds)
}

/// The same picture if the phone lies as in the lamp photo and the light comes from elsewhere.
fn with_the_slit_moved(shot: &Optics, yaw_rad: f64, slit_px: Point) -> Optics {
    let mut other = shot.clone();
    other.yaw_rad = yaw_rad;
    other.aim_slit_at(slit_px);
    other
}

/// The bench's instrument with its parameters moved by `moved`, as seen in a picture that may be the other way up.
fn instrument(survey: &Survey, calibration: &Calibration, flip: f64, moved: &[f64; N]) -> Optics {
    let known = &calibration.optics;
    let mut o = survey.optics.clone();
    o.groove_spacing_nm = known.groove_spacing_nm;
    o.focal_px = known.focal_px + moved[index::FOCAL];
    o.k1 = known.k1 + moved[index::K1];
    o.k2 = known.k2 + moved[index::K2];
    o.lateral = known.lateral + moved[index::LATERAL];
    o.lateral_bow = known.lateral_bow + moved[index::LATERAL_BOW];
    o.pupil_share = known.pupil_share + moved[index::PUPIL];
    o.fan = flip * (known.fan + moved[index::FAN]);
    o.alpha_slit = flip * (known.alpha_slit + moved[index::ALPHA]);
    o.skew_slope = known.skew_slope + moved[index::SKEW];
    o.yaw_rad = flip * known.yaw_rad;
    let (s, c) = o.roll_rad.sin_cos();
    let shift = flip * (calibration.centre_shift_px + moved[index::CENTRE]);
    let across = flip * (calibration.centre_across_px + moved[index::ACROSS]);
    o.centre_px.x += c * shift - s * across;
    o.centre_px.y += s * shift + c * across;
    o
}

/// Finds the pose of the phone for a given instrument from the slit's image and the band's ends.
///
/// `mirrors` are places of one wavelength in both orders.
fn pose(survey: &Survey, start: &Optics, mirrors: &[Observation]) -> Option<Adjusted> {
    let mut observations = survey.ends();
    observations.extend_from_slice(mirrors);
    observations.extend(survey.slit.observations(&start.rays()));
    observations.extend([
        Observation::prior(index::ALPHA, start.alpha_slit, LAID_DOWN_SHARE),
        Observation::prior(index::SKEW, start.skew_slope, FAN_SIGMA * LAID_DOWN_SHARE),
        Observation::prior(index::YAW, start.yaw_rad, TURNS_DEG.to_radians()),
        Observation::prior(index::PITCH, 0.0, FLUSH_DEG.to_radians()),
    ]);
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
    mirrors: &[Observation],
    log: &mut Vec<String>,
) -> Option<Anchored> {
    let known = &calibration.optics;
    let mut tried: Vec<(f64, f64, Adjusted)> = Vec::new();
    // The picture may be the other way up than the lamp's: then the instrument's +α points the other way.
    for flip in [1.0, -1.0] {
        let Some(a) = pose(
            survey,
            &instrument(survey, calibration, flip, &[0.0; N]),
            mirrors,
        ) else {
            continue;
        };
        // Between shots a phone turns by tenths of a degree.
        let turned = (a.optics.yaw_rad - flip * known.yaw_rad).to_degrees() / TURNS_DEG;
        let cost = turned * turned + other_way_up(survey, calibration, facts, flip);
        tried.push((cost, flip, a));
    }
    let misfit = |a: &Adjusted| a.residuals.iter().map(|r| r * r).sum::<f64>();
    let chi = tried.iter().map(|(_, _, a)| misfit(a));
    let least = chi.fold(f64::MAX, f64::min);
    for (cost, _, a) in &mut tried {
        let freedom = a.residuals.len().max(1) as f64;
        let scatter = (least / freedom).max(1.0);
        *cost += ((misfit(a) - least) / scatter).min(MOST_ENDS);
    }
    tried.sort_by(|a, b| a.0.total_cmp(&b.0));
    // Where both ways are about as likely the scale is one or the other: the doubt is what lies between them.
    let mut doubts: Vec<(f64, Optics)> = Vec::new();
    if let Some(other) = tried.get(1) {
        let odds = (-0.5 * (other.0 - tried[0].0)).exp();
        doubts.push((odds / (1.0 + odds), other.2.optics.clone()));
    }
    let (cost, flip, last) = tried.into_iter().next()?;
    if cost > NOT_THE_SLIT {
        return None;
    }
    let moved = independent_moves(&calibration.covariance)
        .iter()
        .filter_map(|by| {
            let start = instrument(survey, calibration, flip, by);
            pose(survey, &start, mirrors).map(|a| a.optics)
        })
        .collect();
    let yaw = (last.optics.yaw_rad - flip * known.yaw_rad).to_degrees();
    doubts.push((
        slit_moved_probability(yaw),
        with_the_slit_moved(&last.optics, flip * known.yaw_rad, survey.slit.centre),
    ));
    doubts.retain(|(probability, _)| *probability > LEAST_DOUBT);
    if let Some((probability, _)) = doubts.first() {
        log.push(format!(
            "another reading of where the phone lay has a probability of {probability:.2}"
        ));
    }
    log.push(format!(
        "anchored on the slit's image at ({:.2}, {:.2}) px; phone against lamp photo: roll {:+.2}°, yaw {yaw:+.2}°{}",
        survey.slit.centre.x,
        survey.slit.centre.y,
        (last.optics.tilt_rad() - known.tilt_rad()).to_degrees(),
        if flip < 0.0 { ", held the other way up" } else { "" }
    ));
    let skew_sigma = sigma_of(&last.covariance, index::SKEW);
    let scale = PhotoScale {
        optics: last.optics,
        way: flip,
        kind: Some(ScaleKind::Calibrated),
        roll_sigma_rad: sigma_of(&last.covariance, index::ROLL),
        skew_sigma: skew_sigma.hypot(sigma_of(&calibration.covariance, index::SKEW)),
        slit_px: survey.slit.centre,
        covariance: last.covariance,
        borrowed: Some(Borrowed {
            moved,
            doubts,
            enlarged: enlarged(calibration, facts),
        }),
    };
    Some(Anchored {
        scale,
        yaw_drift_deg: yaw,
    })
}
