//! A number of one instrument from session to session: is it another one than before, and does it drift? The uncertainties
//! decide; what they do not bear is not said.

use super::means::weight;
use crate::terms::Estimate;

/// Said from so many standard uncertainties on: the action limits of a control chart (W. A. Shewhart 1931; ISO 7870-2). Of a
/// thousand comparisons of what has not changed, three are then wrong.
pub const SURE: f64 = 3.0;
/// Standard uncertainty of a median over that of a mean (normal distribution: √(π / 2)).
pub const MEDIAN: f64 = 1.25;
/// Standard deviation over the median distance from the middle (normal distribution).
const DEVIATION: f64 = 1.4826;

/// True where a value is other than nothing, beyond doubt.
pub fn is_sure(e: Estimate) -> bool {
    e.sigma.is_finite() && e.value.abs() > SURE * e.sigma
}

/// True where two values are not one and the same, beyond doubt.
pub fn is_another(before: Estimate, after: Estimate) -> bool {
    let sigma = before.sigma.hypot(after.sigma);
    is_sure(Estimate::new(after.value - before.value, sigma))
}

/// The middle one of several values of one thing, which a wrong one among them does not move, with the uncertainty that their
/// scatter and their own uncertainties leave. Absent without a value.
pub fn middle(values: &[Estimate]) -> Option<Estimate> {
    let median = |mut all: Vec<f64>| {
        all.sort_by(f64::total_cmp);
        let n = all.len();
        (n > 0).then(|| 0.5 * (all[(n - 1) / 2] + all[n / 2]))
    };
    let value = median(values.iter().map(|e| e.value).collect())?;
    let off = median(values.iter().map(|e| (e.value - value).abs()).collect())?;
    let own = median(values.iter().map(|e| e.sigma).collect())?;
    let n = values.len() as f64;
    let factor = if n > 2.0 { MEDIAN } else { 1.0 };
    let sigma = own.max(DEVIATION * off) * factor / n.sqrt();
    Some(Estimate::new(value, sigma))
}

/// By how much a number rises a step, from values at steps: the slope of the straight line of least squares with weights 1/σ²
/// (JCGM 100, H.3). Where the values scatter by more than their uncertainties, those count for as much more (R. T. Birge 1932).
/// Absent for fewer than three steps: two are compared by [`is_another`].
pub fn per_step(values: &[(f64, Estimate)]) -> Option<Estimate> {
    let sum = |of: &dyn Fn(&(f64, Estimate)) -> f64| {
        let terms = values.iter().map(|v| weight(v.1.sigma) * of(v));
        terms.sum::<f64>()
    };
    let all = sum(&|_| 1.0);
    let (mean_x, mean_y) = (sum(&|v| v.0) / all, sum(&|v| v.1.value) / all);
    let spread = sum(&|v| (v.0 - mean_x).powi(2));
    if values.len() < 3 || spread.is_nan() || spread <= 0.0 {
        return None;
    }
    let slope = sum(&|v| (v.0 - mean_x) * (v.1.value - mean_y)) / spread;
    let left = sum(&|v| (v.1.value - mean_y - slope * (v.0 - mean_x)).powi(2));
    let birge = (left / (values.len() - 2) as f64).max(1.0).sqrt();
    Some(Estimate::new(slope, birge / spread.sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    fn values(all: &[(f64, f64)]) -> Vec<(f64, Estimate)> {
        let all = all.iter().enumerate();
        all.map(|(i, v)| (i as f64, Estimate::new(v.0, v.1)))
            .collect()
    }

    #[test]
    fn a_slope_is_that_of_least_squares_and_no_surer_than_the_scatter() {
        // By hand: of equal weights 1/4, mean 1, Sxx = 2 / 4, slope 3.
        let exact = per_step(&values(&[(1.0, 2.0), (4.0, 2.0), (7.0, 2.0)])).unwrap();
        assert!((exact.value - 3.0).abs() < 1e-12 && (exact.sigma - 2.0f64.sqrt()).abs() < 1e-12);
        // Residuals 2, -4, 2 of 0.2: χ² = 24 / 0.04 of one freedom.
        let rough = per_step(&values(&[(1.0, 0.2), (-2.0, 0.2), (7.0, 0.2)])).unwrap();
        assert!((rough.value - 3.0).abs() < 1e-12 && (rough.sigma - 12f64.sqrt()).abs() < 1e-9);
        assert!(per_step(&values(&[(1.0, 0.1), (2.0, 0.1)])).is_none());
    }

    #[test]
    fn what_does_not_change_is_hardly_ever_said_to_and_what_drifts_is() {
        let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(7);
        let noise = Normal::new(0.0, 20.0).unwrap();
        let mut said = |n: usize, rise: f64| {
            let term: Vec<(f64, f64)> = (0..n)
                .map(|i| (200.0 + rise * i as f64 + noise.sample(&mut rng), 20.0))
                .collect();
            is_sure(per_step(&values(&term)).unwrap())
        };
        let steady = (0..4000).filter(|i| said(3 + i % 13, 0.0)).count();
        assert!(
            steady <= 24,
            "{steady} of 4000, of which 11 are expected at most"
        );
        let drifts = (0..200).filter(|_| said(15, 10.0)).count();
        assert!(drifts >= 195, "{drifts} of 200, of 8 sigma each");
    }

    #[test]
    fn a_wrong_value_does_not_move_the_middle_and_many_know_it_better() {
        let all = |n: usize| vec![Estimate::new(2.0, 0.5); n];
        let one = middle(&all(1)).unwrap();
        assert_eq!((one.value, one.sigma), (2.0, 0.5));
        let mut many = all(16);
        many.push(Estimate::new(40.0, 0.5));
        let many = middle(&many).unwrap();
        assert!(many.value == 2.0 && many.sigma < 0.2 && many.sigma > 0.1);
        assert!(middle(&[]).is_none());
        assert!(is_another(Estimate::new(1.0, 1.0), Estimate::new(6.0, 1.0)));
        assert!(!is_another(
            Estimate::new(1.0, 1.0),
            Estimate::new(5.0, 1.0)
        ));
    }
}
