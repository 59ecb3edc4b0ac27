//! `spectrum.csv` and `peaks.csv`, and reading a spectrum back. RFC 4180: a header, CRLF, no comment lines.

use csv::ReaderBuilder;

use super::ReadError;
use super::schema::{Kind, Schema, WAVELENGTH_NM, column};
use super::table::{Row, Table};
use crate::publish::numbers;
use crate::terms::{AbsorbanceRow, Estimate, Peak, Spectrum, SpectrumRow};

/// How many of a spectrum's columns stand in every `spectrum.csv`; the others do where a blank applies.
pub const ALWAYS: usize = 7;

/// When a cell of a spectrum is empty.
const NO_LIGHT: &str = "where it could not be measured";
/// When a cell of an absorbance is empty.
const NO_BLANK: &str = "where no blank applies or it means nothing";

/// `spectrum.csv`.
#[rustfmt::skip]
pub static SPECTRUM: Schema = Schema {
    file: "spectrum.csv",
    about: "One photo's spectrum, a row a wavelength. The last four columns stand in it where a blank applies.",
    columns: &[
        WAVELENGTH_NM,
        column("signal", "", Kind::Number, "mean over the slit's length and the three channels, linear share of full scale, background taken off", NO_LIGHT),
        column("signal_sigma", "", Kind::Number, "its standard uncertainty", NO_LIGHT),
        column("red", "", Kind::Number, "the red channel, likewise", NO_LIGHT),
        column("green", "", Kind::Number, "the green channel", NO_LIGHT),
        column("blue", "", Kind::Number, "the blue channel", NO_LIGHT),
        column("clipped", "", Kind::Number, "share of this step's pixels at the sensor's ceiling, 0 to 1", ""),
        column("transmittance", "", Kind::Number, "light through the sample over light through the blank", NO_BLANK),
        column("transmittance_sigma", "", Kind::Number, "its standard uncertainty", NO_BLANK),
        column("absorbance", "", Kind::Number, "less the decadic logarithm of the transmittance", NO_BLANK),
        column("absorbance_sigma", "", Kind::Number, "its standard uncertainty", NO_BLANK),
    ],
};

/// `peaks.csv`.
#[rustfmt::skip]
pub static PEAKS: Schema = Schema {
    file: "peaks.csv",
    about: "One photo's peaks, a row a peak, in the order of their wavelengths.",
    columns: &[
        column("centre_nm", "nm", Kind::Number, "the peak's place, wavelength in air", ""),
        column("centre_sigma_nm", "nm", Kind::Number, "its standard uncertainty, the scale's included", ""),
        column("fwhm_nm", "nm", Kind::Number, "full width at half height", ""),
        column("fwhm_sigma_nm", "nm", Kind::Number, "its standard uncertainty", ""),
        column("height", "", Kind::Number, "height over its surroundings, linear share of full scale", ""),
        column("height_sigma", "", Kind::Number, "its standard uncertainty", ""),
        column("area", "nm", Kind::Number, "height summed over wavelength, shares of full scale times nm", ""),
        column("area_sigma", "nm", Kind::Number, "its standard uncertainty", ""),
        column("kind", "", Kind::Text, "line, band (wider than the instrument's bandpass) or merged (lines that it does not separate)", ""),
        column("clipped", "", Kind::Flag, "true where part of it is at the sensor's ceiling: its height and area are too low", ""),
        column("name", "", Kind::Text, "the published line it agrees with, which need not be the line it is", "where it agrees with none"),
    ],
};

/// `spectrum.csv`.
///
/// `absorbance`, where given, has one entry per row of the spectrum and adds the last four columns; rows beyond its end
/// are left empty. A row whose signal or its uncertainty is not finite keeps its place, so that the steps stay equal, with
/// empty cells.
pub fn spectrum_csv(spectrum: &Spectrum, absorbance: Option<&[AbsorbanceRow]>) -> Vec<u8> {
    let mut table = Table::new(match absorbance {
        Some(_) => SPECTRUM.columns,
        None => &SPECTRUM.columns[..ALWAYS],
    });
    let first = spectrum.rows.first().map_or(0.0, |r| r.wavelength_nm);
    let decimals = numbers::decimals_of_grid(first, spectrum.step_nm);
    for (i, row) in spectrum.rows.iter().enumerate() {
        let mut cells = Row::default()
            .cell(numbers::fixed(row.wavelength_nm, decimals))
            .estimate(Estimate::new(row.signal, row.signal_sigma));
        for (value, sigma) in row.rgb.into_iter().zip(row.rgb_sigma) {
            cells = cells.cell(numbers::cell(value, sigma));
        }
        cells = cells.cell(share(row.clipped));
        if let Some(rows) = absorbance {
            let row = rows.get(i).copied().unwrap_or_default();
            cells = cells.estimate(row.transmittance).estimate(row.absorbance);
        }
        table.push(cells);
    }
    table.finish()
}

/// A share 0…1 with three decimals, without the decimals where it is exactly none or all.
fn share(value: f64) -> String {
    if value == 0.0 || value == 1.0 {
        numbers::fixed(value, 0)
    } else {
        numbers::fixed(value, 3)
    }
}

/// `peaks.csv`; with its header alone where there are no peaks.
pub fn peaks_csv(peaks: &[Peak]) -> Vec<u8> {
    let mut table = Table::new(PEAKS.columns);
    for peak in peaks {
        let row = Row::default()
            .estimate(peak.centre_nm)
            .estimate(peak.fwhm_nm)
            .estimate(peak.height)
            .estimate(peak.area)
            .cell(peak.kind)
            .cell(peak.clipped)
            .text(&peak.name);
        table.push(row);
    }
    table.finish()
}

/// Reads a `spectrum.csv` back, by the names of its columns.
///
/// The file holds no uncertainty per channel: the mean of three like channels has a standard uncertainty √3 times
/// smaller than each of them, and that is how `rgb_sigma` is filled. An empty channel is read as 0; an empty signal as 0
/// with an uncertainty of full scale: nothing is known there.
///
/// # Errors
/// What does not belong: a missing column, a cell that is not a number, fewer than two rows.
pub fn read_spectrum(csv: &[u8]) -> Result<Spectrum, ReadError> {
    let mut reader = ReaderBuilder::new().from_reader(csv);
    let header = reader.headers().map_err(|e| wrong(1, e))?.clone();
    let mut column = [0usize; ALWAYS];
    for (at, column) in column.iter_mut().zip(SPECTRUM.columns) {
        let name = column.name();
        let found = header.iter().position(|h| h == name);
        *at = found.ok_or_else(|| wrong(1, format!("there is no column `{name}`")))?;
    }
    let mut rows = Vec::new();
    for (i, record) in reader.records().enumerate() {
        let line = i + 2;
        let record = record.map_err(|e| wrong(line, e))?;
        let mut v = [0.0f64; ALWAYS];
        for (k, value) in v.iter_mut().enumerate() {
            let cell = record.get(column[k]).unwrap_or_default();
            if cell.is_empty() && (1..6).contains(&k) {
                *value = if k == 2 { 1.0 } else { 0.0 };
                continue;
            }
            let number = cell.parse().ok().filter(|x: &f64| x.is_finite());
            *value = number.ok_or_else(|| {
                let name = SPECTRUM.columns[k].name();
                wrong(line, format!("`{name}` is `{cell}`, not a number"))
            })?;
        }
        rows.push(SpectrumRow {
            wavelength_nm: v[0],
            signal: v[1],
            signal_sigma: v[2],
            rgb: [v[3], v[4], v[5]],
            rgb_sigma: [v[2] * 3f64.sqrt(); 3],
            clipped: v[6],
        });
    }
    let [first, .., last] = rows.as_slice() else {
        return Err(wrong(rows.len() + 1, "a spectrum has at least two rows"));
    };
    let step_nm = (last.wavelength_nm - first.wavelength_nm) / (rows.len() - 1) as f64;
    Ok(Spectrum {
        step_nm: numbers::rounded(step_nm, 9).unwrap_or(step_nm),
        rows,
    })
}

/// What does not belong into a `spectrum.csv`.
fn wrong(line: usize, what: impl ToString) -> ReadError {
    ReadError::new(SPECTRUM.file, line, what)
}

#[cfg(test)]
mod tests {
    use super::super::lines::read_absorbance;
    use super::*;
    use crate::terms::PeakKind;

    fn row(wavelength_nm: f64, signal: f64) -> SpectrumRow {
        SpectrumRow {
            wavelength_nm,
            signal,
            signal_sigma: 0.000_123_4,
            rgb: [signal, signal / 2.0, 0.0],
            rgb_sigma: [0.0002; 3],
            clipped: 0.0,
        }
    }

    fn text(bytes: Vec<u8>) -> String {
        String::from_utf8(bytes).unwrap()
    }

    #[test]
    fn a_spectrum_is_written_as_promised() {
        let mut spectrum = Spectrum {
            step_nm: 0.5,
            rows: vec![row(400.0, 0.123_456_789), row(400.5, -0.000_04)],
        };
        spectrum.rows[1].clipped = 0.25;
        assert_eq!(
            text(spectrum_csv(&spectrum, None)),
            "wavelength_nm,signal,signal_sigma,red,green,blue,clipped\r\n\
             400.0,0.123457,0.000123,0.123457,0.061728,0.000000,0\r\n\
             400.5,-0.000040,0.000123,-0.000040,-0.000020,0.000000,0.250\r\n"
        );
    }

    #[test]
    fn absorbance_that_means_nothing_is_an_empty_cell() {
        let spectrum = Spectrum {
            step_nm: 1.0,
            rows: vec![row(500.0, 0.5), row(501.0, 0.5), row(502.0, 0.5)],
        };
        let rows = [
            AbsorbanceRow {
                transmittance: Some(Estimate::new(0.5, 0.001)),
                absorbance: Some(Estimate::new(0.301, 0.0009)),
            },
            AbsorbanceRow::default(),
        ];
        let csv = text(spectrum_csv(&spectrum, Some(&rows)));
        let lines: Vec<&str> = csv.split("\r\n").collect();
        assert!(
            lines[0].ends_with(
                ",clipped,transmittance,transmittance_sigma,absorbance,absorbance_sigma"
            )
        );
        assert!(lines[1].ends_with(",0.50000,0.00100,0.301000,0.000900"));
        assert!(lines[2].ends_with(",0,,,,"));
        let back = read_absorbance(csv.as_bytes());
        assert_eq!(back.len(), 3);
        assert_eq!(back[0].1.map(|a| a.value), Some(0.301));
        assert_eq!(back[1], (501.0, None));
        assert!(read_absorbance(b"wavelength_nm,signal\r\n1,2\r\n").is_empty());
        assert!(
            lines[3].ends_with(",0,,,,"),
            "a row beyond the absorbances is empty too"
        );
    }

    #[test]
    fn nothing_that_is_not_a_number_is_ever_written() {
        let mut bad = row(501.0, 0.1);
        bad.signal_sigma = f64::NAN;
        bad.rgb = [f64::NAN, f64::INFINITY, 0.1];
        let spectrum = Spectrum {
            step_nm: 1.0,
            rows: vec![row(500.0, 0.1), bad, row(502.0, f64::NAN)],
        };
        let csv = text(spectrum_csv(&spectrum, None)).to_lowercase();
        assert!(!csv.contains("nan") && !csv.contains("inf"), "{csv}");
        assert!(csv.contains("\r\n501,,,,,0.100000,0\r\n"), "{csv}");
        assert!(csv.contains("\r\n502,,,"), "the steps stay equal: {csv}");
        let back = read_spectrum(csv.as_bytes()).unwrap();
        assert_eq!((back.rows[1].signal, back.rows[1].signal_sigma), (0.0, 1.0));
    }

    #[test]
    fn a_spectrum_is_read_back_to_its_printed_digits() {
        let spectrum = Spectrum {
            step_nm: 0.25,
            rows: (0..40)
                .map(|i| row(380.0 + 0.25 * i as f64, 0.01 * i as f64))
                .collect(),
        };
        let csv = spectrum_csv(&spectrum, None);
        let back = read_spectrum(&csv).unwrap();
        assert_eq!(back.step_nm, 0.25);
        assert_eq!(back.rows.len(), 40);
        for (a, b) in spectrum.rows.iter().zip(&back.rows) {
            assert_eq!(a.wavelength_nm, b.wavelength_nm);
            assert!((a.signal - b.signal).abs() <= 0.5e-6);
            assert!((a.signal_sigma - b.signal_sigma).abs() <= 0.5e-6);
        }
        assert_eq!(
            csv,
            spectrum_csv(&back, None),
            "writing it again changes nothing"
        );
    }

    #[test]
    fn what_is_wrong_with_a_spectrum_file_is_said_with_its_line() {
        let missing = read_spectrum(b"wavelength_nm,signal\r\n1,2\r\n").unwrap_err();
        assert!(missing.to_string().contains("signal_sigma"), "{missing}");
        let header = "wavelength_nm,signal,signal_sigma,red,green,blue,clipped";
        let word =
            read_spectrum(format!("{header}\r\n400,0,0,0,0,0,0\r\n401,x,0,0,0,0,0\r\n").as_bytes());
        let word = word.unwrap_err().to_string();
        assert!(word.contains("line 3") && word.contains("`x`"), "{word}");
        assert!(read_spectrum(header.as_bytes()).is_err());
    }

    #[test]
    fn a_peak_has_its_eleven_columns() {
        const HEADER: &str = "centre_nm,centre_sigma_nm,fwhm_nm,fwhm_sigma_nm,height,height_sigma,area,area_sigma,kind,clipped,name";
        let e = |value, sigma| Estimate::new(value, sigma);
        let peak = Peak {
            centre_nm: e(546.0745, 0.0312),
            own_sigma_nm: 0.05,
            instrument_sigma_nm: 0.05,
            fwhm_nm: e(1.42, 0.05),
            height: e(0.312, 0.002),
            area: e(0.47, 0.01),
            kind: PeakKind::Line,
            clipped: true,
            name: "Hg 546.07, \"green\"".into(),
        };
        assert_eq!(
            text(peaks_csv(&[peak])),
            format!(
                "{}\r\n546.0745,0.0312,1.4200,0.0500,0.31200,0.00200,0.4700,0.0100,line,true,\"Hg 546.07, \"\"green\"\"\"\r\n",
                HEADER
            )
        );
        assert_eq!(text(peaks_csv(&[])), format!("{HEADER}\r\n"));
    }
}
