//! The configuration is edited while the program runs: what is sound counts from then on, what is not is reported.

use std::fs;

use crate::real::{Place, demo_bytes, shipped};

/// The shipped configuration, made to look at the inbox often.
pub fn quick_configuration() -> String {
    let text = fs::read_to_string(shipped("config/lab.yaml")).unwrap();
    let text = text
        .replace("settle_s: 2 ", "settle_s: 0.2 ")
        .replace("rescan_s: 5 ", "rescan_s: 0.5 ");
    assert!(text.contains("settle_s: 0.2 ") && text.contains("rescan_s: 0.5 "));
    text
}

/// Hash of the configuration that a photo's results were made by; absent where there are none yet.
fn made_by(place: &Place, photo: &str) -> Option<String> {
    let path = place.results().join(photo).join("quality.json");
    let quality: serde_json::Value = serde_json::from_slice(&fs::read(path).ok()?).ok()?;
    let hash = &quality["provenance"]["configuration_hash"];
    Some(hash.as_str()?.to_owned())
}

#[test]
fn an_edit_counts_at_once_and_a_faulty_one_is_reported_and_changes_nothing() {
    let place = Place::new();
    place.put("heron/lamp-01.jpg", &demo_bytes("heron/lamp-01.jpg"));
    place.put("heron/notes.txt", b"the lamp at the ferry steps");
    let config = place.path("lab.yaml");
    let words = place.path("words.en.yaml");
    let shipped_words = fs::read_to_string(shipped("config/words.en.yaml")).unwrap();
    fs::write(&words, &shipped_words).unwrap();
    let text = quick_configuration();
    let text = text + "\nwords: words.en.yaml\n";
    fs::write(&config, &text).unwrap();
    let daemon = place.start(&["watch", "--config", config.to_str().unwrap()]);
    let hash = || made_by(&place, "heron/lamp-01.jpg");
    place.wait_for("the lamp", || hash().is_some());
    let first = hash().unwrap();
    let said = || fs::read_to_string(place.path("stderr")).unwrap_or_default();

    fs::write(&config, text.replace("capture: blank", "capture: blink")).unwrap();
    place.wait_for("a word on it", || said().contains("blink"));
    assert!(said().contains("the old one stays in force"), "{}", said());
    // Photos go on by the old one.
    place.put("heron/more.txt", b"a second note");
    place.wait_for("the note", || {
        place.results().join("heron/more.txt/quality.json").exists()
    });
    assert_eq!(hash().unwrap(), first);

    let stricter = text.replacen("caution: 0.01", "caution: 0.011", 1);
    assert_ne!(stricter, text);
    fs::write(&config, &stricter).unwrap();
    place.wait_for("the new limit", || hash().is_some_and(|hash| hash != first));
    let second = hash().unwrap();

    // The advice stands in a file that the configuration names.
    let advice = shipped_words.replacen("phone", "telephone", 1);
    assert_ne!(advice, shipped_words);
    fs::write(&words, &advice).unwrap();
    place.wait_for("the new words", || {
        hash().is_some_and(|hash| hash != second)
    });
    fs::write(&words, "not: [whole").unwrap();
    place.wait_for("a word on the words", || said().contains("words.en.yaml"));
    assert_eq!(daemon.stop(), Some(0));
}

/// A file that the configuration names goes away; the next edit, which names another or none, still counts.
#[test]
fn a_named_file_that_vanishes_is_reported_and_the_next_edit_counts() {
    let place = Place::new();
    place.put("heron/notes.txt", b"the lamp at the ferry steps");
    let (config, words) = (place.path("lab.yaml"), place.path("words.en.yaml"));
    let shipped_words = fs::read_to_string(shipped("config/words.en.yaml")).unwrap();
    fs::write(&words, &shipped_words).unwrap();
    let text = quick_configuration();
    fs::write(&config, format!("{text}\nwords: words.en.yaml\n")).unwrap();
    let daemon = place.start(&["watch", "--config", config.to_str().unwrap()]);
    let hash = || made_by(&place, "heron/notes.txt");
    place.wait_for("the note", || hash().is_some());
    let first = hash();
    let said = || fs::read_to_string(place.path("stderr")).unwrap_or_default();
    fs::remove_file(&words).unwrap();
    place.wait_for_s(30, "a word on it", || said().contains("words.en.yaml"));
    let stricter = text.replacen("caution: 0.01", "caution: 0.011", 1);
    fs::write(&config, &stricter).unwrap();
    place.wait_for_s(30, "the new limit", || hash() != first);
    let second = hash();
    // A faulty file that only the faulty edit names is put right by itself.
    let better = shipped_words.replacen("phone", "telephone", 1);
    fs::write(place.path("new.yaml"), "not: [whole").unwrap();
    fs::write(&config, format!("{stricter}\nwords: new.yaml\n")).unwrap();
    place.wait_for_s(30, "a word on it", || said().contains("new.yaml"));
    fs::write(place.path("new.yaml"), better).unwrap();
    place.wait_for_s(30, "the new words", || hash() != second);
    assert_eq!(daemon.stop(), Some(0));
}

/// Small files that unfold: 9⁹ aliases, a hundred thousand of one, brackets in brackets.
#[test]
fn a_configuration_that_would_unfold_is_refused_at_once() {
    let place = Place::new();
    fs::create_dir_all(place.inbox()).unwrap();
    let mut laughs = "a: &a [x, x, x, x, x, x, x, x, x]\n".to_owned();
    for (of, name) in ["ab", "bc", "cd", "de", "ef", "fg", "gh", "hi"]
        .iter()
        .map(|pair| pair.split_at(1))
    {
        let nine = vec![format!("*{of}"); 9].join(", ");
        laughs += &format!("{name}: &{name} [{nine}]\n");
    }
    let aliases = format!(
        "a: &a [{}]\nb: [{}]\n",
        "x, ".repeat(100),
        "*a, ".repeat(50_000)
    );
    let brackets = format!("rules: {}\n", "[".repeat(20_000));
    let zeros = "\0".repeat(100_000);
    for (name, text) in [
        ("laughs", &laughs),
        ("aliases", &aliases),
        ("brackets", &brackets),
        ("zeros", &zeros),
    ] {
        let config = place.path("bomb.yaml");
        fs::write(&config, text).unwrap();
        let began = std::time::Instant::now();
        let output = place.run(&["check", "--config", config.to_str().unwrap()]);
        assert_eq!(output.status.code(), Some(2), "{name}");
        let said = crate::real::stderr(&output);
        assert!(said.contains("bomb.yaml:"), "{name}: {said}");
        assert!(
            said.len() < 100_000,
            "{name}: {} bytes of words",
            said.len()
        );
        assert!(
            began.elapsed().as_secs() < 5,
            "{name}: {:?}",
            began.elapsed()
        );
    }
}
