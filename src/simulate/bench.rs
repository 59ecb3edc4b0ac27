//! The things a bench brings: its phone, the spectroscope it built, and the way the phone is held in one shot.
//!
//! The phones are invented; their numbers are of the size that phones of the 2020s have (common practice, no source).

use serde::{Deserialize, Serialize};

use crate::terms::Point;

/// A phone's camera. All phones here are invented.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Phone {
    /// Maker, as in the file's header.
    pub make: String,
    /// Model, as in the file's header.
    pub model: String,
    /// Width of the sensor's picture (the long side), px.
    pub width: usize,
    /// Height of the sensor's picture, px.
    pub height: usize,
    /// Focal length, px.
    pub focal_px: f64,
    /// Focal length, mm.
    pub focal_mm: f64,
    /// Aperture number.
    pub f_number: f64,
    /// Radial distortion: a ray at r = tan θ lands at f·r·(1 + k1·r²).
    pub k1: f64,
    /// Optical axis off the picture's middle, px.
    pub centre_offset_px: (f64, f64),
    /// Entrance pupil behind the grating, mm.
    pub pupil_mm: f64,
    /// Blur of the lens and the pixel filter at best focus: standard deviation, px.
    pub lens_sigma_px: f64,
    /// Electrons that fill a pixel at ISO 100.
    pub full_well_e: f64,
    /// Read noise at ISO 100, electrons.
    pub read_noise_e: f64,
    /// Bits of the analogue-to-digital converter.
    pub adc_bits: u32,
    /// White-balance gains of red and blue; green is 1.
    pub white_balance: (f64, f64),
    /// Camera colours to linear sRGB; rows add to 1.
    pub colour_matrix: [[f64; 3]; 3],
    /// Shift of the sensor's colour filters, nm.
    pub filter_shift_nm: f64,
    /// Wavelength at which the infrared filter lets half through, nm.
    pub infrared_cut_nm: f64,
    /// Strength of the S laid over the sRGB curve, 0 (none) to 0.3.
    pub tone_s: f64,
    /// Strength of noise reduction, 0…1.
    pub noise_reduction: f64,
    /// Strength of sharpening, 0…1.
    pub sharpening: f64,
}

impl Phone {
    /// Diameter of the pupil, mm: as the focal length and the aperture number in the header say.
    pub fn pupil_diameter_mm(&self) -> f64 {
        self.focal_mm / self.f_number
    }

    /// Width and height of the sensor's picture, px.
    pub(super) fn size_px(&self) -> (f64, f64) {
        (self.width as f64, self.height as f64)
    }

    /// The number that a phone writes as its 35 mm equivalent: rounded, so up to two per cent off.
    pub fn focal_35mm(&self) -> u16 {
        let (width_px, height_px) = self.size_px();
        (43.27 * self.focal_px / width_px.hypot(height_px)).round() as u16
    }

    /// Whether a place on the sensor (px) is on the picture.
    pub(super) fn is_on_picture(&self, p: &Point) -> bool {
        let (width, height) = self.size_px();
        p.x >= -0.5 && p.y >= -0.5 && p.x <= width - 0.5 && p.y <= height - 0.5
    }

    /// How strongly each channel (red, green, blue) answers to light of `wavelength_nm`, green's peak being about 1.
    pub fn sensitivity(&self, wavelength_nm: f64) -> [f64; 3] {
        let l = wavelength_nm - self.filter_shift_nm;
        let bell = |centre: f64, left: f64, right: f64| {
            let width = if l < centre { left } else { right };
            (-0.5 * ((l - centre) / width).powi(2)).exp()
        };
        let pass = 1.0
            / (1.0 + ((wavelength_nm - self.infrared_cut_nm) / 7.0).exp())
            / (1.0 + ((404.0 - wavelength_nm) / 5.0).exp());
        [
            0.86 * bell(598.0, 24.0, 48.0)
                + 0.07 * bell(530.0, 30.0, 30.0)
                + 0.06 * bell(425.0, 22.0, 25.0),
            0.97 * bell(530.0, 33.0, 38.0)
                + 0.07 * bell(615.0, 30.0, 60.0)
                + 0.06 * bell(450.0, 30.0, 30.0),
            0.82 * bell(456.0, 27.0, 29.0)
                + 0.05 * bell(535.0, 30.0, 30.0)
                + 0.02 * bell(650.0, 50.0, 60.0),
        ]
        .map(|s| s * pass)
    }

    /// The invented phones: six, of 8 to 12 megapixels, with focal lengths of 0.69 to 0.89 picture widths.
    pub fn all() -> Vec<Phone> {
        let matrix = |a: f64, b: f64, c: f64| {
            [
                [1.0 + a, -0.86 * a, -0.14 * a],
                [-0.45 * b, 1.0 + b, -0.55 * b],
                [0.02 * c, -1.02 * c, 1.0 + c],
            ]
        };
        let phone =
            |make: &str, model: &str, (width, height): (usize, usize), focal: f64, k1: f64| Phone {
                make: make.into(),
                model: model.into(),
                width,
                height,
                focal_px: focal * width as f64,
                focal_mm: 4.4,
                f_number: 1.8,
                k1,
                centre_offset_px: (0.0, 0.0),
                pupil_mm: 2.5,
                lens_sigma_px: 0.9,
                full_well_e: 7500.0,
                read_noise_e: 2.2,
                adc_bits: 10,
                white_balance: (1.9, 1.65),
                colour_matrix: matrix(0.62, 0.45, 0.5),
                filter_shift_nm: 0.0,
                infrared_cut_nm: 672.0,
                tone_s: 0.0,
                noise_reduction: 0.75,
                sharpening: 0.35,
            };
        vec![
            Phone {
                centre_offset_px: (9.0, -6.0),
                ..phone("Ostrel", "Ostrel Four", (3264, 2448), 0.752, 0.011)
            },
            Phone {
                centre_offset_px: (-12.0, 4.0),
                tone_s: 0.08,
                sharpening: 0.5,
                white_balance: (2.05, 1.5),
                filter_shift_nm: 4.0,
                pupil_mm: 2.0,
                ..phone("Quillon", "QN-20", (3264, 2448), 0.893, -0.014)
            },
            Phone {
                centre_offset_px: (5.0, 11.0),
                full_well_e: 6000.0,
                noise_reduction: 0.9,
                lens_sigma_px: 1.05,
                colour_matrix: matrix(0.75, 0.5, 0.6),
                filter_shift_nm: -3.0,
                infrared_cut_nm: 680.0,
                ..phone("Vellum", "Vellum Mini", (3264, 2448), 0.694, 0.006)
            },
            Phone {
                centre_offset_px: (-7.0, -9.0),
                adc_bits: 12,
                full_well_e: 9000.0,
                noise_reduction: 0.6,
                lens_sigma_px: 0.8,
                pupil_mm: 3.0,
                ..phone("Brindle", "Brindle 7S", (3264, 2448), 0.812, 0.018)
            },
            Phone {
                centre_offset_px: (14.0, 3.0),
                tone_s: 0.12,
                lens_sigma_px: 1.1,
                filter_shift_nm: 2.0,
                ..phone("Ostrel", "Ostrel Six", (4032, 3024), 0.721, -0.008)
            },
            Phone {
                centre_offset_px: (-4.0, 13.0),
                white_balance: (1.8, 1.8),
                sharpening: 0.25,
                lens_sigma_px: 1.0,
                infrared_cut_nm: 665.0,
                ..phone("Tamarind", "T1 Note", (4000, 3000), 0.846, 0.003)
            },
        ]
    }
}

/// A spectroscope built by hand: card tube, slit of two blades, piece of disc.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Instrument {
    /// Groove spacing, nm.
    pub groove_spacing_nm: f64,
    /// Slit to grating, mm.
    pub slit_distance_mm: f64,
    /// Length of the slit, mm.
    pub slit_length_mm: f64,
    /// Mean width of the slit, µm.
    pub slit_width_um: f64,
    /// Relative change of the width from the middle to one end; the other end changes the other way.
    pub wedge: f64,
    /// Relative roughness of the blades.
    pub roughness: f64,
    /// Bits of dust on the blades.
    pub dust: usize,
    /// Seed of dust, roughness and stray light.
    pub seed: u64,
    /// Relative change of the lighting from the middle of the slit to one end.
    pub lighting_along: f64,
    /// Relative change of the lighting from the middle to one blade.
    pub lighting_across: f64,
    /// Angle of incidence across the grooves, degrees.
    pub incidence_deg: f64,
    /// Angle of incidence along the grooves, degrees.
    pub elevation_deg: f64,
    /// Slit against the grooves, degrees, in the plane of the grating.
    pub skew_deg: f64,
    /// Efficiency of the orders −2, −1, 0, 1, 2.
    pub efficiency: [f64; 5],
    /// Stray light, linear share of full scale.
    pub leak_level: f64,
}

impl Instrument {
    /// A sound instrument with a piece of a CD-type disc (1.6 µm), its +1 order the brighter.
    pub fn sound(seed: u64) -> Instrument {
        Instrument {
            groove_spacing_nm: 1600.0,
            slit_distance_mm: 305.0,
            slit_length_mm: 24.0,
            slit_width_um: 200.0,
            wedge: 0.06,
            roughness: 0.03,
            dust: 5,
            seed,
            lighting_along: 0.1,
            lighting_across: 0.08,
            incidence_deg: 0.8,
            elevation_deg: 0.4,
            skew_deg: 0.6,
            efficiency: [0.002, 0.02, 0.4, 0.06, 0.005],
            leak_level: 0.0008,
        }
    }

    /// Which first order this grating makes brighter: +1 or −1.
    pub(super) fn brighter_order(&self) -> i32 {
        if self.efficiency[3] >= self.efficiency[1] {
            1
        } else {
            -1
        }
    }

    /// Share of the light of one wavelength that goes into an order: shallow grooves favour the blue a little.
    pub(super) fn share_of_order(&self, order: i32, wavelength_nm: f64) -> f64 {
        let level = self.efficiency[(order + 2) as usize];
        if order == 0 {
            level
        } else {
            level * (550.0 / wavelength_nm).sqrt()
        }
    }

    /// A sound instrument with a piece of a DVD-type disc (0.74 µm): held at a slant, one order only.
    pub fn sound_fine(seed: u64) -> Instrument {
        Instrument {
            groove_spacing_nm: 740.0,
            incidence_deg: -23.0,
            efficiency: [0.0, 0.0, 0.4, 0.05, 0.0],
            ..Instrument::sound(seed)
        }
    }
}

/// How the phone is turned against the grating.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Pose {
    /// About the lens axis, −45 to 45; positive turns the picture clockwise.
    pub roll_deg: f64,
    /// About the grooves; positive moves the picture to the left.
    pub yaw_deg: f64,
    /// About the axis across the grooves; positive moves the picture up.
    pub pitch_deg: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_invented_phones_span_the_stated_range() {
        let phones = Phone::all();
        assert!(phones.len() >= 5);
        for phone in phones {
            let megapixels = (phone.width * phone.height) as f64 / 1e6;
            assert!((7.9..12.3).contains(&megapixels), "{}", phone.model);
            assert!((0.68..0.9).contains(&(phone.focal_px / phone.width as f64)));
            assert!(phone.k1.abs() <= 0.02);
            for row in phone.colour_matrix {
                assert!(
                    (row.iter().sum::<f64>() - 1.0).abs() < 1e-9,
                    "grey stays grey"
                );
            }
            let stated_px = f64::from(phone.focal_35mm()) / 43.27
                * (phone.width as f64).hypot(phone.height as f64);
            assert!((stated_px / phone.focal_px - 1.0).abs() < 0.025);
        }
    }
}
