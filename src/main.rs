//! Arguments in, exit status out; everything else is the library's.

use std::process::ExitCode;

fn main() -> ExitCode {
    slitwatch::cli::main()
}
