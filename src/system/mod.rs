//! What the operating system is asked for beyond Rust's own library: which file is which, where a file system lies, folders that
//! change places, signals, the service manager, what the computer has left.
//!
//! Everything that differs between systems is here, and nothing else in the program names one. Linux is what is tested. Elsewhere
//! [`portable`] answers: with what Rust's library gives, with "not known", or with a refusal, so that the program lists and reads
//! more than it must, and says so, but loses nothing. A port to another system is one more file like `linux.rs`.

#[cfg(all(target_os = "linux", not(portable)))]
mod linux;
pub mod portable;
mod words;

#[cfg(all(target_os = "linux", not(portable)))]
use linux as here;
#[cfg(any(not(target_os = "linux"), portable))]
use portable as here;

pub use here::{
    allowed, change_places, disk_is_at_fault, file_numbers, free_memory, is_link_in_the_way,
    kernel_limit, killer, kind_of_no_file, limit_own_memory, look_at, manager_waits, network_kind,
    numbers_mean_content, open_files, open_plain, processor_time_s, signals, space, sync_folder,
    tell_manager,
};

pub use words::{FileNumbers, Right, Signal, Space, Word};

#[cfg(test)]
mod tests {
    use std::fs;
    use std::io::Read;
    use std::path::Path;

    /// What both must do alike, each by its own means.
    macro_rules! alike {
        ($name:ident) => {
            mod $name {
                use super::super::$name::*;
                use super::*;

                #[test]
                fn a_file_is_opened_and_no_link_is_followed() {
                    let place = tempfile::tempdir().unwrap();
                    let at = |name: &str| place.path().join(name);
                    fs::create_dir_all(at("inbox/heron")).unwrap();
                    fs::create_dir(at("outside")).unwrap();
                    fs::write(at("inbox/heron/a.jpg"), "light").unwrap();
                    fs::write(at("outside/a.jpg"), "secret").unwrap();
                    std::os::unix::fs::symlink("../outside", at("inbox/tern")).unwrap();
                    std::os::unix::fs::symlink("a.jpg", at("inbox/heron/b.jpg")).unwrap();
                    let root = at("inbox");
                    let open = |below: &str| open_plain(&root, Path::new(below));
                    let mut text = String::new();
                    open("heron/a.jpg")
                        .unwrap()
                        .read_to_string(&mut text)
                        .unwrap();
                    assert_eq!(text, "light");
                    for link in ["tern/a.jpg", "heron/b.jpg"] {
                        let error = open(link).unwrap_err();
                        assert!(is_link_in_the_way(&error), "{link}: {error:?}");
                    }
                    for outside in [
                        "../outside/a.jpg",
                        "heron/../../outside/a.jpg",
                        "/etc/hostname",
                        "",
                    ] {
                        assert!(open(outside).is_err(), "{outside}");
                    }
                    assert!(look_at(&root, Path::new("heron/a.jpg")).unwrap().is_file());
                    assert!(
                        !look_at(&root, Path::new("heron/b.jpg"))
                            .is_ok_and(|found| found.is_file())
                    );
                    assert!(look_at(&root, Path::new("heron/c.jpg")).is_err());
                }

                #[test]
                fn a_replaced_file_has_other_numbers_or_another_time() {
                    let place = tempfile::tempdir().unwrap();
                    let path = place.path().join("a.jpg");
                    let numbers = || file_numbers(&fs::symlink_metadata(&path).unwrap());
                    fs::write(&path, "light").unwrap();
                    let before = numbers();
                    assert_eq!(numbers(), before);
                    // Files of one tick of the kernel's clock bear the same time.
                    std::thread::sleep(std::time::Duration::from_millis(30));
                    fs::write(place.path().join("b.jpg"), "night").unwrap();
                    fs::rename(place.path().join("b.jpg"), &path).unwrap();
                    assert_ne!(numbers(), before);
                }

                #[test]
                fn what_is_known_is_sensible() {
                    let place = tempfile::tempdir().unwrap();
                    assert!(allowed(place.path(), Right::MakeFiles));
                    assert!(sync_folder(place.path()).is_ok());
                    assert!(free_memory().is_none_or(|bytes| bytes > 1 << 20));
                    assert!(open_files().is_none_or(|n| n > 8));
                    assert!(space(place.path()).map_or(true, |space| space.bytes > 0));
                    assert!(processor_time_s().is_none_or(|s| s >= 0.0));
                    assert!(kernel_limit("no.such.limit").is_none());
                }

                #[test]
                fn folders_change_places_or_are_left_where_they_are() {
                    let place = tempfile::tempdir().unwrap();
                    let at = |name: &str| place.path().join(name);
                    for name in ["a", "b"] {
                        fs::create_dir(at(name)).unwrap();
                        fs::write(at(name).join("which"), name).unwrap();
                    }
                    let changed = change_places(&at("a"), &at("b")).unwrap();
                    let a = fs::read_to_string(at("a").join("which")).unwrap();
                    assert_eq!(a, if changed { "b" } else { "a" });
                }
            }
        };
    }

    use super::Right;
    alike!(portable);
    #[cfg(all(target_os = "linux", not(portable)))]
    alike!(linux);
}
