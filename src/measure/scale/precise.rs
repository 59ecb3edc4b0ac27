//! The lines of a known pattern fitted one by one, and the optics adjusted to them along the whole slit, round by round until
//! nothing moves.

use std::collections::BTreeSet;

use crate::measure::light::filter;
use crate::measure::light::lineshape::{
    GroupFit, LineShape, SHAPE_REACH, fit_group, fit_shape, groups, is_green,
};
use crate::measure::light::peaks::{Maximum, maxima};
use crate::measure::light::profile::{Order, Profile, SLABS};
use crate::measure::optics::Rays;
use crate::measure::optics::adjust::{Adjusted, Observation, adjust, count, index};
use crate::measure::scale::along::along_slit;
use crate::measure::scale::evidence::{FittedGroup, excess_scatter, report};
use crate::measure::scale::lamp_picture::{LampPicture, Refusal};
use crate::measure::scale::mirror::mirrors;
use crate::measure::scale::recognise::priors;
use crate::terms::{Calibration, Interval, Lamp, LampLine, Optics};

/// Lines are fitted anew on the scale that they gave until nothing moves by more than this, nm…
const SETTLED_NM: f64 = 0.01;
/// …from this round on, counted from 0: the first two leave out what was wrong at the start…
const FIRST_SETTLED: usize = 2;
/// …or so many times: with one order and a phone askew the slant of the lines takes a few.
const MOST_ROUNDS: usize = 8;
/// A position in a picture is not known better than this, whatever the noise: demosaicing, pixel response, JPEG. (Of the scale of
/// one drawn lamp 42 % lay within one stated uncertainty with half of this, 60 % with this.)
const FLOOR_PX: f64 = 0.04;
/// A published wavelength is not known better than this as a calibration point, nm.
const FLOOR_NM: f64 = 0.001;
/// Lines within this of a group's middle are the group's, nm.
const OF_GROUP_NM: f64 = 3.0;
/// Sampling of the dispersion where the model does not say, px per nm.
const USUAL_PX_PER_NM: f64 = 2.0;
/// Of the lines' typical width so much is the slit's and so much the blur's (standard deviation), where no line is clear
/// enough to tell.
const USUAL_BOX: f64 = 0.7;
const USUAL_BLUR: f64 = 3.2;
/// A line that shows the shape is so many times as wide as the lamp's lines typically are.
const LINE_WIDTHS: Interval = Interval::new(0.5, 3.0);
/// What stands beside a line spoils its shape where it has this share of its strength and is no wider than a band, nm; it reaches as far
/// as half its own width, of which no more than this counts, nm (no source).
const SPOILS_SHARE: f64 = 0.05;
const SPOILS_WIDTH_NM: f64 = 15.0;
const SPOILS_REACH_NM: f64 = 6.0;
/// A line shows its shape with so many times its noise, where χ² per degree of freedom is no more than this (no source).
const SHAPE_SNR: f64 = 30.0;
const SHAPE_CHI: f64 = 30.0;
/// A green group with this signal to noise tells how wide green lines are.
const TELLING_SNR: f64 = 40.0;
/// A group is clear from this signal to noise on…
const CLEAR_SNR: f64 = 6.0;
/// …with so much of the highest light…
const CLEAR_SHARE: f64 = 0.002;
/// …and a width, in line shapes, that is not at the limits of the fit.
const CLEAR_STRETCH: Interval = Interval::new(0.52, 1.55);
/// A band guides the scale where its place is known to this, nm, it stands alone within this, nm, and with so much of the highest
/// light: europium's in the red, where a lamp has no sharp line.
const GUIDE_SIGMA_NM: f64 = 0.5;
const GUIDE_NM: f64 = 5.0;
const GUIDE_SHARE: f64 = 0.1;
/// A line so many standard uncertainties off all others is a wrong line…
const WRONG_SIGMAS: f64 = 6.0;
/// …where more than so many groups are left.
const LEAST_GROUPS: usize = 4;
/// So many different lines make a scale.
const LEAST_LINES: usize = 3;
/// …or so many that both orders show: with what is known of phones and discs they leave nothing open but the scale's uncertainty.
const LEAST_IN_BOTH: usize = 2;
/// Two models are compared at these wavelengths, nm.
const COMPARED_NM: [f64; 3] = [430.0, 550.0, 620.0];

/// What a lamp photo is adjusted for.
const FREE: [usize; 14] = [
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
    index::FAN,
    index::LATERAL,
    index::LATERAL_BOW,
];

/// The scale that the lamp's lines give from `start` on, and the shape of its clearest line.
///
/// # Errors
/// Where too few lines are clear, or the adjustment does not converge.
pub fn precise(
    picture: &LampPicture,
    lamp: &Lamp,
    start: &Optics,
    log: &mut Vec<String>,
) -> Result<(Calibration, Option<LineShape>), Refusal> {
    let mut task = Task {
        picture,
        lamp,
        orders: picture
            .orders
            .iter()
            .filter(|o| picture.sides.iter().any(|side| side.sign == o.profile.sign))
            .collect(),
        wrong: Vec::new(),
    };
    let mut optics = start.clone();
    let mut shape: Option<LineShape> = None;
    let mut last: Option<(Observed, Adjusted)> = None;
    for round in 0..MOST_ROUNDS {
        let rays = optics.rays();
        let mut notes: Vec<String> = Vec::new();
        let profiles: Vec<Profile> = task.orders.iter().map(|o| o.slabs.profile(&rays)).collect();
        // Each order has a focus of its own, and with it a shape of its lines.
        let shapes: Vec<Option<LineShape>> = profiles
            .iter()
            .map(|profile| task.clearest_shape(std::slice::from_ref(profile)))
            .collect();
        shape = task.clearest_shape(&profiles).or(shape);
        let used = shape.unwrap_or(LineShape {
            box_nm: USUAL_BOX * picture.typical_fwhm_nm,
            sigma_nm: picture.typical_fwhm_nm / USUAL_BLUR,
            // The narrowest lines give it.
            is_green: true,
        });
        let shapes: Vec<LineShape> = shapes.into_iter().map(|own| own.unwrap_or(used)).collect();
        let fits = task.clear_groups(&profiles, &shapes, round == 0, &mut notes);
        if fits.is_empty() {
            return Err(Refusal::FewLines(match &last {
                Some(_) => too_few(0, lamp),
                None => "no line of the lamp is clear enough to fit".into(),
            }));
        }
        let mut observed = task.observed(&rays, fits, used.fwhm_nm());
        // Unknown lines count once those that are known have brought the scale near.
        if round > 0 {
            observed.after.extend(task.beside(&rays, &profiles));
        }
        let Some(adjusted) = observed.adjust(&optics, picture) else {
            return Err(Refusal::PoorFit(
                "the adjustment of the scale did not converge".into(),
            ));
        };
        optics = adjusted.optics.clone();
        let moved_nm = moved_nm(&rays, &optics.rays(), &picture.orders[..]);
        let mut settled = round >= FIRST_SETTLED && moved_nm < SETTLED_NM;
        // A line far off all others is a wrong line: leave out the worst, once a round.
        if round > 0
            && let Some((worst, sigmas)) = observed.worst(&adjusted)
        {
            log.push(format!(
                "left out {:.2} nm (order {:+.0}): {sigmas:.1} sigma off",
                worst.fit.wavelength_nm, worst.sign
            ));
            task.wrong.push((worst.sign, worst.lines[0]));
            settled = false;
        }
        last = Some((observed, adjusted));
        if settled || round + 1 == MOST_ROUNDS {
            log.append(&mut notes);
            log.push(format!("scale settled after {} rounds", round + 1));
            break;
        }
    }
    let Some((mut observed, mut adjusted)) = last else {
        return Err(Refusal::FewLines(too_few(0, lamp)));
    };
    // What the lines scatter too much is theirs, not the priors': they count less, and the adjustment is made anew.
    let excess = excess_scatter(picture.slit, &observed.groups, &adjusted);
    if excess > 1.0 {
        for group in &mut observed.groups {
            group.sigma_nm *= excess.sqrt();
        }
        adjusted = observed.adjust(&optics, picture).unwrap_or(adjusted);
    }
    let on_side = |sign: f64| -> BTreeSet<i64> {
        let groups = observed.groups.iter().filter(|g| g.sign == sign);
        let nm = groups.map(|g| g.fit.wavelength_nm.round());
        nm.map(|nm| nm as i64).collect()
    };
    let (plus, minus) = (on_side(1.0), on_side(-1.0));
    let n_lines = plus.union(&minus).count();
    if n_lines < LEAST_LINES && plus.intersection(&minus).count() < LEAST_IN_BOTH {
        return Err(Refusal::FewLines(too_few(n_lines, lamp)));
    }
    let calibration = report(lamp, picture, &observed.groups, &adjusted);
    Ok((calibration, shape))
}

fn too_few(n: usize, lamp: &Lamp) -> String {
    let s = if n == 1 { "" } else { "s" };
    format!(
        "{n} clear line{s} of {}, {LEAST_LINES} are needed",
        lamp.title
    )
}

/// A lamp's lines in a picture.
struct Task<'a> {
    picture: &'a LampPicture<'a>,
    lamp: &'a Lamp,
    /// The orders in which lines stand out.
    orders: Vec<&'a Order>,
    /// Groups that were found to be wrong: order's sign, first line.
    wrong: Vec<(f64, usize)>,
}

/// What the optics are adjusted to.
struct Observed {
    /// Priors, the slit's ends and its own image.
    before: Vec<Observation>,
    /// The lines at the slabs' middle height.
    groups: Vec<FittedGroup>,
    /// The lines followed along the slit.
    after: Vec<Observation>,
}

impl Observed {
    fn adjust(&self, start: &Optics, picture: &LampPicture) -> Option<Adjusted> {
        let mut all = self.before.clone();
        all.extend(self.groups.iter().map(|g| Observation::Path {
            at: g.at,
            path_nm: g.sign * g.fit.wavelength_nm,
            sigma_nm: g.sigma_nm,
        }));
        all.extend_from_slice(&self.after);
        adjust(start, picture.slit.centre, &FREE, &all)
    }

    /// The group that is farthest off, and by how many standard uncertainties, where it is too far.
    fn worst(&self, adjusted: &Adjusted) -> Option<(&FittedGroup, f64)> {
        let off = |g: &FittedGroup| adjusted.residuals[g.residual].abs();
        let groups = self.groups.iter().map(|g| (g, off(g)));
        let worst = groups.max_by(|a, b| a.1.total_cmp(&b.1))?;
        (worst.1 > WRONG_SIGMAS && self.groups.len() > LEAST_GROUPS).then_some(worst)
    }
}

impl Task<'_> {
    /// Fits every group of the lamp's lines in every order, and keeps those that are clear: order's sign, lines, fit.
    fn clear_groups(
        &self,
        profiles: &[Profile],
        shapes: &[LineShape],
        is_first: bool,
        notes: &mut Vec<String>,
    ) -> Vec<(f64, Vec<usize>, GroupFit)> {
        let mut fits = Vec::new();
        for (profile, &shape) in profiles.iter().zip(shapes) {
            let fwhm_nm = shape.fwhm_nm();
            let all_groups = groups(self.lamp, fwhm_nm);
            let top = profile.light.iter().copied().fold(0.0f64, f64::max);
            let is_wrong = |group: &&Vec<usize>| self.wrong.contains(&(profile.sign, group[0]));
            let fit =
                |group: &[usize], shape| fit_group(profile, self.lamp, group, shape, is_first);
            let is_clear = |fit: &GroupFit| {
                fit.snr > CLEAR_SNR
                    && fit.area / fwhm_nm > CLEAR_SHARE * top
                    && fit.stretch > CLEAR_STRETCH.low
                    && fit.stretch < CLEAR_STRETCH.high
            };
            let mut found: Vec<(&Vec<usize>, GroupFit)> = all_groups
                .iter()
                .filter(|group| !is_wrong(group))
                .filter_map(|group| Some((group, fit(group, shape)?)))
                .collect();
            // The clearest green line tells how wide the others are: those that stand in bands do not.
            let is_telling = |f: &&(&Vec<usize>, GroupFit)| {
                is_green(f.1.wavelength_nm) && f.1.snr > TELLING_SNR && is_clear(&f.1)
            };
            let telling = found.iter().filter(is_telling);
            let telling = telling.max_by(|a, b| a.1.snr.total_cmp(&b.1.snr));
            if let Some((first, stretch)) = telling.map(|(group, fit)| (group[0], fit.stretch)) {
                let green = shape.of_green(stretch);
                for (group, known) in &mut found {
                    if group[0] != first
                        && is_green(known.wavelength_nm)
                        && let Some(anew) = fit(group, green)
                    {
                        *known = anew;
                    }
                }
            }
            for (group, fit) in found {
                let clear = is_clear(&fit);
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
        fits
    }

    /// What was seen, as observations; groups that lie behind the camera are left out.
    fn observed(
        &self,
        rays: &Rays,
        fits: Vec<(f64, Vec<usize>, GroupFit)>,
        fwhm_nm: f64,
    ) -> Observed {
        let mut before = priors(&self.picture.search);
        before.extend_from_slice(&self.picture.heights);
        before.extend(self.picture.slit.observations(rays));
        let mut residual: usize = before.iter().map(count).sum();
        let mut groups = Vec::new();
        for (sign, lines, fit) in fits {
            let measured = sign * (fit.wavelength_nm + fit.shift_nm);
            let mut orders = self.orders.iter().filter(|o| o.profile.sign == sign);
            let Some(at) = orders.find_map(|o| o.slabs.middle_px(rays, measured)) else {
                continue;
            };
            let px_per_nm = rays.px_per_nm(measured).unwrap_or(USUAL_PX_PER_NM);
            let published = self
                .lamp
                .lines
                .iter()
                .filter(|l| (l.wavelength_nm - fit.wavelength_nm).abs() < OF_GROUP_NM && l.fit)
                .map(|l| l.sigma_nm)
                .fold(0.0f64, f64::max)
                .max(FLOOR_NM);
            groups.push(FittedGroup {
                sigma_nm: fit
                    .sigma_nm
                    .hypot(FLOOR_PX / px_per_nm)
                    .hypot(published)
                    .hypot(filter::moved_nm(fit.wavelength_nm, fwhm_nm)),
                sign,
                lines,
                fit,
                at,
                residual,
            });
            residual += 1;
        }
        let orders = self.orders.iter();
        let after = orders.flat_map(|order| along_slit(order, rays, self.lamp, &groups, fwhm_nm));
        Observed {
            before,
            after: after.collect(),
            groups,
        }
    }

    /// What the orders show besides the sharp lines: that both have one spectrum, and a band whose place is known to some tenths.
    fn beside(&self, rays: &Rays, profiles: &[Profile]) -> Vec<Observation> {
        let mut seen = Vec::new();
        if let ([minus, plus], [at_minus, at_plus]) = (self.orders.as_slice(), profiles) {
            let orders = [(&minus.slabs, at_minus), (&plus.slabs, at_plus)];
            seen.extend(mirrors(orders, rays));
        }
        let bands: Vec<&LampLine> = self
            .lamp
            .lines
            .iter()
            .filter(|l| self.is_guide(l))
            .collect();
        for (order, profile) in self.orders.iter().zip(profiles) {
            let tops = maxima(profile, CLEAR_SNR, GUIDE_SHARE);
            for band in &bands {
                let off = |top: &&Maximum| (top.nm - band.wavelength_nm).abs();
                let nearest = tops.iter().min_by(|a, b| off(a).total_cmp(&off(b)));
                let Some(top) = nearest.filter(|top| off(top) < GUIDE_NM && top.is_unclipped())
                else {
                    continue;
                };
                let sign = profile.sign;
                if let Some(at) = order.slabs.middle_px(rays, sign * top.nm) {
                    seen.push(Observation::Path {
                        at,
                        path_nm: sign * band.wavelength_nm,
                        // What is not known of it is the same in all orders.
                        sigma_nm: band.sigma_nm * (self.orders.len() as f64).sqrt(),
                    });
                }
            }
        }
        seen
    }

    /// True for a band that guides a scale where no sharp line does: strong, narrow, by itself, and known to some tenths of a nm.
    fn is_guide(&self, band: &LampLine) -> bool {
        let beside = |other: &LampLine| {
            let apart = (other.wavelength_nm - band.wavelength_nm).abs();
            apart > 0.0 && apart < GUIDE_NM && other.strength > GUIDE_SHARE * band.strength
        };
        !band.fit
            && band.sigma_nm <= GUIDE_SIGMA_NM
            && band.width_nm < GUIDE_NM
            && !self.lamp.lines.iter().any(beside)
    }

    /// Box and blur of the clearest isolated line that the lamp has.
    fn clearest_shape(&self, profiles: &[Profile]) -> Option<LineShape> {
        let (lamp, guess_fwhm_nm) = (self.lamp, self.picture.typical_fwhm_nm);
        let mut best: Option<(f64, LineShape)> = None;
        for profile in profiles {
            for line in lamp.lines.iter().filter(|l| l.fit) {
                let near = |other: &LampLine| {
                    let d = (other.wavelength_nm - line.wavelength_nm).abs();
                    d > 0.0
                        && d < SHAPE_REACH * guess_fwhm_nm
                            + 0.5 * other.width_nm.min(SPOILS_REACH_NM)
                        && other.strength > SPOILS_SHARE * line.strength
                        && other.width_nm < SPOILS_WIDTH_NM
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
                if height < SHAPE_SNR * profile.sigma[i]
                    || best.as_ref().is_some_and(|b| b.0 > height)
                {
                    continue;
                }
                if let Some((shape, chi)) = fit_shape(profile, line.wavelength_nm, guess_fwhm_nm)
                    && chi < SHAPE_CHI
                    && LINE_WIDTHS.contains(shape.fwhm_nm() / guess_fwhm_nm)
                {
                    best = Some((height, shape));
                }
            }
        }
        best.map(|b| b.1)
    }
}

/// How far, nm at most, two models put the same pixels of the band apart: at three colours and three heights.
fn moved_nm(a: &Rays, b: &Rays, orders: &[Order]) -> f64 {
    let mut most = 0.0f64;
    for order in orders {
        for nm in COMPARED_NM {
            for k in [0, SLABS / 2, SLABS - 1] {
                if let Some(p) = a.pixel_of_path(order.profile.sign * nm, order.slabs.beta(k)) {
                    most = most.max((a.path_nm(p) - b.path_nm(p)).abs());
                }
            }
        }
    }
    most
}
