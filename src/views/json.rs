//! All numbers of a finding at full precision.

use serde::Serialize;

/// A finding as indented JSON with a line end.
#[must_use]
pub fn of(finding: &impl Serialize) -> String {
    let mut text = serde_json::to_string_pretty(finding)
        .expect("findings are plain structs whose keys are strings");
    text.push('\n');
    text
}
