//! Verdict cards for the galleries of the benches' phones: drawn on request, kept up to date, and never measured when a
//! phone sends them back.

use std::fs;

use crate::real::{Place, shipped, stderr};

/// The shipped configuration with cards.
fn with_cards(place: &Place) -> String {
    let text = fs::read_to_string(shipped("config/lab.yaml")).expect("the shipped configuration");
    let text = text.replace("\n  cards: false", "\n  cards: true");
    assert!(text.contains("\n  cards: true"));
    let path = place.path("cards.yaml");
    fs::write(&path, text).expect("a configuration");
    path.to_string_lossy().into_owned()
}

#[test]
fn a_card_tells_each_verdict_and_is_no_photo_when_it_comes_back() {
    let place = Place::new();
    place.put_demo(|photo| photo == "heron/lamp-01.jpg");
    place.put("heron/late/broken.jpg", b"not a picture");
    place.put("heron/notes.txt", b"a note");
    let config = with_cards(&place);
    let sweep = |config: Option<&str>| {
        let mut arguments = vec!["sweep"];
        arguments.extend(config.map(|_| "--config"));
        arguments.extend(config);
        let output = place.run(&arguments);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let mut cards: Vec<String> = place
            .tree()
            .into_keys()
            .filter(|path| path.contains("/cards/"))
            .collect();
        cards.sort();
        cards
    };
    let expected = [
        "heron/cards/lamp-01.jpg.card.png",
        "heron/cards/late·broken.jpg.card.png",
    ];
    assert_eq!(sweep(Some(&config)), expected);
    let card = fs::read(place.results().join(expected[0])).expect("a card");
    let picture = image::load_from_memory(&card).expect("a picture");
    assert_eq!((picture.width(), picture.height()), (480, 480));

    // A phone uploads its whole gallery, under the name it was given or one of its own making.
    place.put("heron/lamp-01.jpg.card.png", &card);
    place.put("heron/lamp-01.jpg.card (1).png", &card);
    assert_eq!(sweep(Some(&config)), expected, "no card for a card");
    let rows = place.rows("quality.csv");
    let verdict = |photo: &str| {
        let row = rows.iter().find(|row| row["photo"] == photo);
        row.map(|row| row["verdict"].as_str())
    };
    assert_eq!(verdict("heron/lamp-01.jpg.card.png"), Some("ignored"));
    assert_eq!(verdict("heron/lamp-01.jpg.card (1).png"), Some("ignored"));
    assert_eq!(verdict("heron/lamp-01.jpg"), Some("good"));

    // As shipped there are none: those that stand are taken away.
    assert!(sweep(None).is_empty());
    assert!(!place.results().join("heron/cards").exists());
}
