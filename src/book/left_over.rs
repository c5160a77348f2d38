//! What a program that was stopped in the midst of writing left behind: temporary files, and the folders of lots that
//! were not added yet. Nothing reads them, and nothing of the record is in them.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How names of what is being written begin.
pub const PREFIX: &str = ".blindsteep-";

/// What is younger may still be written by another program.
const AT_WORK: Duration = Duration::from_secs(600);

/// Whether somebody left this behind.
#[must_use]
pub fn is_left_over(path: &Path) -> bool {
    is_older(path, AT_WORK)
}

fn is_older(path: &Path, age: Duration) -> bool {
    let named = path.file_name().is_some_and(|n| n.to_string_lossy().starts_with(PREFIX));
    let since = || fs::symlink_metadata(path).ok()?.modified().ok()?.elapsed().ok();
    named && since().is_some_and(|since| since >= age)
}

/// Removes what was left behind in a book; what cannot be removed stays. Says what was removed.
#[must_use]
pub fn clear(root: &Path) -> Vec<PathBuf> {
    clear_older(root, AT_WORK)
}

fn clear_older(root: &Path, age: Duration) -> Vec<PathBuf> {
    let mut folders = vec![root.to_owned()];
    for part in ["lots", "sessions", "trials"] {
        let part = root.join(part);
        folders.extend(inside(&part).into_iter().filter(|p| p.is_dir() && !is_older(p, age)));
        folders.push(part);
    }
    let mut cleared = Vec::new();
    for path in folders.iter().flat_map(|f| inside(f)).filter(|p| is_older(p, age)) {
        let is_folder = fs::symlink_metadata(&path).is_ok_and(|m| m.is_dir());
        let gone = if is_folder { fs::remove_dir_all(&path) } else { fs::remove_file(&path) };
        if gone.is_ok() {
            cleared.push(path);
        }
    }
    cleared
}

fn inside(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).into_iter().flatten();
    entries.filter_map(|e| e.ok().map(|e| e.path())).collect()
}

#[cfg(test)]
mod tests {
    use super::{clear, clear_older};
    use std::fs;
    use std::time::Duration;

    #[test]
    fn what_was_left_behind_is_cleared_and_what_is_being_written_is_not() {
        let folder = tempfile::tempdir().expect("a folder");
        let root = folder.path();
        fs::create_dir_all(root.join("lots/L1")).expect("a lot");
        fs::create_dir_all(root.join("lots/.blindsteep-aB3")).expect("a lot that was not added");
        for file in ["lots/.blindsteep-aB3/lot.toml", "lots/L1/.blindsteep-xyz", "lots/L1/lot.toml"]
        {
            fs::write(root.join(file), "x").expect("a file");
        }
        // A moment old: another program may be at it.
        assert!(clear(root).is_empty());
        let cleared = clear_older(root, Duration::ZERO);
        assert_eq!(cleared.len(), 2, "{cleared:?}");
        assert!(!root.join("lots/.blindsteep-aB3").exists());
        assert!(!root.join("lots/L1/.blindsteep-xyz").exists());
        assert!(root.join("lots/L1/lot.toml").exists());
    }
}
