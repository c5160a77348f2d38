//! Copies that sync programs leave beside a file when two machines changed it.

/// Whether a name looks like such a copy: "log (conflicted copy 2026-05-14).csv",
/// "log.sync-conflict-20260514.csv", "log (ann's conflict).csv", "log-conflict-1.csv".
#[must_use]
pub fn is_conflict_copy(name: &str) -> bool {
    let lower = name.to_lowercase();
    ["conflicted copy", "sync-conflict", "(conflict", "-conflict-", "_conflict-", " conflict)"]
        .iter()
        .any(|mark| lower.contains(mark))
        || (lower.contains('(') && lower.contains("'s conflict"))
}

/// "lot (1).toml" and "lot copy.toml": copies only if the original is beside them.
#[must_use]
pub fn original_of_copy(name: &str) -> Option<String> {
    let (stem, ending) = match name.rsplit_once('.') {
        Some((stem, ending)) => (stem, format!(".{ending}")),
        None => (name, String::new()),
    };
    let cut = if let Some(rest) = stem.strip_suffix(')') {
        let (before, number) = rest.rsplit_once(" (")?;
        (!number.is_empty() && number.bytes().all(|b| b.is_ascii_digit())).then_some(before)?
    } else {
        stem.strip_suffix(" copy").or_else(|| stem.strip_suffix(" - Copy"))?
    };
    Some(format!("{cut}{ending}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn copies_are_known_by_their_names() {
        for name in [
            "log (conflicted copy 2026-05-14).csv",
            "log (Ann's conflicted copy).csv",
            "log.sync-conflict-20260514-101500-ABC.csv",
            "log (conflict 2).csv",
        ] {
            assert!(is_conflict_copy(name), "{name}");
        }
        assert!(!is_conflict_copy("log.csv"));
        assert_eq!(original_of_copy("lot (1).toml").as_deref(), Some("lot.toml"));
        assert_eq!(original_of_copy("lot copy.toml").as_deref(), Some("lot.toml"));
        assert_eq!(original_of_copy("lot (spring).toml"), None);
        assert_eq!(original_of_copy("lot.toml"), None);
    }
}
