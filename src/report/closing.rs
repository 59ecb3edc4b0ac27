//! How the benches stand at the end of a run, and what each must do: the board's words, for whoever reads them elsewhere.

use super::board;
use super::pages;
use super::settled::settled;
use super::shown::Shown;
use super::standing::Class;
use crate::classify::stated::Stated;
use crate::publish::record::Record;
use crate::publish::words;
use crate::terms::{Phrases, Verdict};

/// How a class stands. Its texts are fit to be shown.
#[derive(Clone, Debug, Default)]
pub struct Closing {
    /// Benches by name; at the end, without a name, what belongs to none.
    pub benches: Vec<BenchClosing>,
    /// What is to be done, as the board has it, worst first.
    pub to_do: Vec<ToDo>,
}

/// How a bench stands.
#[derive(Clone, Debug)]
pub struct BenchClosing {
    /// Its name.
    pub name: String,
    /// How many of its photos have each verdict, in the order of [`Verdict::ALL`].
    pub counts: [usize; Verdict::ALL.len()],
}

/// Something that a bench must do.
#[derive(Clone, Debug)]
pub struct ToDo {
    /// The bench.
    pub bench: String,
    /// Verdict of the photo that it is about.
    pub verdict: Verdict,
    /// Two or three words.
    pub what: String,
    /// What to do.
    pub advice: String,
    /// File name of the photo.
    pub photo: String,
    /// Further photos with the same remedy.
    pub others: usize,
    /// Further photos of this bench that call for something else.
    pub more: usize,
}

/// How the class of these photos stands.
pub fn closing<'a>(
    photos: impl Iterator<Item = Shown<'a>>,
    stated: &Stated,
    phrases: &Phrases,
) -> Closing {
    let photos: Vec<Shown<'a>> = photos.collect();
    let settled = settled(photos.iter().map(|shown| shown.record), stated);
    let class = Class::of(&photos, &settled);
    let counts = |photos: &mut dyn Iterator<Item = &Shown<'_>>| {
        Verdict::counts(photos.map(|shown| shown.record.verdict))
    };
    let mut benches: Vec<BenchClosing> = class
        .benches
        .iter()
        .map(|bench| BenchClosing {
            name: words::visible(&bench.name),
            counts: counts(&mut bench.photos.iter().chain(&bench.ignored)),
        })
        .collect();
    if !class.strays.is_empty() {
        benches.push(BenchClosing {
            name: String::new(),
            counts: counts(&mut class.strays.iter()),
        });
    }
    let to_do = board::all_calls(&class, phrases)
        .into_iter()
        .flat_map(|bench| {
            let last = bench.calls.len().saturating_sub(1);
            let calls = bench.calls.into_iter().enumerate();
            calls.map(move |(i, call)| ToDo {
                bench: bench.name.clone(),
                verdict: call.shown.verdict,
                what: call.shown.what,
                advice: call.shown.advice,
                photo: call.shown.photo,
                others: call.others,
                more: if i == last { bench.more } else { 0 },
            })
        });
    Closing {
        benches,
        to_do: to_do.collect(),
    }
}

/// What a photo's bench is to do first; where nothing is wrong, what comes next; of a file that is left alone, why. Fit to be
/// shown.
pub fn advice(record: &Record, phrases: &Phrases) -> String {
    match (record.reasons.first(), record.verdict) {
        (Some(reason), _) => words::visible(&reason.advice),
        (None, Verdict::Ignored) => {
            let why = record.remarks.first().map(ToString::to_string);
            words::visible(&why.unwrap_or_default())
        }
        (None, _) => pages::next(record, phrases),
    }
}
