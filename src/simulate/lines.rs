//! The lines and bands that light is drawn from, read from their table. It is not the measurement's list of lamps, on purpose.

/// A line or a band; what its numbers are stands in the head of the table.
pub(super) struct Line {
    /// Wavelength in standard air, nm.
    pub wavelength_nm: f64,
    /// Strength, area or depth.
    pub strength: f64,
    /// Full width, nm.
    pub width_nm: f64,
}

/// The rows of one kind, in the order of the table: a lamp by its element's symbol, `Tb` and `Eu` for phosphors, `sun`.
///
/// # Panics
/// Never: a test reads every row.
pub(super) fn lines(of: &str) -> impl Iterator<Item = Line> {
    let rows = include_str!("lines.csv").lines();
    let own = rows.filter_map(move |row| row.strip_prefix(of)?.strip_prefix(','));
    own.map(|row| {
        let mut cells = row
            .split(',')
            .map(|cell| cell.parse().expect("a number in the table of lines"));
        let mut next = || cells.next().expect("three numbers in a row");
        Line {
            wavelength_nm: next(),
            strength: next(),
            width_nm: next(),
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_of_light_has_its_rows_and_no_row_is_left_over() {
        let kinds = [
            ("Hg", 8),
            ("He", 10),
            ("Ne", 32),
            ("H", 4),
            ("Na", 6),
            ("Tb", 8),
            ("Eu", 11),
            ("sun", 20),
        ];
        for (of, n) in kinds {
            let rows: Vec<Line> = lines(of).collect();
            assert_eq!(rows.len(), n, "{of}");
            assert!(rows.is_sorted_by(|a, b| a.wavelength_nm < b.wavelength_nm));
            assert!(rows.iter().all(|row| row.strength > 0.0));
        }
        let table = include_str!("lines.csv").lines();
        let n_rows = table.filter(|row| !row.starts_with('#')).count() - 1;
        assert_eq!(n_rows, kinds.map(|k| k.1).iter().sum::<usize>());
    }
}
