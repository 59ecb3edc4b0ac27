//! What is left to chance in a drawing: one stream of it for each thing that a seed decides.

use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// Random numbers that follow from a seed.
pub(super) struct Chance(Pcg64Mcg);

impl Chance {
    pub(super) fn new(seed: u64) -> Chance {
        Chance(Pcg64Mcg::seed_from_u64(seed))
    }

    /// A stream of chance that is the same for every phone of a model.
    pub(super) fn of_model(model: &str) -> Chance {
        Chance::new(model.bytes().fold(0x60de1, |seed, byte| {
            (seed ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
        }))
    }

    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.random::<f64>()
    }

    pub(super) fn coin(&mut self) -> bool {
        self.0.random()
    }

    pub(super) fn sign(&mut self) -> f64 {
        if self.coin() { 1.0 } else { -1.0 }
    }

    pub(super) fn pick(&mut self, from: &[f64]) -> f64 {
        *from.choose(&mut self.0).expect("not empty")
    }

    /// About 0 with this standard deviation, and within this limit (Box and Muller).
    pub(super) fn normal(&mut self, (sigma, limit): (f64, f64)) -> f64 {
        loop {
            let (a, b) = (1.0 - self.0.random::<f64>(), self.0.random::<f64>());
            let v = sigma * (-2.0 * a.ln()).sqrt() * (2.0 * std::f64::consts::PI * b).cos();
            if v.abs() < limit {
                return v;
            }
        }
    }
}
