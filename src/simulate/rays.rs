//! Follows a ray from a point of the slit through the grating and the lens to the sensor.
//!
//! Lengths are in millimetres, directions are vectors: the tangential part of the direction gains m·λ/d across the grooves, as the
//! phase of neighbouring grooves demands; everything else is straight lines. The entrance pupil lies a little behind the
//! grating, so each order passes the grating at its own place, and each point of the pupil looks through other grooves.

use super::bench::Phone;
use super::reality::Reality;
use super::shot::Shot;
use crate::terms::Point;

/// The rays of one shot. Grating frame: x across the grooves in front of the pupil, y along them (down on an unturned picture), z
/// towards the slit, origin on the grating in front of the pupil's middle; mm.
#[derive(Clone, Debug)]
pub struct Rays {
    focal_px: f64,
    axis: Point,
    k1: f64,
    turn: [[f64; 3]; 3],
    slit_middle: [f64; 3],
    along: [f64; 3],
    across: [f64; 3],
    pupil_mm: f64,
    groove_spacing_nm: f64,
    /// Where on the x axis the disc's middle lies, mm; absent where the grooves are straight.
    disc_middle_mm: Option<f64>,
    /// One over the distance in focus, 1/mm; 0 where the pupil is a point.
    focus_per_mm: f64,
    rounds: usize,
}

/// A ray's end and the place where it passed the grating.
#[derive(Clone, Copy, Debug)]
pub(super) struct Passed {
    /// Place on the sensor, px.
    pub seen: Point,
    /// Place on the grating, mm, across and along the slit.
    pub foot_mm: [f64; 2],
}

impl Rays {
    /// The rays of a shot, whose faults are not looked at.
    pub(super) fn new(shot: &Shot) -> Rays {
        let (phone, tube, pose) = (&shot.phone, &shot.instrument, &shot.pose);
        let (i, e) = (
            tube.incidence_deg.to_radians(),
            tube.elevation_deg.to_radians(),
        );
        let view = [i.sin() * e.cos(), e.sin(), i.cos() * e.cos()];
        let sideways = [i.cos(), 0.0, -i.sin()];
        let upward = cross(view, sideways);
        // The skew is stated in the grating's plane; a slanted tube foreshortens the slit's plane.
        let skew = (tube.skew_deg.to_radians().tan() / i.cos()).atan();
        // From the bench's frame into that of the grooves in front of the pupil, wherever it was laid.
        let (reality, laid) = (&shot.reality, shot.reality.laid);
        let (turn_sin, turn_cos) = reality.turn_rad().sin_cos();
        let turned = |v: [f64; 3]| {
            [
                turn_cos * v[0] + turn_sin * v[1],
                turn_cos * v[1] - turn_sin * v[0],
                v[2],
            ]
        };
        let mix = |a: f64, b: f64| turned([0, 1, 2].map(|k| a * sideways[k] + b * upward[k]));
        let slit = view.map(|c| c * tube.slit_distance_mm);
        let (roll, yaw, pitch) = (
            pose.roll_deg.to_radians(),
            pose.yaw_deg.to_radians(),
            pose.pitch_deg.to_radians(),
        );
        let about_y = [
            [yaw.cos(), 0.0, -yaw.sin()],
            [0.0, 1.0, 0.0],
            [yaw.sin(), 0.0, yaw.cos()],
        ];
        let about_x = [
            [1.0, 0.0, 0.0],
            [0.0, pitch.cos(), -pitch.sin()],
            [0.0, pitch.sin(), pitch.cos()],
        ];
        let about_z = [
            [roll.cos(), -roll.sin(), 0.0],
            [roll.sin(), roll.cos(), 0.0],
            [0.0, 0.0, 1.0],
        ];
        Rays {
            focal_px: phone.focal_px,
            axis: Point::new(
                0.5 * (phone.width as f64 - 1.0) + phone.centre_offset_px.0,
                0.5 * (phone.height as f64 - 1.0) + phone.centre_offset_px.1,
            ),
            k1: phone.k1,
            turn: product(about_z, product(about_x, about_y)),
            slit_middle: turned([slit[0] - laid.across_mm, slit[1] - laid.along_mm, slit[2]]),
            along: mix(skew.sin(), skew.cos()),
            across: mix(skew.cos(), -skew.sin()),
            pupil_mm: phone.pupil_mm,
            groove_spacing_nm: tube.groove_spacing_nm,
            disc_middle_mm: reality.signed_radius_mm(),
            focus_per_mm: reality.focus_mm.map_or(0.0, |focus_mm| 1.0 / focus_mm),
            // Each round shrinks the error by pupil/distance, about a hundredfold, or by pupil/radius, about twentyfold.
            rounds: if *reality == Reality::ideal() { 4 } else { 8 },
        }
    }

    /// By how much the grating changes the direction cosine of light of this order and wavelength: m·λ/d.
    pub fn shift(&self, order: i32, wavelength_nm: f64) -> f64 {
        f64::from(order) * wavelength_nm / self.groove_spacing_nm
    }

    /// Where on the sensor (px) the point of the slit `along_mm` from its middle and `across_mm` from its axis is seen
    /// in light that the grating shifts by `shift` = m·λ/d, through the pupil's middle. None where no such ray leaves the
    /// grating.
    pub fn trace(&self, shift: f64, along_mm: f64, across_mm: f64) -> Option<Point> {
        let passed = self.follow(shift, [along_mm, across_mm], [0.0, 0.0])?;
        Some(passed.seen)
    }

    /// The same through a point of the pupil, mm from its middle on the camera's axes.
    pub(super) fn follow(&self, shift: f64, slit_mm: [f64; 2], pupil: [f64; 2]) -> Option<Passed> {
        let [along_mm, across_mm] = slit_mm;
        let point = [0, 1, 2]
            .map(|k| self.slit_middle[k] + along_mm * self.along[k] + across_mm * self.across[k]);
        let from = [0, 1, 2].map(|k| self.turn[0][k] * pupil[0] + self.turn[1][k] * pupil[1]);
        let depth = self.pupil_mm - from[2];
        let (mut qx, mut qy) = (from[0], from[1]);
        let mut direction = [0.0; 3];
        for _ in 0..self.rounds {
            let v = [point[0] - qx, point[1] - qy, point[2]];
            let n = (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt();
            let across = self.across_grooves(qx, qy);
            let (a, b) = (v[0] / n + shift * across[0], v[1] / n + shift * across[1]);
            let c2 = 1.0 - a * a - b * b;
            if c2 < 1e-3 {
                return None;
            }
            let c = c2.sqrt();
            direction = [a, b, c];
            let before = (qx, qy);
            qx = from[0] + depth * a / c;
            qy = from[1] + depth * b / c;
            if (qx - before.0).abs() + (qy - before.1).abs() < SAME_FOOT_MM {
                break;
            }
        }
        let seen = [0, 1, 2].map(|r| (0..3).map(|k| self.turn[r][k] * direction[k]).sum::<f64>());
        if seen[2] < 0.1 {
            return None;
        }
        // The lens brings together what crosses in the plane in focus; the ray through the pupil's middle marks the place.
        let (x, y) = (
            seen[0] / seen[2] + pupil[0] * self.focus_per_mm,
            seen[1] / seen[2] + pupil[1] * self.focus_per_mm,
        );
        let bend = self.focal_px * (1.0 + self.k1 * (x * x + y * y));
        Some(Passed {
            seen: Point::new(self.axis.x + bend * x, self.axis.y + bend * y),
            foot_mm: [
                qx * self.across[0] + qy * self.across[1],
                qx * self.along[0] + qy * self.along[1],
            ],
        })
    }

    /// Unit vector across the grooves at a place of the grating: along the radius of the disc, towards order +1.
    fn across_grooves(&self, x: f64, y: f64) -> [f64; 2] {
        let Some(middle) = self.disc_middle_mm else {
            return [1.0, 0.0];
        };
        let side = middle.signum();
        let (rx, ry) = (side * (middle - x), -side * y);
        let n = (rx * rx + ry * ry).sqrt();
        [rx / n, ry / n]
    }

    /// By how much a magnification of 1 + ε moves light that is seen at this shift, in shifts per ε, on the slit's middle.
    pub(super) fn shift_by_magnification(&self, shift: f64) -> f64 {
        const EPSILON: f64 = 1e-3;
        let Some(seen) = self.trace(shift, 0.0, 0.0) else {
            return 0.0;
        };
        let larger = self.magnified(seen, EPSILON);
        (self.invert(larger, (shift, 0.0), [0.0, 0.0]).0 - shift) / EPSILON
    }

    /// A place on the sensor in light that the lens magnifies by 1 + `lateral`.
    pub(super) fn magnified(&self, seen: Point, lateral: f64) -> Point {
        seen.along((seen.x - self.axis.x, seen.y - self.axis.y), lateral)
    }

    /// How much a step of 1 mm across the slit changes the direction, in the unit of `shift`.
    pub fn shift_per_mm(&self) -> f64 {
        let component = |w: f64| {
            let v = [0, 1, 2].map(|k| self.slit_middle[k] + w * self.across[k]);
            v[0] / (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt()
        };
        (component(0.5) - component(-0.5)).abs()
    }

    /// The shift and the place along the slit (mm) that are seen at a pixel through a point of the pupil, from a guess nearby.
    ///
    /// Newton's method; far from any slit it gives a smooth continuation, which is all its caller needs.
    pub(super) fn invert(&self, seen: Point, guess: (f64, f64), pupil: [f64; 2]) -> (f64, f64) {
        let trace = |g: f64, s: f64| Some(self.follow(g, [s, 0.0], pupil)?.seen);
        let (mut g, mut s) = guess;
        for _ in 0..6 {
            let (dg, ds) = (1e-5, 1e-2);
            let (Some(p), Some(pg), Some(ps)) = (trace(g, s), trace(g + dg, s), trace(g, s + ds))
            else {
                return (g, s);
            };
            let (a, b, c, d) = (
                (pg.x - p.x) / dg,
                (ps.x - p.x) / ds,
                (pg.y - p.y) / dg,
                (ps.y - p.y) / ds,
            );
            let (ex, ey) = (seen.x - p.x, seen.y - p.y);
            let determinant = a * d - b * c;
            g += (d * ex - b * ey) / determinant;
            s += (a * ey - c * ex) / determinant;
            // Each step squares the error, in units of some thousand pixels.
            if ex.abs() + ey.abs() < NEARLY_PX {
                break;
            }
        }
        (g, s)
    }
}

/// A ray's foot on the grating that a round moves by less than this stays where it is: a hundredth of that, a ten-millionth of a pixel.
const SAME_FOOT_MM: f64 = 1e-7;

/// From so near, one more step of [`Rays::invert`] ends within a millionth of a pixel.
const NEARLY_PX: f64 = 0.02;

/// A place on the sensor as a place in the upright picture, by the Exif orientation (1, 3, 6, 8).
pub(super) fn upright(seen: Point, phone: &Phone, orientation: u16) -> Point {
    let (right, bottom) = (phone.width as f64 - 1.0, phone.height as f64 - 1.0);
    match orientation {
        3 => Point::new(right - seen.x, bottom - seen.y),
        6 => Point::new(bottom - seen.y, seen.x),
        8 => Point::new(seen.y, right - seen.x),
        _ => seen,
    }
}

/// The yaw at which the light of `wavelength_nm` in the brighter first order is seen at the edge of the picture.
pub(super) fn cropping_yaw_deg(shot: &Shot, wavelength_nm: f64) -> f64 {
    let mut turned = shot.clone();
    let order = shot.instrument.brighter_order();
    let edge = if order > 0 {
        shot.phone.width as f64 - 0.5
    } else {
        -0.5
    };
    let (mut low, mut high) = (-30.0, 30.0);
    // A growing yaw moves the picture to the left: halve the interval until the wavelength lies on the edge.
    for _ in 0..40 {
        turned.pose.yaw_deg = 0.5 * (low + high);
        let rays = Rays::new(&turned);
        match rays.trace(rays.shift(order, wavelength_nm), 0.0, 0.0) {
            Some(seen) if seen.x < edge => high = turned.pose.yaw_deg,
            _ => low = turned.pose.yaw_deg,
        }
    }
    turned.pose.yaw_deg
}

/// Share of the light left at r² = tan²θ off the axis: lenses darken as cos⁴θ, and phones correct about half of it
/// (common practice, no source).
pub(super) fn vignetting(r2: f64) -> f64 {
    1.0 / (1.0 + r2)
}

fn cross(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

fn product(a: [[f64; 3]; 3], b: [[f64; 3]; 3]) -> [[f64; 3]; 3] {
    [0, 1, 2].map(|r| [0, 1, 2].map(|c| (0..3).map(|k| a[r][k] * b[k][c]).sum()))
}

#[cfg(test)]
mod tests {
    use super::super::bench::{Instrument, Pose};
    use super::super::light::{Light, Source};
    use super::super::reality::Grooves;
    use super::super::shot::{Exposure, Nuisance, Scene};
    use super::*;

    /// A CD-type disc with the phone 5 mm behind it, 305 mm from a slit of 24 mm that is in focus; all held straight.
    fn straight(grooves: Grooves) -> Shot {
        let phone = Phone::all().remove(0);
        Shot {
            seed: 1,
            taken: jiff::civil::date(2026, 11, 12).at(19, 0, 0, 0),
            phone: Phone {
                focal_px: 2950.0,
                focal_mm: 4.4,
                f_number: 2.0,
                k1: 0.0,
                centre_offset_px: (0.0, 0.0),
                pupil_mm: 5.0,
                ..phone
            },
            instrument: Instrument {
                slit_distance_mm: 300.0,
                incidence_deg: 0.0,
                elevation_deg: 0.0,
                skew_deg: 0.0,
                ..Instrument::sound(1)
            },
            pose: Pose::default(),
            light: Light::of(Source::Laser(550.0), 0),
            scene: Scene::Slit,
            exposure: Exposure::Metered(0.75),
            orientation: 1,
            jpeg_quality: 95,
            reality: Reality {
                grooves,
                focus_mm: Some(305.0),
                ..Reality::ideal()
            },
            nuisance: Nuisance::default(),
            faults: Vec::new(),
        }
    }

    const ROUND: Grooves = Grooves::Round {
        radius_mm: 40.0,
        middle_side: 1,
    };

    fn seen(rays: &Rays, order: i32, along_mm: f64, pupil: [f64; 2]) -> Point {
        let shift = rays.shift(order, 550.0);
        let passed = rays.follow(shift, [along_mm, 0.0], pupil);
        passed.expect("on the picture").seen
    }

    #[test]
    fn round_grooves_make_lines_longer_in_one_order_and_shorter_in_the_other() {
        let length_px = |grooves: Grooves, order: i32| {
            let rays = Rays::new(&straight(grooves));
            let end = |along_mm: f64| seen(&rays, order, along_mm, [0.0, 0.0]);
            end(12.0).y - end(-12.0).y
        };
        // The design notes' exact trace. Grooves turn light away from the disc's middle outwards, towards it inwards.
        for (grooves, order, expected_px) in [
            (ROUND, 1, 235.0),
            (ROUND, -1, 257.0),
            (Grooves::Straight, 1, 246.0),
            (Grooves::Straight, -1, 246.0),
            (ROUND, 0, 232.0),
        ] {
            let px = length_px(grooves, order);
            assert!((px - expected_px).abs() < 1.0, "{grooves:?} {order}: {px}");
        }
    }

    #[test]
    fn the_ends_in_the_orders_are_smeared_and_the_slit_s_own_are_not() {
        let rays = Rays::new(&straight(ROUND));
        let smear_px = |order: i32, pupil: [f64; 2]| {
            let (a, b) = (
                seen(&rays, order, 12.0, pupil),
                seen(&rays, order, 12.0, pupil.map(|p| -p)),
            );
            ((a.x - b.x).abs(), (a.y - b.y).abs())
        };
        // Along the slit by κ (λ/d) D/R, 55 px at the rim of a pupil of 2.2 mm; across by 4.4 px, the lens being in focus on
        // the slit: both to the few per cent that the formulas leave out.
        let (along, across) = ([0.0, 1.1], [1.1, 0.0]);
        for order in [-1, 1] {
            let (_, y) = smear_px(order, along);
            assert!((52.0..62.0).contains(&y), "{order}: {y}");
            let (x, _) = smear_px(order, across);
            assert!((4.1..4.7).contains(&x), "{order}: {x}");
        }
        for pupil in [along, across] {
            let (x, y) = smear_px(0, pupil);
            assert!(x < 0.01 && y < 0.01, "{x} {y}");
        }
    }

    #[test]
    fn a_straight_grating_s_order_is_sharp_where_the_tangents_say() {
        // With the phone focused nearer the smear across passes through nothing: at about 250 mm (design notes).
        let smear_px = |focus_mm: f64| {
            let mut shot = straight(Grooves::Straight);
            shot.reality.focus_mm = Some(focus_mm);
            let rays = Rays::new(&shot);
            seen(&rays, 1, 0.0, [1.1, 0.0]).x - seen(&rays, 1, 0.0, [-1.1, 0.0]).x
        };
        assert!(smear_px(300.0) * smear_px(225.0) < 0.0);
    }

    #[test]
    fn what_is_seen_through_a_point_of_the_pupil_is_found_again() {
        let rays = Rays::new(&straight(ROUND));
        for (order, along_mm, pupil) in [(1, -7.0, [0.8, -0.4]), (-1, 11.0, [-1.0, 0.3])] {
            let shift = rays.shift(order, 550.0);
            let place = seen(&rays, order, along_mm, pupil);
            let (g, s) = rays.invert(place, (shift + 0.01, along_mm - 1.0), pupil);
            assert!((g - shift).abs() < 1e-7 && (s - along_mm).abs() < 1e-4);
        }
    }
}
