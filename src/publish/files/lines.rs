//! The lines of a `spectrum.csv` as they stand in the file: a class's tables repeat them by the million, and need not take each
//! cell out and put it back.

use csv::ReaderBuilder;

use super::tables::{ALWAYS, SPECTRUM};
use crate::terms::Estimate;

/// What [`spectrum_csv`](super::spectrum_csv) writes, line by line. No cell of it is quoted.
#[derive(Clone, Copy, Debug)]
pub struct Lines<'a> {
    /// Cells of each line: the first columns of [`SPECTRUM`].
    pub n_cells: usize,
    /// Without the header.
    text: &'a str,
}

impl<'a> Lines<'a> {
    /// The lines of a file; absent where it is not just as it is written here, and has to be read as any other table.
    pub fn of(csv: &'a [u8]) -> Option<Lines<'a>> {
        let (header, text) = std::str::from_utf8(csv).ok()?.split_once("\r\n")?;
        let n_cells = 1 + n_commas(header);
        let is_known = n_cells == ALWAYS || n_cells == SPECTRUM.columns.len();
        let columns = SPECTRUM.columns.iter().map(|column| column.name());
        if !is_known || !header.split(',').eq(columns.take(n_cells)) || text.contains('"') {
            return None;
        }
        let is_whole = |line: &str| {
            let line = line.strip_suffix('\r');
            line.is_some_and(|line| n_commas(line) + 1 == n_cells && !line.contains('\r'))
        };
        let ends = text.is_empty() || text.ends_with('\n');
        (ends && text.split_terminator('\n').all(is_whole)).then_some(Lines { n_cells, text })
    }

    /// Each line without its end.
    pub fn iter(self) -> impl Iterator<Item = &'a str> {
        let lines = self.text.split_terminator('\n');
        lines.map(|line| line.trim_end_matches('\r'))
    }
}

fn n_commas(text: &str) -> usize {
    text.bytes().filter(|byte| *byte == b',').count()
}

/// The absorbance columns of a `spectrum.csv`: wavelength (nm) and absorbance, absent where the cell is empty. Nothing for
/// a file without them, or one that is no table.
pub fn read_absorbance(csv: &[u8]) -> Vec<(f64, Option<Estimate>)> {
    read_estimates(csv, [9, 10])
}

/// The signal of a `spectrum.csv` in the same way.
pub fn read_signal(csv: &[u8]) -> Vec<(f64, Option<Estimate>)> {
    read_estimates(csv, [1, 2])
}

/// Two columns of [`SPECTRUM`] that stand beside each other: a value and its uncertainty.
fn read_estimates(csv: &[u8], columns: [usize; 2]) -> Vec<(f64, Option<Estimate>)> {
    let row = |nm: Option<&str>, value: Option<&str>, sigma: Option<&str>| {
        let number = |cell: Option<&str>| cell?.parse::<f64>().ok();
        let estimate = number(value).zip(number(sigma));
        let estimate = estimate.map(|(value, sigma)| Estimate::new(value, sigma));
        Some((number(nm)?, estimate))
    };
    if let Some(lines) = Lines::of(csv) {
        if columns[1] >= lines.n_cells {
            return Vec::new();
        }
        let from_line = |line: &str| {
            let mut cells = line.split(',');
            let nm = cells.next();
            let mut rest = cells.skip(columns[0] - 1);
            row(nm, rest.next(), rest.next())
        };
        return lines.iter().filter_map(from_line).collect();
    }
    let mut reader = ReaderBuilder::new().from_reader(csv);
    let Ok(header) = reader.headers().cloned() else {
        return Vec::new();
    };
    let name = |column: usize| SPECTRUM.columns[column].name();
    let at = |column| header.iter().position(|h| h == name(column));
    let (Some(nm), Some(value), Some(sigma)) = (at(0), at(columns[0]), at(columns[1])) else {
        return Vec::new();
    };
    let records = reader.records().filter_map(Result::ok);
    records
        .filter_map(|cells| row(cells.get(nm), cells.get(value), cells.get(sigma)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_the_same_from_lines_and_by_the_names_of_columns() {
        let header = "wavelength_nm,signal,signal_sigma,red,green,blue,clipped,\
                      transmittance,transmittance_sigma,absorbance,absorbance_sigma";
        let rows = "400,1,2,3,4,5,0,6,7,8,9\r\n401,1,,3,4,5,0,,,,\r\n";
        let here = format!("{header}\r\n{rows}");
        // The same table, quoted, is read cell by cell.
        let other = here.replace("400", "\"400\"");
        assert!(Lines::of(here.as_bytes()).is_some() && Lines::of(other.as_bytes()).is_none());
        for read in [read_absorbance, read_signal] {
            assert_eq!(read(here.as_bytes()), read(other.as_bytes()));
        }
        let expected = [(400.0, Some(Estimate::new(8.0, 9.0))), (401.0, None)];
        assert_eq!(read_absorbance(here.as_bytes()), expected);
        let short =
            "wavelength_nm,signal,signal_sigma,red,green,blue,clipped\r\n400,1,2,3,4,5,0\r\n";
        assert!(read_absorbance(short.as_bytes()).is_empty());
    }

    #[test]
    fn only_what_is_written_here_is_taken_line_by_line() {
        let header = "wavelength_nm,signal,signal_sigma,red,green,blue,clipped\r\n";
        let lines = |rows: &str| {
            let csv = format!("{header}{rows}");
            let lines = Lines::of(csv.as_bytes())?;
            assert_eq!(lines.n_cells, ALWAYS);
            Some(lines.iter().map(str::to_owned).collect::<Vec<_>>())
        };
        assert_eq!(lines(""), Some(Vec::new()));
        let two = lines("400,1,2,3,4,5,0\r\n401,,,,,,1\r\n").unwrap();
        assert_eq!(two, ["400,1,2,3,4,5,0", "401,,,,,,1"]);
        for other in [
            "400,1,2,3,4,5,0",
            "400,1,2,3,4,5,0\n",
            "400,1,2,3,4,5\r\n",
            "400,1,2,3,4,5,0,\r\n",
            "\"400\",1,2,3,4,5,0\r\n",
            "400,1,2\r,3,4,5,0\r\n",
            "400,1,2,3,4,5,0\r\n\r\n",
        ] {
            assert_eq!(lines(other), None, "{other:?}");
        }
        assert!(Lines::of(b"wavelength_nm,signal\r\n400,1\r\n").is_none());
        assert!(
            Lines::of(b"signal,wavelength_nm,signal_sigma,red,green,blue,clipped\r\n").is_none()
        );
        assert!(Lines::of(b"").is_none());
    }
}
