//! The square of a slate: its text as dark and light modules (ISO/IEC 18004), and that as an SVG path.

use qrcode::{Color, EcLevel, QrCode};

use super::slate::Slate;

/// A square of modules.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Square {
    /// Modules on a side.
    pub side: usize,
    /// Which of them are dark, row by row.
    pub dark: Vec<bool>,
}

/// A quarter of the words may be spoilt (level Q): cards get wet and torn, and shine.
const LEVEL: EcLevel = EcLevel::Q;

/// Light margin round it, modules (ISO/IEC 18004).
pub(super) const QUIET: usize = 4;

impl Square {
    /// The square of a slate.
    ///
    /// None where the text is too long for any: beyond some 1600 letters.
    pub fn of(slate: &Slate) -> Option<Square> {
        Square::with(slate.text().as_bytes(), LEVEL)
    }

    /// The square of an address, which is shown on a screen: nothing of it is torn or wet.
    ///
    /// None where it is too long for any: beyond some 2300 letters.
    pub fn of_address(address: &str) -> Option<Square> {
        Square::with(address.as_bytes(), EcLevel::M)
    }

    fn with(text: &[u8], level: EcLevel) -> Option<Square> {
        let code = QrCode::with_error_correction_level(text, level).ok()?;
        let side = code.width();
        let dark = code.into_colors().into_iter();
        Some(Square {
            side,
            dark: dark.map(|color| color == Color::Dark).collect(),
        })
    }

    /// The square as an SVG picture by itself, black on white, with the quiet zone that it needs.
    pub fn svg(&self) -> String {
        let across = self.side + 2 * QUIET;
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"-{QUIET} -{QUIET} {across} {across}\" shape-rendering=\"crispEdges\">\
             <path fill=\"#fff\" d=\"M-{QUIET} -{QUIET}h{across}v{across}h-{across}z\"/><path d=\"{}\"/></svg>\n",
            self.svg_path()
        )
    }

    /// The dark modules as the path of an SVG picture in which a module is 1 wide, the left top one's corner at (0, 0).
    pub fn svg_path(&self) -> String {
        let mut path = String::new();
        for (y, row) in self.dark.chunks_exact(self.side).enumerate() {
            let mut x = 0;
            while x < self.side {
                let run = row[x..].iter().take_while(|dark| **dark).count();
                if run > 0 {
                    path.push_str(&format!("M{x} {y}h{run}v1h-{run}z"));
                }
                x += run.max(1);
            }
        }
        path
    }
}

#[cfg(test)]
mod tests {
    use rxing::common::BitMatrix;
    use rxing::qrcode::cpp_port::decoder::Decode;

    use super::super::slate::What;
    use super::*;

    #[test]
    fn a_square_is_small_and_has_its_three_corners() {
        let slate = Slate::of(What::Sample(Some("quay-lamp".to_owned())));
        let square = Square::of(&slate).expect("a short text");
        assert!(square.side <= 33, "{} modules", square.side);
        assert_eq!(square.dark.len(), square.side * square.side);
        // ISO/IEC 18004, 5.3.2: three concentric squares of 7, 5 and 3 modules in three corners.
        let at = |x: usize, y: usize| square.dark[y * square.side + x];
        let far = square.side - 7;
        for (x0, y0) in [(0, 0), (far, 0), (0, far)] {
            for (x, y) in (0..7).flat_map(|y| (0..7).map(move |x| (x, y))) {
                let ring = x.min(y).min(6 - x).min(6 - y);
                assert_eq!(at(x0 + x, y0 + y), ring != 1, "{x}, {y}");
            }
        }
    }

    #[test]
    fn the_path_covers_the_dark_modules_and_no_other() {
        let square = Square {
            side: 3,
            dark: vec![true, true, false, false, true, false, true, false, true],
        };
        assert_eq!(
            square.svg_path(),
            "M0 0h2v1h-2zM1 1h1v1h-1zM0 2h1v1h-1zM2 2h1v1h-1z"
        );
    }

    #[test]
    fn an_address_is_read_back_as_it_was_written() {
        let address = "http://192.168.1.20:8080/oyster%20catcher/";
        let square = Square::of_address(address).expect("a short text");
        let side = u32::try_from(square.side).expect("a small number");
        let mut bits = BitMatrix::new(side, side).expect("a square");
        for (i, dark) in (0..).zip(&square.dark) {
            if *dark {
                bits.set(i % side, i / side);
            }
        }
        let read = Decode(&bits).expect("a sound square");
        assert_eq!(String::from_utf8_lossy(read.content().bytes()), address);
        let svg = square.svg();
        let document = roxmltree::Document::parse(&svg).expect("XML");
        let side = square.side + 8;
        let view = document.root_element().attribute("viewBox");
        assert_eq!(view, Some(format!("-4 -4 {side} {side}").as_str()));
    }

    #[test]
    fn a_text_too_long_for_any_square_makes_none() {
        assert_eq!(Square::of(&Slate::of_bench(&"b".repeat(5000))), None);
    }
}
