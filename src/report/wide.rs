//! `<bench>/spectra_wide.csv`: a bench's usable spectra beside each other, as spreadsheets draw them: a row a wavelength, a
//! column a photo.

use std::collections::BTreeMap;

use csv::ReaderBuilder;

use super::dictionary::SPECTRA_WIDE;
use super::shown::{Shown, by_path};
use crate::publish::files::schema::Column;
use crate::publish::files::table::{Row, Table, text_cell};
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
    let mut signals: Vec<BTreeMap<i64, String>> = Vec::new();
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
        let mut signal = BTreeMap::new();
        for (wavelength, cell) in cells(&bytes) {
            // Thousandths of a picometre: the same wavelength has the same digits but for zeros at the end.
            let Ok(nm) = wavelength.parse::<f64>() else {
                continue;
            };
            let place = (nm * 1e6).round() as i64;
            wavelengths.entry(place).or_insert(wavelength);
            signal.insert(place, cell);
        }
        signals.push(signal);
    }
    if signals.is_empty() {
        return None;
    }
    let mut table = Table::new(&columns);
    for (place, wavelength) in &wavelengths {
        let row = Row::default().cell(wavelength);
        let each = signals.iter().map(|signal| signal.get(place));
        table.push(each.fold(row, Row::maybe));
    }
    Some(Wide {
        columns,
        csv: table.finish(),
    })
}

/// Wavelength and signal of each row, as they are written.
fn cells(csv: &[u8]) -> Vec<(String, String)> {
    let mut reader = ReaderBuilder::new().from_reader(csv);
    let Ok(header) = reader.headers().cloned() else {
        return Vec::new();
    };
    let at = |column: usize| {
        header
            .iter()
            .position(|h| h == SPECTRUM.columns[column].name())
    };
    let (Some(nm), Some(signal)) = (at(0), at(1)) else {
        return Vec::new();
    };
    let rows = reader.records().filter_map(Result::ok);
    rows.filter_map(|row| Some((row.get(nm)?.to_owned(), row.get(signal)?.to_owned())))
        .collect()
}
