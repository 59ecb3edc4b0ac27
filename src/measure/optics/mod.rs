//! The one optical model: a pinhole camera with radial distortion behind a plane grating.
//!
//! A grating shifts only the direction cosine across its grooves, by `m λ / d` in order `m`; the cosine along the
//! grooves stays (the conical form of the grating equation: C. Palmer, *Diffraction Grating Handbook*, classical
//! and conical mounts; from memory). A pixel's wavelength is therefore
//!
//! ```text
//! λ = (d / m) · (α − α_slit(β))
//! ```
//!
//! where α_slit(β) is the slit: a straight line in a plane parallel to the grating, so that α/γ along it is linear in
//! β/γ with slope `skew_slope` (γ the third cosine); near the normal that is the linear α(β) of a plain skew. (α, β) are
//! the direction cosines, in the grating's frame, of the ray through the pixel. Scale, tilt, skew, the
//! curvature of the lines and both orders follow from it.
//!
//! Axes: the camera looks along +z, x to the right and y down in the upright picture. The grating's +α axis
//! points, in the picture, `roll_rad` clockwise (as seen) of the picture's right; +β is a quarter turn further.

pub mod adjust;
pub mod bins;
pub mod fit;
pub mod instrument;
pub mod sigma;

use crate::terms::{Optics, Point};

/// Pupils stand 2 to 8 mm behind the grooves, slits 300 mm before them: distance of the pupil in distances of the slit…
pub const USUAL_PUPIL_SHARE: f64 = 0.015;
/// …and its standard uncertainty.
pub const PUPIL_SHARE_SIGMA: f64 = 0.007;
/// Grooves have radii of 24 to 58 mm, and the disc's middle lies on either side: standard deviation of the slit's distance over
/// that radius.
pub const FAN_SIGMA: f64 = 8.0;

/// Diameter of a phone's pupil, 2.5 mm, in distances of the slit…
const USUAL_PUPIL: f64 = 0.0082;
/// …and the slit's distance over the largest radius that grooves have, 58 mm.
const LEAST_FAN: f64 = 5.0;
/// A round pupil before circular grooves smears an order along the slit, to either side by this half width, rad: λ/d · D/2R for
/// red light, a pupil of 2.5 mm and grooves of 35 mm on a coarse disc; fine discs smear by up to twice as much.
pub const SMEAR_RAD: f64 = 0.016;

/// Lateral colour is stated against light of this wavelength, nm.
const GREEN_NM: f64 = 550.0;
/// What phones see of the first orders, nm of path: nearer there is the slit's image, and beyond the second orders.
const FIRST_ORDER_NM: std::ops::Range<f64> = 300.0..780.0;

/// What a pixel shows.
struct SeenThrough {
    /// `m λ`, nm.
    path_nm: f64,
    /// Place along the grooves in the slit's plane, in distances of the slit.
    y: f64,
}

/// An [`Optics`] prepared for many pixels.
#[derive(Clone, Debug)]
pub struct Rays {
    ex: [f64; 3],
    ey: [f64; 3],
    ez: [f64; 3],
    inv_focal: f64,
    focal: f64,
    centre: Point,
    k1: f64,
    k2: f64,
    /// x − skew_slope · y along the slit; lengths in distances of the slit from the grating, from the foot of the grating's
    /// normal through the pupil.
    slit_offset: f64,
    /// y of the slit's middle.
    slit_middle: f64,
    skew_slope: f64,
    pupil_share: f64,
    fan: f64,
    /// See [`Optics::lateral`] and [`Optics::lateral_bow`].
    lateral: [f64; 2],
    groove_spacing_nm: f64,
}

impl Optics {
    /// A flush phone with an ideal lens, whose slit lies straight ahead; a start for everything else.
    pub fn flush(
        groove_spacing_nm: f64,
        focal_px: f64,
        width_px: usize,
        height_px: usize,
    ) -> Optics {
        Optics {
            groove_spacing_nm,
            focal_px,
            centre_px: Point::new(
                (width_px as f64 - 1.0) / 2.0,
                (height_px as f64 - 1.0) / 2.0,
            ),
            ..Optics::default()
        }
    }

    /// Prepares the model for many pixels.
    pub fn rays(&self) -> Rays {
        let (sr, cr) = self.roll_rad.sin_cos();
        let (sy, cy) = self.yaw_rad.sin_cos();
        let (sp, cp) = self.pitch_rad.sin_cos();
        // Columns of Rz(roll)·Ry(yaw)·Rx(pitch): α depends on roll and yaw alone, pitch moves β only.
        let turn = |x: f64, y: f64, z: f64| [cr * x - sr * y, sr * x + cr * y, z];
        // In the slit's own image a ray goes on as it came.
        let (across, along) = self.slit_tangents();
        let (across, along) = (
            (1.0 + self.pupil_share) * across,
            (1.0 + self.pupil_share) * along,
        );
        Rays {
            ex: turn(cy, 0.0, sy),
            ey: turn(-sy * sp, cp, cy * sp),
            ez: turn(-sy * cp, -sp, cy * cp),
            inv_focal: 1.0 / self.focal_px,
            focal: self.focal_px,
            centre: self.centre_px,
            k1: self.k1,
            k2: self.k2,
            slit_offset: across - self.skew_slope * along,
            slit_middle: along,
            skew_slope: self.skew_slope,
            pupil_share: self.pupil_share,
            fan: self.fan,
            lateral: [self.lateral, self.lateral_bow],
            groove_spacing_nm: self.groove_spacing_nm,
        }
    }

    /// Places the slit so that its middle is seen at pixel `at`: sets `alpha_slit` and `beta_mid`.
    pub fn aim_slit_at(&mut self, at: Point) {
        let (alpha, beta) = self.rays().cosines(at);
        self.alpha_slit = alpha;
        self.beta_mid = beta;
    }

    /// Width of a slit, µm, that makes a line 1 nm wide, for a slit `distance_mm` from the grating: distance × angle, the slit
    /// square to its tube; a tube that slants by an angle turns that into its cosine's share of path difference.
    pub fn um_per_nm(&self, distance_mm: f64) -> f64 {
        let cosine = (1.0 - self.alpha_slit * self.alpha_slit).max(0.1).sqrt();
        distance_mm * 1000.0 / self.groove_spacing_nm / cosine
    }

    /// How wide a slit of `width_um` at `distance_mm` from the grating makes a line, nm, where the tube does not slant.
    pub fn nm_of_slit(&self, width_um: f64, distance_mm: f64) -> f64 {
        width_um / (1000.0 * distance_mm) * self.groove_spacing_nm
    }

    /// Tilt: angle from the nearest picture axis to the dispersion, clockwise as seen, rad, within ±π/4.
    pub fn tilt_rad(&self) -> f64 {
        let quarter = std::f64::consts::FRAC_PI_2;
        self.roll_rad - (self.roll_rad / quarter).round() * quarter
    }

    /// Skew of the slit against the grooves, clockwise as seen, rad: −atan(dα/dβ) along a slit whose middle lies in the plane of
    /// dispersion. That is also the angle to turn the disc by: a tube that slants only makes it look more.
    pub fn skew_rad(&self) -> f64 {
        -(self.skew_slope * self.skew_per_slope()).atan()
    }

    /// dα/dβ along the slit over `skew_slope`, which is the same of α/γ and β/γ: the square of the cosine of the tube's slant.
    ///
    /// The middle's own height would come in as well, but no better than the phone's pitch is known: that is more than it moves.
    pub fn skew_per_slope(&self) -> f64 {
        1.0 - self.alpha_slit * self.alpha_slit
    }

    /// α/γ and β/γ of the slit's middle.
    fn slit_tangents(&self) -> (f64, f64) {
        let (alpha, beta) = (self.alpha_slit, self.beta_mid);
        let gamma = (1.0 - alpha * alpha - beta * beta).max(1e-6).sqrt();
        (alpha / gamma, beta / gamma)
    }
}

impl Rays {
    /// Direction cosines (α, β) of the ray through pixel `at`.
    #[inline]
    pub fn cosines(&self, at: Point) -> (f64, f64) {
        let xd = (at.x - self.centre.x) * self.inv_focal;
        let yd = (at.y - self.centre.y) * self.inv_focal;
        // Fixed point of r_d = r (1 + k1 r² + k2 r⁴): each step gains two digits for a phone's lens.
        let seen = xd * xd + yd * yd;
        let mut shrink = 1.0 - self.k1 * seen;
        for _ in 0..3 {
            let q = seen * shrink * shrink;
            shrink = 1.0 / (1.0 + q * (self.k1 + q * self.k2));
        }
        let (x, y) = (xd * shrink, yd * shrink);
        let norm = 1.0 / (x * x + y * y + 1.0).sqrt();
        (
            (self.ex[0] * x + self.ex[1] * y + self.ex[2]) * norm,
            (self.ey[0] * x + self.ey[1] * y + self.ey[2]) * norm,
        )
    }

    /// Pixel at which a ray of direction cosines (α, β) is seen; absent behind the camera.
    #[cfg(test)]
    fn pixel(&self, alpha: f64, beta: f64) -> Option<Point> {
        self.pixel_magnified(alpha, beta, 0.0)
    }

    /// Pixel at which a ray of direction cosines (α, β) is seen where the lens magnifies its light more by a share of `magnified`;
    /// absent behind the camera.
    fn pixel_magnified(&self, alpha: f64, beta: f64, magnified: f64) -> Option<Point> {
        let gamma_squared = 1.0 - alpha * alpha - beta * beta;
        if gamma_squared <= 0.0 {
            return None;
        }
        let gamma = gamma_squared.sqrt();
        let ray = |i: usize| self.ex[i] * alpha + self.ey[i] * beta + self.ez[i] * gamma;
        let z = ray(2);
        if z <= 0.05 {
            return None;
        }
        let (x, y) = (ray(0) / z, ray(1) / z);
        let q = x * x + y * y;
        let grow = self.focal * (1.0 + magnified) * (1.0 + q * (self.k1 + q * self.k2));
        Some(Point::new(
            self.centre.x + x * grow,
            self.centre.y + y * grow,
        ))
    }

    /// Angle by which the grooves are turned where a ray that leaves along the tangent `along` = β/γ has met the grating, as sine
    /// and cosine: grooves are circles about the disc's middle.
    #[inline]
    fn grooves(&self, along: f64) -> (f64, f64) {
        (self.fan * self.pupil_share * along).sin_cos()
    }

    /// By which share the lens magnifies light of this `m λ` more than light of [`GREEN_NM`]; not the slit's image, which is white.
    #[inline]
    fn magnified(&self, path_nm: f64) -> f64 {
        let path_nm = path_nm.abs();
        if path_nm < FIRST_ORDER_NM.start {
            return 0.0;
        }
        let wavelength_nm = match path_nm < FIRST_ORDER_NM.end {
            true => path_nm,
            false => 0.5 * path_nm,
        };
        let off = 0.01 * (wavelength_nm - GREEN_NM);
        off * (self.lateral[0] + off * self.lateral[1])
    }

    /// The grating's work on the ray through pixel `at`, followed backwards to the slit.
    #[inline]
    fn back_to_slit(&self, at: Point) -> SeenThrough {
        let (alpha, beta) = self.cosines(at);
        let gamma = (1.0 - alpha * alpha - beta * beta).max(1e-6).sqrt();
        let (sine, cosine) = self.grooves(beta / gamma);
        // Along the grooves nothing changes.
        let (across, along) = (alpha * cosine + beta * sine, beta * cosine - alpha * sine);
        // The slit is a line in any frame: x' − slope · y' = offset, by tangents, from where the ray has met the grating.
        let turned = cosine - self.skew_slope * sine;
        let slope = (sine + self.skew_slope * cosine) / turned;
        let parallax = self.pupil_share * (alpha - self.skew_slope * beta) / gamma;
        let offset = (self.slit_offset - parallax) / turned;
        let (mixed, norm) = (offset * slope * along, 1.0 + offset * offset);
        let root = (mixed * mixed - norm * ((1.0 + slope * slope) * along * along - 1.0))
            .max(0.0)
            .sqrt();
        let came = offset * (root - mixed) / norm + slope * along;
        let came_gamma = (1.0 - came * came - along * along).max(1e-6).sqrt();
        let path_nm = self.groove_spacing_nm * (across - came);
        let y = self.pupil_share * beta / gamma + (came * sine + along * cosine) / came_gamma;
        // Where the lens magnifies this light more, the ray came from further inside, and met the grating there: linear, to a
        // hundredth of what that moves.
        let magnified = self.magnified(path_nm);
        let to_axis = self.ex[2] * alpha + self.ey[2] * beta + self.ez[2] * gamma;
        let inwards = |cosine: f64, of_axis: f64| to_axis * (to_axis * cosine - of_axis);
        let (d_alpha, d_beta) = (inwards(alpha, self.ex[2]), inwards(beta, self.ey[2]));
        SeenThrough {
            path_nm: path_nm
                - magnified
                    * self.groove_spacing_nm
                    * (1.0 + self.pupil_share / gamma.powi(3))
                    * (d_alpha * cosine + d_beta * sine),
            y: y - magnified * (d_beta * cosine - d_alpha * sine) / came_gamma,
        }
    }

    /// `m λ` of pixel `at`, in nm: the signed path difference across one groove.
    #[inline]
    pub fn path_nm(&self, at: Point) -> f64 {
        self.back_to_slit(at).path_nm
    }

    /// The place of the slit that pixel `at` shows, from the slit's middle along the grooves, in distances of the slit from
    /// the grating; the same in every order.
    #[inline]
    pub fn height(&self, at: Point) -> f64 {
        self.back_to_slit(at).y - self.slit_middle
    }

    /// [`Rays::path_nm`] and [`Rays::height`] in one go.
    #[inline]
    pub fn path_and_height(&self, at: Point) -> (f64, f64) {
        let seen = self.back_to_slit(at);
        (seen.path_nm, seen.y - self.slit_middle)
    }

    /// Pixel at which the place `height` of the slit (see [`Rays::height`]) is seen in light of `m λ` in nm; absent where no
    /// such ray leaves the grating.
    pub fn pixel_of_path(&self, path_nm: f64, height: f64) -> Option<Point> {
        let shift = path_nm / self.groove_spacing_nm;
        let y = self.slit_middle + height;
        let x = self.slit_offset + self.skew_slope * y;
        let (mut alpha, mut beta) = (0.0, 0.0);
        let (mut met_x, mut met_y) = (0.0, 0.0);
        // Each round leaves a hundredth of the error: the parallax is that small.
        for _ in 0..6 {
            let (to_x, to_y) = (x - met_x, y - met_y);
            let (sine, cosine) = self.grooves(met_y / self.pupil_share.max(1e-9));
            let norm = (1.0 + to_x * to_x + to_y * to_y).sqrt();
            (alpha, beta) = (to_x / norm + shift * cosine, to_y / norm + shift * sine);
            let gamma_squared = 1.0 - alpha * alpha - beta * beta;
            if gamma_squared < 1e-4 {
                return None;
            }
            let gamma = gamma_squared.sqrt();
            (met_x, met_y) = (
                self.pupil_share * alpha / gamma,
                self.pupil_share * beta / gamma,
            );
        }
        self.pixel_magnified(alpha, beta, self.magnified(path_nm))
    }

    /// How far, in heights, a round pupil of the usual size before circular grooves smears light of `path_nm` along the slit, to
    /// either side.
    pub fn smear(&self, path_nm: f64) -> f64 {
        let fan = self.fan.abs().max(LEAST_FAN);
        0.5 * (path_nm / self.groove_spacing_nm).abs() * fan * USUAL_PUPIL
    }

    /// Distance of pixel `at` from the lens's axis, px.
    pub fn off_axis_px(&self, at: Point) -> f64 {
        self.centre.distance(at)
    }

    /// Pixels per nm of path along the dispersion, near `path_nm` and the slit's middle.
    pub fn px_per_nm(&self, path_nm: f64) -> Option<f64> {
        let a = self.pixel_of_path(path_nm - 0.5, 0.0)?;
        let b = self.pixel_of_path(path_nm + 0.5, 0.0)?;
        Some(((b.x - a.x).powi(2) + (b.y - a.y).powi(2)).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn turned() -> Optics {
        let mut o = Optics::flush(1600.0, 3000.0, 4000, 3000);
        o.k1 = 0.02;
        o.roll_rad = 0.05;
        o.yaw_rad = 0.02;
        o.pitch_rad = -0.015;
        o.skew_slope = 0.01;
        o.pupil_share = 0.008;
        (o.lateral, o.lateral_bow) = (1e-4, -6e-5);
        o.aim_slit_at(Point::new(2100.0, 1400.0));
        o
    }

    #[test]
    fn a_pixel_and_its_cosines_lead_to_each_other() {
        let rays = turned().rays();
        for (x, y) in [
            (100.0, 200.0),
            (2100.0, 1400.0),
            (3900.0, 2900.0),
            (700.0, 1500.0),
        ] {
            let (alpha, beta) = rays.cosines(Point::new(x, y));
            let back = rays.pixel(alpha, beta).unwrap();
            assert!(
                (x - back.x).abs() < 0.01 && (y - back.y).abs() < 0.01,
                "{x} {y}: {back:?}"
            );
        }
    }

    #[test]
    fn the_slit_is_where_it_was_aimed_at_and_has_no_path() {
        let rays = turned().rays();
        let (path, beta) = rays.path_and_height(Point::new(2100.0, 1400.0));
        assert!(path.abs() < 1e-9 && beta.abs() < 1e-12);
    }

    #[test]
    fn a_path_and_its_pixel_lead_to_each_other() {
        let rays = turned().rays();
        for path in [-650.0, -400.0, 0.0, 405.0, 700.0] {
            for height in [-0.04, 0.0, 0.03] {
                let at = rays.pixel_of_path(path, height).unwrap();
                let (back, beta) = rays.path_and_height(at);
                assert!(
                    (back - path).abs() < 1e-3 && (beta - height).abs() < 1e-5,
                    "{path} {height}: {back} {beta}"
                );
            }
        }
    }

    #[test]
    fn a_lens_s_lateral_colour_moves_red_and_blue_from_its_axis_and_not_green_or_the_slit_s_image()
    {
        let (colours, grey) = (
            turned(),
            Optics {
                lateral: 0.0,
                lateral_bow: 0.0,
                ..turned()
            },
        );
        let moved = |path_nm: f64| {
            let seen = |o: &Optics| {
                let at = o.rays().pixel_of_path(path_nm, 0.01).unwrap();
                at.distance(o.centre_px)
            };
            seen(&colours) / seen(&grey) - 1.0
        };
        // 10⁻⁴ and, besides, −6 · 10⁻⁵ for 100 nm more and less.
        for (path_nm, share) in [
            (650.0, 0.4e-4),
            (-650.0, 0.4e-4),
            (450.0, -1.6e-4),
            (550.0, 0.0),
            (0.0, 0.0),
        ] {
            assert!(
                (moved(path_nm) - share).abs() < 1e-8,
                "{path_nm}: {}",
                moved(path_nm)
            );
        }
    }

    #[test]
    fn pitch_moves_nothing_across_the_grooves() {
        let mut o = turned();
        let at = Point::new(3500.0, 1700.0);
        let a = o.rays().cosines(at).0;
        o.pitch_rad += 0.1;
        assert!((o.rays().cosines(at).0 - a).abs() < 1e-15);
    }
}
