//! A shot as its faults leave it.

use super::light::Source;
use super::rays::{Rays, cropping_yaw_deg};
use super::shot::{Fault, Scene, Shot};

/// A shot as its faults leave it.
#[derive(Clone, Debug)]
pub(super) struct Effective {
    /// The shot, with phone, instrument and pose as the faults change them.
    pub shot: Shot,
    /// By what the exposure is longer than it was set or metered.
    pub exposure_factor: f64,
    /// Whether the phone chose exposure and white balance by itself.
    pub automatic: bool,
    /// Lens and focus together, standard deviation, px.
    pub blur_px: f64,
    /// Length (px) and direction (degrees) of a movement.
    pub movement: Option<(f64, f64)>,
}

impl Effective {
    pub(super) fn of(shot: &Shot) -> Effective {
        let mut e = Effective {
            shot: shot.clone(),
            exposure_factor: 1.0,
            automatic: false,
            blur_px: shot.phone.lens_sigma_px,
            movement: None,
        };
        for fault in &shot.faults {
            match *fault {
                Fault::Clipped(times) | Fault::ExposureDiffers(times) => e.exposure_factor *= times,
                Fault::Dim(times) => e.exposure_factor /= times,
                Fault::Tilted(degrees) => e.shot.pose.roll_deg = degrees,
                // Stated of the photo: wherever the phone was laid.
                Fault::Skewed(degrees) => {
                    let turn_deg = shot.reality.turn_rad().to_degrees();
                    e.shot.instrument.skew_deg = degrees - turn_deg;
                }
                Fault::SlitWide(um) => e.shot.instrument.slit_width_um = um,
                Fault::Defocused(px) => e.blur_px = px.hypot(shot.phone.lens_sigma_px),
                Fault::Moved(px, degrees) => e.movement = Some((px, degrees)),
                Fault::Leak(level) => e.shot.instrument.leak_level = level,
                Fault::ExposureAuto => {
                    e.automatic = true;
                    // The phone's own balance wanders by a few per cent (common practice, no source).
                    e.shot.phone.white_balance.0 *= 1.07;
                    e.shot.phone.white_balance.1 *= 0.94;
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
                e.shot.pose.yaw_deg = cropping_yaw_deg(&e.shot, wavelength_nm);
            }
        }
        e
    }

    pub(super) fn rays(&self) -> Rays {
        Rays::new(&self.shot)
    }

    /// Slit against the grooves in front of the pupil, degrees.
    pub(super) fn skew_deg(&self) -> f64 {
        self.shot.instrument.skew_deg + self.shot.reality.turn_rad().to_degrees()
    }

    /// Blur of the slit's own image, standard deviation, px: lens, fault and the focus of a pupil of finite size.
    pub(super) fn slit_blur_px(&self) -> f64 {
        let Some(focus_mm) = self.shot.reality.focus_mm else {
            return self.blur_px;
        };
        let phone = &self.shot.phone;
        let slit_mm = self.shot.instrument.slit_distance_mm + phone.pupil_mm;
        let disc_px = phone.focal_px * phone.pupil_diameter_mm() * (1.0 / slit_mm - 1.0 / focus_mm);
        // A disc's standard deviation along a line is a quarter of its diameter.
        self.blur_px.hypot(0.25 * disc_px)
    }

    /// Whether a lit slit is in view.
    pub(super) fn has_spectrum(&self) -> bool {
        self.shot.scene == Scene::Slit && self.shot.light.source != Source::Dark
    }

    /// White-balance gains of red, green and blue, and the colour matrix, where that stage takes part.
    pub(super) fn colour(&self) -> ([f64; 3], [[f64; 3]; 3]) {
        let (red, blue) = self.shot.phone.white_balance;
        if self.shot.nuisance.colour {
            ([red, 1.0, blue], self.shot.phone.colour_matrix)
        } else {
            let identity = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
            ([1.0; 3], identity)
        }
    }

    /// Weights of the slit's strips, from one blade to the other.
    pub(super) fn strips(&self) -> [f64; 3] {
        let q = if self.shot.nuisance.slit_flaws {
            self.shot.instrument.lighting_across
        } else {
            0.0
        };
        [1.0 - q, 1.0, 1.0 + q]
    }
}
