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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_is_the_middle_value_or_the_higher_of_two() {
        assert_eq!(median([3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median([4.0, 1.0, 2.0, 3.0]), Some(3.0));
        assert_eq!(median([]), None);
    }
}
