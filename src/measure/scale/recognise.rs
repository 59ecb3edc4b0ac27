//! Which line is which? The lamp's pattern, as the instrument would blur it, is looked for over the whole range of
//! focal length, incidence and distortion that a phone can have; a local search would lock onto neighbours.

use crate::measure::light::peaks::{Maximum, maxima};
use crate::measure::light::profile::Profile;
use crate::measure::optics::adjust::{Observation, adjust, index};
use crate::measure::optics::{FAN_SIGMA, PUPIL_SHARE_SIGMA, Rays, USUAL_PUPIL_SHARE};
use crate::measure::scale::photo_scale::{FLUSH_DEG, USUAL_K1, USUAL_LATERAL, USUAL_LATERAL_BOW};
use crate::terms::{FWHM_PER_SIGMA, Interval, Lamp, Optics, Point};

/// What phones see of every lamp: violet and deep red are taken by their filters.
pub const SEEN_NM: Interval = Interval::new(415.0, 680.0);
/// A lamp's light as the instrument would show it is worked out from this wavelength on, nm, in steps of this, for so many
/// steps: over all that a phone may see.
const START_NM: f64 = 360.0;
const STEP_NM: f64 = 0.2;
const STEPS: usize = 2200;
/// What of it stands out by this share of the highest is a feature.
const FEATURE_SHARE: f64 = 0.002;
/// A feature is known as a landmark to so much, nm, where it is a sharp line, within this of the line…
const SHARP_SIGMA_NM: f64 = 0.25;
/// …and to so much where it is the top of a band.
const BROAD_SIGMA_NM: f64 = 0.8;
/// Maxima are looked for within so many tolerances of their feature.
const REACH: f64 = 3.0;
/// What is missing where the sensor hardly sees counts by this share; what is found there, by the other.
const HARDLY_SEEN_MISSING: f64 = 0.25;
const HARDLY_SEEN_FOUND: f64 = 0.5;
/// A maximum as unlike its feature in height as it may be still counts by this share.
const LEAST_ALIKE: f64 = 0.25;
/// What is seen but not in the lamp counts against it by this share.
const STRANGE: f64 = 0.5;
/// The search steps through focal lengths by this share…
const FOCAL_STEP: f64 = 0.004;
/// …and more coarsely through incidence, degrees, and distortion: what they do, focal length does too, over one order.
const YAWS_DEG: [f64; 5] = [-2.4, -1.2, 0.0, 1.2, 2.4];
const K1S: [f64; 3] = [-0.016, 0.0, 0.016];
/// At first sight the same is stepped through more coarsely still: nothing is adjusted, and a doubt calls for the whole search.
const FIRST_YAWS_DEG: [f64; 3] = [-2.4, 0.0, 2.4];
const FIRST_K1S: [f64; 1] = [0.0];
/// So many starts are refined, the best first, each of which puts light elsewhere than the others by more than this, nm…
const MOST_STARTS: usize = 14;
const ELSEWHERE_NM: f64 = 1.2;
/// …at one of these wavelengths, nm.
const COMPARED_NM: [f64; 3] = [440.0, 550.0, 620.0];
/// How far a maximum may lie from its feature, nm: in the search, in the rounds that refine a start, and in the last score.
const SEARCH_NM: f64 = 1.6;
const REFINE_NM: [f64; 3] = [1.6, 1.0, 0.7];
const LAST_NM: f64 = 0.5;
/// A pair counts within so many of its tolerance and of this share of the feature's uncertainty; a faint feature's weight is this at
/// least (no source).
const PAIR_REACH: f64 = 2.5;
const PAIR_SIGMA_SHARE: f64 = 0.4;
const LEAST_WEIGHT: f64 = 0.15;
/// A drawn line's light ends so many standard deviations from its middle: there is none to see beyond.
const DRAWN_SIGMAS: f64 = 6.0;
/// The slit's own image is known to so much along the dispersion, nm, while lines are only paired.
const SLIT_NM: f64 = 0.15;

/// A lamp's maxima as the instrument would show them.
#[derive(Clone, Debug)]
pub struct Feature {
    /// Its wavelength, nm.
    pub nm: f64,
    /// √(height over the highest that a phone sees), at most 1.
    pub weight: f64,
    /// Uncertainty as a landmark, nm.
    pub sigma_nm: f64,
}

/// What is seen on one side of the slit's image.
pub struct Side {
    /// The order's sign: +1 or −1.
    pub sign: f64,
    /// The maxima of its light, on the scale of the rays it was binned with.
    pub maxima: Vec<Maximum>,
    /// |m λ| within which it lies on the picture.
    pub range_nm: Interval,
}

/// A scale that may be the right one: optics whose lines fall where maxima are.
#[derive(Clone, Debug)]
pub struct Candidate {
    /// The optics.
    pub optics: Optics,
    /// Agreement, from −1 (nothing agrees) to 1 (everything does).
    pub score: f64,
    /// Which maximum each feature was given.
    pub pairs: Pairs,
}

/// The features of a lamp seen at a bandpass of `fwhm_nm`.
pub fn features(lamp: &Lamp, fwhm_nm: f64) -> Vec<Feature> {
    let n = STEPS;
    let mut light = vec![0.0; n];
    for line in &lamp.lines {
        let width = fwhm_nm.hypot(line.width_nm);
        let sigma = width / FWHM_PER_SIGMA;
        // A strength is that of the light in the line; a band's is its height at a fine bandpass.
        let height = line.strength
            * if line.width_nm == 0.0 {
                1.0
            } else {
                line.width_nm / width
            };
        for (i, value) in light.iter_mut().enumerate() {
            let d = (START_NM + i as f64 * STEP_NM - line.wavelength_nm) / sigma;
            if d.abs() < DRAWN_SIGMAS {
                *value += height * (-0.5 * d * d).exp();
            }
        }
    }
    let profile = Profile {
        sign: 1.0,
        start_nm: START_NM,
        step_nm: STEP_NM,
        rgb: vec![[0.0; 3]; n],
        rgb_sigma: vec![[0.0; 3]; n],
        sigma: vec![1e-9; n],
        clipped: vec![0.0; n],
        background: vec![0.0; n],
        light,
    };
    let found = maxima(&profile, 1.0, FEATURE_SHARE);
    // The strongest that a phone sees: neon's and argon's strongest lie in the red that its filter takes.
    let top = found
        .iter()
        .filter(|m| SEEN_NM.contains(m.nm))
        .map(|m| m.height)
        .fold(1e-12, f64::max);
    found
        .iter()
        .map(|m| {
            let sharp = lamp
                .lines
                .iter()
                .any(|l| l.width_nm == 0.0 && (l.wavelength_nm - m.nm).abs() < SHARP_SIGMA_NM);
            let sigma_nm = if sharp {
                SHARP_SIGMA_NM
            } else {
                BROAD_SIGMA_NM
            };
            Feature {
                nm: m.nm,
                weight: (m.height / top).sqrt().min(1.0),
                sigma_nm,
            }
        })
        .collect()
}

/// Places at which a trial is asked where it puts light, nm…
const NODES_NM: [f64; 6] = [370.0, 430.0, 500.0, 580.0, 660.0, 730.0];

/// The scales that a search begins with: over all focal lengths, incidences and distortions that a phone may have. They are the same
/// for every lamp.
pub struct Trials {
    trials: Vec<Trial>,
}

/// One of them: where it puts light of [`NODES_NM`] on each side, signed, on the scale that the sides were binned with. Absent of a
/// side on which some of that leaves no grating.
struct Trial {
    optics: Optics,
    nodes: Vec<Option<[f64; NODES_NM.len()]>>,
}

impl Trials {
    /// For sides that were binned with `base`.
    pub fn of(base: &Optics, sides: &[Side], search: &Search) -> Trials {
        Trials::through(base, sides, search, (&YAWS_DEG, &K1S))
    }

    /// The fewer that tell at first sight whether there may be a lamp's pattern at all.
    pub fn few(base: &Optics, sides: &[Side], search: &Search) -> Trials {
        Trials::through(base, sides, search, (&FIRST_YAWS_DEG, &FIRST_K1S))
    }

    fn through(
        base: &Optics,
        sides: &[Side],
        search: &Search,
        (yaws_deg, k1s): (&[f64], &[f64]),
    ) -> Trials {
        let binned = base.rays();
        let steps = (search.focal_reach / FOCAL_STEP).ceil() as i32;
        let focal = (-steps..=steps).map(|i| search.focal_px * (1.0 + FOCAL_STEP * f64::from(i)));
        let all = focal.flat_map(|focal_px| {
            yaws_deg
                .iter()
                .flat_map(move |&yaw_deg| k1s.iter().map(move |&k1| (focal_px, yaw_deg, k1)))
        });
        let trial = |(focal_px, yaw_deg, k1): (f64, f64, f64)| {
            let mut optics = Optics {
                focal_px,
                k1,
                yaw_rad: yaw_deg.to_radians(),
                ..base.clone()
            };
            optics.aim_slit_at(search.slit_px);
            let rays = optics.rays();
            let nodes = sides.iter().map(|side| {
                let mut nodes = [0.0; NODES_NM.len()];
                for (node, nm) in nodes.iter_mut().zip(NODES_NM) {
                    *node = seen_at(&rays, &binned, side.sign * nm)?;
                }
                Some(nodes)
            });
            Trial {
                nodes: nodes.collect(),
                optics,
            }
        };
        Trials {
            trials: all.map(trial).collect(),
        }
    }

    /// How well each agrees with a lamp's pattern, −1…1, with which maximum each feature was given.
    fn scored(&self, base: &Optics, features: &[Feature], sides: &[Side]) -> Vec<(f64, Pairs)> {
        let binned = base.rays();
        // A smooth course through all nodes: they lie so near each other that it is off by less than 0.01 nm between them.
        let weights: Vec<[f64; NODES_NM.len()]> =
            features.iter().map(|feature| weights(feature.nm)).collect();
        let one = |trial: &Trial| {
            let rays = trial.optics.rays();
            let at = |side: usize, feature: usize| match &trial.nodes[side] {
                Some(nodes) => {
                    let of_node = nodes.iter().zip(&weights[feature]);
                    Some(of_node.map(|(node, weight)| node * weight).sum())
                }
                None => seen_at(&rays, &binned, sides[side].sign * features[feature].nm),
            };
            score_where(at, features, sides, SEARCH_NM)
        };
        self.trials.iter().map(one).collect()
    }

    /// The best agreement with a lamp's pattern before anything is adjusted, −1…1, and how many features have a maximum in their
    /// places on the side where more have; absent where there is nothing to try.
    pub fn best(
        &self,
        base: &Optics,
        features: &[Feature],
        sides: &[Side],
    ) -> Option<(f64, usize)> {
        let scored = self.scored(base, features, sides).into_iter();
        let (score, pairs) = scored.max_by(|a, b| a.0.total_cmp(&b.0))?;
        Some((score, n_placed(&pairs)))
    }
}

/// How many features have a maximum in their places, on the side where more have.
pub fn n_placed(pairs: &Pairs) -> usize {
    let placed = pairs.iter().map(|side| side.iter().flatten().count());
    placed.max().unwrap_or(0)
}

/// What each of the nodes counts at `nm`, by Lagrange's formula.
fn weights(nm: f64) -> [f64; NODES_NM.len()] {
    std::array::from_fn(|k| {
        let others = (0..NODES_NM.len()).filter(|&i| i != k);
        let share = |i: usize| (nm - NODES_NM[i]) / (NODES_NM[k] - NODES_NM[i]);
        others.map(share).product()
    })
}

/// Where `m λ` falls on the scale that a profile was binned with.
pub fn seen_at(rays: &Rays, binned: &Rays, path_nm: f64) -> Option<f64> {
    let at = rays.pixel_of_path(path_nm, 0.0)?;
    Some(binned.path_nm(at))
}

/// For each side and feature of the lamp: index of the maximum it was given.
pub type Pairs = Vec<Vec<Option<usize>>>;

/// Scores one optics, −1…1, and pairs features with maxima. `tolerance_nm` is how far a maximum may lie from its feature.
fn score(
    optics: &Optics,
    binned: &Rays,
    features: &[Feature],
    sides: &[Side],
    tolerance_nm: f64,
) -> (f64, Pairs) {
    let rays = optics.rays();
    let at = |side: usize, feature: usize| {
        seen_at(&rays, binned, sides[side].sign * features[feature].nm)
    };
    score_where(at, features, sides, tolerance_nm)
}

/// The same where `at` says where, on a side's own scale and signed, a feature is to be seen.
fn score_where(
    seen_at: impl Fn(usize, usize) -> Option<f64>,
    features: &[Feature],
    sides: &[Side],
    tolerance_nm: f64,
) -> (f64, Pairs) {
    let (mut gained, mut possible) = (0.0, 0.0);
    let mut all_pairs = Vec::new();
    for (i, side) in sides.iter().enumerate() {
        let top = side.maxima.iter().map(|m| m.height).fold(1e-12, f64::max);
        let weights: Vec<f64> = side
            .maxima
            .iter()
            // A faint one can lie below zero where more was taken for background than there is.
            .map(|m| (m.height.max(0.0) / top).sqrt())
            .collect();
        let mut taken = vec![0.0f64; side.maxima.len()];
        let mut side_pairs = vec![None; features.len()];
        for (k, feature) in features.iter().enumerate() {
            let Some(path) = seen_at(i, k) else {
                continue;
            };
            let at = side.sign * path;
            if at < side.range_nm.low + 1.0 || at > side.range_nm.high - 1.0 {
                continue;
            }
            let visible = if SEEN_NM.contains(feature.nm) {
                1.0
            } else {
                HARDLY_SEEN_MISSING
            };
            possible += feature.weight * visible;
            let first = side
                .maxima
                .partition_point(|m| m.nm < at - REACH * tolerance_nm);
            let spread = tolerance_nm.hypot(0.5 * feature.sigma_nm);
            let mut best = (0.0, None);
            for (j, m) in side.maxima.iter().enumerate().skip(first) {
                if m.nm > at + REACH * tolerance_nm {
                    break;
                }
                let d = (m.nm - at) / spread;
                let weight = weights[j];
                let alike =
                    (weight.min(feature.weight) / weight.max(feature.weight)).max(LEAST_ALIKE);
                let value = (-0.5 * d * d).exp() * alike;
                if value > best.0 {
                    best = (value, Some(j));
                }
            }
            gained += best.0 * feature.weight * visible.max(HARDLY_SEEN_FOUND);
            if let Some(j) = best.1 {
                taken[j] = taken[j].max(best.0);
                side_pairs[k] = Some(j);
            }
        }
        for (weight, share) in weights.iter().zip(&taken) {
            possible += STRANGE * weight;
            gained += STRANGE * weight * share;
        }
        all_pairs.push(side_pairs);
    }
    let score = if possible > 0.0 {
        2.0 * gained / possible - 1.0
    } else {
        -1.0
    };
    (score, all_pairs)
}

/// What is known of the optics before the search, and how wide to search.
#[derive(Clone, Copy, Debug)]
pub struct Search {
    /// Expected focal length, px.
    pub focal_px: f64,
    /// Relative half width of the search in focal length.
    pub focal_reach: f64,
    /// Standard uncertainty of the expected focal length, relative; for the prior.
    pub focal_sigma: f64,
    /// Pixel of the slit's middle.
    pub slit_px: Point,
}

/// Distortion of the fourth power that phones' lenses have after the phone's own correction (standard deviation of k2).
const USUAL_K2: f64 = 0.004;
/// The principal point of the full frame lies in its middle to so many px: assembly tolerance of the lens.
const CENTRE_PX: f64 = 15.0;

/// Priors of the search: what hand-built spectroscopes and phones are like.
pub fn priors(search: &Search) -> Vec<Observation> {
    let focal_sigma_px = search.focal_sigma * search.focal_px;
    vec![
        Observation::prior(index::FOCAL, search.focal_px, focal_sigma_px),
        Observation::prior(index::K1, 0.0, USUAL_K1),
        Observation::prior(index::K2, 0.0, USUAL_K2),
        Observation::prior(index::YAW, 0.0, FLUSH_DEG.to_radians()),
        Observation::prior(index::PITCH, 0.0, FLUSH_DEG.to_radians()),
        Observation::prior(index::PUPIL, USUAL_PUPIL_SHARE, PUPIL_SHARE_SIGMA),
        Observation::prior(index::FAN, 0.0, FAN_SIGMA),
        Observation::prior(index::CENTRE, 0.0, CENTRE_PX),
        Observation::prior(index::ACROSS, 0.0, CENTRE_PX),
        Observation::prior(index::LATERAL, 0.0, USUAL_LATERAL),
        Observation::prior(index::LATERAL_BOW, 0.0, USUAL_LATERAL_BOW),
    ]
}

/// Best candidates of all `trials`, best first; their assignments differ.
///
/// `base` is the optics that the sides were binned with.
pub fn search(
    base: &Optics,
    lamp_features: &[Feature],
    sides: &[Side],
    (search, trials): (&Search, &Trials),
) -> Vec<Candidate> {
    let binned = base.rays();
    let scored = trials.scored(base, lamp_features, sides).into_iter();
    let mut found: Vec<(f64, &Optics)> = scored
        .zip(&trials.trials)
        .map(|((score, _), trial)| (score, &trial.optics))
        .collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let shift = |o: &Optics| -> Vec<f64> {
        let rays = o.rays();
        sides
            .iter()
            .flat_map(|s| COMPARED_NM.map(|nm| seen_at(&rays, &binned, s.sign * nm).unwrap_or(0.0)))
            .collect()
    };
    let mut starts: Vec<(&Optics, Vec<f64>)> = Vec::new();
    for (_, optics) in found {
        let here = shift(optics);
        let is_apart = |(_, there): &(&Optics, Vec<f64>)| {
            there
                .iter()
                .zip(&here)
                .any(|(a, b)| (a - b).abs() > ELSEWHERE_NM)
        };
        if starts.iter().all(is_apart) {
            starts.push((optics, here));
        }
        if starts.len() >= MOST_STARTS {
            break;
        }
    }
    let mut candidates: Vec<Candidate> = Vec::new();
    for (start, _) in starts {
        if let Some(candidate) = refine(start, &binned, lamp_features, sides, search) {
            let known = candidates.iter_mut().find(|c| c.pairs == candidate.pairs);
            match known {
                Some(k) if k.score < candidate.score => *k = candidate,
                Some(_) => {}
                None => candidates.push(candidate),
            }
        }
    }
    candidates.sort_by(|a, b| b.score.total_cmp(&a.score));
    candidates
}

/// Adjusts the optics to the maxima that they pair with features, with less and less tolerance.
fn refine(
    start: &Optics,
    binned: &Rays,
    features: &[Feature],
    sides: &[Side],
    search: &Search,
) -> Option<Candidate> {
    let mut optics = start.clone();
    for tolerance in REFINE_NM {
        let (_, pairs) = score(&optics, binned, features, sides, tolerance);
        let mut observations = priors(search);
        observations.push(Observation::Path {
            at: search.slit_px,
            path_nm: 0.0,
            sigma_nm: SLIT_NM,
        });
        let rays = optics.rays();
        for (side, side_pairs) in sides.iter().zip(&pairs) {
            for (feature, pair) in features.iter().zip(side_pairs) {
                let Some(j) = pair else { continue };
                let m = &side.maxima[*j];
                let expected = seen_at(&rays, binned, side.sign * feature.nm)?;
                if (side.sign * expected - m.nm).abs()
                    > PAIR_REACH * tolerance.hypot(PAIR_SIGMA_SHARE * feature.sigma_nm)
                {
                    continue;
                }
                let at = binned.pixel_of_path(side.sign * m.nm, 0.0)?;
                let sigma_nm = feature.sigma_nm / feature.weight.max(LEAST_WEIGHT);
                observations.push(Observation::Path {
                    at,
                    path_nm: side.sign * feature.nm,
                    sigma_nm,
                });
            }
        }
        let free = [index::FOCAL, index::K1, index::YAW, index::ALPHA];
        optics = adjust(&optics, search.slit_px, &free, &observations)?.optics;
    }
    let (score, pairs) = score(&optics, binned, features, sides, LAST_NM);
    Some(Candidate {
        optics,
        score,
        pairs,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lines of a lamp on one side, the last one so much below the background that was taken off.
    #[test]
    fn a_line_below_zero_counts_nothing() {
        let nm = [436.0, 546.0, 578.0, 612.0];
        let features: Vec<Feature> = nm[..3]
            .iter()
            .map(|&nm| Feature {
                nm,
                weight: 1.0,
                sigma_nm: 0.25,
            })
            .collect();
        let agreement = |last: f64| {
            let maximum = |nm: f64, height: f64| Maximum {
                nm,
                index: 0,
                prominence: 1.0,
                height,
                fwhm_nm: 2.0,
                snr: 30.0,
                clipped: 0.0,
            };
            let heights = [1.0, 1.0, 1.0, last];
            let side = Side {
                sign: 1.0,
                maxima: nm
                    .iter()
                    .zip(heights)
                    .map(|(&nm, h)| maximum(nm, h))
                    .collect(),
                range_nm: Interval::new(340.0, 800.0),
            };
            let optics = Optics::flush(1600.0, 2900.0, 3264, 2448);
            score(&optics, &optics.rays(), &features, &[side], 1.0).0
        };
        assert!((agreement(0.0) - 1.0).abs() < 1e-3, "{}", agreement(0.0));
        assert_eq!(agreement(-1e-5), agreement(0.0));
        assert!(agreement(1.0) < 0.9);
    }
    /// A side of a picture that was binned with this disc, focal length and place of the slit, without lines.
    fn side(sign: f64) -> Side {
        Side {
            sign,
            maxima: Vec::new(),
            range_nm: Interval::new(340.0, 800.0),
        }
    }

    /// The slow and obvious way: each trial is asked for each wavelength.
    #[test]
    fn a_course_through_a_few_wavelengths_is_what_each_trial_says_of_all() {
        for (spacing_nm, slit_x) in [(1600.0, 1900.0), (1600.0, 1200.0), (740.0, 2700.0)] {
            let mut base = Optics::flush(spacing_nm, 2600.0, 4032, 3024);
            base.fan = 8.0;
            base.pupil_share = USUAL_PUPIL_SHARE;
            let slit_px = Point::new(slit_x, 1500.0);
            base.aim_slit_at(slit_px);
            let search = Search {
                focal_px: 2600.0,
                focal_reach: 0.12,
                focal_sigma: 0.05,
                slit_px,
            };
            let sides = [side(-1.0), side(1.0)];
            let (trials, binned) = (Trials::of(&base, &sides, &search), base.rays());
            let mut n_compared = 0;
            for trial in &trials.trials {
                let rays = trial.optics.rays();
                for (side, nodes) in sides.iter().zip(&trial.nodes) {
                    let Some(nodes) = nodes else { continue };
                    for nm in (400..=720).step_by(20).map(f64::from) {
                        let weights = weights(nm);
                        let smooth: f64 = nodes.iter().zip(weights).map(|(n, w)| n * w).sum();
                        let exact = seen_at(&rays, &binned, side.sign * nm).expect("seen");
                        assert!((smooth - exact).abs() < 0.02, "{nm}: {smooth}, {exact}");
                        n_compared += 1;
                    }
                }
            }
            assert!(n_compared > 10_000, "{n_compared}");
        }
    }
}
