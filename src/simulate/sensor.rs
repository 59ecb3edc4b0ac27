//! What falls on the sensor: the shot as its faults leave it, the exposure, the truth about it, and the noisy mosaic that
//! the camera's processing starts from.

use std::cell::OnceCell;

use serde::{Deserialize, Serialize};

use super::bench::{Instrument, Phone, Pose};
use super::light::{Emission, Light, Source};
use super::noise::Noise;
use super::rays::{Rays, cropping_yaw_deg};
use super::spread::{REACH, Spread};
use super::{Exposure, Fault, Scene, Shot, band, scene, veil};

/// Which stages between sensor and file take part; all of them in a real photo.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Nuisance {
    /// Wings and veil of the lens.
    pub glare: bool,
    /// Dust, rough blades, unequal lighting.
    pub slit_flaws: bool,
    /// Photon and read noise.
    pub noise: bool,
    /// One colour per pixel, filled in afterwards.
    pub mosaic: bool,
    /// White balance and colour matrix.
    pub colour: bool,
    /// The S over the sRGB curve.
    pub tone: bool,
    /// Noise reduction and sharpening.
    pub filters: bool,
}

impl Nuisance {
    /// As phones do.
    pub const ALL: Nuisance = Nuisance {
        glare: true,
        slit_flaws: true,
        noise: true,
        mosaic: true,
        colour: true,
        tone: true,
        filters: true,
    };
    /// Optics, sRGB curve and JPEG only.
    pub const NONE: Nuisance = Nuisance {
        glare: false,
        slit_flaws: false,
        noise: false,
        mosaic: false,
        colour: false,
        tone: false,
        filters: false,
    };
}

/// What falls on the sensor, without noise: red, green, blue per pixel, row by row; 1 fills a pixel.
#[derive(Clone, Debug)]
pub struct Linear {
    /// px.
    pub width: usize,
    /// px.
    pub height: usize,
    /// `width × height` pixels.
    pub rgb: Vec<[f32; 3]>,
}

/// A shot as its faults leave it.
#[derive(Clone, Debug)]
pub(super) struct Effective {
    pub phone: Phone,
    pub instrument: Instrument,
    pub pose: Pose,
    pub light: Light,
    pub scene: Scene,
    pub nuisance: Nuisance,
    pub seed: u64,
    pub taken: jiff::civil::DateTime,
    pub orientation: u16,
    pub jpeg_quality: u8,
    pub exposure: Exposure,
    pub exposure_factor: f64,
    pub automatic: bool,
    pub blur_px: f64,
    pub movement: Option<(f64, f64)>,
    exposed: OnceCell<(f64, f64, f64)>,
}

impl Effective {
    pub(super) fn of(shot: &Shot) -> Effective {
        let mut e = Effective {
            phone: shot.phone.clone(),
            instrument: shot.instrument.clone(),
            pose: shot.pose,
            light: shot.light.clone(),
            scene: shot.scene.clone(),
            nuisance: shot.nuisance,
            seed: shot.seed,
            taken: shot.taken,
            orientation: shot.orientation,
            jpeg_quality: shot.jpeg_quality,
            exposure: shot.exposure,
            exposure_factor: 1.0,
            automatic: false,
            blur_px: shot.phone.lens_sigma_px,
            movement: None,
            exposed: OnceCell::new(),
        };
        for fault in &shot.faults {
            match *fault {
                Fault::Clipped(times) | Fault::ExposureDiffers(times) => e.exposure_factor *= times,
                Fault::Dim(times) => e.exposure_factor /= times,
                Fault::Tilted(degrees) => e.pose.roll_deg = degrees,
                Fault::Skewed(degrees) => e.instrument.skew_deg = degrees,
                Fault::SlitWide(um) => e.instrument.slit_width_um = um,
                Fault::Defocused(px) => e.blur_px = px.hypot(shot.phone.lens_sigma_px),
                Fault::Moved(px, degrees) => e.movement = Some((px, degrees)),
                Fault::Leak(level) => e.instrument.leak_level = level,
                Fault::ExposureAuto => {
                    e.automatic = true;
                    // The phone's own balance wanders by a few per cent (common practice, no source).
                    e.phone.white_balance.0 *= 1.07;
                    e.phone.white_balance.1 *= 0.94;
                }
                Fault::Cropped(_)
                | Fault::NoSpectrum
                | Fault::FewLines
                | Fault::Truncated(_)
                | Fault::Unreadable => {}
            }
        }
        for fault in &shot.faults {
            if let Fault::Cropped(wavelength_nm) = *fault {
                e.pose.yaw_deg = cropping_yaw_deg(&e, wavelength_nm);
            }
        }
        e
    }

    /// +1 or −1.
    pub(super) fn brighter_order(&self) -> i32 {
        if self.instrument.efficiency[3] >= self.instrument.efficiency[1] {
            1
        } else {
            -1
        }
    }

    /// Share of the light of one wavelength that goes into an order: shallow grooves favour the blue a little.
    pub(super) fn efficiency(&self, order: i32, wavelength_nm: f64) -> f64 {
        let level = self.instrument.efficiency[(order + 2) as usize];
        if order == 0 {
            level
        } else {
            level * (550.0 / wavelength_nm).sqrt()
        }
    }

    /// Whether a lit slit is in view.
    pub(super) fn has_spectrum(&self) -> bool {
        self.scene == Scene::Slit && self.light.source != Source::Dark
    }

    /// Weights of the slit's strips, from one blade to the other.
    pub(super) fn strips(&self) -> [f64; 3] {
        let q = if self.nuisance.slit_flaws {
            self.instrument.lighting_across
        } else {
            0.0
        };
        [1.0 - q, 1.0, 1.0 + q]
    }

    /// Exposure time (s), ISO, and the factor from flux to full scale.
    pub(super) fn expose(&self) -> (f64, f64, f64) {
        *self.exposed.get_or_init(|| self.choose_exposure())
    }

    fn choose_exposure(&self) -> (f64, f64, f64) {
        // Chosen so that a tri-phosphor lamp of brightness 1 through 0.2 mm takes about 1/30 s at ISO 100.
        const FLUX_PER_SECOND: f64 = 3.0e4;
        let gain =
            |time_s: f64, iso: f64| FLUX_PER_SECOND * self.light.brightness * time_s * iso / 100.0;
        let (time_s, iso) = match self.exposure {
            Exposure::Set(time_s, iso) => (time_s, iso),
            Exposure::Metered(level) => {
                let peak = self.metered_peak();
                let wanted = if peak > 0.0 { level / peak } else { 1.0 };
                let at_base = wanted / gain(1.0, 100.0);
                let mut iso = 100.0;
                while at_base * 100.0 / iso > 0.13 && iso < 800.0 {
                    iso *= 2.0;
                }
                (at_base * 100.0 / iso, iso)
            }
        };
        let time_s = shutter(time_s * self.exposure_factor);
        (time_s, iso, gain(time_s, iso))
    }

    /// Brightest part of the spectrum alone, for a factor of 1, in the picture's linear channels.
    ///
    /// Metered with the phone held straight, sharp, and no solution in the beam, so that all shots of a lamp through
    /// one instrument are exposed alike.
    pub(super) fn metered_peak(&self) -> f64 {
        let mut straight = self.clone();
        straight.pose = Pose::default();
        straight.nuisance.glare = false;
        let emission = self.light.without_solution().emission();
        let rays = Rays::new(&straight);
        let mut spread = Spread::new(&straight, &emission, false);
        spread.blur(&rays, straight.phone.lens_sigma_px);
        let spread = spread.integrated();
        let width = 1e-3 * straight.instrument.slit_width_um * rays.shift_per_mm();
        let focal = straight.phone.focal_px;
        let (right, middle) = (
            straight.phone.width as f64,
            0.5 * straight.phone.width as f64,
        );
        let px = 1.0 / focal;
        let mut peak = 0.0f64;
        for i in 0..(2.0 * REACH / px) as usize {
            let shift = -REACH + i as f64 * px;
            let (Some((x, _)), Some((next, _))) = (
                rays.trace(shift, 0.0, 0.0),
                rays.trace(shift + px, 0.0, 0.0),
            ) else {
                continue;
            };
            if x < 0.0 || x > right {
                continue;
            }
            let half_px = 0.5 * px / (next - x).abs();
            let (a, b) = (
                spread.up_to(shift - half_px, width, &[1.0; 3]),
                spread.up_to(shift + half_px, width, &[1.0; 3]),
            );
            let shade = band::vignetting((x - middle).powi(2) / (focal * focal));
            let raw = [0, 1, 2].map(|c| (b[c] - a[c]) * shade);
            peak = raw_to_picture(&straight, raw)
                .into_iter()
                .fold(peak, f64::max);
        }
        peak
    }
}

/// A time that a phone would write: one over a whole number below a third of a second.
fn shutter(time_s: f64) -> f64 {
    if time_s < 0.3 {
        1.0 / (1.0 / time_s).round()
    } else {
        (time_s * 100.0).round() / 100.0
    }
}

/// White balance and colour matrix, without cutting.
pub(super) fn raw_to_picture(effective: &Effective, raw: [f64; 3]) -> [f64; 3] {
    if !effective.nuisance.colour {
        return raw;
    }
    let (red, blue) = effective.phone.white_balance;
    let balanced = [raw[0] * red, raw[1], raw[2] * blue];
    effective
        .phone
        .colour_matrix
        .map(|row| row[0] * balanced[0] + row[1] * balanced[1] + row[2] * balanced[2])
}

/// What falls on the sensor, channel by channel.
pub(super) fn linear(effective: &Effective) -> Linear {
    let (width, height) = (effective.phone.width, effective.phone.height);
    let mut rgb = Vec::with_capacity(width * height);
    let scenery = Scenery::new(effective);
    let mut row = vec![[0.0f32; 3]; width];
    for y in 0..height {
        scenery.row(y, &mut row);
        rgb.extend_from_slice(&row);
    }
    Linear { width, height, rgb }
}

/// The sensor's values after the black level is taken off: one colour per pixel (red, green / green, blue), 1 = full.
///
/// Without the mosaic stage three planes follow one another.
pub(super) fn mosaic(effective: &Effective) -> Vec<f32> {
    let (width, height) = (effective.phone.width, effective.phone.height);
    let scenery = Scenery::new(effective);
    let planes = if effective.nuisance.mosaic { 1 } else { 3 };
    let mut out = vec![0.0f32; planes * width * height];
    let mut noise = Noise::new(effective);
    let mut row = vec![[0.0f32; 3]; width];
    for y in 0..height {
        scenery.row(y, &mut row);
        if effective.nuisance.mosaic {
            let target = &mut out[y * width..(y + 1) * width];
            let (even, odd) = if y % 2 == 0 { (0, 1) } else { (1, 2) };
            for (pair, pixels) in target.chunks_exact_mut(2).zip(row.chunks_exact(2)) {
                pair[0] = pixels[0][even];
                pair[1] = pixels[1][odd];
            }
            noise.apply(target);
        } else {
            for c in 0..3 {
                let start = (c * height + y) * width;
                let target = &mut out[start..start + width];
                for (t, pixel) in target.iter_mut().zip(&row) {
                    *t = pixel[c];
                }
                noise.apply(target);
            }
        }
    }
    out
}

/// Everything in the picture, ready to be read row by row.
struct Scenery<'a> {
    effective: &'a Effective,
    band: Option<band::Band>,
    veil: Option<veil::Veil>,
}

impl Scenery<'_> {
    fn new(effective: &Effective) -> Scenery<'_> {
        if effective.scene != Scene::Slit {
            return Scenery {
                effective,
                band: None,
                veil: None,
            };
        }
        let (_, _, gain) = effective.expose();
        let emission = effective.light.emission();
        let lit = effective.has_spectrum();
        Scenery {
            effective,
            band: lit.then(|| band::Band::new(effective, &emission, gain)),
            veil: Some(veil::Veil::new(
                effective,
                lit.then_some((&emission as &Emission, gain)),
            )),
        }
    }

    fn row(&self, y: usize, row: &mut [[f32; 3]]) {
        match self.effective.scene {
            Scene::Room => scene::room(self.effective, y, row),
            Scene::Pocket => scene::pocket(self.effective, y, row),
            Scene::Slit | Scene::Note(_) => {
                row.fill([0.0; 3]);
                if let Some(veil) = &self.veil {
                    veil.add(y, row);
                }
                if let Some(band) = &self.band {
                    band.add(y, row);
                }
            }
        }
    }
}
