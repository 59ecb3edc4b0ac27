//! The wavelength scale from a lamp photo: lines found by pattern, fitted as blends, adjusted to the optics along the
//! whole slit, and tested against every other assignment before it is believed.

pub mod evidence;
pub mod lamp_photo;
pub mod recognise;

use crate::measure::light::lineshape::{GroupFit, LineShape, fit_group, fit_shape, groups};
use crate::measure::light::peaks::maxima;
use crate::measure::light::profile::{Profile, SLABS, Slabs};
use crate::measure::optics::Rays;
use crate::measure::optics::adjust::{Adjusted, Observation, adjust, index};
use crate::measure::scale::evidence::{excess_scatter, report};
use crate::measure::scale::recognise::{Candidate, Search, Side, features, priors, search};
use crate::measure::sight::trace::Slit;
use crate::terms::Optics;
use crate::terms::{Calibration, Lamp};

/// A side of the slit's image with its light.
pub struct Order {
    /// Bins.
    pub slabs: Slabs,
    /// Mean light on the scale of the rays it was binned with.
    pub profile: Profile,
}

/// Why a lamp photo gives no scale.
#[derive(Clone, Debug)]
pub enum Refusal {
    /// Too few lines: how many, and which.
    FewLines(String),
    /// The lines do not fit one scale, or more than one scale fits them.
    PoorFit(String),
}

/// A scale and what it rests on.
pub struct Found {
    /// The scale.
    pub calibration: Calibration,
    /// Line shape at the clearest line, where one is clear.
    pub shape: Option<LineShape>,
    /// Agreement with the lamp's pattern, −1…1.
    pub score: f64,
    /// Groups as fitted: order's sign, group, fit.
    pub groups: Vec<(f64, Vec<usize>, GroupFit)>,
}

/// Least agreement with the lamp's pattern that is believed, −1…1. Right lamps give 0.03–0.7, wrong ones below −0.2.
const LEAST_SCORE: f64 = 0.0;
/// So many lines in their places are no chance, however bright each is: tables and tubes of neon differ by factors. Right
/// neon lamps give −0.05 and more, wrong ones below −0.4.
const MANY_LINES: (usize, f64) = (10, -0.15);
/// From this agreement on, and with so much lead over the next, another lamp is named as what it looks like.
const CLEAR_SCORE: f64 = 0.2;
const CLEAR_LEAD: f64 = 0.15;
/// Lines are fitted anew on the scale that they gave until nothing moves by more than this, nm…
const SETTLED_NM: f64 = 0.01;
/// …or so many times: with one order and a phone askew the slant of the lines takes a few.
const MOST_ROUNDS: usize = 8;
/// A position in a picture is not known better than this, whatever the noise: demosaicing, pixel response, JPEG.
const FLOOR_PX: f64 = 0.02;
/// Middle of the zero order, half-way between its flanks: what stays even where the image is as narrow as the slit…
const ANCHOR_PX: f64 = 0.015;
/// …and what each pixel of its width adds: glare and unequal lighting blow the flanks up unequally. Between drawn photos of
/// one bench the middle scatters by 0.03 px (two hands).
const ANCHOR_PER_WIDTH: f64 = 0.001;
/// A slit lit unevenly across its width moves every line by this share of the width (common practice, no source: a
/// lighting that falls by an eighth from blade to blade moves the centre by a hundredth).
pub const UNEVEN_SHARE: f64 = 0.01;

/// The sides of the slit's image on which lines stand out, and those lines' typical width, nm; absent where none does.
fn sides(orders: &[Order]) -> Option<(Vec<Side>, f64)> {
    let sides: Vec<Side> = orders
        .iter()
        .filter_map(|order| {
            let found = maxima(&order.profile, 8.0, 0.008);
            let enough = found.len() >= 2;
            enough.then(|| Side {
                sign: order.profile.sign,
                range_nm: (
                    order.profile.nm(0.0),
                    order.profile.nm(order.profile.len() as f64),
                ),
                maxima: found,
            })
        })
        .collect();
    let strongest = sides
        .iter()
        .map(|s| s.maxima.iter().map(|m| m.height).fold(0.0f64, f64::max))
        .fold(0.0f64, f64::max);
    // An order that is a hundredth of the other one adds noise, not lines.
    let sides: Vec<Side> = sides
        .into_iter()
        .filter(|s| s.maxima.iter().map(|m| m.height).fold(0.0f64, f64::max) > 0.02 * strongest)
        .collect();
    if sides.is_empty() {
        return None;
    }
    let mut widths: Vec<f64> = sides
        .iter()
        .flat_map(|s| s.maxima.iter().map(|m| m.fwhm_nm))
        .collect();
    widths.sort_by(f64::total_cmp);
    let typical = widths[widths.len() / 4];
    Some((sides, typical))
}

/// How well the lines agree with each lamp's pattern, −1…1, best first; empty where fewer than three lines stand out: two
/// make many lamps' patterns.
pub fn agreements<'a>(
    base: &Optics,
    orders: &[Order],
    lamps: impl Iterator<Item = &'a Lamp>,
    focal: &Search,
) -> Vec<(&'a Lamp, f64)> {
    let Some((sides, typical)) = sides(orders) else {
        return Vec::new();
    };
    if sides.iter().all(|side| side.maxima.len() < 3) {
        return Vec::new();
    }
    let mut agreement: Vec<(&Lamp, f64)> = lamps
        .filter_map(|lamp| {
            let candidates = search(base, &features(lamp, typical), &sides, focal);
            Some((lamp, candidates.first()?.score))
        })
        .collect();
    agreement.sort_by(|a, b| b.1.total_cmp(&a.1));
    agreement
}

/// Of other lamps the one whose pattern the lines make, where one does so clearly: for words only, no scale is made of it.
pub fn looks_like<'a>(
    base: &Optics,
    orders: &[Order],
    lamps: impl Iterator<Item = &'a Lamp>,
    focal: &Search,
) -> Option<(&'a Lamp, f64)> {
    let agreement = agreements(base, orders, lamps, focal);
    let second = agreement.get(1).map_or(-1.0, |second| second.1);
    let best = *agreement.first()?;
    (best.1 > CLEAR_SCORE && best.1 > second + CLEAR_LEAD).then_some(best)
}

/// Fits the scale.
///
/// `base` is the optics with which the orders were binned; `focal` says what is known of the focal length.
pub fn calibrate(
    base: &Optics,
    slit: &Slit,
    height_observations: &[Observation],
    orders: &[Order],
    lamp: &Lamp,
    focal: &Search,
    log: &mut Vec<String>,
) -> Result<Found, Refusal> {
    let Some((sides, typical)) = sides(orders) else {
        return Err(Refusal::FewLines("no lines stand out".into()));
    };
    let lamp_features = features(lamp, typical);
    let candidates = search(base, &lamp_features, &sides, focal);
    for c in candidates.iter().take(3) {
        log.push(format!(
            "lamp pattern {}: agreement {:.3} with focal length {:.0} px, yaw {:.2}°, k1 {:.4}",
            lamp.name,
            c.score,
            c.optics.focal_px,
            c.optics.yaw_rad.to_degrees(),
            c.optics.k1
        ));
    }
    let Some(best) = candidates.first() else {
        return Err(Refusal::FewLines(
            "the lamp's pattern is nowhere in it".into(),
        ));
    };
    let placed = best.pairs.iter().map(|side| side.iter().flatten().count());
    let least = match placed.max() {
        Some(n) if n >= MANY_LINES.0 => MANY_LINES.1,
        _ => LEAST_SCORE,
    };
    if best.score < least {
        return Err(Refusal::FewLines(format!(
            "the lines do not make the pattern of {}: agreement {:.2}, {least:.2} is needed",
            lamp.title, best.score
        )));
    }
    let signs: Vec<f64> = sides.iter().map(|s| s.sign).collect();
    let mut found = precise(
        best,
        base,
        slit,
        height_observations,
        orders,
        &signs,
        lamp,
        focal,
        typical,
        log,
    )?;
    // The runner-up: another set of lines that the picture would fit nearly as well is a reason to say no.
    let rival = candidates
        .iter()
        .skip(1)
        .find(|c| differs(&c.optics, &best.optics, base, &signs));
    found.calibration.margin = rival.map_or(1.0, |r| best.score - r.score);
    if found.calibration.margin < 0.06 {
        return Err(Refusal::PoorFit(format!(
            "two scales fit nearly alike (agreement {:.2} and {:.2})",
            best.score,
            rival.map_or(0.0, |r| r.score)
        )));
    }
    found.score = best.score;
    Ok(found)
}

/// True where a model puts the middle of the spectrum elsewhere than another by more than a nanometre.
pub fn differs(a: &Optics, b: &Optics, base: &Optics, signs: &[f64]) -> bool {
    let binned = base.rays();
    signs.iter().any(|sign| {
        [440.0, 550.0, 610.0].iter().any(|nm| {
            let at = |o: &Optics| {
                o.rays()
                    .pixel_of_path(sign * nm, 0.0)
                    .map(|p| binned.path_nm(p))
            };
            match (at(a), at(b)) {
                (Some(x), Some(y)) => (x - y).abs() > 1.2,
                _ => true,
            }
        })
    })
}

/// What a lamp photo is adjusted for.
const FREE: [usize; 11] = [
    index::FOCAL,
    index::K1,
    index::K2,
    index::YAW,
    index::ROLL,
    index::ALPHA,
    index::SKEW,
    index::CENTRE,
    index::PITCH,
    index::PUPIL,
    index::ACROSS,
];

#[allow(clippy::too_many_arguments)]
fn precise(
    start: &Candidate,
    base: &Optics,
    slit: &Slit,
    height_observations: &[Observation],
    orders: &[Order],
    signs: &[f64],
    lamp: &Lamp,
    focal: &Search,
    typical_fwhm_nm: f64,
    log: &mut Vec<String>,
) -> Result<Found, Refusal> {
    let mut optics = start.optics.clone();
    let mut shape: Option<LineShape> = None;
    let mut adjusted: Option<Adjusted> = None;
    let mut fits: Vec<(f64, Vec<usize>, GroupFit)> = Vec::new();
    let mut path_index: Vec<usize> = Vec::new();
    let mut observations: Vec<Observation> = Vec::new();
    let mut rejected: Vec<(f64, f64)> = Vec::new();
    for round in 0..MOST_ROUNDS {
        let rays = optics.rays();
        let mut notes: Vec<String> = Vec::new();
        let profiles: Vec<Profile> = orders
            .iter()
            .filter(|o| signs.contains(&o.profile.sign))
            .map(|o| o.slabs.profile(&rays))
            .collect();
        shape = clearest_shape(&profiles, lamp, typical_fwhm_nm).or(shape);
        let used = shape.unwrap_or(LineShape {
            box_nm: 0.7 * typical_fwhm_nm,
            sigma_nm: typical_fwhm_nm / 3.2,
        });
        let all_groups = groups(lamp, used.fwhm_nm());
        fits.clear();
        for profile in &profiles {
            let top = profile.light.iter().copied().fold(0.0f64, f64::max);
            for group in &all_groups {
                let first = lamp.lines[group[0]].wavelength_nm;
                if rejected
                    .iter()
                    .any(|r| r.0 == profile.sign && (r.1 - first).abs() < 1e-9)
                {
                    continue;
                }
                let Some(fit) = fit_group(profile, lamp, group, used, round == 0) else {
                    continue;
                };
                let clear = fit.snr > 6.0
                    && fit.area / used.fwhm_nm() > 0.002 * top
                    && fit.stretch > 0.52
                    && fit.stretch < 1.55;
                notes.push(format!(
                    "order {:+.0} {:.2} nm: shift {:+.3} ± {:.3} nm, snr {:.0}, width x{:.2}, chi2/dof {:.1}{}",
                    profile.sign,
                    fit.wavelength_nm,
                    fit.shift_nm,
                    fit.sigma_nm,
                    fit.snr,
                    fit.stretch,
                    fit.chi_squared_per_dof,
                    if clear { "" } else { ": not clear enough" }
                ));
                if clear {
                    fits.push((profile.sign, group.clone(), fit));
                }
            }
        }
        if fits.is_empty() {
            break;
        }
        observations = priors(focal);
        observations.extend_from_slice(height_observations);
        observations.extend(slit_observations(slit, &rays));
        path_index.clear();
        for (sign, _, fit) in &fits {
            let measured = fit.wavelength_nm + fit.shift_nm;
            let middle = orders
                .iter()
                .find(|o| o.profile.sign == *sign)
                .and_then(|o| o.slabs.middle_px(&rays, sign * measured));
            let Some(at) = middle else {
                continue;
            };
            let px_per_nm = rays.px_per_nm(sign * measured).unwrap_or(2.0);
            let published = lamp
                .lines
                .iter()
                .filter(|l| (l.wavelength_nm - fit.wavelength_nm).abs() < 3.0 && l.fit)
                .map(|l| l.sigma_nm)
                .fold(0.0f64, f64::max)
                .max(0.001);
            let sigma_nm = fit.sigma_nm.hypot(FLOOR_PX / px_per_nm).hypot(published);
            path_index.push(
                observations
                    .iter()
                    .map(crate::measure::optics::adjust::count)
                    .sum(),
            );
            observations.push(Observation::Path {
                at,
                path_nm: sign * fit.wavelength_nm,
                sigma_nm,
            });
        }
        for order in orders.iter().filter(|o| signs.contains(&o.profile.sign)) {
            observations.extend(along_slit(order, &rays, lamp, &fits, used.fwhm_nm()));
        }
        let Some(result) = adjust(&optics, slit.centre, &FREE, &observations) else {
            return Err(Refusal::PoorFit(
                "the adjustment of the scale did not converge".into(),
            ));
        };
        optics = result.optics.clone();
        let mut settled = round >= 2 && moved_nm(&rays, &optics.rays(), orders) < SETTLED_NM;
        // A line far off all others is a wrong line: leave out the worst, once a round.
        if round > 0
            && let Some((worst, residual)) = path_index
                .iter()
                .enumerate()
                .map(|(i, &k)| (i, result.residuals[k].abs()))
                .max_by(|a, b| a.1.total_cmp(&b.1))
            && residual > 6.0
            && fits.len() > 4
        {
            let (sign, group, fit) = &fits[worst];
            log.push(format!(
                "left out {:.2} nm (order {sign:+.0}): {residual:.1} sigma off",
                fit.wavelength_nm
            ));
            rejected.push((*sign, lamp.lines[group[0]].wavelength_nm));
            settled = false;
        }
        adjusted = Some(result);
        if settled || round + 1 == MOST_ROUNDS {
            log.append(&mut notes);
            log.push(format!("scale settled after {} rounds", round + 1));
            break;
        }
    }
    let Some(adjusted) = adjusted else {
        return Err(Refusal::FewLines(
            "no line of the lamp is clear enough to fit".into(),
        ));
    };
    // What the lines scatter too much is theirs, not the priors': they count less, and the adjustment is made anew.
    let excess = excess_scatter(slit, &path_index, &observations, &adjusted);
    let adjusted = if excess > 1.0 {
        for observation in &mut observations {
            if let Observation::Path {
                path_nm, sigma_nm, ..
            } = observation
                && *path_nm != 0.0
            {
                *sigma_nm *= excess.sqrt();
            }
        }
        adjust(&optics, slit.centre, &FREE, &observations).unwrap_or(adjusted)
    } else {
        adjusted
    };
    let distinct = {
        let mut names: Vec<i64> = fits
            .iter()
            .map(|f| f.2.wavelength_nm.round() as i64)
            .collect();
        names.sort_unstable();
        names.dedup();
        names.len()
    };
    if distinct < 3 {
        return Err(Refusal::FewLines(format!(
            "{distinct} clear line{} of {}, 3 are needed",
            if distinct == 1 { "" } else { "s" },
            lamp.title
        )));
    }
    let calibration = report(
        lamp,
        slit,
        base,
        &fits,
        &path_index,
        &observations,
        &adjusted,
    );
    Ok(Found {
        calibration,
        shape,
        score: start.score,
        groups: fits,
    })
}

/// How far, nm at most, two models put the same pixels of the band apart: at three colours and three heights.
fn moved_nm(a: &Rays, b: &Rays, orders: &[Order]) -> f64 {
    let mut most = 0.0f64;
    for order in orders {
        for nm in [430.0, 550.0, 620.0] {
            for k in [0, SLABS / 2, SLABS - 1] {
                if let Some(p) = a.pixel_of_path(order.profile.sign * nm, order.slabs.beta(k)) {
                    most = most.max((a.path_nm(p) - b.path_nm(p)).abs());
                }
            }
        }
    }
    most
}

/// The slit's image: one position for the anchor, and its straightness for the slant.
pub fn slit_observations(slit: &Slit, rays: &Rays) -> Vec<Observation> {
    let nm_per_px = 1.0 / rays.px_per_nm(0.0).unwrap_or(2.0);
    let scatter_px = slit.scatter_px.max(0.05);
    vec![
        Observation::Path {
            at: slit.centre,
            path_nm: 0.0,
            sigma_nm: (ANCHOR_PX + ANCHOR_PER_WIDTH * slit.width_px) * nm_per_px,
        },
        Observation::SamePath {
            at: slit.cuts.iter().map(|c| c.at).collect(),
            // Neighbouring cuts share the unevenness of the blades: count them as a third.
            sigma_nm: 1.7 * scatter_px * nm_per_px,
        },
    ]
}

/// Box and blur of the clearest isolated line that the lamp has.
fn clearest_shape(profiles: &[Profile], lamp: &Lamp, guess_fwhm_nm: f64) -> Option<LineShape> {
    let mut best: Option<(f64, LineShape)> = None;
    for profile in profiles {
        for line in lamp.lines.iter().filter(|l| l.fit) {
            let near = |other: &crate::terms::LampLine| {
                let d = (other.wavelength_nm - line.wavelength_nm).abs();
                d > 0.0
                    && d < 2.2 * guess_fwhm_nm + 0.5 * other.width_nm.min(6.0)
                    && other.strength > 0.05 * line.strength
                    && other.width_nm < 15.0
            };
            if lamp.lines.iter().any(near) {
                continue;
            }
            let Some(i) = profile.index(line.wavelength_nm) else {
                continue;
            };
            let reach = (guess_fwhm_nm / profile.step_nm) as usize;
            let height = profile.light[i.saturating_sub(reach)..(i + reach).min(profile.len())]
                .iter()
                .copied()
                .fold(0.0, f64::max);
            if height < 30.0 * profile.sigma[i] || best.as_ref().is_some_and(|b| b.0 > height) {
                continue;
            }
            if let Some((shape, chi)) = fit_shape(profile, line.wavelength_nm, guess_fwhm_nm)
                && chi < 30.0
                && shape.fwhm_nm() < 3.0 * guess_fwhm_nm
            {
                best = Some((height, shape));
            }
        }
    }
    best.map(|b| b.1)
}

/// The clear lines followed along the slit, slab by slab.
fn along_slit(
    order: &Order,
    rays: &Rays,
    lamp: &Lamp,
    fits: &[(f64, Vec<usize>, GroupFit)],
    fwhm_nm: f64,
) -> Vec<Observation> {
    let slabs = &order.slabs;
    let sign = order.profile.sign;
    let mut out = Vec::new();
    for (_, group, fit) in fits
        .iter()
        .filter(|f| f.0 == sign && f.2.snr > 25.0 && !f.2.clipped)
    {
        // The whole of a blend: a window on its middle alone would slide to one line here and to the other there.
        let nm = |i: &usize| lamp.lines[*i].wavelength_nm;
        let lowest = group.iter().map(nm).fold(f64::INFINITY, f64::min);
        let highest = group.iter().map(nm).fold(0.0f64, f64::max);
        let reach_nm = 1.1 * fwhm_nm + 0.5 * (highest - lowest);
        let measured = fit.wavelength_nm + fit.shift_nm;
        // On the binned scale, where the slabs are.
        let mut at = Vec::new();
        for k in 0..SLABS {
            let beta = slabs.beta(k);
            let Some(pixel) = rays.pixel_of_path(sign * measured, beta) else {
                continue;
            };
            let expected = slabs.rays.path_nm(pixel);
            if let Some(path) = slab_centroid(slabs, k, expected, reach_nm)
                && let Some(p) = slabs.rays.pixel_of_path(path, beta)
            {
                at.push(p);
            }
        }
        if at.len() >= SLABS / 2 {
            // Scatter of neighbours about their mean line: what noise and dust do, whatever the line's slant.
            let paths: Vec<f64> = at.iter().map(|p| rays.path_nm(*p)).collect();
            let mut bends: Vec<f64> = paths
                .windows(3)
                .map(|w| (w[0] - 2.0 * w[1] + w[2]).abs() / 6f64.sqrt())
                .collect();
            bends.sort_by(f64::total_cmp);
            let scatter = 1.4826 * bends[bends.len() / 2];
            out.push(Observation::SamePath {
                at,
                sigma_nm: scatter.max(0.03 * fwhm_nm),
            });
        }
    }
    out
}

/// Centroid (m λ, binned scale) of what stands above a straight base within ± `reach_nm`; two passes.
fn slab_centroid(slabs: &Slabs, k: usize, start_path: f64, reach_nm: f64) -> Option<f64> {
    let step = (slabs.path_nm(1) - slabs.path_nm(0)).abs();
    let reach = (reach_nm / step).ceil() as i64;
    let mut middle = start_path;
    for _ in 0..3 {
        let j0 = ((middle - slabs.path_nm(0)) / step).round() as i64;
        if j0 - reach < 0 || j0 + reach >= slabs.len() as i64 {
            return None;
        }
        let light = |j: i64| slabs.light(k, j as usize).map(|c| c[0] + c[1] + c[2]);
        let (a, b) = (light(j0 - reach)?, light(j0 + reach)?);
        let (mut s, mut sx) = (0.0, 0.0);
        for j in -reach..=reach {
            let base = a + (b - a) * (j + reach) as f64 / (2 * reach) as f64;
            // A window with soft edges, so that the centroid moves smoothly with its middle.
            let taper = 1.0 - (j as f64 / (reach as f64 + 1.0)).powi(4);
            let w = (light(j0 + j)? - base).max(0.0) * taper;
            s += w;
            sx += w * slabs.path_nm((j0 + j) as usize);
        }
        if s <= 0.0 {
            return None;
        }
        let next = sx / s;
        if (next - start_path).abs() > reach_nm {
            return None;
        }
        middle = next;
    }
    Some(middle)
}
