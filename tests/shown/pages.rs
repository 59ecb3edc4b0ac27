//! Board and bench pages as documents: well-formed, shut off from the outside, and full of text only.

use slitwatch::settings::english;
use slitwatch::terms::Quantity;
use std::collections::BTreeMap;

use roxmltree::{Document, Node, ParsingOptions};
use slitwatch::publish::record::Record;
use slitwatch::report::{Inputs, summaries};

use slitwatch::classify::Expectations;
use slitwatch::settings::load_text;

use crate::in_memory::InMemory;

use crate::sample;

fn pages(records: &[Record], now: Option<&str>) -> BTreeMap<String, String> {
    pages_of(records, now, &Expectations::default())
}

fn pages_of(
    records: &[Record],
    now: Option<&str>,
    expected: &Expectations,
) -> BTreeMap<String, String> {
    let photos = sample::shown(records);
    let inputs = Inputs {
        title: "Lamps <along> the \"quay\" & mole",
        session: "",
        all_spectra: false,
        photos: &photos,
        stated: &Default::default(),
        expected,
        phrases: english(),
        now: now.map(str::to_owned),
        refresh_s: 3,
    };
    let mut files = InMemory::default();
    summaries(&inputs, |_| None, &mut files);
    files
        .0
        .into_iter()
        .filter(|(name, _)| name.ends_with(".html"))
        .map(|(name, bytes)| (name, String::from_utf8(bytes).unwrap()))
        .collect()
}

/// The page read as XML, which it also is, apart from its first line.
fn tree(page: &str) -> Document<'_> {
    let body = page.strip_prefix("<!doctype html>\n").unwrap();
    Document::parse_with_options(body, ParsingOptions::default()).unwrap()
}

fn elements<'a>(doc: &'a Document<'a>, tag: &'a str) -> impl Iterator<Item = Node<'a, 'a>> {
    doc.descendants().filter(move |n| n.has_tag_name(tag))
}

#[test]
fn every_page_is_well_formed_whatever_the_names() {
    for (name, page) in pages(&sample::nasty_class(), Some("<18:00>")) {
        let doc = tree(&page);
        assert_eq!(elements(&doc, "h1").count(), 1, "{name}");
        assert_eq!(doc.root_element().attribute("lang"), Some("en"), "{name}");
    }
}

/// The one script that a page may have.
fn watched_script(page: &str) -> Option<&'static str> {
    match page {
        "board.html" => Some("watched.js"),
        page if page.ends_with("/index.html") => Some("../watched.js"),
        _ => None,
    }
}

#[test]
fn names_are_text_and_never_markup() {
    let mut checked = 0;
    for (page_name, page) in pages(&sample::nasty_class(), None) {
        let doc = tree(&page);
        // Board and bench pages have one script, which stands in a file of its own, and no other can run.
        let scripts: Vec<_> = elements(&doc, "script").collect();
        let own = watched_script(&page_name);
        assert_eq!(scripts.len(), usize::from(own.is_some()), "{page_name}");
        for script in scripts {
            assert_eq!(script.attribute("src"), own, "{page_name}");
            assert_eq!(script.text(), None, "{page_name}");
        }
        for forbidden in ["iframe", "object", "form", "link", "base"] {
            assert_eq!(
                elements(&doc, forbidden).count(),
                0,
                "{page_name}: {forbidden}"
            );
        }
        for node in doc.descendants() {
            for attribute in node.attributes() {
                assert!(!attribute.name().starts_with("on"), "{page_name}");
            }
        }
        // The bench's own page shows every name in full; control characters are made visible.
        if page_name == "heron/index.html" {
            let shown: Vec<&str> = elements(&doc, "bdi").filter_map(|n| n.text()).collect();
            for name in sample::nasty_names().into_iter().step_by(2) {
                let name = name.replace('\u{7}', "\u{fffd}").replace('\n', " ");
                let last = name.rsplit('/').next().unwrap();
                assert!(shown.contains(&last), "{last} in {shown:?}");
                checked += 1;
            }
        }
    }
    assert_eq!(checked, 5);
}

#[test]
fn nothing_outside_is_asked_for() {
    for (name, page) in pages(&sample::nasty_class(), None) {
        let doc = tree(&page);
        let policy = elements(&doc, "meta")
            .find(|m| m.attribute("http-equiv") == Some("Content-Security-Policy"))
            .and_then(|m| m.attribute("content"));
        let mut expected =
            "default-src 'none'; img-src 'self' data:; style-src 'unsafe-inline'".to_owned();
        if watched_script(&name).is_some() {
            expected += "; script-src 'self'";
        }
        assert_eq!(policy, Some(expected.as_str()), "{name}");
        for node in doc.descendants() {
            for key in ["href", "src"] {
                let Some(link) = node.attribute(key) else {
                    continue;
                };
                let is_relative = !link.contains(':') && !link.starts_with('/');
                assert!(is_relative, "{name}: {link}");
                assert!(
                    link.is_ascii() && !link.contains(['<', '"', ' ', '\\']),
                    "{link}"
                );
            }
        }
        assert!(!page.contains("url("), "{name}");
        assert!(!page.contains("@import"), "{name}");
    }
}

#[test]
fn links_lead_to_folders_that_exist() {
    let records = sample::nasty_class();
    for (name, page) in pages(&records, None) {
        let here = name.rsplit_once('/').map_or("", |(folder, _)| folder);
        let doc = tree(&page);
        for link in elements(&doc, "a").filter_map(|a| a.attribute("href")) {
            if link == "../board.html" {
                continue;
            }
            let decoded = decoded(link);
            let full = if here.is_empty() {
                decoded
            } else {
                format!("{here}/{decoded}")
            };
            let Some((folder, _)) = full.rsplit_once('/') else {
                assert!(["board.html", "class.html", "class.csv"].contains(&full.as_str()));
                continue;
            };
            let exists = records
                .iter()
                .any(|r| r.photo == folder || r.photo.split('/').next() == Some(folder));
            assert!(exists, "{name}: {link} means {folder}");
        }
    }
}

/// Percent-decoding, RFC 3986, 2.1.
fn decoded(link: &str) -> String {
    let mut bytes = Vec::new();
    let mut rest = link.as_bytes();
    while let Some((&byte, after)) = rest.split_first() {
        rest = after;
        if byte == b'%' {
            let hex = std::str::from_utf8(&rest[..2]).unwrap();
            bytes.push(u8::from_str_radix(hex, 16).unwrap());
            rest = &rest[2..];
        } else {
            bytes.push(byte);
        }
    }
    String::from_utf8(bytes).unwrap()
}

#[test]
fn every_picture_says_in_words_what_it_shows() {
    for (name, page) in pages(&sample::class(), None) {
        let doc = tree(&page);
        for img in elements(&doc, "img") {
            let alt = img.attribute("alt").unwrap_or_default();
            assert!(alt.len() > 20 && alt.contains("erdict"), "{name}: {alt}");
        }
        for svg in elements(&doc, "svg").filter(|s| s.attribute("role") == Some("img")) {
            assert!(
                svg.attribute("aria-label").is_some_and(|l| !l.is_empty()),
                "{name}"
            );
        }
        // A sign never stands for a state alone: words follow or it has a name.
        for ol in ["fleet", "calls"] {
            for item in doc
                .descendants()
                .filter(|n| n.attribute("class") == Some(ol))
            {
                let text: String = item.descendants().filter_map(|n| n.text()).collect();
                assert!(
                    text.contains("sound") || text.contains("retake") || text.contains("lines")
                );
            }
        }
    }
}

#[test]
fn cautions_stand_on_every_page() {
    for (name, page) in pages(&sample::class(), None) {
        for word in [
            "Sun:",
            "Lasers:",
            "Ultraviolet:",
            "Mains:",
            "Mercury:",
            "Blades:",
            "Local rules and the person responsible",
        ] {
            assert!(page.contains(word), "{name}: {word}");
        }
    }
}

#[test]
fn only_the_board_s_clock_differs_between_two_drawings() {
    let records = sample::class();
    let mut backwards = records.clone();
    backwards.reverse();
    let early = pages(&records, Some("18:00:00"));
    let late = pages(&backwards, Some("19:30:59"));
    assert_eq!(
        early.keys().collect::<Vec<_>>(),
        late.keys().collect::<Vec<_>>()
    );
    for (name, page) in &early {
        if name != "board.html" {
            assert_eq!(page, &late[name], "{name}");
            continue;
        }
        let cut = |page: &str| {
            let from = page.find("<time id=\"clock\">").unwrap();
            let to = from + page[from..].find("</time>").unwrap();
            format!("{}{}", &page[..from], &page[to..])
        };
        assert_ne!(page, &late[name]);
        assert_eq!(cut(page), cut(&late[name]));
    }
}

#[test]
fn the_board_calls_the_benches_that_must_act_and_no_other() {
    let board = &pages(&sample::class(), None)["board.html"];
    let doc = tree(board);
    let calls: Vec<String> = doc
        .descendants()
        .filter(|n| n.attribute("class").is_some_and(|c| c.starts_with("call ")))
        .map(|n| n.descendants().filter_map(|n| n.text()).collect())
        .collect();
    let order: Vec<&str> = calls
        .iter()
        .map(|c| {
            let name = sample::BIRDS.iter().find(|b| c.contains(**b));
            *name.unwrap()
        })
        .collect();
    // Without a scale first; then by name; then who only waits for a lamp photo.
    assert_eq!(
        order,
        ["curlew", "avocet", "dunlin", "turnstone", "redshank"]
    );
    assert!(calls[1].contains("Halve the exposure time"));
    assert!(calls[4].contains("2 photos wait for a scale"));
    // The out-of-focus lamp photos were followed by good ones: nobody need act on them.
    assert!(!board.contains("Tap on the slit"));
}

#[test]
fn board_and_bench_pages_say_what_is_still_missing_and_until_when() {
    let shipped = include_str!("../../config/lab.yaml");
    let more = "expect:\n  all: [calibration, {label: 'dye-?', count: 2}]\n  heron: [quay-lamp, {label: mole-head, say: the mole}]\n  \
                knot: [blank]\nends_at: 20:30\n";
    let text = format!("{shipped}\n{more}");
    let settings = load_text(&text, std::path::Path::new("lab.yaml")).unwrap();
    let records = sample::class();
    let pages = pages_of(&records, None, &settings.expected);
    let texts = |page: &str, class: &str| -> Vec<String> {
        let doc = tree(page);
        let found = doc
            .descendants()
            .filter(|n| n.attribute("class") == Some(class));
        found
            .map(|n| {
                n.descendants()
                    .filter(Node::is_text)
                    .filter_map(|n| n.text())
                    .collect()
            })
            .collect()
    };
    let missing = |bench: &str| texts(&pages[&format!("{bench}/index.html")], "missing");
    // A lamp photo that is to be taken again, and one that waits, are not the same thing.
    assert_eq!(missing("curlew"), ["lampdye-? (0 of 2)"]);
    assert_eq!(missing("heron"), ["quay-lamp"]);
    assert_eq!(missing("dunlin"), [""; 0]);
    let board = &pages["board.html"];
    let to_come = texts(board, "full");
    assert_eq!(
        to_come,
        [
            "to come: lamp, dye-? (0 of 2)",
            "to come: quay-lamp",
            "to come: lamp, dye-? (0 of 2)"
        ]
    );
    assert!(board.contains("nothing yet from knot"));
    for page in [board, &pages["heron/index.html"]] {
        assert!(page.contains("data-at=\"20:30\"") && page.contains("until 20:30"));
    }
    assert!(!pages["dunlin/index.html"].contains("20:30"));
}

#[test]
fn sixty_benches_and_two_thousand_photos_fit_the_board() {
    let records = sample::crowd();
    assert!(records.len() > 2000);
    let start = std::time::Instant::now();
    let pages = pages(&records, Some("18:00:00"));
    let took = start.elapsed().as_secs_f64();
    let board = &pages["board.html"];
    println!(
        "board {} kB, all pages and tables in {took:.2} s",
        board.len() / 1000
    );
    assert!(board.len() < 500_000, "{} bytes", board.len());
    // A second for the board alone is promised; all 122 pages and the tables are drawn here.
    assert!(took < 3.0, "{took} s");
    // The board, the benches compared, and two pages a bench.
    assert_eq!(pages.len(), 122);
}

#[test]
fn the_calibration_page_shows_the_lines_the_scale_and_every_lamp_photo() {
    let records = sample::class();
    let pages = pages(&records, None);
    let page = &pages["heron/calibration.html"];
    let doc = tree(page);
    let drawn: Vec<&str> = elements(&doc, "svg")
        .filter_map(|s| s.attribute("aria-label"))
        .collect();
    assert!(
        drawn.iter().any(|l| l.starts_with("Residuals of")),
        "{drawn:?}"
    );
    let words: String = doc.descendants().filter_map(|n| n.text()).collect();
    let mut lamps = 0;
    for r in records.iter().filter(|r| r.bench == "heron") {
        let name = r.photo.rsplit('/').next().unwrap();
        let is_lamp = r.capture == Some(slitwatch::terms::Capture::Calibration);
        assert_eq!(words.contains(name), is_lamp, "{name}");
        lamps += usize::from(is_lamp);
    }
    assert!(lamps >= 2);
    // Each line of the scale in use has its row, with a residual and an uncertainty of as many digits.
    let scale = records
        .iter()
        .rev()
        .find_map(|r| r.calibration.as_ref().filter(|_| r.bench == "heron"))
        .unwrap();
    let rows: Vec<Vec<String>> = elements(&doc, "tr")
        .skip(1)
        .map(|row| {
            row.children()
                .filter(Node::is_element)
                .map(|cell| {
                    let texts = cell.descendants().filter(Node::is_text);
                    texts.filter_map(|n| n.text()).collect()
                })
                .collect()
        })
        .collect();
    assert_eq!(rows.len(), scale.lines.len());
    for row in &rows {
        let decimals = |text: &str| text.split_once('.').map_or(0, |(_, after)| after.len());
        assert_eq!(decimals(&row[3]), decimals(&row[4]), "{row:?}");
    }
    let without = &pages["redshank/calibration.html"];
    assert!(without.contains("no scale yet") && without.contains("2 photos wait"));
}

#[test]
fn an_empty_class_has_a_board() {
    let pages = pages(&[], Some("18:00:00"));
    assert_eq!(
        pages.keys().collect::<Vec<_>>(),
        ["board.html", "class.html"]
    );
    tree(&pages["board.html"]);
    assert!(pages["class.html"].contains("No lamp has been measured on two benches yet"));
    assert!(pages["board.html"].contains("0 of 0 photos"));
}

#[test]
fn the_instrument_s_section_says_how_slit_and_tube_are() {
    let bench = |change: &dyn Fn(&mut Record)| -> String {
        let mut records = sample::class();
        let bird = records[0].bench.clone();
        records.retain(|r| r.bench == bird);
        records.iter_mut().for_each(change);
        pages(&records, None)
            .remove(&format!("{bird}/index.html"))
            .unwrap()
    };
    let shows = |page: &str, texts: &[&str]| {
        let doc = tree(page);
        let said: Vec<&str> = elements(&doc, "dd").filter_map(|n| n.text()).collect();
        for text in texts {
            assert!(said.contains(text), "{text} in {said:?}");
        }
    };
    shows(
        &bench(&|_| {}),
        &[
            "188 ± 51 µm, from 5 photos",
            "64 ± 18 µm wider at the top",
            "2.1 ± 0.4 % of the light, 3 streaks",
            "31.0 ± 2.0 % of the light",
            "0.210 %, most at the right",
        ],
    );
    // A slit that lies, whose width is open, with one grain on it and blades that may well be parallel.
    let lying = bench(&|r| {
        r.metrics.order_side = Some("above".into());
        r.metrics.note(Quantity::SlitWidthUm, None);
        r.metrics.set(Quantity::SlitWidthAtMostUm, 340.0);
        r.metrics.note(Quantity::SlitWedgeUm, sample::e(30.0, 18.0));
        r.metrics.set(Quantity::DustStreaks, 1.0);
        r.metrics.note(Quantity::LeakX, sample::e(0.5, 0.09));
    });
    shows(
        &lying,
        &[
            "at most 340 µm",
            "parallel within 36 µm",
            "2.1 ± 0.4 % of the light, 1 streak",
            "0.210 %",
        ],
    );
}
