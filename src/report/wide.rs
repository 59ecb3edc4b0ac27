//! `<bench>/spectra_wide.csv`: a bench's usable spectra beside each other, as spreadsheets draw them: a row a wavelength, a
//! column a photo.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use csv::ReaderBuilder;

use super::dictionary::SPECTRA_WIDE;
use super::shown::{Shown, by_path};
use crate::publish::files::lines::Lines;
use crate::publish::files::schema::Column;
use crate::publish::files::table::{Table, text_cell};
use crate::publish::files::tables::SPECTRUM;

/// The wide table of a bench, with its columns.
pub struct Wide {
    /// Wavelength, then a photo each.
    pub columns: Vec<Column>,
    /// The table.
    pub csv: Vec<u8>,
}

/// The signals of a bench's usable spectra, photos by path; absent where there is none. Cells are those of each
/// `spectrum.csv`, whose bytes `fetch` gives; a wavelength that one of them does not have leaves its cell empty.
pub fn spectra_wide_csv<'a>(
    photos: &[Shown<'a>],
    fetch: &mut impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
) -> Option<Wide> {
    let mut wavelengths: BTreeMap<i64, String> = BTreeMap::new();
    let mut signals: Vec<Signal> = Vec::new();
    let mut columns = SPECTRA_WIDE.columns.to_vec();
    for shown in by_path(photos) {
        if !shown.is_published(false) {
            continue;
        }
        let Some(bytes) = fetch(&shown) else { continue };
        let photo = &shown.record.photo;
        columns.push(Column::number(
            text_cell(photo),
            "",
            format!("signal of {photo}, linear share of full scale"),
            "where it has no such wavelength, or could not be measured",
        ));
        let mut signal = Signal::default();
        each_row(&bytes, |wavelength, cell| {
            // Thousandths of a picometre: the same wavelength has the same digits but for zeros at the end.
            let Ok(nm) = wavelength.parse::<f64>() else {
                return;
            };
            let place = (nm * 1e6).round() as i64;
            if let Entry::Vacant(new) = wavelengths.entry(place) {
                new.insert(wavelength.to_owned());
            }
            signal.push(place, cell);
        });
        signals.push(signal.sorted());
    }
    if signals.is_empty() {
        return None;
    }
    let mut table = Table::new(&columns);
    let mut next = vec![0; signals.len()];
    for (place, wavelength) in &wavelengths {
        let each = signals.iter().zip(&mut next);
        let each = each.map(|(signal, next)| signal.cell_at(*place, next));
        table.push_cells(std::iter::once(wavelength.as_str()).chain(each));
    }
    Some(Wide {
        columns,
        csv: table.finish(),
    })
}

/// A photo's signals as they are written.
#[derive(Default)]
struct Signal {
    /// Wavelength, and where the cell ends in the text.
    places: Vec<(i64, usize)>,
    text: String,
}

impl Signal {
    fn push(&mut self, place: i64, cell: &str) {
        self.text.push_str(cell);
        self.places.push((place, self.text.len()));
    }

    fn cell(&self, i: usize) -> &str {
        let begin = i.checked_sub(1).map_or(0, |before| self.places[before].1);
        &self.text[begin..self.places[i].1]
    }

    /// Rising in wavelength; of two of one wavelength the last.
    fn sorted(self) -> Signal {
        if self.places.is_sorted_by(|a, b| a.0 < b.0) {
            return self;
        }
        let cells = self.places.iter().enumerate();
        let by_place: BTreeMap<i64, &str> = cells.map(|(i, at)| (at.0, self.cell(i))).collect();
        let mut sorted = Signal::default();
        for (place, cell) in by_place {
            sorted.push(place, cell);
        }
        sorted
    }

    /// The cell at a wavelength, empty where there is none; `next` is the first one that has not been asked for, and wavelengths are
    /// asked for as they rise.
    fn cell_at(&self, place: i64, next: &mut usize) -> &str {
        match self.places.get(*next) {
            Some(at) if at.0 == place => {
                *next += 1;
                self.cell(*next - 1)
            }
            _ => "",
        }
    }
}

/// Wavelength and signal of each row, as they are written.
fn each_row(csv: &[u8], mut take: impl FnMut(&str, &str)) {
    if let Some(lines) = Lines::of(csv) {
        for line in lines.iter() {
            let mut cells = line.split(',');
            if let (Some(nm), Some(signal)) = (cells.next(), cells.next()) {
                take(nm, signal);
            }
        }
        return;
    }
    let mut reader = ReaderBuilder::new().from_reader(csv);
    let Ok(header) = reader.headers().cloned() else {
        return;
    };
    let at = |column: usize| {
        let name = SPECTRUM.columns[column].name();
        header.iter().position(|h| h == name)
    };
    let (Some(nm), Some(signal)) = (at(0), at(1)) else {
        return;
    };
    for row in reader.records().filter_map(Result::ok) {
        if let (Some(nm), Some(signal)) = (row.get(nm), row.get(signal)) {
            take(nm, signal);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_that_do_not_rise_are_put_in_order_and_the_last_of_two_counts() {
        let mut signal = Signal::default();
        for (place, cell) in [(3, "c"), (1, "a"), (3, "d"), (2, "")] {
            signal.push(place, cell);
        }
        let signal = signal.sorted();
        let mut next = 0;
        let cells = [0, 1, 2, 3, 4].map(|place| signal.cell_at(place, &mut next));
        assert_eq!(cells, ["", "a", "", "d", ""]);
    }

    #[test]
    fn a_row_has_the_same_cells_line_by_line_and_by_the_names_of_its_columns() {
        let mut found = Vec::new();
        let here =
            "wavelength_nm,signal,signal_sigma,red,green,blue,clipped\r\n400,1,2,3,4,5,0\r\n";
        let other = "signal,wavelength_nm\n1,400\n";
        for csv in [here, other] {
            each_row(csv.as_bytes(), |nm, signal| {
                found.push(format!("{nm}:{signal}"))
            });
        }
        assert_eq!(found, ["400:1", "400:1"]);
    }
}
