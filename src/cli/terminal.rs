//! What a person at a terminal sees: one line that is kept up to date in place, what is said above it, and the signs and
//! colours of verdicts, as far as the terminal has them.

use std::io::{self, IsTerminal, Write};
use std::sync::{Arc, Mutex, PoisonError};

use console::{Style, measure_text_width, truncate_str};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::run::{News, Screen, Tally};
use crate::terms::Verdict;

use super::tame::tame_line;

/// A terminal that does not say how wide it is.
const USUAL_WIDTH: usize = 80;
/// In a narrower one the bar would leave no room for words.
const LEAST_WIDTH_FOR_BAR: usize = 60;
/// Columns of the bar and the blank behind it.
const BAR_WIDTH: usize = 15;

/// What a terminal can show.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Looks {
    /// Columns.
    pub width: usize,
    /// True where a line may be written over, and signs beside words help. A terminal that calls itself dumb, as those of
    /// screen readers do, gets words in lines that stay.
    pub is_clever: bool,
    /// True where colours are wanted: see no-color.org.
    pub has_colours: bool,
}

/// The terminal on stderr.
#[derive(Clone, Debug)]
pub struct Terminal {
    line: ProgressBar,
    looks: Looks,
    state: Arc<Mutex<State>>,
}

#[derive(Debug, Default)]
struct State {
    /// Most photos that were said to be done, and read.
    most: (usize, usize),
    /// Tenths of the photos of which a terminal without a line of its own has heard.
    tenths: usize,
    has_bar: bool,
    /// What the line says.
    line: String,
}

impl Terminal {
    /// The terminal; absent where stderr is none.
    pub fn on_stderr() -> Option<Terminal> {
        if !io::stderr().is_terminal() {
            return None;
        }
        let says = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty());
        let is_clever = says("TERM").is_some_and(|term| term != "dumb");
        let target = match is_clever {
            true => ProgressDrawTarget::stderr(),
            false => ProgressDrawTarget::hidden(),
        };
        let line = ProgressBar::with_draw_target(None, target);
        line.set_style(style("{msg}"));
        Some(Terminal {
            line,
            looks: Looks {
                width: USUAL_WIDTH,
                is_clever,
                has_colours: is_clever && says("NO_COLOR").is_none(),
            },
            state: Arc::default(),
        })
    }

    /// What it can show now: its width may change.
    pub fn looks(&self) -> Looks {
        let size = console::Term::stderr().size_checked();
        let width = size.map_or(USUAL_WIDTH, |(_, columns)| usize::from(columns));
        Looks {
            width,
            ..self.looks
        }
    }

    /// Does something that writes to stderr, with the line out of its way.
    pub fn above<T>(&self, write: impl FnOnce() -> T) -> T {
        self.line.suspend(write)
    }

    /// Writes lines that stay.
    pub fn say(&self, text: &str) {
        // There is nobody to complain to where the terminal has gone.
        self.above(|| {
            let _ = writeln!(io::stderr(), "{text}");
        });
    }

    fn progress(&self, read: usize, done: usize, known: usize, tally: Tally) {
        let looks = self.looks();
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let done = done.max(state.most.0);
        let read = read.max(state.most.1);
        state.most = (done, read);
        let text = progress_line(&looks, read, done, known, tally);
        let tenths = (10 * done).checked_div(known).unwrap_or(0);
        let is_next = tenths > state.tenths;
        state.tenths = state.tenths.max(tenths);
        let is_new = state.line != text;
        state.line.clone_from(&text);
        if !state.has_bar && looks.width >= LEAST_WIDTH_FOR_BAR {
            self.line.set_style(style("{bar:14} {msg}"));
            state.has_bar = true;
        }
        drop(state);
        if looks.is_clever && is_new {
            self.line.update(|line| {
                line.set_len(known as u64);
                line.set_pos(done as u64);
            });
            self.line.set_message(text);
        } else if !looks.is_clever && is_next {
            self.say(&text);
        }
    }
}

fn style(template: &str) -> ProgressStyle {
    let style = ProgressStyle::with_template(template);
    style.unwrap_or_else(|_| ProgressStyle::default_spinner())
}

impl Screen for Terminal {
    fn show(&self, news: &News<'_>) {
        let looks = self.looks();
        match *news {
            News::Drawn { done, known } => {
                if looks.is_clever {
                    self.line
                        .set_message(format!("{done} of {known} photos drawn"));
                }
            }
            News::Progress {
                read,
                done,
                known,
                tally,
            } => self.progress(read, done, known, tally),
            News::Began { .. } => self.say(&beginning(news)),
            News::Fate { .. } => self.say(&fate_line(&looks, news)),
            News::Looked {
                at,
                known,
                in_hand,
                tally,
            } => {
                if looks.is_clever {
                    self.line
                        .set_message(look_line(&looks, at, known, in_hand, tally));
                }
            }
            News::Said(text) => self.say(&tame_line(text)),
            News::Over => self.line.finish_and_clear(),
        }
    }
}

/// A verdict's sign: the shape that it has on the pages.
pub fn sign(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "►",
        Verdict::Caution => "◪",
        Verdict::Retake => "×",
        Verdict::Waiting => "□",
        Verdict::Unreadable => "▚",
        Verdict::Ignored => "–",
    }
}

/// A text in a verdict's colour.
pub fn coloured(looks: &Looks, verdict: Verdict, text: &str) -> String {
    let style = match verdict {
        Verdict::Good => Style::new().green(),
        Verdict::Caution => Style::new().yellow(),
        Verdict::Retake => Style::new().red().bold(),
        Verdict::Waiting => Style::new().cyan(),
        Verdict::Unreadable => Style::new().magenta(),
        Verdict::Ignored => Style::new().dim(),
    };
    style
        .force_styling(looks.has_colours)
        .apply_to(text)
        .to_string()
}

/// A verdict's sign and word.
pub fn word(looks: &Looks, verdict: Verdict) -> String {
    match looks.is_clever {
        true => format!("{} {}", sign(verdict), verdict.as_str()),
        false => verdict.as_str().to_owned(),
    }
}

/// How the class stands, within so many columns: in signs and words, or where they do not fit in signs alone.
fn tallied(looks: &Looks, tally: Tally, columns: usize) -> String {
    let all = || tally.all();
    if !looks.is_clever {
        let said: Vec<String> = all().map(|(v, n)| format!("{n} {}", v.as_str())).collect();
        return said.join(", ");
    }
    let told = |with_words: bool| {
        let said: Vec<String> = all()
            .map(|(verdict, n)| {
                let text = match with_words {
                    true => format!("{} {n} {}", sign(verdict), verdict.as_str()),
                    false => format!("{} {n}", sign(verdict)),
                };
                coloured(looks, verdict, &text)
            })
            .collect();
        said.join("  ")
    };
    let in_words = told(true);
    match measure_text_width(&in_words) <= columns {
        true => in_words,
        false => told(false),
    }
}

fn progress_line(looks: &Looks, read: usize, done: usize, known: usize, tally: Tally) -> String {
    let count = match done {
        0 => format!("{known} photos, {} read", read.min(known)),
        _ => format!("{done} of {known} photos"),
    };
    let bar = match looks.width >= LEAST_WIDTH_FOR_BAR {
        true => BAR_WIDTH,
        false => 0,
    };
    let room = looks.width.saturating_sub(bar + 1);
    let rest = room.saturating_sub(count.len() + 2);
    let line = format!("{count}  {}", tallied(looks, tally, rest));
    fitted(looks, line.trim_end(), room)
}

fn look_line(looks: &Looks, at: &str, known: usize, in_hand: usize, tally: Tally) -> String {
    let mut line = format!("last look {at}, {}", photos(known));
    if in_hand > 0 {
        line += &format!(", {in_hand} in hand");
    }
    let room = looks.width.saturating_sub(1);
    let rest = room.saturating_sub(line.len() + 2);
    let line = format!("{line}  {}", tallied(looks, tally, rest));
    fitted(looks, line.trim_end(), room)
}

/// The verdict on one photo, in one line.
fn fate_line(looks: &Looks, news: &News<'_>) -> String {
    let News::Fate {
        at,
        bench,
        photo,
        verdict,
        advice,
    } = *news
    else {
        return String::new();
    };
    let word = coloured(looks, verdict, &word(looks, verdict));
    let bench = match bench {
        "" => String::new(),
        bench => format!("{}  ", tame_line(bench)),
    };
    let line = format!(
        "{at}  {bench}{}  {word}  {}",
        tame_line(photo),
        tame_line(advice)
    );
    fitted(looks, line.trim_end(), looks.width)
}

fn beginning(news: &News<'_>) -> String {
    let News::Began {
        inbox,
        results,
        board,
        known,
        waiting,
    } = *news
    else {
        return String::new();
    };
    let wait = match waiting {
        0 => "none of them waits".to_owned(),
        1 => "1 of them waits for its verdict".to_owned(),
        n => format!("{n} of them wait for their verdict"),
    };
    let wait = match known {
        0 => String::new(),
        _ => format!(", {wait}"),
    };
    format!(
        "watched  {}: {}{wait}\nwritten  {}\nboard    {}\nCtrl-C ends it, once the photos in hand are finished.",
        tame_line(inbox),
        photos(known),
        tame_line(results),
        tame_line(board)
    )
}

fn photos(n: usize) -> String {
    match n {
        1 => "1 photo".to_owned(),
        n => format!("{n} photos"),
    }
}

/// One line, cut where the terminal ends; a terminal that reads aloud has no end.
fn fitted(looks: &Looks, line: &str, columns: usize) -> String {
    match looks.is_clever {
        true => truncate_str(line, columns, "…").into_owned(),
        false => line.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::publish::record::Record;

    const PLAIN: Looks = Looks {
        width: 80,
        is_clever: true,
        has_colours: false,
    };

    fn tally() -> Tally {
        let verdicts = [
            (Verdict::Good, 12),
            (Verdict::Caution, 3),
            (Verdict::Retake, 2),
            (Verdict::Waiting, 1),
        ];
        let records: Vec<Record> = verdicts
            .iter()
            .flat_map(|&(verdict, n)| {
                let record = Record {
                    verdict,
                    ..Record::default()
                };
                std::iter::repeat_n(record, n)
            })
            .collect();
        Tally::of(records.iter())
    }

    #[test]
    fn a_line_fits_the_terminal_and_says_less_where_there_is_no_room() {
        let line = progress_line(&PLAIN, 36, 18, 36, tally());
        assert_eq!(
            line,
            "18 of 36 photos  ► 12 good  ◪ 3 caution  × 2 retake  □ 1 waiting"
        );
        let narrow = Looks { width: 50, ..PLAIN };
        let line = progress_line(&narrow, 36, 18, 36, tally());
        assert_eq!(line, "18 of 36 photos  ► 12  ◪ 3  × 2  □ 1");
        for width in 1..100 {
            let looks = Looks { width, ..PLAIN };
            let looked = look_line(&looks, "19:04:12", 36, 2, tally());
            assert!(measure_text_width(&looked) <= width, "{width}: {looked}");
        }
    }

    #[test]
    fn colours_are_left_out_where_they_are_not_wanted_and_change_no_width() {
        let fate = News::Fate {
            at: "19:04:12",
            bench: "her\u{1b}[2Jon",
            photo: "lamp\n-01.jpg",
            verdict: Verdict::Retake,
            advice: "Too bright: halve the exposure time until the coloured band shows no white patches.",
        };
        let plain = fate_line(&PLAIN, &fate);
        assert!(!plain.contains(['\u{1b}', '\n']), "{plain:?}");
        assert!(plain.starts_with("19:04:12  her\\x1B[2Jon  lamp -01.jpg  × retake  Too bright"));
        let looks = Looks {
            has_colours: true,
            ..PLAIN
        };
        let in_colours = fate_line(&looks, &fate);
        assert!(in_colours.contains("\u{1b}[31m"), "{in_colours:?}");
        assert_eq!(measure_text_width(&in_colours), measure_text_width(&plain));
    }

    #[test]
    fn a_terminal_that_reads_aloud_gets_words_and_whole_sentences() {
        let looks = Looks {
            is_clever: false,
            ..PLAIN
        };
        let line = progress_line(&looks, 36, 18, 36, tally());
        assert_eq!(
            line,
            "18 of 36 photos  12 good, 3 caution, 2 retake, 1 waiting"
        );
    }
}
