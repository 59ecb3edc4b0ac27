//! Writes the manual pages and the shells' completions of the program into a folder, for `.ci/package`:
//! `cargo run --example papers -- FOLDER`.

use std::path::Path;
use std::process::ExitCode;

use clap::CommandFactory;
use clap_complete::Shell;
use slitwatch::cli::Cli;

const NAME: &str = "slitwatch";

fn write(folder: &Path) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)?;
    clap_mangen::generate_to(Cli::command(), folder)?;
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        clap_complete::generate_to(shell, &mut Cli::command(), NAME, folder)?;
    }
    Ok(())
}

fn main() -> ExitCode {
    let Some(folder) = std::env::args_os().nth(1) else {
        eprintln!("papers: name the folder to write into");
        return ExitCode::from(2);
    };
    match write(Path::new(&folder)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("papers: {}: {error}", Path::new(&folder).display());
            ExitCode::FAILURE
        }
    }
}
