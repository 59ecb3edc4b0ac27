//! What can be typed, and what is said of what cannot.

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::error::{ContextKind, ContextValue, ErrorKind};
use clap::{ArgAction, Args, CommandFactory, Parser, Subcommand};

use crate::run;

use super::log::LogFormat;

/// Turns phone photographs, taken through hand-built spectroscopes, into calibrated spectra and verdicts.
///
/// Exit status: 0 done, whatever the verdicts; 1 could not do its work; 2 wrong usage or configuration; 3 with
/// --fail-on-retake, if any photo must be retaken and has not been. A rehearsal ends with 0 if all stated limits held, else
/// with 1.
#[derive(Debug, Parser)]
#[command(
    version,
    max_term_width = 100,
    disable_help_flag = true,
    disable_version_flag = true
)]
#[command(disable_help_subcommand = true)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
    /// For every command.
    #[command(flatten)]
    pub common: Common,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Follow the inbox until told to stop (Ctrl-C finishes the photos in hand; a second one leaves at once)
    Watch {
        /// List the inbox at intervals instead of listening for changes (for network folders)
        #[arg(long)]
        poll: bool,
        /// Also hand the pages to browsers, read-only: to phones in the room at an address of this computer (0.0.0.0:8080 means
        /// all that it has), or without any to this computer alone, at 127.0.0.1:8080
        #[arg(long, value_name = "ADDR:PORT", num_args = 0..=1, default_missing_value = "", value_parser = run::address)]
        serve: Option<SocketAddr>,
        /// End with status 3 if any photo must be retaken and has not been
        #[arg(long)]
        fail_on_retake: bool,
    },
    /// Do everything that is in the inbox now, then exit
    Sweep {
        /// Only this session; the others, and what spans them, stay as they are
        #[arg(long, value_name = "SESSION", conflicts_with = "index")]
        session: Option<String>,
        /// Only what spans sessions: the list, the board that leads to the latest, late photos
        #[arg(long)]
        index: bool,
        /// End with status 3 if any photo must be retaken and has not been
        #[arg(long)]
        fail_on_retake: bool,
    },
    /// Read the configuration and say in plain words what it will do; changes nothing
    ///
    /// Ends as watch would: with 1 or 2 where it could not start.
    Check {
        /// Also every rule and limit, and which photos of the inbox each rule takes
        #[arg(long)]
        all: bool,
    },
    /// Write settings, words and a service unit to be edited, and an empty inbox; overwrites nothing
    Init {
        /// Folder to begin in, made where it is missing [default: the working folder]
        #[arg(value_name = "DIR", default_value = ".", hide_default_value = true)]
        folder: PathBuf,
    },
    /// Close a session: whatever happens to its photos, the settings or the program, it is never made again
    ///
    /// Photos that still come for it stand in late.csv of the results. No other slitwatch may be at work on the results.
    Close {
        /// Its name, as results/index.html has it
        #[arg(value_name = "SESSION")]
        session: String,
    },
    /// Open a closed session again
    Reopen {
        /// Its name, as results/index.html has it
        #[arg(value_name = "SESSION")]
        session: String,
    },
    /// Say of single photos which rule took them and why, what was measured, and the verdict; publishes nothing
    Explain {
        /// The photos, as paths below the inbox or from here
        #[arg(required = true, value_name = "PHOTO")]
        photos: Vec<PathBuf>,
        /// Also draw what was found, a PNG for each photo in this folder
        #[arg(long, value_name = "DIR")]
        pictures: Option<PathBuf>,
    },
    /// Make the printable slates: cards that a phone photographs before its captures, as one page for a browser to print
    Slates {
        /// Write the page to this file [default: stdout]
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
        /// What it is printed on
        #[arg(long, value_name = "KIND", default_value = "a4", value_parser = ["a4", "letter"])]
        paper: String,
    },
    /// Make one workbook (.xlsx) of the results as they are published: verdicts, spectra with their pictures, lines, series
    Workbook {
        /// Which session, as results/index.html has it, where the configuration keeps any
        #[arg(long, value_name = "SESSION")]
        session: Option<String>,
        /// Write it to this file [default: slitwatch.xlsx, or slitwatch-SESSION.xlsx, in the working folder]
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
    /// Make a page for each bench to hand in, with everything in it: instrument, photos, spectra, answers; prints on four sheets at most
    HandIn {
        /// Which session, as results/index.html has it, where the configuration keeps any
        #[arg(long, value_name = "SESSION")]
        session: Option<String>,
        /// Of this bench alone; may be given several times
        #[arg(long, value_name = "BENCH")]
        bench: Vec<String>,
        /// Write the pages into this folder [default: hand-in, in the working folder]
        #[arg(long, value_name = "DIR")]
        out: Option<PathBuf>,
    },
    /// Make the sheets that are handed out before a class, two a bench at most, as one page to print: what to photograph in which order,
    /// how to hold the phone, what can hurt, the bench's card, and a code of its page's address
    LabSheet {
        /// For this bench alone; may be given several times [default: every bench that is known]
        #[arg(long, value_name = "BENCH")]
        bench: Vec<String>,
        /// Where the pages will be handed out, such as http://192.168.1.20:8080, as watch --serve says it; with sessions, behind it
        /// that of the session [default: no code]
        #[arg(long, value_name = "URL", value_parser = run::room_address)]
        address: Option<String>,
        /// What it is printed on
        #[arg(long, value_name = "KIND", default_value = "a4", value_parser = ["a4", "letter"])]
        paper: String,
        /// Write the page to this file [default: lab-sheet.html, in the working folder]
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
    /// Play a synthetic class into an inbox, run it, and score the results against what was planted
    ///
    /// Prints the score. Exit status: 0 if every stated limit held, 1 if one did not or it could not be played.
    Rehearse {
        /// Benches, each with a phone and an instrument of its own
        #[arg(long, value_name = "N", default_value_t = 8, value_parser = whole::<1000>)]
        benches: u32,
        /// Photos in all
        #[arg(long, value_name = "N", default_value_t = 60, value_parser = whole::<100_000>)]
        photos: u32,
        /// Decides everything that is left to chance: another number is another class
        #[arg(long, value_name = "N", default_value_t = 1, value_parser = seed)]
        seed: u64,
        /// Through what discs the class looks: ideal ones, or pieces of discs as they are
        #[arg(long, value_name = "KIND", default_value = "real", value_parser = ["ideal", "real"], hide = true)]
        discs: String,
        /// Under what names its photos arrive: plain ones that say what each is, or those that cameras give, with slates, a phone
        /// that two benches share and a folder that two phones share
        #[arg(long, value_name = "KIND", default_value = "plain", value_parser = ["plain", "camera"])]
        names: String,
        /// Keep inbox, results and truth.json in this folder [default: a temporary one, removed at the end]
        #[arg(long, value_name = "DIR")]
        keep: Option<PathBuf>,
    },
    /// Say what can be typed, of one command or of all
    Help {
        /// The command
        #[arg(value_name = "COMMAND")]
        command: Option<String>,
    },
    /// For this program's own use: takes the samples out of the raw file on stdin
    #[cfg(feature = "dng")]
    #[command(hide = true)]
    UnpackRaw,
}

/// Options of every command.
#[derive(Clone, Debug, Args)]
pub struct Common {
    /// Configuration file [default: lab.yaml, else config/lab.yaml, else the built-in settings]
    #[arg(long, global = true, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// Folder that the photos arrive in; only ever read
    #[arg(long, global = true, value_name = "DIR")]
    pub inbox: Option<PathBuf>,
    /// Folder for the results
    #[arg(long, global = true, value_name = "DIR")]
    pub results: Option<PathBuf>,
    /// Photos measured at once [default: one per core]
    #[arg(long, global = true, value_name = "N", value_parser = whole::<1024>)]
    pub workers: Option<u32>,
    /// Say more; twice for everything
    #[arg(short, long, global = true, action = ArgAction::Count, conflicts_with = "quiet")]
    pub verbose: u8,
    /// Say less; twice for errors only
    #[arg(short, long, global = true, action = ArgAction::Count)]
    pub quiet: u8,
    /// Form of the log on stderr
    #[arg(long, global = true, value_enum, default_value_t = LogFormat::Text)]
    pub log_format: LogFormat,
    /// Say what can be typed: -h in short, --help in full
    #[arg(short, long, global = true, action = ArgAction::Help)]
    help: Option<bool>,
    /// Say which version this is
    #[arg(short = 'V', long, action = ArgAction::Version)]
    version: Option<bool>,
}

impl Cli {
    /// What was typed; in place of it what is said of it, and whether that was asked for.
    pub fn typed() -> Result<Cli, Said> {
        let typed: Vec<_> = std::env::args_os().collect();
        Cli::try_parse_from(&typed).map_err(|error| match error.kind() {
            ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => Said::Asked(error.to_string()),
            ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand => {
                Said::Wrong(format!("name a command:\n\n{error}"))
            }
            _ => {
                let words = typed.iter().filter_map(|word| word.to_str());
                Said::Wrong(refusal(&error, words.skip(1)))
            }
        })
    }
}

/// What is said in place of doing something.
#[derive(Debug)]
pub enum Said {
    /// Help or version, for stdout.
    Asked(String),
    /// What is wrong with what was typed, for stderr.
    Wrong(String),
}

/// The help of a command, or of all; says so where there is no such command.
pub fn help(command: Option<&str>) -> Result<String, String> {
    let mut all = Cli::command();
    all.build();
    let Some(name) = command else {
        return Ok(all.render_long_help().to_string());
    };
    match all.find_subcommand_mut(name) {
        Some(command) => Ok(command.render_long_help().to_string()),
        None => Err(format!(
            "there is no command {name:?}; slitwatch --help lists them"
        )),
    }
}

/// A whole number from 1 to `MOST`.
fn whole<const MOST: u32>(text: &str) -> Result<u32, String> {
    match text.parse() {
        Ok(number @ 1..) if number <= MOST => Ok(number),
        _ => Err(format!("write a whole number from 1 to {MOST}")),
    }
}

fn seed(text: &str) -> Result<u64, String> {
    let most = u64::MAX;
    text.parse()
        .map_err(|_| format!("write a whole number from 0 to {most}"))
}

/// What is wrong with what was typed, and what to do.
fn refusal<'a>(error: &clap::Error, mut words: impl Iterator<Item = &'a str>) -> String {
    let of = |kind| error.get(kind).map(plain).unwrap_or_default();
    let argument = of(ContextKind::InvalidArg);
    let value = of(ContextKind::InvalidValue);
    let what = match error.kind() {
        ErrorKind::InvalidSubcommand => {
            format!(
                "there is no command {:?}",
                of(ContextKind::InvalidSubcommand)
            )
        }
        ErrorKind::UnknownArgument if argument.starts_with('-') => {
            format!("there is no option {argument} here")
        }
        ErrorKind::UnknownArgument => format!("{argument:?} is one word too many"),
        ErrorKind::MissingSubcommand => "name a command".to_owned(),
        ErrorKind::MissingRequiredArgument => format!("{argument} is missing"),
        ErrorKind::InvalidValue if value.is_empty() => {
            format!("{argument} needs something behind it")
        }
        ErrorKind::InvalidValue => format!(
            "{value:?} is nothing that {argument} knows; it knows {}",
            of(ContextKind::ValidValue)
        ),
        ErrorKind::ValueValidation => {
            let why = std::error::Error::source(error).map(ToString::to_string);
            format!(
                "{value:?} does not do for {argument}: {}",
                why.unwrap_or_default()
            )
        }
        ErrorKind::ArgumentConflict => {
            let other = of(ContextKind::PriorArg);
            if other == argument {
                format!("{argument} is there twice; once is enough")
            } else {
                format!("{argument} and {other} do not go together")
            }
        }
        ErrorKind::TooManyValues => {
            format!("{argument} takes nothing, and {value:?} stands behind it")
        }
        ErrorKind::InvalidUtf8 => "one word of it is no text in UTF-8".to_owned(),
        kind => kind.to_string(),
    };
    let meant = [
        ContextKind::SuggestedSubcommand,
        ContextKind::SuggestedArg,
        ContextKind::SuggestedValue,
    ];
    let meant = meant.into_iter().map(of).find(|meant| !meant.is_empty());
    let meant = meant.map_or(String::new(), |meant| format!("; did you mean {meant}?"));
    let all = Cli::command();
    let command = words.find(|word| all.find_subcommand(word).is_some());
    let command = command.map_or(String::new(), |command| format!("{command} "));
    format!("{what}{meant}\nWhat can be typed: slitwatch {command}--help")
}

/// What the parser says of one thing, without its signs.
fn plain(value: &ContextValue) -> String {
    let texts = match value {
        ContextValue::String(text) => vec![text.clone()],
        ContextValue::Strings(texts) => texts.clone(),
        _ => Vec::new(),
    };
    texts.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_is_sound_and_global_options_go_anywhere() {
        Cli::command().debug_assert();
        for line in [
            "slitwatch --inbox in sweep --results out -vv",
            "slitwatch sweep --inbox in --results out -vv --fail-on-retake",
        ] {
            let cli = Cli::try_parse_from(line.split(' ')).unwrap();
            assert_eq!(cli.common.inbox, Some("in".into()));
            assert_eq!(cli.common.results, Some("out".into()));
            assert_eq!(cli.common.verbose, 2);
        }
    }

    #[test]
    fn wrong_usage_is_refused() {
        for line in [
            "slitwatch",
            "slitwatch explain",
            "slitwatch sweep --poll",
            "slitwatch sweep --workers 0",
            "slitwatch rehearse --benches 0",
            "slitwatch sweep -v -q",
            "slitwatch sweep --log-format xml",
            "slitwatch watch --serve everywhere",
            "slitwatch sweep --serve",
        ] {
            let refused = Cli::try_parse_from(line.split(' ')).unwrap_err();
            assert_eq!(refused.exit_code(), 2, "{line}");
        }
    }

    #[test]
    fn wrong_usage_is_said_in_plain_words_with_what_to_do() {
        for (line, said) in [
            (
                "sweeep",
                "there is no command \"sweeep\"; did you mean sweep?",
            ),
            (
                "sweep --inbx x",
                "there is no option --inbx here; did you mean --inbox?",
            ),
            ("sweep now", "\"now\" is one word too many"),
            ("sweep --inbox", "--inbox <DIR> needs something behind it"),
            ("explain", "<PHOTO>... is missing"),
            (
                "sweep --log-format xml",
                "\"xml\" is nothing that --log-format <LOG_FORMAT> knows; it knows text, json",
            ),
            (
                "sweep --workers 0",
                "\"0\" does not do for --workers <N>: write a whole number from 1 to 1024",
            ),
            (
                "rehearse --seed red",
                "\"red\" does not do for --seed <N>: write a whole number from 0 to 18446744073709551615",
            ),
            (
                "sweep -v -q",
                "--verbose... and --quiet... do not go together",
            ),
            (
                "sweep --inbox a --inbox b",
                "--inbox <DIR> is there twice; once is enough",
            ),
            (
                "sweep --index=yes",
                "--index takes nothing, and \"yes\" stands behind it",
            ),
        ] {
            let words: Vec<&str> = line.split(' ').collect();
            let error = Cli::try_parse_from(["slitwatch"].iter().chain(&words)).unwrap_err();
            let text = refusal(&error, words.iter().copied());
            let (first, rest) = text.split_once('\n').unwrap();
            assert_eq!(first, said, "{line}");
            let command = Some(words[0]).filter(|word| *word != "sweeep");
            let command = command.map_or(String::new(), |word| format!("{word} "));
            assert_eq!(
                rest,
                format!("What can be typed: slitwatch {command}--help")
            );
        }
    }

    #[test]
    fn every_command_has_its_help_in_own_words() {
        for command in Cli::command().get_subcommands() {
            let text = help(Some(command.get_name())).unwrap();
            assert!(
                text.contains(&format!("Usage: slitwatch {}", command.get_name())),
                "{text}"
            );
            assert!(text.contains("Say what can be typed"), "{text}");
            assert!(!text.contains("Print help"), "{text}");
        }
        assert!(help(None).unwrap().contains("rehearse"));
        assert!(help(Some("dance")).unwrap_err().contains("\"dance\""));
    }
}
