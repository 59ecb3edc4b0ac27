//! `spectra.csv`: every calibrated spectrum in one tidy table, a row per photo and wavelength, with the cells of each
//! `spectrum.csv` as they stand there.

use std::io::{self, Write};

use csv::{ByteRecord, ReaderBuilder, Terminator, WriterBuilder};

use super::shown::{Shown, by_path};
use crate::publish::files::table::text_cell;
use crate::publish::files::tables::{ABSORBANCE_COLUMNS, SPECTRUM_COLUMNS};
use crate::terms::ScaleKind;

/// Columns that say whose spectrum a row belongs to.
const WHOSE: [&str; 4] = ["bench", "photo", "label", "capture"];

/// Writes the table: photos by path, each as its file orders it.
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
    out: W,
) -> io::Result<()> {
    let mut out = WriterBuilder::new()
        .terminator(Terminator::CRLF)
        .from_writer(out);
    let columns: Vec<&str> = SPECTRUM_COLUMNS
        .iter()
        .chain(&ABSORBANCE_COLUMNS)
        .copied()
        .collect();
    out.write_record(WHOSE.iter().chain(&columns))?;
    for shown in by_path(photos) {
        let r = shown.record;
        let provisional = r
            .calibration
            .as_ref()
            .is_some_and(|c| c.kind == ScaleKind::Provisional);
        if !shown.has_spectrum || provisional {
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
        let at: Vec<Option<usize>> = columns
            .iter()
            .map(|name| header.iter().position(|h| h == name.as_bytes()))
            .collect();
        let whose = [
            text_cell(&r.bench),
            text_cell(&r.photo),
            text_cell(&r.label),
            r.capture.map(|c| c.as_str()).unwrap_or_default().to_owned(),
        ];
        let mut row = ByteRecord::new();
        while reader.read_byte_record(&mut row).map_err(broken)? {
            for cell in &whose {
                out.write_field(cell)?;
            }
            for at in &at {
                out.write_field(at.and_then(|i| row.get(i)).unwrap_or_default())?;
            }
            out.write_record(None::<&[u8]>)?;
        }
    }
    out.flush()
}
