//! README's examples, taken out of it and run as they stand there: what they come to from the published tables alone is what the
//! program publishes, to its last digit. With pandas where a Python has it, and with R where there is one.

use std::fs;
use std::process::{Command, Stdio};

use crate::real::{Place, demo_bytes, rows, shipped, stderr};

/// What three benches photograph, by the demo's names, of which the two last are shown at once as an unknown's second photo.
const PHOTOS: [&str; 6] = [
    "lamp-02",
    "blank-01",
    "dye-2mg",
    "dye-6mg",
    "dye-8mg",
    "dye-unknown",
];
/// Concentrations of two of them, which are not those of the first: invented, so that the benches differ.
const STATED: &str = "file,concentration,unit,series
knot/dye-2mg.jpg,2.1,mg,dye
knot/dye-6mg.jpg,6.2,mg,dye
knot/dye-8mg.jpg,8.3,mg,dye
tern/dye-2mg.jpg,1.9,mg,dye
tern/dye-6mg.jpg,5.9,mg,dye
tern/dye-8mg.jpg,7.8,mg,dye
";

/// The example in this language, as README has it.
fn example(language: &str) -> String {
    let readme = fs::read_to_string(shipped("README.md")).expect("README");
    let (_, rest) = readme
        .split_once(&format!("```{language}\n"))
        .unwrap_or_else(|| panic!("no example in {language}"));
    let (example, _) = rest.split_once("```").expect("its end");
    example.to_owned()
}

fn is_there(program: &str, arguments: &[&str]) -> bool {
    let status = Command::new(program)
        .args(arguments)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status();
    status.is_ok_and(|status| status.success())
}

fn class() -> Place {
    let place = Place::new();
    for photo in PHOTOS {
        for bench in ["dunlin", "knot", "tern"] {
            let bytes = demo_bytes(&format!("dunlin/{photo}.jpg"));
            place.put(&format!("{bench}/{photo}.jpg"), &bytes);
        }
    }
    let middle = demo_bytes("dunlin/dye-4mg.jpg");
    place.put("dunlin/dye-4mg.jpg", &middle);
    for bench in ["knot", "tern"] {
        place.put(&format!("{bench}/dye-unknown-2.jpg"), &middle);
    }
    fs::write(place.path("stated.csv"), STATED).expect("a table");
    let text = fs::read_to_string(shipped("config/lab.yaml")).expect("settings");
    let config = place.path("lab.yaml");
    fs::write(&config, text + "\nconcentrations: stated.csv\n").expect("settings");
    let swept = place.run(&["sweep", "--config", config.to_str().expect("a path")]);
    assert!(swept.status.success(), "{}", stderr(&swept));
    place
}

/// Every number that an example prints, against the table's cell.
fn compare(place: &Place, said: &str) {
    let table = |name: &str| rows(&fs::read(place.results().join(name)).expect("a table"));
    let said: Vec<(&str, f64)> = said
        .lines()
        .map(|line| line.split_once('\t').expect("a name and a number"))
        .map(|(name, number)| (name, number.parse().expect("a number")))
        .collect();
    let mut published: Vec<(String, String)> = Vec::new();
    for row in table("concentrations.csv") {
        if row["photo"] == "dunlin/dye-4mg.jpg" {
            published.push(("absorbance".to_owned(), row["absorbance"].clone()));
        }
    }
    for row in table("series.csv") {
        if row["bench"] == "dunlin" {
            for column in ["unknown", "unknown_sigma"] {
                published.push((column.to_owned(), row[column].clone()));
            }
        }
    }
    for row in table("class.csv") {
        if row["bench"] == "dunlin" {
            let name = format!("reproducibility_sd of {}", row["quantity"]);
            published.push((name, row["reproducibility_sd"].clone()));
        }
    }
    assert_eq!(published.len(), 7, "{published:?}");
    let repeats = table("class.csv").iter().any(|row| row["repeats"] == "2");
    assert!(repeats, "a bench with two results of one thing");
    let written: Vec<(String, String)> = said
        .iter()
        .zip(&published)
        .map(|((name, number), (_, cell))| {
            let decimals = cell.split_once('.').map_or(0, |(_, after)| after.len());
            ((*name).to_owned(), format!("{number:.decimals$}"))
        })
        .collect();
    assert_eq!(written, published);
    assert_eq!(said.len(), published.len());
}

#[test]
fn readme_s_examples_come_to_what_the_program_publishes() {
    let python = std::env::var("SLITWATCH_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let languages = [
        ("python", python.as_str(), ["-c", "import pandas, numpy"]),
        ("r", "Rscript", ["-e", "1"]),
    ];
    let mut place = None;
    for (language, program, try_it) in languages {
        let example = example(language);
        if !is_there(program, &try_it) {
            println!("SKIPPED: README's example in {language}, for {program} cannot run it");
            continue;
        }
        let place = place.get_or_insert_with(class);
        let file = place.path(&format!("example.{language}"));
        fs::write(&file, example).expect("it is written");
        let output = Command::new(program)
            .arg(&file)
            .current_dir(place.path(""))
            .output()
            .expect("it runs");
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(
            output.status.success(),
            "{language}: {said}{}",
            stderr(&output)
        );
        compare(place, &said);
        println!("{language}: {said}");
    }
}
