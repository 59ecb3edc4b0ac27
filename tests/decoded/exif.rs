//! Exif blocks that real cameras and programs wrote (`exif/README.md` says where they are from), read beside another
//! reader: never a panic, never another exposure than is in the file.

use std::fs;
use std::path::{Path, PathBuf};

use slitwatch::decode::{Facts, decode, doubts, facts};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/decoded/exif")
}

/// Names and blocks, sorted.
fn blocks() -> Vec<(String, Vec<u8>)> {
    let mut blocks: Vec<(String, Vec<u8>)> = fs::read_dir(folder())
        .expect("the blocks")
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "exif"))
        .map(|path| {
            let name = path.file_name().expect("a name").to_string_lossy();
            (name.into_owned(), fs::read(&path).expect("a block"))
        })
        .collect();
    blocks.sort();
    blocks
}

/// A JPEG with nothing in it but the block.
fn wrapped(block: &[u8]) -> Vec<u8> {
    let length = (block.len() + 8) as u16;
    [
        b"\xff\xd8\xff\xe1",
        &length.to_be_bytes()[..],
        b"Exif\0\0",
        block,
        b"\xff\xd9",
    ]
    .concat()
}

#[test]
fn a_hundred_blocks_from_the_world_state_no_wrong_exposure() {
    let table = fs::read(folder().join("expected.csv")).expect("the table");
    let mut reader = csv::Reader::from_reader(&table[..]);
    let rows: Vec<csv::StringRecord> = reader.records().map(|row| row.expect("a row")).collect();
    let blocks = blocks();
    assert!(blocks.len() >= 100, "{} blocks", blocks.len());
    assert_eq!(blocks.len(), rows.len());
    let (mut n_same, mut missed) = (0, Vec::new());
    for ((name, block), row) in blocks.iter().zip(&rows) {
        assert_eq!(name, &row[0]);
        let found = facts(&wrapped(block));
        let taken = found
            .taken
            .map(|t| t.strftime("%Y:%m:%d %H:%M:%S").to_string());
        for (what, found, column) in [
            ("exposure", found.exposure_s, 1),
            ("ISO", found.iso, 2),
            ("f-number", found.f_number, 3),
        ] {
            let expected: Option<f64> = row[column].parse().ok();
            match (found, expected) {
                // Printed with ten digits.
                (Some(found), Some(expected)) => {
                    assert!(
                        (found - expected).abs() <= 1e-9 * expected.abs(),
                        "{name}: {what} {found}, and not {expected}"
                    );
                    n_same += 1;
                }
                (Some(found), None) => panic!("{name}: {what} {found} from nowhere"),
                (None, Some(expected)) => missed.push(format!("{name}: {what} {expected}")),
                (None, None) => {}
            }
        }
        if let Some(taken) = taken
            && row[4].len() == 19
        {
            assert_eq!(taken, row[4].replace(['-', '/'], ":"), "{name}");
        }
    }
    eprintln!("{n_same} numbers agree; not read: {missed:?}");
    assert!(n_same > 150, "{n_same}");
    // What is nonsense (an exposure of 0 s, a sensitivity of 0) is absent here, and a block that is damaged on purpose gives
    // what is left of it.
    let real = missed.iter().filter(|m| !m.ends_with(" 0"));
    assert!(real.count() <= 3, "{missed:?}");
}

#[test]
fn a_block_cut_anywhere_or_with_any_byte_changed_makes_no_panic() {
    for (name, block) in blocks() {
        let header = block.len().min(600);
        for end in (0..header).step_by(7) {
            let _ = facts(&wrapped(&block[..end]));
        }
        for at in (0..header).step_by(3) {
            let mut changed = block.clone();
            changed[at] ^= 0xff;
            let found = facts(&wrapped(&changed));
            assert!(found.exposure_s.is_none_or(|s| s > 0.0), "{name}");
            assert!(found.iso.is_none_or(|iso| iso > 0.0), "{name}");
        }
    }
}

#[test]
fn a_block_in_front_of_a_picture_costs_no_picture() {
    let still = super::read("baseline-420.jpg");
    for (name, block) in blocks() {
        let wrapped = wrapped(&block);
        let bytes = [&wrapped[..wrapped.len() - 2], &still[2..]].concat();
        let (facts, frame) = decode(&bytes, super::LIMIT).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!((facts.width, facts.height), (frame.width(), frame.height()));
    }
}

/// What programs and messengers leave of a photo's facts is doubted, each with its remedy.
#[test]
fn copies_are_told_from_originals() {
    let of = |name: &str| {
        let block = fs::read(folder().join(name)).expect("a block");
        Facts {
            width: 4000,
            height: 3000,
            ..facts(&wrapped(&block))
        }
    };
    let signed: Vec<(String, Facts)> = blocks()
        .iter()
        .map(|(name, _)| (name.clone(), of(name)))
        .filter(|(_, facts)| facts.software.is_some())
        .collect();
    assert!(signed.len() > 20, "{}", signed.len());
    let mut n_edited = 0;
    for (name, facts) in signed {
        let software = facts.software.as_deref().unwrap_or_default().to_lowercase();
        let found = doubts(&facts);
        let is_edited = [
            "photoshop",
            "gimp",
            "lightroom",
            "imagemagick",
            "paint",
            "pixelmator",
        ]
        .iter()
        .any(|editor| software.contains(editor));
        let says_so = found
            .iter()
            .any(|doubt| doubt.contains("unedited original"));
        assert_eq!(is_edited, says_so, "{name}, by {software}: {found:?}");
        n_edited += usize::from(is_edited);
    }
    assert!(n_edited > 3, "{n_edited}");
    // What a messenger leaves: pixels, and no word about them.
    let bare = doubts(&Facts {
        format: "jpeg",
        width: 1600,
        height: 1200,
        ..Facts::default()
    });
    assert!(bare[0].contains("messenger") && bare[0].contains(": send"));
}
