//! `measured.bin`: what was measured of a photo before any limit, beside its results, so that an edited limit, word or rule costs no
//! second look at the photo, and no second writing of what it does not change.
//!
//! No result depends on it: whoever deletes or damages it only has the photo measured again. Its first line says what follows and
//! bears a hash of it. The second bears a hash of what it was measured from, one of what it was compared with, and one of what was said
//! of it; then come the files that were made of all that, a hash and a name a line, and an empty line; then the measurement (CBOR,
//! RFC 8949, which writes every number as it is).

use serde::Serialize;
use serde::de::DeserializeOwned;

/// Name of the file, in a photo's folder, that keeps what was measured.
pub const MEASURED: &str = "measured.bin";

/// Bytes within which the first two lines lie: how the first begins, four hashes of 64 digits, and what separates them.
pub const HEAD_BYTES: usize = 320;

/// How the first line begins. The number changes with the form of what follows.
const MAGIC: &str = "slitwatch measured 5 ";

/// Digits of a hash.
const DIGITS: usize = 64;

/// Bytes of the second line: three hashes, and what follows each.
const SECOND_LINE: usize = 3 * (DIGITS + 1);

/// Hashes of what a measurement depends on, hexadecimal.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Origins {
    /// Of all that the picture was measured by.
    pub measured: String,
    /// Of that, and of all that what was measured was compared with.
    pub compared: String,
}

/// A measurement as it stands on disk.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Kept {
    /// What it was made from.
    pub from: Origins,
    /// The measurement itself.
    pub body: Vec<u8>,
}

/// What was written together with a measurement, and of what.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Written {
    /// Hash of all that was said, hexadecimal: the same measurement and the same hash make the same files.
    pub told: String,
    /// Each file's hash and name, in the order in which they were written.
    files: Vec<(String, String)>,
}

impl Written {
    /// Of these files: name and content.
    pub fn new(told: String, files: &[(String, Vec<u8>)]) -> Written {
        let files = files.iter();
        let files = files.map(|(name, bytes)| (hash(bytes), name.clone()));
        Written {
            told,
            files: files.collect(),
        }
    }

    /// Names of the files.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.files.iter().map(|(_, name)| name.as_str())
    }

    /// True where a file of this name and content is among them.
    pub fn has(&self, name: &str, bytes: &[u8]) -> bool {
        let mut files = self.files.iter();
        let found = files.find(|(_, of)| of == name);
        found.is_some_and(|(sum, _)| *sum == hash(bytes))
    }

    fn read(lines: &str, told: &str) -> Option<Written> {
        let files = lines.lines().map(|line| {
            let (sum, name) = line.split_once(' ')?;
            Some((sum.to_owned(), name.to_owned()))
        });
        Some(Written {
            told: told.to_owned(),
            files: files.collect::<Option<_>>()?,
        })
    }
}

impl Kept {
    /// `value` as it is kept; nothing where it cannot be written.
    pub fn new(from: Origins, value: &impl Serialize) -> Option<Kept> {
        let mut body = Vec::new();
        ciborium::into_writer(value, &mut body).ok()?;
        Some(Kept { from, body })
    }

    /// What was kept; nothing where it is not of that kind.
    pub fn value<T: DeserializeOwned>(&self) -> Option<T> {
        ciborium::from_reader(self.body.as_slice()).ok()
    }

    /// The file, beside what else was written.
    pub fn file(&self, written: &Written) -> Vec<u8> {
        let Origins { measured, compared } = &self.from;
        let mut head = format!("{measured} {compared} {}\n", written.told);
        for (sum, name) in &written.files {
            head += &format!("{sum} {name}\n");
        }
        let mut rest = (head + "\n").into_bytes();
        rest.extend_from_slice(&self.body);
        let mut file = format!("{MAGIC}{}\n", hash(&rest)).into_bytes();
        file.append(&mut rest);
        file
    }

    /// Reads [`Kept::file`] back; nothing where it is not what was written.
    pub fn read(file: &[u8]) -> Option<(Kept, Written)> {
        let stated = file.strip_prefix(MAGIC.as_bytes())?;
        let (sum, rest) = stated.split_at_checked(DIGITS)?;
        let rest = rest.strip_prefix(b"\n")?;
        if sum != hash(rest).as_bytes() {
            return None;
        }
        let (from, told) = second_line(file)?;
        let rest = rest.get(SECOND_LINE..)?;
        let end = match rest.starts_with(b"\n") {
            true => 0,
            false => rest.windows(2).position(|two| two == b"\n\n")? + 1,
        };
        let (lines, body) = rest.split_at_checked(end)?;
        let written = Written::read(std::str::from_utf8(lines).ok()?, told)?;
        let body = body.get(1..)?.to_vec();
        let kept = Kept { from, body };
        Some((kept, written))
    }
}

/// What the measurement was made from, by the first [`HEAD_BYTES`] of its file.
pub fn origins(head: &[u8]) -> Option<Origins> {
    Some(second_line(head)?.0)
}

/// The second line's hashes: of what it was made from, and of what was said of it.
fn second_line(head: &[u8]) -> Option<(Origins, &str)> {
    let rest = head.strip_prefix(MAGIC.as_bytes())?.get(DIGITS..)?;
    let line = rest.strip_prefix(b"\n")?.get(..SECOND_LINE)?;
    let line = std::str::from_utf8(line).ok()?.strip_suffix('\n')?;
    let mut hashes = line.split(' ').filter(|hash| hash.len() == DIGITS);
    let (measured, compared, told) = (hashes.next()?, hashes.next()?, hashes.next()?);
    let from = Origins {
        measured: measured.to_owned(),
        compared: compared.to_owned(),
    };
    Some((from, told))
}

/// A hash as it stands in the file (BLAKE3, hexadecimal).
pub fn hash(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_number_comes_back_as_it_was_and_damage_is_seen_wherever_it_is() {
        let numbers = vec![0.1, f64::NAN, f64::INFINITY, -0.0, 1.0 / 3.0, 5e-324];
        let from = Origins {
            measured: hash(b"a"),
            compared: hash(b"b"),
        };
        let kept = Kept::new(from.clone(), &numbers).unwrap();
        let files = ["overlay.png", "photo.log"].map(|name| (name.to_owned(), name.into()));
        for n in 0..=files.len() {
            let written = Written::new(hash(b"told"), &files[..n]);
            let file = kept.file(&written);
            let (read, beside) = Kept::read(&file).unwrap();
            assert_eq!((&read, &beside), (&kept, &written));
            let back: Vec<f64> = read.value().unwrap();
            let bits = |all: &[f64]| all.iter().map(|x| x.to_bits()).collect::<Vec<u64>>();
            assert_eq!(bits(&back), bits(&numbers));
            let head = &file[..HEAD_BYTES.min(file.len())];
            assert_eq!(origins(head), Some(from.clone()));
            for at in 0..file.len() {
                let mut damaged = file.clone();
                damaged[at] ^= 1;
                assert_eq!(Kept::read(&damaged), None, "byte {at}");
                assert_eq!(Kept::read(&file[..at]), None, "cut at {at}");
            }
            assert!(read.value::<String>().is_none());
        }
    }

    #[test]
    fn a_file_is_among_those_written_by_its_name_and_content() {
        let files = [("photo.log".to_owned(), b"log".to_vec())];
        let written = Written::new(hash(b"told"), &files);
        assert!(written.has("photo.log", b"log"));
        assert!(!written.has("photo.log", b"lag") && !written.has("peaks.csv", b"log"));
        assert_eq!(written.names().collect::<Vec<_>>(), ["photo.log"]);
    }
}
