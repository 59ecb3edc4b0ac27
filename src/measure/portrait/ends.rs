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
        for lens_px in LENS_PX {
            for focus in foci {
                let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
                for (soft_px, share) in SOFT_PX {
                    for (own, (_, bent)) in own.iter().zip(fans) {
                        let chi: f64 = ends
                            .iter()
                            .zip(own)
                            .map(|(end, own)| {
                                let disc = DISC_SIGMA * own.disc_px(focus);
                                let blur_px = lens_px.hypot(disc).hypot(soft_px);
                                let expected = as_measured(blur_px, length_px);
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
                let sum = f64::max(sum, ODD_ENDS);
                ln.push(sum.ln());
                soft.push((first / sum, second / sum));
            }
        }
        EndsSeen { ln, soft }
    }
}
