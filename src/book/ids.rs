//! Ids: the names of lots, tasters, terms and sessions in files and folders.

/// What an id may be.
pub const RULE: &str = "1 to 60 ASCII letters, digits, - _ or ., beginning with a letter or digit";

/// The same as a regular expression, for the schemas.
pub const PATTERN: &str = r"^[A-Za-z0-9][A-Za-z0-9._-]{0,59}$";

/// Whether a text is an id.
#[must_use]
pub fn is_id(text: &str) -> bool {
    let bytes = text.as_bytes();
    (1..=60).contains(&bytes.len())
        && bytes[0].is_ascii_alphanumeric()
        && !text.ends_with('.')
        && bytes.iter().all(|b| b.is_ascii_alphanumeric() || b"._-".contains(b))
}

/// Ids are unique without regard to case, since some disks don't tell the cases apart.
#[must_use]
pub fn same(a: &str, b: &str) -> bool {
    a.eq_ignore_ascii_case(b)
}
