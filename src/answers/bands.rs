//! Reading an absorbance curve: the value at one wavelength, the place where a series is best read, and its bands.
//! The curve is taken as measured; nothing here knows the blank.

use super::means::common_mean;
use crate::terms::Estimate;

/// A curve is read as a mean over this much to each side: a few bandpasses, and little against a dye's band, nm.
const HALF_WINDOW_NM: f64 = 2.0;

/// A series is read, and bands are looked for, within these wavelengths, nm: where phones see, and a little beyond (no source).
const READ_NM: std::ops::RangeInclusive<i32> = 420..=680;
const BANDS_NM: std::ops::RangeInclusive<i32> = 380..=760;
/// A place is as good as the best where its uncertainty is so many times as large (no source).
const NEARLY_BEST: f64 = 1.25;
/// A band stands out of its valleys by so much absorbance, and by so many uncertainties.
const LEAST_PROMINENCE: f64 = 0.03;
const PROMINENT_SIGMAS: f64 = 5.0;
/// A band's centre is the centroid of this upper share of it.
const CAP_SHARE: f64 = 0.2;

/// A row of an absorbance curve: wavelength (nm) and absorbance, absent where it means nothing.
pub type Row = (f64, Option<Estimate>);

/// A band of absorption.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Wavelength of its top, nm.
    pub centre_nm: Estimate,
    /// Full width at half of its height above the valleys beside it, nm.
    pub fwhm_nm: Estimate,
    /// Absorbance at the top.
    pub absorbance: Estimate,
}

/// Pixels whose noise is independent in a reading's 4 nm: about nine, of which filling in and smoothing of colours leave
/// three (drawn photos: the scatter of readings about their line is that of three).
const INDEPENDENT: f64 = 3.0;

/// A signal at a wavelength as [`at`], with the uncertainty that independent noise leaves of it.
pub fn noise_at(rows: &[Row], wavelength_nm: f64) -> Option<Estimate> {
    at(rows, wavelength_nm).map(|e| Estimate {
        sigma: e.sigma / INDEPENDENT.sqrt(),
        ..e
    })
}

/// Absorbance at a wavelength: mean of the rows within 2 nm; absent where half of them are.
///
/// Neighbouring rows share their pixels and the photo's common errors: the mean's uncertainty is taken as that of one row.
/// `rows` rise in wavelength.
pub fn at(rows: &[Row], wavelength_nm: f64) -> Option<Estimate> {
    let first = rows.partition_point(|r| r.0 < wavelength_nm - HALF_WINDOW_NM);
    let past = rows.partition_point(|r| r.0 <= wavelength_nm + HALF_WINDOW_NM);
    let near = &rows[first..past];
    let known: Vec<Estimate> = near.iter().filter_map(|r| r.1).collect();
    common_mean(&known).filter(|_| known.len() * 2 >= near.len())
}

/// Where a series is best read, nm: the highest absorbance of the sum of the curves among the places where all of them are
/// known and the highest is known, as a share of itself, nearly as well as anywhere. Absent where there is no such place.
pub fn best_wavelength(curves: &[&[Row]]) -> Option<f64> {
    let all: Vec<(f64, f64, f64)> = READ_NM
        .map(f64::from)
        .filter_map(|nm| {
            let read: Option<Vec<Estimate>> = curves.iter().map(|c| at(c, nm)).collect();
            let read = read?;
            let top = read.iter().max_by(|a, b| a.value.total_cmp(&b.value))?;
            let height = read.iter().map(|e| e.value).sum::<f64>();
            (top.value > 0.0).then_some((nm, height, top.sigma / top.value))
        })
        .collect();
    let best = all.iter().map(|p| p.2).reduce(f64::min)?;
    all.into_iter()
        .filter(|p| p.2 <= NEARLY_BEST * best)
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|p| p.0)
}

/// Bands that stand out of the valleys beside them by five uncertainties and by 0.03, rising in wavelength.
///
/// `sigma_nm` is the scale's own uncertainty.
pub fn bands(rows: &[Row], sigma_nm: f64) -> Vec<Band> {
    let smooth: Vec<(f64, Estimate)> = BANDS_NM
        .map(f64::from)
        .filter_map(|nm| Some((nm, at(rows, nm)?)))
        .collect();
    let value = |i: usize| smooth[i].1.value;
    let mut found = Vec::new();
    for i in 1..smooth.len().saturating_sub(1) {
        if value(i) <= value(i - 1) || value(i) < value(i + 1) {
            continue;
        }
        let valley = |range: &mut dyn Iterator<Item = usize>| {
            let mut low = value(i);
            for k in range {
                if value(k) > value(i) {
                    break;
                }
                low = low.min(value(k));
            }
            low
        };
        let base = valley(&mut (0..i).rev()).max(valley(&mut (i + 1..smooth.len())));
        let prominence = value(i) - base;
        let top = smooth[i].1;
        if prominence < LEAST_PROMINENCE || prominence < PROMINENT_SIGMAS * top.sigma {
            continue;
        }
        let half = value(i) - 0.5 * prominence;
        let low = (0..i).rev().find(|k| value(*k) < half).unwrap_or(0);
        let high = (i + 1..smooth.len())
            .find(|k| value(*k) < half)
            .unwrap_or(smooth.len() - 1);
        let fwhm_nm = smooth[high].0 - smooth[low].0;
        // How far noise moves the two crossings: its share of the flanks' steepness; and half a step each.
        let steepness = prominence / fwhm_nm.max(1.0);
        let crossing = (top.sigma / steepness).hypot(0.5);
        // Centroid of the upper fifth; noise shifts a flat top by σ/height of the width.
        let cap = value(i) - CAP_SHARE * prominence;
        let (mut s, mut sx) = (0.0, 0.0);
        for (nm, e) in &smooth[low..=high] {
            let w = (e.value - cap).max(0.0);
            s += w;
            sx += w * nm;
        }
        found.push(Band {
            centre_nm: Estimate::new(
                sx / s,
                (0.5 * fwhm_nm * top.sigma / prominence).hypot(sigma_nm),
            ),
            fwhm_nm: Estimate::new(fwhm_nm, 2f64.sqrt() * crossing),
            absorbance: top,
        });
    }
    found
}

/// The edge of a filter's transmittance: a cut-on or a cut-off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edge {
    /// Wavelength half-way between its two levels, nm.
    pub nm: Estimate,
    /// Width from a tenth to nine tenths of the way, nm.
    pub width_nm: f64,
}

/// Where an edge is looked for, nm.
const EDGES_NM: std::ops::RangeInclusive<i32> = 400..=720;
/// Widest edge, nm.
const WIDEST_EDGE_NM: f64 = 60.0;
/// An edge begins and ends at these shares of its step (no source)…
const EDGE_FROM: f64 = 0.1;
const EDGE_TO: f64 = 0.9;
/// …with so much of the step between them.
pub(super) const EDGE_PART: f64 = EDGE_TO - EDGE_FROM;
/// Smallest step of transmittance at an edge; the lower level must be less than this share of the upper one, too.
const LEAST_STEP: f64 = 0.3;
const MOST_LOW: f64 = 0.5;
/// Share of the step within which the levels beside an edge must hold, to the end of what is known.
const LEVEL_HOLDS: f64 = 0.25;
/// Shortest stretch beside an edge over which its level is known, nm.
const LEVEL_NM: usize = 20;

/// The one edge of a transmittance (`rows`, rising in wavelength): what lies on one side of it passes, what lies on the other
/// does not. Absent where there is none, or several: a dye's band has two flanks and is no edge. In a light's own spectrum
/// edges are mostly those of the phone's colour filters: they are not looked for.
///
/// `sigma_nm` is the scale's own uncertainty.
pub fn edge(rows: &[Row], sigma_nm: f64) -> Option<Edge> {
    let known: Vec<(f64, Estimate)> = EDGES_NM
        .map(f64::from)
        .filter_map(|nm| Some((nm, at(rows, nm)?)))
        .collect();
    let n = known.len();
    if n < 3 * LEVEL_NM {
        return None;
    }
    let mean =
        |part: &[(f64, Estimate)]| part.iter().map(|p| p.1.value).sum::<f64>() / part.len() as f64;
    let (first, last) = (mean(&known[..LEVEL_NM]), mean(&known[n - LEVEL_NM..]));
    let (low, step) = (first.min(last), (last - first).abs());
    if step < LEAST_STEP || low > MOST_LOW * (low + step) {
        return None;
    }
    let share = |p: &(f64, Estimate)| (p.1.value - first) / (last - first);
    let crossing = |level: f64| -> Option<f64> {
        let i = known.iter().position(|p| share(p) >= level)?;
        let (a, b) = (known.get(i.checked_sub(1)?)?, &known[i]);
        let t = (level - share(a)) / (share(b) - share(a));
        Some(a.0 + t * (b.0 - a.0))
    };
    let (start, middle, end) = (crossing(EDGE_FROM)?, crossing(0.5)?, crossing(EDGE_TO)?);
    let width_nm = end - start;
    let holds = known.iter().all(|p| {
        let before = p.0 > start - LEVEL_NM as f64 || share(p).abs() < LEVEL_HOLDS;
        let after = p.0 < end + LEVEL_NM as f64 || (share(p) - 1.0).abs() < LEVEL_HOLDS;
        before && after
    });
    let once = known
        .windows(2)
        .filter(|w| (share(&w[0]) < 0.5) != (share(&w[1]) < 0.5))
        .count()
        == 1;
    let sigma = known
        .iter()
        .min_by(|a, b| (a.0 - middle).abs().total_cmp(&(b.0 - middle).abs()))?
        .1
        .sigma;
    (holds && once && width_nm < WIDEST_EDGE_NM).then_some(Edge {
        nm: Estimate::new(
            middle,
            (sigma / step * width_nm / EDGE_PART).hypot(sigma_nm),
        ),
        width_nm,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(height: f64) -> Vec<Row> {
        (0..=600)
            .map(|i| {
                let nm = 420.125 + 0.5 * f64::from(i);
                let value = height * (-0.5 * ((nm - 525.0) / 20.0f64).powi(2)).exp();
                let sigma = if nm < 440.0 { 0.05 } else { 0.004 };
                (nm, (nm < 690.0).then_some(Estimate::new(value, sigma)))
            })
            .collect()
    }

    #[test]
    fn a_series_is_read_where_it_absorbs_most_and_a_band_has_its_width() {
        let (a, b) = (curve(0.2), curve(0.6));
        assert_eq!(best_wavelength(&[&a, &b]), Some(525.0));
        let found = bands(&b, 0.1);
        assert_eq!(found.len(), 1);
        assert!((found[0].centre_nm.value - 525.0).abs() < 0.3);
        assert!(
            (found[0].fwhm_nm.value - 47.1).abs() < 2.5,
            "{}",
            found[0].fwhm_nm.value
        );
        assert!(bands(&curve(0.01), 0.1).is_empty());
        assert_eq!(best_wavelength(&[]), None);
    }

    #[test]
    fn where_the_curve_means_nothing_there_is_no_value() {
        assert_eq!(at(&curve(0.5), 700.0), None);
        assert!((at(&curve(0.5), 525.0).unwrap().value - 0.5).abs() < 0.002);
    }

    #[test]
    fn a_filter_has_an_edge_and_a_dye_and_clear_glass_have_none() {
        let curve = |of: &dyn Fn(f64) -> f64| -> Vec<Row> {
            (0..=350)
                .map(|i| 380.0 + f64::from(i))
                .map(|nm| {
                    let e = Estimate::new(of(nm), 0.01);
                    (nm, Some(e))
                })
                .collect()
        };
        // A cut-on filter: a logistic step at 590 nm, a tenth to nine tenths within 4.4 of its lengths.
        let red = curve(&|nm| 0.02 + 0.88 / (1.0 + (-(nm - 590.0) / 5.0f64).exp()));
        let found = edge(&red, 0.1).unwrap();
        assert!((found.nm.value - 590.0).abs() < 0.2, "{found:?}");
        assert!((found.width_nm - 22.0).abs() < 1.5, "{found:?}");
        let blue = curve(&|nm| 0.9 - 0.85 / (1.0 + (-(nm - 500.0) / 8.0f64).exp()));
        assert!((edge(&blue, 0.1).unwrap().nm.value - 500.0).abs() < 0.3);
        let dye = curve(&|nm| 10f64.powf(-0.8 * (-0.5 * ((nm - 525.0) / 20.0).powi(2)).exp()));
        assert_eq!(edge(&dye, 0.1), None);
        assert_eq!(edge(&curve(&|_| 0.9), 0.1), None);
        assert_eq!(edge(&[], 0.1), None);
    }
}
