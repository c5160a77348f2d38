//! How the record reaches the disk: whole or not at all.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::time::Duration;

use sha2::{Digest as _, Sha256};

use super::problem::{Place, Problem, Problems};

/// A file or folder that could not be read or written.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The system refused.
    #[error("cannot {doing} {}: {source}{}", path.display(), hint(source))]
    Io {
        /// What was tried.
        doing: &'static str,
        /// On what.
        path: PathBuf,
        /// Why not.
        source: io::Error,
    },
    /// A file that must not be there is.
    #[error("{} exists already and is not written over", .0.display())]
    Exists(PathBuf),
    /// The text that was read is no longer the one on disk.
    #[error("{} was changed by somebody else since it was read; nothing was written: read it again", .0.display())]
    Changed(PathBuf),
    /// The folder of a file that is to be written is not there.
    #[error("cannot write {}: there is no folder {}\n  expected: a folder that is there\n  to mend:  make it (mkdir -p {}), or give another path", path.display(), folder.display(), folder.display())]
    NoFolder {
        /// The file.
        path: PathBuf,
        /// The folder.
        folder: PathBuf,
    },
    /// Another program is writing to the book.
    #[error("another blindsteep is writing to this book ({}); try again when it has finished", .0.display())]
    Locked(PathBuf),
    /// A file that is not text.
    #[error("{} is not UTF-8 text: the first bad byte is at line {line}, column {column}", path.display())]
    NotText {
        /// The file.
        path: PathBuf,
        /// Line of the first bad byte, from 1.
        line: usize,
        /// Its column in characters, from 1.
        column: usize,
    },
    /// A file too large to be one of the record.
    #[error("{} holds {megabytes} MB; a file of the record has at most {limit} MB", path.display())]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// Its size.
        megabytes: u64,
        /// The limit.
        limit: u64,
    },
}

/// How a refusal of the system is mended, where that is plain.
fn hint(source: &io::Error) -> &'static str {
    match source.kind() {
        io::ErrorKind::NotFound => "\n  to mend:  correct the path: nothing is there",
        io::ErrorKind::PermissionDenied => {
            "\n  to mend:  give another path, or have its owner grant access"
        }
        _ => "",
    }
}

/// Attaches what was tried and on what to a refusal of the system.
pub fn io<'a>(doing: &'static str, path: &'a Path) -> impl FnOnce(io::Error) -> StoreError + 'a {
    move |source| StoreError::Io { doing, path: path.to_owned(), source }
}

/// SHA-256 of bytes, in lower-case hex.
#[must_use]
pub fn digest(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}

/// The most megabytes that a file of the record, or a table to analyse, may have.
pub const LIMIT_MB: u64 = 64;

/// Reads a text file of the record.
///
/// # Errors
/// If it can't be read, is too large, or is not UTF-8.
pub fn read_text(path: &Path) -> Result<String, StoreError> {
    read_whole(path).map(|w| w.text)
}

/// A text file as one reading found it.
#[derive(Debug, Clone)]
pub struct Whole {
    /// Its text, without the byte order mark.
    pub text: String,
    marked: bool,
}

impl Whole {
    /// SHA-256 of the bytes that were read, the mark among them.
    #[must_use]
    pub fn digest(&self) -> String {
        if self.marked {
            digest(&[MARK, self.text.as_bytes()].concat())
        } else {
            digest(self.text.as_bytes())
        }
    }
}

/// Spreadsheets write a byte order mark; it means nothing in UTF-8.
const MARK: &[u8] = b"\xef\xbb\xbf";

pub(super) fn read_whole(path: &Path) -> Result<Whole, StoreError> {
    let metadata = fs::metadata(path).map_err(io("read", path))?;
    if !metadata.is_file() {
        // A device or a pipe may never end.
        let source = io::Error::new(io::ErrorKind::InvalidInput, "it is not a plain file");
        return Err(io("read", path)(source));
    }
    let size = metadata.len();
    if size > LIMIT_MB * 1_000_000 {
        return Err(StoreError::TooLarge {
            path: path.to_owned(),
            megabytes: size / 1_000_000,
            limit: LIMIT_MB,
        });
    }
    let mut bytes = fs::read(path).map_err(io("read", path))?;
    let marked = bytes.starts_with(MARK);
    if marked {
        bytes.drain(..MARK.len());
    }
    String::from_utf8(bytes).map(|text| Whole { text, marked }).map_err(|e| {
        let valid = String::from_utf8_lossy(&e.as_bytes()[..e.utf8_error().valid_up_to()]);
        let line = valid.matches('\n').count() + 1;
        let column = valid.rsplit('\n').next().unwrap_or_default().chars().count() + 1;
        StoreError::NotText { path: path.to_owned(), line, column }
    })
}

/// Reads a text file of the record for one of its readers: what is wrong with the file itself
/// goes into `problems` like any other mistake.
///
/// # Errors
/// Only if the disk refuses.
pub fn read_for_check(
    root: &Path,
    file: &str,
    problems: &mut Problems,
) -> Result<Option<Whole>, StoreError> {
    let path = root.join(file);
    let mut wrong = |place, found: String, expected: String, mend: &str| {
        problems.push(Problem::new(file, place, found, expected, mend));
        Ok(None)
    };
    if !path.exists() {
        return wrong(
            None,
            "the file is missing".to_owned(),
            "a file of this name".to_owned(),
            "fetch it from a copy of the book, or write it anew",
        );
    }
    if path.is_dir() {
        return wrong(
            None,
            "a folder stands where a file should be".to_owned(),
            "a file of this name".to_owned(),
            "move the folder away",
        );
    }
    match read_whole(&path) {
        Ok(whole) => Ok(Some(whole)),
        Err(StoreError::NotText { line, column, .. }) => {
            let bytes = fs::read(&path).map_err(io("read", &path))?;
            let text = String::from_utf8_lossy(&bytes);
            let text = text.strip_prefix('\u{feff}').unwrap_or(&text);
            let text = text.split('\n').nth(line - 1).unwrap_or_default();
            let text = text.trim_end_matches('\r').to_owned();
            let place = Place { line, column, width: 1, text };
            wrong(
                Some(place),
                "a byte here is not UTF-8 text".to_owned(),
                "text in UTF-8".to_owned(),
                "open it in an editor (a table also in a spreadsheet) and save it as UTF-8",
            )
        }
        Err(StoreError::TooLarge { megabytes, limit, .. }) => wrong(
            None,
            format!("the file holds {megabytes} MB"),
            format!("at most {limit} MB"),
            "see whether this is the right file, and move it out of the book",
        ),
        Err(e) => Err(e),
    }
}

/// Replaces a description as a whole: a temporary file in the same folder, synced, renamed over
/// the old one, the folder synced, the mode kept. With `read` the digest of the text that the
/// caller saw, nothing is written if the file holds something else by now.
///
/// # Errors
/// [`StoreError::Changed`], or if the disk refuses; the old text then stands untouched.
pub fn replace(path: &Path, text: &str, read: Option<&str>) -> Result<(), StoreError> {
    if let Some(seen) = read
        && digest(&fs::read(path).map_err(io("read", path))?) != seen
    {
        return Err(StoreError::Changed(path.to_owned()));
    }
    replace_bytes(path, text.as_bytes())
}

/// As [`replace`], for bytes, whatever the file holds.
///
/// # Errors
/// If the disk refuses; the old file then stands untouched.
pub fn replace_bytes(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let mode = fs::metadata(path).ok().map(|m| m.permissions());
    let temporary = write_bytes_beside(&OwnDisk, path, bytes)?;
    if let Some(mode) = mode {
        temporary.as_file().set_permissions(mode).map_err(io("keep the mode of", path))?;
    } else {
        usual_mode(temporary.as_file(), path)?;
    }
    temporary.persist(path).map_err(|e| io("write", path)(e.error))?;
    sync_folder(path)
}

/// Writes a file that must not exist yet, whole or not at all.
///
/// # Errors
/// [`StoreError::Exists`], or if the disk refuses.
pub fn create_new(path: &Path, text: &str) -> Result<(), StoreError> {
    create_new_bytes(path, text.as_bytes())
}

/// As [`create_new`], for bytes.
///
/// # Errors
/// As [`create_new`].
pub fn create_new_bytes(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    create_new_on(&OwnDisk, path, bytes)
}

fn create_new_on(disk: &dyn Disk, path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let temporary = write_bytes_beside(disk, path, bytes)?;
    usual_mode(temporary.as_file(), path)?;
    temporary.persist_noclobber(path).map_err(|e| {
        if e.error.kind() == io::ErrorKind::AlreadyExists {
            StoreError::Exists(path.to_owned())
        } else {
            io("write", path)(e.error)
        }
    })?;
    sync_folder(path)
}

fn write_bytes_beside(
    disk: &dyn Disk,
    path: &Path,
    bytes: &[u8],
) -> Result<tempfile::NamedTempFile, StoreError> {
    let folder = folder_of(path);
    let mut temporary = tempfile::Builder::new()
        .prefix(super::left_over::PREFIX)
        .tempfile_in(folder)
        .map_err(|e| without_name(path, &e))?;
    disk.write(temporary.as_file_mut(), bytes).map_err(io("write", path))?;
    disk.sync(temporary.as_file()).map_err(io("sync", path))?;
    Ok(temporary)
}

/// Why a file cannot be written, by the name that was asked for: that of the temporary file beside it
/// says nothing to anybody.
fn without_name(path: &Path, error: &io::Error) -> StoreError {
    let folder = folder_of(path);
    if !folder.is_dir() {
        return StoreError::NoFolder { path: path.to_owned(), folder: folder.to_owned() };
    }
    // The kind alone: the text of the error has the temporary name.
    let source = io::Error::from(error.kind());
    StoreError::Io { doing: "write", path: path.to_owned(), source }
}

/// Temporary files are made private; what replaces nothing gets the usual mode of a new file.
#[cfg(unix)]
fn usual_mode(file: &File, path: &Path) -> Result<(), StoreError> {
    use std::os::unix::fs::PermissionsExt as _;
    file.set_permissions(fs::Permissions::from_mode(0o644)).map_err(io("set the mode of", path))
}

#[cfg(not(unix))]
fn usual_mode(_: &File, _: &Path) -> Result<(), StoreError> {
    Ok(())
}

/// Gives a folder that was made private the usual mode of a new one.
///
/// # Errors
/// If the disk refuses.
#[cfg(unix)]
pub(super) fn usual_folder_mode(path: &Path) -> Result<(), StoreError> {
    use std::os::unix::fs::PermissionsExt as _;
    fs::set_permissions(path, fs::Permissions::from_mode(0o755))
        .map_err(io("set the mode of", path))
}

#[cfg(not(unix))]
pub(super) fn usual_folder_mode(_: &Path) -> Result<(), StoreError> {
    Ok(())
}

fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

fn sync_folder(path: &Path) -> Result<(), StoreError> {
    let folder = folder_of(path);
    if cfg!(unix) {
        File::open(folder).and_then(|f| f.sync_all()).map_err(io("sync", folder))?;
    }
    Ok(())
}

/// Makes a folder and those above it; its own name is synced, so that what is written into it stays found.
///
/// # Errors
/// If the disk refuses.
pub fn make_folder(path: &Path) -> Result<(), StoreError> {
    if path.is_dir() {
        return Ok(());
    }
    fs::create_dir_all(path).map_err(io("make the folder", path))?;
    sync_folder(path)
}

/// What brings bytes onto a disk. The system's is [`OwnDisk`]; a test may fill up another one, or watch it.
pub trait Disk: Send + Sync + std::fmt::Debug {
    /// Writes all the bytes.
    ///
    /// # Errors
    /// Why the system refused; some of the bytes may have been written.
    fn write(&self, file: &mut File, bytes: &[u8]) -> io::Result<()>;

    /// Returns once all that was written to the file would outlast a power cut.
    ///
    /// # Errors
    /// Why the system refused.
    fn sync(&self, file: &File) -> io::Result<()>;
}

/// The disk of this machine.
#[derive(Debug, Clone, Copy)]
pub struct OwnDisk;

impl Disk for OwnDisk {
    fn write(&self, file: &mut File, bytes: &[u8]) -> io::Result<()> {
        file.write_all(bytes)
    }

    fn sync(&self, file: &File) -> io::Result<()> {
        file.sync_data()
    }
}

/// Appends whole lines to a log (made with its header line if it is new) and syncs it.
/// A torn last line is set aside first, into a file named like the log with `.torn` behind it.
/// If the disk is full the log is cut back to what it was: a record is whole or absent.
///
/// # Errors
/// If the disk refuses.
pub fn append(path: &Path, header: &str, lines: &str) -> Result<(), StoreError> {
    append_on(&OwnDisk, path, header, lines)
}

/// As [`append`], on a disk of the caller's.
///
/// # Errors
/// As [`append`].
pub fn append_on(
    disk: &dyn Disk,
    path: &Path,
    header: &str,
    lines: &str,
) -> Result<(), StoreError> {
    debug_assert!(lines.ends_with('\n') && header.ends_with('\n'), "a line has its end");
    let new = !path.exists();
    if new {
        return create_new_on(disk, path, format!("{header}{lines}").as_bytes());
    }
    let mut file =
        OpenOptions::new().read(true).append(true).open(path).map_err(io("open", path))?;
    let length = set_torn_aside(&mut file, path)?;
    let written = disk.write(&mut file, lines.as_bytes()).and_then(|()| disk.sync(&file));
    if let Err(source) = written {
        // Best effort: a tail that stays is set aside by the next writer.
        let _ = file.set_len(length).and_then(|()| file.sync_data());
        return Err(io("append to", path)(source));
    }
    Ok(())
}

fn set_torn_aside(file: &mut File, path: &Path) -> Result<u64, StoreError> {
    let length = file.metadata().map_err(io("read", path))?.len();
    if length == 0 {
        return Ok(0);
    }
    let mut last = [0_u8];
    file.seek(SeekFrom::End(-1))
        .and_then(|_| file.read_exact(&mut last))
        .map_err(io("read", path))?;
    if last == *b"\n" {
        return Ok(length);
    }
    let mut bytes = Vec::new();
    file.seek(SeekFrom::Start(0))
        .and_then(|_| file.read_to_end(&mut bytes))
        .map_err(io("read", path))?;
    let whole = bytes.iter().rposition(|b| *b == b'\n').map_or(0, |i| i + 1);
    let mut aside = path.as_os_str().to_owned();
    aside.push(".torn");
    let aside = PathBuf::from(aside);
    let mut torn =
        OpenOptions::new().create(true).append(true).open(&aside).map_err(io("open", &aside))?;
    torn.write_all(&bytes[whole..])
        .and_then(|()| torn.write_all(b"\n"))
        .and_then(|()| torn.sync_all())
        .map_err(io("write", &aside))?;
    file.set_len(whole as u64).map_err(io("cut back", path))?;
    Ok(whole as u64)
}

/// Held while a book is written to, so that two writers take turns. The lock is advisory: it
/// does not hold on network or synced folders, so nothing leans on it for the record's safety.
#[derive(Debug)]
pub struct WriteLock {
    _file: File,
    /// Held as well, so that those who write beside one another let this writer in.
    _turn: Option<File>,
}

/// Held by each of those who write beside one another, every one to a file of their own (the ballots
/// of a tasting). Whoever takes the [`WriteLock`] waits until they are done, and they for that one.
#[derive(Debug)]
pub struct BesideLock {
    _file: File,
}

/// The turnstile: who wants to write alone holds it, and nobody begins to write beside others before it is
/// free again. Without it sixty phones would never leave a gap to close a session in.
const TURN: &str = ".desk/turn";

impl WriteLock {
    /// Takes the lock of a book; waits a second for one who holds it, since a write is short.
    ///
    /// # Errors
    /// [`StoreError::Locked`] if another program still holds it then.
    pub fn take(root: &Path) -> Result<Self, StoreError> {
        let turn = root.join(TURN);
        let turn =
            if turn.exists() { Some(locked(root, TURN, File::try_lock, SHORTLY)?) } else { None };
        Ok(Self { _file: locked(root, ".lock", File::try_lock, SHORTLY)?, _turn: turn })
    }
}

impl BesideLock {
    /// Takes the lock beside others; waits five seconds for one who writes alone.
    ///
    /// # Errors
    /// [`StoreError::Locked`] if that one still writes then.
    pub fn take(root: &Path) -> Result<Self, StoreError> {
        let _turn = locked(root, TURN, File::try_lock_shared, PATIENTLY)?;
        Ok(Self { _file: locked(root, ".lock", File::try_lock_shared, PATIENTLY)? })
    }

    /// Makes what the lock needs in a book's folder.
    ///
    /// # Errors
    /// If the disk refuses.
    pub fn make_ready(root: &Path) -> Result<(), StoreError> {
        let path = root.join(TURN);
        make_folder(folder_of(&path))?;
        open_lock(&path).map(|_| ())
    }
}

/// How often a lock is asked for, and how long after one another.
type Patience = (u32, Duration);
const SHORTLY: Patience = (50, Duration::from_millis(20));
const PATIENTLY: Patience = (1000, Duration::from_millis(5));

fn open_lock(path: &Path) -> Result<File, StoreError> {
    OpenOptions::new().create(true).truncate(false).write(true).open(path).map_err(io("open", path))
}

fn locked(
    root: &Path,
    name: &str,
    take: impl Fn(&File) -> Result<(), fs::TryLockError>,
    (tries, pause): Patience,
) -> Result<File, StoreError> {
    let path = root.join(name);
    let file = open_lock(&path)?;
    let mut taken = take(&file);
    for _ in 0..tries {
        if !matches!(taken, Err(fs::TryLockError::WouldBlock)) {
            break;
        }
        std::thread::sleep(pause);
        taken = take(&file);
    }
    match taken {
        Ok(()) => Ok(file),
        Err(fs::TryLockError::WouldBlock) => Err(StoreError::Locked(root.to_owned())),
        Err(fs::TryLockError::Error(e)) if e.kind() == io::ErrorKind::Unsupported => Ok(file),
        Err(fs::TryLockError::Error(e)) => Err(io("lock", &path)(e)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_torn_tail_is_set_aside_and_the_next_line_is_whole() {
        let dir = tempfile::tempdir().unwrap();
        let log = dir.path().join("log.csv");
        append(&log, "a,b\n", "1,2\n").unwrap();
        fs::write(&log, "a,b\n1,2\n3,").unwrap();
        append(&log, "a,b\n", "4,5\n").unwrap();
        assert_eq!(fs::read_to_string(&log).unwrap(), "a,b\n1,2\n4,5\n");
        assert_eq!(fs::read_to_string(dir.path().join("log.csv.torn")).unwrap(), "3,\n");
    }

    #[test]
    fn a_description_that_changed_meanwhile_is_not_written_over() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("book.toml");
        create_new(&file, "a = 1\n").unwrap();
        let seen = digest(b"a = 1\n");
        fs::write(&file, "a = 2\n").unwrap();
        assert!(matches!(replace(&file, "a = 3\n", Some(&seen)), Err(StoreError::Changed(_))));
        assert_eq!(fs::read_to_string(&file).unwrap(), "a = 2\n");
        replace(&file, "a = 3\n", Some(&digest(b"a = 2\n"))).unwrap();
        assert_eq!(fs::read_to_string(&file).unwrap(), "a = 3\n");
    }

    #[test]
    fn a_second_writer_is_told() {
        let dir = tempfile::tempdir().unwrap();
        let first = WriteLock::take(dir.path()).unwrap();
        assert!(matches!(WriteLock::take(dir.path()), Err(StoreError::Locked(_))));
        drop(first);
        WriteLock::take(dir.path()).unwrap();
    }

    #[test]
    fn many_write_beside_one_another_and_let_in_who_writes_alone() {
        let dir = tempfile::tempdir().unwrap();
        BesideLock::make_ready(dir.path()).unwrap();
        let first = BesideLock::take(dir.path()).unwrap();
        let second = BesideLock::take(dir.path()).unwrap();
        assert!(matches!(WriteLock::take(dir.path()), Err(StoreError::Locked(_))));
        drop(first);
        let alone = std::thread::scope(|scope| {
            let waiting = scope.spawn(|| WriteLock::take(dir.path()).unwrap());
            // As soon as somebody waits to write alone, nobody else comes in.
            let turn = open_lock(&dir.path().join(TURN)).unwrap();
            while turn.try_lock_shared().is_ok() {
                turn.unlock().unwrap();
                std::thread::yield_now();
            }
            drop(second);
            waiting.join().unwrap()
        });
        drop(alone);
        BesideLock::take(dir.path()).unwrap();
    }

    #[cfg(unix)]
    #[test]
    fn the_mode_of_a_replaced_file_is_kept() {
        use std::os::unix::fs::PermissionsExt as _;
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("book.toml");
        create_new(&file, "a = 1\n").unwrap();
        fs::set_permissions(&file, fs::Permissions::from_mode(0o664)).unwrap();
        replace(&file, "a = 2\n", None).unwrap();
        assert_eq!(fs::metadata(&file).unwrap().permissions().mode() & 0o777, 0o664);
    }
}
