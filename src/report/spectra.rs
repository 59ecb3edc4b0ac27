//! `spectra.csv`: every usable calibrated spectrum in one tidy table, a row per photo and wavelength, with the cells of each
//! `spectrum.csv` as they stand there.

use std::io::{self, Write};

use csv::{ByteRecord, ReaderBuilder, Terminator, WriterBuilder};

use super::dictionary::{SPECTRA, SPECTRA_AFTER};
use super::shown::{Shown, by_path};
use crate::publish::files::schema::Column;
use crate::publish::files::table::text_cell;
use crate::publish::files::tables::SPECTRUM;

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
    out: W,
) -> io::Result<()> {
    let mut out = WriterBuilder::new()
        .terminator(Terminator::CRLF)
        .from_writer(out);
    out.write_record(columns().map(Column::name))?;
    for shown in by_path(photos) {
        let r = shown.record;
        if !shown.is_published(all) {
            continue;
        }
        let Some(bytes) = fetch(&shown) else { continue };
        let broken = |e: csv::Error| {
            io::Error::new(
                io::ErrorKind::InvalidData,
                format!(
                    "spectrum.csv of {}: {e}; delete its folder and it is made again",
                    r.photo
                ),
            )
        };
        let mut reader = ReaderBuilder::new().from_reader(bytes.as_slice());
        let header = reader.byte_headers().map_err(broken)?;
        let place = |c: &Column| header.iter().position(|h| h == c.name().as_bytes());
        let at: Vec<Option<usize>> = SPECTRUM.columns.iter().map(place).collect();
        let whose = [
            text_cell(&r.bench),
            text_cell(&r.photo),
            text_cell(&r.label),
            r.capture.map(|c| c.as_str()).unwrap_or_default().to_owned(),
        ];
        let usable = [r.verdict.as_str().to_owned(), text_cell(session)];
        let mut row = ByteRecord::new();
        while reader.read_byte_record(&mut row).map_err(broken)? {
            for cell in &whose {
                out.write_field(cell)?;
            }
            for at in &at {
                out.write_field(at.and_then(|i| row.get(i)).unwrap_or_default())?;
            }
            for cell in &usable {
                out.write_field(cell)?;
            }
            out.write_record(None::<&[u8]>)?;
        }
    }
    out.flush()
}
