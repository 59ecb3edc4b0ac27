//! Tells by a file's name whether it is a photo, a picture of another kind, or neither.

/// Kinds of photos that this program reads: JPEG, PNG, TIFF, WebP, HEIC, DNG.
const PHOTO: &[&str] = &[
    "jpg", "jpeg", "jpe", "jfif", "png", "tif", "tiff", "webp", "heic", "heif", "hif", "dng",
];

/// What phones and cameras also write (common practice, no source). It is still taken, so that its bench is told to send
/// another.
const OTHER_PICTURE: &[&str] = &[
    "gif", "bmp", "avif", "jxl", "jp2", "raw", "arw", "cr2", "cr3", "nef", "orf", "raf", "rw2",
    "pef", "srw",
];

/// What this program's own verdict cards end with. A phone that sends its whole gallery sends them back; their own name
/// says that they are no photos, whatever the rules.
pub const CARD_ENDING: &str = ".card.png";

/// True where the file named `name` is a picture by its name, letter case aside.
pub fn is_picture_by_name(name: &str) -> bool {
    let ending = ending(name);
    let is_picture = |ending: &str| PHOTO.contains(&ending) || OTHER_PICTURE.contains(&ending);
    ending.is_some_and(|ending| is_picture(&ending)) && !name.to_lowercase().ends_with(CARD_ENDING)
}

/// The ending in lower case without its dot; absent where there is none.
pub(super) fn ending(name: &str) -> Option<String> {
    let (stem, ending) = name.rsplit_once('.')?;
    (!stem.is_empty() && !ending.is_empty()).then(|| ending.to_lowercase())
}

/// The file name without its ending.
pub(super) fn stem(name: &str) -> &str {
    match ending(name) {
        Some(_) => name.rsplit_once('.').map_or(name, |(stem, _)| stem),
        None => name,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ending_decides_in_any_letter_case() {
        assert!(is_picture_by_name("lamp-01.JPG"));
        assert!(is_picture_by_name("a.b.Heic"));
        assert!(is_picture_by_name("a.NEF"));
        assert!(!is_picture_by_name("notes.docx"));
        assert!(!is_picture_by_name("lamp-01"));
        assert!(!is_picture_by_name(".jpg"));
        assert!(!is_picture_by_name("jpg."));
        assert!(!is_picture_by_name("lamp-01.jpg.card.PNG"));
        assert!(is_picture_by_name("card.png"));
    }

    #[test]
    fn a_stem_loses_only_the_last_ending() {
        assert_eq!(stem("a.b.jpg"), "a.b");
        assert_eq!(stem("a"), "a");
        assert_eq!(stem(".jpg"), ".jpg");
    }
}
