//! The printable page of slates: HTML with its squares drawn inside, which any browser prints.

use askama::Template;

use super::slate::{Slate, What};
use super::square::{QUIET, Square};
use crate::terms::Phrases;

/// What is printed on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Paper {
    /// 210 mm × 297 mm.
    #[default]
    A4,
    /// 8.5 in × 11 in.
    Letter,
}

impl Paper {
    /// The paper's name in a style sheet.
    pub fn css(self) -> &'static str {
        match self {
            Paper::A4 => "A4",
            Paper::Letter => "letter",
        }
    }

    /// Width of a card, mm: the paper's without the margins that printers need.
    fn card_width_mm(self) -> f64 {
        match self {
            Paper::A4 => 190.0,
            Paper::Letter => 195.0,
        }
    }
}

/// Side of a printed square, mm. A phone an arm's length away then sees each module some twenty pixels wide.
const SQUARE_MM: f64 = 61.0;
/// Height of a card, mm, as its style has it: three fit on a sheet of either paper.
#[cfg(test)]
const CARD_HEIGHT_MM: f64 = 83.0;

/// How a card looks, for pages that hold one.
pub const CARD_STYLE: &str = include_str!("card.css");

#[derive(Template)]
#[template(path = "page.html", config = "src/slates/askama.toml")]
struct Page<'a> {
    t: &'a Phrases,
    title: &'a str,
    paper: &'static str,
    width_mm: f64,
    cards: Vec<Card<'a>>,
}

#[derive(Template)]
#[template(path = "card.html", config = "src/slates/askama.toml")]
struct Alone<'a> {
    t: &'a Phrases,
    card: Card<'a>,
}

/// A slate as it is printed.
struct Card<'a> {
    slate: &'a Slate,
    text: String,
    path: String,
    /// Modules on a side with the margin, and where it begins.
    across: usize,
    from: i64,
    /// Side with the margin, mm.
    side_mm: String,
}

impl Card<'_> {
    fn of(slate: &Slate) -> Option<Card<'_>> {
        let square = Square::of(slate)?;
        let across = square.side + 2 * QUIET;
        Some(Card {
            slate,
            text: slate.text(),
            path: square.svg_path(),
            across,
            from: -(QUIET as i64),
            side_mm: format!("{:.2}", SQUARE_MM * across as f64 / square.side as f64),
        })
    }
}

/// One card at full size, a piece of a page that has [`CARD_STYLE`]; nothing where its words are too long for a square.
pub fn card(slate: &Slate, t: &Phrases) -> Option<String> {
    let card = Card::of(slate)?;
    let alone = Alone { t, card };
    Some(alone.render().expect("writing to memory does not fail"))
}

/// The page. Slates whose words are too long for a square are left out: `Slates::read` of the settings refuses them.
pub fn page(title: &str, slates: &[Slate], paper: Paper, t: &Phrases) -> String {
    let cards = slates.iter().filter_map(Card::of);
    let page = Page {
        t,
        title,
        paper: paper.css(),
        width_mm: paper.card_width_mm(),
        cards: cards.collect(),
    };
    page.render().expect("writing to memory does not fail") + "\n"
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::english;

    #[test]
    fn the_page_is_one_document_with_large_squares_and_the_words_beside_them() {
        let slates = [
            Slate::of_bench("heron & <tern>"),
            Slate::of(What::Lamp(None)),
            Slate::of(What::Void),
        ];
        for paper in [Paper::A4, Paper::Letter] {
            let html = page("Spectroscopy class", &slates, paper, english());
            let text = html.replace("<!doctype html>", "");
            let document = roxmltree::Document::parse(&text).expect("well-formed");
            let squares: Vec<_> = document
                .descendants()
                .filter(|n| n.has_tag_name(("http://www.w3.org/2000/svg", "svg")))
                .collect();
            assert_eq!(squares.len(), 3);
            for (square, slate) in squares.iter().zip(&slates) {
                let side = Square::of(slate).expect("a short text").side as f64;
                let printed_mm: f64 = square
                    .attribute("width")
                    .and_then(|w| w.strip_suffix("mm"))
                    .and_then(|w| w.parse().ok())
                    .expect("in mm");
                assert!(printed_mm * side / (side + 8.0) >= 60.0, "{printed_mm} mm");
                assert!(printed_mm < CARD_HEIGHT_MM, "{printed_mm} mm");
            }
            assert!(html.contains("heron &#38; &#60;tern&#62;"), "{html}");
            // Nothing from outside, and nothing that runs.
            let outside = ["href=", "src=", "url(", "<script", "@import"];
            assert!(outside.iter().all(|word| !html.contains(word)));
            assert!(html.contains(&format!("size: {}", paper.css())));
            let alone = card(&slates[1], english()).expect("a short text");
            assert!(html.contains(alone.trim()), "{alone}");
        }
    }

    #[test]
    fn three_cards_fit_on_a_sheet_of_either_paper() {
        assert!(CARD_STYLE.contains(&format!("height: {CARD_HEIGHT_MM}mm")));
        // ISO 216; ANSI/ASME Y14.1. The margins of the style sheet are 10 mm.
        for (paper, width_mm, height_mm) in
            [(Paper::A4, 210.0, 297.0), (Paper::Letter, 215.9, 279.4)]
        {
            assert!(paper.card_width_mm() + 20.0 <= width_mm);
            assert!(3.0 * CARD_HEIGHT_MM + 2.0 * 4.0 + 20.0 <= height_mm);
        }
    }
}
