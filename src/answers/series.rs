//! A dilution series: the line of Beer and Lambert through standards of known concentration, what it can detect, and an
//! unknown's concentration. Absorbances are taken as they are, whatever wavelength they were read at.

use super::means::{WeightedMean, weight};
use super::quantile::{fisher_f, student_t};
use super::refusal::Refusal;
use crate::terms::{Estimate, sorted};

/// How many repeats' worth the stated uncertainties are trusted: they come from scatter along the slit and from floors
/// known to about 20 %, and a standard deviation known to 20 % has 1/(2·0.2²) ≈ 12 degrees of freedom (JCGM 100, G.4.2).
pub const STATED_FREEDOM: f64 = 12.0;
/// A slope of fewer of its standard uncertainties is refused: the interval of an unknown would have no sensible ends.
const LEAST_SLOPE: f64 = 4.0;
/// Standards that lie as far from their line as chance would have it once in a thousand times do not belong to one line.
const SURELY_BENT: f64 = 0.999;
/// A parabola fits better beyond doubt where chance would have it once in a hundred times (Mandel's test; the level has no source)…
const SURELY_A_PARABOLA: f64 = 0.99;
/// …of so many standards at least, and of so many where nothing but their scatter says how uncertain they are…
const LEAST_FOR_A_BEND: f64 = 4.0;
const LEAST_BY_SCATTER: f64 = 5.0;
/// …and a bend below a tenth of the stated uncertainties is no matter: the square of that (no source).
const LEAST_NOISE: f64 = 0.01;
/// Intervals hold 95 %, two-sided.
const UPPER_END: f64 = 0.975;
/// Standard deviations near zero at the limit of detection (IUPAC Gold Book, limit of detection, k = 3; not the 3.3 of other rules)…
const DETECTED: f64 = 3.0;
/// …and of quantification (Currie, Pure Appl. Chem. 67 (1995) 1699: k = 10).
const QUANTIFIED: f64 = 10.0;
/// Concentrations up to this many times the highest standard are given; beyond, the line would be extrapolated.
const BEYOND: f64 = 1.05;

/// A solution of known concentration.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Standard {
    /// Concentration, in whatever unit all of the series have.
    pub concentration: f64,
    /// Absorbance of the solution.
    pub absorbance: Estimate,
}

/// The line through a series: absorbance = intercept + slope · concentration.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Absorbance per unit of concentration.
    pub slope: Estimate,
    /// Absorbance at concentration 0.
    pub intercept: Estimate,
    /// Covariance of the two.
    pub covariance: f64,
    /// Square root of χ² per degree of freedom: about 1 where the stated uncertainties are right.
    pub scatter: f64,
    /// By what the stated uncertainties are multiplied, from `scatter` and the trust in them.
    pub inflation: f64,
    /// Degrees of freedom behind the interval's t.
    pub freedom: f64,
    /// Residuals of all standards in the order given, those beyond the linear range included.
    pub residuals: Vec<f64>,
    /// Lowest and highest concentration of the linear range.
    pub range: (f64, f64),
    /// Standards left out above the linear range.
    pub left_out: usize,
    /// Standard deviation of the absorbance near concentration 0, from which the two limits follow.
    pub near_zero: f64,
}

/// Fits the line with weights 1/σ².
///
/// `stated_freedom` is the trust in the stated uncertainties ([`STATED_FREEDOM`]); 0 takes from them the weights alone, and
/// with equal ones that is ordinary least squares. The scatter of the residuals and the stated uncertainties are pooled as
/// variances with their degrees of freedom. The highest level is left out, again and again, while a parabola is better than
/// the line by Mandel's test at 99 % (ISO 8466-1:1990, 4.1.3; the noise is pooled with the stated one, as for the line) and
/// more than three levels remain.
///
/// # Errors
/// `too-few-levels` below three different concentrations: two points always lie on a line. `no-slope` where the absorbance
/// does not rise with the concentration beyond doubt. `not-straight` where what is left does not lie on a line within what the
/// uncertainties allow (F test of χ² per degree of freedom at 99.9 %): a label may be wrong, or a photo, or the range too long.
pub fn fit(standards: &[Standard], stated_freedom: f64) -> Result<Line, Refusal> {
    let mut levels = sorted(standards.iter().map(|s| s.concentration));
    levels.dedup();
    if levels.len() < 3 {
        return Err(Refusal::new(
            "too-few-levels",
            format!(
                "a line needs at least three different concentrations to show whether it is one; there are {}",
                levels.len()
            ),
        ));
    }
    let mut used: Vec<Standard> = standards.to_vec();
    let mut top = *levels.last().expect("three");
    while levels.len() > 3 && is_bent(&used, stated_freedom) {
        levels.pop();
        top = *levels.last().expect("three");
        used.retain(|s| s.concentration <= top);
    }
    let mut line = straight(&used, stated_freedom)?;
    let freedom = used.len() as f64 - 2.0;
    if stated_freedom > 0.0 && line.scatter.powi(2) > fisher_f(SURELY_BENT, freedom, stated_freedom)
    {
        return Err(not_straight(&used, &line));
    }
    line.range = (levels[0], top);
    line.left_out = standards.len() - used.len();
    line.residuals = standards
        .iter()
        .map(|s| s.absorbance.value - line.intercept.value - line.slope.value * s.concentration)
        .collect();
    Ok(line)
}

fn straight(used: &[Standard], stated_freedom: f64) -> Result<Line, Refusal> {
    let sum = |f: &dyn Fn(&Standard) -> f64| {
        used.iter()
            .map(|s| weight(s.absorbance.sigma) * f(s))
            .sum::<f64>()
    };
    let w = sum(&|_| 1.0);
    let (x0, y0) = (
        sum(&|s| s.concentration) / w,
        sum(&|s| s.absorbance.value) / w,
    );
    // About the weighted mean, where slope and level do not depend on each other: nothing cancels.
    let sxx = sum(&|s| (s.concentration - x0).powi(2));
    let slope = sum(&|s| (s.concentration - x0) * (s.absorbance.value - y0)) / sxx;
    let chi2 = sum(&|s| (s.absorbance.value - y0 - slope * (s.concentration - x0)).powi(2));
    let freedom = used.len() as f64 - 2.0;
    let pooled = stated_freedom + freedom;
    let inflation = ((stated_freedom + chi2) / pooled.max(1e-12)).sqrt();
    let (level_var, slope_var) = (inflation.powi(2) / w, inflation.powi(2) / sxx);
    let lowest = used
        .iter()
        .min_by(|a, b| a.concentration.total_cmp(&b.concentration))
        .map_or(0.0, |s| s.absorbance.sigma);
    let line = Line {
        slope: Estimate::new(slope, slope_var.sqrt()),
        intercept: Estimate::new(y0 - slope * x0, (level_var + x0 * x0 * slope_var).sqrt()),
        covariance: -x0 * slope_var,
        scatter: (chi2 / freedom.max(1.0)).sqrt(),
        inflation,
        freedom: pooled,
        residuals: Vec::new(),
        range: (0.0, 0.0),
        left_out: 0,
        near_zero: inflation * lowest,
    };
    if stated_freedom > 0.0 && line.slope.value < LEAST_SLOPE * line.slope.sigma {
        return Err(Refusal::new(
            "no-slope",
            format!(
                "the absorbance does not rise clearly with the concentration (slope {:.4} ± {:.4}); look at the labels and the wavelength",
                line.slope.value, line.slope.sigma
            ),
        ));
    }
    Ok(line)
}

/// The refusal of standards that lie on no line. It names the one without which the others lie on a line best.
fn not_straight(used: &[Standard], line: &Line) -> Refusal {
    let without = |i: usize| -> Option<f64> {
        let mut others = used.to_vec();
        others.remove(i);
        straight(&others, 0.0).ok().map(|l| l.scatter)
    };
    // Of three, any one can be the odd one.
    let odd = (used.len() > 3)
        .then(|| (0..used.len()).filter_map(|i| Some((without(i)?, used[i].concentration))))
        .and_then(|all| all.min_by(|a, b| a.0.total_cmp(&b.0)));
    let which = odd.map_or_else(
        || "look at their labels".to_owned(),
        |(_, c)| format!("that of {c} fits the others least: look at its label and its photo"),
    );
    Refusal::new(
        "not-straight",
        format!(
            "the standards lie {:.1} times as far from a line as their uncertainties allow; {which}",
            line.scatter
        ),
    )
}

/// Mandel's test: does a parabola leave so much less than a line that chance would do it once in a hundred?
fn is_bent(used: &[Standard], stated_freedom: f64) -> bool {
    let n = used.len() as f64;
    // Three lie on a parabola whatever they are; of four the scatter about it says nothing by itself.
    if n < LEAST_FOR_A_BEND || (n < LEAST_BY_SCATTER && stated_freedom <= 0.0) {
        return false;
    }
    let Ok(line) = straight(used, 0.0) else {
        return false;
    };
    let left_of_line = line.scatter.powi(2) * (n - 2.0);
    let left_of_parabola = parabola_chi2(used);
    let freedom = n - 3.0 + stated_freedom;
    let noise = (left_of_parabola + stated_freedom) / freedom;
    let noise = noise.max(LEAST_NOISE);
    (left_of_line - left_of_parabola) / noise > fisher_f(SURELY_A_PARABOLA, 1.0, freedom)
}

/// χ² of a parabola, by orthogonal polynomials (Forsythe).
fn parabola_chi2(used: &[Standard]) -> f64 {
    let dot = |a: &[f64], b: &[f64]| -> f64 {
        used.iter()
            .zip(a.iter().zip(b))
            .map(|(s, (a, b))| weight(s.absorbance.sigma) * a * b)
            .sum()
    };
    let x: Vec<f64> = used.iter().map(|s| s.concentration).collect();
    let mut left: Vec<f64> = used.iter().map(|s| s.absorbance.value).collect();
    let mut basis: Vec<Vec<f64>> = Vec::new();
    for power in 0..3 {
        let mut p: Vec<f64> = x.iter().map(|x| x.powi(power)).collect();
        for q in &basis {
            let share = dot(&p, q) / dot(q, q);
            for (p, q) in p.iter_mut().zip(q) {
                *p -= share * q;
            }
        }
        let share = dot(&left, &p) / dot(&p, &p).max(1e-300);
        for (l, p) in left.iter_mut().zip(&p) {
            *l -= share * p;
        }
        basis.push(p);
    }
    dot(&left, &left)
}

/// A concentration and its interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Concentration {
    /// Best estimate with its standard uncertainty.
    pub value: Estimate,
    /// Lower end of the 95 % interval.
    pub low: f64,
    /// Upper end of the 95 % interval.
    pub high: f64,
}

impl Line {
    /// Limit of detection: three standard deviations near zero over the slope.
    pub fn detection_limit(&self) -> f64 {
        DETECTED * self.near_zero / self.slope.value
    }

    /// Limit of quantification: ten standard deviations.
    pub fn quantification_limit(&self) -> f64 {
        QUANTIFIED * self.near_zero / self.slope.value
    }

    /// Standard uncertainty of either limit: that of the slope, and of a standard deviation known from so many degrees of
    /// freedom (JCGM 100, E.4.3).
    pub fn limit_sigma(&self, limit: f64) -> f64 {
        let deviation = (2.0 * self.freedom.max(1.0)).sqrt().recip();
        limit * deviation.hypot(self.slope.sigma / self.slope.value)
    }

    /// The line's own 95 % band at these concentrations: each with its lower and its upper end in absorbance.
    ///
    /// Where the line lies at a concentration, by the law of propagation with the covariance of its two parameters, and Student's
    /// t: it holds for one concentration at a time, and for no single photo.
    pub fn band(&self, concentrations: impl IntoIterator<Item = f64>) -> Vec<(f64, f64, f64)> {
        let t = student_t(UPPER_END, self.freedom);
        let ends = |c: f64| {
            let middle = self.intercept.value + self.slope.value * c;
            let variance = self.intercept.sigma.powi(2)
                + (c * self.slope.sigma).powi(2)
                + 2.0 * c * self.covariance;
            let reach = t * variance.max(0.0).sqrt();
            (c, middle - reach, middle + reach)
        };
        concentrations.into_iter().map(ends).collect()
    }

    /// The concentration of an unknown, from the absorbances of its repeats.
    ///
    /// The repeats are averaged by weight; their scatter counts where it is larger than stated. Interval by the law of
    /// propagation (JCGM 100, 5.2.2, with the covariance of intercept and slope) and Student's t.
    ///
    /// # Errors
    /// `no-repeat` without any; `above-range` beyond the highest standard of the linear range; `below-detection`.
    pub fn concentration(&self, repeats: &[Estimate]) -> Result<Concentration, Refusal> {
        let mean = mean(repeats).ok_or_else(|| {
            Refusal::new(
                "no-repeat",
                "there is no absorbance of it at this wavelength",
            )
        })?;
        let b = self.slope.value;
        let value = (mean.value - self.intercept.value) / b;
        let u_mean = mean.sigma * self.inflation;
        let variance = (u_mean.powi(2)
            + self.intercept.sigma.powi(2)
            + (value * self.slope.sigma).powi(2)
            + 2.0 * value * self.covariance)
            / (b * b);
        let sigma = variance.max(0.0).sqrt();
        if value > BEYOND * self.range.1 {
            return Err(Refusal::new(
                "above-range",
                format!(
                    "it lies above the highest standard ({:.3} > {:.3}); dilute it and state by how much",
                    value, self.range.1
                ),
            ));
        }
        if value < self.detection_limit() {
            return Err(Refusal::new(
                "below-detection",
                format!(
                    "less than the limit of detection, {:.3}",
                    self.detection_limit()
                ),
            ));
        }
        let reach = student_t(UPPER_END, self.freedom) * sigma;
        Ok(Concentration {
            value: Estimate::new(value, sigma),
            low: value - reach,
            high: value + reach,
        })
    }
}

/// Repeats averaged with weights 1/σ²; where they scatter more than stated, the scatter counts. Absent without any.
pub fn mean(repeats: &[Estimate]) -> Option<Estimate> {
    let mut all = WeightedMean::default();
    for e in repeats {
        all.add(e.value, e.sigma);
    }
    let value = all.mean()?.value;
    let chi2: f64 = repeats
        .iter()
        .map(|e| weight(e.sigma) * (e.value - value).powi(2))
        .sum();
    let freedom = repeats.len() as f64 - 1.0;
    let factor = ((STATED_FREEDOM + chi2) / (STATED_FREEDOM + freedom)).max(1.0);
    Some(Estimate::new(value, (factor / all.weight()).sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};

    fn standards(rows: &[(f64, f64)], sigma: f64) -> Vec<Standard> {
        rows.iter()
            .map(|r| Standard {
                concentration: r.0,
                absorbance: Estimate::new(r.1, sigma),
            })
            .collect()
    }

    #[test]
    fn two_concentrations_are_refused_however_many_photos() {
        let rows = [(1.0, 0.1), (1.0, 0.11), (2.0, 0.2), (2.0, 0.21)];
        assert_eq!(
            fit(&standards(&rows, 0.01), 12.0).unwrap_err().code,
            "too-few-levels"
        );
        assert_eq!(fit(&[], 12.0).unwrap_err().code, "too-few-levels");
    }

    #[test]
    fn a_mislabelled_standard_gives_no_number_and_is_named_where_the_others_tell() {
        let of = |rows: &[(f64, f64)]| fit(&standards(rows, 0.006), 12.0);
        // 6 labelled as 10: any of three may be the wrong one.
        let refusal = of(&[(2.0, 0.21), (4.0, 0.42), (10.0, 0.63)]).unwrap_err();
        assert_eq!(refusal.code, "not-straight");
        assert!(refusal.to_string().contains("labels"), "{refusal}");
        // 4 labelled as 5, in the middle: no bend is seen that leaving out the highest would mend.
        let five = [(2.0, 0.2), (3.0, 0.3), (5.0, 0.4), (6.0, 0.6), (8.0, 0.8)];
        let refusal = of(&five).unwrap_err();
        assert_eq!(refusal.code, "not-straight");
        assert!(refusal.to_string().contains("that of 5 "), "{refusal}");
        // The highest labelled too high looks as a bend does: the others stand.
        let line = of(&[(2.0, 0.2), (4.0, 0.4), (6.0, 0.6), (16.0, 0.8)]).unwrap();
        assert_eq!((line.left_out, line.range), (1, (2.0, 6.0)));
        assert!(of(&[(2.0, 0.205), (4.0, 0.395), (6.0, 0.605)]).is_ok());
    }

    #[test]
    fn a_flat_series_is_refused() {
        let rows = [(1.0, 0.1), (2.0, 0.11), (3.0, 0.1), (4.0, 0.105)];
        assert_eq!(
            fit(&standards(&rows, 0.01), 12.0).unwrap_err().code,
            "no-slope"
        );
    }

    #[test]
    fn a_bent_top_is_left_out_of_the_linear_range() {
        let rows: Vec<(f64, f64)> = (0..=8)
            .map(|i| {
                let x = f64::from(i);
                (x, 0.1 * x - 0.004 * (x - 4.0).max(0.0).powi(2))
            })
            .collect();
        let line = fit(&standards(&rows, 0.002), 12.0).unwrap();
        assert!((4.0..=6.0).contains(&line.range.1), "{line:?}");
        assert!(line.left_out >= 2);
        assert!((line.slope.value - 0.1).abs() < 0.003);
        let above = line.concentration(&[Estimate::new(0.9, 0.01)]);
        assert_eq!(above.unwrap_err().code, "above-range");
        let below = line.concentration(&[Estimate::new(0.001, 0.01)]);
        assert_eq!(below.unwrap_err().code, "below-detection");
    }

    #[test]
    fn the_interval_covers_the_truth_as_often_as_it_says() {
        // Stated uncertainties right: 95 % must be between 90 and 99 %. Wrong by a quarter or a third, they show, but not much.
        let mut chance = rand_pcg::Pcg64Mcg::seed_from_u64(4);
        let mut normal = || (0..12).map(|_| chance.random::<f64>()).sum::<f64>() - 6.0;
        for (wrong, bounds) in [(0.75, 0.88..0.96), (1.0, 0.9..0.99), (1.3, 0.95..0.998)] {
            let n = 2000;
            let (mut covered, mut refused) = (0, 0);
            for _ in 0..n {
                let sigma = 0.008;
                let rows: Vec<Standard> = [1.0, 2.0, 4.0, 6.0]
                    .into_iter()
                    .map(|c| Standard {
                        concentration: c,
                        absorbance: Estimate::new(
                            0.01 + 0.11 * c + sigma * normal(),
                            sigma * wrong,
                        ),
                    })
                    .collect();
                // Chance bends some: so many refusals are the price of finding wrong labels.
                let Ok(line) = fit(&rows, STATED_FREEDOM) else {
                    refused += 1;
                    continue;
                };
                let unknown = Estimate::new(0.01 + 0.11 * 3.3 + sigma * normal(), sigma * wrong);
                match line.concentration(&[unknown]) {
                    Ok(found) => covered += u32::from(found.low <= 3.3 && 3.3 <= found.high),
                    // The highest was left out as bent.
                    Err(_) => refused += 1,
                }
            }
            assert!(refused * 50 < n, "{wrong}: {refused}");
            let share = f64::from(covered) / f64::from(n - refused);
            assert!(bounds.contains(&share), "{wrong}: {share}");
        }
    }

    #[test]
    fn repeats_are_averaged_and_their_scatter_counts() {
        let e = |value| Estimate::new(value, 0.01);
        let calm = mean(&[e(0.5), e(0.5), e(0.5), e(0.5)]).unwrap();
        assert!((calm.value - 0.5).abs() < 1e-12 && (calm.sigma - 0.005).abs() < 1e-9);
        let wild = mean(&[e(0.4), e(0.6), e(0.4), e(0.6)]).unwrap();
        assert!(wild.sigma > 0.025, "{}", wild.sigma);
        assert_eq!(mean(&[]), None);
    }
}
