//! A verdict as a small square picture for a phone's gallery: the word so large that the thumbnail says it, and under it
//! what to do. Drawn from the record alone.

use super::overlay::{DEEP, PAPER};
use crate::classify::CARD_ENDING;
use crate::publish::drawing::canvas::{Canvas, Face, Point, Rgb};
use crate::publish::names::cut;
use crate::publish::record::Record;
use crate::publish::{numbers, words};
use crate::terms::{Phrases, Verdict};

/// Side of the card, px. Galleries show a square of about 120 px: the word is then as high as a line of text.
const SIDE: usize = 480;
const MARGIN: f64 = 24.0;
/// Where the coloured part ends.
const SKY: f64 = 262.0;
const LINE: f64 = 30.0;

/// What a card says. Two equal cards are the same picture.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Card {
    verdict: Verdict,
    word: String,
    bench: String,
    photo: String,
    what: String,
    advice: String,
    /// True where `what` is something wrong.
    is_reason: bool,
}

impl Card {
    /// The card of a photo; absent for files that a rule leaves alone, which nobody waits for.
    pub fn of(record: &Record, t: &Phrases) -> Option<Card> {
        if record.verdict == Verdict::Ignored {
            return None;
        }
        let (what, advice) = said(record, t);
        Some(Card {
            verdict: record.verdict,
            word: t.verdict(record.verdict),
            bench: words::visible(&record.bench),
            photo: words::visible(record.file_name()),
            what,
            advice,
            is_reason: !record.reasons.is_empty(),
        })
    }

    /// The picture, 480 px square, as PNG.
    pub fn png(&self) -> Vec<u8> {
        let (ground, ink) = state_colours(self.verdict);
        let mut canvas = Canvas::new(SIDE, SIDE, PAPER);
        let side = SIDE as f64;
        let room = side - 2.0 * MARGIN;
        canvas.fill((0.0, 0.0), (side, SKY), ground);
        sign(&mut canvas, (MARGIN, 30.0), 84.0, self.verdict, ink, ground);
        let bench = Face::bold(44.0).fitted(&self.bench, room - 110.0);
        canvas.text((MARGIN + 110.0, 88.0), Face::bold(44.0), ink, &bench);
        let word = self.word.to_uppercase();
        let size = 100.0 * room / Face::bold(100.0).width(&word);
        let at = (MARGIN, SKY - 32.0);
        canvas.text(at, Face::bold(size.min(150.0)), ink, &word);
        let mut y = SKY + 40.0;
        let name = Face::bold(26.0).fitted(&self.photo, room);
        canvas.text((MARGIN, y), Face::bold(26.0), DEEP, &name);
        y += 8.0;
        for (line, face, colour) in self.lines(room, ((side - 14.0 - y) / LINE) as usize) {
            y += LINE;
            canvas.text((MARGIN, y), face, colour, &line);
        }
        canvas.small_png()
    }

    /// What is wrong and what to do, in at most `most` lines.
    fn lines(&self, room: f64, most: usize) -> Vec<(String, Face, Rgb)> {
        let colour = if self.is_reason {
            text_colour(self.verdict)
        } else {
            DEEP
        };
        let (bold, regular) = (Face::bold(28.0), Face::regular(25.0));
        let what = wrapped(&self.what, bold, room).into_iter();
        let advice = wrapped(&self.advice, regular, room).into_iter();
        let mut lines: Vec<_> = what
            .map(|line| (line, bold, colour))
            .chain(advice.map(|line| (line, regular, DEEP)))
            .collect();
        if lines.len() > most {
            lines.truncate(most);
            if let Some((line, face, _)) = lines.last_mut() {
                *line = face.fitted(&format!("{line} …"), room);
            }
        }
        lines
    }
}

/// A verdict's colour and the ink that is read on it (contrast at least 4.5 : 1, WCAG 2.1, 1.4.3).
fn state_colours(verdict: Verdict) -> (Rgb, Rgb) {
    match verdict {
        Verdict::Good => ([10, 107, 94], PAPER),
        Verdict::Caution => ([240, 180, 20], DEEP),
        Verdict::Retake => ([196, 46, 28], PAPER),
        Verdict::Waiting => ([42, 92, 164], PAPER),
        Verdict::Unreadable => ([82, 62, 92], PAPER),
        Verdict::Ignored => ([88, 102, 108], PAPER),
    }
}

/// The state's sign: told apart by its shape, the same on the pages.
fn sign(canvas: &mut Canvas, (x, y): Point, size: f64, verdict: Verdict, ink: Rgb, ground: Rgb) {
    let at = |u: f64, v: f64| (x + u * size, y + v * size);
    let bar = size / 7.0;
    match verdict {
        Verdict::Good => canvas.fill_outline(&[at(0.0, 0.0), at(1.0, 0.5), at(0.0, 1.0)], ink),
        Verdict::Caution => {
            canvas.fill(at(0.0, 0.0), at(1.0, 1.0), ink);
            canvas.fill(
                (x + size / 2.0, y + bar),
                (x + size - bar, y + size - bar),
                ground,
            );
        }
        Verdict::Retake => {
            canvas.line(at(0.1, 0.1), at(0.9, 0.9), 1.6 * bar, ink, 1.0);
            canvas.line(at(0.1, 0.9), at(0.9, 0.1), 1.6 * bar, ink, 1.0);
        }
        Verdict::Waiting => {
            canvas.fill(at(0.0, 0.0), at(1.0, 1.0), ink);
            canvas.fill(at(0.3, 0.3), at(0.7, 0.7), ground);
        }
        Verdict::Unreadable => {
            for (u, v) in [
                (0.0, 0.0),
                (0.67, 0.0),
                (0.33, 0.33),
                (0.0, 0.67),
                (0.67, 0.67),
            ] {
                canvas.fill(at(u, v), at(u + 0.33, v + 0.33), ink);
            }
        }
        Verdict::Ignored => canvas.line(at(0.0, 0.5), at(1.0, 0.5), bar, ink, 1.0),
    }
}

/// The state's colour where it is written on paper: amber is too light for that (WCAG 2.1, 1.4.3).
fn text_colour(verdict: Verdict) -> Rgb {
    match verdict {
        Verdict::Caution => [138, 90, 0],
        other => state_colours(other).0,
    }
}

/// The worst reason and what to do; or how good the scale is.
fn said(record: &Record, t: &Phrases) -> (String, String) {
    if let Some(reason) = record.reasons.first() {
        let what = t.trouble(reason.code);
        return (what, words::visible(&reason.advice));
    }
    let scale = record.scale_sigma_nm().map(|s| {
        t.of("page.scale_is")
            .put("sigma", t.n(numbers::within_nm(s)))
    });
    let scale = scale.map(|said| said.to_string());
    let next = t.say(match record.verdict {
        Verdict::Waiting => "next.card_waiting",
        _ => "next.fine",
    });
    (scale.unwrap_or_default(), next)
}

/// `text` in lines that fit into `room` px, broken at spaces; a word that is too long is cut.
fn wrapped(text: &str, face: Face, room: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let longer = lines.last().map(|line| format!("{line} {word}"));
        match longer.filter(|l| face.width(l) <= room) {
            Some(longer) => {
                if let Some(line) = lines.last_mut() {
                    *line = longer;
                }
            }
            None => lines.push(face.fitted(word, room)),
        }
    }
    lines
}

/// File name of a photo's card: its path below the bench in one piece, with nothing in it that a phone's card cannot hold
/// (FAT, exFAT), and short enough for every file system.
pub fn card_name(below_bench: &str) -> String {
    let safe: String = below_bench
        .chars()
        .map(|c| match c {
            '/' => '·',
            '\\' | ':' | '*' | '?' | '"' | '<' | '>' | '|' => '_',
            c if c.is_control() => '_',
            c => c,
        })
        .collect();
    // 255 bytes are a name's limit; the ending and a number behind it must fit too.
    format!("{}{CARD_ENDING}", cut(&safe, 200))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_broken_at_spaces_and_none_is_lost() {
        let text = "Halve the exposure time and take the photo again with everything resting on the table.";
        let lines = wrapped(text, Face::regular(25.0), 300.0);
        assert!(lines.len() > 2);
        assert_eq!(lines.join(" "), text);
        for line in &lines {
            assert!(Face::regular(25.0).width(line) <= 300.0, "{line}");
        }
        let long = wrapped(
            "Donaudampfschifffahrtsgesellschaft",
            Face::bold(25.0),
            120.0,
        );
        assert!(long.len() == 1 && long[0].ends_with('…'));
    }

    #[test]
    fn a_card_s_name_is_one_that_every_phone_can_hold() {
        assert_eq!(card_name("lamp-01.jpg"), "lamp-01.jpg.card.png");
        assert_eq!(card_name("late/a.jpg"), "late·a.jpg.card.png");
        assert_eq!(card_name("a:b?\n.jpg"), "a_b__.jpg.card.png");
        assert!(card_name(&"é".repeat(300)).len() <= 209);
    }

    #[test]
    fn the_word_fills_the_coloured_part_of_a_square() {
        let record = crate::publish::files::tests::record_with(None);
        let english = crate::settings::english();
        let png = Card::of(&record, english).unwrap().png();
        assert!(png.len() < 40_000, "{} bytes", png.len());
        let card = image::load_from_memory(&png).unwrap().to_rgb8();
        assert_eq!((card.width(), card.height()), (480, 480));
        let (ground, ink) = state_colours(record.verdict);
        let width_of_word = {
            let inked: Vec<u32> = card
                .enumerate_pixels()
                .filter(|(_, y, p)| (150..240).contains(y) && p.0 == ink)
                .map(|(x, _, _)| x)
                .collect();
            inked.iter().max().unwrap() - inked.iter().min().unwrap()
        };
        assert!(width_of_word > 380, "{width_of_word}");
        assert_eq!(card.get_pixel(470, 10).0, ground);
        let ignored = Record {
            verdict: Verdict::Ignored,
            ..record
        };
        assert!(Card::of(&ignored, english).is_none());
    }
}
