//! Sessions spread by a batch engine: README.md's job array, run by a Slurm of this machine alone (Debian's `slurm-wlm` and `munge`),
//! makes the tree of one sweep. With `SLITWATCH_SLURM=1`, where it can be started.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use crate::lab::asked;
use crate::real::{Place, assert_same_tree, shipped, stderr};

/// Two nodes' worth of slots.
const SLOTS: usize = 4;
const SESSIONS: usize = 6;

/// Slurm's daemons and the one that vouches for users; killed when it is let go.
struct Slurm {
    daemons: Vec<Child>,
    config: PathBuf,
}

impl Drop for Slurm {
    fn drop(&mut self) {
        for daemon in self.daemons.iter_mut().rev() {
            let _ = daemon.kill();
            let _ = daemon.wait();
        }
    }
}

/// A shell script of README.md, by its first lines.
fn from_readme(begins: &str) -> String {
    let text = fs::read_to_string(shipped("README.md")).unwrap();
    let script = text
        .split("```sh\n")
        .find(|block| block.starts_with(begins));
    let script = script.unwrap_or_else(|| panic!("README.md has no {begins:?}"));
    script.split("```").next().unwrap().to_owned()
}

impl Slurm {
    /// Starts it in a folder; why not, where that cannot be done.
    fn start(folder: &Path) -> Result<Slurm, String> {
        let host = fs::read_to_string("/proc/sys/kernel/hostname").map_err(|e| e.to_string())?;
        let host = host.trim();
        let at = |name: &str| folder.join(name).display().to_string();
        for name in ["state", "spool", "munge"] {
            fs::create_dir(folder.join(name)).map_err(|e| e.to_string())?;
        }
        fs::write(at("munge.key"), [7u8; 64]).map_err(|e| e.to_string())?;
        let own = Command::new("chmod")
            .args(["600", &at("munge.key")])
            .status();
        own.map_err(|e| e.to_string())?;
        let socket = at("munge/socket");
        let text = format!(
            "ClusterName=quay\nSlurmctldHost={host}(127.0.0.1)\nSlurmUser=root\nAuthType=auth/munge\nAuthInfo=socket={socket}\n\
             CryptoType=crypto/munge\nMpiDefault=none\nProctrackType=proctrack/linuxproc\nTaskPlugin=task/none\nReturnToService=2\n\
             SlurmctldPort=16817\nSlurmdPort=16818\nStateSaveLocation={}\nSlurmdSpoolDir={}\nSlurmctldPidFile={}\nSlurmdPidFile={}\n\
             SelectType=select/cons_tres\nSelectTypeParameters=CR_CPU\nSlurmctldParameters=idle_on_node_suspend\n\
             SlurmdParameters=config_overrides\n\
             NodeName={host} NodeAddr=127.0.0.1 CPUs={SLOTS} RealMemory=500 State=UNKNOWN\n\
             PartitionName=all Nodes={host} Default=YES MaxTime=INFINITE State=UP\n",
            at("state"),
            at("spool"),
            at("ctld.pid"),
            at("d.pid"),
        );
        let config = folder.join("slurm.conf");
        fs::write(&config, text).map_err(|e| e.to_string())?;
        let mut slurm = Slurm {
            daemons: Vec::new(),
            config,
        };
        slurm.daemon(
            "munged",
            &[
                "--foreground",
                "--force",
                &format!("--socket={socket}"),
                &format!("--key-file={}", at("munge.key")),
                &format!("--log-file={}", at("munged.log")),
                &format!("--pid-file={}", at("munged.pid")),
                &format!("--seed-file={}", at("munged.seed")),
            ],
        )?;
        std::thread::sleep(Duration::from_millis(500));
        slurm.daemon("slurmctld", &["-D", "-i"])?;
        slurm.daemon("slurmd", &["-D"])?;
        let deadline = Instant::now() + Duration::from_secs(60);
        loop {
            let said = slurm.ask("sinfo", &["-h", "-o", "%t"], folder);
            if said.as_deref().is_ok_and(|said| said.trim() == "idle") {
                return Ok(slurm);
            }
            if Instant::now() > deadline {
                return Err(format!("its node does not come up: {said:?}"));
            }
            std::thread::sleep(Duration::from_millis(500));
        }
    }

    fn daemon(&mut self, program: &str, arguments: &[&str]) -> Result<(), String> {
        let mut command = Command::new(program);
        command.args(arguments).env("SLURM_CONF", &self.config);
        command
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null());
        let child = command.spawn().map_err(|e| format!("{program}: {e}"))?;
        self.daemons.push(child);
        Ok(())
    }

    fn ask(&self, program: &str, arguments: &[&str], folder: &Path) -> Result<String, String> {
        let mut command = Command::new(program);
        command.args(arguments).env("SLURM_CONF", &self.config);
        let bin = Path::new(env!("CARGO_BIN_EXE_slitwatch")).parent().unwrap();
        let path = std::env::var("PATH").unwrap_or_default();
        command.env("PATH", format!("{}:{path}", bin.display()));
        let output = command.current_dir(folder).output();
        let output = output.map_err(|e| format!("{program}: {e}"))?;
        match output.status.success() {
            true => Ok(String::from_utf8_lossy(&output.stdout).into_owned()),
            false => Err(format!("{program}: {}", stderr(&output))),
        }
    }
}

#[test]
fn a_job_array_makes_the_tree_of_one_sweep() {
    if asked("SLITWATCH_SLURM").is_none() {
        eprintln!("skipped: SLITWATCH_SLURM=1 starts a batch engine of its own");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let slurm = match Slurm::start(folder.path()) {
        Ok(slurm) => slurm,
        Err(why) => {
            eprintln!("skipped: Slurm cannot be started here ({why})");
            return;
        }
    };
    let place = Place::new();
    let lab = place.path("");
    for session in 0..SESSIONS {
        for bench in ["heron", "dunlin"] {
            for k in 0..3 {
                let below = format!("evening-{session}/{bench}/");
                let (photo, bytes) = crate::costs::drawn(k, &below);
                place.put(&format!("{below}{photo}"), &bytes);
            }
        }
    }
    let text = fs::read_to_string(shipped("config/lab.yaml")).unwrap();
    let text = text
        .replace("  by: none", "  by: folder")
        .replace("inbox: ../demo-inbox", "inbox: inbox")
        .replace("results: ../results", "results: results");
    fs::write(place.path("lab.yaml"), text).unwrap();
    fs::write(place.path("term.sh"), from_readme("#!/bin/sh\n# sbatch")).unwrap();
    // README's two commands, and a wait for the last job's end.
    let script = from_readme("job=$(sbatch").replace("--wrap", "--wait --wrap");
    let began = Instant::now();
    slurm.ask("sh", &["-ec", &script], &lab).expect("the jobs");
    let jobs = slurm
        .ask("scontrol", &["-o", "show", "jobs"], &lab)
        .unwrap_or_default();
    let n_done = jobs.matches("JobState=COMPLETED").count();
    eprintln!("{n_done} jobs in {:.1?}", began.elapsed());
    assert_eq!(n_done, SESSIONS + 1, "{jobs}");
    let spread = place.tree();
    fs::remove_dir_all(place.results()).unwrap();
    let config = place.path("lab.yaml");
    let output = place.run(&["sweep", "--config", config.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(spread.len() > 100);
    assert_same_tree(&spread, &place.tree(), "by Slurm, or at once");
}
