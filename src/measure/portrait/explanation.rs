//! Slit, lens and focus as explanations of the same lines: all of them are drawn, and each counts by how well it explains what is
//! seen and how likely it was before. What cannot be told apart stays wide.

use std::f64::consts::PI;

use crate::measure::light::lineshape::FWHM_PER_SIGMA;
use crate::measure::optics::adjust::index;
use crate::measure::portrait::ends::End;
use crate::measure::portrait::render::LENS_PX;
use crate::measure::portrait::witness::{Unexplained, Witness};
use crate::measure::shot::Shot;
use crate::terms::{Estimate, median};

/// Slits are so wide before any photo is seen: two sheets of paper apart, µm, within this factor (standard deviation of its
/// logarithm; common practice, no source).
const USUAL_SLIT_UM: f64 = 200.0;
const USUAL_SLIT_LN: f64 = 0.6;
/// …but one in so many is anything, evenly in its logarithm.
const ANY_SLIT: f64 = 0.1;
/// The widths that are tried, µm: this many from the first on, each this much wider than the one before.
const WIDTHS: usize = 53;
const FIRST_UM: f64 = 18.0;
const WIDER: f64 = 1.12;
/// A phone's blur with the colours' share, px (standard deviation), and the standard deviation of its logarithm: phones of 12
/// megapixels in focus (common practice, no source).
const USUAL_LENS_PX: f64 = 1.3;
const USUAL_LENS_LN: f64 = 0.22;
/// …but one picture in so many is soft by anything, evenly in its logarithm: a smudge, aberrations out of focus, a trembling hand.
const ANY_LENS: f64 = 0.05;
/// A phone's pupil where the file does not state it, mm.
const USUAL_PUPIL_MM: f64 = 2.3;
/// The light fills so much of the pupil's width, with these probabilities: all of it behind paper, less of it straight from a
/// small lamp.
const PUPIL_FILLED: [(f64, f64); 3] = [(1.0, 0.6), (0.5, 0.2), (0.1, 0.2)];
/// Where the phone focuses: at the slit within so many dioptres (standard deviation)…
const FOCUS_DIOPTRES: f64 = 0.6;
/// …but anywhere within so many of it, with this probability.
const ASTRAY_DIOPTRES: f64 = 4.0;
const ASTRAY: f64 = 0.1;
/// The focus is tried in so many steps to either side of the slit, of this many dioptres, growing outwards.
const FOCUS_STEPS: i32 = 15;
const FIRST_FOCUS_STEP: f64 = 0.09;
const FOCUS_STEP_GROWS: f64 = 0.3;
/// A line that nothing explains counts against an explanation by no more than this (probability of a blend, or of an artefact).
const ODD_LINE: f64 = 0.01;
/// One line leaves no more than this unexplained, χ², where it is asked how well lines can be drawn at all.
const MOST_ODD: f64 = 300.0;
/// What is wrong with the drawing of one line is wrong with all: more than so many count no more.
const MOST_INDEPENDENT: f64 = 3.0;
/// The slit's own image, clipped where it has twenty to three hundred times the light, is wider at half of that by so many
/// standard deviations of the lens's blur on both sides together (tables of the normal distribution)…
const CLIPPED_LENS: f64 = 4.6;
/// …by nearly the whole of the pupil's disc, and by what glare adds: known to this share of all that, and to so many px…
const IMAGE_SHARE: f64 = 0.3;
const IMAGE_PX: f64 = 1.0;
/// …and to so many px more where the image is wider than that: glare has no limit.
const GLARE_PX: f64 = 8.0;
/// An image brighter than this, linear share of full scale, has met the ceiling in another channel, or the shoulder of a phone's
/// tone curve.
const NEAR_CEILING: f64 = 0.5;
/// One image in so many is something else (probability).
const ODD_IMAGE: f64 = 0.003;
/// One photo in so many shows another width than its bench's lamp photo: moved straight across, or a slit that was opened.
const CHANGED: f64 = 0.03;
/// A slit that changed, or moved, is anything up to this, µm, evenly in its logarithm.
const WIDEST_UM: f64 = 6000.0;

/// The slit's ends are so soft without the lens, px (standard deviation), with these probabilities: blades, or a lamp's soft edge,
/// or a movement along the slit.
const SOFT_PX: [(f64, f64); 6] = [
    (0.0, 0.55),
    (2.5, 0.1),
    (4.5, 0.1),
    (8.0, 0.1),
    (14.0, 0.1),
    (24.0, 0.05),
];
/// The blur of an end is known to this share of itself, and to so many px.
const END_SHARE: f64 = 0.2;
const END_PX: f64 = 0.5;
/// Grooves may be bent more or less than the scale has them, by so many standard uncertainties, with these probabilities: a
/// normal distribution in three places (Gauss and Hermite's nodes).
const BENT: [(f64, f64); 3] = [(-1.732, 1.0 / 6.0), (0.0, 2.0 / 3.0), (1.732, 1.0 / 6.0)];

/// What the lines, the slit's ends and its image leave possible.
pub struct Explained {
    /// Slit's width, µm, with the standard deviation of what remains possible.
    pub width_um: Estimate,
    /// What 95 % of it lies below, µm.
    pub at_most_um: f64,
    /// Blur across the lines, px (standard deviation): lens and focus, in the slit's own image or in the measured order at 550 nm,
    /// whichever is sharper.
    pub blur_px: Estimate,
    /// How soft the slit's ends are besides that and the pupil's smear, px (standard deviation); absent where none is seen.
    pub soft_px: Option<Estimate>,
    /// Probability that what is seen is another width than the bench's, where that is known.
    pub changed: Option<f64>,
    /// Width of what is seen if it changed, px.
    pub changed_px: Estimate,
}

/// What is known of a bench's slit by its lamp photo, µm.
#[derive(Clone, Copy)]
pub struct Known {
    /// Its width.
    pub width: Estimate,
    /// What it lies below with 95 % probability.
    pub at_most: f64,
}

/// Above what a lamp photo allows a slit falls off over this share of it.
const OVER_SHARE: f64 = 0.15;

/// A place in the list of explanations.
struct Focus {
    /// How far the slit's own image is from focus, px across its pupil's disc, signed.
    defocus_px: f64,
    /// Share of the pupil's width that is lit.
    filled: f64,
    /// ln of its probability.
    prior: f64,
}

/// Weighs every explanation of `lines` and of the slit's `ends`.
pub fn explain(shot: &Shot, lines: &[Witness], ends: &[End], known: Option<Known>) -> Explained {
    let widths_um: Vec<f64> = (0..WIDTHS)
        .map(|i| FIRST_UM * WIDER.powi(i as i32))
        .collect();
    let um_per_px = um_per_px(shot);
    let widths_px: Vec<f64> = widths_um.iter().map(|um| um / um_per_px).collect();
    let unexplained: Vec<Unexplained> = lines.iter().map(|l| l.unexplained(&widths_px)).collect();
    let foci = foci(shot);
    let middle = Order::at(shot, shot.profile().sign * 550.0);
    let orders: Vec<Order> = lines.iter().map(|l| Order::at(shot, l.path_nm)).collect();
    let share = (MOST_INDEPENDENT / lines.len().max(1) as f64).min(1.0);
    let lens_prior = LENS_PX.map(usual_lens);
    let image = Image::of(shot);
    let straight = Order::straight();
    let by_ends = EndsSeen::new(shot, ends, &foci);
    // Explanations are as good as the best of them is: what none explains makes all of them less certain.
    let misfit = misfit(&unexplained, &orders, &foci);
    let mut by_width = vec![0.0f64; WIDTHS];
    let mut all = Vec::new();
    for (w, width_px) in widths_px.iter().enumerate() {
        for (l, lens) in lens_prior.iter().enumerate() {
            for (f, focus) in foci.iter().enumerate() {
                let seen: f64 = unexplained
                    .iter()
                    .zip(&orders)
                    .map(|(chi, order)| {
                        let chi = chi.at(w, l, order.disc_px(focus)) / misfit;
                        ((1.0 - ODD_LINE) * (-0.5 * chi).exp() + ODD_LINE).ln()
                    })
                    .sum();
                let ends = by_ends.ln[l * foci.len() + f];
                let image = image.ln_likelihood(*width_px, LENS_PX[l], straight.disc_px(focus));
                let ln = share * seen + ends + image + lens + focus.prior;
                // In focus is what is sharp in the slit's own image or in the order: no focus suits both.
                let disc_px = middle.disc_px(focus).min(straight.disc_px(focus));
                let blur = LENS_PX[l].hypot(0.25 * disc_px);
                all.push((ln, w, blur, by_ends.soft[l * foci.len() + f]));
            }
        }
    }
    let most = all.iter().map(|e| e.0).fold(f64::MIN, f64::max);
    let (mut blur, mut blur_squared, mut sum) = (0.0, 0.0, 0.0);
    let (mut soft, mut soft_squared) = (0.0, 0.0);
    for (ln, w, blur_px, soft_px) in &all {
        let weight = (ln - most).exp();
        by_width[*w] += weight;
        let usual = weight * usual_slit(widths_um[*w]);
        sum += usual;
        blur += usual * blur_px;
        blur_squared += usual * blur_px * blur_px;
        soft += usual * soft_px.0;
        soft_squared += usual * soft_px.1;
    }
    let blur = blur / sum;
    let blur_px = Estimate::new(blur, (blur_squared / sum - blur * blur).max(0.0).sqrt());
    let soft = soft / sum;
    let soft_px = Estimate::new(soft, (soft_squared / sum - soft * soft).max(0.0).sqrt());
    let usual: Vec<f64> = weighed(&by_width, &widths_um, usual_slit);
    let free = weighed(&by_width, &widths_um, |_| 1.0);
    let (width_um, at_most_um) = spread(&usual, &widths_um);
    Explained {
        width_um,
        at_most_um,
        blur_px,
        soft_px: (!ends.is_empty()).then_some(soft_px),
        changed: known.map(|known| changed(&by_width, &widths_um, known)),
        changed_px: spread(&free, &widths_um).0.scaled(1.0 / um_per_px),
    }
}

/// What the best of all explanations leaves unexplained of a line, χ², at least 1.
fn misfit(unexplained: &[Unexplained], orders: &[Order], foci: &[Focus]) -> f64 {
    let mut least = f64::MAX;
    for w in 0..WIDTHS {
        for lens in 0..LENS_PX.len() {
            for focus in foci {
                let lines = unexplained.iter().zip(orders);
                let chi = lines.map(|(chi, order)| chi.at(w, lens, order.disc_px(focus)));
                least = least.min(chi.map(|chi| chi.min(MOST_ODD)).sum());
            }
        }
    }
    (least / unexplained.len().max(1) as f64).max(1.0)
}

/// Probability, by the logarithm of the width, before anything is seen.
fn usual_slit(um: f64) -> f64 {
    let off = (um / USUAL_SLIT_UM).ln() / USUAL_SLIT_LN;
    let usual = (-0.5 * off * off).exp() / (USUAL_SLIT_LN * (2.0 * PI).sqrt());
    (1.0 - ANY_SLIT) * usual + ANY_SLIT / (WIDEST_UM / FIRST_UM).ln()
}

/// ln of the probability of a lens's blur, by its logarithm, before anything is seen.
fn usual_lens(px: f64) -> f64 {
    let off = (px / USUAL_LENS_PX).ln() / USUAL_LENS_LN;
    let usual = (-0.5 * off * off).exp() / (USUAL_LENS_LN * (2.0 * PI).sqrt());
    let span = (LENS_PX[LENS_PX.len() - 1] / LENS_PX[0]).ln();
    ((1.0 - ANY_LENS) * usual + ANY_LENS / span).ln()
}

fn weighed(by_width: &[f64], widths_um: &[f64], prior: impl Fn(f64) -> f64) -> Vec<f64> {
    let weights = by_width.iter().zip(widths_um);
    let weights: Vec<f64> = weights.map(|(w, um)| w * prior(*um)).collect();
    let sum: f64 = weights.iter().sum::<f64>().max(f64::MIN_POSITIVE);
    weights.iter().map(|w| w / sum).collect()
}

/// The width that is as likely too small as too large, half of what the middle two thirds span as its uncertainty, and what 95 %
/// lies below.
fn spread(weights: &[f64], widths_um: &[f64]) -> (Estimate, f64) {
    let ln_step = WIDER.ln();
    let below = |share: f64| -> f64 {
        let mut sum = 0.0;
        for (weight, um) in weights.iter().zip(widths_um) {
            if sum + weight >= share {
                // Each width that is tried stands for what lies nearest to it.
                let within = (share - sum) / weight.max(f64::MIN_POSITIVE) - 0.5;
                return um * (within * ln_step).exp();
            }
            sum += weight;
        }
        WIDEST_UM
    };
    let sigma = 0.5 * (below(0.84) - below(0.16));
    (Estimate::new(below(0.5), sigma), below(0.95))
}

/// Probability that the width is another than the bench's.
fn changed(by_width: &[f64], widths_um: &[f64], known: Known) -> f64 {
    let Known { width, at_most } = known;
    let ln_sigma = (width.sigma / width.value).max(WIDER.ln());
    let density = |um: f64| {
        let d = (um / width.value).ln() / ln_sigma;
        let over = ((um / at_most - 1.0) / OVER_SHARE).max(0.0);
        (-0.5 * (d * d + over * over)).exp() / ln_sigma / (2.0 * PI).sqrt()
    };
    let wider = |um: f64| {
        let span = (WIDEST_UM / width.value).ln();
        if um > width.value { 1.0 / span } else { 0.0 }
    };
    let evidence = |prior: &dyn Fn(f64) -> f64| -> f64 {
        by_width
            .iter()
            .zip(widths_um)
            .map(|(w, um)| w * prior(*um))
            .sum()
    };
    let (same, other) = (evidence(&density), evidence(&wider));
    CHANGED * other / (CHANGED * other + (1.0 - CHANGED) * same).max(f64::MIN_POSITIVE)
}

/// Width of the slit that makes its image a pixel wide, µm.
pub fn um_per_px(shot: &Shot) -> f64 {
    let optics = &shot.scale.optics;
    let px_per_nm = optics.rays().px_per_nm(0.0).unwrap_or(2.0);
    optics.um_per_nm(shot.inputs.bench.slit_distance_mm) / px_per_nm
}

/// Diameter of the pupil, seen from the slit, px: focal length × pupil over distance.
fn pupil_px(shot: &Shot) -> f64 {
    let facts = shot.inputs.facts;
    let stated = facts.focal_mm.zip(facts.f_number);
    let pupil_mm = stated.map_or(USUAL_PUPIL_MM, |(focal, number)| focal / number);
    shot.scale.optics.focal_px * pupil_mm / shot.inputs.bench.slit_distance_mm
}

fn foci(shot: &Shot) -> Vec<Focus> {
    let distance_m = shot.inputs.bench.slit_distance_mm / 1000.0;
    let pupil_px = pupil_px(shot);
    let mut foci = Vec::new();
    for (filled, share) in PUPIL_FILLED {
        for i in -FOCUS_STEPS..=FOCUS_STEPS {
            let i = f64::from(i);
            let dioptres = FIRST_FOCUS_STEP * i * (1.0 + FOCUS_STEP_GROWS * i.abs());
            let step = FIRST_FOCUS_STEP * (1.0 + 2.0 * FOCUS_STEP_GROWS * i.abs());
            let near = (-0.5 * (dioptres / FOCUS_DIOPTRES).powi(2)).exp() / FOCUS_DIOPTRES;
            let far = (-0.5 * (dioptres / ASTRAY_DIOPTRES).powi(2)).exp() / ASTRAY_DIOPTRES;
            let density = (1.0 - ASTRAY) * near + ASTRAY * far;
            foci.push(Focus {
                defocus_px: pupil_px * dioptres * distance_m,
                filled,
                prior: (share * step * density).ln(),
            });
        }
    }
    foci
}

/// The slit's own image.
struct Image {
    width_px: f64,
    is_clipped: bool,
}

impl Image {
    fn of(shot: &Shot) -> Image {
        let slit = &shot.survey.slit;
        let brightest = median(slit.cuts.iter().map(|cut| cut.contrast));
        Image {
            width_px: slit.width_px,
            is_clipped: slit.clipped_share > 0.5 || brightest.is_some_and(|b| b > NEAR_CEILING),
        }
    }

    /// ln of how likely its width at half height is.
    fn ln_likelihood(&self, slit_px: f64, lens_px: f64, disc_px: f64) -> f64 {
        let added_px = if self.is_clipped {
            CLIPPED_LENS * lens_px + disc_px
        } else {
            let blur_px = FWHM_PER_SIGMA * lens_px.hypot(0.25 * disc_px);
            slit_px.hypot(blur_px) - slit_px
        };
        let off_px = self.width_px - slit_px - added_px;
        let sigma_px = (IMAGE_SHARE * added_px).hypot(IMAGE_PX);
        let sigma_px = if off_px > 0.0 && self.is_clipped {
            sigma_px + GLARE_PX
        } else {
            sigma_px
        };
        ((-0.5 * (off_px / sigma_px).powi(2)).exp() / sigma_px + ODD_IMAGE).ln()
    }
}

/// How far the light of an order is from focus, across the lines or along them, where the slit's own image is in it.
struct Order {
    /// Diameter of the pupil's disc, px, signed.
    own_px: f64,
}

impl Order {
    /// Across the lines: a plane grating in diverging light. The slit seems as far off as the cube of the cosines' ratio makes it,
    /// behind the pupil's own distance.
    fn at(shot: &Shot, path_nm: f64) -> Order {
        let (out, came) = cosines(shot, path_nm);
        let seems = shot.scale.optics.pupil_share + (out / came).powi(3);
        Order::from(shot, 1.0 / seems)
    }

    /// Along the lines, where the grooves are bent by `fan`: light from another part of the pupil has met grooves turned
    /// otherwise.
    fn along(shot: &Shot, path_nm: f64, fan: f64) -> Order {
        let optics = &shot.scale.optics;
        let (out, came) = cosines(shot, path_nm);
        let straight = 1.0 - path_nm / optics.groove_spacing_nm * fan / came;
        Order::from(
            shot,
            straight / (optics.pupil_share * straight + out / came),
        )
    }

    /// The slit's own image.
    fn straight() -> Order {
        Order { own_px: 0.0 }
    }

    /// Of what seems to be at a distance; its reciprocal, in distances of the slit.
    fn from(shot: &Shot, nearness: f64) -> Order {
        let own = nearness - 1.0 / (1.0 + shot.scale.optics.pupil_share);
        Order {
            own_px: pupil_px(shot) * own,
        }
    }

    /// Diameter of the pupil's disc in the order's light, px.
    fn disc_px(&self, focus: &Focus) -> f64 {
        focus.filled * (focus.defocus_px - self.own_px).abs()
    }
}

/// Cosines of the angles at which light of `path_nm` leaves the grating and comes to it.
fn cosines(shot: &Shot, path_nm: f64) -> (f64, f64) {
    let optics = &shot.scale.optics;
    let cosine = |sine: f64| (1.0 - sine * sine).max(0.01).sqrt();
    let out = optics.alpha_slit + path_nm / optics.groove_spacing_nm;
    (cosine(out), cosine(optics.alpha_slit))
}

/// What the slit's ends say of each lens and focus.
struct EndsSeen {
    /// ln of their likelihood, by lens and focus.
    ln: Vec<f64>,
    /// Mean of what they are softer by, px, and of its square.
    soft: Vec<(f64, f64)>,
}

impl EndsSeen {
    fn new(shot: &Shot, ends: &[End], foci: &[Focus]) -> EndsSeen {
        let optics = &shot.scale.optics;
        let covariance = shot.inputs.calibration.map(|c| &c.covariance);
        let variance = covariance.and_then(|c| Some(*c.get(index::FAN)?.get(index::FAN)?));
        let sigma = variance.map_or(shot.scale.sigma(index::FAN), |v| v.max(0.0).sqrt());
        let orders: Vec<Vec<Order>> = BENT
            .iter()
            .map(|(sigmas, _)| {
                let fan = optics.fan + sigmas * sigma;
                let along = |end: &End| Order::along(shot, end.path_nm, fan);
                ends.iter().map(along).collect()
            })
            .collect();
        let (mut ln, mut soft) = (Vec::new(), Vec::new());
        for lens_px in LENS_PX {
            for focus in foci {
                let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
                for (soft_px, share) in SOFT_PX {
                    for (orders, (_, bent)) in orders.iter().zip(BENT) {
                        let chi: f64 = ends
                            .iter()
                            .zip(orders)
                            .map(|(end, order)| {
                                let disc = 0.25 * order.disc_px(focus);
                                let expected = lens_px.hypot(disc).hypot(soft_px);
                                let sigma = (END_SHARE * expected).hypot(END_PX);
                                ((end.blur_px - expected) / sigma).powi(2) + 2.0 * sigma.ln()
                            })
                            .sum();
                        let weight = share * bent * (-0.5 * chi).exp();
                        sum += weight;
                        first += weight * soft_px;
                        second += weight * soft_px * soft_px;
                    }
                }
                let sum = f64::max(sum, 1e-200);
                ln.push(sum.ln());
                soft.push((first / sum, second / sum));
            }
        }
        EndsSeen { ln, soft }
    }
}
