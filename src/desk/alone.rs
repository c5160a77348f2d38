//! One desk a book: the lock that it holds while it is open.

use std::fs::{File, OpenOptions, TryLockError};
use std::io;

use super::{DeskError, own_folder};
use crate::book::store::StoreError;
use crate::book::{Book, BookError, store};

/// Held while a desk is open on a book, so that a second one is told.
pub(super) fn alone(book: &Book) -> Result<File, DeskError> {
    let folder = own_folder(book);
    store::make_folder(&folder).map_err(|e| match e {
        StoreError::Io { source, .. } if is_read_only(&source) => read_only(book, source),
        e => BookError::from(e).into(),
    })?;
    let path = folder.join("open");
    let opened = OpenOptions::new().create(true).truncate(false).write(true).open(&path);
    let file = opened.map_err(|e| match is_read_only(&e) {
        true => read_only(book, e),
        false => DeskError::system(format!("open {}", path.display()), e),
    })?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(DeskError::Refused(format!(
            "a desk is open on {} already\n  to mend:  use that one, or end it first",
            book.root().display()
        ))),
        // A disk without locks: nothing of the record leans on this one.
        Err(TryLockError::Error(e)) if e.kind() == io::ErrorKind::Unsupported => Ok(file),
        Err(TryLockError::Error(e)) => {
            Err(DeskError::system(format!("lock {}", path.display()), e))
        }
    }
}

fn is_read_only(e: &io::Error) -> bool {
    matches!(e.kind(), io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem)
}

/// A book that may be read and not written to.
fn read_only(book: &Book, source: io::Error) -> DeskError {
    DeskError::System {
        doing: format!("write to the book at {}", book.root().display()),
        source,
        mend: "\n  expected: a book that you may write to: the desk keeps its links there and writes what you record\n  to mend:  have its owner let you write there (chmod -R u+w, and a disk that is not read-only), or copy the book into a folder of your own and open that",
    }
}

#[cfg(test)]
mod tests {
    use super::{alone, is_read_only, read_only};
    use crate::book::Book;

    fn book(folder: &std::path::Path) -> Book {
        std::fs::write(folder.join("book.toml"), "").expect("a book");
        Book::open(folder).expect("a book")
    }

    #[test]
    fn a_book_that_cannot_be_written_to_says_how_to_mend_it() {
        let folder = tempfile::tempdir().expect("a folder");
        let book = book(folder.path());
        for kind in [std::io::ErrorKind::PermissionDenied, std::io::ErrorKind::ReadOnlyFilesystem] {
            let refused = std::io::Error::from(kind);
            assert!(is_read_only(&refused));
            let told = read_only(&book, refused).to_string();
            assert!(told.starts_with("cannot write to the book at "), "{told}");
            assert!(told.contains("\n  to mend:  have its owner let you write there"), "{told}");
        }
    }

    #[test]
    fn a_second_desk_is_told() {
        let folder = tempfile::tempdir().expect("a folder");
        let book = book(folder.path());
        let held = alone(&book).expect("nobody else has it");
        let told = alone(&book).expect_err("the first one has it").to_string();
        assert!(told.starts_with("a desk is open on "), "{told}");
        drop(held);
        assert!(alone(&book).is_ok());
    }
}
