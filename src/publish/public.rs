//! What of the results is for everybody to read, by its path, and what kind of file it is.

use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};

use super::files;
use super::names::{self, ALIVE, BEFORE, WATCHED};

/// The files of a photo's folder.
const OF_A_PHOTO: [&str; 8] = [
    files::SPECTRUM_CSV,
    files::SPECTRUM_JDX,
    files::ABSORBANCE_JDX,
    files::PEAKS_CSV,
    files::QUALITY_JSON,
    files::OVERLAY_PNG,
    files::SPECTRUM_SVG,
    files::PHOTO_LOG,
];

/// True for a path below the results of a file that is published: a page, a table, what the program says of itself, or a file
/// of a photo. Not what is kept for the next start, not what is being made, and nothing that others have put there.
pub fn is_public(path: &str) -> bool {
    let components: Vec<&str> = path.split('/').collect();
    let is_plain = |c: &&str| !c.is_empty() && !c.starts_with('.') && !c.contains('\0');
    if !components.iter().all(is_plain) {
        return false;
    }
    match components[..] {
        [ALIVE] | [_, ALIVE] => true,
        [_, _, .., name] if OF_A_PHOTO.contains(&name) => true,
        _ => names::is_any_summary(path),
    }
}

/// True for a path below the results of what is a bench's own: its pages, its photos, and the scripts that they need. What shows the
/// whole class is not: the board, the tables, the benches compared, the list of sessions.
pub fn is_of_a_bench(path: &str) -> bool {
    let components: Vec<&str> = path.split('/').collect();
    match components[..] {
        [ALIVE | WATCHED | BEFORE] | [_, ALIVE | WATCHED] => true,
        [_, _, .., name] if OF_A_PHOTO.contains(&name) => true,
        _ => names::is_in_a_bench(path),
    }
}

/// What stands unencoded in an address (RFC 3986, 2.3, and `/`).
const ENCODED: &AsciiSet = &NON_ALPHANUMERIC
    .remove(b'-')
    .remove(b'.')
    .remove(b'_')
    .remove(b'~')
    .remove(b'/');

/// A path as it stands in an address, such as the value of a `href`. It is relative and stays so: a first part with a colon is encoded.
pub fn href(path: &str) -> String {
    utf8_percent_encode(path, ENCODED).to_string()
}

/// What kind of file it is, by its ending: its media type.
pub fn media_type(path: &str) -> &'static str {
    match path.rsplit('.').next().unwrap_or_default() {
        "html" => "text/html; charset=utf-8",
        "js" => "text/javascript; charset=utf-8",
        "csv" => "text/csv; charset=utf-8",
        "json" => "application/json",
        "png" => "image/png",
        "svg" => "image/svg+xml",
        "xlsx" => "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
        "jdx" => "chemical/x-jcamp-dx",
        _ => "text/plain; charset=utf-8",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bench_s_own_is_told_from_what_shows_the_whole_class() {
        for path in [
            "alive.js",
            "watched.js",
            "instruments.js",
            "monday/watched.js",
            "heron/index.html",
            "monday/heron/index.html",
            "heron/calibration.html",
            "heron/spectra_wide.csv",
            "heron/cards/a.jpg.card.png",
            "heron/a.jpg/overlay.png",
        ] {
            assert!(is_of_a_bench(path), "{path}");
        }
        for path in [
            "",
            "board.html",
            "monday/board.html",
            "class.html",
            "index.html",
            "quality.csv",
            "monday/spectra.csv",
            "late.csv",
            "datapackage.json",
            "overlay.png",
            "board.html/a",
        ] {
            assert!(!is_of_a_bench(path), "{path}");
        }
    }

    #[test]
    fn what_is_published_is_public_and_nothing_else_is() {
        for path in [
            "board.html",
            "alive.js",
            "watched.js",
            "monday/alive.js",
            "quality.csv",
            "heron/index.html",
            "monday/heron/calibration.json",
            "heron/cards/a.jpg.card.png",
            "heron/late/a.jpg/overlay.png",
            "heron/a\\x2Fb.jpg/photo.log",
        ] {
            assert!(is_public(path), "{path}");
        }
        for path in [
            "",
            "inbox.log",
            ".lock",
            "secret.txt",
            "heron/secret.html",
            "photo.log",
            "heron/photo.log",
            "../board.html",
            "heron/../board.html",
            "heron//index.html",
            "/board.html",
            "heron/.making-1-2/photo.log",
            "heron/a.jpg/",
            "heron/a.jpg/overlay.png\0",
            "heron/./a.jpg/overlay.png",
        ] {
            assert!(!is_public(path), "{path}");
        }
    }
}
