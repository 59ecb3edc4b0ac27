//! What was found, as it lies in the photo.

use serde::{Deserialize, Serialize};

use super::Point;

/// What was found, in photo pixels (x right, y down, upright), for drawing.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Drawing {
    /// Outline of the slit's image (zero order).
    pub slit: Vec<Point>,
    /// Outline of each order's band, with its order.
    pub bands: Vec<(i32, Vec<Point>)>,
    /// Lines found or expected.
    pub lines: Vec<DrawnLine>,
    /// Direction of dispersion, and of the slit, each as a segment through the middle of the slit's image.
    pub dispersion_axis: Option<[Point; 2]>,
    /// Along the slit.
    pub slit_axis: Option<[Point; 2]>,
    /// Dark streaks that dust on the blades draws along the dispersion: each over the length of the measured order.
    pub streaks: Vec<Vec<Point>>,
}

/// A spectral line as it lies in the photo.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DrawnLine {
    /// Short name, such as `Hg 546.07` or `587.56`.
    pub name: String,
    /// Order.
    pub order: i32,
    /// Where the scale says it lies, along the slit's length.
    pub expected: Vec<Point>,
    /// Where it was found; empty where it was not.
    pub found: Vec<Point>,
    /// True where its core is clipped.
    pub clipped: bool,
}
