//! Maxima of a profile: where, how high, how wide.

use crate::measure::light::profile::Profile;

/// A maximum.
#[derive(Clone, Copy, Debug)]
pub struct Maximum {
    /// |m λ| on the profile's scale, nm.
    pub nm: f64,
    /// Index of the highest value.
    pub index: usize,
    /// Height above the higher of the two valleys beside it.
    pub prominence: f64,
    /// Height above zero.
    pub height: f64,
    /// Full width at half prominence, nm.
    pub fwhm_nm: f64,
    /// Prominence over its noise.
    pub snr: f64,
    /// Greatest clipped share in its upper half.
    pub clipped: f64,
}

/// In a profile of fewer bins no maximum is told (no source).
const LEAST_BINS: usize = 7;
/// A line has no more of its upper half at the ceiling than this share…
const CLEAN_CLIPPED: f64 = 0.02;
/// …and stands on no more of something else than leaves it so much of its height.
const CLEAN_PROMINENCE: f64 = 0.8;

impl Maximum {
    /// True where hardly anything of it is at the ceiling.
    pub fn is_unclipped(&self) -> bool {
        self.clipped < CLEAN_CLIPPED
    }

    /// True where it shows a line's own width: not clipped, and standing by itself.
    pub fn is_clean(&self) -> bool {
        self.is_unclipped() && self.prominence > CLEAN_PROMINENCE * self.height
    }
}

/// Finds the maxima that stand out of the noise by `min_snr` sigma and by `min_share` of the highest value.
pub fn maxima(profile: &Profile, min_snr: f64, min_share: f64) -> Vec<Maximum> {
    let n = profile.len();
    if n < LEAST_BINS {
        return Vec::new();
    }
    // A binomial filter over three bins: the sampling is finer than the optics, so nothing is lost.
    let y: Vec<f64> = (0..n)
        .map(|i| {
            let a = profile.light[i.saturating_sub(1)];
            let b = profile.light[(i + 1).min(n - 1)];
            0.25 * a + 0.5 * profile.light[i] + 0.25 * b
        })
        .collect();
    let top = y.iter().copied().fold(0.0f64, f64::max);
    let mut found = Vec::new();
    let mut i = 1;
    while i + 1 < n {
        let mut j = i;
        while j + 1 < n && y[j + 1] == y[i] {
            j += 1;
        }
        if y[i] > y[i - 1] && j + 1 < n && y[j + 1] < y[i] {
            let peak = (i + j) / 2;
            let valley = |range: &mut dyn Iterator<Item = usize>| -> f64 {
                let mut low = y[peak];
                for k in range {
                    if y[k] > y[peak] {
                        return low;
                    }
                    low = low.min(y[k]);
                }
                low
            };
            let left = valley(&mut (0..peak).rev());
            let right = valley(&mut (peak + 1..n));
            let base = left.max(right);
            let prominence = y[peak] - base;
            let noise = profile.sigma[peak].max(1e-7);
            if prominence > min_snr * noise && prominence > min_share * top {
                let half = y[peak] - 0.5 * prominence;
                let mut l = peak;
                while l > 0 && y[l] > half {
                    l -= 1;
                }
                let mut r = peak;
                while r + 1 < n && y[r] > half {
                    r += 1;
                }
                let cross = |inside: usize, outside: usize| {
                    let t =
                        ((y[inside] - half) / (y[inside] - y[outside]).max(1e-30)).clamp(0.0, 1.0);
                    inside as f64 + t * (outside as f64 - inside as f64)
                };
                let (a, b) = (cross((l + 1).min(n - 1), l), cross(r - 1, r));
                // Centroid of the part above half: steadier than the highest bin.
                let (mut s, mut sx) = (0.0, 0.0);
                for (k, value) in y.iter().enumerate().take(r).skip(l + 1) {
                    let w = value - half;
                    s += w;
                    sx += w * k as f64;
                }
                let centre = if s > 0.0 { sx / s } else { peak as f64 };
                let clipped = profile.clipped[l..=r]
                    .iter()
                    .copied()
                    .fold(0.0f64, f64::max);
                found.push(Maximum {
                    nm: profile.nm(centre),
                    index: peak,
                    prominence,
                    height: y[peak],
                    fwhm_nm: (b - a) * profile.step_nm,
                    snr: prominence / noise,
                    clipped,
                });
            }
        }
        i = j + 1;
    }
    found
}
