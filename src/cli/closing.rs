//! What is said at the end of a run: how many photos of each bench have which verdict, what each bench must do, and where the
//! board is.

use console::{measure_text_width, truncate_str};
use textwrap::Options;

use crate::run::{BenchClosing, Closing, Report, ToDo};
use crate::terms::Verdict;

use super::tame::tame_line;
use super::terminal::{Looks, coloured, sign, word};

/// Lines longer than this are hard to read, columns. Common practice, no source.
const LONGEST_LINE: usize = 100;
/// Most columns that a bench's name takes in the table.
const LONGEST_NAME: usize = 24;
/// What stands in place of a bench's name for photos that have none.
const NO_BENCH: &str = "without a bench";
/// Blanks between two columns of the table.
const GAP: usize = 2;

/// The whole report in one line.
pub fn in_words(report: &Report) -> String {
    let not_here = match report.n_not_here {
        0 => String::new(),
        n => format!("; {n} not here yet (temporary names)"),
    };
    let how = match report.n_measured + report.n_judged + report.n_decoded {
        0 => String::new(),
        _ => format!(
            "; {} measured, {} judged again, {} pictures decoded",
            report.n_measured, report.n_judged, report.n_decoded
        ),
    };
    let verdicts = Verdict::ALL.iter();
    let verdicts = verdicts.map(|v| format!("{} {}", report.n_with(*v), v.as_str()));
    format!(
        "{} photos: {}; {} made anew, {} removed{how}{not_here}",
        report.records.len(),
        verdicts.collect::<Vec<_>>().join(", "),
        report.n_made,
        report.n_removed
    )
}

/// For the log: an entry for each bench, and the whole at the end.
pub fn log(report: &Report) {
    for (session, closing) in &report.closings {
        for BenchClosing { name, counts } in &closing.benches {
            let [good, caution, retake, waiting, unreadable, ignored] = *counts;
            tracing::info!(
                bench = name,
                session,
                good,
                caution,
                retake,
                waiting,
                unreadable,
                ignored,
                "in all"
            );
        }
    }
    tracing::info!(board = report.board, "{}", in_words(report));
}

/// For a person at a terminal. Ends without a line break.
pub fn text(report: &Report, looks: &Looks) -> String {
    let looks = &Looks {
        width: looks.width.min(LONGEST_LINE),
        ..*looks
    };
    let mut parts = Vec::new();
    for (session, closing) in &report.closings {
        if closing.benches.is_empty() {
            continue;
        }
        if !session.is_empty() {
            parts.push(format!("Session {}", tame_line(session)));
        }
        parts.push(table(closing, looks).unwrap_or_else(|| list(closing, looks)));
        parts.push(to_do(closing, looks));
    }
    parts.push(wrapped(&in_words(report), "", looks));
    // A path is not broken: it is to be copied.
    parts.push(format!("board: {}", tame_line(&report.board)));
    parts.join("\n\n")
}

fn name_of(bench: &BenchClosing) -> String {
    match bench.name.as_str() {
        "" => NO_BENCH.to_owned(),
        name => tame_line(name),
    }
}

/// The verdicts that there are.
fn verdicts(closing: &Closing) -> Vec<(usize, Verdict)> {
    let all = Verdict::ALL.iter().copied().enumerate();
    all.filter(|(i, _)| closing.benches.iter().any(|bench| bench.counts[*i] > 0))
        .collect()
}

/// Benches by verdicts; absent where the terminal is too narrow for it, or reads aloud.
fn table(closing: &Closing, looks: &Looks) -> Option<String> {
    let verdicts = verdicts(closing);
    let cut = |name: String| truncate_str(&name, LONGEST_NAME, "…").into_owned();
    let names: Vec<String> = closing.benches.iter().map(|b| cut(name_of(b))).collect();
    let first = names.iter().map(|name| measure_text_width(name)).max()?;
    let heads: Vec<String> = verdicts.iter().map(|(_, v)| word(looks, *v)).collect();
    let columns: Vec<usize> = heads.iter().map(|head| measure_text_width(head)).collect();
    let width = first + columns.iter().map(|column| column + GAP).sum::<usize>();
    if width > looks.width || !looks.is_clever {
        return None;
    }
    let blanks = |n: usize| " ".repeat(n);
    let mut lines = vec![blanks(first)];
    for ((_, verdict), head) in verdicts.iter().zip(&heads) {
        lines[0] += &blanks(GAP);
        lines[0] += &coloured(looks, *verdict, head);
    }
    for (bench, name) in closing.benches.iter().zip(names) {
        let mut line = format!("{name}{}", blanks(first - measure_text_width(&name)));
        for ((i, verdict), column) in verdicts.iter().zip(&columns) {
            let count = match bench.counts[*i] {
                0 => "·".to_owned(),
                n => coloured(looks, *verdict, &n.to_string()),
            };
            line += &blanks(GAP + column - measure_text_width(&count));
            line += &count;
        }
        lines.push(line);
    }
    Some(lines.join("\n"))
}

/// The same, a bench after the other.
fn list(closing: &Closing, looks: &Looks) -> String {
    let lines = closing.benches.iter().map(|bench| {
        let counts = Verdict::ALL.iter().zip(bench.counts);
        let counts = counts.filter(|(_, n)| *n > 0).map(|(verdict, n)| {
            let text = match looks.is_clever {
                true => format!("{}\u{a0}{n}\u{a0}{}", sign(*verdict), verdict.as_str()),
                false => format!("{n} {}", verdict.as_str()),
            };
            coloured(looks, *verdict, &text)
        });
        let counts: Vec<String> = counts.collect();
        let text = format!("{}: {}", name_of(bench), counts.join(", "));
        wrapped(&text, "  ", looks)
    });
    lines.collect::<Vec<_>>().join("\n")
}

/// What is to be done, bench by bench.
fn to_do(closing: &Closing, looks: &Looks) -> String {
    if closing.to_do.is_empty() {
        return "Nothing to take again, nobody waits.".to_owned();
    }
    let mut lines = vec!["To do:".to_owned()];
    let mut bench = None;
    for call in &closing.to_do {
        if bench != Some(&call.bench) {
            lines.push(format!("  {}", tame_line(&call.bench)));
            bench = Some(&call.bench);
        }
        lines.push(wrapped(
            &format!("    {}", call_words(call, looks)),
            "      ",
            looks,
        ));
        if call.more > 0 {
            lines.push(format!("    and {} more, on its page", call.more));
        }
    }
    lines.join("\n")
}

fn call_words(call: &ToDo, looks: &Looks) -> String {
    let what = match looks.is_clever {
        true => format!("{} {}", sign(call.verdict), tame_line(&call.what)),
        false => tame_line(&call.what),
    };
    let others = match call.others {
        0 => String::new(),
        n => format!(" and {n} more"),
    };
    let photo = tame_line(&call.photo);
    let advice = tame_line(&call.advice);
    let what = coloured(looks, call.verdict, &what);
    format!("{what} ({photo}{others}): {advice}")
}

/// In lines that fit the terminal; one that reads aloud gets it whole.
fn wrapped(text: &str, indent: &str, looks: &Looks) -> String {
    if !looks.is_clever {
        return text.to_owned();
    }
    let options = Options::new(looks.width.max(20)).subsequent_indent(indent);
    textwrap::fill(text, options)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn report() -> Report {
        let bench = |name: &str, counts| BenchClosing {
            name: name.to_owned(),
            counts,
        };
        let call = |bench: &str, more| ToDo {
            bench: bench.to_owned(),
            verdict: Verdict::Retake,
            what: "over-exposed".to_owned(),
            advice: "Too bright: halve the exposure time until the band shows no white patches."
                .to_owned(),
            photo: "lamp-01.jpg".to_owned(),
            others: 2,
            more,
        };
        let closing = Closing {
            benches: vec![
                bench("avocet", [3, 0, 0, 0, 0, 1]),
                bench("dunlin", [10, 1, 12, 0, 0, 0]),
                bench("", [0, 0, 0, 0, 0, 2]),
            ],
            to_do: vec![call("dunlin", 0), call("dunlin", 4)],
        };
        Report {
            closings: vec![(String::new(), closing)],
            board: "/srv/results/board.html".to_owned(),
            ..Report::default()
        }
    }

    fn looks(width: usize) -> Looks {
        Looks {
            width,
            is_clever: true,
            has_colours: false,
        }
    }

    #[test]
    fn a_summary_has_benches_by_verdicts_what_to_do_and_the_board() {
        let text = text(&report(), &looks(80));
        let head = text.lines().next().unwrap();
        assert_eq!(head.trim_start(), "► good  ◪ caution  × retake  – ignored");
        let expected = "\
avocet                3          ·         ·          1
dunlin               10          1        12          ·
without a bench       ·          ·         ·          2

To do:
  dunlin
    × over-exposed (lamp-01.jpg and 2 more): Too bright: halve the exposure time
      until the band shows no white patches.
    × over-exposed (lamp-01.jpg and 2 more): Too bright: halve the exposure time
      until the band shows no white patches.
    and 4 more, on its page
";
        assert!(text[head.len() + 1..].starts_with(expected), "{text}");
        assert!(
            text.ends_with("\n\nboard: /srv/results/board.html"),
            "{text}"
        );
    }

    #[test]
    fn a_narrow_terminal_gets_a_list_and_no_line_is_longer_than_it() {
        for width in 24..120 {
            let text = text(&report(), &looks(width));
            let longest = text.lines().map(measure_text_width).max();
            assert!(longest.unwrap() <= width.max(31), "{width}:\n{text}");
        }
        let text = text(&report(), &looks(40));
        assert!(text.starts_with("avocet: ►\u{a0}3\u{a0}good, –\u{a0}1\u{a0}ignored\n"));
    }

    #[test]
    fn where_nothing_is_to_be_done_it_is_said() {
        let mut report = report();
        report.closings[0].1.to_do.clear();
        let text = text(&report, &looks(80));
        assert!(text.contains("\n\nNothing to take again, nobody waits.\n\n"));
    }
}
