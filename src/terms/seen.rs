//! What a photo looks like: the words that rules ask for, and how sure it is.

use serde::{Deserialize, Serialize};

/// What is seen in a photo, whatever its name says.
#[derive(
    Clone,
    Debug,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Serialize,
    Deserialize,
    strum::Display,
    strum::EnumString,
)]
#[serde(from = "String", into = "String")]
#[strum(serialize_all = "lowercase")]
pub enum Look {
    /// A spectrum with the pattern of this lamp.
    #[strum(default)]
    Lamp(String),
    /// A spectrum of lines, of whatever lamp.
    Lines,
    /// A spectrum of many colours that run into each other.
    Continuous,
    /// No light.
    Dark,
    /// Light, but no slit.
    Room,
    /// A printed slate.
    Slate,
}

impl Look {
    /// The words that are no lamp's name, as in a configuration and in `quality.json`.
    pub const WORDS: [&str; 5] = ["lines", "continuous", "dark", "room", "slate"];
}

impl From<String> for Look {
    /// What is none of [`Look::WORDS`] is a lamp's name.
    fn from(word: String) -> Look {
        word.parse().unwrap_or(Look::Lamp(word))
    }
}

impl From<Look> for String {
    fn from(look: Look) -> String {
        look.to_string()
    }
}

/// What was seen in a photo, and how sure that is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Seen {
    /// What it looks like; absent where there is no picture to look at.
    pub look: Option<Look>,
    /// Like a probability, 0.5 to 1, in hundredths.
    pub sure: f64,
    /// What it may be as well, where two are nearly as likely.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub or: Option<Look>,
    /// What the judgement rests on, in words with its numbers.
    pub why: String,
    /// The slate in it, where slates are looked for and there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slate: Option<SlateSeen>,
}

/// A printed slate in a photo.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SlateSeen {
    /// The text in its code.
    Read(String),
    /// Why it cannot be read.
    Unread(String),
}

impl Seen {
    /// What is said of the looks of a file that shows no picture.
    pub fn nothing(why: impl Into<String>) -> Seen {
        Seen {
            look: None,
            sure: 1.0,
            or: None,
            why: why.into(),
            slate: None,
        }
    }

    /// True where no slit and no spectrum is seen.
    pub fn shows_no_slit(&self) -> bool {
        matches!(
            self.look,
            None | Some(Look::Dark | Look::Room | Look::Slate)
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_look_reads_back_as_it_was_written_and_any_other_word_is_a_lamp() {
        for word in Look::WORDS {
            let look = Look::from(word.to_owned());
            assert!(!matches!(look, Look::Lamp(_)), "{word}");
            assert_eq!(look.to_string(), word);
        }
        let lamp = Look::from("helium".to_owned());
        assert_eq!(lamp, Look::Lamp("helium".to_owned()));
        assert_eq!(lamp.to_string(), "helium");
    }
}
