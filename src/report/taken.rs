//! The order in which photos were taken: by the phones' own times, else as people number their files.

use crate::publish::record::Record;

/// A path as people number their files: the ending left out, so that `crane (2).jpg` follows `crane.jpg`, and runs of
/// digits by their value, so that 10 follows 9.
fn as_numbered(path: &str) -> Vec<(String, u64)> {
    let stem = path.rsplit_once('.').map_or(path, |(stem, _)| stem);
    let mut parts = vec![(String::new(), 0u64)];
    let mut after_digit = false;
    for c in stem.chars() {
        let digit = c.to_digit(10).map(u64::from);
        if digit.is_none() && after_digit {
            parts.push((String::new(), 0));
        }
        after_digit = digit.is_some();
        if let Some((words, number)) = parts.last_mut() {
            match digit {
                Some(d) => *number = number.saturating_mul(10).saturating_add(d),
                None => words.push(c),
            }
        }
    }
    parts
}

/// Photos of one bench in the order in which they were taken; `record` gives each one's record. A photo that does not say
/// when is taken to follow its neighbour by path, since phones number their files.
pub fn as_taken<'a, T>(mut photos: Vec<T>, record: impl Fn(&T) -> &'a Record) -> Vec<T> {
    photos.sort_by_cached_key(|photo| as_numbered(&record(photo).photo));
    let mut since = "";
    let mut keyed: Vec<(&str, T)> = Vec::with_capacity(photos.len());
    for photo in photos {
        if let Some(taken) = record(&photo).taken.as_deref() {
            since = taken;
        }
        keyed.push((since, photo));
    }
    // Stable: equal times keep the order of their paths.
    keyed.sort_by_key(|(taken, _)| *taken);
    keyed.into_iter().map(|(_, photo)| photo).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_follow_each_other_as_people_number_them() {
        let mut names = [
            "a/x-10.jpg",
            "a/x (2).jpg",
            "a/x-9.jpg",
            "a/x.jpg",
            "a/x-09b.jpg",
        ];
        names.sort_by_cached_key(|n| as_numbered(n));
        assert_eq!(
            names,
            [
                "a/x.jpg",
                "a/x (2).jpg",
                "a/x-9.jpg",
                "a/x-09b.jpg",
                "a/x-10.jpg"
            ]
        );
    }
}
