//! Lines that show what the slit and the lens make of a single wavelength, in both orders.

use crate::measure::light::peaks::{Maximum, maxima};
use crate::measure::light::profile::Profile;
use crate::measure::light::spectrum_peaks::element;
use crate::measure::portrait::render::{DISC_PX, LENS_PX, line};
use crate::measure::shot::Shot;
use crate::terms::{Lamp, LampLine};

/// What a line must stand out of the noise by, and of the highest light, to show its shape.
const CLEAR_SNR: f64 = 20.0;
const STRONG_SHARE: f64 = 0.04;
/// What is wider is no line through any slit that still gives a spectrum (2 mm), but a diode's band, nm: those have 15 and more
/// (common practice, no source).
pub const WIDEST_LINE_NM: f64 = 13.0;
/// Lines that are so many times as wide as the narrowest are two, or bands.
const AS_NARROW: f64 = 1.8;
/// So many lines of an order at most, the strongest first.
const MOST_LINES: usize = 5;
/// A line's shape is looked at over so many widths at half height to either side.
const REACH: f64 = 1.5;
/// No drawing of a line is better than this share of its height: what cameras do to colour, noise and sharpness, and widths and
/// lenses between those that are tried.
const MODEL_SHARE: f64 = 0.03;
/// Lines of one element that look like one lie this near to each other, nm.
const NAMED_WITHIN_NM: f64 = 1.0;
/// Two lines of an element widen one peak by something only where that is no wider than this, nm.
const PAIR_NM: f64 = 3.5;
/// Of a named lamp only those lines are witnesses that stand alone within this, nm, among lines and narrow bands.
const ALONE_NM: f64 = 4.0;
const BAND_NM: f64 = 10.0;
/// A line of a lamp lies within this of its wavelength, nm.
const AT_LINE_NM: f64 = 0.6;

/// One line: its light by distance from its middle.
pub struct Witness {
    /// `m λ`, nm.
    pub path_nm: f64,
    /// Width at half height, px.
    pub fwhm_px: f64,
    /// Pixels per nm there.
    pub px_per_nm: f64,
    /// Distance, px; light and its uncertainty as shares of the height.
    points: Vec<(f64, f64, f64)>,
}

/// What of a line a slit so wide, a lens and a pupil's disc leave unexplained: χ² by width, lens and disc, over its degrees of
/// freedom where no shape explains it.
pub struct Unexplained {
    chi: Vec<f64>,
}

impl Unexplained {
    /// χ² above that of the best shape, between two discs.
    pub fn at(&self, width: usize, lens: usize, disc_px: f64) -> f64 {
        let last = DISC_PX.len() - 1;
        let i = DISC_PX.partition_point(|d| *d <= disc_px).clamp(1, last) - 1;
        let share = ((disc_px - DISC_PX[i]) / (DISC_PX[i + 1] - DISC_PX[i])).clamp(0.0, 1.0);
        let row = (width * LENS_PX.len() + lens) * DISC_PX.len();
        self.chi[row + i] * (1.0 - share) + self.chi[row + i + 1] * share
    }
}

/// The lines of both orders that are clear, alone and not clipped, the measured order's first.
pub fn witnesses(shot: &Shot) -> Vec<Witness> {
    let mut found = Vec::new();
    for which in [shot.measured, 1 - shot.measured] {
        let profile = &shot.orders[which].profile;
        let mut lines = maxima(profile, CLEAR_SNR, STRONG_SHARE);
        lines.retain(|l| l.is_clean() && l.fwhm_nm < WIDEST_LINE_NM && is_alone(shot, l));
        let narrowest = lines.iter().map(|l| l.fwhm_nm).fold(f64::MAX, f64::min);
        lines.retain(|l| l.fwhm_nm < AS_NARROW * narrowest);
        lines.sort_by(|a, b| b.prominence.total_cmp(&a.prominence));
        lines.truncate(MOST_LINES);
        found.extend(lines.iter().filter_map(|l| Witness::of(shot, profile, l)));
    }
    found
}

/// True where nothing else is known to lie under the line.
fn is_alone(shot: &Shot, peak: &Maximum) -> bool {
    match shot.lamp {
        Some(lamp) => is_sharp(lamp, peak.nm),
        None => {
            let sigma_nm = shot.scale.sigma_nm(shot.profile().sign * peak.nm);
            let is_named = sigma_nm.is_some_and(|s| s < NAMED_WITHIN_NM) && peak.fwhm_nm < PAIR_NM;
            !(is_named && may_be_a_pair(shot.inputs.names, peak))
        }
    }
}

impl Witness {
    fn of(shot: &Shot, profile: &Profile, peak: &Maximum) -> Option<Witness> {
        let path_nm = profile.sign * peak.nm;
        let px_per_nm = shot.scale.optics.rays().px_per_nm(path_nm)?;
        let reach = REACH * peak.fwhm_nm + 1.0 / px_per_nm;
        let first = profile.index(peak.nm - reach)?;
        let last = profile.index(peak.nm + reach)?;
        let points = (first..=last)
            .map(|i| {
                let x_px = (profile.nm(i as f64) - peak.nm) * px_per_nm;
                let sigma = (profile.sigma[i] / peak.height).hypot(MODEL_SHARE);
                (x_px, profile.light[i] / peak.height, sigma)
            })
            .collect();
        Some(Witness {
            path_nm,
            fwhm_px: peak.fwhm_nm * px_per_nm,
            px_per_nm,
            points,
        })
    }

    /// Fits height, place and a straight base for each slit's width, px, each lens and each disc.
    pub fn unexplained(&self, widths_px: &[f64]) -> Unexplained {
        let mut chi = Vec::with_capacity(widths_px.len() * LENS_PX.len() * DISC_PX.len());
        for width_px in widths_px {
            for lens in 0..LENS_PX.len() {
                for disc in 0..DISC_PX.len() {
                    chi.push(self.chi_squared(*width_px, lens, disc));
                }
            }
        }
        let least = chi.iter().copied().fold(f64::MAX, f64::min);
        // Values nearer than a pixel are not independent; height, place and base are free.
        let span_px = self.points.len() as f64 * self.spacing_px().min(1.0);
        let scatter = (least * self.spacing_px().min(1.0) / (span_px - 4.0).max(1.0)).max(1.0);
        for value in &mut chi {
            *value = (*value - least) * self.spacing_px().min(1.0) / scatter;
        }
        Unexplained { chi }
    }

    fn spacing_px(&self) -> f64 {
        match self.points.as_slice() {
            [a, b, ..] => (b.0 - a.0).abs(),
            _ => 1.0,
        }
    }

    fn chi_squared(&self, width_px: f64, lens: usize, disc: usize) -> f64 {
        const STEP_PX: f64 = 0.3;
        let (mut a, mut y, mut yy) = ([[0.0f64; 4]; 4], [0.0f64; 4], 0.0);
        for &(x, light, sigma) in &self.points {
            let drawn = |d: f64| line(x + d, width_px, lens, disc);
            let slope = drawn(STEP_PX) - drawn(-STEP_PX);
            let row = [drawn(0.0), slope, 1.0, x].map(|v| v / sigma);
            let value = light / sigma;
            for j in 0..4 {
                for k in 0..=j {
                    a[j][k] += row[j] * row[k];
                }
                y[j] += row[j] * value;
            }
            yy += value * value;
        }
        yy - explained(a, y)
    }
}

/// yᵀ A⁻¹ y by Cholesky's decomposition of the lower triangle `a`.
fn explained(mut a: [[f64; 4]; 4], mut y: [f64; 4]) -> f64 {
    let mut sum = 0.0;
    for j in 0..4 {
        for k in 0..j {
            a[j][j] -= a[j][k] * a[j][k];
            y[j] -= a[j][k] * y[k];
        }
        let pivot = a[j][j].max(1e-12).sqrt();
        a[j][j] = pivot;
        y[j] /= pivot;
        sum += y[j] * y[j];
        for i in j + 1..4 {
            for k in 0..j {
                a[i][j] -= a[i][k] * a[j][k];
            }
            a[i][j] /= pivot;
        }
    }
    sum
}

/// True where an element has two lines of like strength under one peak (mercury's yellow pair, sodium's): what looks
/// like a wide slit may be both.
fn may_be_a_pair(names: &[LampLine], peak: &Maximum) -> bool {
    let under: Vec<&LampLine> = names
        .iter()
        .filter(|l| (l.wavelength_nm - peak.nm).abs() < 0.75 * peak.fwhm_nm + 0.3)
        .collect();
    let at_peak = |nm: f64| (nm - peak.nm).abs() < 0.25 * peak.fwhm_nm + 0.15;
    let apart = 0.2 * peak.fwhm_nm;
    let blend = under.iter().any(|l| {
        l.width_nm > 0.2 * peak.fwhm_nm && l.width_nm < peak.fwhm_nm && at_peak(l.wavelength_nm)
    });
    blend
        || under.iter().any(|a| {
            under.iter().any(|b| {
                let middle = (a.strength * a.wavelength_nm + b.strength * b.wavelength_nm)
                    / (a.strength + b.strength);
                element(a) == element(b)
                    && b.wavelength_nm - a.wavelength_nm > apart
                    && at_peak(middle)
                    && a.strength.min(b.strength) > 0.1 * a.strength.max(b.strength)
            })
        })
}

/// True where a lamp has a sharp line there, and nothing beside it.
fn is_sharp(lamp: &Lamp, nm: f64) -> bool {
    let is_there = |l: &&LampLine| l.fit && (l.wavelength_nm - nm).abs() < AT_LINE_NM;
    lamp.lines.iter().find(is_there).is_some_and(|line| {
        !lamp.lines.iter().any(|other| {
            let apart = (other.wavelength_nm - line.wavelength_nm).abs();
            apart > 0.0 && apart < ALONE_NM && other.width_nm < BAND_NM
        })
    })
}
