//! The slit along its length: dust, rough blades, a wedge, unequal lighting.

use super::chance::Chance;
use super::effective::Effective;
use super::fixed::Fixed;

/// Light and relative width along the slit, from 1 mm before one end to 1 mm beyond the other.
pub(super) struct Profile {
    pub half_mm: f64,
    light: Vec<f32>,
    width: Vec<f32>,
    /// Light from the beginning to each step.
    sum: Vec<f32>,
}

/// Dust on the blades.
struct Dust {
    /// Middle (mm), size (mm), share of the light that it takes.
    grains: Vec<[f64; 3]>,
}

impl Dust {
    /// Dust as the instrument's own seed has it.
    fn new(effective: &Effective, chance: &mut Chance) -> Dust {
        let half_slit = 0.5 * effective.shot.instrument.slit_length_mm;
        let grains = (0..effective.shot.instrument.dust)
            .map(|_| {
                let size = 10f64.powf(chance.between(-1.4, -0.5));
                let middle = chance.between(-half_slit, half_slit);
                [middle, size, chance.between(0.25, 0.95)]
            })
            .collect();
        Dust { grains }
    }

    /// Share of the light that is left at `s` mm from the slit's middle.
    fn leaves(&self, s: f64) -> f64 {
        let left = |[middle, size, depth]: &[f64; 3]| {
            1.0 - depth * (-0.5 * ((s - middle) / (0.5 * size)).powi(4)).exp()
        };
        self.grains.iter().map(left).product()
    }
}

/// Share of the slit's length at either end in which dust only makes the slit shorter.
const AT_END: f64 = 0.025;

/// Share of the slit's light that dust takes, the outermost [`AT_END`] left out.
pub(super) fn dust_share(effective: &Effective) -> f64 {
    if !effective.shot.nuisance.slit_flaws {
        return 0.0;
    }
    let dust = Dust::new(effective, &mut slit_chance(effective));
    let half_slit = 0.5 * effective.shot.instrument.slit_length_mm;
    let half = (1.0 - 2.0 * AT_END) * half_slit;
    let n = (2.0 * half * PROFILE_PER_MM) as usize;
    let lit = &effective.shot.reality.lit;
    let (mut left, mut all) = (0.0, 0.0);
    for i in 0..n {
        let s = (i as f64 + 0.5) / PROFILE_PER_MM - half;
        let light = lit.through_paper(s, half_slit);
        left += light * dust.leaves(s);
        all += light;
    }
    1.0 - left / all
}

fn slit_chance(effective: &Effective) -> Chance {
    Chance::new(effective.shot.instrument.seed ^ 0xd057)
}

/// Steps of the slit's profile, per mm: a tenth of a pixel.
const PROFILE_PER_MM: f64 = 100.0;

impl Profile {
    /// The profile as pixels see it that take in `px_mm` of the slit each.
    pub(super) fn new(effective: &Effective, px_mm: f64) -> Profile {
        let tube = &effective.shot.instrument;
        let half_mm = 0.5 * tube.slit_length_mm + 1.0;
        let n = (2.0 * half_mm * PROFILE_PER_MM) as usize + 1;
        let mut chance = slit_chance(effective);
        let half_slit = 0.5 * tube.slit_length_mm;
        let dust = Dust::new(effective, &mut chance);
        let mut between = |low, high| chance.between(low, high);
        let waves: Vec<[f64; 3]> = (0..12)
            .map(|k| {
                [
                    between(0.2, 0.5) * f64::from(k + 1),
                    between(0.0, 6.3),
                    between(0.3, 1.0),
                ]
            })
            .collect();
        let flaws = effective.shot.nuisance.slit_flaws;
        let lit = &effective.shot.reality.lit;
        let (mut light, mut width) = (Vec::with_capacity(n), Vec::with_capacity(n));
        for i in 0..n {
            let s = i as f64 / PROFILE_PER_MM - half_mm;
            let inside = f64::from(s.abs() <= half_slit);
            let (mut l, mut w) = (inside * lit.through_paper(s, half_slit), 1.0);
            if flaws {
                l *= 1.0 + tube.lighting_along * s / half_slit - 0.06 * (s / half_slit).powi(2);
                l *= dust.leaves(s);
                let rough: f64 = waves
                    .iter()
                    .map(|[k, phase, a]| a * (k * s * 6.3 + phase).sin())
                    .sum();
                w = (1.0 + tube.wedge * s / half_slit + tube.roughness * 0.4 * rough).max(0.05);
            }
            light.push(l as f32);
            width.push(w as f32);
        }
        // One pixel sees the mean of a stretch of the slit.
        let reach = (0.5 * px_mm * PROFILE_PER_MM).round() as usize;
        let smooth: Vec<f32> = (0..n)
            .map(|i| {
                let window = &light[i.saturating_sub(reach)..(i + reach + 1).min(n)];
                window.iter().sum::<f32>() / (2 * reach + 1) as f32
            })
            .collect();
        let mut run = 0.0f64;
        let sum = smooth
            .iter()
            .map(|light| {
                run += f64::from(*light);
                run as f32
            })
            .collect();
        Profile {
            half_mm,
            light: smooth,
            width,
            sum,
        }
    }

    /// A place `s` mm from the slit's middle among the steps of the profile.
    #[inline]
    pub(super) fn step(&self, s: f64) -> f64 {
        (s + self.half_mm) * PROFILE_PER_MM
    }

    /// A stretch of `mm` in steps of the profile: at least one, so that [`Profile::over`] is no difference of like numbers.
    #[inline]
    pub(super) fn reach(mm: f64) -> f64 {
        (mm * PROFILE_PER_MM).max(1.0)
    }

    /// Sum of the light from one place to another, of one step each.
    #[inline(always)]
    pub(super) fn over(&self, from: Fixed, to: Fixed) -> f64 {
        let up_to = |place: Fixed| {
            let (i, part) = place.among(self.sum.len());
            let (a, b) = (f64::from(self.sum[i]), f64::from(self.sum[i + 1]));
            a + (b - a) * part
        };
        up_to(to) - up_to(from)
    }

    /// Light and relative width at `s` mm from the middle.
    #[inline]
    pub(super) fn at(&self, s: f64) -> (f32, f32) {
        let t = (s + self.half_mm) * PROFILE_PER_MM;
        if t < 0.0 {
            return (0.0, 1.0);
        }
        let i = t as usize;
        if i + 1 >= self.light.len() {
            return (0.0, 1.0);
        }
        let f = (t - i as f64) as f32;
        (
            self.light[i] + (self.light[i + 1] - self.light[i]) * f,
            self.width[i] + (self.width[i + 1] - self.width[i]) * f,
        )
    }
}
