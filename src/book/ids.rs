//! Ids: the names of lots, tasters, terms and sessions in files and folders, and the entries of
//! logs.

use rand_chacha::rand_core::Rng;

use super::problem::Problems;
use super::toml_file::Described;

/// What an id may be.
pub const RULE: &str =
    "1 to 60 ASCII letters, digits, - _ or ., beginning with a letter or digit, not ending with .";

/// The same as a regular expression, for the schemas.
pub const PATTERN: &str = r"^[A-Za-z0-9]([A-Za-z0-9._-]{0,58}[A-Za-z0-9_-])?$";

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

/// A new entry id: 40 random bits as eight letters and digits, without those that look alike.
/// Two copies of a book can thus each append lines that are then united.
pub fn entry(rng: &mut impl Rng) -> String {
    const LETTERS: &[u8; 32] = b"0123456789abcdefghjkmnpqrstvwxyz";
    let bits = rng.next_u64();
    (0..8).map(|i| char::from(LETTERS[(bits >> (5 * i) & 31) as usize])).collect()
}

/// Adds a problem for each id of an array of tables that stands there already.
pub(super) fn check_unique<'a, T>(
    file: &Described<T>,
    array: &str,
    ids: impl Iterator<Item = &'a str>,
    problems: &mut Problems,
) {
    let ids: Vec<&str> = ids.collect();
    for (i, id) in ids.iter().enumerate() {
        if let Some(first) = ids[..i].iter().position(|other| same(other, id)) {
            let line = file.place(&[array, &first.to_string(), "id"]).line;
            problems.push(file.problem(
                &[array, &i.to_string(), "id"],
                format!("the id \"{id}\" stands at line {line} already"),
                "each id once, without regard to upper and lower case",
                "choose another id, or take one of the two out",
            ));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha12Rng;
    use rand_chacha::rand_core::SeedableRng as _;

    #[test]
    fn an_entry_id_is_an_id() {
        let mut rng = ChaCha12Rng::seed_from_u64(7);
        for _ in 0..100 {
            let id = entry(&mut rng);
            assert_eq!(id.len(), 8);
            assert!(is_id(&id));
        }
    }
}
