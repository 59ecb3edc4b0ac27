//! What a slate says, and its text in the code: `SLITWATCH1:BENCH:heron:LAMP:8Q2M`.
//!
//! The name of the program with the version of this form goes before, a check over everything else goes behind: no text that
//! somebody else prints is taken for a slate, and none that was read wrongly.

use std::fmt;

use percent_encoding::{AsciiSet, CONTROLS, percent_decode_str, utf8_percent_encode};

/// What a slate says. It says at least one of the two.
#[derive(Clone, Debug, PartialEq)]
pub struct Slate {
    /// The bench that the phone stands at from now on.
    pub bench: Option<String>,
    /// What is photographed next, or that the last photo does not count.
    pub what: Option<What>,
}

/// What is photographed next, or that the last photo does not count.
#[derive(Clone, Debug, PartialEq)]
pub enum What {
    /// A lamp of known lines; its name, where it is not the one that the room has.
    Lamp(Option<String>),
    /// The light without the sample.
    Blank,
    /// No light.
    Dark,
    /// A sample, and what it is called.
    Sample(Option<String>),
    /// A standard of a dilution series.
    Standard {
        /// Not negative, finite.
        concentration: f64,
        /// Of the concentration; may be empty.
        unit: String,
        /// Name of the series; may be empty.
        series: String,
    },
    /// The solution of a series whose concentration is wanted; the series' name may be empty.
    Unknown(String),
    /// The photo before this one does not count.
    Void,
}

/// Why a text is no slate.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NoSlate {
    /// Somebody else's code.
    #[error("not a slate of this program")]
    Foreign,
    /// Begins as a slate of another version does.
    #[error("a slate of version {0}, of which this program knows nothing: print the slates anew")]
    Version(String),
    /// Begins as a slate does, and the check does not agree.
    #[error("a slate that was read wrongly: photograph it again")]
    Check,
    /// Whole, but says what no slate says.
    #[error("a slate that says \"{0}\", which means nothing here: print the slates anew")]
    Meaningless(String),
}

/// What the text of every slate begins with, and the version of this form.
const NAME: &str = "SLITWATCH";
const VERSION: &str = "1";
/// Signs of the check: without I, L, O and U, so that whoever types it makes no mistake.
const SIGNS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
/// Length of the check, signs of five bits: one foreign text in a million that begins like a slate agrees by chance.
const CHECK_SIGNS: usize = 4;

impl Slate {
    /// A slate that says what comes next, at whatever bench.
    pub fn of(what: What) -> Slate {
        Slate {
            bench: None,
            what: Some(what),
        }
    }

    /// A slate that says the bench alone.
    pub fn of_bench(name: &str) -> Slate {
        Slate {
            bench: Some(name.to_owned()),
            what: None,
        }
    }

    /// The text in its code: printable ASCII without spaces at either end.
    pub fn text(&self) -> String {
        let mut fields = vec![format!("{NAME}{VERSION}")];
        if let Some(bench) = &self.bench {
            fields.extend(["BENCH".to_owned(), written(bench)]);
        }
        let word = |word: &str| word.to_owned();
        match &self.what {
            None => {}
            Some(What::Lamp(None)) => fields.push(word("LAMP")),
            Some(What::Lamp(Some(name))) => fields.extend([word("LAMP"), written(name)]),
            Some(What::Blank) => fields.push(word("BLANK")),
            Some(What::Dark) => fields.push(word("DARK")),
            Some(What::Sample(None)) => fields.push(word("SAMPLE")),
            Some(What::Sample(Some(label))) => fields.extend([word("SAMPLE"), written(label)]),
            Some(What::Standard {
                concentration,
                unit,
                series,
            }) => fields.extend([
                word("STANDARD"),
                concentration.to_string(),
                written(unit),
                written(series),
            ]),
            Some(What::Unknown(series)) => fields.extend([word("UNKNOWN"), written(series)]),
            Some(What::Void) => fields.push(word("VOID")),
        }
        let said = fields.join(":");
        let check = check(&said);
        format!("{said}:{check}")
    }

    /// Reads the text of a code.
    ///
    /// # Errors
    /// [`NoSlate::Foreign`] where it does not begin as slates do; otherwise what is wrong with it.
    pub fn parse(text: &str) -> Result<Slate, NoSlate> {
        let rest = text.strip_prefix(NAME).ok_or(NoSlate::Foreign)?;
        let (version, rest) = rest.split_once(':').ok_or(NoSlate::Foreign)?;
        if version.is_empty() || !version.bytes().all(|b| b.is_ascii_digit()) {
            return Err(NoSlate::Foreign);
        }
        if version != VERSION {
            return Err(NoSlate::Version(version.chars().take(8).collect()));
        }
        let (said, stated) = text.rsplit_once(':').ok_or(NoSlate::Check)?;
        if check(said) != stated {
            return Err(NoSlate::Check);
        }
        let meaningless = || NoSlate::Meaningless(rest.to_owned());
        let body = rest
            .strip_suffix(stated)
            .and_then(|body| body.strip_suffix(':'))
            .ok_or_else(meaningless)?;
        let mut fields = body.split(':').peekable();
        let mut slate = Slate {
            bench: None,
            what: None,
        };
        if fields.next_if_eq(&"BENCH").is_some() {
            let name = fields.next().and_then(read_name);
            slate.bench = Some(name.ok_or_else(meaningless)?);
        }
        let fields: Vec<&str> = fields.collect();
        slate.what = match fields[..] {
            [] if slate.bench.is_some() => None,
            ["VOID"] if slate.bench.is_some() => return Err(meaningless()),
            _ => Some(read_what(&fields).ok_or_else(meaningless)?),
        };
        Ok(slate)
    }
}

fn read_what(fields: &[&str]) -> Option<What> {
    Some(match *fields {
        ["LAMP"] => What::Lamp(None),
        ["LAMP", name] => What::Lamp(Some(read_name(name)?)),
        ["BLANK"] => What::Blank,
        ["DARK"] => What::Dark,
        ["SAMPLE"] => What::Sample(None),
        ["SAMPLE", label] => What::Sample(Some(read_name(label)?)),
        ["STANDARD", concentration, unit, series] => What::Standard {
            concentration: read_concentration(concentration)?,
            unit: read_text(unit)?,
            series: read_text(series)?,
        },
        ["UNKNOWN", series] => What::Unknown(read_text(series)?),
        ["VOID"] => What::Void,
        _ => return None,
    })
}

/// A number as [`Slate::text`] writes it, and in no other way.
fn read_concentration(text: &str) -> Option<f64> {
    let number: f64 = text.parse().ok()?;
    let is_ours = number.is_finite() && number >= 0.0 && number.to_string() == text;
    is_ours.then_some(number)
}

/// A text of which there must be something.
fn read_name(text: &str) -> Option<String> {
    read_text(text).filter(|name| !name.is_empty())
}

/// Letters, digits and signs as they are; what would end the field, and what is not ASCII, as `%` and two digits.
fn written(text: &str) -> String {
    const ENCODED: &AsciiSet = &CONTROLS.add(b':').add(b'%');
    utf8_percent_encode(text, ENCODED).to_string()
}

/// What [`written`] wrote, and nothing else.
fn read_text(text: &str) -> Option<String> {
    let read = percent_decode_str(text).decode_utf8().ok()?;
    (written(&read) == text).then(|| read.into_owned())
}

/// The check of a text: the first bits of its hash.
fn check(said: &str) -> String {
    let hash = blake3::hash(said.as_bytes());
    hash.as_bytes()[..CHECK_SIGNS]
        .iter()
        .map(|byte| char::from(SIGNS[usize::from(byte % 32)]))
        .collect()
}

impl fmt::Display for Slate {
    /// As people say it: `bench heron, next: the lamp`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (&self.bench, &self.what) {
            (Some(bench), None) => write!(f, "bench {bench}"),
            (Some(bench), Some(what)) => write!(f, "bench {bench}, {what}"),
            (None, Some(what)) => write!(f, "{what}"),
            (None, None) => Ok(()),
        }
    }
}

impl fmt::Display for What {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let of = |series: &str| match series {
            "" => String::new(),
            _ => format!(" of {series}"),
        };
        match self {
            What::Lamp(None) => f.write_str("next: the lamp"),
            What::Lamp(Some(name)) => write!(f, "next: the {name} lamp"),
            What::Blank => f.write_str("next: the blank"),
            What::Dark => f.write_str("next: a dark photo"),
            What::Sample(None) => f.write_str("next: a sample"),
            What::Sample(Some(label)) => write!(f, "next: the sample {label}"),
            What::Standard {
                concentration,
                unit,
                series,
            } => {
                let gap = if unit.is_empty() { "" } else { " " };
                let series = of(series);
                write!(f, "next: the standard {concentration}{gap}{unit}{series}")
            }
            What::Unknown(series) => write!(f, "next: the unknown{}", of(series)),
            What::Void => f.write_str("the photo before does not count"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn standard(concentration: f64, unit: &str, series: &str) -> Slate {
        Slate::of(What::Standard {
            concentration,
            unit: unit.to_owned(),
            series: series.to_owned(),
        })
    }

    fn all() -> Vec<Slate> {
        let text = |s: &str| Some(s.to_owned());
        vec![
            Slate::of_bench("heron"),
            Slate::of_bench("Strandläufer: 2 %"),
            Slate::of(What::Lamp(None)),
            Slate::of(What::Lamp(text("helium"))),
            Slate {
                bench: text("heron"),
                what: Some(What::Lamp(None)),
            },
            Slate::of(What::Blank),
            Slate::of(What::Dark),
            Slate::of(What::Sample(None)),
            Slate::of(What::Sample(text("quay-lamp"))),
            standard(0.0, "", ""),
            standard(0.5, "mg/L", "dye"),
            standard(1e-7, "mol/L", ""),
            Slate::of(What::Unknown(String::new())),
            Slate::of(What::Unknown("dye".to_owned())),
            Slate::of(What::Void),
        ]
    }

    #[test]
    fn what_a_slate_says_is_read_back_from_its_text() {
        for slate in all() {
            let text = slate.text();
            assert!(text.bytes().all(|b| (b' '..=b'~').contains(&b)), "{text}");
            assert_eq!(Slate::parse(&text), Ok(slate), "{text}");
        }
    }

    #[test]
    fn the_text_of_version_1_stays_what_it_is() {
        // Printed cards outlive the program that printed them.
        let texts: Vec<String> = all().iter().map(Slate::text).collect();
        assert_eq!(texts[0], "SLITWATCH1:BENCH:heron:QZND");
        assert_eq!(texts[4], "SLITWATCH1:BENCH:heron:LAMP:Z0NZ");
        assert_eq!(texts[10], "SLITWATCH1:STANDARD:0.5:mg/L:dye:DNY2");
    }

    #[test]
    fn no_foreign_text_is_taken_for_a_slate() {
        for text in [
            "",
            "https://example.org/slitwatch",
            "SLITWATCH",
            "SLITWATCH1",
            "SLITWATCHER:LAMP",
            "slitwatch1:LAMP:0000",
            "WIFI:T:WPA;S:quay;P:SLITWATCH1:LAMP;;",
            " SLITWATCH1:LAMP:0000",
        ] {
            assert_eq!(Slate::parse(text), Err(NoSlate::Foreign), "{text}");
        }
    }

    #[test]
    fn what_begins_like_a_slate_and_is_none_says_why() {
        let whole = |said: &str| format!("{said}:{}", check(said));
        let lamp = Slate::of(What::Lamp(None)).text();
        assert_eq!(
            Slate::parse(&lamp.replace("LAMP", "DARK")),
            Err(NoSlate::Check)
        );
        assert_eq!(Slate::parse(&format!("{lamp} ")), Err(NoSlate::Check));
        assert_eq!(Slate::parse("SLITWATCH1:"), Err(NoSlate::Check));
        assert_eq!(
            Slate::parse(&whole("SLITWATCH2:LAMP")),
            Err(NoSlate::Version("2".to_owned()))
        );
        for body in [
            "",
            "lamp",
            "LAMP:",
            "LAMP:a:b",
            "BENCH",
            "BENCH:",
            "BENCH:a:BENCH:b",
            "BENCH:a:VOID",
            "STANDARD:2",
            "STANDARD:-2:mg:dye",
            "STANDARD:2.0:mg:dye",
            "STANDARD:NaN:mg:dye",
            "STANDARD:inf:mg:dye",
            "UNKNOWN",
            "SAMPLE:%4",
            "SAMPLE:%41",
            "SAMPLE:%FF",
        ] {
            let refused = Slate::parse(&whole(&format!("SLITWATCH1:{body}")));
            let is_meaningless = matches!(refused, Err(NoSlate::Meaningless(_)));
            assert!(is_meaningless, "{body}: {refused:?}");
        }
    }

    proptest! {
        #[test]
        fn any_label_survives_and_any_text_is_refused_or_read_without_a_panic(
            label in "\\PC{1,40}",
            text in ".{0,60}",
        ) {
            let slate = Slate::of(What::Sample(Some(label)));
            prop_assert_eq!(Slate::parse(&slate.text()), Ok(slate));
            prop_assert!(Slate::parse(&text).is_err());
        }
    }
}
