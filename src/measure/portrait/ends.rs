//! The slit's ends in the orders, as witnesses of focus and of soft light: how blurred they are, by order and colour.

use crate::measure::sight::{Edge, Survey};
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
