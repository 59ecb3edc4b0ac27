//! Reading the data files that lie here: comment lines begin with `#`, then a header, then rows.

/// The rows of `text` as `T`.
///
/// # Panics
/// If a row does not fit: the files belong to the tests.
pub fn rows<T: serde::de::DeserializeOwned>(text: &str) -> Vec<T> {
    csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes())
        .deserialize()
        .map(|row| row.expect("a row of a data file"))
        .collect()
}
