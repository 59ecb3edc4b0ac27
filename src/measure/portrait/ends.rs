//! The slit's ends in the orders, as witnesses of focus and of soft light: how blurred they are, by order and colour.

use crate::measure::portrait::focus::{Focus, OwnFocus, fans};
use crate::measure::portrait::render::{DISC_SIGMA, LENS_PX};
use crate::measure::shot::Shot;
use crate::measure::sight::{Edge, Survey, as_measured};
use crate::terms::{Interval, median};

/// An end counts with this signal to noise.
const CLEAR_SNR: f64 = 6.0;
/// Orders are looked at in these parts, nm: violet and blue, green, red.
const PARTS_NM: [Interval; 3] = [
    Interval::new(390.0, 500.0),
    Interval::new(500.0, 590.0),
    Interval::new(590.0, 720.0),
];

/// The sharper of the slit's two ends in one part of one order.
pub struct End {
    /// `m λ` of its light, nm.
    pub path_nm: f64,
    /// Blur, px (standard deviation).
    pub blur_px: f64,
}

/// The ends of both orders.
pub fn ends(survey: &Survey) -> Vec<End> {
    let mut found = Vec::new();
    for sign in [-1.0, 1.0] {
        for part in PARTS_NM {
            let is_in = |e: &&Edge| e.snr > CLEAR_SNR && part.contains(sign * e.path_nm);
            let of = |list: &[Edge]| -> Option<End> {
                let edges: Vec<&Edge> = list.iter().filter(is_in).collect();
                Some(End {
                    path_nm: median(edges.iter().map(|e| e.path_nm))?,
                    blur_px: median(edges.iter().map(|e| e.blur_px))?,
                })
            };
            // Dust and a lamp that lights one end softly make an end too soft, nothing makes it too sharp.
            let both = [of(&survey.edges.low), of(&survey.edges.high)];
            let sharper = both.into_iter().flatten();
            found.extend(sharper.min_by(|a, b| a.blur_px.total_cmp(&b.blur_px)));
        }
    }
    found
}

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
/// No explanation is less likely by the ends than this.
const ODD_ENDS: f64 = 1e-200;

/// What the slit's ends say of each lens and focus.
pub struct EndsSeen {
    /// ln of their likelihood, by lens and focus.
    pub ln: Vec<f64>,
    /// Mean of what they are softer by, px, and of its square.
    pub soft: Vec<(f64, f64)>,
}

impl EndsSeen {
    /// Weighs all that may soften them.
    pub fn new(shot: &Shot, ends: &[End], foci: &[Focus]) -> EndsSeen {
        let length_px = shot.survey.beta.width() * shot.scale.optics.focal_px;
        let fans = fans(shot);
        let own = fans.map(|(fan, _)| -> Vec<OwnFocus> {
            let along = |end: &End| OwnFocus::along(shot, end.path_nm, fan);
            ends.iter().map(along).collect()
        });
        let (mut ln, mut soft) = (Vec::new(), Vec::new());
        let n = own[0].len();
        let mut discs2: Vec<[f64; 3]> = vec![[0.0; 3]; n * foci.len()];
        for (f, focus) in foci.iter().enumerate() {
            for (i, discs2) in discs2[f * n..(f + 1) * n].iter_mut().enumerate() {
                *discs2 = std::array::from_fn(|fan| {
                    let disc_px = DISC_SIGMA * own[fan][i].disc_px(focus);
                    disc_px * disc_px
                });
            }
        }
        for lens_px in LENS_PX {
            for f in 0..foci.len() {
                let discs2 = &discs2[f * n..(f + 1) * n];
                let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
                for (soft_px, share) in SOFT_PX {
                    let plain2 = lens_px * lens_px + soft_px * soft_px;
                    for (fan, (_, bent)) in fans.iter().enumerate() {
                        let (mut chi, mut sigmas) = (0.0, 1.0);
                        for (end, discs2) in ends.iter().zip(discs2) {
                            let expected = as_measured((plain2 + discs2[fan]).sqrt(), length_px);
                            let by_share = END_SHARE * expected;
                            let variance = by_share * by_share + END_PX * END_PX;
                            let off = end.blur_px - expected;
                            chi += off * off / variance;
                            sigmas *= variance;
                        }
                        let weight = share * bent * (-0.5 * chi).exp() / f64::sqrt(sigmas);
                        sum += weight;
                        first += weight * soft_px;
                        second += weight * soft_px * soft_px;
                    }
                }
                let sum = f64::max(sum, ODD_ENDS);
                ln.push(sum.ln());
                soft.push((first / sum, second / sum));
            }
        }
        EndsSeen { ln, soft }
    }
}
