//! The key: which lot stands behind which code.
//!
//! This module is private to [`super`], the type has private fields, no `Debug` and no
//! `Serialize`: no page, log or message elsewhere can hold or print a key by mistake. What is
//! wrong in a key is told without showing its text.
//!
//! The file key.toml is the key's canonical text, so that `sha256sum key.toml` gives the digest
//! that was printed on the ballots. The text holds a nonce of 128 random bits: six cups have so
//! few deals that a bare digest could be tried out.

use std::path::Path;

use schemars::{JsonSchema, Schema};
use serde::Deserialize;

use crate::book::problem::{Problem, Problems};
use crate::book::{BookError, ids, store, toml_file};

use super::sample::{Role, Sample};

/// What a cup holds.
#[derive(Clone, PartialEq)]
pub(super) struct KeyCup {
    pub(super) code: u16,
    pub(super) flight: u32,
    pub(super) sample: Sample,
    pub(super) role: Role,
    /// The pot that it was poured from, numbered within the session.
    pub(super) brew: u32,
    /// Which of the sample's replicates it belongs to, from 1.
    pub(super) replicate: u32,
}

/// Leaf taken from a reserve.
#[derive(Clone, PartialEq)]
pub(super) struct Draw {
    pub(super) sample: Sample,
    pub(super) leaf_g: f64,
}

/// Which lot stands behind which code, and what was drawn for it.
#[derive(PartialEq)]
pub(super) struct Key {
    session: String,
    deal_seed: Option<[u8; 16]>,
    nonce: [u8; 16],
    /// The sample that was expected to have more of the term of a paired comparison.
    expected: Option<Sample>,
    cups: Vec<KeyCup>,
    draws: Vec<Draw>,
}

/// Bits from the operating system that decide a deal. They leave this program only within a key.
pub struct DealSecret {
    seed: [u8; 16],
    nonce: [u8; 16],
}

impl DealSecret {
    /// Draws 128 bits for the deal and 128 for the nonce from the operating system.
    ///
    /// # Errors
    /// If the system gives none.
    pub fn from_system() -> Result<Self, BookError> {
        let mut secret = Self { seed: [0; 16], nonce: [0; 16] };
        getrandom::fill(&mut secret.seed)
            .and_then(|()| getrandom::fill(&mut secret.nonce))
            .map_err(|e| {
                BookError::Refused(format!("the operating system gives no random bits: {e}"))
            })?;
        Ok(secret)
    }

    /// Given bits, for invented sessions that come out the same each time. A session whose seed
    /// somebody knows is not blind for them.
    #[must_use]
    pub fn known(seed: [u8; 16], nonce: [u8; 16]) -> Self {
        Self { seed, nonce }
    }

    pub(super) fn seed(&self) -> &[u8; 16] {
        &self.seed
    }
}

/// The name of the key's file within a session's folder.
pub(super) const FILE: &str = "key.toml";

impl Key {
    /// Seals a deal.
    pub(super) fn seal(
        session: &str,
        secret: DealSecret,
        cups: Vec<KeyCup>,
        draws: Vec<Draw>,
    ) -> Self {
        Self {
            session: session.to_owned(),
            deal_seed: Some(secret.seed),
            nonce: secret.nonce,
            expected: None,
            cups,
            draws,
        }
    }

    /// The key with what was expected: it stays as secret as the lots.
    pub(super) fn expecting(self, expected: Option<Sample>) -> Self {
        Self { expected, ..self }
    }

    /// A key that somebody wrote down after closing: nothing was dealt.
    pub(super) fn written_afterwards(
        session: &str,
        secret: DealSecret,
        cups: Vec<KeyCup>,
        draws: Vec<Draw>,
    ) -> Self {
        Self {
            session: session.to_owned(),
            deal_seed: None,
            nonce: secret.nonce,
            expected: None,
            cups,
            draws,
        }
    }

    /// Whether it is the key of the session of this name.
    pub(super) fn is_of(&self, session: &str) -> bool {
        self.session == session
    }

    pub(super) fn cups(&self) -> &[KeyCup] {
        &self.cups
    }

    pub(super) fn expected(&self) -> Option<&Sample> {
        self.expected.as_ref()
    }

    pub(super) fn draws(&self) -> &[Draw] {
        &self.draws
    }

    /// SHA-256 of the canonical text, in hex.
    pub(super) fn digest(&self) -> String {
        store::digest(self.text().as_bytes())
    }

    /// The canonical text: these keys in this order, one a line.
    pub(super) fn text(&self) -> String {
        let mut text = String::from(
            "# The key of a blind session. It is sealed until the reveal: whoever tastes must not\n\
             # read on. The lots stand far below, so that a glance shows none.\n",
        );
        text.push_str(&"#\n".repeat(60));
        text.push_str(&format!("format = 1\nsession = \"{}\"\n", self.session));
        if let Some(seed) = &self.deal_seed {
            text.push_str(&format!("deal_seed = \"{}\"\n", hex(seed)));
        }
        text.push_str(&format!("nonce = \"{}\"\n", hex(&self.nonce)));
        if let Some(sample) = &self.expected {
            text.push_str(&format!(
                "expected_lot = \"{}\"\nexpected_arm = \"{}\"\n",
                sample.lot, sample.arm
            ));
        }
        for cup in &self.cups {
            text.push_str(&format!(
                "\n[[cup]]\ncode = {}\nflight = {}\nlot = \"{}\"\narm = \"{}\"\nrole = \"{}\"\n\
                 brew = {}\nreplicate = {}\n",
                cup.code,
                cup.flight,
                cup.sample.lot,
                cup.sample.arm,
                cup.role.word(),
                cup.brew,
                cup.replicate,
            ));
        }
        for draw in &self.draws {
            text.push_str(&format!(
                "\n[[draw]]\nlot = \"{}\"\narm = \"{}\"\nleaf_g = {:?}\n",
                draw.sample.lot, draw.sample.arm, draw.leaf_g,
            ));
        }
        text
    }

    /// Reads the key of a session's folder. `file` is its name relative to the book, for errors,
    /// which never show the text.
    pub(super) fn read(root: &Path, file: &str) -> Result<Self, BookError> {
        let path = root.join(file);
        if !path.exists() {
            return Err(wrong(
                file,
                "the key is missing",
                "the key.toml that was written when the session was planned",
                "put the file back from a copy of the book, or declare the session void",
            ));
        }
        let text = store::read_text(&path)?;
        let parsed: KeyFile = toml::from_str(&text).map_err(|e| {
            let line = e.span().map_or(0, |s| text[..s.start].matches('\n').count() + 1);
            // Neither the line nor the message of the parser is shown: they may name a lot.
            wrong(
                file,
                &format!("the key cannot be read: it is not a key from line {line} on"),
                "the key.toml that was written when the session was planned",
                "put the file back from a copy of the book, or declare the session void",
            )
        })?;
        parsed.into_key().ok_or_else(|| {
            wrong(
                file,
                "the key cannot be read: a seed, a nonce or an id in it has the wrong form",
                "the key.toml that was written when the session was planned",
                "put the file back from a copy of the book, or declare the session void",
            )
        })
    }
}

fn wrong(file: &str, found: &str, expected: &str, mend: &str) -> BookError {
    let mut problems = Problems::new();
    problems.push(Problem::new(file, None, found, expected, mend));
    BookError::Records(problems)
}

/// The JSON Schema of key.toml. It says what form a key has, of no key what stands in it.
#[must_use]
pub fn key_schema() -> Schema {
    toml_file::schema_of::<KeyFile>()
}

/// key.toml: sealed until the reveal.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "key.toml")]
struct KeyFile {
    /// The format of this file: 1.
    #[schemars(range(min = 1, max = 1))]
    format: u64,
    /// The name of the session's folder.
    #[schemars(regex(pattern = ids::PATTERN))]
    session: String,
    /// The 128 bits that decided the deal; missing where the key was written down after closing.
    #[schemars(regex(pattern = r"^[0-9a-f]{32}$"))]
    deal_seed: Option<String>,
    /// 128 bits that keep the digest from being tried out.
    #[schemars(regex(pattern = r"^[0-9a-f]{32}$"))]
    nonce: String,
    /// The lot that was expected, before anybody tasted, to have more of the term that a paired
    /// comparison asks; missing where none was.
    #[schemars(regex(pattern = ids::PATTERN))]
    expected_lot: Option<String>,
    /// The arm of that lot.
    #[schemars(regex(pattern = ids::PATTERN))]
    expected_arm: Option<String>,
    /// What stands behind each code.
    #[serde(default, rename = "cup")]
    cups: Vec<CupInFile>,
    /// Leaf drawn from the reserves, written into the lots' logs at the reveal.
    #[serde(default, rename = "draw")]
    draws: Vec<DrawInFile>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
struct CupInFile {
    /// The code, 100 to 999.
    #[schemars(range(min = 100, max = 999))]
    code: u16,
    /// The flight, from 1.
    #[schemars(range(min = 1))]
    flight: u32,
    /// The lot.
    #[schemars(regex(pattern = ids::PATTERN))]
    lot: String,
    /// The arm; main unless the lot was split.
    #[schemars(regex(pattern = ids::PATTERN))]
    arm: String,
    /// lot, duplicate, reference or warm-up.
    #[schemars(extend("enum" = ["lot", "duplicate", "reference", "warm-up"]))]
    role: String,
    /// The pot, numbered within the session.
    #[schemars(range(min = 1))]
    brew: u32,
    /// Which of the sample's replicates it belongs to, from 1.
    #[schemars(range(min = 1))]
    replicate: u32,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
struct DrawInFile {
    /// The lot.
    #[schemars(regex(pattern = ids::PATTERN))]
    lot: String,
    /// The arm.
    #[schemars(regex(pattern = ids::PATTERN))]
    arm: String,
    /// Grams: more than 0.
    #[schemars(extend("exclusiveMinimum" = 0))]
    leaf_g: f64,
}

impl KeyFile {
    fn into_key(self) -> Option<Key> {
        let sample = |lot: String, arm: String| {
            let fit = ids::is_id(&lot) && ids::is_id(&arm);
            fit.then_some(Sample { lot, arm })
        };
        if self.format != 1 {
            return None;
        }
        Some(Key {
            session: self.session,
            deal_seed: match self.deal_seed {
                Some(text) => Some(from_hex(&text)?),
                None => None,
            },
            nonce: from_hex(&self.nonce)?,
            expected: match (self.expected_lot, self.expected_arm) {
                (Some(lot), Some(arm)) => Some(sample(lot, arm)?),
                (None, None) => None,
                _ => return None,
            },
            cups: self
                .cups
                .into_iter()
                .map(|c| {
                    Some(KeyCup {
                        code: c.code,
                        flight: c.flight,
                        sample: sample(c.lot, c.arm)?,
                        role: Role::of_word(&c.role)?,
                        brew: c.brew,
                        replicate: c.replicate,
                    })
                })
                .collect::<Option<_>>()?,
            draws: self
                .draws
                .into_iter()
                .map(|d| Some(Draw { sample: sample(d.lot, d.arm)?, leaf_g: d.leaf_g }))
                .collect::<Option<_>>()?,
        })
    }
}

fn hex(bytes: &[u8; 16]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

fn from_hex(text: &str) -> Option<[u8; 16]> {
    if text.len() != 32 || !text.is_ascii() {
        return None;
    }
    let mut bytes = [0; 16];
    for (i, byte) in bytes.iter_mut().enumerate() {
        *byte = u8::from_str_radix(&text[2 * i..2 * i + 2], 16).ok()?;
    }
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn example() -> Key {
        let sample = Sample { lot: "L1".to_owned(), arm: "main".to_owned() };
        let cup = KeyCup {
            code: 417,
            flight: 1,
            sample: sample.clone(),
            role: Role::Lot,
            brew: 1,
            replicate: 1,
        };
        let secret = DealSecret::known([1; 16], [2; 16]);
        Key::seal("2026-05-14-spring", secret, vec![cup], vec![Draw { sample, leaf_g: 5.6 }])
    }

    #[test]
    fn a_key_reread_is_the_key_that_was_written() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join(FILE), example().text()).unwrap();
        let reread = Key::read(dir.path(), FILE).unwrap_or_else(|e| panic!("{e}"));
        assert!(reread == example());
        assert_eq!(reread.digest(), example().digest());
    }

    #[test]
    fn the_digest_does_not_hang_on_the_line_ends_of_a_system() {
        let dir = tempfile::tempdir().unwrap();
        let text = example().text().replace('\n', "\r\n");
        std::fs::write(dir.path().join(FILE), text).unwrap();
        let reread = Key::read(dir.path(), FILE).unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(reread.digest(), example().digest());
    }

    #[test]
    fn what_is_wrong_in_a_key_is_told_without_its_text() {
        let dir = tempfile::tempdir().unwrap();
        for broken in [
            example().text().replace("\"main\"", "\"main"),
            example().text().replace("role = \"lot\"", "role = \"L1\""),
            example().text().replace("arm = ", "L1 = "),
        ] {
            std::fs::write(dir.path().join(FILE), broken).unwrap();
            let Err(error) = Key::read(dir.path(), FILE) else { panic!("it is broken") };
            assert!(!error.to_string().contains("L1"), "{error}");
            assert!(error.to_string().contains("key.toml: the key cannot be read"), "{error}");
        }
    }
}
