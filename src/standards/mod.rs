//! Published wavelengths as data files, each with its source, unit and conditions in its first lines.
//!
//! The files are the truth; this module only reads them. How a value is known stands beside it in the column `known`:
//! `handbook` (found in the source named), `iso` (ISO 7944), `computed` (from published values by a stated formula),
//! `memory` (not compared with the source: do not treat as certified), `measured` (in a lamp file of one's own).

use crate::terms::{Lamp, LampLine};

/// Names of the two kinds of fluorescent lamp: with three phosphors, and the old one.
pub const FLUORESCENT: &str = "fluorescent";
/// See [`FLUORESCENT`].
pub const HALOPHOSPHATE: &str = "halophosphate";

/// Name of each shipped lamp, the symbol it may be called by, and its table.
const LAMPS: [(&str, &str, &str); 11] = [
    (FLUORESCENT, "", include_str!("lamps/fluorescent.csv")),
    (HALOPHOSPHATE, "", include_str!("lamps/halophosphate.csv")),
    ("mercury", "hg", include_str!("lamps/mercury.csv")),
    ("helium", "he", include_str!("lamps/helium.csv")),
    ("neon", "ne", include_str!("lamps/neon.csv")),
    ("hydrogen", "h", include_str!("lamps/hydrogen.csv")),
    ("sodium", "na", include_str!("lamps/sodium.csv")),
    ("cadmium", "cd", include_str!("lamps/cadmium.csv")),
    ("argon", "ar", include_str!("lamps/argon.csv")),
    ("krypton", "kr", include_str!("lamps/krypton.csv")),
    ("xenon", "xe", include_str!("lamps/xenon.csv")),
];

/// Lines that belong to no lamp here but may be met: flame tests, a helium-neon laser.
const FLAMES: &str = include_str!("flames.csv");

/// What to do about a lamp file that cannot be read.
pub const LAMP_FILE_REMEDY: &str = "a lamp file has comment lines that begin with #, one of them # title: …, then the \
     header wavelength_nm,sigma_nm,strength,name,fit,width_nm,known and a row a line, such as \
     546.0735,0.001,0.5,Hg 546.07,yes,0,handbook";

/// Why a lamp file cannot be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {what}")]
pub struct LampFault {
    /// Line in the file, from 1.
    pub line: usize,
    /// What is wrong.
    pub what: String,
}

#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    wavelength_nm: f64,
    sigma_nm: f64,
    strength: f64,
    name: String,
    fit: Fit,
    width_nm: f64,
    /// Documents the row; nothing is computed from it.
    #[serde(rename = "known")]
    _known: Known,
}

#[derive(Clone, Copy, PartialEq, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
enum Fit {
    Yes,
    No,
}

#[derive(Clone, Copy, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
enum Known {
    Handbook,
    Iso,
    Computed,
    Memory,
    Measured,
}

/// The shipped lamps, the most usual first.
///
/// # Panics
/// Never: a test reads every table.
pub fn lamps() -> Vec<Lamp> {
    LAMPS
        .iter()
        .map(|(name, _, table)| shipped(name, table))
        .collect()
}

fn shipped(name: &str, table: &str) -> Lamp {
    match read_lamp(name, table) {
        Ok(lamp) => lamp,
        Err(fault) => panic!("the shipped table of {name}: {fault}"),
    }
}

/// The name of the shipped lamp of an element, by its symbol in lower case (`he` is `helium`).
pub fn lamp_of_symbol(symbol: &str) -> Option<&'static str> {
    LAMPS
        .iter()
        .find(|(_, s, _)| !s.is_empty() && *s == symbol)
        .map(|(name, _, _)| *name)
}

/// Lines by which peaks of any source may be named, rising in wavelength: what a class can meet, not every line there
/// is. A peak may be named after a line only if it agrees with it within their joint uncertainty.
pub fn lines_for_naming() -> Vec<LampLine> {
    // Weaker lines of the gases are so many that some of them would agree with anything.
    const WEAKEST: f64 = 0.04;
    let mut lines: Vec<LampLine> = lamps()
        .into_iter()
        .filter(|lamp| !matches!(lamp.name.as_str(), "halophosphate" | "sodium"))
        .flat_map(|lamp| {
            // Of the fluorescent lamp only the phosphors: its mercury lines are the mercury lamp's.
            let phosphors_only = lamp.name == "fluorescent";
            lamp.lines.into_iter().filter(move |line| {
                line.strength >= WEAKEST && (!phosphors_only || line.width_nm > 0.0)
            })
        })
        .chain(shipped("flames", FLAMES).lines)
        .collect();
    lines.sort_by(|a, b| a.wavelength_nm.total_cmp(&b.wavelength_nm));
    lines
}

/// Reads a lamp table: comment lines (`# title: …` among them, and `# strengths known to: 0.1`, a share), the header, one line or band a row.
///
/// # Errors
/// The first row that cannot be used, with its line.
pub fn read_lamp(name: &str, table: &str) -> Result<Lamp, LampFault> {
    let title = table
        .lines()
        .find_map(|line| line.strip_prefix("# title:"))
        .map_or_else(|| name.to_owned(), |title| title.trim().to_owned());
    let stated = table.lines().enumerate().find_map(|(i, line)| {
        let text = line.strip_prefix("# strengths known to:")?.trim();
        Some(match text.parse::<f64>() {
            Ok(share) if (0.01..=10.0).contains(&share) => Ok(share),
            _ => Err(LampFault {
                line: i + 1,
                what: format!("strengths known to {text} is not a number from 0.01 to 10"),
            }),
        })
    });
    let strengths_known = stated.unwrap_or(Ok(Lamp::USUAL_STRENGTHS))?;
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .from_reader(table.as_bytes());
    let mut lines = Vec::new();
    let headers = reader.headers().cloned().map_err(|e| fault_of(&e))?;
    for record in reader.records() {
        let record = record.map_err(|e| fault_of(&e))?;
        let line = record.position().map_or(1, |p| p.line() as usize);
        let row: Row = record.deserialize(Some(&headers)).map_err(|e| LampFault {
            line,
            what: match e.kind() {
                csv::ErrorKind::Deserialize { err, .. } => err.to_string(),
                _ => e.to_string(),
            },
        })?;
        let inside = |what: &str, value: f64, from: f64, to: f64| {
            if (from..=to).contains(&value) {
                Ok(value)
            } else {
                Err(LampFault {
                    line,
                    what: format!("{what} {value} is not between {from} and {to}"),
                })
            }
        };
        lines.push(LampLine {
            wavelength_nm: inside("wavelength_nm", row.wavelength_nm, 200.0, 1200.0)?,
            sigma_nm: inside("sigma_nm", row.sigma_nm, 0.0, 50.0)?,
            strength: inside("strength", row.strength, 0.0, 1.0)?,
            name: row.name,
            fit: row.fit == Fit::Yes,
            width_nm: inside("width_nm", row.width_nm, 0.0, 200.0)?,
        });
    }
    if lines.is_empty() {
        return Err(LampFault {
            line: 1,
            what: "no line in it".to_owned(),
        });
    }
    lines.sort_by(|a, b| a.wavelength_nm.total_cmp(&b.wavelength_nm));
    Ok(Lamp {
        name: name.to_owned(),
        title,
        lines,
        strengths_known,
    })
}

fn fault_of(error: &csv::Error) -> LampFault {
    LampFault {
        line: error.position().map_or(1, |p| p.line() as usize),
        what: error.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lamp(name: &str) -> Lamp {
        lamps().into_iter().find(|l| l.name == name).unwrap()
    }

    #[test]
    fn every_shipped_table_states_its_title_source_and_unit() {
        for (name, _, table) in LAMPS.iter().chain([&("flames", "", FLAMES)]) {
            for word in ["# title: ", "# source: ", "# unit: nm in standard air"] {
                assert!(table.contains(word), "{name}: {word}");
            }
        }
    }

    #[test]
    fn lines_rise_and_the_strongest_of_each_lamp_is_1() {
        for lamp in lamps() {
            assert!(
                lamp.lines
                    .is_sorted_by(|a, b| a.wavelength_nm < b.wavelength_nm),
                "{}",
                lamp.name
            );
            let strongest = lamp.lines.iter().map(|l| l.strength).fold(0.0, f64::max);
            assert_eq!(strongest, 1.0, "{}", lamp.name);
        }
    }

    #[test]
    fn only_sharp_lines_with_a_small_uncertainty_are_for_fitting() {
        for lamp in lamps() {
            for line in lamp.lines.iter().filter(|l| l.fit) {
                assert!(
                    line.sigma_nm <= 0.03 && line.width_nm < 1.0,
                    "{} {}",
                    lamp.name,
                    line.name
                );
            }
            assert!(
                lamp.lines.iter().any(|l| l.fit),
                "{} has a line to fit",
                lamp.name
            );
        }
    }

    #[test]
    fn both_fluorescent_lamps_have_the_mercury_lines_for_their_scale() {
        let of = |name| {
            let lines = lamp(name).lines.into_iter().filter(|l| l.fit);
            lines.map(|l| l.wavelength_nm).collect::<Vec<_>>()
        };
        let mercury = of("mercury");
        assert_eq!(mercury.len(), 5);
        assert_eq!(of("fluorescent"), mercury);
        assert_eq!(of("halophosphate"), mercury);
        let lamp = lamp("fluorescent");
        let red = lamp.lines.iter().find(|l| l.strength == 1.0).unwrap();
        assert_eq!(
            (red.wavelength_nm, red.sigma_nm, red.fit),
            (611.6, 0.5, false)
        );
    }

    #[test]
    fn a_symbol_stands_for_its_lamp() {
        assert_eq!(lamp_of_symbol("he"), Some("helium"));
        assert_eq!(lamp_of_symbol(""), None);
        assert_eq!(lamp_of_symbol("xx"), None);
    }

    #[test]
    fn lines_for_naming_rise_and_no_name_is_there_twice() {
        let lines = lines_for_naming();
        assert!(lines.is_sorted_by(|a, b| a.wavelength_nm <= b.wavelength_nm));
        let mut names: Vec<&str> = lines.iter().map(|l| l.name.as_str()).collect();
        names.sort_unstable();
        let all = names.len();
        names.dedup();
        assert_eq!(names.len(), all);
        for name in [
            "Hg 435.83",
            "He 587.56",
            "Eu 611.6",
            "Li 670.78",
            "Na D 589.29",
        ] {
            assert!(names.contains(&name), "{name}");
        }
    }

    #[test]
    fn a_faulty_table_names_the_line() {
        let header = "# title: x\nwavelength_nm,sigma_nm,strength,name,fit,width_nm,known\n";
        for (row, line, what) in [
            ("500,0.1,1,a,maybe,0,memory", 3, "maybe"),
            ("500,0.1,1,a,yes,0", 3, "field"),
            (
                "5,0.1,1,a,yes,0,memory",
                3,
                "wavelength_nm 5 is not between",
            ),
            ("NaN,0.1,1,a,yes,0,memory", 3, "NaN"),
            ("", 1, "no line"),
        ] {
            let fault = read_lamp("x", &format!("{header}{row}\n")).unwrap_err();
            assert_eq!(fault.line, line, "{row}: {fault}");
            assert!(fault.what.contains(what), "{row}: {fault}");
        }
    }
}
