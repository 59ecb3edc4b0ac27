//! The grain of a picture: photons counted one by one, the amplifier's noise, the converter's steps.

use std::sync::LazyLock;

use rand::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;

use super::effective::Effective;

/// Photon noise, read noise, the ceiling and the converter's steps.
pub(super) struct Noise {
    chance: Pcg64Mcg,
    full_e: f32,
    read_variance: f32,
    steps: f32,
    on: bool,
}

/// Equally likely values of a standard normal variable, as many as 16 random bits can pick from.
static BELL: LazyLock<Vec<f32>> = LazyLock::new(|| {
    let n = 1 << 16;
    let value = |i| normal_quantile((f64::from(i) + 0.5) / f64::from(n)) as f32;
    (0..n).map(value).collect()
});

impl Noise {
    pub(super) fn new(effective: &Effective, iso: f64) -> Noise {
        Noise {
            chance: Pcg64Mcg::seed_from_u64(effective.shot.seed ^ 0x5eed),
            full_e: (effective.shot.phone.full_well_e * 100.0 / iso) as f32,
            read_variance: effective.shot.phone.read_noise_e.powi(2) as f32,
            steps: ((1u32 << effective.shot.phone.adc_bits) - 1) as f32,
            on: effective.shot.nuisance.noise,
        }
    }

    pub(super) fn apply(&mut self, values: &mut [f32]) {
        if !self.on {
            values.iter_mut().for_each(|v| *v = v.min(1.0));
            return;
        }
        let bell = &BELL[..];
        for four in values.chunks_mut(4) {
            let mut bits = self.chance.next_u64();
            for value in four {
                let bell = bell[(bits & 0xffff) as usize];
                bits >>= 16;
                let electrons = value.min(4.0) * self.full_e;
                let noisy = electrons + (electrons + self.read_variance).sqrt() * bell;
                let code = (noisy * (self.steps / self.full_e)).min(self.steps);
                // Rounds to even steps, negatives included: the black level leaves room below zero.
                *value = ((code + 1024.5) as i32 - 1024) as f32 / self.steps;
            }
        }
    }
}

/// The value below which a standard normal variable lies with probability `p`, 0 < p < 1.
///
/// Acklam's rational approximation (relative error 1.2e-9; coefficients from memory, checked by a test).
fn normal_quantile(p: f64) -> f64 {
    const A: [f64; 6] = [
        -3.969_683_028_665_376e1,
        2.209_460_984_245_205e2,
        -2.759_285_104_469_687e2,
        1.383_577_518_672_69e2,
        -3.066_479_806_614_716e1,
        2.506_628_277_459_239,
    ];
    const B: [f64; 5] = [
        -5.447_609_879_822_406e1,
        1.615_858_368_580_409e2,
        -1.556_989_798_598_866e2,
        6.680_131_188_771_972e1,
        -1.328_068_155_288_572e1,
    ];
    const C: [f64; 6] = [
        -7.784_894_002_430_293e-3,
        -3.223_964_580_411_365e-1,
        -2.400_758_277_161_838,
        -2.549_732_539_343_734,
        4.374_664_141_464_968,
        2.938_163_982_698_783,
    ];
    const D: [f64; 4] = [
        7.784_695_709_041_462e-3,
        3.224_671_290_700_398e-1,
        2.445_134_137_142_996,
        3.754_408_661_907_416,
    ];
    let tail = |q: f64| {
        (((((C[0] * q + C[1]) * q + C[2]) * q + C[3]) * q + C[4]) * q + C[5])
            / ((((D[0] * q + D[1]) * q + D[2]) * q + D[3]) * q + 1.0)
    };
    if p < 0.02425 {
        tail((-2.0 * p.ln()).sqrt())
    } else if p > 1.0 - 0.02425 {
        -tail((-2.0 * (1.0 - p).ln()).sqrt())
    } else {
        let q = p - 0.5;
        let r = q * q;
        (((((A[0] * r + A[1]) * r + A[2]) * r + A[3]) * r + A[4]) * r + A[5]) * q
            / (((((B[0] * r + B[1]) * r + B[2]) * r + B[3]) * r + B[4]) * r + 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_quantiles_are_those_of_the_tables() {
        // Any table of the normal distribution: 84.134 %, 97.5 %, 99.865 %.
        for (p, z) in [
            (0.841_344_746, 1.0),
            (0.975, 1.959_963_985),
            (0.998_650_102, 3.0),
            (0.5, 0.0),
        ] {
            assert!((normal_quantile(p) - z).abs() < 1e-6, "{p}");
        }
    }
}
