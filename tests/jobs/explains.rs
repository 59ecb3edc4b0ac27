//! `explain` says of a photo what a sweep says, whatever the sweep made it from.

use rayon::prelude::*;
use slitwatch::simulate::{class, draw};

use crate::real::{Place, stderr, stdout};

#[test]
fn a_bracket_counts_when_a_sample_is_explained() {
    // A bench that had the time for a bracket: its lamp, the bracket, the blank, and a solution.
    let planned = class::rehearsal(11, 2, 40, class::Discs::Ideal);
    let bench = planned
        .iter()
        .find_map(|p| p.path.split_once("/bracket").map(|(bench, _)| bench))
        .expect("a bench with a bracket");
    let is_wanted = |name: &str| {
        name == "lamp-01.jpg"
            || ["bracket", "blank", "dye-2", "neutral-2"]
                .iter()
                .any(|s| name.starts_with(s))
    };
    let wanted: Vec<_> = planned
        .iter()
        .filter(|p| {
            p.path
                .split_once('/')
                .is_some_and(|(b, name)| b == bench && is_wanted(name))
        })
        .collect();
    let place = Place::new();
    wanted.par_iter().for_each(|p| {
        let path = place.inbox().join(&p.path);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, draw(&p.shot).jpeg).unwrap();
    });
    let sample = wanted
        .iter()
        .find(|p| p.path.contains("-2mg"))
        .expect("a solution");
    let swept = place.run(&["sweep"]);
    assert_eq!(swept.status.code(), Some(0), "{}", stderr(&swept));
    let record = place.quality(&sample.path);
    let remarks = record["remarks"].as_array().unwrap();
    assert!(
        remarks
            .iter()
            .any(|r| r.as_str().unwrap().contains("from a bracket of 3 shots")),
        "{remarks:?}"
    );
    let said = stdout(&place.run(&["explain", &sample.path]));
    for remark in remarks {
        assert!(
            said.contains(remark.as_str().unwrap()),
            "{remark} is missing in\n{said}"
        );
    }
    let verdict = format!("verdict: {}", record["verdict"].as_str().unwrap());
    assert!(said.contains(&verdict), "{said}");
}
