//! `spectra.csv`: every usable calibrated spectrum in one tidy table, a row per photo and wavelength, with the cells of each
//! `spectrum.csv` as they stand there.

use std::io::{self, Write};

use csv::{ByteRecord, ReaderBuilder, Terminator, WriterBuilder};

use super::dictionary::{SPECTRA, SPECTRA_AFTER};
use super::shown::{Shown, by_path};
use crate::publish::files::lines::Lines;
use crate::publish::files::schema::Column;
use crate::publish::files::table::text_cell;
use crate::publish::files::tables::SPECTRUM;

/// How each row ends.
const END: &str = "\r\n";

/// Its columns: whose the spectrum is, the spectrum's own, and how usable it is.
pub fn columns() -> impl Iterator<Item = &'static Column> {
    let whose = SPECTRA.columns.iter();
    whose.chain(SPECTRUM.columns).chain(&SPECTRA_AFTER)
}

/// Writes the table: photos by path, each as its file orders it; those that are usable, or `all`. `session` is empty where the
/// inbox is one class.
///
/// `fetch` gives the bytes of a photo's `spectrum.csv` and is asked for one photo at a time, so that a class of any size
/// needs the memory of one spectrum. Photos without a file, or with a provisional scale, are left out; cells that a file
/// does not have are empty.
///
/// # Errors
/// Those of `out`; and invalid data where a fetched file is no table, with the photo's name.
pub fn spectra_csv<'a, W: Write>(
    photos: &[Shown<'a>],
    mut fetch: impl FnMut(&Shown<'a>) -> Option<Vec<u8>>,
    (all, session): (bool, &str),
    mut out: W,
) -> io::Result<()> {
    out.write_all(&written(columns().map(Column::name))?)?;
    let mut rows = Vec::new();
    for shown in by_path(photos) {
        let r = shown.record;
        if !shown.is_published(all) {
            continue;
        }
        let Some(bytes) = fetch(&shown) else { continue };
        let whose = [
            text_cell(&r.bench),
            text_cell(&r.photo),
            text_cell(&r.label),
            r.capture.map(|c| c.as_str()).unwrap_or_default().to_owned(),
        ];
        let usable = [r.verdict.as_str().to_owned(), text_cell(session)];
        rows.clear();
        match Lines::of(&bytes) {
            Some(lines) => repeat(lines, &whose, &usable, &mut rows)?,
            None => read(&bytes, &whose, &usable, &mut rows).map_err(|e| {
                io::Error::new(
                    io::ErrorKind::InvalidData,
                    format!(
                        "spectrum.csv of {}: {e}; delete its folder and it is made again",
                        r.photo
                    ),
                )
            })?,
        }
        out.write_all(&rows)?;
    }
    out.flush()
}

/// A row as it is written.
fn written(cells: impl Iterator<Item = impl AsRef<[u8]>>) -> io::Result<Vec<u8>> {
    let mut out = writer(Vec::new());
    out.write_record(cells)?;
    out.into_inner().map_err(csv::IntoInnerError::into_error)
}

fn writer<W: Write>(out: W) -> csv::Writer<W> {
    WriterBuilder::new()
        .terminator(Terminator::CRLF)
        .from_writer(out)
}

/// Appends a photo's rows, each around the line as it stands.
fn repeat(
    lines: Lines<'_>,
    whose: &[String],
    usable: &[String],
    rows: &mut Vec<u8>,
) -> io::Result<()> {
    let mut before = written(whose.iter())?;
    before.truncate(before.len() - END.len());
    before.push(b',');
    let empty = SPECTRUM.columns.len() - lines.n_cells;
    let mut after = vec![b','; empty + 1];
    after.extend(written(usable.iter())?);
    for line in lines.iter() {
        rows.extend_from_slice(&before);
        rows.extend_from_slice(line.as_bytes());
        rows.extend_from_slice(&after);
    }
    Ok(())
}

/// The same cell by cell, for a file that is another than is written now.
fn read(bytes: &[u8], whose: &[String], usable: &[String], rows: &mut Vec<u8>) -> csv::Result<()> {
    let mut reader = ReaderBuilder::new().from_reader(bytes);
    let header = reader.byte_headers()?;
    let place = |c: &Column| header.iter().position(|h| h == c.name().as_bytes());
    let at: Vec<Option<usize>> = SPECTRUM.columns.iter().map(place).collect();
    let mut out = writer(rows);
    let mut row = ByteRecord::new();
    while reader.read_byte_record(&mut row)? {
        for cell in whose {
            out.write_field(cell)?;
        }
        for at in &at {
            out.write_field(at.and_then(|i| row.get(i)).unwrap_or_default())?;
        }
        for cell in usable {
            out.write_field(cell)?;
        }
        out.write_record(None::<&[u8]>)?;
    }
    out.flush()?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_are_the_same_line_by_line_and_cell_by_cell() {
        let seven = "wavelength_nm,signal,signal_sigma,red,green,blue,clipped";
        let four = "transmittance,transmittance_sigma,absorbance,absorbance_sigma";
        let short = format!("{seven}\r\n400,1,2,3,4,5,0\r\n401,,,,,,1\r\n");
        let long = format!("{seven},{four}\r\n400,1,2,3,4,5,0,6,7,8,9\r\n401,,,,,,1,,,,\r\n");
        let whose = ["a, \"b\"", "'=x", "", "sample"].map(str::to_owned);
        let usable = ["good".to_owned(), String::new()];
        for csv in [short, long] {
            let (mut fast, mut slow) = (Vec::new(), Vec::new());
            let lines = Lines::of(csv.as_bytes()).unwrap();
            repeat(lines, &whose, &usable, &mut fast).unwrap();
            read(csv.as_bytes(), &whose, &usable, &mut slow).unwrap();
            let text = |bytes| String::from_utf8(bytes).unwrap();
            assert_eq!(text(fast), text(slow));
        }
    }
}
