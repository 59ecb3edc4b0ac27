//! The slit's image alone: its orders lie outside the picture.

use crate::frame::Frame;
use crate::measure::sight::locate::{RIM_SHARE, lone_bar};
use crate::measure::sight::map::Map;
use crate::measure::sight::survey::USUAL_FOCAL;
use crate::terms::Optics;

/// A channel with more than this share of a bar's light makes its colour pure: a laser's, or a diode's.
const PURE_SHARE: f64 = 0.75;
/// Where red, green and blue light is sought, and white light, nm.
const SOUGHT_NM: [(i32, i32); 3] = [(600, 700), (500, 580), (400, 490)];
const WHITE_NM: (i32, i32) = (400, 700);
/// …in steps of so many nm (no source).
const SOUGHT_STEP_NM: usize = 10;
/// An order of which more than this share is inside the picture is in it.
const INSIDE_SHARE: f64 = 0.5;

/// The slit's image alone in the dark, and no order of its light has room beside it: how much of the better one is
/// outside, 0…1. Absent where an order would be in the picture.
///
/// `instrument` is the bench's, where it is known; `lit_rad` the direction from the slit's image in which its one bright
/// order lies, if it has only one.
pub fn cut_off(
    frame: &Frame,
    map: &Map,
    instrument: Option<&Optics>,
    lit_rad: Option<f64>,
    focal_px: Option<f64>,
    spacings_nm: &[f64],
) -> Option<f64> {
    let (width, height) = (frame.width() as f64, frame.height() as f64);
    let rim = RIM_SHARE * width.max(height);
    let focal = focal_px.unwrap_or(USUAL_FOCAL * width.max(height));
    let bar = lone_bar(map)?;
    // A laser's light or a LED's is sought where it must be; a white bar's, over all colours.
    let pure = (0..3).find(|&c| bar.colour[c] > PURE_SHARE);
    let (low, high) = pure.map_or(WHITE_NM, |c| SOUGHT_NM[c]);
    let instruments: Vec<Optics> = match instrument {
        Some(optics) => vec![optics.clone()],
        None => spacings_nm
            .iter()
            .map(|d| Optics::flush(*d, focal, frame.width(), frame.height()))
            .collect(),
    };
    let inside = |optics: &Optics, sign: f64| -> f64 {
        let mut optics = optics.clone();
        optics.roll_rad = bar.across_rad;
        optics.aim_slit_at(bar.centre);
        let rays = optics.rays();
        let sought: Vec<i32> = (low..=high).step_by(SOUGHT_STEP_NM).collect();
        let seen = sought.iter().filter(|nm| {
            rays.pixel_of_path(sign * f64::from(**nm), 0.0)
                .is_some_and(|p| p.x > rim && p.y > rim && p.x < width - rim && p.y < height - rim)
        });
        seen.count() as f64 / sought.len() as f64
    };
    let best = instruments
        .iter()
        .flat_map(|o| match lit_rad {
            Some(lit) => vec![inside(o, (lit - bar.across_rad).cos().signum())],
            None => vec![inside(o, 1.0), inside(o, -1.0)],
        })
        .fold(0.0f64, f64::max);
    (best < INSIDE_SHARE).then_some(1.0 - best)
}
