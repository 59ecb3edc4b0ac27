//! Reads the table that `concentrations:` names, in which an instructor states the concentration of each photo's solution.

use crate::classify::stated::{Row, Stated, number};

use super::cells::{Cells, line_at};
use super::mistake::{At, Report};

const REMEDY: &str = "write a table with the header file,concentration,unit and a line a photo, such as dye-2.jpg,2,mg/L; leave the \
                      concentration empty for an unknown";
/// A unit or a name longer than this is a sentence.
const LONGEST: usize = 40;

/// Reads the table.
///
/// Comma or semicolon between the cells, as spreadsheets save them; columns `file`, `concentration`, and if wanted `unit`
/// and `series`.
pub(super) fn read(text: &str, report: &Report) -> Option<Stated> {
    let mut table = Cells::begin(text, &[';']);
    let column = |name: &str| table.columns.iter().position(|c| c == name);
    let (Some(file), Some(concentration)) = (column("file"), column("concentration")) else {
        report.note(
            At::START,
            "the first line does not name the columns file and concentration",
            REMEDY,
        );
        return None;
    };
    let (unit, series) = (column("unit"), column("series"));
    let mut stated = Stated::default();
    for record in table.rows(report, REMEDY) {
        let cell = |i: Option<usize>| i.and_then(|i| record.get(i)).unwrap_or_default();
        let line = line_at(record.position());
        let name = cell(Some(file));
        if name.is_empty() {
            report.note(line, "a line without a file", REMEDY);
            continue;
        }
        let text = cell(Some(concentration));
        let concentration = match (text, number(text)) {
            ("", _) => None,
            (_, Some(c)) => Some(c),
            (_, None) => {
                report.note(
                    line,
                    format!("\"{text}\" is no concentration"),
                    "write a number from 0 on, with a point before the decimals (1,500 could mean two things); the unit has \
                     its own column; leave the cell empty for an unknown",
                );
                continue;
            }
        };
        let long = [cell(unit), cell(series)]
            .into_iter()
            .find(|text| text.chars().count() > LONGEST);
        if let Some(text) = long {
            report.note(
                line,
                format!("\"{text}\" is longer than {LONGEST} characters"),
                "units and names of series stand in tables and beside axes: shorten it",
            );
        }
        let row = Row {
            concentration,
            unit: cell(unit).to_owned(),
            series: cell(series).to_owned(),
        };
        if !stated.add(name, row) {
            report.note(
                line,
                format!("{name} has been named before, letter case aside"),
                "keep one of the two lines",
            );
        }
    }
    Some(stated)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    fn table(text: &str) -> (Option<Stated>, Vec<String>) {
        let report = Report::new(Path::new("series.csv"));
        let stated = read(text, &report);
        let mistakes = report.into_mistakes();
        (stated, mistakes.iter().map(ToString::to_string).collect())
    }

    #[test]
    fn tables_as_spreadsheets_save_them_are_read() {
        for text in [
            "file,concentration,unit\r\ndye-2.jpg,0.5,mg/L\r\ndye-x.jpg,,mg/L\r\n",
            "\u{feff}File;Concentration;Unit\ndye-2.jpg;0,5;mg/L\n;;\ndye-x.jpg;;mg/L\n",
            "unit, file , concentration\n mg/L , dye-2.jpg , 0.5 \nmg/L,dye-x.jpg\n",
        ] {
            let (stated, mistakes) = table(text);
            assert_eq!(mistakes, [""; 0], "{text}");
            let stated = stated.unwrap();
            assert_eq!(stated.len(), 2);
            let row = stated.of("heron/dye-2.jpg").unwrap();
            assert_eq!((row.concentration, row.unit.as_str()), (Some(0.5), "mg/L"));
            assert_eq!(stated.of("heron/dye-x.jpg").unwrap().concentration, None);
        }
    }

    #[test]
    fn every_mistake_is_named_with_its_line() {
        let (_, mistakes) = table(
            "file,concentration,unit\na.jpg,2mg,\nb.jpg,-1,\n,3,\nA.jpg,1,\na.jpg,1,\nc.jpg,\"1,500\",\n",
        );
        let lines: Vec<&str> = mistakes
            .iter()
            .map(|m| m.split(':').nth(1).unwrap())
            .collect();
        assert_eq!(lines, ["2", "3", "4", "6", "7"], "{mistakes:#?}");
        let (stated, mistakes) = table("photo,value\na.jpg,1\n");
        assert!(stated.is_none() && mistakes[0].contains("series.csv:1:1"));
        assert!(table("").0.is_none());
    }
}
