//! SVG as text: a drawing grows element by element, and points become the data of its paths.

use std::fmt::{Arguments, Write};

use crate::publish::words;

/// Text fit to stand between tags or in an attribute: markup escaped, characters that XML 1.0 forbids replaced.
pub fn escaped(text: &str) -> String {
    words::visible(text)
        .replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
        .replace('\'', "&#39;")
}

/// The data of a path that runs straight from point to point, to a tenth of a unit.
pub fn way(points: impl IntoIterator<Item = (f64, f64)>) -> String {
    let mut data = String::new();
    for (x, y) in points {
        let pen = if data.is_empty() { 'M' } else { 'L' };
        let _ = write!(data, "{pen}{x:.1} {y:.1}");
    }
    data
}

/// The data of a path round the stretch between two edges, along the first one and back along the second: x, first edge,
/// second edge. Empty for fewer than two points.
pub fn band(points: &[(f64, f64, f64)]) -> String {
    if points.len() < 2 {
        return String::new();
    }
    let there = points.iter().map(|p| (p.0, p.1));
    let back = points.iter().rev().map(|p| (p.0, p.2));
    way(there.chain(back)) + "Z"
}

/// A drawing that is being written.
pub struct Svg {
    text: String,
    between: &'static str,
}

impl Svg {
    /// A drawing that begins with `head`, its opening tag; `between` stands behind each element.
    pub fn new(head: String, between: &'static str) -> Svg {
        Svg {
            text: head,
            between,
        }
    }

    /// Appends an element.
    pub fn add(&mut self, element: Arguments<'_>) {
        let _ = self.text.write_fmt(element);
        self.text += self.between;
    }

    /// Appends a path with these attributes; none where there is nothing to draw.
    pub fn path(&mut self, attributes: &str, data: &str) {
        if !data.is_empty() {
            self.add(format_args!("<path {attributes} d=\"{data}\"/>"));
        }
    }

    /// The whole drawing.
    pub fn finish(self) -> String {
        self.text + "</svg>" + self.between
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_become_the_data_of_paths() {
        assert_eq!(way([(1.0, 2.04), (-3.26, 0.0)]), "M1.0 2.0L-3.3 0.0");
        assert_eq!(way([]), "");
        assert_eq!(band(&[(1.0, 2.0, 3.0)]), "", "one point has no stretch");
        let two = [(0.0, 1.0, 2.0), (9.0, 3.0, 4.0)];
        assert_eq!(band(&two), "M0.0 1.0L9.0 3.0L9.0 4.0L0.0 2.0Z");
    }

    #[test]
    fn no_text_becomes_markup() {
        assert_eq!(
            escaped("a<b> & \"c'\u{7}"),
            "a&lt;b&gt; &amp; &quot;c&#39;\u{fffd}"
        );
        let mut svg = Svg::new("<svg>".to_owned(), "\n");
        svg.path("class=\"x\"", "");
        svg.path("class=\"x\"", "M0 0");
        assert_eq!(
            svg.finish(),
            "<svg><path class=\"x\" d=\"M0 0\"/>\n</svg>\n"
        );
    }
}
