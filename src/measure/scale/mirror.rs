//! The two first orders show one spectrum: what stands at one place of one of them stands at the mirrored place of the other,
//! whatever it is.

use crate::measure::light::profile::{Profile, Slabs};
use crate::measure::optics::Rays;
use crate::measure::optics::adjust::Observation;
use crate::terms::{SIGMA_PER_MEDIAN, median, weighted_quantile};

/// The spectra are laid on each other in windows of this half width, nm: two lines' widths, over which colour changes little…
const HALF_WINDOW_NM: f64 = 8.0;
/// …from here to there, nm: what phones see…
const FIRST_NM: f64 = 410.0;
const LAST_NM: f64 = 680.0;
/// …in steps of this, nm, so that each line stands in two of them.
const STEP_NM: f64 = 8.0;
/// Two orders that are anchored on the slit's image alone lie within this of each other, nm: a phone turned by half a degree.
const REACH_NM: f64 = 8.0;
/// The search for the common shift goes in steps of this, nm.
const SEARCH_NM: f64 = 0.5;
/// Structure is what a place differs by from those so far to either side, nm; what is darker than this level, linear share of full
/// scale, has little (no source).
const BESIDE_NM: f64 = 4.0;
const DARK: f64 = 1e-3;
/// A shift goes so far at once, nm, and has settled where it moves by less than this, nm (no source).
const MOST_STEP_NM: f64 = 1.0;
const SETTLED_NM: f64 = 0.01;
/// No two windows agree better than this, nm: neighbours share their pixels' grain, and the orders their own focus.
const FLOOR_NM: f64 = 0.06;
/// A window that is known no better than this says nothing, nm.
const WORST_NM: f64 = 1.0;
/// A window whose shift lies off the middle of all by more than so many of its sigmas, and by the floor, shows two different
/// things: dust, a ghost, a clipped line.
const ODD_SIGMAS: f64 = 4.0;
/// Of what stands out of a smooth course in one order the other explains all but this share, or it is grain.
const UNEXPLAINED_SHARE: f64 = 0.2;
/// The structure of the two orders agrees by this at least (correlation), or one of them is missing…
const LEAST_AGREEMENT: f64 = 0.5;
/// …and a window's structure is seen in both by so many of its sigmas.
const CLEAR_SIGMAS: f64 = 5.0;
/// Bins of which more than this share is at the ceiling are left out.
const CLIPPED_SHARE: f64 = 0.05;

/// One window: wavelength, by how much the +1 order lies further out there, and how well that is known; nm.
struct Shift {
    nm: f64,
    shift_nm: f64,
    sigma_nm: f64,
}

/// Places of one wavelength in both orders. Nothing where an order is missing or has no structure.
///
/// `orders` are −1 and +1, each with its profile on the scale of `rays`.
pub fn mirrors(orders: [(&Slabs, &Profile); 2], rays: &Rays) -> Vec<Observation> {
    let [minus, plus] = orders;
    let Some(common_nm) = common_shift(minus.1, plus.1) else {
        return Vec::new();
    };
    let steps = ((LAST_NM - FIRST_NM) / STEP_NM) as usize;
    let mut shifts: Vec<Shift> = (0..=steps)
        .map(|i| FIRST_NM + i as f64 * STEP_NM)
        .filter_map(|nm| shift_at(minus.1, plus.1, nm, common_nm))
        .collect();
    let scatter = scatter(&shifts);
    for shift in &mut shifts {
        shift.sigma_nm *= scatter;
    }
    shifts.retain(|s| s.sigma_nm < WORST_NM);
    // Half of the windows' information lies on either side.
    let weighted = shifts.iter().map(|s| (s.shift_nm, s.sigma_nm.powi(-2)));
    let Some(middle) = weighted_quantile(0.5, weighted) else {
        return Vec::new();
    };
    shifts
        .retain(|s| (s.shift_nm - middle).abs() < ODD_SIGMAS * s.sigma_nm + FLOOR_NM * ODD_SIGMAS);
    shifts
        .iter()
        .filter_map(|s| {
            let at = |(slabs, profile): (&Slabs, &Profile), nm: f64| {
                slabs.middle_px(rays, profile.sign * nm)
            };
            Some(Observation::Mirror {
                plus: at(plus, s.nm + 0.5 * s.shift_nm)?,
                minus: at(minus, s.nm - 0.5 * s.shift_nm)?,
                // Each place stands in two windows.
                sigma_nm: std::f64::consts::SQRT_2 * s.sigma_nm,
            })
        })
        .collect()
}

/// How much more the shifts of neighbouring windows differ than their sigmas explain, at least 1: light without lines shows the
/// picture's own grain, which is another in each window.
fn scatter(shifts: &[Shift]) -> f64 {
    let differences = shifts.windows(2).map(|pair| {
        let sigma_nm = pair[0].sigma_nm.hypot(pair[1].sigma_nm);
        (pair[1].shift_nm - pair[0].shift_nm).abs() / sigma_nm
    });
    let typical = median(differences).unwrap_or(0.0);
    (SIGMA_PER_MEDIAN * typical).max(1.0)
}

/// Light of a profile at |m λ|, mean over the channels, with its uncertainty; absent outside and where it is clipped.
fn light(profile: &Profile, nm: f64) -> Option<(f64, f64)> {
    let place = (nm - profile.start_nm) / profile.step_nm;
    if place < 0.0 {
        return None;
    }
    let (i, share) = (place as usize, place.fract());
    let next = profile.light.get(i + 1)?;
    if profile.clipped[i].max(profile.clipped[i + 1]) > CLIPPED_SHARE {
        return None;
    }
    let value = profile.light[i] * (1.0 - share) + next * share;
    Some((value, profile.sigma[i].max(profile.sigma[i + 1])))
}

/// The shift, nm, at which the two orders' structure agrees best as a whole; absent where it does not.
fn common_shift(minus: &Profile, plus: &Profile) -> Option<f64> {
    // What differs over some nanometres, as a share of what is there: the orders differ in brightness, slowly over colour.
    let structure = |profile: &Profile, nm: f64| -> Option<f64> {
        let at = |d: f64| light(profile, nm + d).map(|l| l.0);
        let (here, around) = (at(0.0)?, 0.5 * (at(-BESIDE_NM)? + at(BESIDE_NM)?));
        Some((here - around) / (here.abs() + around.abs() + DARK))
    };
    let steps = (REACH_NM / SEARCH_NM) as i32;
    let agreement = |shift_nm: f64| -> f64 {
        let (mut ab, mut aa, mut bb) = (0.0, 1e-12, 1e-12);
        let mut nm = FIRST_NM;
        while nm <= LAST_NM {
            let both = (
                structure(minus, nm - 0.5 * shift_nm),
                structure(plus, nm + 0.5 * shift_nm),
            );
            if let (Some(a), Some(b)) = both {
                ab += a * b;
                aa += a * a;
                bb += b * b;
            }
            nm += 1.0;
        }
        ab / f64::sqrt(aa * bb)
    };
    let (best, shift_nm) = (-steps..=steps)
        .map(|i| f64::from(i) * SEARCH_NM)
        .map(|shift_nm| (agreement(shift_nm), shift_nm))
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    (best > LEAST_AGREEMENT).then_some(shift_nm)
}

/// The orders differ in how bright they are by colour: over half a window by this share (standard deviation; a blaze's flank of a
/// half over 100 nm; common practice, no source). Where light changes with colour as evenly as that, no shift is seen.
const GAIN_SLOPE: f64 = 0.05;

/// The shift of one window, from `start_nm` on: order +1 = gain · order −1 + level, by least squares. Level and gain are free, and
/// the gain may change evenly with colour.
fn shift_at(minus: &Profile, plus: &Profile, nm: f64, start_nm: f64) -> Option<Shift> {
    let n = (2.0 * HALF_WINDOW_NM / plus.step_nm) as usize;
    let mut shift_nm = start_nm;
    let mut sigma_nm = f64::INFINITY;
    for _ in 0..6 {
        // Sums of the normal equations for gain, level, shift and the gain's slope.
        let (mut a, mut y) = ([[0.0f64; 4]; 4], [0.0f64; 4]);
        let (mut yy, mut count) = (0.0, 0.0);
        let (mut ours, mut theirs) = (0.0, 0.0);
        let mut smooth = ([[0.0f64; 4]; 4], [0.0f64; 4]);
        for i in 0..n {
            let at = nm - HALF_WINDOW_NM + i as f64 * plus.step_nm;
            let here = |d: f64| light(minus, at - 0.5 * shift_nm + d);
            let (p, sp) = light(plus, at + 0.5 * shift_nm)?;
            let ((m, sm), (before, _), (after, _)) = (here(0.0)?, here(-0.5)?, here(0.5)?);
            let aside = (at - nm) / HALF_WINDOW_NM;
            let row = [m, 1.0, after - before, m * aside];
            ours += p;
            theirs += m;
            let variance = sp * sp + sm * sm + 1e-12;
            add(&mut a, &mut y, row, p, variance);
            let course = [1.0, aside, aside.powi(2), aside.powi(3)];
            add(&mut smooth.0, &mut smooth.1, course, p, variance);
            yy += p * p / variance;
            count += 1.0;
        }
        a[3][3] += (GAIN_SLOPE * ours / theirs).powi(-2);
        let inverse = inverse(&a)?;
        let fitted = times(&inverse, &y);
        let gain = fitted[0];
        let chi = (yy - dot(&fitted, &y)).max(0.0);
        let course = times(&self::inverse(&smooth.0)?, &smooth.1);
        if chi > UNEXPLAINED_SHARE * (yy - dot(&course, &smooth.1)) {
            return None;
        }
        // p(at + s/2) = g m(at − s/2 + δ): the orders lie δ closer than supposed.
        let step_nm = fitted[2] / gain;
        let scatter = (chi / (count - 3.0)).max(1.0);
        if gain < CLEAR_SIGMAS * (inverse[0][0] * scatter).sqrt() {
            return None;
        }
        sigma_nm = (inverse[2][2] * scatter).sqrt() / gain;
        shift_nm -= step_nm.clamp(-MOST_STEP_NM, MOST_STEP_NM);
        if step_nm.abs() < SETTLED_NM {
            break;
        }
    }
    let sigma_nm = sigma_nm.hypot(FLOOR_NM);
    (sigma_nm < WORST_NM && (shift_nm - start_nm).abs() < 3.0).then_some(Shift {
        nm,
        shift_nm,
        sigma_nm,
    })
}

/// Adds one value to the sums of the normal equations.
fn add(a: &mut [[f64; 4]; 4], y: &mut [f64; 4], row: [f64; 4], value: f64, variance: f64) {
    for (j, r) in row.iter().enumerate() {
        for (k, q) in row.iter().enumerate() {
            a[j][k] += r * q / variance;
        }
        y[j] += r * value / variance;
    }
}

fn dot(a: &[f64; 4], b: &[f64; 4]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn times(a: &[[f64; 4]; 4], y: &[f64; 4]) -> [f64; 4] {
    a.each_ref().map(|row| dot(row, y))
}

/// Inverse of a symmetric, positive matrix by elimination; absent where it is singular.
fn inverse(a: &[[f64; 4]; 4]) -> Option<[[f64; 4]; 4]> {
    /// Share of a diagonal element that rounding may leave.
    const ROUNDING: f64 = 1e-10;
    let mut left = *a;
    let mut right: [[f64; 4]; 4] =
        std::array::from_fn(|j| std::array::from_fn(|k| f64::from(u8::from(j == k))));
    for j in 0..4 {
        let pivot = left[j][j];
        if pivot.is_nan() || pivot <= ROUNDING * a[j][j] {
            return None;
        }
        for k in 0..4 {
            left[j][k] /= pivot;
            right[j][k] /= pivot;
        }
        for i in (0..4).filter(|i| *i != j) {
            let share = left[i][j];
            for k in 0..4 {
                left[i][k] -= share * left[j][k];
                right[i][k] -= share * right[j][k];
            }
        }
    }
    Some(right)
}
