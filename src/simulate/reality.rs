//! What tells a real photo from a textbook's: round grooves, a pupil of finite size, a lamp that lights a part of the slit, a lens
//! with colours and ghosts of its own. Each part can be switched off by itself; [`Reality::ideal()`] has none of them.

use serde::{Deserialize, Serialize};

/// What tells a real photo from an ideal one.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Reality {
    /// The grooves of the piece of disc.
    pub grooves: Grooves,
    /// Distance from the pupil on which the camera is focused, mm; absent where the pupil is a point and all is in focus.
    pub focus_mm: Option<f64>,
    /// Where on the disc the phone was laid down.
    pub laid: Laid,
    /// How the lamp lights the slit.
    pub lit: Lit,
    /// Colours and ghosts of the lens, and what the phone makes of the dark.
    pub lens: Lens,
    /// A broad, faint copy of the slit's image, from a wall of the tube; absent where there is none.
    pub wall: Option<Wall>,
}

/// The grooves of a piece of disc.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub enum Grooves {
    /// Straight and parallel.
    #[default]
    Straight,
    /// Circles about the disc's middle.
    Round {
        /// Distance of the bench's usual place of the pupil from the disc's middle, mm.
        radius_mm: f64,
        /// +1 where the disc's middle lies towards order +1 of the sensor's picture, −1 on the other side.
        middle_side: i32,
    },
}

/// Where the phone was laid down this time, off the bench's usual place, mm.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Laid {
    /// Across the grooves, towards order +1.
    pub across_mm: f64,
    /// Along the grooves, down on an unturned picture.
    pub along_mm: f64,
}

/// How the lamp lights the slit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub enum Lit {
    /// From end to end.
    #[default]
    Whole,
    /// Through tracing paper, which shines alike in all directions: a part of it, the same in all orders.
    Paper {
        /// Middle of the first edge, −1…1 of the slit's half length.
        from: f64,
        /// Middle of the second edge, −1…1.
        to: f64,
        /// Length over which the light fades, mm.
        edge_mm: f64,
    },
    /// By the lamp itself: each point of the pupil sees another part of the slit lit.
    Bare {
        /// From the slit to the lamp, mm.
        behind_mm: f64,
        /// The lamp's two ends along the slit, mm from the line through the pupil and the slit's middle.
        along_mm: [f64; 2],
        /// The lamp's two edges across the slit, mm from that line.
        across_mm: [f64; 2],
        /// Length over which the lamp's brightness fades, mm.
        edge_mm: f64,
    },
}

/// Colours and ghosts of a lens.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Lens {
    /// Magnification in red light against that in green, less 1.
    pub lateral_red: f64,
    /// Magnification in blue light against that in green, less 1.
    pub lateral_blue: f64,
    /// Share of the slit image's light in its ghost.
    pub ghost_share: f64,
    /// Radius of a point in the ghost, px.
    pub ghost_px: f64,
    /// Power by which dark surroundings are brightened, 0 (not at all) to 0.15.
    pub local_tone: f64,
}

/// A copy of the slit's image from a wall of the tube.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Wall {
    /// Share of the slit image's light.
    pub share: f64,
    /// Beside the slit's image, px, towards order +1.
    pub aside_px: f64,
    /// Width, standard deviation, px.
    pub sigma_px: f64,
}

/// Wavelengths for which the lateral colour is stated, nm: green midway between the other two.
pub const BLUE_NM: f64 = 450.0;
/// See [`BLUE_NM`].
pub const GREEN_NM: f64 = 535.0;
/// See [`BLUE_NM`].
pub const RED_NM: f64 = 620.0;

impl Reality {
    /// Straight grooves, a point for a pupil, the whole slit lit, a perfect lens.
    pub fn ideal() -> Reality {
        Reality::default()
    }

    /// The same bench with the phone on its usual place and the whole slit lit and in focus: by this exposures are metered.
    pub(super) fn straightened(&self, slit_mm: f64) -> Reality {
        Reality {
            focus_mm: self.focus_mm.map(|_| slit_mm),
            laid: Laid::default(),
            lit: Lit::Whole,
            ..self.clone()
        }
    }

    /// Angle by which the grooves under the pupil are turned against those at the bench's usual place, rad: from x towards y.
    pub(super) fn turn_rad(&self) -> f64 {
        self.off_middle()
            .map_or(0.0, |(side, [across_mm, along_mm])| {
                (-side * along_mm).atan2(across_mm)
            })
    }

    /// Distance of the pupil from the disc's middle (mm), signed: positive where the middle lies towards order +1. Absent where the
    /// grooves are straight.
    pub(super) fn signed_radius_mm(&self) -> Option<f64> {
        let (side, [across_mm, along_mm]) = self.off_middle()?;
        Some(side * across_mm.hypot(along_mm))
    }

    /// The side of order +1 on which the disc's middle lies, ±1, and the pupil's distance from it across and along the grooves at the
    /// bench's usual place, mm. Absent where the grooves are straight.
    fn off_middle(&self) -> Option<(f64, [f64; 2])> {
        let Grooves::Round {
            radius_mm,
            middle_side,
        } = self.grooves
        else {
            return None;
        };
        let side = f64::from(middle_side);
        let across_mm = radius_mm - side * self.laid.across_mm;
        Some((side, [across_mm, self.laid.along_mm]))
    }
}

impl Lens {
    /// Magnification at this wavelength less 1: a parabola through the stated values.
    pub(super) fn lateral(&self, wavelength_nm: f64) -> f64 {
        let t = ((wavelength_nm - GREEN_NM) / (0.5 * (RED_NM - BLUE_NM))).clamp(-1.6, 2.2);
        let (red, blue) = (self.lateral_red, self.lateral_blue);
        0.5 * (red - blue) * t + 0.5 * (red + blue) * t * t
    }

    /// Whether all colours are magnified alike.
    pub(super) fn is_free_of_colour(&self) -> bool {
        self.lateral_red == 0.0 && self.lateral_blue == 0.0
    }
}

impl Lit {
    /// The lit part of a slit, as the middle of the pupil sees it: −1…1 of its half length.
    pub(super) fn part(&self, half_mm: f64, slit_mm: f64) -> [f64; 2] {
        match *self {
            Lit::Whole => [-1.0, 1.0],
            Lit::Paper { from, to, .. } => [from.max(-1.0), to.min(1.0)],
            Lit::Bare {
                behind_mm,
                along_mm,
                ..
            } => along_mm.map(|y| (y / (1.0 + behind_mm / slit_mm) / half_mm).clamp(-1.0, 1.0)),
        }
    }

    /// Share of the light that paper leaves at `s` mm from the slit's middle.
    pub(super) fn through_paper(&self, s: f64, half_mm: f64) -> f64 {
        match *self {
            Lit::Paper { from, to, edge_mm } => {
                let per_mm = 1.0 / edge_mm.max(1e-9);
                rise((s - from * half_mm) * per_mm) * rise((to * half_mm - s) * per_mm)
            }
            _ => 1.0,
        }
    }

    /// Share of the light of a bare lamp that passes the slit's plane at `s` mm along it towards `foot_mm` (across and along the
    /// slit, `slit_mm` in front of it).
    pub(super) fn lamplight(&self, s: f64, foot_mm: [f64; 2], slit_mm: f64) -> f64 {
        let Lit::Bare {
            behind_mm,
            along_mm: [bottom, top],
            across_mm: [left, right],
            edge_mm,
        } = *self
        else {
            return 1.0;
        };
        // Straight on from the foot through the slit to the lamp.
        let lever = behind_mm / slit_mm;
        let y = s + lever * (s - foot_mm[1]);
        let x = -lever * foot_mm[0];
        let per_mm = 1.0 / edge_mm.max(1e-9);
        rise((y - bottom) * per_mm)
            * rise((top - y) * per_mm)
            * rise((x - left) * per_mm)
            * rise((right - x) * per_mm)
    }
}

/// From 0 to 1 between −½ and ½, without corners.
fn rise(at: f64) -> f64 {
    let t = (at + 0.5).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_phone_laid_a_millimetre_further_along_finds_the_grooves_turned_by_one_radius_th() {
        let mut reality = Reality {
            grooves: Grooves::Round {
                radius_mm: 40.0,
                middle_side: -1,
            },
            ..Reality::ideal()
        };
        reality.laid.along_mm = 1.0;
        assert!((reality.turn_rad().to_degrees() - 1.432).abs() < 0.001);
        assert!((reality.signed_radius_mm().unwrap() + 40.0125).abs() < 1e-4);
        reality.laid = Laid {
            across_mm: 1.0,
            along_mm: 0.0,
        };
        assert_eq!(reality.turn_rad(), 0.0);
        assert_eq!(reality.signed_radius_mm(), Some(-41.0));
    }

    #[test]
    fn a_bare_lamp_s_edge_lies_elsewhere_for_each_point_of_the_pupil() {
        // A metre behind a slit at 300 mm: a pupil point 1 mm up sees the edge 1000/1300 mm further up.
        let lit = Lit::Bare {
            behind_mm: 1000.0,
            along_mm: [-13.0, 100.0],
            across_mm: [-50.0, 50.0],
            edge_mm: 0.1,
        };
        let [from, to] = lit.part(12.0, 300.0);
        assert!((from + 0.25).abs() < 1e-9 && to == 1.0);
        assert!((lit.lamplight(-3.0, [0.0, 0.0], 300.0) - 0.5).abs() < 1e-9);
        assert!((lit.lamplight(-3.0 + 1.0 / 1.3, [0.0, 1.0], 300.0) - 0.5).abs() < 1e-9);
        assert_eq!(lit.lamplight(0.0, [20.0, 0.0], 300.0), 0.0, "past its side");
    }

    #[test]
    fn lateral_colour_is_as_stated_where_it_is_stated() {
        let lens = Lens {
            lateral_red: 3e-4,
            lateral_blue: -1e-4,
            ..Lens::default()
        };
        assert!((lens.lateral(RED_NM) - 3e-4).abs() < 1e-12);
        assert!((lens.lateral(BLUE_NM) + 1e-4).abs() < 1e-12);
        assert_eq!(lens.lateral(GREEN_NM), 0.0);
    }
}
