//! What was found, as outlines and lines in the picture.

use crate::measure::light::profile::Order;
use crate::measure::optics::Rays;
use crate::measure::shot::Shot;
use crate::measure::sight::Survey;
use crate::terms::{Drawing, DrawnLine, Interval, LineUse, Optics, Peak, Point};

/// An order is outlined over what people see of its light, nm…
const OUTLINED_NM: Interval = Interval::new(390.0, 720.0);
/// …where so much of that lies in the picture, nm, in so many bins.
const LEAST_OUTLINED_NM: f64 = 20.0;
const LEAST_OUTLINED_BINS: usize = 20;
/// Curves are drawn with so many pieces along the dispersion, and along the slit.
const PIECES: usize = 16;
const LINE_PIECES: usize = 8;
/// Beside the slit's image its outline keeps so many px.
const SLIT_MARGIN_PX: f64 = 2.0;
/// The axes reach so many times as far as the slit's image.
const AXIS_REACH: f64 = 1.3;
/// So many peaks are marked, the shortest wavelengths first: more would hide the picture.
const MOST_PEAKS: usize = 40;

/// The slit's image, both orders' bands and the two axes.
pub fn outlines(shot: &Shot) -> Drawing {
    let (optics, slit) = (&shot.scale.optics, &shot.survey.slit);
    let rays = optics.rays();
    let across = (slit.along_rad.sin(), -slit.along_rad.cos());
    let (h, w) = (slit.half_length_px, 0.5 * slit.width_px + SLIT_MARGIN_PX);
    let corner = |a: f64, n: f64| slit.at(a).along(across, n);
    let reach = AXIS_REACH * h;
    let dispersion = (optics.roll_rad.cos(), optics.roll_rad.sin());
    Drawing {
        slit: vec![corner(-h, -w), corner(-h, w), corner(h, w), corner(h, -w)],
        bands: shot
            .orders
            .iter()
            .filter_map(|order| band(&rays, order, shot.beta))
            .collect(),
        lines: Vec::new(),
        streaks: Vec::new(),
        dispersion_axis: Some([
            slit.centre.along(dispersion, -reach),
            slit.centre.along(dispersion, reach),
        ]),
        slit_axis: Some([corner(-reach, 0.0), corner(reach, 0.0)]),
    }
}

/// An order's number and the outline of its band; absent where too little of it is in the picture.
fn band(rays: &Rays, order: &Order, beta: Interval) -> Option<(i32, Vec<Point>)> {
    let p = &order.profile;
    let seen = Interval::new(
        p.nm(0.0).max(OUTLINED_NM.low),
        p.nm(p.len() as f64).min(OUTLINED_NM.high),
    );
    if p.len() < LEAST_OUTLINED_BINS || seen.width() < LEAST_OUTLINED_NM {
        return None;
    }
    let edge = |beta: f64| -> Vec<Point> {
        (0..=PIECES)
            .map(|i| p.sign * seen.at(i as f64 / PIECES as f64))
            .filter_map(|path_nm| rays.pixel_of_path(path_nm, beta))
            .collect()
    };
    let mut outline = edge(beta.low);
    outline.extend(edge(beta.high).into_iter().rev());
    Some((p.sign as i32, outline))
}

/// Where `m λ` lies along the slit's extent `beta`.
fn along(rays: &Rays, path_nm: f64, beta: Interval) -> Vec<Point> {
    (0..=LINE_PIECES)
        .map(|i| beta.at(i as f64 / LINE_PIECES as f64))
        .filter_map(|beta| rays.pixel_of_path(path_nm, beta))
        .collect()
}

/// The peaks of the measured order.
pub fn peaks(shot: &Shot, peaks: &[Peak]) -> Vec<DrawnLine> {
    let (rays, sign) = (shot.scale.optics.rays(), shot.profile().sign);
    let rising = peaks.iter().filter(|p| p.height.value > 0.0);
    rising
        .take(MOST_PEAKS)
        .map(|peak| DrawnLine {
            name: if peak.name.is_empty() {
                format!("{:.1}", peak.centre_nm.value)
            } else {
                peak.name.clone()
            },
            order: sign as i32,
            expected: Vec::new(),
            found: along(&rays, sign * peak.centre_nm.value, shot.beta),
            clipped: peak.clipped,
        })
        .collect()
}

/// A line of a lamp that its scale rests on; absent where it is not in the picture.
pub fn lamp_line(optics: &Optics, survey: &Survey, line: &LineUse) -> Option<DrawnLine> {
    let rays = optics.rays();
    let along = |nm: f64| along(&rays, f64::from(line.order) * nm, survey.beta);
    let expected = along(line.wavelength_nm);
    let found = along(line.wavelength_nm + line.residual_nm);
    (!expected.is_empty()).then(|| DrawnLine {
        name: line.name.clone(),
        order: line.order,
        expected,
        found,
        clipped: false,
    })
}
