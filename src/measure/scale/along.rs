//! Clear lines followed along the slit: how they slant and bow.

use crate::measure::light::profile::{Order, SLABS, Slabs};
use crate::measure::optics::Rays;
use crate::measure::optics::adjust::Observation;
use crate::measure::scale::evidence::FittedGroup;
use crate::terms::{Lamp, SIGMA_PER_MEDIAN, median};

/// A line is followed from this signal to noise on.
const CLEAR_SNR: f64 = 25.0;
/// How far to either side of a line its light counts, widths at half height.
const REACH: f64 = 1.1;
/// A slab's centroid scatters by this share of the line's width at least: dust and grain (drawn photos).
const LEAST_SCATTER: f64 = 0.03;

/// The clear lines followed along the slit, slab by slab.
pub fn along_slit(
    order: &Order,
    rays: &Rays,
    lamp: &Lamp,
    groups: &[FittedGroup],
    fwhm_nm: f64,
) -> Vec<Observation> {
    let slabs = &order.slabs;
    let sign = order.profile.sign;
    let mut out = Vec::new();
    for group in groups
        .iter()
        .filter(|g| g.sign == sign && g.fit.snr > CLEAR_SNR && !g.fit.clipped)
    {
        // The whole of a blend: a window on its middle alone would slide to one line here and to the other there.
        let nm = |i: &usize| lamp.lines[*i].wavelength_nm;
        let lowest = group.lines.iter().map(nm).fold(f64::INFINITY, f64::min);
        let highest = group.lines.iter().map(nm).fold(0.0f64, f64::max);
        let reach_nm = REACH * fwhm_nm + 0.5 * (highest - lowest);
        let measured = group.fit.wavelength_nm + group.fit.shift_nm;
        // On the binned scale, where the slabs are.
        let mut at = Vec::new();
        for k in 0..SLABS {
            let beta = slabs.beta(k);
            let Some(pixel) = rays.pixel_of_path(sign * measured, beta) else {
                continue;
            };
            let expected = slabs.rays.path_nm(pixel);
            if let Some(path) = slab_centroid(slabs, k, expected, reach_nm)
                && let Some(p) = slabs.rays.pixel_of_path(path, beta)
            {
                at.push(p);
            }
        }
        if at.len() >= SLABS / 2 {
            // Scatter of neighbours about their mean line: what noise and dust do, whatever the line's slant.
            let paths: Vec<f64> = at.iter().map(|p| rays.path_nm(*p)).collect();
            let bends = paths.windows(3);
            let bends = bends.map(|w| (w[0] - 2.0 * w[1] + w[2]).abs() / 6f64.sqrt());
            let scatter = SIGMA_PER_MEDIAN * median(bends).unwrap_or(0.0);
            out.push(Observation::SamePath {
                at,
                sigma_nm: scatter.max(LEAST_SCATTER * fwhm_nm),
            });
        }
    }
    out
}

/// Centroid (m λ, binned scale) of what stands above a straight base within ± `reach_nm`; two passes.
fn slab_centroid(slabs: &Slabs, k: usize, start_path: f64, reach_nm: f64) -> Option<f64> {
    let step = (slabs.path_nm(1) - slabs.path_nm(0)).abs();
    let reach = (reach_nm / step).ceil() as i64;
    let mut middle = start_path;
    for _ in 0..3 {
        let j0 = ((middle - slabs.path_nm(0)) / step).round() as i64;
        if j0 - reach < 0 || j0 + reach >= slabs.len() as i64 {
            return None;
        }
        let light = |j: i64| slabs.light(k, j as usize).map(|c| c[0] + c[1] + c[2]);
        let (a, b) = (light(j0 - reach)?, light(j0 + reach)?);
        let (mut s, mut sx) = (0.0, 0.0);
        for j in -reach..=reach {
            let base = a + (b - a) * (j + reach) as f64 / (2 * reach) as f64;
            // A window with soft edges, so that the centroid moves smoothly with its middle.
            let taper = 1.0 - (j as f64 / (reach as f64 + 1.0)).powi(4);
            let w = (light(j0 + j)? - base).max(0.0) * taper;
            s += w;
            sx += w * slabs.path_nm((j0 + j) as usize);
        }
        if s <= 0.0 {
            return None;
        }
        let next = sx / s;
        if (next - start_path).abs() > reach_nm {
            return None;
        }
        middle = next;
    }
    Some(middle)
}
