//! Slit, lens and focus as explanations of the same lines: all of them are drawn, and each counts by how well it explains what is
//! seen and how likely it was before. What cannot be told apart stays wide.

use std::f64::consts::PI;
use std::ops::Range;

use crate::measure::portrait::ends::{End, EndsSeen};
use crate::measure::portrait::focus::{Focus, OwnFocus, foci, incidences};
use crate::measure::portrait::image::Image;
use crate::measure::portrait::render::{DISC_SIGMA, LENS_PX, WIDER, WIDTH_STEPS, width_px};
use crate::measure::portrait::table::{Between, Table};
use crate::measure::portrait::witness::Witness;
use crate::measure::shot::Shot;
use crate::terms::{Estimate, FWHM_PER_SIGMA, USUAL_SLIT_LN, USUAL_SLIT_UM, median};

/// [Slits are usually so wide](USUAL_SLIT_UM), but one in so many is anything, evenly in its logarithm: first builds are (common
/// practice, no source). With half of it, lamp photos of 7 of 48 drawn benches through 1.8 to 2.2 mm were called out of focus.
const ANY_SLIT: f64 = 0.2;
/// The widths that are tried, µm: this many of [those that can be](WIDTH_STEPS), from the first on that is as wide as this.
const WIDTHS: usize = 53;
const FIRST_UM: f64 = 18.0;
/// A phone's blur in green light, px (standard deviation), and the standard deviation of its logarithm: phones of 12
/// megapixels in focus (common practice, no source).
const USUAL_LENS_PX: f64 = 1.2;
const USUAL_LENS_LN: f64 = 0.22;
/// …but one picture in so many is soft by anything, evenly in its logarithm: a smudge, aberrations out of focus, a trembling hand.
const ANY_LENS: f64 = 0.05;
/// Where the sharpness of an order is stated, nm.
const MIDDLE_NM: f64 = 550.0;
/// A line that nothing explains counts against an explanation by no more than this (probability of a blend, or of an artefact, of one
/// line in ten, and that it has just this shape, one in a hundred).
const ODD_LINE: f64 = 0.001;
/// One line leaves no more than this unexplained, χ², where it is asked how well lines can be drawn at all.
const MOST_ODD: f64 = 300.0;
/// What is wrong with the drawing of one line is wrong with all: more than so many count no more.
const MOST_INDEPENDENT: f64 = 3.0;
/// One photo in so many shows another width than its bench's lamp photo: moved straight across, or a slit that was opened.
const CHANGED: f64 = 0.03;
/// A slit that changed, or moved, is anything up to this, µm, evenly in its logarithm.
const WIDEST_UM: f64 = 6000.0;

/// Explanations whose probability is less than that of the likeliest by so much, of its logarithm, change no number: a hundred
/// thousand of them are 10⁻⁸ of it.
const NEGLIGIBLE_LN: f64 = 30.0;

const LENSES: usize = LENS_PX.len();
/// Widths and lenses together.
const PLACES: usize = WIDTHS * LENSES;

/// What the lines, the slit's ends and its image leave possible.
pub struct Explained {
    /// Slit's width, µm, with the standard deviation of what remains possible.
    pub width_um: Estimate,
    /// What 95 % of it lies below, µm.
    pub at_most_um: f64,
    /// Blur across the lines, px (standard deviation): lens and focus, in the slit's own image or in the measured order at 550 nm,
    /// whichever is sharper.
    pub blur_px: Estimate,
    /// Width of a line by slit and blur together, px: their widths at half height added as squares.
    pub line_px: Estimate,
    /// Share of the blur in that, of squares, 0…1, by the explanations that make the line at least so wide.
    pub blur_share: f64,
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

/// Phone and light as they may be: what each line's disc is, and what each end's.
struct State {
    /// Of the list of foci.
    focus: usize,
    /// ln of its probability.
    prior: f64,
    /// The pupil's disc by line.
    discs: Vec<Between>,
    /// In the slit's own image.
    image: Between,
    /// In the slit's own image or in the measured order at 550 nm, whichever is sharper, px: no focus suits both.
    sharpest_px: f64,
}

fn states(shot: &Shot, lines: &[Witness], foci: &[Focus]) -> Vec<State> {
    let middle_nm = shot.profile().sign * MIDDLE_NM;
    let mut states = Vec::with_capacity(3 * foci.len());
    for (alpha, share) in incidences(shot) {
        let own = |path_nm: f64| OwnFocus::across(shot, path_nm, alpha);
        let lines: Vec<OwnFocus> = lines.iter().map(|l| own(l.path_nm)).collect();
        let middle = own(middle_nm);
        states.extend(foci.iter().enumerate().map(|(i, focus)| {
            let image_px = OwnFocus::IMAGE.disc_px(focus);
            let disc = |own: &OwnFocus| Between::discs(own.disc_px(focus));
            State {
                focus: i,
                prior: focus.prior + f64::ln(share),
                discs: lines.iter().map(disc).collect(),
                image: Between::discs(image_px),
                sharpest_px: middle.disc_px(focus).min(image_px),
            }
        }));
    }
    states
}

/// The widths that are tried where a slit so wide, µm, has an image a pixel wide.
fn steps(um_per_px: f64) -> Range<i32> {
    let first = ((FIRST_UM / um_per_px).ln() / WIDER.ln()).ceil() as i32;
    let last = WIDTH_STEPS.end - WIDTHS as i32;
    let first = first.clamp(WIDTH_STEPS.start, last);
    first..first + WIDTHS as i32
}

/// Weighs every explanation of `lines` and of the slit's `ends`.
pub fn explain(shot: &Shot, lines: &[Witness], ends: &[End], known: Option<Known>) -> Explained {
    let um_per_px = um_per_px(shot);
    let steps = steps(um_per_px);
    let widths_px: Vec<f64> = steps.clone().map(width_px).collect();
    let widths_um: Vec<f64> = widths_px.iter().map(|px| px * um_per_px).collect();
    let foci = foci(shot);
    let states = states(shot, lines, &foci);
    let by_ends = EndsSeen::new(shot, ends, &foci);
    let image = Image::of(shot).ln_likelihood(steps);
    let usual_lens = LENS_PX.map(usual_lens);
    let unexplained: Vec<Table> = lines.iter().map(|l| l.unexplained(&widths_px)).collect();
    // Explanations are as good as the best of them is: what none explains makes all of them less certain.
    let misfit = misfit(&unexplained, &states);
    let share = (MOST_INDEPENDENT / lines.len().max(1) as f64).min(1.0);
    let ln = |chi: f64, odd: f64| share * ((-0.5 * chi / misfit).exp() + odd).ln();
    let seen = unexplained.iter().zip(lines);
    let seen: Vec<Table> = seen
        .map(|(chi, line)| chi.map(|chi| ln(chi, ODD_LINE + line.band_odds)))
        .collect();
    // Of each state all widths, of each all lenses.
    let mut all = vec![0.0f64; states.len() * PLACES];
    for (state, all) in states.iter().zip(all.chunks_exact_mut(PLACES)) {
        image.add_to(all, state.image);
        let lines = seen.iter().zip(&state.discs);
        lines.for_each(|(ln, disc)| ln.add_to(all, *disc));
        let of_lens: [f64; LENSES] = std::array::from_fn(|l| {
            by_ends.ln[l * foci.len() + state.focus] + usual_lens[l] + state.prior
        });
        for of_width in all.chunks_exact_mut(LENSES) {
            let each = of_width.iter_mut().zip(of_lens);
            each.for_each(|(sum, of_lens)| *sum += of_lens);
        }
    }
    let most = all.iter().copied().fold(f64::MIN, f64::max);
    let slit = |um: &f64| match &known {
        Some(known) => (1.0 - CHANGED) * known.density(*um) + CHANGED * known.changed_density(*um),
        None => usual_slit(*um),
    };
    let expected: Vec<f64> = widths_um.iter().map(slit).collect();
    let mut by_width = vec![0.0f64; WIDTHS];
    let (mut sum, mut blur, mut soft) = (0.0, Moments::default(), Moments::default());
    let mut lines_px = Widths::default();
    for (state, all) in states.iter().zip(all.chunks_exact(PLACES)) {
        let disc_px = DISC_SIGMA * state.sharpest_px;
        let blurs2 = LENS_PX.map(|lens_px| lens_px * lens_px + disc_px * disc_px);
        let blurs = blurs2.map(f64::sqrt);
        let likely = |(_, ln): &(usize, &f64)| **ln > most - NEGLIGIBLE_LN;
        for (place, ln) in all.iter().enumerate().filter(likely) {
            let (w, l) = (place / LENSES, place % LENSES);
            let weight = (ln - most).exp();
            by_width[w] += weight;
            // The bench's slit, where it is known, tells what is left to focus.
            let weight = weight * expected[w];
            sum += weight;
            blur.add(weight, (blurs[l], blurs2[l]));
            let blur_fwhm2 = FWHM_PER_SIGMA * FWHM_PER_SIGMA * blurs2[l];
            let line_px2 = widths_px[w] * widths_px[w] + blur_fwhm2;
            lines_px.add(weight, line_px2, blur_fwhm2 / line_px2);
            soft.add(weight, by_ends.soft[l * foci.len() + state.focus]);
        }
    }
    let usual = weighed(&by_width, &widths_um, usual_slit);
    let free = weighed(&by_width, &widths_um, |_| 1.0);
    let (width_um, at_most_um) = spread(&usual, &widths_um);
    let (line_px, blur_share) = lines_px.middle(sum);
    Explained {
        width_um,
        at_most_um,
        blur_px: blur.estimate(sum),
        line_px,
        blur_share,
        soft_px: (!ends.is_empty()).then(|| soft.estimate(sum)),
        changed: known
            .as_ref()
            .map(|known| changed(&by_width, &widths_um, known)),
        changed_px: spread(&free, &widths_um).0.scaled(1.0 / um_per_px),
    }
}

/// How probable widths of a line are, by their square's logarithm.
struct Widths {
    /// Of each the weight, and that with the share of the blur.
    bins: Vec<(f64, f64)>,
}

impl Widths {
    /// From 0.01 to 20,000 px, in steps of 0.2 %.
    const FIRST_LOG2: f64 = -13.3;
    const LAST_LOG2: f64 = 28.6;
    const BINS_BY_LOG2: f64 = 173.0;

    /// Adds an explanation of a line: its weight, its width squared, px², and the blur's share of that.
    fn add(&mut self, weight: f64, line_px2: f64, blur_share: f64) {
        let bin = (line_px2.log2() - Self::FIRST_LOG2) * Self::BINS_BY_LOG2;
        let last = self.bins.len() - 1;
        let bin = &mut self.bins[(bin as usize).min(last)];
        bin.0 += weight;
        bin.1 += weight * blur_share;
    }

    /// The median with half of what the middle two thirds span, and the mean share of the blur in what lies above the median; the weights
    /// add up to `sum`.
    fn middle(&self, sum: f64) -> (Estimate, f64) {
        let mut quantiles = [0.0; 3];
        let (mut below, mut above, mut shares) = (0.0, 0.0, 0.0);
        for (bin, (weight, share)) in self.bins.iter().enumerate() {
            for (quantile, at) in quantiles.iter_mut().zip([0.16, 0.5, 0.84]) {
                if below < at * sum {
                    let log2 = Self::FIRST_LOG2 + (bin as f64 + 0.5) / Self::BINS_BY_LOG2;
                    *quantile = (0.5 * log2).exp2();
                }
            }
            if below >= 0.5 * sum {
                above += weight;
                shares += share;
            }
            below += weight;
        }
        let [low, median, high] = quantiles;
        let share = if above > 0.0 { shares / above } else { 0.0 };
        (Estimate::new(median, 0.5 * (high - low)), share)
    }
}

impl Default for Widths {
    fn default() -> Widths {
        let bins = (Self::LAST_LOG2 - Self::FIRST_LOG2) * Self::BINS_BY_LOG2;
        Widths {
            bins: vec![(0.0, 0.0); bins as usize],
        }
    }
}

/// Sums of a quantity and of its square.
#[derive(Default)]
struct Moments(f64, f64);

impl Moments {
    fn add(&mut self, weight: f64, (value, square): (f64, f64)) {
        self.0 += weight * value;
        self.1 += weight * square;
    }

    fn estimate(&self, weights: f64) -> Estimate {
        let mean = self.0 / weights;
        Estimate::new(mean, (self.1 / weights - mean * mean).max(0.0).sqrt())
    }
}

/// What the best of all explanations leaves unexplained of half the lines, χ², at least 1: one odd line makes none of the others
/// worse.
fn misfit(unexplained: &[Table], states: &[State]) -> f64 {
    let capped: Vec<Table> = unexplained
        .iter()
        .map(|chi| chi.map(|chi| chi.min(MOST_ODD)))
        .collect();
    let mut least = (f64::MAX, 1.0);
    let mut sums = vec![0.0f64; PLACES];
    for state in states {
        sums.fill(0.0);
        let lines = || capped.iter().zip(&state.discs);
        lines().for_each(|(chi, disc)| chi.add_to(&mut sums, *disc));
        for (place, sum) in sums.iter().enumerate() {
            if *sum < least.0 {
                let chi = lines().map(|(chi, disc)| chi.at(place, *disc));
                least = (*sum, median(chi).unwrap_or(1.0));
            }
        }
    }
    least.1.max(1.0)
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

impl Known {
    /// Probability, by the logarithm of the width, where nothing changed.
    fn density(&self, um: f64) -> f64 {
        let ln_sigma = (self.width.sigma / self.width.value).max(WIDER.ln());
        let d = (um / self.width.value).ln() / ln_sigma;
        let over = ((um / self.at_most - 1.0) / OVER_SHARE).max(0.0);
        (-0.5 * (d * d + over * over)).exp() / ln_sigma / (2.0 * PI).sqrt()
    }

    /// The same where it moved, or was opened.
    fn changed_density(&self, um: f64) -> f64 {
        let span = (WIDEST_UM / self.width.value).ln();
        if um > self.width.value {
            1.0 / span
        } else {
            0.0
        }
    }
}

/// Probability that the width is another than the bench's.
fn changed(by_width: &[f64], widths_um: &[f64], known: &Known) -> f64 {
    let evidence = |prior: &dyn Fn(f64) -> f64| -> f64 {
        let widths = by_width.iter().zip(widths_um);
        widths.map(|(w, um)| w * prior(*um)).sum()
    };
    let same = evidence(&|um| known.density(um));
    let other = evidence(&|um| known.changed_density(um));
    CHANGED * other / (CHANGED * other + (1.0 - CHANGED) * same).max(f64::MIN_POSITIVE)
}

/// Width of the slit that makes its image a pixel wide, µm.
pub fn um_per_px(shot: &Shot) -> f64 {
    let optics = &shot.scale.optics;
    let px_per_nm = optics.rays().px_per_nm(0.0).unwrap_or(2.0);
    optics.um_per_nm(shot.inputs.bench.slit_distance_mm) / px_per_nm
}
