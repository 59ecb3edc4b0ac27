//! What every picture is drawn with: axes and planes, SVG as text, and a raster for the pictures that hold a photo. It knows
//! how numbers and words are written, and nothing of what is drawn.

pub mod canvas;
pub mod plane;
pub mod svg;
