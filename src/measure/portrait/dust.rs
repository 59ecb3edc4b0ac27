//! Dust on the slit's blades: streaks along the dispersion, dark in all colours. Nicks in the blades make them too.

use crate::frame::Frame;
use crate::measure::light::profile::Profile;
use crate::measure::optics::Rays;
use crate::measure::optics::bins::{Beside, Every, Window, bin};
use crate::terms::{Estimate, Interval, SIGMA_PER_MEDIAN, centroid, median};

/// On a shorter image of the slit, px, streaks are not told apart from the ends.
const SHORTEST_PX: f64 = 60.0;
/// Wavelengths are looked at in blocks of this width, px: in wider ones a line would count more where two rows of pixels fall
/// on one height than where one does.
const BLOCK_PX: f64 = 2.0;
/// A block counts that has this share of the brightest one's light, and fewer pixels at the ceiling than that.
const BRIGHT_SHARE: f64 = 0.1;
const CLIPPED_SHARE: f64 = 0.02;
/// …and so many times what lies beyond the slit's ends: stray light has streaks of its own.
const OVER_STRAY: f64 = 2.0;
/// So many of them are needed: one line alone can be a laser's, with the speckle of its light.
const LEAST_BLOCKS: usize = 5;
/// Beyond the slit's ends so much of its half length is dark.
const AROUND: f64 = 0.35;
/// Within so many px of its ends the slit fades out.
const END_PX: f64 = 4.0;
/// What the slit's light is without dust is taken from so much of its length around: longer than dust, shorter than the lamp.
const AROUND_SHARE: f64 = 0.16;
/// …and over so many heights at least; so many heights at least must be lit between the ends (no source).
const LEAST_AROUND: usize = 24;
const LEAST_HEIGHTS: usize = 40;
/// Within so many of the picture's own blurs of its ends the slit fades out, too (no source).
const END_BLURS: f64 = 3.0;
/// Streaks are looked for in this light, nm (no source).
const LOOKED_AT_NM: (f64, f64) = (400.0, 700.0);
/// At first the light without dust is the level that three eighths of the heights around exceed (no source).
const CLEAN: (usize, usize) = (5, 8);
/// A streak takes so much of the light at least, and so many times what the light scatters by beside it.
const LEAST_DEPTH: f64 = 0.03;
const OUT_OF_SCATTER: f64 = 4.0;

/// Dark streaks along the dispersion.
#[derive(Clone, Debug)]
pub struct Dust {
    /// Share of the slit's light that they take, 0…1.
    pub share: Estimate,
    /// Height β − β_mid of each, and how much of the light it takes where it is darkest, 0…1, as blurred as the picture is.
    pub streaks: Vec<(f64, f64)>,
}

/// Looks for streaks in the order of `profile`, between the slit's ends `beta`, in a picture blurred by `blur_px`.
///
/// Refuses where too little is lit without clipping, or the slit is shorter than 60 px.
pub fn dust(
    frame: &Frame,
    rays: &Rays,
    profile: &Profile,
    beta: Interval,
    focal_px: f64,
    blur_px: f64,
) -> Option<Dust> {
    let half = 0.5 * beta.width();
    let px = 2.0 * half * focal_px;
    if px < SHORTEST_PX || profile.is_empty() {
        return None;
    }
    let (low, high) = (
        profile.nm(0.0).max(LOOKED_AT_NM.0),
        profile.nm(profile.len() as f64 - 1.0).min(LOOKED_AT_NM.1),
    );
    let step = BLOCK_PX / rays.px_per_nm(profile.sign * 0.5 * (low + high))?;
    let blocks = ((high - low) / step) as usize;
    if blocks < 2 {
        return None;
    }
    let range = Interval::new(low, low + blocks as f64 * step);
    let around = AROUND * half;
    let beta_bins = ((2.0 * (half + around)) * focal_px) as usize;
    let window = Window {
        path_nm: range.on_side(profile.sign),
        path_step_nm: step,
        beta: beta.widened(around),
        beta_bins,
        every: Every::PIXEL,
        beside: Beside::default(),
    };
    let grid = bin(frame, rays, window);
    let per_bin = 2.0 * (half + around) / beta_bins as f64;
    let margin = (END_PX.max(END_BLURS * blur_px) / focal_px / per_bin).ceil() as usize;
    let edge = (around / per_bin).round() as usize;
    let (first, last) = (edge + margin, beta_bins.checked_sub(edge + margin)?);
    if last < first + LEAST_HEIGHTS {
        return None;
    }
    let outside = edge.saturating_sub(margin);
    // Light by height of each block, what lies beyond the slit's ends taken off.
    let mut rows: Vec<(f64, Vec<f64>)> = (0..grid.path_bins)
        .filter_map(|j| {
            let row: Vec<Option<f64>> = (0..beta_bins)
                .map(|b| grid.mean(b, j).map(|c| (c[0] + c[1] + c[2]) / 3.0))
                .collect();
            let row = filled(&row)?;
            let clipped = (first..last).map(|b| grid.clipped_share(b, j)).sum::<f64>();
            let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len().max(1) as f64;
            let (a, b) = (mean(&row[..outside]), mean(&row[beta_bins - outside..]));
            let inside: Vec<f64> = (first..last)
                .map(|i| row[i] - a - (b - a) * i as f64 / beta_bins as f64)
                .collect();
            let level = mean(&inside);
            let is_sound = clipped < CLIPPED_SHARE * (last - first) as f64
                && level > OVER_STRAY * 0.5 * (a + b);
            is_sound.then_some((level, inside))
        })
        .collect();
    let top = rows.iter().map(|r| r.0).fold(0.0, f64::max);
    rows.retain(|r| r.0 > BRIGHT_SHARE * top);
    if rows.len() < LEAST_BLOCKS || top <= 0.0 {
        return None;
    }
    let sum: Vec<f64> = (0..last - first)
        .map(|i| rows.iter().map(|r| r.1[i]).sum())
        .collect();
    // A binomial filter over three heights: rows of pixels do not fall evenly on them, and the lens has blurred more.
    let at = |i: usize| sum[i.min(sum.len() - 1)];
    let light: Vec<f64> = (0..sum.len())
        .map(|i| 0.25 * at(i.saturating_sub(1)) + 0.5 * at(i) + 0.25 * at(i + 1))
        .collect();
    let found = streaks(&light, ((px * AROUND_SHARE) as usize).max(LEAST_AROUND))?;
    Some(Dust {
        share: found.share,
        streaks: found
            .places
            .iter()
            .map(|(place, depth)| {
                (
                    window.beta.low + (first as f64 + place + 0.5) * per_bin,
                    *depth,
                )
            })
            .collect(),
    })
}

/// Bins in which no pixel fell take their neighbours' mean; none where two lie side by side.
pub fn filled(row: &[Option<f64>]) -> Option<Vec<f64>> {
    let n = row.len();
    let at = |i: usize| {
        row[i].or_else(|| Some(0.5 * (row[i.checked_sub(1)?]? + row[(i + 1).min(n - 1)]?)))
    };
    (0..n).map(at).collect()
}

struct Streaks {
    share: Estimate,
    /// Place (index) and depth.
    places: Vec<(f64, f64)>,
}

/// A dip whose darkest place is nearer to where the light ends than this, in values, is the slit's end.
const END: usize = 3;
/// A streak fades out within so many values.
const FLANK: usize = 6;
/// Dust leaves most of a slit clean, even that of a dirty one. Where more of it than this share looks dusty, the light itself is
/// uneven, as a laser's is.
const MOST_DUST: f64 = 0.45;

/// What just escapes notice may be as much as two or three grains over two values each…
const UNTOLD: f64 = 5.0;
/// …and blades that are not straight make the light beside a streak uncertain by this share of the streak (drawn blades).
const TREND_SHARE: f64 = 0.12;
/// Where only deeper streaks than this would be told, none are looked for.
const DEEPEST: f64 = 0.2;

/// Dips of `light` below what it is over `window` values around.
fn streaks(light: &[f64], window: usize) -> Option<Streaks> {
    let n = light.len();
    let mut counts = vec![true; n];
    let mut left = vec![1.0; n];
    let mut scatter = 0.0;
    let mut deep = 0.0;
    for round in 0..4 {
        for i in 0..n {
            let range = i.saturating_sub(window / 2)..(i + window / 2 + 1).min(n);
            let mut around: Vec<(f64, f64)> = range
                .clone()
                .filter(|&k| counts[k])
                .map(|k| (k as f64 - i as f64, light[k]))
                .collect();
            if around.len() < window / 4 {
                around = range.map(|k| (k as f64 - i as f64, light[k])).collect();
            }
            left[i] = light[i] / level(&mut around, round == 0);
        }
        // Of what is brighter than its surroundings: what is darker may be dust.
        let off = left.iter().map(|v| v - 1.0).filter(|v| *v > 0.0);
        scatter = SIGMA_PER_MEDIAN * median(off)?;
        deep = LEAST_DEPTH.max(OUT_OF_SCATTER * scatter);
        counts = (0..n).map(|i| left[i] > 1.0 - 0.5 * deep).collect();
    }
    if !left.iter().all(|v| v.is_finite()) {
        return None;
    }
    let mut places = Vec::new();
    let (mut taken, mut covered, mut dark) = (0.0, 0.0, 0.0);
    let mut i = 0;
    while i < n {
        if counts[i] {
            i += 1;
            continue;
        }
        let from = i;
        while i < n && !counts[i] {
            i += 1;
        }
        let darkest = (from..i).min_by(|&a, &b| left[a].total_cmp(&left[b]))?;
        let depth = 1.0 - left[darkest];
        if depth < deep {
            continue;
        }
        // What reaches to the end of the slit is its end.
        if darkest < END || darkest + END >= n {
            continue;
        }
        // Its flanks too, to where the light is as beside it.
        let (mut a, mut b) = (from, i);
        while a > 0 && from - a < FLANK && left[a - 1] < 1.0 {
            a -= 1;
        }
        while b < n && b - i < FLANK && left[b] < 1.0 {
            b += 1;
        }
        places.push((darkest as f64, depth));
        taken += left[a..b].iter().map(|v| 1.0 - v).sum::<f64>();
        covered += (b - a) as f64;
        dark += (i - from) as f64;
    }
    let n = n as f64;
    if dark > MOST_DUST * n || deep > DEEPEST {
        return None;
    }
    // Neighbouring values share their noise, and all of a streak its level.
    let noise = scatter * (3.0 * covered).sqrt() / n;
    let by_level = scatter * (3.0 / window as f64).sqrt() * 3.0f64.sqrt() * covered / n;
    let untold = deep * UNTOLD / n;
    let by_trend = TREND_SHARE * taken / n;
    Some(Streaks {
        share: Estimate::new(
            taken / n,
            noise.hypot(by_level).hypot(untold).hypot(by_trend),
        ),
        places,
    })
}

/// Light at distance 0 of `around` (distance, light): a straight line through it, or the upper quarter at first.
fn level(around: &mut [(f64, f64)], is_first: bool) -> f64 {
    if is_first {
        around.sort_by(|a, b| a.1.total_cmp(&b.1));
        return around[around.len() * CLEAN.0 / CLEAN.1].1;
    }
    let (mx, my) = centroid(around);
    let sxx: f64 = around.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let sxy: f64 = around.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    if sxx <= 0.0 { my } else { my - mx * sxy / sxx }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Light of a slit lit from one side, with noise that repeats, and dust: (place, width, depth) of each grain.
    fn slit(dust: &[(f64, f64, f64)]) -> Vec<f64> {
        (0..220)
            .map(|i| {
                let x = f64::from(i);
                let noise = 0.004 * ((7.3 * x).sin() + (2.9 * x).cos());
                let grains = dust.iter().map(|(at, width, depth)| {
                    1.0 - depth * (-0.5 * ((x - at) / width).powi(2)).exp()
                });
                (1.0 + 0.002 * (x - 110.0) + noise) * grains.product::<f64>()
            })
            .collect()
    }

    #[test]
    fn dust_is_what_falls_short_of_the_light_beside_it() {
        let dust = [(60.0, 2.0, 0.5), (130.0, 1.5, 0.15)];
        let found = streaks(&slit(&dust), 34).unwrap();
        // The area of a Gaussian is √(2π) of its depth and width.
        let truth: f64 = dust.iter().map(|(_, w, d)| 2.5066 * w * d / 220.0).sum();
        let share = found.share;
        assert!(
            (share.value - truth).abs() < 2.0 * share.sigma,
            "{share:?}, {truth}"
        );
        assert!(share.sigma < 0.3 * truth, "{share:?}");
        let places: Vec<f64> = found.places.iter().map(|p| p.0).collect();
        assert_eq!(places, [60.0, 130.0]);
        assert!((found.places[0].1 - 0.5).abs() < 0.05, "{:?}", found.places);
    }

    #[test]
    fn uneven_light_is_no_dust_and_light_in_spots_is_refused() {
        let clean = streaks(&slit(&[]), 34).unwrap();
        assert!(clean.places.is_empty() && clean.share.value == 0.0);
        // Where the slit ends is no streak.
        assert!(
            streaks(&slit(&[(0.0, 3.0, 0.8)]), 34)
                .unwrap()
                .places
                .is_empty()
        );
        // A laser's speckle.
        let spots: Vec<f64> = (0..220u64)
            .map(|i| f64::from((i / 3 * 2_654_435_761 % 97) as u32) / 97.0 + 0.1)
            .collect();
        assert!(streaks(&spots, 34).is_none());
    }
}
