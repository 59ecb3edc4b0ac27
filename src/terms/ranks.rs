//! Values in order: medians and the like.

/// Standard deviation of a normal distribution over the median of its absolute values.
pub const SIGMA_PER_MEDIAN: f64 = 1.4826;

/// The values, rising.
pub fn sorted(values: impl IntoIterator<Item = f64>) -> Vec<f64> {
    let mut values: Vec<f64> = values.into_iter().collect();
    values.sort_by(f64::total_cmp);
    values
}

/// The middle value, of two the higher one; absent where there is none.
pub fn median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    let values = sorted(values);
    values.get(values.len() / 2).copied()
}

/// The mean of some points.
pub fn centroid(points: &[(f64, f64)]) -> (f64, f64) {
    let n = points.len() as f64;
    let sum = points
        .iter()
        .fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1));
    (sum.0 / n, sum.1 / n)
}

/// The value below which lies this share of the weights, of pairs (value, weight); absent where there is none.
pub fn weighted_quantile(share: f64, values: impl IntoIterator<Item = (f64, f64)>) -> Option<f64> {
    let mut values: Vec<(f64, f64)> = values.into_iter().collect();
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let below = share * values.iter().map(|v| v.1).sum::<f64>();
    let mut sum = 0.0;
    values.into_iter().find_map(|(value, weight)| {
        sum += weight;
        (sum >= below).then_some(value)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_weighted_values_the_heavy_ones_decide() {
        let bumps = (0..30).map(|i| (0.1 * f64::from(i), 0.01));
        let lines = [(3.0, 1.0), (5.0, 1.0)];
        assert_eq!(weighted_quantile(0.25, bumps.chain(lines)), Some(3.0));
        assert_eq!(weighted_quantile(0.5, lines), Some(3.0));
        assert_eq!(weighted_quantile(0.5, []), None);
    }

    #[test]
    fn the_median_is_the_middle_value_or_the_higher_of_two() {
        assert_eq!(median([3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median([4.0, 1.0, 2.0, 3.0]), Some(3.0));
        assert_eq!(median([]), None);
    }
}
