//! Tells by a file's name whether it is a photo, a picture of another kind, or neither.

/// What a file is by its name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileKind {
    /// A kind of photo this program reads: JPEG, PNG, TIFF, WebP, HEIC, DNG.
    Photo,
    /// A picture of a kind it does not read. It is still taken, so that its bench is told to send another.
    OtherPicture,
    /// Not a picture.
    Other,
}

const PHOTO: &[&str] = &[
    "jpg", "jpeg", "jpe", "jfif", "png", "tif", "tiff", "webp", "heic", "heif", "hif", "dng",
];

/// What phones and cameras also write (common practice, no source).
const OTHER_PICTURE: &[&str] = &[
    "gif", "bmp", "avif", "jxl", "jp2", "raw", "arw", "cr2", "cr3", "nef", "orf", "raf", "rw2",
    "pef", "srw",
];

/// What this program's own verdict cards end with. A phone that sends its whole gallery sends them back; their own name
/// says that they are no photos, whatever the rules.
pub const CARD_ENDING: &str = ".card.png";

/// What the file name `name` says, letter case aside.
pub fn kind_of_name(name: &str) -> FileKind {
    if name.to_lowercase().ends_with(CARD_ENDING) {
        return FileKind::Other;
    }
    let Some(ending) = ending(name) else {
        return FileKind::Other;
    };
    if PHOTO.contains(&ending.as_str()) {
        FileKind::Photo
    } else if OTHER_PICTURE.contains(&ending.as_str()) {
        FileKind::OtherPicture
    } else {
        FileKind::Other
    }
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
        assert_eq!(kind_of_name("lamp-01.JPG"), FileKind::Photo);
        assert_eq!(kind_of_name("a.b.Heic"), FileKind::Photo);
        assert_eq!(kind_of_name("a.NEF"), FileKind::OtherPicture);
        assert_eq!(kind_of_name("notes.docx"), FileKind::Other);
        assert_eq!(kind_of_name("lamp-01"), FileKind::Other);
        assert_eq!(kind_of_name(".jpg"), FileKind::Other);
        assert_eq!(kind_of_name("jpg."), FileKind::Other);
        assert_eq!(kind_of_name("lamp-01.jpg.card.PNG"), FileKind::Other);
        assert_eq!(kind_of_name("card.png"), FileKind::Photo);
    }

    #[test]
    fn a_stem_loses_only_the_last_ending() {
        assert_eq!(stem("a.b.jpg"), "a.b");
        assert_eq!(stem("a"), "a");
        assert_eq!(stem(".jpg"), ".jpg");
    }
}
