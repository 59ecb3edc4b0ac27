//! What a series can detect and determine, from its blank photographed again and again: how much a photo of nothing scatters.

use super::refusal::Refusal;
use crate::terms::Estimate;

/// Fewer repeats tell next to nothing of a scatter: of six it is known to a third (Eurachem, The Fitness for Purpose of Analytical
/// Methods, 2nd ed. 2014, 6.2: 6 to 15 repeats; from memory).
pub const FEWEST_BLANKS: usize = 6;
/// Standard deviations that a limit of detection is (IUPAC Gold Book, limit of detection: k = 3; ICH Q2(R1) takes 3.3).
const DETECTED: f64 = 3.0;
/// Standard deviations that a limit of quantification is (Currie, Pure Appl. Chem. 67 (1995) 1699; ICH Q2(R1) too).
const QUANTIFIED: f64 = 10.0;

/// The two limits, in the unit of the concentrations.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Standard deviation of the blanks' absorbances.
    pub scatter: Estimate,
    /// Limit of detection.
    pub detection: Estimate,
    /// Limit of quantification.
    pub quantification: Estimate,
}

/// The limits from the absorbances of repeated blanks (any level: only their scatter counts) and the slope of the line.
///
/// A standard deviation s of n values has the uncertainty s/√(2(n − 1)) (JCGM 100, E.4.3), to which that of the slope comes.
///
/// # Errors
/// `too-few-blanks` below [`FEWEST_BLANKS`]; `blanks-alike` where they do not scatter at all: the same photo more than once.
pub fn of_blanks(absorbances: &[f64], slope: Estimate) -> Result<Limits, Refusal> {
    let n = absorbances.len();
    if n < FEWEST_BLANKS {
        return Err(Refusal::new(
            "too-few-blanks",
            format!(
                "the scatter of a blank needs {FEWEST_BLANKS} photos of it, taken one after the other at one exposure; there are {n}"
            ),
        ));
    }
    let freedom = n as f64 - 1.0;
    let mean = absorbances.iter().sum::<f64>() / n as f64;
    let squares: f64 = absorbances.iter().map(|a| (a - mean).powi(2)).sum();
    let scatter = (squares / freedom).sqrt();
    if scatter <= 0.0 {
        return Err(Refusal::new(
            "blanks-alike",
            "its blanks do not differ at all: they are copies of one photo",
        ));
    }
    let share = (2.0 * freedom).sqrt().recip();
    let limit = |k: f64| {
        let limit = k * scatter / slope.value;
        Estimate::new(limit, limit * share.hypot(slope.sigma / slope.value))
    };
    Ok(Limits {
        scatter: Estimate::new(scatter, scatter * share),
        detection: limit(DETECTED),
        quantification: limit(QUANTIFIED),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};

    #[test]
    fn too_few_blanks_and_copies_of_one_are_refused() {
        let slope = Estimate::new(0.1, 0.001);
        let code = |blanks: &[f64]| of_blanks(blanks, slope).unwrap_err().code;
        assert_eq!(code(&[]), "too-few-blanks");
        assert_eq!(code(&[0.001, 0.002, -0.001, 0.0, 0.003]), "too-few-blanks");
        assert_eq!(code(&[0.001; 6]), "blanks-alike");
    }

    #[test]
    fn the_true_limit_lies_within_the_stated_uncertainty_as_often_as_it_says() {
        let mut chance = rand_pcg::Pcg64Mcg::seed_from_u64(6);
        let mut normal = || (0..12).map(|_| chance.random::<f64>()).sum::<f64>() - 6.0;
        let (true_slope, true_scatter) = (0.1, 0.004);
        let truth = 3.0 * true_scatter / true_slope;
        let (mut within_1, mut within_2) = (0, 0);
        for _ in 0..2000 {
            let blanks: Vec<f64> = (0..10).map(|_| true_scatter * normal()).collect();
            let slope = Estimate::new(true_slope + 0.003 * normal(), 0.003);
            let found = of_blanks(&blanks, slope).unwrap().detection;
            let off = (found.value - truth).abs() / found.sigma;
            within_1 += u32::from(off < 1.0);
            within_2 += u32::from(off < 2.0);
        }
        // A standard deviation's own distribution is skew: 68 and 95 % are not to be had exactly.
        let share = |k: u32| f64::from(k) / 2000.0;
        assert!(
            (0.6..0.75).contains(&share(within_1)),
            "{}",
            share(within_1)
        );
        assert!(
            (0.88..0.97).contains(&share(within_2)),
            "{}",
            share(within_2)
        );
    }
}
