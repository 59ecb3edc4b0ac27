//! A class's tables as one workbook (Office Open XML, ECMA-376): an overview, a sheet a bench with its spectra drawn, lines, series,
//! agreement, and what each column means. What stands in it is what stands in the tables, cell for cell; headings, sheets and charts
//! are named in the language of the words file.

use std::collections::BTreeMap;

use csv::ReaderBuilder;
use rust_xlsxwriter::{
    Chart, ChartErrorBars, ChartErrorBarsType, ChartLine, ChartMarker, ChartRange, ChartType,
    DocProperties, ExcelDateTime, Format, Workbook, Worksheet, XlsxError,
};

use super::dictionary::{CLASS, CONCENTRATIONS, QUALITY, QUALITY_AFTER, SERIES, SPECTRA_WIDE};
use crate::publish::files::schema::{Column, Kind};
use crate::publish::files::tables::PEAKS;
use crate::terms::{Phrases, Verdict};

/// A sheet's name has no more letters than this (Excel's specifications and limits, from memory).
const MOST_LETTERS: usize = 31;
/// Wide enough for a number, a code, a sentence's beginning; and for a photo's path. Letters.
const COLUMN_LETTERS: f64 = 16.0;
const PATH_LETTERS: f64 = 34.0;
/// A concentration is what somebody stated, in words or as a number: as a number it can be drawn.
const STATED: &str = "stated_concentration";
/// A chart is so large, px.
const CHART_PX: (u32, u32) = (900, 480);
/// Wavelengths that a chart shows, nm: what phones see.
const CHART_NM: (f64, f64) = (380.0, 720.0);
/// So many spectra at most are drawn in one chart: more cannot be told apart.
const MOST_DRAWN: usize = 12;
/// What the overview says of each photo.
const OF_A_PHOTO: [&str; 14] = [
    "photo",
    "bench",
    "capture",
    "label",
    "taken",
    "verdict",
    "reasons",
    "measured",
    "advice",
    "settled_by",
    "slit_width_um",
    "slit_width_um_sigma",
    "wavelength_sigma_nm",
    "calibration_photo",
];

/// What the overview says of each series: its answer, or why there is none.
const OF_A_SERIES: [&str; 9] = [
    "bench",
    "series",
    "unknown_name",
    "unknown",
    "unknown_sigma",
    "low_95",
    "high_95",
    "unit",
    "refused",
];

/// The tables of a class, as they are published.
#[derive(Clone, Debug, Default)]
pub struct ClassTables {
    /// What the class is called.
    pub title: String,
    /// `quality.csv`.
    pub quality: Vec<u8>,
    /// `series.csv`, `concentrations.csv` and `class.csv`, as far as they are there.
    pub series: Option<Vec<u8>>,
    /// See `series`.
    pub concentrations: Option<Vec<u8>>,
    /// See `series`.
    pub class: Option<Vec<u8>>,
    /// `spectra_wide.csv` of each bench that has one.
    pub spectra: BTreeMap<String, Vec<u8>>,
    /// `peaks.csv` of each photo that has one, by bench and photo.
    pub peaks: BTreeMap<(String, String), Vec<u8>>,
}

/// A table as it was read: its header and its rows.
#[derive(Default)]
struct Read {
    header: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Read {
    fn of(csv: &[u8]) -> Read {
        let mut reader = ReaderBuilder::new().flexible(true).from_reader(csv);
        let row = |r: csv::StringRecord| r.iter().map(str::to_owned).collect::<Vec<String>>();
        Read {
            header: reader.headers().cloned().map(row).unwrap_or_default(),
            rows: reader.records().filter_map(Result::ok).map(row).collect(),
        }
    }

    fn column(&self, name: &str) -> Option<usize> {
        self.header.iter().position(|h| h == name)
    }

    fn cell<'r>(&self, row: &'r [String], name: &str) -> &'r str {
        let at = self.column(name).and_then(|at| row.get(at));
        at.map_or("", String::as_str)
    }

    /// These columns of it, as far as it has them.
    fn only(&self, names: &[&str]) -> Read {
        let at: Vec<usize> = names.iter().filter_map(|n| self.column(n)).collect();
        let pick = |row: &Vec<String>| {
            let cell = |i: &usize| row.get(*i).cloned().unwrap_or_default();
            at.iter().map(cell).collect()
        };
        Read {
            header: pick(&self.header),
            rows: self.rows.iter().map(pick).collect(),
        }
    }
}

/// What sheets and columns there are, with their meanings.
#[derive(Default)]
struct Described(Vec<[String; 5]>);

impl Described {
    fn add(&mut self, sheet: &str, header: &[String], columns: &[Column]) {
        let known = header
            .iter()
            .filter_map(|name| columns.iter().find(|c| c.name() == name));
        self.0.extend(known.map(|c| {
            let words = [c.name(), c.unit(), c.meaning(), c.empty()];
            let [name, unit, meaning, empty] = words.map(str::to_owned);
            [sheet.to_owned(), name, unit, meaning, empty]
        }));
    }
}

/// What the sheets beside the benches' are called: short, plain, and each its own.
#[derive(Clone, Debug)]
struct Sheets {
    overview: String,
    lines: String,
    series: String,
    unknowns: String,
    agreement: String,
    columns: String,
}

impl Sheets {
    /// With them the names that no bench's sheet may have.
    fn of(t: &Phrases) -> (Sheets, Vec<String>) {
        let mut taken = Vec::new();
        let mut name = |key: &str| {
            let name = sheet_name(&t.say(key), &taken);
            taken.push(name.clone());
            name
        };
        let sheets = Sheets {
            overview: name("workbook.overview"),
            lines: name("workbook.lines"),
            series: name("workbook.series"),
            unknowns: name("workbook.unknowns"),
            agreement: name("workbook.agreement"),
            columns: name("workbook.columns"),
        };
        (sheets, taken)
    }
}

/// The workbook with headings in the language of `t`, the same bytes for the same tables.
///
/// # Errors
/// Where a sheet cannot hold its table: more rows, columns or letters than the format allows.
pub fn workbook(tables: &ClassTables, t: &Phrases) -> Result<Vec<u8>, XlsxError> {
    let mut book = Workbook::new();
    // The moment of writing is no part of what is written: the format's first day stands for it.
    let properties = DocProperties::new()
        .set_title(&tables.title)
        .set_creation_datetime(&ExcelDateTime::from_ymd(1980, 1, 1)?);
    book.set_properties(&properties);
    let mut described = Described::default();
    let (sheets, mut names) = Sheets::of(t);
    let quality = Read::of(&tables.quality);
    let mut page = Overview {
        sheet: book.add_worksheet().set_name(&sheets.overview)?,
        sheets: &sheets,
        t,
    };
    page.write(tables, &quality, &mut described)?;
    for (bench, csv) in &tables.spectra {
        let name = sheet_name(bench, &names);
        let sheet = book.add_worksheet().set_name(&name)?;
        spectra(sheet, &name, &Read::of(csv), t)?;
        described.add(
            &name,
            &[SPECTRA_WIDE.columns[0].name().to_owned()],
            SPECTRA_WIDE.columns,
        );
        names.push(name);
    }
    let lines = lines(&tables.peaks);
    let mut plain = |name: &str, read: &Read, columns: &[Column]| -> Result<(), XlsxError> {
        if read.rows.is_empty() {
            return Ok(());
        }
        let sheet = book.add_worksheet().set_name(name)?;
        table(sheet, 0, read, columns)?;
        sheet.set_freeze_panes(1, 0)?;
        if name == sheets.unknowns {
            series_charts(sheet, name, read, t)?;
        }
        described.add(name, &read.header, columns);
        Ok(())
    };
    plain(&sheets.lines, &lines, &line_columns())?;
    let of = |csv: &Option<Vec<u8>>| csv.as_deref().map(Read::of).unwrap_or_default();
    let unknowns = by_series(of(&tables.concentrations));
    plain(&sheets.series, &of(&tables.series), SERIES.columns)?;
    plain(&sheets.unknowns, &unknowns, CONCENTRATIONS.columns)?;
    plain(&sheets.agreement, &of(&tables.class), CLASS.columns)?;
    let sheet = book.add_worksheet().set_name(&sheets.columns)?;
    columns(sheet, &described, t)?;
    book.save_to_buffer()
}

fn bold() -> Format {
    Format::new().set_bold()
}

/// The first sheet, while it is written.
struct Overview<'s> {
    sheet: &'s mut Worksheet,
    sheets: &'s Sheets,
    t: &'s Phrases,
}

impl Overview<'_> {
    /// Verdicts by bench, the series' answers, then a row a photo.
    fn write(
        &mut self,
        tables: &ClassTables,
        quality: &Read,
        described: &mut Described,
    ) -> Result<(), XlsxError> {
        let title = bold().set_font_size(14);
        self.sheet
            .write_string_with_format(0, 0, &tables.title, &title)?;
        let about = self.t.of("workbook.about");
        let about = about.put("columns", &self.sheets.columns).to_string();
        self.sheet.write_string(1, 0, about)?;
        let mut next = self.verdicts(3, quality)?;
        let name = &self.sheets.overview;
        let answers = tables.series.as_deref().map(Read::of).unwrap_or_default();
        let answers = answers.only(&OF_A_SERIES);
        if !answers.rows.is_empty() {
            table(self.sheet, next, &answers, SERIES.columns)?;
            described.add(name, &answers.header, SERIES.columns);
            next += 2 + answers.rows.len() as u32;
        }
        let photos = quality.only(&OF_A_PHOTO);
        let known = QUALITY.columns.iter().chain(&QUALITY_AFTER);
        let known: Vec<Column> = known.cloned().collect();
        table(self.sheet, next, &photos, &known)?;
        described.add(name, &photos.header, &known);
        Ok(())
    }

    /// How many photos of each bench have which verdict, from `first` on; returns the row where the next may begin.
    fn verdicts(&mut self, first: u32, quality: &Read) -> Result<u32, XlsxError> {
        let mut by_bench: BTreeMap<&str, BTreeMap<&str, u32>> = BTreeMap::new();
        for row in &quality.rows {
            let verdicts = by_bench.entry(quality.cell(row, "bench")).or_default();
            *verdicts.entry(quality.cell(row, "verdict")).or_default() += 1;
        }
        let (sheet, t) = (&mut *self.sheet, self.t);
        sheet.write_string_with_format(first, 0, t.say("workbook.bench"), &bold())?;
        for (i, verdict) in Verdict::ALL.iter().enumerate() {
            let said = t.verdict(*verdict);
            sheet.write_string_with_format(first, 1 + i as u16, said, &bold())?;
        }
        for (i, (bench, verdicts)) in by_bench.iter().enumerate() {
            let row = first + 1 + i as u32;
            let name = match *bench {
                "" => t.say("workbook.no_bench"),
                bench => bench.to_owned(),
            };
            sheet.write_string(row, 0, name)?;
            for (j, verdict) in Verdict::ALL.iter().enumerate() {
                let n = verdicts.get(verdict.as_str()).copied().unwrap_or(0);
                sheet.write_number(row, 1 + j as u16, n)?;
            }
        }
        Ok(first + 2 + by_bench.len() as u32)
    }
}

/// A name for a sheet that no other has.
fn sheet_name(bench: &str, taken: &[String]) -> String {
    let plain: String = bench
        .chars()
        .map(|c| {
            if "[]:*?/\\'".contains(c) || c.is_control() {
                '_'
            } else {
                c
            }
        })
        .collect();
    let plain = if plain.is_empty() {
        "bench".into()
    } else {
        plain
    };
    let cut = |room: usize| plain.chars().take(room).collect::<String>();
    let is_free = |name: &str| {
        taken
            .iter()
            .all(|t| t.to_lowercase() != name.to_lowercase())
    };
    let whole = cut(MOST_LETTERS);
    if is_free(&whole) {
        return whole;
    }
    (2..)
        .map(|n| format!("{} {n}", cut(MOST_LETTERS - 1 - n.to_string().len())))
        .find(|name| is_free(name))
        .unwrap_or(whole)
}

/// Writes a table from `first` on, numbers as numbers where `columns` know them for such, and lets it be sorted and filtered.
fn table(
    sheet: &mut Worksheet,
    first: u32,
    read: &Read,
    columns: &[Column],
) -> Result<(), XlsxError> {
    for (j, name) in read.header.iter().enumerate() {
        let j = j as u16;
        sheet.write_string_with_format(first, j, name, &bold())?;
        let letters = match name.as_str() {
            "photo" => PATH_LETTERS,
            _ => COLUMN_LETTERS,
        };
        sheet.set_column_width(j, letters)?;
        let is_text = name != STATED
            && columns
                .iter()
                .any(|c| c.name() == name && matches!(c.kind(), Kind::Text | Kind::Flag));
        for (i, row) in read.rows.iter().enumerate() {
            let Some(cell) = row.get(usize::from(j)).filter(|c| !c.is_empty()) else {
                continue;
            };
            let at = first + 1 + i as u32;
            match cell.parse::<f64>() {
                Ok(number) if number.is_finite() && !is_text => {
                    sheet.write_number(at, j, number)?
                }
                _ => sheet.write_string(at, j, cell)?,
            };
        }
    }
    if let (Some(last), false) = (read.header.len().checked_sub(1), read.rows.is_empty()) {
        sheet.autofilter(first, 0, first + read.rows.len() as u32, last as u16)?;
    }
    Ok(())
}

/// A bench's spectra, a column a photo, and their picture.
fn spectra(sheet: &mut Worksheet, name: &str, read: &Read, t: &Phrases) -> Result<(), XlsxError> {
    table(sheet, 0, read, SPECTRA_WIDE.columns)?;
    sheet.set_freeze_panes(1, 1)?;
    let last = read.rows.len() as u32;
    let mut chart = Chart::new(ChartType::ScatterStraight);
    for j in 1..read.header.len().min(1 + MOST_DRAWN) as u16 {
        chart
            .add_series()
            .set_name((name, 0, j))
            .set_categories((name, 1, 0, last, 0))
            .set_values((name, 1, j, last, j))
            .set_format(ChartLine::new().set_width(1.25));
    }
    let (from_nm, to_nm) = CHART_NM;
    let title = t.of("workbook.spectra_of").put("bench", name);
    chart.title().set_name(&title.to_string());
    chart
        .x_axis()
        .set_name(&t.say("workbook.wavelength"))
        .set_min(from_nm)
        .set_max(to_nm);
    chart.y_axis().set_name(&t.say("workbook.signal"));
    chart.set_width(CHART_PX.0).set_height(CHART_PX.1);
    sheet.insert_chart(1, read.header.len() as u16 + 1, &chart)?;
    Ok(())
}

/// All peaks, with bench and photo before them.
fn lines(peaks: &BTreeMap<(String, String), Vec<u8>>) -> Read {
    let mut all = Read {
        header: line_columns().iter().map(|c| c.name().to_owned()).collect(),
        rows: Vec::new(),
    };
    let own: Vec<&str> = PEAKS.columns.iter().map(Column::name).collect();
    for ((bench, photo), csv) in peaks {
        let read = Read::of(csv).only(&own);
        all.rows.extend(read.rows.into_iter().map(|row| {
            let mut whole = vec![bench.clone(), photo.clone()];
            whole.extend(row);
            whole
        }));
    }
    all
}

fn line_columns() -> Vec<Column> {
    let before = QUALITY.columns.iter().filter(|c| c.name() == "photo");
    let bench = CONCENTRATIONS
        .columns
        .iter()
        .filter(|c| c.name() == "bench");
    let all = bench.chain(before).chain(PEAKS.columns);
    all.cloned().collect()
}

/// Bench, series and role of a row.
fn series_of(read: &Read, row: &[String]) -> [String; 3] {
    ["bench", "series", "role"].map(|column| read.cell(row, column).to_owned())
}

/// With what belongs together in rows beside each other.
fn by_series(read: Read) -> Read {
    let mut rows = read.rows.clone();
    rows.sort_by_cached_key(|row| series_of(&read, row));
    Read { rows, ..read }
}

/// Absorbance over concentration of each series' standards, with their uncertainties. Rows of a series stand together.
fn series_charts(
    sheet: &mut Worksheet,
    name: &str,
    read: &Read,
    t: &Phrases,
) -> Result<(), XlsxError> {
    let at = |column: &str| read.column(column).map(|c| c as u16);
    let (Some(stated), Some(absorbance), Some(sigma)) =
        (at(STATED), at("absorbance"), at("absorbance_sigma"))
    else {
        return Ok(());
    };
    let mut place = 1;
    let mut first = 0;
    while first < read.rows.len() {
        let this = series_of(read, &read.rows[first]);
        let more = read.rows[first..]
            .iter()
            .take_while(|row| series_of(read, row) == this);
        let n = more.count();
        let (from, to) = (first as u32 + 1, (first + n) as u32);
        first += n;
        let [bench, series, role] = this;
        if role != "standard" || series.is_empty() {
            continue;
        }
        let range = |column: u16| ChartRange::new_from_range(name, from, column, to, column);
        let mut bars = ChartErrorBars::new();
        bars.set_type(ChartErrorBarsType::Custom(range(sigma), range(sigma)));
        let mut chart = Chart::new(ChartType::Scatter);
        chart
            .add_series()
            .set_name(&t.say("workbook.standards"))
            .set_categories((name, from, stated, to, stated))
            .set_values((name, from, absorbance, to, absorbance))
            .set_marker(ChartMarker::new().set_automatic())
            .set_y_error_bars(&bars);
        let unit = read.cell(&read.rows[first - 1], "unit");
        let concentration = t.of("workbook.concentration").put("unit", unit).to_string();
        let title = t.of("workbook.series_of").put("series", series);
        let title = title.put("bench", bench).to_string();
        chart.title().set_name(&title);
        chart.x_axis().set_name(&concentration).set_min(0);
        chart.y_axis().set_name(&t.say("workbook.absorbance"));
        chart.legend().set_hidden();
        sheet.insert_chart(place, read.header.len() as u16 + 1, &chart)?;
        place += 16;
    }
    Ok(())
}

/// What each column means.
fn columns(sheet: &mut Worksheet, described: &Described, t: &Phrases) -> Result<(), XlsxError> {
    let header = [
        "workbook.of_sheet",
        "workbook.of_column",
        "workbook.of_unit",
        "workbook.of_meaning",
        "workbook.of_empty",
    ];
    for (j, key) in header.iter().enumerate() {
        sheet.write_string_with_format(0, j as u16, t.say(key), &bold())?;
        sheet.set_column_width(j as u16, COLUMN_LETTERS)?;
    }
    for (i, row) in described.0.iter().enumerate() {
        for (j, cell) in row.iter().enumerate() {
            sheet.write_string(1 + i as u32, j as u16, cell)?;
        }
    }
    sheet.set_freeze_panes(1, 0)?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sheets_name_is_short_plain_and_its_own() {
        let taken = vec!["Overview".to_owned(), "heron".to_owned()];
        assert_eq!(sheet_name("dunlin", &taken), "dunlin");
        assert_eq!(sheet_name("Heron", &taken), "Heron 2");
        assert_eq!(sheet_name("a/b:c", &taken), "a_b_c");
        assert_eq!(sheet_name("", &taken), "bench");
        let long = "x".repeat(40);
        assert_eq!(sheet_name(&long, &[]).len(), MOST_LETTERS);
        assert_eq!(sheet_name(&long, &["x".repeat(31)]).len(), MOST_LETTERS);
    }

    #[test]
    fn the_same_tables_make_the_same_bytes() {
        let tables = ClassTables {
            title: "Evening".into(),
            quality: b"photo,bench,verdict\nheron/a.jpg,heron,good\n".to_vec(),
            spectra: BTreeMap::from([(
                "heron".to_owned(),
                b"wavelength_nm,heron/a.jpg\n500,0.1\n500.25,0.2\n".to_vec(),
            )]),
            ..ClassTables::default()
        };
        let t = crate::settings::english();
        let first = workbook(&tables, t).unwrap();
        std::thread::sleep(std::time::Duration::from_millis(1100));
        assert_eq!(first, workbook(&tables, t).unwrap());
    }
}
