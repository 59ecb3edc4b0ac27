//! What would go wrong on the day, found out before it: folders, rights, space, the system's limits.

use std::fs;
use std::path::Path;

use crate::settings::Settings;

/// Free space below which a class's results may not fit, bytes: some 1 MiB a photo.
const LITTLE_SPACE: u64 = 2 << 30;

/// One line for each thing that needs attention, or one that says all is well. Changes nothing on the disk.
pub fn preflight(settings: &Settings) -> Vec<String> {
    let mut doubts = Vec::new();
    match fs::read_dir(&settings.inbox) {
        Ok(entries) => {
            let n = entries.count();
            doubts.push(format!("ok: the inbox {} can be read ({n} entries at its top)", settings.inbox.display()));
        }
        Err(error) => doubts.push(format!(
            "ATTENTION: the inbox {} cannot be read ({error}): make the folder, or correct `inbox:`",
            settings.inbox.display()
        )),
    }
    let standing = nearest_standing(&settings.results);
    match fs::metadata(standing) {
        Ok(meta) if meta.permissions().readonly() => doubts.push(format!(
            "ATTENTION: the results cannot be written: {} is read-only",
            standing.display()
        )),
        Ok(_) => match rustix::fs::statvfs(standing) {
            Ok(space) => {
                let free = space.f_bavail * space.f_frsize;
                let word = if free < LITTLE_SPACE {
                    "ATTENTION"
                } else {
                    "ok"
                };
                doubts.push(format!(
                    "{word}: {:.1} GiB free for the results in {} (about 1 MiB a photo)",
                    free as f64 / f64::from(1u32 << 30),
                    settings.results.display()
                ));
            }
            Err(error) => doubts.push(format!(
                "ATTENTION: free space at {} is not known: {error}",
                standing.display()
            )),
        },
        Err(error) => doubts.push(format!(
            "ATTENTION: {} cannot be looked at: {error}",
            standing.display()
        )),
    }
    let limit = "/proc/sys/fs/inotify/max_user_watches";
    if let Ok(text) = fs::read_to_string(limit)
        && let Ok(watches) = text.trim().parse::<u64>()
        && watches < 1024
    {
        doubts.push(format!(
            "ATTENTION: the system allows {watches} watched folders ({limit}); with more, new photos are seen only every \
             {} s",
            settings.arrival.rescan_s
        ));
    }
    doubts
}

fn nearest_standing(path: &Path) -> &Path {
    let mut here = path;
    while !here.exists() {
        match here.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => here = parent,
            _ => return Path::new("."),
        }
    }
    here
}
