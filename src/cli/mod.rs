//! The command line: what was typed, made into a call of the library, and its outcome made into words and a status.
//!
//! Results go to the results folder and never to stdout unless asked for; everything said about them goes to stderr.

mod closing;
mod line;
mod log;
mod tame;
mod terminal;

use std::io::{ErrorKind, Write as _};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use crate::run::rehearse::{Discs, Names, Play};
use crate::run::reload::{Loaded, Unusable};
use crate::run::{
    self, Bell, Configuration, Failure, News, Orders, Part, Report, Screen, Worker, reload, signals,
};
use crate::settings;

use line::Said;
pub use line::{Cli, Command, Common};
pub use log::LogFormat;
use tame::tame;
use terminal::Terminal;

/// The program.
pub fn main() -> ExitCode {
    let cli = match Cli::typed() {
        Ok(cli) => cli,
        Err(Said::Asked(text)) => return ended(hand_out(&text)),
        Err(Said::Wrong(text)) => return ended(Err(Failure::Usage(text))),
    };
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
        Command::HandIn {
            session,
            bench,
            out,
        } => hand_in(common, (session.as_deref(), bench), out.as_deref()),
        Command::LabSheet {
            bench,
            address,
            paper,
            out,
        } => lab_sheet(common, (bench, address.as_deref(), paper), out.as_deref()),
        Command::Explain { photos, pictures } => explain(common, photos, pictures.as_deref()),
        Command::Help { command } => line::help(command.as_deref())
            .map_err(Failure::Usage)
            .and_then(|text| hand_out(&text)),
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
    if let (Err(_), Some(terminal)) = (&done, terminal) {
        terminal.show(&News::Over);
    }
    ended(done)
}

/// Says why it failed, where it did.
fn ended(done: Result<ExitCode, Failure>) -> ExitCode {
    done.unwrap_or_else(|failure| {
        eprintln!("slitwatch: {}", tame(&failure.to_string()));
        ExitCode::from(failure.exit_status())
    })
}

/// The configuration that counts. Says which it is where nobody has named it.
fn configuration(common: &Common) -> Configuration {
    let configuration = Configuration::find(common.config.as_deref());
    if let Some(said) = configuration.said() {
        // A bar keeps such words out of the log.
        if tracing::enabled!(tracing::Level::INFO) {
            tracing::info!("{}", tame(&said));
        } else if common.quiet == 0 {
            eprintln!("slitwatch: {}", tame(&said));
        }
    }
    configuration
}

fn watch(
    common: &Common,
    poll: bool,
    serve: Option<SocketAddr>,
    terminal: Option<&Terminal>,
) -> Result<Report, Failure> {
    let mut configuration = configuration(common);
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
        let address = {
            let phrases = &setup.orders.phrases;
            run::serve(at, &setup.orders.results, password, phrases)?
        };
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
fn hand_out(text: &str) -> Result<ExitCode, Failure> {
    let mut stdout = std::io::stdout().lock();
    let written = stdout.write_all(text.as_bytes());
    match written.and_then(|()| stdout.flush()) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => Err(Failure::Work(format!(
            "stdout cannot be written to: {error}"
        ))),
        _ => Ok(ExitCode::SUCCESS),
    }
}

/// Writes a line, or several, in letters that no terminal takes for orders.
fn say(said: &str) -> Result<ExitCode, Failure> {
    hand_out(&format!("{}\n", tame(said)))
}

/// Closes or opens a session, and has the list of sessions say so.
fn close(
    common: &Common,
    session: &str,
    act: fn(&Orders, &str) -> Result<String, Failure>,
) -> Result<ExitCode, Failure> {
    let (mut setup, _) = setup(common, &configuration(common))?;
    let said = act(&setup.orders, session)?;
    say(&said)?;
    setup.orders.part = Part::Index;
    run::sweep(setup, Bell::new().1)?;
    Ok(ExitCode::SUCCESS)
}

fn sweep(common: &Common, part: Part, terminal: Option<&Terminal>) -> Result<Report, Failure> {
    let (mut setup, _) = setup(common, &configuration(common))?;
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
        setup.orders.workers = workers as usize;
    }
    Ok((setup, names))
}

fn init(folder: &Path) -> Result<ExitCode, Failure> {
    let program = std::env::current_exe().unwrap_or("/usr/local/bin/slitwatch".into());
    let said = run::init(folder, &program)?;
    say(&said)
}

fn check(common: &Common, all: bool) -> Result<ExitCode, Failure> {
    let worker = load(common, &configuration(common))?;
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
    say(&lines.join("\n"))?;
    run::would_start(settings)?;
    Ok(ExitCode::SUCCESS)
}

fn slates(common: &Common, paper: &str, out: Option<&Path>) -> Result<ExitCode, Failure> {
    let worker = load(common, &configuration(common))?;
    let page = run::printed_slates(worker.settings(), paper);
    match out {
        Some(file) => run::write_slates(&page, file).map(|()| ExitCode::SUCCESS),
        None => hand_out(&page),
    }
}

fn book(common: &Common, session: Option<&str>, out: Option<&Path>) -> Result<ExitCode, Failure> {
    let worker = load(common, &configuration(common))?;
    let said = run::write_workbook(&worker.setup().orders, session, out)?;
    say(&said)
}

fn hand_in(
    common: &Common,
    wanted: (Option<&str>, &[String]),
    out: Option<&Path>,
) -> Result<ExitCode, Failure> {
    let worker = load(common, &configuration(common))?;
    let settings = worker.settings().clone();
    let said = run::write_hand_ins(&settings, &worker.setup().orders, wanted, out)?;
    say(&said)
}

fn lab_sheet(
    common: &Common,
    wanted: (&[String], Option<&str>, &str),
    out: Option<&Path>,
) -> Result<ExitCode, Failure> {
    let worker = load(common, &configuration(common))?;
    let said = run::write_lab_sheets(worker.settings(), wanted, out)?;
    say(&said)
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
    let worker = load(common, &configuration(common))?.as_one_class();
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
    let workers = common.workers.map(|n| n as usize);
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
    let worker = load(common, &configuration(common))?;
    let mut out = String::new();
    for photo in photos {
        out.push_str(&run::explain(&worker, photo, pictures)?);
        out.push('\n');
    }
    hand_out(&tame(&out))
}
