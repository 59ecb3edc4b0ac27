//! Lines of the lamps that are drawn: wavelength in standard air (nm) and radiant strength relative to the strongest.
//!
//! Wavelengths: Sansonetti and Martin, Handbook of Basic Atomic Spectroscopic Data (NIST SRD 108), strong lines; hydrogen:
//! Reader, Appl. Spectrosc. 58, 1469 (2004). The helium, hydrogen and sodium values, and 404.66, 407.78, 491.61 and
//! 690.75 of mercury, were recalled from memory of those tables. Strengths are what such lamps look like, not
//! measurements.

/// Wavelength in nm, strength.
pub type Line = (f64, f64);

/// Mercury vapour at low pressure, as in germicidal and fluorescent lamps.
pub const MERCURY: &[Line] = &[
    (404.6563, 0.32),
    (407.7831, 0.03),
    (435.8328, 1.0),
    (491.6068, 0.012),
    (546.0735, 0.82),
    (576.9598, 0.17),
    (579.0663, 0.18),
    (690.75, 0.01),
];

/// Helium discharge.
pub const HELIUM: &[Line] = &[
    (388.865, 0.4),
    (447.148, 0.30),
    (471.315, 0.08),
    (492.193, 0.10),
    (501.568, 0.35),
    (504.774, 0.05),
    (587.562, 1.0),
    (667.815, 0.45),
    (706.519, 0.30),
    (728.135, 0.08),
];

/// Neon discharge.
pub const NEON: &[Line] = &[
    (533.0778, 0.03),
    (534.1094, 0.04),
    (540.0562, 0.12),
    (576.4419, 0.04),
    (585.2488, 0.60),
    (588.1895, 0.18),
    (594.4834, 0.25),
    (596.5471, 0.05),
    (597.4627, 0.05),
    (597.5534, 0.06),
    (602.9997, 0.10),
    (607.4338, 0.28),
    (609.6163, 0.35),
    (612.845, 0.02),
    (614.3063, 0.60),
    (616.3594, 0.20),
    (618.2146, 0.02),
    (621.7281, 0.16),
    (626.6495, 0.35),
    (630.4789, 0.09),
    (633.4428, 0.45),
    (638.2992, 0.55),
    (640.2248, 1.0),
    (650.6528, 0.60),
    (653.2882, 0.20),
    (659.8953, 0.25),
    (667.8276, 0.35),
    (671.7043, 0.20),
    (692.9467, 0.30),
    (703.2413, 0.80),
    (717.3938, 0.12),
    (724.5167, 0.30),
];

/// Hydrogen discharge: the Balmer lines, each an unresolved blend.
pub const HYDROGEN: &[Line] = &[
    (410.1734, 0.05),
    (434.0472, 0.14),
    (486.135, 0.40),
    (656.279, 1.0),
];

/// Sodium vapour at low pressure.
pub const SODIUM: &[Line] = &[
    (568.263, 0.008),
    (568.820, 0.014),
    (588.995, 1.0),
    (589.5924, 0.62),
    (615.423, 0.004),
    (616.075, 0.007),
];

/// Dark lines of daylight: wavelength (nm), depth 0…1, full width (nm) of the blend as a small spectroscope meets it.
///
/// Fraunhofer's letters as commonly tabulated; depths and widths are rounded impressions of ASTM G173-03.
pub const FRAUNHOFER: &[(f64, f64, f64)] = &[
    (393.368, 0.75, 1.2),
    (396.847, 0.7, 1.1),
    (410.175, 0.25, 0.5),
    (422.673, 0.3, 0.5),
    (430.78, 0.4, 1.6),
    (434.047, 0.25, 0.5),
    (438.355, 0.3, 0.5),
    (466.814, 0.15, 0.5),
    (486.134, 0.3, 0.6),
    (495.761, 0.15, 0.5),
    (516.733, 0.3, 0.5),
    (517.270, 0.4, 0.4),
    (518.362, 0.4, 0.5),
    (527.039, 0.25, 0.5),
    (588.995, 0.35, 0.25),
    (589.592, 0.3, 0.25),
    (627.661, 0.06, 1.2),
    (656.281, 0.35, 0.5),
    (686.95, 0.4, 1.6),
    (760.6, 0.75, 2.6),
];
