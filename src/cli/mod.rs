//! The command line: what was typed, made into a call of the library, and its outcome made into words and a status.
//!
//! Results go to the results folder and never to stdout unless asked for; everything said about them goes to stderr.

mod closing;
mod log;
mod tame;
mod terminal;

use std::io::{ErrorKind, Write as _};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use clap::{ArgAction, Args, Parser, Subcommand};

use crate::run::rehearse::{Discs, Names, Play};
use crate::run::reload::{Loaded, Unusable};
use crate::run::{
    self, Bell, Configuration, Failure, News, Orders, Part, Report, Screen, Worker, reload, signals,
};
use crate::settings;

pub use log::LogFormat;
use tame::tame;
use terminal::Terminal;

/// Turns phone photographs, taken through hand-built spectroscopes, into calibrated spectra and verdicts.
///
/// Exit status: 0 done, whatever the verdicts; 1 could not do its work; 2 wrong usage or configuration; 3 with
/// --fail-on-retake, if any photo must be retaken and has not been. A rehearsal ends with 0 if all stated limits held, else
/// with 1.
#[derive(Debug, Parser)]
#[command(version, max_term_width = 100)]
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
    /// Play a synthetic class into an inbox, run it, and score the results against what was planted
    ///
    /// Prints the score. Exit status: 0 if every stated limit held, 1 if one did not or it could not be played.
    Rehearse {
        /// Benches, each with a phone and an instrument of its own
        #[arg(long, value_name = "N", default_value_t = 8, value_parser = clap::value_parser!(u32).range(1..=1000))]
        benches: u32,
        /// Photos in all
        #[arg(long, value_name = "N", default_value_t = 60, value_parser = clap::value_parser!(u32).range(1..=100_000))]
        photos: u32,
        /// Decides everything that is left to chance: another number is another class
        #[arg(long, value_name = "N", default_value_t = 1)]
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
    #[arg(long, global = true, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub workers: Option<u16>,
    /// Say more; twice for everything
    #[arg(short, long, global = true, action = ArgAction::Count, conflicts_with = "quiet")]
    pub verbose: u8,
    /// Say less; twice for errors only
    #[arg(short, long, global = true, action = ArgAction::Count)]
    pub quiet: u8,
    /// Form of the log on stderr
    #[arg(long, global = true, value_enum, default_value_t = LogFormat::Text)]
    pub log_format: LogFormat,
}

impl Common {
    /// The configuration that counts. Says which it is where nobody has named it.
    fn configuration(&self) -> Configuration {
        let configuration = Configuration::find(self.config.as_deref());
        if let Some(said) = configuration.said() {
            // A bar keeps such words out of the log.
            if tracing::enabled!(tracing::Level::INFO) {
                tracing::info!("{}", tame(&said));
            } else if self.quiet == 0 {
                eprintln!("slitwatch: {}", tame(&said));
            }
        }
        configuration
    }
}

/// The program.
pub fn main() -> ExitCode {
    // Wrong usage ends here with status 2, help and version with 0.
    let cli = Cli::parse();
    let takes_long = matches!(
        cli.command,
        Command::Watch { .. } | Command::Sweep { .. } | Command::Rehearse { .. }
    );
    let common = &cli.common;
    let more = i32::from(common.verbose) - i32::from(common.quiet);
    let is_as_usual = more == 0 && common.log_format == LogFormat::Text;
    let terminal = Terminal::on_stderr().filter(|_| takes_long && is_as_usual);
    log::start(common.log_format, more, terminal.clone());
    let terminal = terminal.as_ref();
    let done = match &cli.command {
        Command::Init { folder } => init(folder),
        Command::Watch {
            poll,
            serve,
            fail_on_retake,
        } => watch(common, *poll, *serve, terminal).map(|report| status(&report, *fail_on_retake)),
        Command::Sweep {
            session,
            index,
            fail_on_retake,
        } => {
            let part = match session {
                Some(session) => Part::Session(session.clone()),
                None if *index => Part::Index,
                None => Part::All,
            };
            sweep(common, part, terminal).map(|report| status(&report, *fail_on_retake))
        }
        Command::Close { session } => close(common, session, run::close),
        Command::Reopen { session } => close(common, session, run::reopen),
        Command::Check { all } => check(common, *all),
        Command::Slates { out, paper } => slates(common, paper, out.as_deref()),
        Command::Workbook { session, out } => book(common, session.as_deref(), out.as_deref()),
        Command::Explain { photos, pictures } => explain(common, photos, pictures.as_deref()),
        Command::Rehearse {
            benches,
            photos,
            seed,
            discs,
            names,
            keep,
        } => {
            let play = |folder| Play {
                n_benches: *benches as usize,
                n_photos: *photos as usize,
                seed: *seed,
                discs: match discs.as_str() {
                    "real" => Discs::Real,
                    _ => Discs::Ideal,
                },
                names: match names.as_str() {
                    "camera" => Names::Camera,
                    _ => Names::Plain,
                },
                folder,
            };
            rehearse(common, play, keep.as_deref(), terminal)
        }
        #[cfg(feature = "dng")]
        Command::UnpackRaw => run::unpack_raw()
            .map(|()| ExitCode::SUCCESS)
            .map_err(Failure::Work),
    };
    done.unwrap_or_else(|failure| {
        if let Some(terminal) = terminal {
            terminal.show(&News::Over);
        }
        eprintln!("slitwatch: {}", tame(&failure.to_string()));
        ExitCode::from(failure.exit_status())
    })
}

fn watch(
    common: &Common,
    poll: bool,
    serve: Option<SocketAddr>,
    terminal: Option<&Terminal>,
) -> Result<Report, Failure> {
    let mut configuration = common.configuration();
    let awaited = configuration.awaited();
    let file = configuration
        .file()
        .or(awaited.first().map(PathBuf::as_path));
    let file = file.unwrap_or(Path::new("")).to_owned();
    let load = |_: &Path| {
        // As long as there is no file, one that comes counts as it would at the next start.
        if configuration.file().is_none() {
            configuration = Configuration::find(common.config.as_deref());
        }
        let mut loaded = setup(common, &configuration);
        match &mut loaded {
            Ok((setup, names)) => {
                setup.orders.poll |= poll;
                names.extend(awaited.iter().cloned());
            }
            Err(unusable) => unusable.names.extend(awaited.iter().cloned()),
        }
        loaded
    };
    let (mut reload, mut setup) = reload::FromFile::open(&file, load)?;
    setup.orders.screen = screen(terminal);
    if let Some(at) = serve {
        let password = setup.orders.serve_password.as_deref();
        let address = run::serve(at, &setup.orders.results, password)?;
        setup.orders.address = Some(address);
    }
    let (bell, ears) = Bell::new();
    signals::ring(bell)?;
    let report = run::watch(setup, ears, &mut reload)?;
    tell(&report, terminal);
    Ok(report)
}

/// Who follows a run, where there is a terminal.
fn screen(terminal: Option<&Terminal>) -> Option<Arc<dyn Screen>> {
    let terminal = terminal.cloned()?;
    Some(Arc::new(terminal))
}

/// Says how a run ended.
fn tell(report: &Report, terminal: Option<&Terminal>) {
    match terminal {
        Some(terminal) => terminal.say(&closing::text(report, &terminal.looks())),
        None => closing::log(report),
    }
}

/// Writes what was asked for to stdout. A reader that has seen enough and is gone, as `head` is, is no failure.
fn hand_out(text: &str) -> Result<(), Failure> {
    let mut stdout = std::io::stdout().lock();
    let written = stdout.write_all(text.as_bytes());
    match written.and_then(|()| stdout.flush()) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => Err(Failure::Work(format!(
            "stdout cannot be written to: {error}"
        ))),
        _ => Ok(()),
    }
}

/// Closes or opens a session, and has the list of sessions say so.
fn close(
    common: &Common,
    session: &str,
    act: fn(&Orders, &str) -> Result<String, Failure>,
) -> Result<ExitCode, Failure> {
    let (mut setup, _) = setup(common, &common.configuration())?;
    let said = act(&setup.orders, session)?;
    hand_out(&format!("{}\n", tame(&said)))?;
    setup.orders.part = Part::Index;
    run::sweep(setup, Bell::new().1)?;
    Ok(ExitCode::SUCCESS)
}

fn sweep(common: &Common, part: Part, terminal: Option<&Terminal>) -> Result<Report, Failure> {
    let (mut setup, _) = setup(common, &common.configuration())?;
    setup.orders.part = part.clone();
    setup.orders.screen = screen(terminal);
    run::check_part(&setup.orders)?;
    let results = setup.orders.results.clone();
    let (bell, ears) = Bell::new();
    signals::ring(bell)?;
    let report = run::sweep(setup, ears)?;
    tell(&report, terminal);
    if let Some(first) = report.failures.first() {
        let more = match report.failures.len() - 1 {
            0 => String::new(),
            n => format!(" (and {n} more)"),
        };
        return Err(Failure::Work(format!(
            "not everything could be published: {first}{more}; put that right and run it again"
        )));
    }
    if report.stopped {
        return Err(Failure::Work(
            "stopped before the end; run it again for the rest".to_owned(),
        ));
    }
    if let Part::Session(session) = &part
        && report.records.is_empty()
    {
        return Err(run::no_such_session(&results, session));
    }
    Ok(report)
}

fn status(report: &Report, fail_on_retake: bool) -> ExitCode {
    if fail_on_retake && report.n_to_retake > 0 {
        ExitCode::from(3)
    } else {
        ExitCode::SUCCESS
    }
}

/// A file that is no configuration at all can have a mistake in every byte, and nobody reads on after so many.
const MISTAKES_SHOWN: usize = 50;

/// Reads the configuration; what was typed goes before what it says.
fn load(common: &Common, configuration: &Configuration) -> Result<Worker, Unusable> {
    let loaded = match configuration.file() {
        Some(file) => settings::load(file),
        None => Ok(settings::built_in()),
    };
    let mut settings = loaded.map_err(|mistakes| {
        let names = mistakes.iter().map(|m| m.file.clone()).collect();
        let n = mistakes.len();
        let mut text = format!(
            "{} cannot be used ({n} mistake{}):",
            configuration.file().unwrap_or(Path::new("")).display(),
            if n == 1 { "" } else { "s" }
        );
        for mistake in mistakes.iter().take(MISTAKES_SHOWN) {
            text.push_str(&format!("\n{mistake}"));
        }
        if n > MISTAKES_SHOWN {
            text.push_str(&format!("\n… and {} more", n - MISTAKES_SHOWN));
        }
        let why = Failure::Usage(text);
        Unusable { why, names }
    })?;
    if let Some(inbox) = &common.inbox {
        settings.inbox = inbox.clone();
    }
    if let Some(results) = &common.results {
        settings.results = results.clone();
    }
    if let Some(what) = settings::overlap(&settings.inbox, &settings.results) {
        let why = Failure::Usage(format!(
            "{what}: inbox {}, results {}; choose folders apart from each other",
            settings.inbox.display(),
            settings.results.display()
        ));
        let names = settings.names;
        return Err(Unusable { why, names });
    }
    Ok(Worker::new(settings))
}

/// Reads the configuration and makes it ready for the shell; also the files that it names.
fn setup(common: &Common, configuration: &Configuration) -> Loaded {
    let worker = load(common, configuration)?;
    let names = worker.settings().names.clone();
    let mut setup = worker.setup();
    if let Some(workers) = common.workers {
        setup.orders.workers = usize::from(workers);
    }
    Ok((setup, names))
}

fn init(folder: &Path) -> Result<ExitCode, Failure> {
    let program = std::env::current_exe().unwrap_or("/usr/local/bin/slitwatch".into());
    let said = run::init(folder, &program)?;
    hand_out(&format!("{}\n", tame(&said)))?;
    Ok(ExitCode::SUCCESS)
}

fn check(common: &Common, all: bool) -> Result<ExitCode, Failure> {
    let worker = load(common, &common.configuration())?;
    let settings = worker.settings();
    let described = settings::describe(settings);
    let (first, rest) = described.split_once('\n').unwrap_or((&described, ""));
    let found = run::preflight(settings);
    // What somebody must see to comes first.
    let mut lines = vec![first.to_owned()];
    lines.extend(found.attention);
    if all {
        lines.push(rest.trim_end().to_owned());
        lines.extend(found.sorted);
        lines.extend(found.well);
    } else {
        lines.push(settings::digest(settings).trim_end().to_owned());
        lines.extend(found.well);
        lines.push(
            "All rules and limits, and what becomes of each photo: slitwatch check --all"
                .to_owned(),
        );
    }
    hand_out(&format!("{}\n", tame(&lines.join("\n"))))?;
    run::would_start(settings)?;
    Ok(ExitCode::SUCCESS)
}

fn slates(common: &Common, paper: &str, out: Option<&Path>) -> Result<ExitCode, Failure> {
    let worker = load(common, &common.configuration())?;
    let page = run::printed_slates(worker.settings(), paper);
    match out {
        Some(file) => run::write_slates(&page, file)?,
        None => hand_out(&page)?,
    }
    Ok(ExitCode::SUCCESS)
}

fn book(common: &Common, session: Option<&str>, out: Option<&Path>) -> Result<ExitCode, Failure> {
    let worker = load(common, &common.configuration())?;
    let title = worker.settings().pages.title.clone();
    let said = run::write_workbook(&worker.setup().orders, &title, session, out)?;
    hand_out(&format!("{}\n", tame(&said)))?;
    Ok(ExitCode::SUCCESS)
}

fn rehearse(
    common: &Common,
    play: impl Fn(PathBuf) -> Play,
    keep: Option<&Path>,
    terminal: Option<&Terminal>,
) -> Result<ExitCode, Failure> {
    if common.inbox.is_some() || common.results.is_some() {
        let text = "a rehearsal makes its own inbox and results: use --keep DIR in place of --inbox and --results";
        return Err(Failure::Usage(text.to_owned()));
    }
    let worker = load(common, &common.configuration())?.as_one_class();
    let (bell, ears) = Bell::new();
    signals::ring(bell)?;
    // Removed with everything in it when it goes out of scope.
    let (_temporary, folder) = match keep {
        Some(folder) => (None, folder.to_owned()),
        None => {
            let made = tempfile::Builder::new()
                .prefix("slitwatch-rehearsal-")
                .tempdir();
            let made = made.map_err(|e| {
                Failure::Work(format!(
                    "no temporary folder: {e}; name one with --keep DIR"
                ))
            })?;
            let folder = made.path().to_owned();
            (Some(made), folder)
        }
    };
    let workers = common.workers.map(usize::from);
    let (score, table) =
        run::rehearse::rehearse(worker, &play(folder), workers, ears, screen(terminal))?;
    hand_out(&tame(&table))?;
    Ok(if score.all_kept() {
        ExitCode::SUCCESS
    } else {
        ExitCode::from(1)
    })
}

fn explain(
    common: &Common,
    photos: &[PathBuf],
    pictures: Option<&Path>,
) -> Result<ExitCode, Failure> {
    let worker = load(common, &common.configuration())?;
    let mut out = String::new();
    for photo in photos {
        out.push_str(&run::explain(&worker, photo, pictures)?);
        out.push('\n');
    }
    hand_out(&tame(&out))?;
    Ok(ExitCode::SUCCESS)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_is_sound_and_global_options_go_anywhere() {
        use clap::CommandFactory;
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
}
