//! The lab sheet: what a bench is handed before the class. What it photographs in which order, under which names or after which
//! cards, how the phone is held, what can hurt, and where its page is found. A bench's sheets are two at most.

use std::collections::BTreeSet;

use askama::Template;

use crate::publish::{names, public, words};
use crate::terms::Phrases;

/// So many things to photograph fit on a sheet with the cautions; the rest is counted.
pub const MOST_STEPS: usize = 20;
/// With more than so many, how the phone is held stands on the second sheet, and the first may run over on to it.
const STEPS_BESIDE_HOW: usize = 10;

/// What lab sheets are made from.
pub struct LabSheets<'a> {
    /// Name of the class.
    pub title: &'a str,
    /// When it ends, as it is shown; absent where nobody has said.
    pub ends_at: Option<&'a str>,
    /// The paper's name in a style sheet.
    pub paper: &'static str,
    /// How a card looks.
    pub card_style: &'static str,
    /// What is read on them.
    pub phrases: &'a Phrases,
    /// A sheet each.
    pub sheets: &'a [LabSheet],
}

/// A bench's sheet.
#[derive(Clone, Debug)]
pub struct LabSheet {
    /// The bench; empty on a sheet for any of them.
    pub bench: String,
    /// What it photographs, in this order.
    pub steps: Vec<Step>,
    /// Its own card as HTML; absent where cards are not used.
    pub card: Option<String>,
    /// The address of its page, and that as a code, SVG; absent where nobody has said.
    pub page: Option<(String, String)>,
}

/// Something to photograph.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Step {
    /// What, in words.
    pub what: String,
    /// What is to be seen to.
    pub how: String,
    /// So many photos of it.
    pub n: usize,
    /// How a photo of it is named, without its ending; empty where no name says it.
    pub name: String,
    /// The heading of the card before it; empty where no card says it.
    pub card: String,
}

#[derive(Template)]
#[template(path = "lab_sheet.html", config = "src/report/askama.toml")]
struct Page<'a> {
    t: &'a Phrases,
    title: String,
    ends_at: &'a str,
    paper: &'static str,
    card_style: &'static str,
    sheets: Vec<Sheet<'a>>,
}

struct Sheet<'a> {
    bench: String,
    steps: Vec<Step>,
    n_more: usize,
    has_names: bool,
    has_cards: bool,
    is_how_behind: bool,
    card: Option<&'a str>,
    page: Option<(String, &'a str)>,
}

impl<'s> Sheet<'s> {
    fn of(sheet: &'s LabSheet) -> Sheet<'s> {
        let mut said = BTreeSet::new();
        // What holds for several is said once.
        let visible = |step: &'s Step| Step {
            how: match said.insert(step.how.as_str()) {
                true => words::visible(&step.how),
                false => String::new(),
            },
            what: words::visible(&step.what),
            name: words::visible(&step.name),
            card: words::visible(&step.card),
            ..step.clone()
        };
        let steps: Vec<Step> = sheet.steps.iter().take(MOST_STEPS).map(visible).collect();
        let page = sheet.page.as_ref();
        Sheet {
            bench: words::visible(&sheet.bench),
            n_more: sheet.steps.len() - steps.len(),
            has_names: steps.iter().any(|step| !step.name.is_empty()),
            has_cards: steps.iter().any(|step| !step.card.is_empty()),
            is_how_behind: steps.len() > STEPS_BESIDE_HOW,
            steps,
            card: sheet.card.as_deref(),
            page: page.map(|(address, code)| (words::visible(address), code.as_str())),
        }
    }
}

/// One page with each bench's sheets. It has no clock, and holds all it shows.
pub fn lab_sheets_html(inputs: &LabSheets<'_>) -> String {
    let page = Page {
        t: inputs.phrases,
        title: words::visible(inputs.title),
        ends_at: inputs.ends_at.unwrap_or_default(),
        paper: inputs.paper,
        card_style: inputs.card_style,
        sheets: inputs.sheets.iter().map(Sheet::of).collect(),
    };
    page.render().expect("writing to memory does not fail") + "\n"
}

/// Where a bench's page is, if the results are handed out at `room`; for no bench that of the board.
pub fn page_address(room: &str, bench: &str) -> String {
    let room = room.trim_end_matches('/');
    match bench {
        "" => format!("{room}/"),
        bench => format!("{room}/{}/", public::href(&names::bench_folder(bench))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bench_s_page_is_where_the_server_has_it() {
        for (bench, address) in [
            ("heron", "http://10.0.0.5:8080/heron/"),
            ("oyster catcher", "http://10.0.0.5:8080/oyster%20catcher/"),
            ("", "http://10.0.0.5:8080/"),
        ] {
            assert_eq!(page_address("http://10.0.0.5:8080", bench), address);
            assert_eq!(page_address("http://10.0.0.5:8080/", bench), address);
        }
    }
}
