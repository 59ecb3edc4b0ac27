//! `measured.bin`: what was measured of a photo before any limit, beside its results, so that an edited limit, word or rule costs no
//! second look at the photo.
//!
//! No result depends on it: whoever deletes or damages it only has the photo measured again. Its first line says what follows and
//! bears a hash of it, the second what it was measured from and which picture was drawn of it; then comes the measurement (CBOR,
//! RFC 8949, which writes every number as it is).

use serde::Serialize;
use serde::de::DeserializeOwned;

/// Its name in a photo's folder.
pub const MEASURED: &str = "measured.bin";

/// Bytes within which both lines lie: how the first begins, three hashes of 64 digits, and what separates them.
pub const HEAD_BYTES: usize = 256;

/// How the first line begins. The number changes with the form of what follows.
const MAGIC: &str = "slitwatch measured 2 ";

/// Digits of a hash.
const DIGITS: usize = 64;

/// A measurement as it stands on disk.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Kept {
    /// Hash of all that it was measured from, hexadecimal.
    pub from: String,
    /// The measurement itself.
    pub body: Vec<u8>,
}

impl Kept {
    /// `value` as it is kept; nothing where it cannot be written.
    pub fn new(from: String, value: &impl Serialize) -> Option<Kept> {
        let mut body = Vec::new();
        ciborium::into_writer(value, &mut body).ok()?;
        Some(Kept { from, body })
    }

    /// What was kept; nothing where it is not of that kind.
    pub fn value<T: DeserializeOwned>(&self) -> Option<T> {
        ciborium::from_reader(self.body.as_slice()).ok()
    }

    /// The file, of a photo whose picture is `picture`.
    pub fn file(&self, picture: &[u8]) -> Vec<u8> {
        let mut rest = format!("{} {}\n", self.from, hash(picture)).into_bytes();
        rest.extend_from_slice(&self.body);
        let mut file = format!("{MAGIC}{}\n", hash(&rest)).into_bytes();
        file.append(&mut rest);
        file
    }

    /// Reads [`Kept::file`] back; nothing where it, or `picture`, is not what was written.
    pub fn read(file: &[u8], picture: &[u8]) -> Option<Kept> {
        let stated = file.strip_prefix(MAGIC.as_bytes())?;
        let (sum, rest) = stated.split_at_checked(DIGITS)?;
        let rest = rest.strip_prefix(b"\n")?;
        let (from, drawn) = origin(file)?;
        let is_whole = sum == hash(rest).as_bytes() && drawn == hash(picture);
        let body = rest.get(2 * DIGITS + 2..)?.to_vec();
        let from = from.to_owned();
        is_whole.then_some(Kept { from, body })
    }
}

/// What the measurement was made from, by the first [`HEAD_BYTES`] of its file.
pub fn measured_from(head: &[u8]) -> Option<&str> {
    Some(origin(head)?.0)
}

/// The second line's hashes: of what it was measured from, and of the picture that was drawn.
fn origin(head: &[u8]) -> Option<(&str, &str)> {
    let rest = head.strip_prefix(MAGIC.as_bytes())?.get(DIGITS..)?;
    let line = rest.strip_prefix(b"\n")?.get(..2 * DIGITS + 2)?;
    let line = std::str::from_utf8(line).ok()?.strip_suffix('\n')?;
    let (from, drawn) = line.split_once(' ')?;
    (from.len() == DIGITS && drawn.len() == DIGITS).then_some((from, drawn))
}

fn hash(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_number_comes_back_as_it_was_and_damage_is_seen_wherever_it_is() {
        let numbers = vec![0.1, f64::NAN, f64::INFINITY, -0.0, 1.0 / 3.0, 5e-324];
        let kept = Kept::new(hash(b"a"), &numbers).unwrap();
        let file = kept.file(b"picture");
        let read = Kept::read(&file, b"picture").unwrap();
        assert_eq!(read, kept);
        let back: Vec<f64> = read.value().unwrap();
        let bits = |all: &[f64]| all.iter().map(|x| x.to_bits()).collect::<Vec<u64>>();
        assert_eq!(bits(&back), bits(&numbers));
        assert_eq!(
            measured_from(&file[..HEAD_BYTES.min(file.len())]),
            Some(&*hash(b"a"))
        );
        assert_eq!(Kept::read(&file, b"another"), None);
        for at in 0..file.len() {
            let mut damaged = file.clone();
            damaged[at] ^= 1;
            assert_eq!(Kept::read(&damaged, b"picture"), None, "byte {at}");
            assert_eq!(Kept::read(&file[..at], b"picture"), None, "cut at {at}");
        }
        assert!(read.value::<String>().is_none());
    }
}
