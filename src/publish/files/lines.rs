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
        let mut n = 1;
        let (mut is_whole, mut before) = (true, b'\n');
        for byte in text.bytes() {
            // A line's end is one of two bytes, and comes behind its last cell.
            is_whole &= (before == b'\r') == (byte == b'\n');
            match byte {
                b',' => n += 1,
                b'\n' => {
                    is_whole &= n == n_cells;
                    n = 1;
                }
                _ => {}
            }
            before = byte;
        }
        (is_whole && before == b'\n').then_some(Lines { n_cells, text })
    }

    /// Each line without its end.
    pub fn iter(self) -> impl Iterator<Item = &'a str> {
        let ends = memchr::memchr_iter(b'\n', self.text.as_bytes());
        let mut begin = 0;
        ends.map(move |end| {
            let line = &self.text[begin..end];
            begin = end + 1;
            line.trim_end_matches('\r')
        })
    }
}

fn n_commas(text: &str) -> usize {
    text.bytes().filter(|byte| *byte == b',').count()
}

/// A row of two columns: wavelength (nm), and a value with its uncertainty, absent where a cell of them is empty.
pub type Known = (f64, Option<Estimate>);

/// The place of the absorbance among the columns of [`SPECTRUM`]; its uncertainty stands beside it, as the signal's beside that.
const ABSORBANCE: usize = 9;
const SIGNAL: usize = 1;

/// The absorbance columns of a `spectrum.csv`. Nothing for a file without them, or one that is no table.
pub fn read_absorbance(csv: &[u8]) -> Vec<Known> {
    match Lines::of(csv) {
        Some(lines) => from_lines(lines, [ABSORBANCE]).map_or_else(Vec::new, |[all]| all),
        None => read_estimates(csv, ABSORBANCE),
    }
}

/// The absorbance and the signal of a `spectrum.csv`, in the same way.
pub fn read_absorbance_and_signal(csv: &[u8]) -> [Vec<Known>; 2] {
    let Some(lines) = Lines::of(csv) else {
        return [ABSORBANCE, SIGNAL].map(|column| read_estimates(csv, column));
    };
    from_lines(lines, [ABSORBANCE, SIGNAL]).unwrap_or_else(|| {
        let signal = from_lines(lines, [SIGNAL]);
        [Vec::new(), signal.map_or_else(Vec::new, |[all]| all)]
    })
}

fn number(cell: Option<&str>) -> Option<f64> {
    cell?.parse().ok()
}

/// Values of these columns, each with its uncertainty beside it; absent where the lines end before one of them.
fn from_lines<const N: usize>(lines: Lines<'_>, columns: [usize; N]) -> Option<[Vec<Known>; N]> {
    if columns.iter().any(|column| column + 1 >= lines.n_cells) {
        return None;
    }
    let last = columns.iter().max().map_or(0, |column| column + 1);
    let mut read: [Vec<Known>; N] = std::array::from_fn(|_| Vec::new());
    for line in lines.iter() {
        let mut cells = [""; ABSORBANCE + 2];
        let ends = memchr::memchr_iter(b',', line.as_bytes()).chain([line.len()]);
        let mut begin = 0;
        for (cell, end) in cells.iter_mut().zip(ends).take(last + 1) {
            *cell = &line[begin..end];
            begin = end + 1;
        }
        let Some(nm) = number(Some(cells[0])) else {
            continue;
        };
        for (column, read) in columns.into_iter().zip(&mut read) {
            let value = number(Some(cells[column]));
            let estimate = value.zip(number(Some(cells[column + 1])));
            read.push((
                nm,
                estimate.map(|(value, sigma)| Estimate::new(value, sigma)),
            ));
        }
    }
    Some(read)
}

/// A column of [`SPECTRUM`] and the next one, by their names: a value and its uncertainty.
fn read_estimates(csv: &[u8], column: usize) -> Vec<Known> {
    let mut reader = ReaderBuilder::new().from_reader(csv);
    let Ok(header) = reader.headers().cloned() else {
        return Vec::new();
    };
    let name = |column: usize| SPECTRUM.columns[column].name();
    let at = |column| header.iter().position(|h| h == name(column));
    let (Some(nm), Some(value), Some(sigma)) = (at(0), at(column), at(column + 1)) else {
        return Vec::new();
    };
    let records = reader.records().filter_map(Result::ok);
    records
        .filter_map(|cells| {
            let estimate = number(cells.get(value)).zip(number(cells.get(sigma)));
            let estimate = estimate.map(|(value, sigma)| Estimate::new(value, sigma));
            Some((number(cells.get(nm))?, estimate))
        })
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
        let both = read_absorbance_and_signal(here.as_bytes());
        assert_eq!(both, read_absorbance_and_signal(other.as_bytes()));
        assert_eq!(both[0], read_absorbance(here.as_bytes()));
        let signal = [(400.0, Some(Estimate::new(1.0, 2.0))), (401.0, None)];
        assert_eq!(both[1], signal);
        let expected = [(400.0, Some(Estimate::new(8.0, 9.0))), (401.0, None)];
        assert_eq!(read_absorbance(here.as_bytes()), expected);
        let short =
            "wavelength_nm,signal,signal_sigma,red,green,blue,clipped\r\n400,1,2,3,4,5,0\r\n";
        assert!(read_absorbance(short.as_bytes()).is_empty());
        let [absorbance, signal] = read_absorbance_and_signal(short.as_bytes());
        assert!(absorbance.is_empty() && signal.len() == 1);
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
