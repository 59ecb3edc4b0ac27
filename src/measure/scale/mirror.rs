//! The two first orders show one spectrum: what stands at one place of one of them stands at the mirrored place of the other,
//! whatever it is.

use crate::measure::light::profile::{Profile, Slabs};
use crate::measure::optics::Rays;
use crate::measure::optics::adjust::Observation;

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
/// No two windows agree better than this, nm: neighbours share their pixels' grain, and the orders their own focus.
const FLOOR_NM: f64 = 0.06;
/// A window that is known no better than this says nothing, nm.
const WORST_NM: f64 = 1.0;
/// A window whose shift lies off the middle of all by more than so many of its sigmas, and by the floor, shows two different
/// things: dust, a ghost, a clipped line.
const ODD_SIGMAS: f64 = 4.0;
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
    let Some(middle) = weighted_middle(&shifts) else {
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

/// The shift, nm, with half of the windows' information on either side.
fn weighted_middle(shifts: &[Shift]) -> Option<f64> {
    let mut by_shift: Vec<(f64, f64)> = shifts
        .iter()
        .map(|s| (s.shift_nm, s.sigma_nm.powi(-2)))
        .collect();
    by_shift.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * by_shift.iter().map(|s| s.1).sum::<f64>();
    let mut sum = 0.0;
    by_shift.into_iter().find_map(|(shift_nm, weight)| {
        sum += weight;
        (sum >= half).then_some(shift_nm)
    })
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
        let (here, around) = (at(0.0)?, 0.5 * (at(-4.0)? + at(4.0)?));
        Some((here - around) / (here.abs() + around.abs() + 1e-3))
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

/// The shift of one window, from `start_nm` on: order +1 = gain · order −1 + level, both free, by least squares.
fn shift_at(minus: &Profile, plus: &Profile, nm: f64, start_nm: f64) -> Option<Shift> {
    let n = (2.0 * HALF_WINDOW_NM / plus.step_nm) as usize;
    let mut shift_nm = start_nm;
    let mut sigma_nm = f64::INFINITY;
    for _ in 0..6 {
        // Sums of the normal equations for gain, level and shift.
        let (mut a, mut y) = ([[0.0f64; 3]; 3], [0.0f64; 3]);
        let (mut yy, mut count) = (0.0, 0.0);
        for i in 0..n {
            let at = nm - HALF_WINDOW_NM + i as f64 * plus.step_nm;
            let here = |d: f64| light(minus, at - 0.5 * shift_nm + d);
            let (p, sp) = light(plus, at + 0.5 * shift_nm)?;
            let ((m, sm), (before, _), (after, _)) = (here(0.0)?, here(-0.5)?, here(0.5)?);
            let row = [m, 1.0, after - before];
            let variance = sp * sp + sm * sm + 1e-12;
            for (j, r) in row.iter().enumerate() {
                for (k, q) in row.iter().enumerate() {
                    a[j][k] += r * q / variance;
                }
                y[j] += r * p / variance;
            }
            yy += p * p / variance;
            count += 1.0;
        }
        let inverse = inverse(&a)?;
        let fitted: [f64; 3] = std::array::from_fn(|j| (0..3).map(|k| inverse[j][k] * y[k]).sum());
        let gain = fitted[0];
        let chi = (yy - (0..3).map(|k| fitted[k] * y[k]).sum::<f64>()).max(0.0);
        // p(at + s/2) = g m(at − s/2 + δ): the orders lie δ closer than supposed.
        let step_nm = fitted[2] / gain;
        let scatter = (chi / (count - 3.0)).max(1.0);
        if gain < CLEAR_SIGMAS * (inverse[0][0] * scatter).sqrt() {
            return None;
        }
        sigma_nm = (inverse[2][2] * scatter).sqrt() / gain;
        shift_nm -= step_nm.clamp(-1.0, 1.0);
        if step_nm.abs() < 0.01 {
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

/// Inverse of a symmetric 3 × 3 matrix; absent where it is singular.
fn inverse(a: &[[f64; 3]; 3]) -> Option<[[f64; 3]; 3]> {
    let minor = |i: usize, j: usize| {
        let (r, s) = ((i + 1) % 3, (i + 2) % 3);
        let (c, d) = ((j + 1) % 3, (j + 2) % 3);
        a[r][c] * a[s][d] - a[r][d] * a[s][c]
    };
    let determinant: f64 = (0..3).map(|j| a[0][j] * minor(0, j)).sum();
    let scale: f64 = (0..3).map(|i| a[i][i]).product();
    (determinant > 1e-12 * scale)
        .then(|| std::array::from_fn(|i| std::array::from_fn(|j| minor(j, i) / determinant)))
}
