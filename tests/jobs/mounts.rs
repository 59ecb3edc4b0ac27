//! Disks of a test's own. Mounting needs the administrator: without him the test says that it was skipped.

use std::path::{Path, PathBuf};
use std::process::Command;

/// A disk in memory, mounted as long as this lives.
pub struct Mount(PathBuf);

impl Mount {
    /// 256 KiB at `path`, which is created if missing; `None`, and a word, where that is not allowed.
    pub fn small_disk(path: &Path) -> Option<Mount> {
        std::fs::create_dir_all(path).expect("a folder");
        let arguments = ["-t", "tmpfs", "-o", "size=256k", "none"];
        if run("mount", &arguments, path) {
            return Some(Mount(path.to_owned()));
        }
        eprintln!("skipped: only the administrator can mount a small disk, and this is not him");
        None
    }

    /// Changes an option: `ro`, `rw`. False where something on it is open for writing.
    pub fn remount(&self, option: &str) -> bool {
        run("mount", &["-o", &format!("remount,{option}")], &self.0)
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        // Lazily: a daemon may be looking into it just now.
        run("umount", &["--lazy"], &self.0);
    }
}

fn run(program: &str, arguments: &[&str], path: &Path) -> bool {
    let mut command = Command::new(program);
    command.args(arguments).arg(path);
    command.stderr(std::process::Stdio::null());
    command.status().is_ok_and(|status| status.success())
}
