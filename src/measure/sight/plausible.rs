//! Is it a spectrum at all, and the bench's own?

use crate::frame::Frame;
use crate::measure::optics::Rays;
use crate::measure::sight::locate::{CALM_EDGE_SHARE, LoneBar, bars_of_length};
use crate::measure::sight::map::Map;
use crate::measure::sight::spot::Located;
use crate::measure::sight::stray::{Bar, Stray};
use crate::terms::{Calibration, Interval, Point};

/// What the lamp photo of the bench showed of the slit's image. Nothing where there is none yet.
#[derive(Default)]
pub struct Familiar {
    /// Where its middle was, px, and the same place of a picture that is the other way up.
    pub places: Vec<Point>,
    length_px: Option<f64>,
}

/// Length of the slit's image against the lamp photo's at which it can still be the same slit: each lamp lights a part of it, a third
/// or all (common practice, no source).
const SAME_LENGTH: Interval = Interval::new(0.3, 3.0);
/// …and the same of what is a line by its length alone: a lens's ghost of a part of one is not.
const LINE_LENGTH: Interval = Interval::new(0.75, 1.3);
/// How far it can lie from the lamp photo's place, share of the picture's longer side: a phone turned by 4°.
const SAME_PLACE_SHARE: f64 = 0.06;

impl Familiar {
    /// As `calibration` shows it in a frame of this size.
    pub fn of(calibration: Option<&Calibration>, frame: &Frame) -> Familiar {
        let Some(c) = calibration else {
            return Familiar::default();
        };
        let turned = Point::new(
            frame.width() as f64 - 1.0 - c.slit_px.x,
            frame.height() as f64 - 1.0 - c.slit_px.y,
        );
        Familiar {
            places: vec![c.slit_px, turned],
            length_px: c.slit_length_px,
        }
    }

    /// True where a bar with its middle at `centre` in a picture of this longer side, px, is the lamp photo's slit.
    pub fn knows(&self, centre: Point, half_length_px: f64, longest_px: f64) -> bool {
        let alike = self.length_px.is_some_and(|known| {
            let ratio = 2.0 * half_length_px / known;
            SAME_LENGTH.low < ratio && ratio < SAME_LENGTH.high
        });
        alike
            && self
                .places
                .iter()
                .any(|p| p.distance(centre) < SAME_PLACE_SHARE * longest_px)
    }
}

/// Lines of one spectrum are parallel, and lie square to themselves from each other, within these angles, degrees.
const PARALLEL_DEG: f64 = 3.0;
const SQUARE_DEG: f64 = 15.0;
/// In a closed tube no more than this share of the picture is brighter than this, linear share of full scale.
const LIT_SHARE: f64 = 0.1;
const DARK_LEVEL: f32 = 0.04;
/// More than this share of a line's light is in one channel.
const LINE_PURITY: f64 = 0.6;
/// Shortest wavelength that a phone sees, less what a turned phone's scale is off by, nm…
const SHORTEST_NM: f64 = 350.0;
/// …and how near a bar is the same one.
const NEXT_LINE_NM: f64 = 8.0;

/// True of a picture that was taken through a closed tube.
pub fn is_dark(map: &Map) -> bool {
    let lit = map.light.iter().filter(|l| **l > DARK_LEVEL).count();
    lit as f64 <= LIT_SHARE * map.light.len() as f64
}

impl Familiar {
    /// True where a picture shows lines of the bench's slit, but not its image: that is hidden, or off the picture.
    ///
    /// `map` is the picture's. Two lines at least have the slit's length, pure colours, and lie beside each other.
    pub fn has_lines_only(&self, map: &Map) -> bool {
        // A room's or a screen's bars are not in the dark.
        if !is_dark(map) {
            return false;
        }
        let lines = self.lines(map);
        lines.iter().enumerate().any(|(i, a)| {
            lines[i + 1..].iter().any(|b| {
                let (x, y) = (b.centre.x - a.centre.x, b.centre.y - a.centre.y);
                let aside = (y.atan2(x) - a.across_rad).sin().abs();
                (a.across_rad - b.across_rad).sin().abs() < PARALLEL_DEG.to_radians().sin()
                    && aside < SQUARE_DEG.to_radians().sin()
            })
        })
    }

    /// Bars of the slit's length, in pure colours.
    fn lines(&self, map: &Map) -> Vec<LoneBar> {
        let Some(length) = self.length_px else {
            return Vec::new();
        };
        let range = Interval::new(LINE_LENGTH.low * length, LINE_LENGTH.high * length);
        let mut bars = bars_of_length(map, range);
        bars.retain(|bar| bar.colour.iter().any(|c| *c > LINE_PURITY));
        bars
    }

    /// True where a line lies nearer to what `rays` take for the slit's image than any light that can be seen: then that is
    /// a line as well.
    pub fn has_line_too_near(&self, map: &Map, rays: &Rays) -> bool {
        self.lines(map)
            .iter()
            .map(|line| rays.path_nm(line.centre).abs())
            .any(|path_nm| NEXT_LINE_NM < path_nm && path_nm < SHORTEST_NM)
    }
}

/// Why there is nothing like a spectrum.
pub struct NoSight {
    /// In words.
    pub why: String,
    /// Level of the stray light, linear share of full scale, where the slit's image itself is there as the bench knows it:
    /// it may be what hides the spectrum.
    pub veil: Option<f64>,
    /// A dark picture with the slit's image, and pure light of its length beside it: too faint for more.
    pub is_faint: bool,
}

impl NoSight {
    /// Says that nothing was found in a picture that has not even a slit's image.
    pub fn nothing(why: String) -> NoSight {
        NoSight {
            why,
            veil: None,
            is_faint: false,
        }
    }
}

/// Level that one cell in ten exceeds off the strip in which the spectrum lies.
pub fn veil(map: &Map, located: &Located) -> f64 {
    let cell = map.cell_px as f64;
    let bar = Bar {
        centre: Point::new(located.centre.x / cell, located.centre.y / cell),
        half_length: located.half_length_px / cell,
        across_rad: located.dispersion_rad,
        glare: GLARE_SHARE * map.width.max(map.height) as f64,
    };
    Stray::beside(map, &bar).map_or(0.0, |stray| stray.level)
}

/// Share of the picture's edges in the strip from which there is nothing but slit and spectrum.
pub const DARK_EDGE_SHARE: f64 = 0.9;
/// Lines as long as the slit with so much light over the map's noise are light, however little all colours together have.
pub const CLEAR_LINES: f64 = 12.0;
/// Lines as long as the slit with so much light over the map's noise are doubted by nobody, whatever lies around them.
pub const PLAIN_LINES: f64 = 10.0 * CLEAR_LINES;

/// So many lines with so much light over the map's noise are a lamp's, however much the noise itself fills a dark picture with
/// edges.
const SURE_COUNT: usize = 3;
const SURE_LINES: f64 = 4.0 * CLEAR_LINES;
/// Light is pure from this share on, also where noise dilutes it; where a spectrum can be lies all of it but this share.
const PURE: f64 = 0.9;
const ASTRAY_SHARE: f64 = 0.03;

/// Light is faint below this significance, in an otherwise black picture and in any other: lines at the picture's rim are faint as a
/// whole and still stand out of the black (no source).
const FAINT_IN_THE_DARK: f64 = 5.0;
const FAINT: f64 = 10.0;
/// Half the slit's image is not longer than this share of the picture's longer side: 24 mm at 305 mm are a twenty-fifth of it to either
/// side of the middle.
const LONGEST_SHARE: f64 = 0.065;
/// Two orders mirror each other where they agree so well, and so much of the light, and of the picture's edges, lies where theirs do.
const MIRRORED: f64 = 0.6;
const MIRRORED_LIGHT: f64 = 0.97;
const MIRRORED_EDGES: f64 = 0.5;
/// So many lines show a grating; so many, with nothing else where a spectrum can be, no drawing has.
const SOME_LINES: usize = 2;
const MANY_LINES: usize = 5;
/// Colours are pure enough from this saturation on: where orders mirror each other or lines are plain, in a calm picture, and in any
/// other (no source).
const PURE_IF_PLAIN: f64 = 0.45;
const PURE_IF_CALM: f64 = 0.75;
const PURE_ANYWHERE: f64 = 0.95;
/// So much of the light lies where a spectrum can be: beside lines, in a calm picture, and in any other (no source).
const IN_PLACE_IF_LINES: f64 = 0.25;
const IN_PLACE_IF_CALM: f64 = 0.35;
const IN_PLACE_ANYWHERE: f64 = 0.9;
/// From so much of it on there is nothing else.
const NOTHING_ELSE: f64 = 0.95;
/// So much of the edges lies in the strip: beside unmistakable lines, beside a few, and without (no source). A
/// leak has few edges of its own; drawings and rooms have most of theirs elsewhere.
const EDGES_IF_UNMISTAKABLE: f64 = 0.2;
const EDGES_IF_LINES: f64 = 0.28;
const EDGES_ANYWHERE: f64 = 0.35;
/// Glare about the slit's image reaches over this share of the picture's longer side.
const GLARE_SHARE: f64 = 0.12;

impl Located {
    fn is_pure(&self) -> bool {
        !self.is_grey && self.saturation > PURE && self.zone_share > 1.0 - ASTRAY_SHARE
    }

    fn has_sure_lines(&self) -> bool {
        self.is_pure() && self.lines >= SURE_COUNT && self.line_light > SURE_LINES
    }

    /// Light of the slit's length and pure colours beside it, if only just.
    pub fn has_a_line(&self) -> bool {
        self.is_pure() && self.lines > 0 && self.line_light > CLEAR_LINES
    }
}

/// Is it a spectrum at all? Rooms, faces, text and screens have light and edges everywhere, and greys; the light of a
/// grating is pure in colour even where it is over-exposed, and lies in a strip.
///
/// `is_familiar` where the slit's image is the bench's own; `is_dark` of the picture as a whole.
pub fn plausible(
    located: &Located,
    is_familiar: bool,
    is_dark: bool,
    longest_px: f64,
) -> Result<(), String> {
    let in_the_dark = located.edge_share > DARK_EDGE_SHARE;
    let least = if in_the_dark {
        FAINT_IN_THE_DARK
    } else {
        FAINT
    };
    let faint = located.significance < least;
    let stands_out =
        (in_the_dark && located.line_light > CLEAR_LINES) || (is_dark && located.has_sure_lines());
    if faint && !stands_out {
        return Err("no light where a grating would put the spectrum".into());
    }
    if located.half_length_px > LONGEST_SHARE * longest_px {
        return Err("the brightest bar is far too long for the slit's image".into());
    }
    let calm = located.edge_share > CALM_EDGE_SHARE;
    let lines = located.lines >= SOME_LINES;
    // Two orders that mirror each other are a grating's, whatever stray light lies over them.
    let mirrored = located.symmetry > MIRRORED
        && located.zone_share > MIRRORED_LIGHT
        && located.edge_share > MIRRORED_EDGES;
    // So are plain lines of the slit's length with nothing but stray light around them: clipped ones look whiter than they are.
    let pure = match (mirrored, calm) {
        (true, _) => PURE_IF_PLAIN,
        (false, true) if in_the_dark && lines && located.line_light > PLAIN_LINES => PURE_IF_PLAIN,
        (false, true) => PURE_IF_CALM,
        (false, false) => PURE_ANYWHERE,
    };
    if located.is_grey {
        // Nothing but its order tells it from stripes on a wall: both of a grating's sides, or its lines, in the dark.
        if located.edge_share < DARK_EDGE_SHARE || !(mirrored || lines) {
            return Err("a picture without colours, and not plainly a spectrum in the dark".into());
        }
    } else if located.saturation < pure {
        return Err("no spectral colours beside the brightest line".into());
    }
    let in_place = match (lines, calm) {
        (true, _) => IN_PLACE_IF_LINES,
        (false, true) => IN_PLACE_IF_CALM,
        (false, false) => IN_PLACE_ANYWHERE,
    };
    // Many pure and bright lines at the slit's own height and nothing else where a spectrum can be: no drawing has them.
    let plain = located.lines >= SOME_LINES
        && located.line_light > PLAIN_LINES
        && located.saturation > PURE_ANYWHERE
        && !located.is_grey;
    // Beside the bench's own slit, where its lamp photo had it, two of them do.
    if plain && is_familiar {
        return Ok(());
    }
    let unmistakable = plain && located.lines >= MANY_LINES && located.zone_share > NOTHING_ELSE;
    let edges = match (unmistakable, lines) {
        (true, _) => EDGES_IF_UNMISTAKABLE,
        (false, true) => EDGES_IF_LINES,
        (false, false) => EDGES_ANYWHERE,
    };
    if located.zone_share < in_place || located.edge_share < edges {
        return Err(
            "light and edges all over the picture, not a slit and its spectrum in the dark".into(),
        );
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a lamp's photo of a twentieth of the light shows, whose noise has edges all over the picture.
    fn grainy(lines: usize, line_light: f64) -> Located {
        Located {
            centre: Point::new(1456.0, 1073.0),
            dispersion_rad: 0.0,
            slit_rad: std::f64::consts::FRAC_PI_2,
            half_length_px: 80.0,
            zone_share: 1.0,
            symmetry: 0.66,
            saturation: 0.99,
            significance: 6.0,
            side_light: [0.001, 0.001],
            edge_share: 0.68,
            is_grey: false,
            lines,
            line_light,
            score: 1.0,
        }
    }

    #[test]
    fn noise_in_a_dark_picture_hides_no_lines_that_stand_out_of_it() {
        let is_one =
            |located: &Located, is_dark| plausible(located, false, is_dark, 2800.0).is_ok();
        assert!(is_one(&grainy(6, 88.0), true));
        assert!(!is_one(&grainy(6, 88.0), false), "in a lit room");
        assert!(
            !is_one(&grainy(2, 34.0), true),
            "too few and too faint to measure"
        );
        let grey = Located {
            saturation: 0.6,
            ..grainy(6, 88.0)
        };
        assert!(!is_one(&grey, true));
    }

    #[test]
    fn what_is_too_faint_to_measure_is_light_all_the_same_and_chance_is_not() {
        assert!(grainy(2, 34.0).has_a_line());
        assert!(!grainy(1, 8.0).has_a_line());
        assert!(!grainy(0, 0.0).has_a_line());
    }
}
