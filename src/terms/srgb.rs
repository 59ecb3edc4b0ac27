//! The tone curve of sRGB (IEC 61966-2-1): what a code means in light. Both are shares of full scale, 0…1.

/// The code of a level of light.
pub fn srgb_code(level: f64) -> f64 {
    if level <= 0.003_130_8 {
        12.92 * level
    } else {
        1.055 * level.powf(1.0 / 2.4) - 0.055
    }
}

/// The light of a code.
pub fn srgb_light(code: f64) -> f64 {
    if code <= 0.04045 {
        code / 12.92
    } else {
        ((code + 0.055) / 1.055).powf(2.4)
    }
}
