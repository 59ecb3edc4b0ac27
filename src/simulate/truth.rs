//! What a perfect measurement of a photo would find, known without drawing it.

use serde::{Deserialize, Serialize};

use super::Shot;
use super::band::dust_share;
use super::bench::Pose;
use super::rays::{Rays, upright};
use super::sensor::Effective;
use super::veil::Leak;

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
    /// Slit against the grooves in the grating's plane, degrees; positive where the slit is turned anticlockwise
    /// against them, as seen on the picture.
    pub skew_deg: f64,
    /// Mean slit width, µm.
    pub slit_width_um: f64,
    /// Width at the second of `slit_ends` less that at the first, µm.
    #[serde(default)]
    pub slit_wedge_um: f64,
    /// Share of the slit's light that dust takes, 0…1; not that at its very ends, which only shortens it.
    #[serde(default)]
    pub dust_share: f64,
    /// Standard deviation of lens and focus blur together, px.
    pub blur_px: f64,
    /// Length of the movement, px.
    pub movement_px: f64,
    /// Mean stray light over the picture's middle, linear share of full scale.
    pub leak_level: f64,
    /// Where the stray light is brightest, px, upright.
    #[serde(default)]
    pub leak_at: (f64, f64),
    /// Brightest part of the spectrum without solution and blur, linear share of full scale, before it is cut at 1.
    pub peak_level: f64,
    /// Exposure time, s.
    pub exposure_s: f64,
    /// ISO speed.
    pub iso: f64,
    /// Planted faults.
    pub faults: Vec<PlantedFault>,
    /// Where the middle of the slit's own image lies, px; absent where it is off the picture.
    pub zero_order: Option<(f64, f64)>,
    /// The slit image's two ends, px.
    pub slit_ends: [(f64, f64); 2],
    /// Orders other than zero that are on the picture with at least a part of 400–700 nm.
    pub orders: Vec<TrueOrder>,
    /// Absorbance of the solution in the beam, where there is one: steps of 5 nm.
    pub absorbance: Vec<(f64, f64)>,
}

impl Truth {
    /// Width of the slit at the end that is lower in the upright picture, or where it lies the one to the right, less that at the
    /// other, µm.
    pub fn wedge_as_seen_um(&self) -> f64 {
        let [first, second] = self.slit_ends;
        let (dx, dy) = (second.0 - first.0, second.1 - first.1);
        let onwards = if dy.abs() >= dx.abs() { dy } else { dx };
        self.slit_wedge_um * onwards.signum()
    }
}

/// A line of the source.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrueLine {
    /// Standard air, nm.
    pub wavelength_nm: f64,
    /// Radiant strength relative to the strongest.
    pub strength: f64,
    /// Such as `Hg 546.07`.
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
    /// px, upright.
    pub x: f64,
    /// px, upright.
    pub y: f64,
    /// nm in standard air.
    pub wavelength_nm: f64,
}

/// The truth about a shot.
pub(super) fn of(shot: &Shot, effective: &Effective) -> Truth {
    let rays = Rays::new(effective);
    let (w, h) = (shot.phone.width, shot.phone.height);
    let on_picture = |p: &(f64, f64)| {
        p.0 >= -0.5 && p.1 >= -0.5 && p.0 <= w as f64 - 0.5 && p.1 <= h as f64 - 0.5
    };
    let turned = |p: (f64, f64)| upright(p.0, p.1, w, h, shot.orientation);
    let has_spectrum = effective.has_spectrum();
    let mut orders = Vec::new();
    for order in [-2, -1, 1, 2] {
        let efficiency = effective.instrument.efficiency[(order + 2) as usize];
        if !has_spectrum || efficiency == 0.0 {
            continue;
        }
        let points: Vec<MapPoint> = (76..=156)
            .filter_map(|i| {
                let wavelength_nm = 5.0 * f64::from(i);
                let p = rays
                    .trace(rays.shift(order, wavelength_nm), 0.0, 0.0)
                    .filter(on_picture)?;
                let (x, y) = turned(p);
                Some(MapPoint {
                    x,
                    y,
                    wavelength_nm,
                })
            })
            .collect();
        if points
            .iter()
            .any(|p| (400.0..=700.0).contains(&p.wavelength_nm))
        {
            orders.push(TrueOrder {
                order,
                efficiency,
                points,
            });
        }
    }
    let half = 0.5 * effective.instrument.slit_length_mm;
    let end = |s: f64| turned(rays.trace(0.0, s, 0.0).unwrap_or((f64::NAN, f64::NAN)));
    let (exposure_s, iso, gain) = effective.expose();
    let sizes_swap = matches!(shot.orientation, 6 | 8);
    Truth {
        width: if sizes_swap { h } else { w },
        height: if sizes_swap { w } else { h },
        has_spectrum,
        lines: true_lines(effective),
        pose: effective.pose,
        tilt_deg: (effective.pose.roll_deg + 45.0).rem_euclid(90.0) - 45.0,
        skew_deg: effective.instrument.skew_deg,
        slit_width_um: effective.instrument.slit_width_um,
        slit_wedge_um: if effective.nuisance.slit_flaws {
            2.0 * effective.instrument.wedge * effective.instrument.slit_width_um
        } else {
            0.0
        },
        dust_share: dust_share(effective),
        blur_px: effective.blur_px,
        movement_px: effective.movement.map_or(0.0, |m| m.0),
        leak_level: effective.instrument.leak_level * effective.exposure_factor,
        leak_at: {
            let (x, y) = Leak::new(effective).brightest(w as f64, h as f64);
            turned((x, y))
        },
        peak_level: if has_spectrum {
            gain * effective.metered_peak()
        } else {
            0.0
        },
        exposure_s,
        iso,
        faults: shot
            .faults
            .iter()
            .map(|f| PlantedFault {
                code: f.code().into(),
                size: f.size(),
            })
            .collect(),
        zero_order: rays
            .trace(0.0, 0.0, 0.0)
            .filter(on_picture)
            .filter(|_| has_spectrum)
            .map(turned),
        slit_ends: [end(-half), end(half)],
        orders,
        absorbance: match &effective.light.solution {
            Some(solution) => (76..=150)
                .map(|i| 5.0 * f64::from(i))
                .map(|l| (l, solution.absorbance(l)))
                .collect(),
            None => Vec::new(),
        },
    }
}

fn true_lines(effective: &Effective) -> Vec<TrueLine> {
    if effective.has_spectrum() {
        effective.light.true_lines()
    } else {
        Vec::new()
    }
}
