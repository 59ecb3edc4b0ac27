//! Least squares: the one door to the solver (Levenberg–Marquardt as in MINPACK).

use rmpfit::{MPConfig, MPFitter, MPPar, MPResult};

/// A parameter of a fit.
#[derive(Clone, Copy, Debug)]
pub struct Parameter {
    /// Where to start.
    pub start: f64,
    /// Held at its start.
    pub fixed: bool,
    /// Lowest allowed value.
    pub low: Option<f64>,
    /// Highest allowed value.
    pub high: Option<f64>,
    /// Step of the numerical derivative; must suit the parameter's size.
    pub step: f64,
}

impl Parameter {
    /// A free parameter without bounds.
    pub fn free(start: f64, step: f64) -> Parameter {
        Parameter {
            start,
            fixed: false,
            low: None,
            high: None,
            step,
        }
    }

    /// The same, kept within bounds; the start is moved inside them.
    pub fn within(self, low: f64, high: f64) -> Parameter {
        Parameter {
            start: self.start.clamp(low, high),
            low: Some(low),
            high: Some(high),
            ..self
        }
    }

    /// The same, held at its start unless it `is_free`.
    pub fn only_if(self, is_free: bool) -> Parameter {
        Parameter {
            fixed: !is_free,
            ..self
        }
    }
}

/// The result of a fit.
#[derive(Clone, Debug)]
pub struct Fitted {
    /// Best parameters.
    pub parameters: Vec<f64>,
    /// Covariance, row by row, for residuals that were in units of their sigma; 0 for fixed parameters.
    pub covariance: Vec<Vec<f64>>,
    /// Sum of squared residuals.
    pub chi_squared: f64,
}

impl Fitted {
    /// Standard uncertainty of parameter `i`.
    pub fn sigma(&self, i: usize) -> f64 {
        self.covariance[i][i].max(0.0).sqrt()
    }
}

struct Problem<F> {
    n_points: usize,
    residuals: F,
    parameters: Vec<MPPar>,
    config: MPConfig,
}

impl<F: FnMut(&[f64], &mut [f64])> MPFitter for Problem<F> {
    fn eval(&mut self, parameters: &[f64], deviates: &mut [f64]) -> MPResult<()> {
        (self.residuals)(parameters, deviates);
        Ok(())
    }

    fn number_of_points(&self) -> usize {
        self.n_points
    }

    fn parameters(&self) -> &[MPPar] {
        &self.parameters
    }

    fn config(&self) -> &MPConfig {
        &self.config
    }
}

/// Minimises the sum of squares of `n_points` residuals (each in units of its sigma).
///
/// Refuses (absent) where there are fewer residuals than free parameters, where the solver fails, or where the
/// result is not finite.
pub fn least_squares(
    parameters: &[Parameter],
    n_points: usize,
    residuals: impl FnMut(&[f64], &mut [f64]),
) -> Option<Fitted> {
    let n = parameters.len();
    if n_points < parameters.iter().filter(|p| !p.fixed).count() {
        return None;
    }
    let pars = parameters
        .iter()
        .map(|p| MPPar {
            fixed: p.fixed,
            limited_low: p.low.is_some(),
            limited_up: p.high.is_some(),
            limit_low: p.low.unwrap_or(0.0),
            limit_up: p.high.unwrap_or(0.0),
            step: p.step,
            ..MPPar::new()
        })
        .collect();
    let mut problem = Problem {
        n_points,
        residuals,
        parameters: pars,
        config: MPConfig {
            max_iter: 60,
            ftol: 1e-9,
            xtol: 1e-10,
            ..MPConfig::new()
        },
    };
    let mut best: Vec<f64> = parameters.iter().map(|p| p.start).collect();
    let status = problem.mpfit(&mut best).ok()?;
    if !status.best_norm.is_finite() || best.iter().any(|b| !b.is_finite()) {
        return None;
    }
    let covariance = (0..n)
        .map(|i| (0..n).map(|j| status.covar[i * n + j]).collect())
        .collect();
    Some(Fitted {
        parameters: best,
        covariance,
        chi_squared: status.best_norm,
    })
}
