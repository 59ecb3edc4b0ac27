//! Means of estimates, weighted and plain, and the place of a wavelength between the rows of a spectrum.

use crate::terms::Estimate;

/// A row with a larger share of its pixels at the sensor's ceiling shows too little light: what the ceiling cut off is missing.
pub const MOST_CLIPPED: f64 = 0.02;

/// Weight of a value in a mean: 1/σ² (JCGM 100, 5.1.2).
pub fn weight(sigma: f64) -> f64 {
    1.0 / sigma.max(1e-9).powi(2)
}

/// A mean with weights 1/σ², built value by value.
#[derive(Clone, Copy, Default)]
pub struct WeightedMean {
    weight: f64,
    total: f64,
}

impl WeightedMean {
    /// Takes in one more value, and returns its weight.
    pub fn add(&mut self, value: f64, sigma: f64) -> f64 {
        let weight = weight(sigma);
        self.weight += weight;
        self.total += weight * value;
        weight
    }

    /// The sum of the weights so far.
    pub fn weight(&self) -> f64 {
        self.weight
    }

    /// The mean with the uncertainty that the weights leave; absent without a value.
    pub fn mean(&self) -> Option<Estimate> {
        (self.weight > 0.0)
            .then(|| Estimate::new(self.total / self.weight, (1.0 / self.weight).sqrt()))
    }
}

/// Mean of values whose errors are common to them all: the uncertainty is the mean one. Absent without a value.
pub fn common_mean(known: &[Estimate]) -> Option<Estimate> {
    let n = known.len() as f64;
    (!known.is_empty()).then(|| {
        Estimate::new(
            known.iter().map(|e| e.value).sum::<f64>() / n,
            known.iter().map(|e| e.sigma).sum::<f64>() / n,
        )
    })
}

/// Nearer than this to a row's wavelength a place is on that row, nm.
const ON_ROW_NM: f64 = 1e-6;

/// Which two of the rows, rising in wavelength, lie on either side of `wavelength_nm`, and how far it lies from the first
/// to the second, 0 to 1. On a row both are that row. Absent beyond the first and the last.
pub fn between<Row>(
    rows: &[Row],
    nm: impl Fn(&Row) -> f64,
    wavelength_nm: f64,
) -> Option<(usize, usize, f64)> {
    let after = rows.partition_point(|row| nm(row) < wavelength_nm - ON_ROW_NM);
    let above_nm = nm(rows.get(after)?);
    if (above_nm - wavelength_nm).abs() <= ON_ROW_NM {
        return Some((after, after, 0.0));
    }
    let before = after.checked_sub(1)?;
    let below_nm = nm(&rows[before]);
    Some((
        before,
        after,
        (wavelength_nm - below_nm) / (above_nm - below_nm),
    ))
}
