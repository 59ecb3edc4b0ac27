//! What people read on pages, pictures, cards and sheets: every text by its key, in one language, and how that language writes
//! numbers. Tables, logs and the terminal have words of their own, which stay.

use std::collections::BTreeMap;
use std::fmt;

use super::variant::Piece;
use super::{Code, Variant, Verdict};

/// Texts of this section say again what records say in English; which is found by the built-in text.
const TOLD: &str = "told.";

/// What sets a piece apart from the direction of the text around it: it is written in its own, which its first letter tells
/// (Unicode 6.3, UAX #9: FSI and PDI).
const APART: (char, char) = ('\u{2068}', '\u{2069}');

/// Units that stand behind a number, the longest first of those that begin alike.
const UNITS: [&str; 8] = ["°", " nm/px", " nm", " px", " µm", " %", " K", " mg"];

/// Every text that people read, by its key: `board.now`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Phrases {
    language: String,
    is_right_to_left: bool,
    decimal: char,
    texts: BTreeMap<String, Variant>,
    /// What records say in English, and the same in this language.
    told: Vec<(Variant, Variant)>,
}

impl Default for Phrases {
    fn default() -> Phrases {
        Phrases {
            language: "en".to_owned(),
            is_right_to_left: false,
            decimal: '.',
            texts: BTreeMap::new(),
            told: Vec::new(),
        }
    }
}

impl Phrases {
    /// These texts in the language with this tag (BCP 47), its direction and decimal sign.
    pub fn set_language(&mut self, tag: &str, is_right_to_left: bool, decimal: char) {
        self.language = tag.to_owned();
        self.is_right_to_left = is_right_to_left;
        self.decimal = decimal;
    }

    /// Takes `text` for what is said under `key`; what stood there is what records say.
    pub fn set(&mut self, key: &str, text: Variant) {
        let before = self.texts.insert(key.to_owned(), text.clone());
        let is_told = |before: &Variant| key.starts_with(TOLD) && *before != text;
        if let Some(before) = before.filter(is_told) {
            self.told.push((before, text));
        }
    }

    /// The text under a key, as it is read from a words file.
    pub fn get(&self, key: &str) -> Option<&Variant> {
        self.texts.get(key)
    }

    /// Hash of all texts whose keys begin so, of the language and its numbers, hexadecimal.
    pub fn hash(&self, section: &str) -> String {
        let own = self
            .texts
            .iter()
            .filter(|(key, _)| key.starts_with(section));
        let own: Vec<_> = own.collect();
        let all = format!("{:?}", (self.html_attributes(), self.decimal, own));
        blake3::hash(all.as_bytes()).to_hex().to_string()
    }

    /// Every key, in alphabetical order.
    pub fn keys(&self) -> impl Iterator<Item = &str> {
        self.texts.keys().map(String::as_str)
    }

    /// Tag of the language (BCP 47).
    pub fn language(&self) -> &str {
        &self.language
    }

    /// The attributes of a page's first element: language, and direction where it is from right to left.
    pub fn html_attributes(&self) -> String {
        let direction = if self.is_right_to_left {
            " dir=\"rtl\""
        } else {
            ""
        };
        format!("lang=\"{}\"{direction}", self.language)
    }

    /// The text under `key`, whose slots are then filled. A slot that is not filled stands as it is written.
    ///
    /// # Panics
    /// Where no text has this key; a test holds all that are asked for against the built-in texts.
    pub fn of(&self, key: &str) -> Said<'_> {
        let text = self.texts.get(key);
        Said {
            text: text.unwrap_or_else(|| panic!("no text is named {key}")),
            slots: Vec::new(),
            phrases: self,
            is_html: false,
        }
    }

    /// As [`Phrases::of`], as HTML: what is not markup is escaped.
    pub fn html(&self, key: &str) -> Said<'_> {
        let is_html = true;
        Said {
            is_html,
            ..self.of(key)
        }
    }

    /// The text under `key`.
    pub fn say(&self, key: &str) -> String {
        self.of(key).to_string()
    }

    /// The text for one, `key.one`, or for `n`, `key.many`, with `{n}` filled.
    pub fn count(&self, key: &str, n: usize) -> Said<'_> {
        let form = if n == 1 { "one" } else { "many" };
        self.of(&format!("{key}.{form}")).put("n", n)
    }

    /// The word for a photo.
    pub fn verdict(&self, verdict: Verdict) -> String {
        self.say(&format!("verdict.{}", verdict.as_str()))
    }

    /// What is wrong, in two or three words.
    pub fn trouble(&self, code: Code) -> String {
        self.say(&format!("trouble.{}", code.as_str()))
    }

    /// A number as the language writes it: a point between two digits becomes its decimal sign.
    pub fn n(&self, number: impl fmt::Display) -> String {
        let number = number.to_string();
        if self.decimal == '.' {
            return self.apart(number);
        }
        let mut out = String::with_capacity(number.len());
        let mut rest = number.chars().peekable();
        let mut is_after_digit = false;
        while let Some(c) = rest.next() {
            let is_between = is_after_digit && rest.peek().is_some_and(char::is_ascii_digit);
            out.push(if c == '.' && is_between {
                self.decimal
            } else {
                c
            });
            is_after_digit = c.is_ascii_digit();
        }
        self.apart(out)
    }

    /// A text with its slots filled; one that `value` knows nothing of stands as it is written. Where the language runs the other
    /// way, what fills a slot is set apart from it, together with the unit behind it.
    fn composed(
        &self,
        text: &Variant,
        is_html: bool,
        value: impl Fn(&str) -> Option<String>,
    ) -> String {
        let fit = |text: &str| match is_html {
            true => escaped(text),
            false => text.to_owned(),
        };
        let mut out = String::new();
        let mut is_open = false;
        for piece in text.pieces() {
            match piece {
                Piece::Text(text) if is_open => {
                    let unit = UNITS.iter().find(|unit| text.starts_with(**unit));
                    let (unit, rest) = text.split_at(unit.map_or(0, |unit| unit.len()));
                    out.extend([fit(unit), APART.1.to_string(), fit(rest)]);
                    is_open = false;
                }
                Piece::Text(text) => out.push_str(&fit(text)),
                Piece::Slot(name) => {
                    if is_open {
                        out.push(APART.1);
                    }
                    is_open = self.is_right_to_left;
                    if is_open {
                        out.push(APART.0);
                    }
                    out.push_str(&value(name).unwrap_or_else(|| format!("{{{name}}}")));
                }
            }
        }
        if is_open {
            out.push(APART.1);
        }
        out
    }

    /// A number or name, set apart where the language runs the other way.
    fn apart(&self, text: String) -> String {
        match self.is_right_to_left && !text.is_empty() {
            true => format!("{}{text}{}", APART.0, APART.1),
            false => text,
        }
    }

    /// What a record says in English, in this language; as it is where no text of the section `told` says the same.
    pub fn told(&self, english: &str) -> String {
        let fits = self.told.iter().filter_map(|(pattern, own)| {
            let slots = captured(pattern.pieces(), english)?;
            Some((pattern.n_letters(), slots, own))
        });
        let Some((_, slots, own)) = fits.max_by_key(|(n_letters, ..)| *n_letters) else {
            return match is_number(english) {
                true => self.n(english),
                false => english.to_owned(),
            };
        };
        let slots = slots.into_iter();
        let slots: Vec<(&str, String)> =
            slots.map(|(name, text)| (name, self.told(text))).collect();
        self.composed(own, false, |wanted| {
            let found = slots.iter().find(|(name, _)| *name == wanted);
            found.map(|(_, text)| text.clone())
        })
    }
}

/// True for what has no words: numbers and signs, with a unit behind them or none.
fn is_number(text: &str) -> bool {
    let before = UNITS.iter().find_map(|unit| text.strip_suffix(unit));
    let number = before.unwrap_or(text);
    number.bytes().all(|b| !b.is_ascii_alphabetic())
}

/// What the slots of a pattern stand for in `text`, each the shortest that lets the rest fit; absent where it does not fit, and for
/// a pattern without letters.
fn captured<'p, 't>(pieces: &'p [Piece], text: &'t str) -> Option<Vec<(&'p str, &'t str)>> {
    match pieces {
        [] => text.is_empty().then(Vec::new),
        [Piece::Text(literal), rest @ ..] => captured(rest, text.strip_prefix(literal.as_str())?),
        [Piece::Slot(name), rest @ ..] => {
            let ends = text.char_indices().map(|(i, c)| i + c.len_utf8());
            ends.map(|end| text.split_at(end)).find_map(|(own, after)| {
                let mut found = captured(rest, after)?;
                found.push((name, own));
                Some(found)
            })
        }
    }
}

/// A text on its way to its reader.
pub struct Said<'p> {
    text: &'p Variant,
    slots: Vec<(&'static str, String)>,
    phrases: &'p Phrases,
    is_html: bool,
}

impl Said<'_> {
    /// Fills a slot.
    pub fn put(mut self, slot: &'static str, value: impl fmt::Display) -> Self {
        let value = value.to_string();
        let value = if self.is_html { escaped(&value) } else { value };
        self.slots.push((slot, value));
        self
    }

    /// Fills a slot of an HTML text with a word in bold letters.
    pub fn bold(mut self, slot: &'static str, value: impl fmt::Display) -> Self {
        let value = escaped(&value.to_string());
        self.slots.push((slot, format!("<b>{value}</b>")));
        self
    }

    /// Fills a slot of an HTML text with a name, set apart from the direction of the text around it.
    pub fn name(mut self, slot: &'static str, value: impl fmt::Display) -> Self {
        let value = escaped(&value.to_string());
        self.slots.push((slot, format!("<bdi>{value}</bdi>")));
        self
    }
}

impl fmt::Display for Said<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let value = |name: &str| {
            let found = self.slots.iter().find(|(slot, _)| *slot == name);
            found.map(|(_, value)| value.clone())
        };
        f.write_str(&self.phrases.composed(self.text, self.is_html, value))
    }
}

/// Text as the content of an HTML element.
fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn phrases() -> Phrases {
        let mut phrases = Phrases::default();
        let mut both = |key: &str, english: &str, own: &str| {
            for text in [english, own] {
                phrases.set(key, Variant::parse(text).unwrap());
            }
        };
        both(
            "board.usable",
            "{n} of {all} usable",
            "von {all} {n} brauchbar",
        );
        both("told.tilt", "tilt {x}°", "Neigung {x}°");
        both(
            "told.within",
            "{what} (limit {limit})",
            "{what} (Grenze {limit})",
        );
        phrases.set_language("de", false, ',');
        phrases
    }

    #[test]
    fn slots_stand_where_the_language_wants_them_and_markup_stays_text() {
        let p = phrases();
        let said = p.of("board.usable").put("n", 3).put("all", 4);
        assert_eq!(said.to_string(), "von 4 3 brauchbar");
        let said = p.html("board.usable").name("n", "<b>").put("all", "&");
        assert_eq!(said.to_string(), "von &amp; <bdi>&lt;b&gt;</bdi> brauchbar");
        assert_eq!(p.say("board.usable"), "von {all} {n} brauchbar");
    }

    #[test]
    fn numbers_have_the_language_s_decimal_sign_and_names_stay() {
        let p = phrases();
        assert_eq!(p.n("546.07 ± 0.05 nm"), "546,07 ± 0,05 nm");
        assert_eq!(
            p.n("12.03. 18:04"),
            "12,03. 18:04",
            "only numbers are handed in"
        );
        assert_eq!(p.n("a.b"), "a.b");
        assert_eq!(Phrases::default().n(0.5), "0.5");
    }

    #[test]
    fn what_runs_from_right_to_left_has_its_numbers_and_names_set_apart() {
        let mut p = phrases();
        assert_eq!(p.html_attributes(), "lang=\"de\"");
        p.set_language("he", true, '.');
        assert_eq!(p.html_attributes(), "lang=\"he\" dir=\"rtl\"");
        assert_eq!(p.n("± 0.05 nm"), "\u{2068}± 0.05 nm\u{2069}");
        let said = p.of("board.usable").put("n", "a.jpg").put("all", 4);
        assert_eq!(
            said.to_string(),
            "von \u{2068}4\u{2069} \u{2068}a.jpg\u{2069} brauchbar"
        );
        assert_eq!(
            p.told("tilt 6.2°"),
            "Neigung \u{2068}\u{2068}6.2\u{2069}°\u{2069}"
        );
    }

    #[test]
    fn what_a_record_says_in_english_is_found_by_its_words() {
        let p = phrases();
        assert_eq!(p.told("tilt 6.2 ± 0.1°"), "Neigung 6,2 ± 0,1°");
        assert_eq!(
            p.told("tilt 6.2° (limit 5.0°)"),
            "Neigung 6,2° (Grenze 5,0°)"
        );
        assert_eq!(
            p.told("tilt 6.2° (limit 4.0 px)"),
            "Neigung 6,2° (Grenze 4,0 px)"
        );
        assert_eq!(
            p.told("nobody translated 0.5 of this"),
            "nobody translated 0.5 of this"
        );
        assert_eq!(p.told(""), "");
    }
}
