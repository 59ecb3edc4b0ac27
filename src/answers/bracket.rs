//! The phone's tone curve from photos of one scene at several exposures, after Debevec and Malik (SIGGRAPH 1997, "Recovering
//! high dynamic range radiance maps from photographs"). A hand-held bracket does not match pixel by pixel, so the levels
//! compared are those of one wavelength and channel, not of one pixel.

use std::collections::BTreeMap;

use super::refusal::Refusal;
use crate::terms::{Interval, Spectrum, srgb_code, srgb_light};

/// Distance between two places of a bracket's spectrum, nm: about one bandpass, so that each adds something.
const PLACE_NM: f64 = 2.0;
/// Steps of the curve, even on the scale of sRGB codes, as the phone's own steps are.
const STEPS: usize = 64;
/// Weight of the curve's smoothness against the data.
const SMOOTH: f64 = 30.0;
/// Exposures must span at least this factor to say anything about the curve.
const LEAST_SPAN: f64 = 1.8;
/// A curve that differs from sRGB's by more than this factor at any level is no phone's.
const WILDEST: f64 = 4.0;
/// Levels between these are compared, linear shares of full scale: darker ones are a few steps of the picture, brighter ones may be cut.
const DARKEST: f64 = 0.002;
const BRIGHTEST: f64 = 0.97;
/// A level counts that has so many times its noise, and this share of the strongest channel: weak channels are what the colour
/// matrix left of them, which is no level of the curve (no source).
const CLEAR_SIGMAS: f64 = 20.0;
const CLEAR_SHARE: f64 = 0.4;
/// Weights against the data of the one step that is held, and of the pull that keeps the equations regular (no source).
const HELD: f64 = 1e3;
const PULL: f64 = 1e-6;
/// Fewer levels than this say nothing about 65 steps.
const LEAST_LEVELS: usize = 60;
/// More than this left over, in ln(light), is no tone curve's: the lamp or the aim changed.
const MOST_LEFT_OVER: f64 = 0.2;

/// One level seen at one exposure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// Which place of the scene: the same for every exposure.
    pub place: usize,
    /// Which exposure.
    pub shot: usize,
    /// Level read as sRGB, linear share of full scale.
    pub level: f64,
}

/// A tone curve beside sRGB's: what a level that was read as sRGB means in light.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// ln(light) at each step of the sRGB code, 0 at the anchor.
    log_light: Vec<f64>,
    /// Largest departure from sRGB, as a factor, over the steps that the bracket reaches; both alike in the middle of them.
    pub departure: f64,
    /// Root mean square of what the curve leaves, in ln(light).
    pub rms: f64,
    /// Lowest and highest level that the bracket reached.
    pub reach: Interval,
}

/// Debevec's hat: levels near black and white count little.
fn hat(z: f64) -> f64 {
    (z.min(1.0 - z) * 2.0).max(0.0)
}

/// The curve from levels of the same places at `exposures` (time × ISO, any unit).
///
/// Solved for the departure from sRGB, which is smooth and small, with the smoothness term on its second difference; the
/// middle of the reach is held.
///
/// # Errors
/// `too-few-shots` below three exposures; `too-alike` where they span less than a factor 1.8; `too-few-levels`;
/// `no-curve` where the result falls or is wilder than any phone's: the scene or the lamp changed between the shots.
pub fn curve(levels: &[Level], exposures: &[f64]) -> Result<Curve, Refusal> {
    check_span(exposures)?;
    let is_used = |l: &&Level| l.shot < exposures.len() && l.level > DARKEST && l.level < BRIGHTEST;
    let used: Vec<&Level> = levels.iter().filter(is_used).collect();
    let per_place = used.len() as f64 / STEPS as f64;
    let mut by_place: BTreeMap<usize, Vec<&Level>> = BTreeMap::new();
    for level in used {
        by_place.entry(level.place).or_default().push(level);
    }
    by_place.retain(|_, seen| seen.len() > 1);
    if by_place.values().map(Vec::len).sum::<usize>() < LEAST_LEVELS {
        return Err(Refusal::new(
            "too-few-levels",
            "too little of the scene is seen, neither dark nor blown out, in two exposures or more",
        ));
    }
    let compared = by_place.values().flatten().map(|l| l.level);
    let reach = compared.fold(Interval::new(f64::MAX, 0.0), |reach, level| {
        Interval::new(reach.low.min(level), reach.high.max(level))
    });
    let (mut a, b) = equations(by_place.values(), exposures);
    hold_smooth(
        &mut a,
        per_place,
        step_below((reach.low * reach.high).sqrt()).0,
    );
    let departure = solve(a, b)
        .ok_or_else(|| Refusal::new("no-curve", "the equations have no single answer"))?;
    let wildest = (0..=STEPS)
        .filter(|i| {
            (srgb_code(reach.low)..=srgb_code(reach.high)).contains(&(*i as f64 / STEPS as f64))
        })
        .map(|i| departure[i].abs())
        .fold(0.0, f64::max)
        .exp();
    let mut curve = Curve {
        log_light: (0..=STEPS)
            .map(|i| srgb_log_light(i) + departure[i])
            .collect(),
        departure: wildest,
        rms: 0.0,
        reach,
    };
    curve.rms = curve.left_over(by_place.values(), exposures);
    let rises = curve.log_light.windows(2).all(|w| w[1] > w[0]);
    if wildest > WILDEST || !rises || curve.rms > MOST_LEFT_OVER {
        return Err(Refusal::new(
            "no-curve",
            format!(
                "the shots do not fit one curve (left over {:.0} %): the lamp or the aim changed between them",
                100.0 * curve.rms
            ),
        ));
    }
    Ok(curve)
}

/// Refuses exposures that are too few or too much alike.
fn check_span(exposures: &[f64]) -> Result<(), Refusal> {
    if exposures.len() < 3 {
        return Err(Refusal::new(
            "too-few-shots",
            format!(
                "a tone curve needs three exposures of one scene; there are {}",
                exposures.len()
            ),
        ));
    }
    let low = exposures.iter().copied().fold(f64::MAX, f64::min);
    let high = exposures.iter().copied().fold(0.0, f64::max);
    if low <= 0.0 || high / low < LEAST_SPAN {
        return Err(Refusal::new(
            "too-alike",
            "the exposures differ by less than a factor 1.8: halve and double the time",
        ));
    }
    Ok(())
}

/// The step of the curve below a level, and how far the level lies from it to the next one, 0 to 1.
fn step_below(level: f64) -> (usize, f64) {
    let at = srgb_code(level).clamp(0.0, 1.0) * STEPS as f64;
    let i = (at as usize).min(STEPS - 1);
    (i, at - i as f64)
}

/// ln(light) at a step of the curve, by sRGB.
fn srgb_log_light(step: usize) -> f64 {
    srgb_light((step as f64 / STEPS as f64).max(1e-4)).ln()
}

/// Normal equations of the departure d(z) from sRGB in ln(light), from the levels place by place.
///
/// ln srgb(z) + d(z) = ln E + ln t, with the light E of the place unknown. With the weighted mean over the place's shots taken
/// off both sides only d remains, and the equations are small.
fn equations<'a>(
    places: impl Iterator<Item = &'a Vec<&'a Level>>,
    exposures: &[f64],
) -> (Vec<Vec<f64>>, Vec<f64>) {
    let n = STEPS + 1;
    let (mut a, mut b) = (vec![vec![0.0; n]; n], vec![0.0; n]);
    for seen in places {
        let weights: Vec<f64> = seen
            .iter()
            .map(|l| hat(srgb_code(l.level)).max(1e-3))
            .collect();
        let total: f64 = weights.iter().sum();
        let log_over_exposure = |l: &Level| l.level.ln() - exposures[l.shot].ln();
        let mut mean_row = vec![0.0; n];
        let mut mean_rest = 0.0;
        for (l, w) in seen.iter().zip(&weights) {
            let (i, t) = step_below(l.level);
            mean_row[i] += w / total * (1.0 - t);
            mean_row[i + 1] += w / total * t;
            mean_rest += w / total * log_over_exposure(l);
        }
        for (l, w) in seen.iter().zip(&weights) {
            let (i, t) = step_below(l.level);
            let mut row: Vec<f64> = mean_row.iter().map(|m| -m).collect();
            row[i] += 1.0 - t;
            row[i + 1] += t;
            let rest = mean_rest - log_over_exposure(l);
            for (p, x) in row.iter().enumerate().filter(|(_, x)| **x != 0.0) {
                b[p] += w * x * rest;
                for (q, y) in row.iter().enumerate() {
                    a[p][q] += w * x * y;
                }
            }
        }
    }
    (a, b)
}

/// Adds to the normal equations that the departure is smooth, and that it is nothing at the step `anchor`.
fn hold_smooth(a: &mut [Vec<f64>], per_place: f64, anchor: usize) {
    for i in 1..STEPS {
        let second_difference = [(i - 1, 1.0), (i, -2.0), (i + 1, 1.0)];
        for (p, x) in second_difference {
            for (q, y) in second_difference {
                a[p][q] += SMOOTH * per_place * x * y;
            }
        }
    }
    a[anchor][anchor] += HELD * per_place;
    // Slopes beyond the reach die out; the slightest pull keeps the equations regular.
    for (i, row) in a.iter_mut().enumerate() {
        row[i] += PULL * per_place;
    }
}

impl Curve {
    /// Light behind a level that was read as sRGB; equal to it at full scale, so that levels stay shares of full scale.
    pub fn light(&self, level: f64) -> f64 {
        let level = level.max(0.0);
        level * self.factor(level)
    }

    /// Light over level.
    fn factor(&self, level: f64) -> f64 {
        let (i, t) = step_below(level.max(0.0));
        // The departure is what is smooth: it is interpolated, not the steep logarithm.
        let d = |i: usize| self.log_light[i] - srgb_log_light(i);
        let departure = d(i) + t * (d(i + 1) - d(i));
        (departure - d(STEPS)).exp()
    }

    /// Root mean square of what the shots of one place differ by under this curve, in ln(light).
    fn left_over<'a>(
        &self,
        places: impl Iterator<Item = &'a Vec<&'a Level>>,
        exposures: &[f64],
    ) -> f64 {
        let (mut squares, mut freedom) = (0.0, 0.0);
        for seen in places {
            let logs: Vec<f64> = seen
                .iter()
                .map(|l| self.light(l.level).ln() - exposures[l.shot].ln())
                .collect();
            let mean = logs.iter().sum::<f64>() / logs.len() as f64;
            squares += logs.iter().map(|v| (v - mean).powi(2)).sum::<f64>();
            freedom += logs.len() as f64 - 1.0;
        }
        (squares / freedom).sqrt()
    }

    /// The curve at its steps between the lowest and the highest level that the bracket reached: code (0…1), what it means in
    /// light by sRGB, and by this curve.
    pub fn table(&self) -> Vec<(f64, f64, f64)> {
        (0..=STEPS)
            .map(|i| {
                let z = i as f64 / STEPS as f64;
                (z, srgb_light(z), self.light(srgb_light(z)))
            })
            .filter(|(_, level, _)| (self.reach.low..=self.reach.high).contains(level))
            .collect()
    }

    /// How far light departs from what sRGB would make of a code, both alike at white: lowest and highest over [`Curve::table`],
    /// as shares (0.3 is 30 % more light).
    pub fn apart(&self) -> (f64, f64) {
        self.table()
            .into_iter()
            .filter(|(_, srgb, _)| *srgb > 0.0)
            .map(|(_, srgb, light)| light / srgb - 1.0)
            .fold((0.0, 0.0), |(low, high), x| (x.min(low), x.max(high)))
    }

    /// A spectrum whose levels were read as sRGB, as this curve has them.
    pub fn retoned(&self, spectrum: &Spectrum) -> Spectrum {
        let mut spectrum = spectrum.clone();
        for row in &mut spectrum.rows {
            let before: f64 = row.rgb.iter().sum();
            for (level, sigma) in row.rgb.iter_mut().zip(&mut row.rgb_sigma) {
                let factor = self.factor(*level);
                *level *= factor;
                *sigma *= factor;
            }
            // All channels together follow the stronger ones.
            let factor = if before > 1e-9 {
                row.rgb.iter().sum::<f64>() / before
            } else {
                self.factor(0.0)
            };
            row.signal *= factor;
            row.signal_sigma *= factor;
        }
        spectrum
    }
}

/// A spectrum as levels of places: every 2 nm and channel that carries signal and is not clipped.
pub fn levels_of(spectrum: &Spectrum, scene: usize, shot: usize) -> Vec<Level> {
    let every = (PLACE_NM / spectrum.step_nm.max(0.01)).round().max(1.0) as usize;
    let mut levels = Vec::new();
    for row in spectrum.rows.iter() {
        // A place is a wavelength: shots may begin at different ones.
        let place = (row.wavelength_nm / spectrum.step_nm).round() as usize;
        if !place.is_multiple_of(every) || row.clipped > 0.0 {
            continue;
        }
        let strongest = row.strongest();
        for (c, (level, sigma)) in row.rgb.iter().zip(row.rgb_sigma).enumerate() {
            if *level > CLEAR_SIGMAS * sigma && *level > CLEAR_SHARE * strongest {
                levels.push(Level {
                    place: (scene * 100_000 + place) * 3 + c,
                    shot,
                    level: *level,
                });
            }
        }
    }
    levels
}

/// Gaussian elimination with pivots; absent where there is no single answer.
fn solve(mut a: Vec<Vec<f64>>, mut b: Vec<f64>) -> Option<Vec<f64>> {
    let n = b.len();
    for column in 0..n {
        let pivot =
            (column..n).max_by(|p, q| a[*p][column].abs().total_cmp(&a[*q][column].abs()))?;
        if a[pivot][column].abs() < 1e-12 {
            return None;
        }
        a.swap(column, pivot);
        b.swap(column, pivot);
        for row in column + 1..n {
            let factor = a[row][column] / a[column][column];
            if factor != 0.0 {
                let (above, below) = a.split_at_mut(row);
                for (x, y) in below[0][column..].iter_mut().zip(&above[column][column..]) {
                    *x -= factor * y;
                }
                b[row] -= factor * b[column];
            }
        }
    }
    for row in (0..n).rev() {
        let known: f64 = (row + 1..n).map(|k| a[row][k] * b[k]).sum();
        b[row] = (b[row] - known) / a[row][row];
    }
    b.iter().all(|v| v.is_finite()).then_some(b)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A scene of many levels through a phone with an S of strength `s` over sRGB, read back as sRGB.
    fn shots(s: f64, exposures: &[f64]) -> Vec<Level> {
        let turn = 2.0 * std::f64::consts::PI;
        let mut levels = Vec::new();
        for place in 0..150 {
            let scene = 0.004 * 1.04f64.powi(place);
            for (shot, t) in exposures.iter().enumerate() {
                let v = srgb_code((scene * t).min(1.0));
                let level = srgb_light(v - s * (turn * v).sin() / turn);
                levels.push(Level {
                    place: place as usize,
                    shot,
                    level,
                });
            }
        }
        levels
    }

    #[test]
    fn brackets_through_the_srgb_curve_give_it_back() {
        let t = [0.25, 0.5, 1.0, 2.0];
        let found = curve(&shots(0.0, &t), &t).unwrap();
        assert!(found.departure < 1.02 && found.rms < 0.01, "{found:?}");
        for level in [0.01, 0.1, 0.5, 0.9] {
            assert!((found.light(level) / level - 1.0).abs() < 0.02);
        }
    }

    #[test]
    fn an_s_over_the_curve_is_found_and_taken_out() {
        let t = [0.25, 0.5, 1.0, 2.0];
        let turn = 2.0 * std::f64::consts::PI;
        let found = curve(&shots(0.12, &t), &t).unwrap();
        let truth = [0.03, 0.1, 0.3, 0.6];
        let read = truth.map(|l| {
            let v = srgb_code(l);
            found.light(srgb_light(v - 0.12 * (turn * v).sin() / turn))
        });
        for i in 1..4 {
            let off = (read[i] / read[0]) / (truth[i] / truth[0]) - 1.0;
            assert!(off.abs() < 0.02, "{i}: {off}");
        }
        assert!(found.departure > 1.05);
    }

    #[test]
    fn too_few_or_equal_exposures_and_a_lamp_that_flickers_are_refused() {
        assert_eq!(
            curve(&shots(0.0, &[1.0, 2.0]), &[1.0, 2.0])
                .unwrap_err()
                .code,
            "too-few-shots"
        );
        let alike = [1.0, 1.1, 1.2];
        assert_eq!(
            curve(&shots(0.0, &alike), &alike).unwrap_err().code,
            "too-alike"
        );
        let mut wild = shots(0.0, &[0.5, 1.0, 2.0]);
        for l in &mut wild {
            if (l.place + l.shot) % 2 == 0 {
                l.level *= 0.4;
            }
        }
        assert_eq!(curve(&wild, &[0.5, 1.0, 2.0]).unwrap_err().code, "no-curve");
        assert_eq!(
            curve(&[], &[0.5, 1.0, 2.0]).unwrap_err().code,
            "too-few-levels"
        );
    }
}
