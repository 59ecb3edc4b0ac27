//! A bright spot, and the slit's image with what lies beside it.

use crate::terms::Point;

/// What was found, in pixels of the upright picture.
#[derive(Clone, Debug)]
pub struct Located {
    /// Middle of the slit's image.
    pub centre: Point,
    /// Direction of +α, clockwise (as seen) from the right, rad, in (−π/4, 3π/4].
    pub dispersion_rad: f64,
    /// Direction of the slit's image, clockwise from the right, rad.
    pub slit_rad: f64,
    /// Half the slit image's length, px.
    pub half_length_px: f64,
    /// Share of the strip's light that lies where the visible spectrum can be, 0…1.
    pub zone_share: f64,
    /// Agreement of the two sides, −1…1.
    pub symmetry: f64,
    /// How pure the colours are, 0 (grey) … 1.
    pub saturation: f64,
    /// Light in the strip over its noise.
    pub significance: f64,
    /// Light on the −α and the +α side, mean linear share of full scale over the zone.
    pub side_light: [f64; 2],
    /// Share of all strong edges of the picture that lie in the strip.
    pub edge_share: f64,
    /// True where the picture has no colours that could be pure.
    pub is_grey: bool,
    /// Narrow lines in the strip that are as long as the slit's image and at its height.
    pub lines: usize,
    /// Their light over the map's noise.
    pub line_light: f64,
    /// Score among the candidates.
    pub score: f64,
}

impl Located {
    /// True where the slit's image is the same bar, and the light spreads the same way from it.
    pub fn is_same_bar(&self, other: &Located) -> bool {
        self.centre == other.centre
            && self.half_length_px == other.half_length_px
            && self.slit_rad == other.slit_rad
            && self.dispersion_rad == other.dispersion_rad
    }
}

/// An elongated bright spot, in cells.
#[derive(Clone, Debug)]
pub struct Spot {
    /// Middle, across.
    pub x: f64,
    /// Middle, down.
    pub y: f64,
    /// Direction along it, rad.
    pub angle: f64,
    /// Half its length.
    pub half_length: f64,
    /// Half its width.
    pub half_width: f64,
    /// Its light, sum over its cells.
    pub light: f64,
    /// Its light over that of the brightest spot.
    pub rank: f64,
}
