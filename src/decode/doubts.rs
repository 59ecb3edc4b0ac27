//! Finds signs in a file's own facts that it is not the camera's original: edited, copied through a messenger, or a
//! screenshot. Doubts never refuse a photo; each comes with the remedy.

use super::facts::Facts;

/// Words by which programs that change pixels sign their work, in lower case. Cameras' own software is seldom
/// called by any of these.
const EDITORS: &[&str] = &[
    "editor",
    "photoshop",
    "lightroom",
    "gimp",
    "snapseed",
    "paint",
    "imagemagick",
    "darktable",
    "rawtherapee",
    "affinity",
    "picsart",
    "pixelmator",
    "canva",
    "vsco",
    "filter",
];

/// Words by which screenshots sign, in lower case.
const SCREENSHOTS: &[&str] = &["screenshot", "screen shot", "screen capture", "snipping"];

/// Fewer pixels than any phone's rear camera has delivered at full size for years; messengers send about 2 million
/// or fewer (common practice, no source).
const SMALL_PIXELS: usize = 3_000_000;

/// Cautions about a photo's origin, each a sentence with its remedy; empty where the file looks like an original.
pub fn doubts(facts: &Facts) -> Vec<String> {
    let mut doubts = Vec::new();
    let signed = facts.software.as_deref().unwrap_or_default();
    let signed_lower = signed.to_lowercase();
    let signed_by = |words: &[&str]| words.iter().any(|w| signed_lower.contains(w));
    let camera_known = facts.make.is_some() || facts.model.is_some();
    let exposure_known = facts.exposure_s.is_some() || facts.iso.is_some();
    let pixels = facts.width * facts.height;

    if signed_by(SCREENSHOTS)
        || (matches!(facts.format, "png" | "webp") && !camera_known && !exposure_known)
    {
        doubts.push(
            "looks like a screenshot or an export, whose pixels are not the camera's: upload the photo itself"
                .to_owned(),
        );
    } else if signed_by(EDITORS) {
        doubts.push(format!(
            "was saved by \u{201c}{signed}\u{201d}, and edits change the light: upload the unedited original"
        ));
    } else if !camera_known && !exposure_known {
        doubts.push(
            "carries no camera data, as copies sent through a messenger or saved from a page do not: \
             send the original as a file, or through the class's upload folder"
                .to_owned(),
        );
    } else if !exposure_known {
        doubts.push(
            "does not state its exposure, so it cannot be compared with a blank: upload the original, \
             taken with the phone's own camera app"
                .to_owned(),
        );
    }
    if pixels > 0 && pixels < SMALL_PIXELS && doubts.is_empty() {
        doubts.push(format!(
            "has only {} × {} pixels, fewer than phones take: set the camera and the upload to full size",
            facts.width, facts.height
        ));
    }
    doubts
}

#[cfg(test)]
mod tests {
    use super::*;

    fn original() -> Facts {
        Facts {
            exposure_s: Some(1.0 / 60.0),
            iso: Some(100.0),
            make: Some("Harbour Works".into()),
            model: Some("Tern 3".into()),
            software: Some("Tern 3.1.7".into()),
            width: 4000,
            height: 3000,
            format: "jpeg",
            orientation: 1,
            ..Facts::default()
        }
    }

    #[test]
    fn a_camera_original_raises_no_doubt() {
        assert_eq!(doubts(&original()), Vec::<String>::new());
        let bare = Facts {
            software: None,
            ..original()
        };
        assert_eq!(doubts(&bare), Vec::<String>::new());
    }

    #[test]
    fn every_sign_of_a_copy_gives_one_caution_with_its_remedy() {
        let edited = Facts {
            software: Some("GIMP 2.10".into()),
            ..original()
        };
        let messenger = Facts {
            width: 1600,
            height: 1200,
            format: "jpeg",
            ..Facts::default()
        };
        let screenshot = Facts {
            width: 1080,
            height: 2400,
            format: "png",
            ..Facts::default()
        };
        let unexposed = Facts {
            exposure_s: None,
            iso: None,
            ..original()
        };
        let scaled = Facts {
            width: 1600,
            height: 1200,
            ..original()
        };
        for (facts, word) in [
            (edited, "GIMP 2.10"),
            (messenger, "messenger"),
            (screenshot, "screenshot"),
            (unexposed, "exposure"),
            (scaled, "1600 × 1200"),
        ] {
            let found = doubts(&facts);
            assert_eq!(found.len(), 1, "{word}: {found:?}");
            assert!(found[0].contains(word), "{word}: {found:?}");
            assert!(found[0].contains(": "), "no remedy in {found:?}");
        }
    }
}
