//! The workbook in LibreOffice, which opens it without a window and writes down what it sees. Takes its time, so that it is part of
//! the long run: `SLITWATCH_OFFICE=1`, or the program's name in place of 1.

use std::fs;
use std::process::Command;

use crate::real::{SWEPT, rows};

/// The program, in the long run.
fn office() -> Option<String> {
    match std::env::var("SLITWATCH_OFFICE").ok()?.as_str() {
        "" | "0" => None,
        "1" => Some("soffice".to_owned()),
        named => Some(named.to_owned()),
    }
}

#[test]
fn libreoffice_opens_the_workbook_without_a_word() {
    let Some(office) = office() else {
        println!("SKIPPED: the workbook in LibreOffice, part of the long run (SLITWATCH_OFFICE=1)");
        return;
    };
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let book = folder.join("class.xlsx");
    let made = SWEPT
        .place
        .run(&["workbook", "--out", book.to_str().expect("a path")]);
    assert!(made.status.success(), "{made:?}");
    let profile = format!("-env:UserInstallation=file://{}/profile", folder.display());
    let written = |format: &str| {
        let output = Command::new(&office)
            .arg(&profile)
            .args(["--headless", "--convert-to", format, "--outdir"])
            .arg(folder)
            .arg(&book)
            .output()
            .expect("LibreOffice");
        assert!(output.status.success(), "{output:?}");
        let trouble = String::from_utf8_lossy(&output.stderr).to_lowercase();
        assert!(!trouble.contains("error"), "{trouble}");
    };
    // Of the first sheet: the overview, with a row a photo.
    written("csv:Text - txt - csv (StarCalc):44,34,76");
    let csv = fs::read_to_string(folder.join("class.csv")).expect("a table");
    let quality = rows(&fs::read(SWEPT.place.results().join("quality.csv")).expect("a table"));
    for row in &quality {
        let whole = csv.lines().find(|line| line.starts_with(&row["photo"]));
        let whole = whole.unwrap_or_else(|| panic!("{} is not on it", row["photo"]));
        assert!(whole.contains(&row["verdict"]), "{whole}");
    }
    assert!(!csv.contains("#REF") && !csv.contains("Err:"), "{csv}");
    // All sheets with their pictures, on paper.
    written("pdf");
    let pdf = fs::read(folder.join("class.pdf")).expect("a document");
    assert!(
        pdf.starts_with(b"%PDF") && pdf.len() > 100_000,
        "{}",
        pdf.len()
    );
    if let Some(kept) = std::env::var_os("LOOK_AT").filter(|kept| !kept.is_empty()) {
        fs::copy(
            folder.join("class.pdf"),
            std::path::Path::new(&kept).join("workbook.pdf"),
        )
        .expect("it is kept");
    }
}
