//! The workbook against the tables it was made of: read by openpyxl (PyPI), which knows nothing of this program, where a Python has
//! it.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};

use slitwatch::settings::{english, read_words};
use slitwatch::terms::Verdict;

use crate::real::{SWEPT, shipped};

/// Makes one of the demo's results; what was said, too.
fn made(name: &str, more: &[&str]) -> (Option<Vec<u8>>, String) {
    made_with(&shipped("config/lab.yaml"), name, more)
}

/// The same with this configuration.
fn made_with(config: &Path, name: &str, more: &[&str]) -> (Option<Vec<u8>>, String) {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join(name);
    let mut command = Command::new(env!("CARGO_BIN_EXE_slitwatch"));
    command
        .args(["workbook", "--config"])
        .arg(config)
        .arg("--results")
        .arg(SWEPT.place.results())
        .arg("--out")
        .arg(&file)
        .args(more);
    let output = command.output().expect("it runs");
    let said = [output.stdout, output.stderr].concat();
    (
        fs::read(file).ok(),
        String::from_utf8_lossy(&said).into_owned(),
    )
}

#[test]
fn the_workbook_is_made_of_the_published_tables_and_is_the_same_each_time() {
    let (first, said) = made("a.xlsx", &[]);
    let first = first.expect("a workbook");
    assert!(said.contains("benches with spectra"), "{said}");
    // A ZIP archive, as ECMA-376, part 2, has it.
    assert_eq!(first[..2], *b"PK");
    assert_eq!(made("b.xlsx", &[]).0, Some(first));
    let (none, said) = made("c.xlsx", &["--session", "monday"]);
    assert!(
        none.is_none() && said.contains("keeps no sessions"),
        "{said}"
    );
}

#[test]
fn another_program_reads_in_the_workbook_what_the_tables_say() {
    let python = std::env::var("SLITWATCH_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let has = Command::new(&python)
        .args(["-c", "import openpyxl"])
        .stderr(Stdio::null())
        .status();
    if !has.is_ok_and(|status| status.success()) {
        println!("SKIPPED: no python3 with openpyxl; see tests/recovered/requirements.txt");
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let german = shipped("config/words.de.yaml");
    let text = fs::read_to_string(&german).expect("the German words");
    let in_german = read_words(&text, &german).expect("no mistakes").phrases;
    let config = folder.join("lab.yaml");
    let shipped_text = fs::read_to_string(shipped("config/lab.yaml")).expect("the settings");
    fs::write(&config, format!("{shipped_text}\nwords: {german:?}\n")).expect("it is written");
    let english_config = shipped("config/lab.yaml");
    for (config, t) in [(&english_config, english()), (&config, &in_german)] {
        let file = folder.join("class.xlsx");
        let book = made_with(config, "d.xlsx", &[]).0.expect("a workbook");
        fs::write(&file, book).expect("it is written");
        let sheets = [
            "overview",
            "lines",
            "series",
            "unknowns",
            "agreement",
            "columns",
            "wavelength",
        ];
        let output = Command::new(&python)
            .arg(shipped("tests/jobs/workbook.py"))
            .arg(&file)
            .arg(SWEPT.place.results())
            .args(sheets.map(|key| t.say(&format!("workbook.{key}"))))
            .args(Verdict::ALL.iter().map(|verdict| t.verdict(*verdict)))
            .output()
            .expect("it runs");
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        let trouble = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(output.status.success(), "{said}{trouble}");
        let n: usize = said.trim().parse().expect("a number of cells");
        assert!(n > 10_000, "{n} cells were compared");
    }
}
