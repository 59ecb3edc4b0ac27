//! What a perfect measurement of a photo would find, known without drawing it.

use serde::{Deserialize, Serialize};

use super::bench::Pose;
use super::blades::dust_share;
use super::effective::Effective;
use super::light::{Light, Solution, Source};
use super::metering::Exposed;
use super::pupil;
use super::rays::{Rays, upright};
use super::shot::Shot;
use super::veil::Leak;
use crate::terms::Point;

/// What a perfect measurement of a photo would find.
///
/// Pixel coordinates are upright, x to the right and y down, with the middle of the top left pixel at (0, 0).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Width of the upright picture, px.
    pub width: usize,
    /// Height of the upright picture, px.
    pub height: usize,
    /// True where the picture shows a lit slit.
    pub has_spectrum: bool,
    /// Lines of the source with their wavelengths, rising; empty where it has none.
    pub lines: Vec<TrueLine>,
    /// How the phone was held, faults included.
    pub pose: Pose,
    /// Direction of the dispersion against the nearer edge of the picture, degrees, clockwise positive, −45…45.
    pub tilt_deg: f64,
    /// Slit against the grooves in front of the pupil, in the grating's plane, degrees; positive where the slit is turned anticlockwise
    /// against them, as seen on the picture.
    pub skew_deg: f64,
    /// Mean slit width, µm.
    pub slit_width_um: f64,
    /// Width at the second of `slit_ends` less that at the first, µm.
    #[serde(default)]
    pub slit_wedge_um: f64,
    /// Share of the slit's light that dust takes, 0…1. Dust at the very ends does not count: it only shortens the slit.
    #[serde(default)]
    pub dust_share: f64,
    /// Standard deviation of lens and focus blur together, px, in the slit's own image.
    pub blur_px: f64,
    /// Length of the movement, px.
    pub movement_px: f64,
    /// Mean stray light over the picture's middle, linear share of full scale.
    pub leak_level: f64,
    /// Where the stray light is brightest, px, upright.
    #[serde(default)]
    pub leak_at: Point,
    /// Brightest part of the spectrum without solution and blur, linear share of full scale, before it is cut at 1.
    pub peak_level: f64,
    /// Exposure time, s.
    pub exposure_s: f64,
    /// ISO speed.
    pub iso: f64,
    /// Planted faults.
    pub faults: Vec<PlantedFault>,
    /// Where the middle of the slit's own image lies, px; absent where it is off the picture.
    pub zero_order: Option<Point>,
    /// The slit image's two ends, px.
    pub slit_ends: [Point; 2],
    /// Orders other than zero that are on the picture with at least a part of 400–700 nm.
    pub orders: Vec<TrueOrder>,
    /// Absorbance of the solution in the beam, where there is one: steps of 5 nm.
    pub absorbance: Vec<(f64, f64)>,
    /// The piece of disc and the pupil behind it; absent where the grooves are straight and the pupil is a point.
    #[serde(default)]
    pub disc: Option<TrueDisc>,
    /// The part of the slit that is lit, from the first of `slit_ends` (−1) to the second (1): between the middles of its edges.
    #[serde(default)]
    pub lit_part: [f64; 2],
}

/// A piece of disc and the pupil behind it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrueDisc {
    /// Radius of the grooves in front of the pupil, mm.
    pub radius_mm: f64,
    /// +1 where the disc's middle lies towards order +1, −1 on the other side.
    pub middle_side: i32,
    /// From the grooves to the pupil, mm.
    pub stand_off_mm: f64,
    /// Diameter of the pupil, mm.
    pub pupil_mm: f64,
    /// Distance from the pupil that is in focus, mm.
    pub focus_mm: f64,
}

impl Truth {
    /// Width of the slit at the lower end in the upright picture less that at the upper one, µm. Of a slit that lies rather than
    /// stands, the right end counts as the lower one.
    pub fn wedge_as_seen_um(&self) -> f64 {
        let [first, second] = self.slit_ends;
        let (dx, dy) = (second.x - first.x, second.y - first.y);
        let onwards = if dy.abs() >= dx.abs() { dy } else { dx };
        self.slit_wedge_um * onwards.signum()
    }
}

/// A line of the source.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrueLine {
    /// Wavelength in standard air, nm.
    pub wavelength_nm: f64,
    /// Radiant strength relative to the strongest.
    pub strength: f64,
    /// Name of the line, such as `Hg 546.07`.
    pub name: String,
}

/// A planted fault by the reason code it should be given.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlantedFault {
    /// Reason code.
    pub code: String,
    /// Size in the unit that [`super::Fault`] states.
    pub size: Option<f64>,
}

/// One order's scale along the middle of its band.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrueOrder {
    /// Order number; +1 lies to the right of the slit's image on the sensor.
    pub order: i32,
    /// Efficiency of the grating in this order.
    pub efficiency: f64,
    /// Points of 380–780 nm in steps of 5 nm that lie on the picture, rising in wavelength.
    pub points: Vec<MapPoint>,
}

/// Where one wavelength lies.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MapPoint {
    /// To the right in the upright picture, px.
    pub x: f64,
    /// Down in the upright picture, px.
    pub y: f64,
    /// Wavelength in standard air, nm.
    pub wavelength_nm: f64,
}

/// The truth about a shot.
pub(super) fn of(effective: &Effective, exposed: &Exposed) -> Truth {
    let shot = &effective.shot;
    let (phone, slit) = (&shot.phone, &shot.instrument);
    let rays = effective.rays();
    let turned = |seen: Point| upright(seen, phone, shot.orientation);
    let has_spectrum = effective.has_spectrum();
    let end = |along_mm: f64| {
        let seen = rays.trace(0.0, along_mm, 0.0);
        turned(seen.unwrap_or(Point::new(f64::NAN, f64::NAN)))
    };
    let half_mm = 0.5 * slit.slit_length_mm;
    let (width, height) = match shot.orientation {
        6 | 8 => (phone.height, phone.width),
        _ => (phone.width, phone.height),
    };
    let planted = shot.faults.iter().map(|fault| {
        let (code, size) = fault.code_and_size();
        let code = code.into();
        PlantedFault { code, size }
    });
    let zero_order = rays.trace(0.0, 0.0, 0.0).filter(|p| phone.is_on_picture(p));
    let (width_px, height_px) = phone.size_px();
    let brightest_leak = Leak::new(effective).brightest(width_px, height_px);
    let (lines, orders, peak_level) = match has_spectrum {
        true => (
            true_lines(&shot.light),
            true_orders(effective, &rays),
            exposed.peak_level,
        ),
        false => Default::default(),
    };
    Truth {
        width,
        height,
        has_spectrum,
        lines,
        pose: shot.pose,
        tilt_deg: (shot.pose.roll_deg + 45.0).rem_euclid(90.0) - 45.0,
        skew_deg: effective.skew_deg(),
        slit_width_um: slit.slit_width_um,
        slit_wedge_um: if shot.nuisance.slit_flaws {
            2.0 * slit.wedge * slit.slit_width_um
        } else {
            0.0
        },
        dust_share: dust_share(effective),
        blur_px: effective.slit_blur_px(),
        movement_px: effective.movement.map_or(0.0, |m| m.0),
        leak_level: slit.leak_level * effective.exposure_factor,
        leak_at: turned(brightest_leak),
        peak_level,
        exposure_s: exposed.time_s,
        iso: exposed.iso,
        faults: planted.collect(),
        zero_order: zero_order.filter(|_| has_spectrum).map(turned),
        slit_ends: [end(-half_mm), end(half_mm)],
        orders,
        absorbance: shot.light.solution.iter().flat_map(absorbances).collect(),
        disc: true_disc(shot),
        lit_part: shot.reality.lit.part(half_mm, slit.slit_distance_mm),
    }
}

fn true_disc(shot: &Shot) -> Option<TrueDisc> {
    let radius_mm = shot.reality.signed_radius_mm()?;
    Some(TrueDisc {
        radius_mm: radius_mm.abs(),
        middle_side: radius_mm.signum() as i32,
        stand_off_mm: shot.phone.pupil_mm,
        pupil_mm: shot.phone.pupil_diameter_mm(),
        focus_mm: shot.reality.focus_mm?,
    })
}

/// The orders of which a part of 400 to 700 nm is on the picture.
fn true_orders(effective: &Effective, rays: &Rays) -> Vec<TrueOrder> {
    let shot = &effective.shot;
    let pupil = pupil::points(effective);
    let on_picture = |order: i32, wavelength_nm: f64| {
        let seen = mean_place(rays, &pupil, rays.shift(order, wavelength_nm))?;
        let seen = rays.magnified(seen, shot.reality.lens.lateral(wavelength_nm));
        let seen = Some(seen).filter(|p| shot.phone.is_on_picture(p))?;
        let Point { x, y } = upright(seen, &shot.phone, shot.orientation);
        Some(MapPoint {
            x,
            y,
            wavelength_nm,
        })
    };
    let all = [-2, -1, 1, 2].map(|order| TrueOrder {
        order,
        efficiency: shot.instrument.efficiency[(order + 2) as usize],
        points: (76..=156)
            .filter_map(|i| on_picture(order, 5.0 * f64::from(i)))
            .collect(),
    });
    let is_visible = |p: &MapPoint| (400.0..=700.0).contains(&p.wavelength_nm);
    all.into_iter()
        .filter(|order| order.efficiency != 0.0 && order.points.iter().any(is_visible))
        .collect()
}

/// Where the light of this shift from the slit's middle is seen, px: the middle of what the pupil's points see.
fn mean_place(rays: &Rays, pupil: &[[f64; 2]], shift: f64) -> Option<Point> {
    let (mut x, mut y) = (0.0, 0.0);
    for point in pupil {
        let seen = rays.follow(shift, [0.0, 0.0], *point)?.seen;
        (x, y) = (x + seen.x, y + seen.y);
    }
    let n = pupil.len() as f64;
    Some(Point::new(x / n, y / n))
}

/// Absorbance of a solution from 380 to 750 nm in steps of 5 nm.
fn absorbances(solution: &Solution) -> impl Iterator<Item = (f64, f64)> + '_ {
    (76..=150)
        .map(|i| 5.0 * f64::from(i))
        .map(|nm| (nm, solution.absorbance(nm)))
}

/// The lines of a lamp, rising in wavelength, with names such as `Hg 546.07`.
fn true_lines(light: &Light) -> Vec<TrueLine> {
    let element = match (&light.source, light.source.discharge()) {
        (Source::Laser(_), _) => "laser",
        (_, discharge) => discharge.map_or("", |d| d.element),
    };
    let lines = light.emission().lines;
    let strongest = lines.iter().map(|l| l.1).fold(0.0, f64::max);
    lines
        .into_iter()
        .map(|(wavelength_nm, strength)| TrueLine {
            wavelength_nm,
            strength: strength / strongest,
            name: format!("{element} {wavelength_nm:.2}"),
        })
        .collect()
}
