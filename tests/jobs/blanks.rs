//! A blank photographed several times: what its samples are compared with is the mean of those that agree, whatever the order
//! in which they come, and one that comes or goes costs its samples no second look.

use std::collections::BTreeMap;
use std::fs;
use std::sync::LazyLock;

use jiff::ToSpan;
use slitwatch::simulate::light::Dye;
use slitwatch::simulate::{Exposure, Shot, draw};

use crate::costs::smaller;
use crate::evening;
use crate::real::{Place, assert_same_tree, stderr};

/// The demo's bench with a dilution series, drawn small: its blank, three more of it, of which the last has a dye in the light,
/// and three solutions.
static DRAWN: LazyLock<BTreeMap<String, Vec<u8>>> = LazyLock::new(|| {
    let planned = evening::class().into_iter();
    let planned: BTreeMap<String, Shot> = planned.map(|p| (p.path, p.shot)).collect();
    let of_demo = |name: &str| {
        let mut shot = planned[&format!("dunlin/{name}")].clone();
        smaller(&mut shot);
        (format!("dunlin/{name}"), shot)
    };
    let names = ["lamp-02.jpg", "dye-2mg.jpg", "dye-4mg.jpg", "dye-6mg.jpg"];
    let mut shots: Vec<(String, Shot)> = names.into_iter().map(of_demo).collect();
    let (first, blank) = of_demo("blank-01.jpg");
    let (time_s, iso) = blank.exposure_settings();
    for k in 2..=4 {
        let mut again = blank.clone();
        again.seed += k;
        again.taken = again.taken.saturating_add((30 * k as i64).seconds());
        again.exposure = Exposure::Set(time_s, iso);
        if k == 4 {
            again.light = again.light.through(Dye::Red, 3.0);
        }
        shots.push((format!("dunlin/blank-{k:02}.jpg"), again));
    }
    shots.push((first, blank));
    std::thread::scope(|scope| {
        let draw = |(path, shot)| scope.spawn(move || (path, draw(&shot).jpeg));
        let drawing: Vec<_> = shots.into_iter().map(draw).collect();
        let drawn = drawing.into_iter().map(|d| d.join().expect("drawn"));
        drawn.collect()
    })
});

fn put(place: &Place, path: &str) {
    place.put(path, &DRAWN[path]);
}

/// Sweeps, and returns how many photos were measured.
fn sweep(place: &Place) -> usize {
    let output = place.run(&["sweep"]);
    let said = stderr(&output);
    assert!(output.status.success(), "{said}");
    let last = said.lines().last().unwrap_or_default();
    let before = last.split(" measured").next().unwrap_or_default();
    let number = before.rsplit(' ').next().unwrap_or_default();
    number.parse().unwrap_or(0)
}

/// A sample's absorbance and its uncertainty, the means between 620 and 660 nm, where the dye is clear and the tone curve takes no
/// part, and how rough the absorbance is from row to row.
fn absorbance(place: &Place, photo: &str) -> [f64; 3] {
    let rows = place.rows(&format!("{photo}/spectrum.csv"));
    let column = |name: &str| -> Vec<f64> {
        let of_band = rows.iter().filter(|row| {
            let nm: f64 = row["wavelength_nm"].parse().expect("a wavelength");
            (620.0..=660.0).contains(&nm)
        });
        of_band
            .map(|row| row[name].parse().unwrap_or(0.0))
            .collect()
    };
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let (a, sigma) = (column("absorbance"), column("absorbance_sigma"));
    let steps: Vec<f64> = a.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
    [mean(&a), mean(&sigma), mean(&steps)]
}

#[test]
fn repeated_blanks_are_averaged_and_one_that_is_none_costs_only_itself() {
    let place = Place::new();
    for name in ["lamp-02", "blank-01", "dye-2mg", "dye-4mg", "dye-6mg"] {
        put(&place, &format!("dunlin/{name}.jpg"));
    }
    assert_eq!(sweep(&place), 5);
    let [before, sigma_before, rough_before] = absorbance(&place, "dunlin/dye-4mg.jpg");

    // Each is measured itself; its samples are only compared anew.
    for (k, name) in ["blank-02", "blank-03", "blank-04"].iter().enumerate() {
        put(&place, &format!("dunlin/{name}.jpg"));
        assert_eq!(sweep(&place), 1, "{name}, number {k}");
    }
    let quality = place.quality("dunlin/dye-4mg.jpg");
    let blanks = quality["provenance"]["blank"].as_object().expect("blanks");
    assert_eq!(blanks.len(), 4, "{blanks:?}");
    let remarks = quality["remarks"].to_string();
    let mean = "compared with the mean of 3 blanks: ";
    assert!(remarks.contains(mean), "{remarks}");
    let left_out = "the blank dunlin/blank-04.jpg is not averaged with the others";
    assert!(remarks.contains(left_out), "{remarks}");
    let [now, sigma, rough] = absorbance(&place, "dunlin/dye-4mg.jpg");
    println!(
        "absorbance {before:.4} ± {sigma_before:.4}, rough by {rough_before:.5}; of three {now:.4} ± {sigma:.4}, {rough:.5}"
    );
    assert!((now - before).abs() < 2.0 * sigma_before && sigma < sigma_before);
    assert!(rough < rough_before, "{rough} of {rough_before}");

    // Any other order makes the same tree.
    for order in [
        [
            "blank-04", "dye-6mg", "blank-02", "dye-2mg", "blank-01", "lamp-02", "dye-4mg",
            "blank-03",
        ],
        [
            "dye-4mg", "lamp-02", "blank-03", "blank-01", "dye-6mg", "blank-04", "dye-2mg",
            "blank-02",
        ],
    ] {
        let other = Place::new();
        for (k, name) in order.iter().enumerate() {
            put(&other, &format!("dunlin/{name}.jpg"));
            if k % 3 == 1 || k == 7 {
                sweep(&other);
            }
        }
        assert_same_tree(&other.tree(), &place.tree(), "in another order");
    }

    // What goes costs its samples no second look, and leaves what was before.
    for name in ["blank-04", "blank-03", "blank-02"] {
        fs::remove_file(place.path(&format!("inbox/dunlin/{name}.jpg"))).expect("taken away");
        assert_eq!(sweep(&place), 0, "without {name}");
    }
    let [again, sigma_again, _] = absorbance(&place, "dunlin/dye-4mg.jpg");
    assert_eq!([again, sigma_again], [before, sigma_before]);
}
