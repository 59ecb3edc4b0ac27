//! Reads the section `lamps:`, in which a class describes lamps of its own.

use std::path::Path;

use crate::standards;
use crate::terms::{Lamp, LampLine};

use super::mistake::At;
use super::reading::{Spot, Table};

/// Reads lamps of one's own and adds them to `lamps`; one with a name that is there takes that one's place.
///
/// A lamp is a mapping with `title` and `lines`, or with `file`, a table in the form of the shipped ones. Paths start
/// from `folder`.
pub fn read(spot: &Spot<'_>, folder: &Path, lamps: &mut Vec<Lamp>) {
    for (name, spot) in spot.entries() {
        if name.eq_ignore_ascii_case("auto") {
            spot.mistake(
                "auto cannot be the name of a lamp",
                "it already means: find out which lamp it is; choose another name",
            );
            continue;
        }
        let Some(lamp) = spot.table(|t| read_lamp(t, &name.to_lowercase(), folder)) else {
            continue;
        };
        lamps.retain(|known| known.name != lamp.name);
        lamps.push(lamp);
    }
}

fn read_lamp(t: &mut Table<'_>, name: &str, folder: &Path) -> Option<Lamp> {
    let title = t.get("title").and_then(|spot| spot.text());
    let file = t.get("file");
    let lines = t.get("lines");
    let mut lamp = match (file, lines) {
        (Some(file), None) => file.file(folder, |text, report| {
            let noted = |fault: standards::LampFault| {
                let (line, column) = (fault.line.max(1), 1);
                report.note(At { line, column }, fault.what, standards::LAMP_FILE_REMEDY);
            };
            standards::read_lamp(name, text).map_err(noted).ok()
        })?,
        (None, Some(lines)) => Lamp {
            name: name.to_owned(),
            title: name.to_owned(),
            lines: lines
                .list()
                .iter()
                .filter_map(|spot| spot.table(read_line))
                .collect(),
            strengths_known: Lamp::USUAL_STRENGTHS,
        },
        _ => {
            return t.spot().refused(
                "a lamp has either lines or a file",
                "list its lines, such as lines: [{wavelength_nm: 532.1, name: 'green'}], or name a table as file:",
            );
        }
    };
    if let Some(title) = title {
        lamp.title = title;
    }
    lamp.lines
        .sort_by(|a, b| a.wavelength_nm.total_cmp(&b.wavelength_nm));
    if lamp.lines.is_empty() {
        t.spot()
            .mistake("a lamp without a line", "give at least one line");
    }
    Some(lamp)
}

fn read_line(t: &mut Table<'_>) -> Option<LampLine> {
    let stated = t
        .need("wavelength_nm", "give the wavelength in nm in air")
        .and_then(|s| s.number(200.0..=1200.0, "nm"));
    let wavelength_nm = stated.unwrap_or_default();
    let mut line = LampLine {
        wavelength_nm,
        sigma_nm: 0.01,
        strength: 1.0,
        name: wavelength_nm.to_string(),
        fit: true,
        width_nm: 0.0,
    };
    t.set_number("sigma_nm", &mut line.sigma_nm, 0.0..=50.0, "nm");
    t.set_number("strength", &mut line.strength, 0.0..=1.0, "");
    t.set("name", &mut line.name, Spot::text);
    t.set("fit", &mut line.fit, Spot::flag);
    t.set_number("width_nm", &mut line.width_nm, 0.0..=200.0, "nm");
    stated.map(|_| line)
}

#[cfg(test)]
mod tests {
    use super::super::mistake::Report;
    use super::*;

    fn read_text(text: &str, folder: &Path) -> (Vec<Lamp>, Vec<String>) {
        let report = Report::new(Path::new("lab.yaml"));
        let mut lamps = standards::lamps();
        report.parse(text, |spot| {
            read(&spot, folder, &mut lamps);
            Some(())
        });
        let mistakes = report.into_mistakes();
        (lamps, mistakes.iter().map(ToString::to_string).collect())
    }

    #[test]
    fn a_lamp_of_ones_own_joins_the_shipped_ones_or_replaces_one() {
        let (lamps, mistakes) = read_text(
            "Quay-Laser:\n  title: pointer of stated wavelength\n  lines:\n    - {wavelength_nm: 532.1, sigma_nm: 0.3}\nhelium: {lines: [{wavelength_nm: 587.562}]}\n",
            Path::new(""),
        );
        assert_eq!(mistakes, [""; 0]);
        assert_eq!(lamps.len(), standards::lamps().len() + 1);
        let laser = lamps.iter().find(|l| l.name == "quay-laser").unwrap();
        assert_eq!(laser.lines[0].name, "532.1");
        let helium = lamps.iter().find(|l| l.name == "helium").unwrap();
        assert_eq!(helium.lines.len(), 1);
    }

    #[test]
    fn a_lamp_file_is_found_beside_the_configuration_and_its_mistakes_name_it() {
        let folder = tempfile::tempdir().unwrap();
        let table = "# title: two lines\nwavelength_nm,sigma_nm,strength,name,fit,width_nm,known\n\
                     500.1,0.1,1,a,yes,0,measured\n";
        std::fs::write(folder.path().join("own.csv"), table).unwrap();
        std::fs::write(
            folder.path().join("bad.csv"),
            table.replace("0.1,1,a", "0.1,9,a"),
        )
        .unwrap();
        let (lamps, mistakes) = read_text(
            "own: {file: own.csv}\nbad: {file: bad.csv}\n",
            folder.path(),
        );
        assert_eq!(lamps.last().unwrap().title, "two lines");
        assert_eq!(mistakes.len(), 1);
        assert!(mistakes[0].contains("bad.csv:3:1: "), "{mistakes:?}");
    }

    #[test]
    fn mistakes_in_a_line_are_named() {
        let (_, mistakes) = read_text(
            "a: {lines: [{wavelength: 500}]}\nauto: {lines: []}\nb: {}\nc: {lines: []}\n",
            Path::new(""),
        );
        assert_eq!(mistakes.len(), 6, "{mistakes:#?}");
        assert!(
            mistakes
                .iter()
                .any(|m| m.contains("did you mean \"wavelength_nm\"?"))
        );
    }
}
