//! The demo's tables against what `datapackage.json` says of them: by hand, and by the standard's reference validator where a
//! Python has it (`pip install frictionless`, named by `SLITWATCH_PYTHON`).

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::process::{Command, Stdio};

use serde_json::Value;

use crate::real::{Place, SWEPT, demo_bytes, shipped};

/// Header and rows of a table.
fn table(csv: &[u8]) -> (Vec<String>, Vec<Vec<String>>) {
    let mut reader = csv::Reader::from_reader(csv);
    let cells = |record: &csv::StringRecord| record.iter().map(str::to_owned).collect();
    let header = cells(reader.headers().expect("a header"));
    let rows = reader.records().map(|row| cells(&row.expect("a row")));
    (header, rows.collect())
}

fn package(tree: &BTreeMap<String, Vec<u8>>, path: &str) -> Value {
    serde_json::from_slice(&tree[path]).expect("JSON")
}

/// Header, types and cells that are never empty are as the fields of `schema` say; further fields may be missing at the end.
fn agrees(path: &str, csv: &[u8], schema: &Value) -> usize {
    let (header, rows) = table(csv);
    let fields = schema["fields"].as_array().expect("fields");
    let names = fields
        .iter()
        .map(|field| field["name"].as_str().expect("a name"));
    assert!(
        names
            .take(header.len())
            .eq(header.iter().map(String::as_str)),
        "{path}: {header:?}"
    );
    for (i, name) in header.iter().enumerate() {
        let field = &fields[i];
        assert!(
            field["description"].as_str().is_some_and(|d| d.len() > 2),
            "{path}: {name}"
        );
        let is_required = field["constraints"]["required"] == true;
        for row in &rows {
            let cell = &row[i];
            assert!(
                !(is_required && cell.is_empty()),
                "{path}: {name} in {row:?}"
            );
            let fits = match field["type"].as_str() {
                _ if cell.is_empty() => true,
                Some("number") => cell.parse::<f64>().is_ok_and(f64::is_finite),
                Some("integer") => cell.parse::<i64>().is_ok(),
                Some("boolean") => ["true", "false"].contains(&cell.as_str()),
                kind => kind == Some("string"),
            };
            assert!(fits, "{path}: {name} is {cell}");
        }
    }
    fields.len() - header.len()
}

/// The name of a file that stands in a photo's folder.
fn name_in_photo<'p>(tree: &BTreeMap<String, Vec<u8>>, path: &'p str) -> Option<&'p str> {
    let (folder, name) = path.rsplit_once('/')?;
    let is_photo = tree.contains_key(&format!("{folder}/quality.json"));
    is_photo.then_some(name)
}

#[test]
fn every_table_is_described_and_is_as_it_is_described() {
    let tree = &SWEPT.tree;
    let package = package(tree, "datapackage.json");
    let mut described = BTreeSet::new();
    for resource in package["resources"].as_array().expect("resources") {
        let path = resource["path"].as_str().expect("a path");
        assert_eq!(agrees(path, &tree[path], &resource["schema"]), 0, "{path}");
        described.insert(path);
    }
    let in_photos = package["photo_tables"]
        .as_array()
        .expect("tables of photos");
    let mut n = 0;
    for path in tree.keys().filter(|path| path.ends_with(".csv")) {
        let Some(name) = name_in_photo(tree, path) else {
            assert!(described.contains(path.as_str()), "{path}");
            continue;
        };
        let is_this = |t: &&Value| {
            t["path"]
                .as_str()
                .is_some_and(|p| p.ends_with(&format!("/{name}")))
        };
        let found = in_photos
            .iter()
            .find(is_this)
            .unwrap_or_else(|| panic!("{path}"));
        let missing = agrees(path, &tree[path], &found["schema"]);
        assert!(
            missing == 0 || missing == 4 && name == "spectrum.csv",
            "{path}"
        );
        n += 1;
    }
    assert!(n > 40 && described.len() > 12, "{n} and {described:?}");
}

#[test]
fn the_reference_validator_finds_no_fault_with_the_tables() {
    let python = std::env::var("SLITWATCH_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let run = |script: &str, argument: &str| {
        let mut command = Command::new(&python);
        command.args(["-c", script, argument]).stderr(Stdio::null());
        command
            .output()
            .ok()
            .filter(|output| output.status.success())
    };
    if run("import frictionless", "").is_none() {
        println!("SKIPPED: no python3 with frictionless (PyPI)");
        return;
    }
    let script = "import sys, frictionless\nr = frictionless.validate(sys.argv[1])\n\
                  print(len(r.tasks), r.valid, r.flatten(['name', 'type', 'note'])[:20])";
    let package = SWEPT.place.results().join("datapackage.json");
    let said = run(script, package.to_str().expect("UTF-8")).expect("a report");
    let said = String::from_utf8_lossy(&said.stdout).into_owned();
    let n: usize = said
        .split(' ')
        .next()
        .and_then(|n| n.parse().ok())
        .expect("a number");
    assert!(n > 12 && said.contains(" True []"), "{said}");
}

#[test]
fn a_bench_s_wide_table_has_the_cells_of_its_usable_spectra_and_is_saved_under_its_name() {
    let tree = &SWEPT.tree;
    for bench in ["heron", "dunlin"] {
        let (header, rows) = table(&tree[&format!("{bench}/spectra_wide.csv")]);
        assert_eq!(header[0], "wavelength_nm");
        let usable = SWEPT.rows.iter().filter(|row| {
            let is_usable = ["good", "caution"].contains(&row["verdict"].as_str());
            is_usable && row["bench"] == bench && row["scale"] == "calibrated"
        });
        let usable: BTreeSet<&str> = usable.map(|row| row["photo"].as_str()).collect();
        assert_eq!(
            header[1..]
                .iter()
                .map(String::as_str)
                .collect::<BTreeSet<_>>(),
            usable
        );
        for (i, photo) in header.iter().enumerate().skip(1) {
            let (own, spectrum) = table(&tree[&format!("{photo}/spectrum.csv")]);
            assert_eq!(own[1], "signal");
            let of_photo = spectrum
                .iter()
                .map(|row| (row[0].as_str(), row[1].as_str()));
            let wide = rows.iter().filter(|row| !row[i].is_empty());
            let wide = wide.map(|row| (row[0].as_str(), row[i].as_str()));
            assert!(
                of_photo.filter(|(_, cell)| !cell.is_empty()).eq(wide),
                "{photo}"
            );
        }
        let page = String::from_utf8(tree[&format!("{bench}/index.html")].clone()).expect("UTF-8");
        let saved = format!("href=\"spectra_wide.csv\" download=\"{bench}-spectra.csv\"");
        assert!(page.contains(&saved), "{bench}");
        let n_saved = page.matches("spectrum.csv\" download=\"").count();
        assert!(
            n_saved > 2 && n_saved == page.matches("-spectrum.csv\">").count(),
            "{bench}"
        );
    }
}

#[test]
fn spectra_that_are_to_be_taken_again_are_in_the_table_on_request_and_each_session_has_its_name_there()
 {
    let again = SWEPT.rows.iter().find(|row| {
        row["verdict"] == "retake"
            && row["scale"] == "calibrated"
            && row["calibration_photo"].contains("lamp-01")
    });
    let again = again.expect("a photo that is calibrated and to be taken again");
    let place = Place::new();
    for photo in [&again["photo"], &again["calibration_photo"]] {
        place.put(&format!("monday/{photo}"), &demo_bytes(photo));
    }
    let config = fs::read_to_string(shipped("config/lab.yaml")).unwrap();
    let mine = place.path("lab.yaml");
    let config = config.replace("all_spectra: false", "all_spectra: true");
    fs::write(&mine, config.replace("  by: none", "  by: folder")).unwrap();
    let output = place.run(&["sweep", "--config", mine.to_str().unwrap()]);
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        crate::real::stderr(&output)
    );
    let rows = place.rows("monday/spectra.csv");
    let verdicts: BTreeSet<&str> = rows.iter().map(|row| row["verdict"].as_str()).collect();
    assert!(verdicts.contains("retake"), "{verdicts:?}");
    for table in ["spectra.csv", "quality.csv"] {
        let rows = place.rows(&format!("monday/{table}"));
        assert!(
            !rows.is_empty() && rows.iter().all(|row| row["session"] == "monday"),
            "{table}"
        );
    }
    let package = package(&place.tree(), "monday/datapackage.json");
    assert!(
        package["resources"]
            .as_array()
            .is_some_and(|r| r.len() > 10)
    );
}
