//! Tests about what may not be read mean nothing to the administrator, who may read everything. Run by him, they run once
//! more as somebody without rights.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::process::{Command, Stdio};

/// `nobody` on most systems (Linux Standard Base has the name, not the number; common practice, no source).
const NOBODY: &str = "65534";

/// True where the named test of this program was run, and passed, without the administrator's rights; false where it is to
/// go on here: because he is not at work, or because there is no other way (which is said).
pub fn ran(test: &str) -> bool {
    if !rustix::process::geteuid().is_root() {
        return false;
    }
    let nobody = || {
        let mut command = Command::new("setpriv");
        command.args(["--reuid", NOBODY, "--regid", NOBODY, "--clear-groups"]);
        command
    };
    // Where the repository lies behind a door that is closed to others, the program cannot be started by them.
    let reaches = nobody()
        .args(["test", "-x", env!("CARGO_BIN_EXE_slitwatch")])
        .args([
            "-a",
            "-r",
            concat!(env!("CARGO_MANIFEST_DIR"), "/config/lab.yaml"),
        ])
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success());
    if !reaches {
        eprintln!("no setpriv, or no way to the program, for anybody but the administrator");
        return false;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let open = |path, mode| fs::set_permissions(path, fs::Permissions::from_mode(mode));
    open(folder.path(), 0o777).expect("a folder of ours");
    let copy = folder.path().join("tests");
    fs::copy(std::env::current_exe().expect("this program"), &copy).expect("a copy");
    open(&copy, 0o755).expect("a file of ours");
    let output = nobody()
        .arg(&copy)
        .args(["--exact", test, "--nocapture"])
        .env("TMPDIR", folder.path())
        .current_dir(folder.path())
        .output()
        .expect("setpriv");
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(
        output.status.success() && said.contains("1 passed"),
        "as nobody: {said}{}",
        String::from_utf8_lossy(&output.stderr)
    );
    true
}
