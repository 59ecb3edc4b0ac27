//! What the known lines of a bench's other photos say of a lamp photo's scale.
//!
//! A lamp leaves some combinations of focal length, distortion and the like open, most of all in the red, where it has no sharp line.
//! They are the bench's, not the photo's: every tube that is known for what it is shows more of them. The scale's uncertainty is a sum
//! of independent moves of the instrument, each with its course over the wavelengths; how far the instrument has really moved along
//! each is estimated from the lines one by one (R. E. Kalman, J. Basic Eng. 82, 35 (1960): a linear estimate that takes up one
//! observation after another; from memory). Each photo may besides be off as a whole. A photo is never corrected by its own lines:
//! they would only say what is printed anyway.

use crate::measure::optics::Rays;
use crate::measure::optics::adjust::{N, OpticsVector, index};
use crate::measure::scale::anchor::independent_moves;
use crate::terms::{
    AbsorbanceRow, Calibration, Estimate, KnownLine, Measurement, Optics, Point, Quantity,
};

/// A photo's own anchor puts all of its lines off together by this, nm (standard deviation; drawn photos of two hands).
const TOGETHER_NM: f64 = 0.08;
/// A line's place in a picture is not known better than this, nm, as far as other photos rely on it.
const FLOOR_NM: f64 = 0.03;
/// Lines, and photos as a whole, that lie off by many times their uncertainty count less: Student's distribution with so many degrees of freedom…
const FREEDOM: f64 = 4.0;
/// …in so many rounds.
const ROUNDS: usize = 6;
/// The phone is turned until a moved instrument shows the slit's image where it is: so many steps…
const AIMED_IN: usize = 4;
/// …by differences over this angle, rad.
const AIM_STEP_RAD: f64 = 1e-4;
/// Where the scale's uncertainty is stated, nm.
const MIDDLE_NM: f64 = 550.0;

/// How far a lamp photo's scale is off, by wavelength.
pub struct Refined {
    base: Rays,
    /// The instrument moved by one standard uncertainty along each of its independent moves, aimed at the slit's image.
    moved: Vec<Rays>,
    /// How far it has moved along each, in standard uncertainties.
    by: Vec<f64>,
    /// Their covariance.
    covariance: Vec<Vec<f64>>,
}

impl Refined {
    /// From lines of other photos on the scale of `calibration`, photo by photo. Nothing where there are none, or where the scale has
    /// no covariance.
    pub fn new(calibration: &Calibration, photos: &[&[KnownLine]]) -> Option<Refined> {
        let slit = (&calibration.optics, calibration.slit_px);
        Refined::of(slit, &calibration.covariance, photos)
    }

    /// The same of optics, the pixel of the slit's middle, and the covariance of the parameters.
    fn of(
        (optics, slit_px): (&Optics, Point),
        covariance: &[Vec<f64>],
        photos: &[&[KnownLine]],
    ) -> Option<Refined> {
        if photos.iter().all(|lines| lines.is_empty()) || covariance.len() != N {
            return None;
        }
        let shot = OpticsVector::new(optics, slit_px);
        let moves = independent_moves(covariance);
        let aimed = moves.iter().filter_map(|by| aimed(&shot, slit_px, by));
        let mut refined = Refined {
            base: optics.rays(),
            moved: aimed.collect(),
            by: Vec::new(),
            covariance: Vec::new(),
        };
        let courses: Vec<Vec<Option<Vec<f64>>>> = photos
            .iter()
            .map(|lines| lines.iter().map(|l| refined.course(l.path_nm)).collect())
            .collect();
        let mut weights: Vec<Vec<f64>> = photos.iter().map(|l| vec![1.0; l.len()]).collect();
        let mut photo_weights = vec![1.0; photos.len()];
        for _ in 0..ROUNDS {
            let mut state = State::new(refined.moved.len());
            for (photo, (lines, courses)) in photos.iter().zip(&courses).enumerate() {
                state.begin_photo(TOGETHER_NM * TOGETHER_NM / photo_weights[photo]);
                let seen = || lines.iter().zip(courses).enumerate();
                for (i, (line, course)) in seen() {
                    if let Some(course) = course {
                        state.take_up(course, line.off_nm, variance(line) / weights[photo][i]);
                    }
                }
                for (i, (line, course)) in seen() {
                    if let Some(course) = course {
                        let left = line.off_nm - state.expected(course);
                        let chi = left * left / variance(line);
                        weights[photo][i] = weight(chi);
                    }
                }
                photo_weights[photo] = weight((state.together() / TOGETHER_NM).powi(2));
            }
            (refined.by, refined.covariance) = state.moves();
        }
        Some(refined)
    }

    /// How each move shifts what is read off where `path_nm` lies, nm; absent where that is nowhere.
    fn course(&self, path_nm: f64) -> Option<Vec<f64>> {
        let at = self.base.pixel_of_path(path_nm, 0.0)?;
        Some(self.moved.iter().map(|m| m.path_nm(at) - path_nm).collect())
    }

    /// How much too long the lamp photo's scale reads `m λ` there, nm.
    pub fn off_nm(&self, path_nm: f64) -> f64 {
        let course = self.course(path_nm).unwrap_or_default();
        course.iter().zip(&self.by).map(|(c, by)| c * by).sum()
    }

    /// Share of the scale's variance there that the lines leave, 0…1.
    fn left(&self, path_nm: f64) -> f64 {
        let Some(course) = self.course(path_nm) else {
            return 1.0;
        };
        let before: f64 = course.iter().map(|c| c * c).sum();
        let rows = course.iter().zip(&self.covariance);
        let after =
            rows.map(|(c, row)| c * row.iter().zip(&course).map(|(v, d)| v * d).sum::<f64>());
        (after.sum::<f64>() / before.max(f64::MIN_POSITIVE)).clamp(0.0, 1.0)
    }

    /// A standard uncertainty, nm, of which the instrument's part becomes less.
    fn less(&self, sigma_nm: f64, instrument_nm: f64, path_nm: f64) -> f64 {
        let gone = instrument_nm.powi(2) * (1.0 - self.left(path_nm));
        (sigma_nm * sigma_nm - gone).max(0.0).sqrt()
    }

    /// Puts a photo's wavelengths right: its peaks, its spectrum and what it absorbs (one entry a row). Of the uncertainty of the
    /// scale only what the instrument has in it becomes less.
    pub fn apply(&self, m: &mut Measurement, absorbance: Option<&mut Vec<AbsorbanceRow>>) {
        let Some(sign) = m.order.map(f64::from) else {
            return;
        };
        // What is read as `nm` is this.
        let right = |nm: f64| nm - sign * self.off_nm(sign * nm);
        for peak in &mut m.peaks {
            let Estimate { value: nm, sigma } = peak.centre_nm;
            let sigma = self.less(sigma, peak.instrument_sigma_nm, sign * nm);
            peak.instrument_sigma_nm *= self.left(sign * nm).sqrt();
            peak.centre_nm = Estimate::new(right(nm), sigma);
        }
        if let Some(sigma_nm) = m.metrics.value(Quantity::WavelengthSigmaNm) {
            let sigma_nm = self.less(sigma_nm, m.instrument_sigma_nm, sign * MIDDLE_NM);
            m.metrics.set(Quantity::WavelengthSigmaNm, sigma_nm);
        }
        let Some(spectrum) = &mut m.spectrum else {
            return;
        };
        let rows = spectrum.rows.clone();
        // The row in which a wavelength was read, before it was put right.
        let read: Vec<f64> = rows
            .iter()
            .map(|row| {
                let nm = row.wavelength_nm;
                (nm + sign * self.off_nm(sign * nm) - rows[0].wavelength_nm) / spectrum.step_nm
            })
            .collect();
        for (row, at) in spectrum.rows.iter_mut().zip(&read) {
            let wavelength_nm = row.wavelength_nm;
            *row = between(&rows, *at, |a, b, share| a.mixed(b, share));
            row.wavelength_nm = wavelength_nm;
        }
        if let Some(absorbance) = absorbance {
            let before = absorbance.clone();
            for (row, at) in absorbance.iter_mut().zip(&read) {
                *row = between(&before, *at, |a, b, share| a.mixed(b, share));
            }
        }
    }
}

/// What lies `at` a place between rows; beyond the first and the last, those.
fn between<T: Clone>(rows: &[T], at: f64, mixed: impl Fn(&T, &T, f64) -> T) -> T {
    let at = at.clamp(0.0, (rows.len() - 1) as f64);
    let first = (at as usize).min(rows.len().saturating_sub(2));
    match rows.get(first + 1) {
        Some(next) => mixed(&rows[first], next, at - first as f64),
        None => rows[first].clone(),
    }
}

/// What something counts that lies off by this χ², 0…1.
fn weight(chi: f64) -> f64 {
    (FREEDOM + 1.0) / (FREEDOM + chi).max(FREEDOM + 1.0)
}

fn variance(line: &KnownLine) -> f64 {
    line.sigma_nm.hypot(FLOOR_NM).powi(2)
}

/// An instrument moved by `by`, with the phone turned until the slit's image is seen where it is.
fn aimed(shot: &OpticsVector, slit_px: Point, by: &[f64; N]) -> Option<Rays> {
    let mut x = shot.vector();
    for (x, by) in x.iter_mut().zip(by) {
        *x += by;
    }
    for _ in 0..AIMED_IN {
        let off = |x: &[f64; N]| shot.optics(x).rays().path_nm(slit_px);
        let mut aside = x;
        aside[index::YAW] += AIM_STEP_RAD;
        let (here, there) = (off(&x), off(&aside));
        let turn = here * AIM_STEP_RAD / (there - here);
        if !turn.is_finite() {
            return None;
        }
        x[index::YAW] -= turn;
    }
    Some(shot.optics(&x).rays())
}

/// What is known so far: of each move, and of how far the photo at hand is off as a whole (the last).
struct State {
    mean: Vec<f64>,
    covariance: Vec<Vec<f64>>,
}

impl State {
    /// Before any line: each move by one standard uncertainty.
    fn new(n_moves: usize) -> State {
        let unit = |i: usize, j: usize| if i == j { 1.0 } else { 0.0 };
        let row = |i: usize| (0..=n_moves).map(|j| unit(i, j)).collect();
        State {
            mean: vec![0.0; n_moves + 1],
            covariance: (0..=n_moves).map(row).collect(),
        }
    }

    /// Of the next photo nothing is known yet but that it is off as a whole by this variance, nm².
    fn begin_photo(&mut self, variance: f64) {
        let last = self.mean.len() - 1;
        self.mean[last] = 0.0;
        for i in 0..last {
            self.covariance[i][last] = 0.0;
            self.covariance[last][i] = 0.0;
        }
        self.covariance[last][last] = variance;
    }

    /// Where a line of this course is to be expected, off its place, nm.
    fn expected(&self, course: &[f64]) -> f64 {
        let moves: f64 = course.iter().zip(&self.mean).map(|(c, m)| c * m).sum();
        moves + self.together()
    }

    /// How far the photo at hand is off as a whole, nm.
    fn together(&self) -> f64 {
        self.mean[self.mean.len() - 1]
    }

    fn take_up(&mut self, course: &[f64], off_nm: f64, variance: f64) {
        let along = |row: &Vec<f64>| -> f64 {
            let moves: f64 = course.iter().zip(row).map(|(c, v)| c * v).sum();
            moves + row[row.len() - 1]
        };
        let towards: Vec<f64> = self.covariance.iter().map(along).collect();
        let of_course: f64 = course.iter().zip(&towards).map(|(c, t)| c * t).sum();
        let total = of_course + towards[towards.len() - 1] + variance;
        let surprise = (off_nm - self.expected(course)) / total;
        for (i, t) in towards.iter().enumerate() {
            self.mean[i] += t * surprise;
            for (j, u) in towards.iter().enumerate() {
                self.covariance[i][j] -= t * u / total;
            }
        }
    }

    /// The moves alone, with their covariance.
    fn moves(mut self) -> (Vec<f64>, Vec<Vec<f64>>) {
        self.mean.pop();
        self.covariance.pop();
        for row in &mut self.covariance {
            row.pop();
        }
        (self.mean, self.covariance)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::{Peak, PeakKind, Spectrum, SpectrumRow};

    const SLIT: Point = Point::new(2050.0, 1500.0);
    const TUBES: [&[f64]; 4] = [
        &[447.15, 471.31, 501.57, 587.56, 667.82],
        &[434.05, 486.13, 656.28],
        &[467.82, 479.99, 508.58, 643.85],
        &[585.25, 614.31, 640.22, 659.90],
    ];

    /// An instrument of this distortion.
    fn optics(k1: f64) -> Optics {
        let mut optics = Optics::flush(1600.0, 2900.0, 4000, 3000);
        optics.pupil_share = 0.015;
        optics.k1 = k1;
        optics.aim_slit_at(SLIT);
        optics
    }

    /// What a lamp photo leaves open of distortion and focal length.
    fn covariance() -> Vec<Vec<f64>> {
        let mut covariance = vec![vec![0.0; N]; N];
        covariance[index::K1][index::K1] = 0.008f64.powi(2);
        covariance[index::FOCAL][index::FOCAL] = 9.0;
        covariance
    }

    /// Lines as a scale reads them whose distortion is wrong by 0.009, each off by what `also` says besides.
    fn lines(nm: &[f64], also: impl Fn(f64) -> f64) -> Vec<KnownLine> {
        let (truth, read) = (optics(0.0).rays(), optics(0.009).rays());
        let off = |nm: f64| read.path_nm(truth.pixel_of_path(nm, 0.0).unwrap()) - nm;
        let line = |nm: &f64| KnownLine {
            path_nm: *nm,
            off_nm: off(*nm) + also(*nm),
            sigma_nm: 0.02,
        };
        nm.iter().map(line).collect()
    }

    fn refined(also: impl Fn(f64) -> f64) -> Refined {
        let tubes = TUBES.map(|tube| lines(tube, &also));
        let each: Vec<&[KnownLine]> = tubes.iter().map(Vec::as_slice).collect();
        Refined::of((&optics(0.009), SLIT), &covariance(), &each).unwrap()
    }

    fn off_at_690() -> f64 {
        lines(&[690.0], |_| 0.0)[0].off_nm
    }

    #[test]
    fn other_photos_known_lines_show_what_the_lamp_left_open() {
        let (is, refined) = (off_at_690(), refined(|_| 0.0));
        assert!(is.abs() > 1.0, "{is}");
        let found = refined.off_nm(690.0);
        assert!((found - is).abs() < 0.05, "{found} for {is}");
        assert!(refined.left(690.0) < 0.05, "{}", refined.left(690.0));
    }

    #[test]
    fn a_photo_that_lay_elsewhere_and_a_line_that_is_another_s_move_little() {
        let is = off_at_690();
        let elsewhere = |nm: f64| if TUBES[1].contains(&nm) { 0.6 } else { 0.0 };
        let found = refined(elsewhere).off_nm(690.0);
        assert!((found - is).abs() < 0.2, "{found} for {is}");
        let found = refined(|nm| if nm == 501.57 { 0.9 } else { 0.0 }).off_nm(690.0);
        assert!((found - is).abs() < 0.2, "{found} for {is}");
    }

    #[test]
    fn without_lines_or_without_a_covariance_nothing_is_said() {
        let optics = optics(0.0);
        let slit = (&optics, SLIT);
        assert!(Refined::of(slit, &covariance(), &[&[], &[]]).is_none());
        let helium = lines(TUBES[0], |_| 0.0);
        assert!(Refined::of(slit, &[], &[&helium]).is_none());
    }

    #[test]
    fn a_spectrum_and_its_peaks_move_together_and_nothing_else_does() {
        let row = |i: usize| SpectrumRow {
            wavelength_nm: 650.0 + 0.25 * i as f64,
            signal: (-0.5 * ((i as f64 - 80.0) / 4.0).powi(2)).exp(),
            signal_sigma: 0.01,
            rgb: [0.0; 3],
            rgb_sigma: [0.0; 3],
            clipped: 0.0,
        };
        let peak = Peak {
            centre_nm: Estimate::new(670.0, 0.5),
            own_sigma_nm: 0.02,
            instrument_sigma_nm: 0.495,
            fwhm_nm: Estimate::new(2.0, 0.1),
            height: Estimate::new(1.0, 0.01),
            area: Estimate::new(2.0, 0.01),
            kind: PeakKind::Line,
            clipped: false,
            name: String::new(),
        };
        let spectrum = Spectrum {
            step_nm: 0.25,
            rows: (0..160).map(row).collect(),
        };
        let mut m = Measurement {
            order: Some(1),
            spectrum: Some(spectrum.clone()),
            peaks: vec![peak],
            ..Measurement::default()
        };
        let refined = refined(|_| 0.0);
        refined.apply(&mut m, None);
        let expected = 670.0 - refined.off_nm(670.0);
        assert!((m.peaks[0].centre_nm.value - expected).abs() < 1e-9);
        assert!((0.02..0.1).contains(&m.peaks[0].centre_nm.sigma));
        let after = m.spectrum.unwrap();
        let top = |s: &Spectrum| {
            let weight: f64 = s.rows.iter().map(|r| r.signal).sum();
            s.rows
                .iter()
                .map(|r| r.signal * r.wavelength_nm)
                .sum::<f64>()
                / weight
        };
        assert!(
            (top(&after) - expected).abs() < 0.02,
            "{} {expected}",
            top(&after)
        );
        let places = |s: &Spectrum| s.rows.iter().map(|r| r.wavelength_nm).collect::<Vec<f64>>();
        assert_eq!(places(&after), places(&spectrum));
    }
}
