//! What the parts of the overlay have in common: colours, letters, heights of rows, and which way a spectrum lies.

use crate::publish::drawing::canvas::{Face, Rgb};
use crate::terms::Drawing;

/// Height of a row of the legend.
pub const FOOTER: usize = 38;

pub const DEEP: Rgb = [9, 24, 31];
pub const EDGE: Rgb = [52, 74, 82];
pub const PAPER: Rgb = [244, 248, 247];
pub const FOUND: Rgb = [255, 92, 184];
pub const EXPECTED: Rgb = [255, 255, 255];
pub const SLIT: Rgb = [96, 222, 255];
pub const BAND: Rgb = [176, 196, 200];
pub const ANGLE: Rgb = [255, 190, 70];

/// A line's name, and the height of a row of names.
pub const NAME: Face = Face::bold(27.0);
pub const ROW: f64 = 31.0;
/// Most room for a name: that beside a spectrum that stands.
pub const MOST_NAME: f64 = 210.0;
/// The smallest letters: 12 px on a phone that shows the picture 330 px wide.
pub const SMALL: Face = Face::regular(26.0);

/// True where the spectrum runs up and down in the picture.
pub fn is_standing(drawing: &Drawing) -> bool {
    drawing
        .dispersion_axis
        .is_some_and(|[a, b]| (b.y - a.y).abs() > (b.x - a.x).abs())
}
