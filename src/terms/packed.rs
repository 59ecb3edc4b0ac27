//! Rows of numbers written as one run of bytes: a spectrum has thousands, and a reader that is handed each by itself takes many
//! times as long as one that takes them all. Every number comes back as it was, to the last bit.

use std::fmt;

use serde::de::{Error, Visitor};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Bytes of a number: IEEE 754 binary64, the least significant first.
const BYTES: usize = 8;

/// A row of `N` numbers.
pub trait Packed<const N: usize>: Sized {
    /// The row's numbers.
    fn numbers(&self) -> [f64; N];
    /// The row of these numbers.
    fn from_numbers(numbers: [f64; N]) -> Self;
}

/// Bytes that are written as such.
struct Run(Vec<u8>);

impl Run {
    fn of<const N: usize, T: Packed<N>>(rows: &[T]) -> Run {
        let numbers = rows.iter().flat_map(Packed::numbers);
        Run(numbers.flat_map(f64::to_le_bytes).collect())
    }

    fn rows<const N: usize, T: Packed<N>, E: Error>(&self) -> Result<Vec<T>, E> {
        if !self.0.len().is_multiple_of(N * BYTES) {
            return Err(E::custom("a row is not whole"));
        }
        let (numbers, _) = self.0.as_chunks::<BYTES>();
        let (rows, _) = numbers.as_chunks::<N>();
        let rows = rows
            .iter()
            .map(|row| T::from_numbers(row.map(f64::from_le_bytes)));
        Ok(rows.collect())
    }
}

impl Serialize for Run {
    fn serialize<S: Serializer>(&self, out: S) -> Result<S::Ok, S::Error> {
        out.serialize_bytes(&self.0)
    }
}

impl<'de> Deserialize<'de> for Run {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Run, D::Error> {
        struct Bytes;
        impl Visitor<'_> for Bytes {
            type Value = Run;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("bytes")
            }
            fn visit_bytes<E: Error>(self, bytes: &[u8]) -> Result<Run, E> {
                Ok(Run(bytes.to_vec()))
            }
            fn visit_byte_buf<E: Error>(self, bytes: Vec<u8>) -> Result<Run, E> {
                Ok(Run(bytes))
            }
        }
        from.deserialize_byte_buf(Bytes)
    }
}

/// Writes rows.
///
/// # Errors
/// Those of `out`.
pub fn serialize<const N: usize, T: Packed<N>, S: Serializer>(
    rows: &[T],
    out: S,
) -> Result<S::Ok, S::Error> {
    Run::of(rows).serialize(out)
}

/// Reads them back.
///
/// # Errors
/// Where there are no bytes, or not as many as whole rows have.
pub fn deserialize<'de, const N: usize, T: Packed<N>, D: Deserializer<'de>>(
    from: D,
) -> Result<Vec<T>, D::Error> {
    Run::deserialize(from)?.rows()
}

/// Rows that there may not be, written and read as one run of bytes.
pub mod maybe {
    use super::{Deserialize, Deserializer, Packed, Run, Serialize, Serializer};

    /// Writes rows, or that there are none.
    ///
    /// # Errors
    /// Those of `out`.
    pub fn serialize<const N: usize, T: Packed<N>, S: Serializer>(
        rows: &Option<Vec<T>>,
        out: S,
    ) -> Result<S::Ok, S::Error> {
        rows.as_deref().map(Run::of).serialize(out)
    }

    /// Reads them back.
    ///
    /// # Errors
    /// Where there is something else, or not as many bytes as whole rows have.
    pub fn deserialize<'de, const N: usize, T: Packed<N>, D: Deserializer<'de>>(
        from: D,
    ) -> Result<Option<Vec<T>>, D::Error> {
        let run = Option::<Run>::deserialize(from)?;
        run.map(|run| run.rows()).transpose()
    }
}

#[cfg(test)]
mod tests {
    use super::super::{AbsorbanceRow, Estimate, Spectrum, SpectrumRow};
    use super::*;

    #[test]
    fn every_number_comes_back_and_what_is_no_row_is_refused() {
        let row = |k: f64| SpectrumRow::from_numbers(std::array::from_fn(|i| k / (1.0 + i as f64)));
        let spectrum = Spectrum {
            step_nm: 0.25,
            rows: vec![row(0.1), row(f64::INFINITY), row(-0.0), row(5e-324)],
        };
        let mut file = Vec::new();
        ciborium::into_writer(&spectrum, &mut file).unwrap();
        let back: Spectrum = ciborium::from_reader(&*file).unwrap();
        let bits = |s: &Spectrum| -> Vec<[u64; 10]> {
            let rows = s.rows.iter().map(|row| row.numbers().map(f64::to_bits));
            rows.collect()
        };
        assert_eq!(bits(&back), bits(&spectrum));
        assert!(
            Run(vec![0; 81])
                .rows::<10, SpectrumRow, serde::de::value::Error>()
                .is_err()
        );
        assert!(ciborium::from_reader::<Spectrum, _>(&file[..file.len() - 1]).is_err());
    }

    #[test]
    fn what_means_nothing_stays_absent() {
        let some = Some(Estimate::new(0.5, 0.1));
        for row in [(None, None), (some, None), (None, some), (some, some)] {
            let (transmittance, absorbance) = row;
            let row = AbsorbanceRow {
                transmittance,
                absorbance,
            };
            assert_eq!(AbsorbanceRow::from_numbers(row.numbers()), row);
        }
    }
}
