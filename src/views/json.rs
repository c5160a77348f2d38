//! All numbers of a finding at full precision.

use std::io::{self, BufWriter, Write};

use serde::Serialize;

/// A finding that takes more than this with its indents is written without them: nobody reads it by
/// eye, and it takes less than half the room.
const LONGEST_INDENTED: usize = 16 << 20;

/// A finding as indented JSON with a line end.
#[must_use]
pub fn of(finding: &impl Serialize) -> String {
    let mut text = serde_json::to_string_pretty(finding)
        .expect("findings are plain structs whose keys are strings");
    text.push('\n');
    text
}

/// Writes a finding as JSON with a line end: indented, but for a very large one.
///
/// # Errors
/// If the output cannot be written.
pub fn write(finding: &impl Serialize, mut out: impl Write) -> io::Result<()> {
    let mut indented = Limited { text: Vec::new(), most: LONGEST_INDENTED };
    match serde_json::to_writer_pretty(&mut indented, finding) {
        Ok(()) => out.write_all(&indented.text)?,
        Err(e) if e.is_io() => {
            drop(indented);
            let mut all = BufWriter::with_capacity(1 << 18, &mut out);
            serde_json::to_writer(&mut all, finding)?;
            all.flush()?;
        }
        Err(e) => return Err(e.into()),
    }
    out.write_all(b"\n")
}

/// A text that ends with an error beyond a length.
struct Limited {
    text: Vec<u8>,
    most: usize,
}

impl Write for Limited {
    fn write(&mut self, part: &[u8]) -> io::Result<usize> {
        if self.text.len() + part.len() > self.most {
            return Err(io::ErrorKind::OutOfMemory.into());
        }
        self.text.extend_from_slice(part);
        Ok(part.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_large_finding_has_no_indents_and_is_the_same() {
        for n in [3, 2_000_000] {
            let finding: Vec<f64> = (0..n).map(|i| f64::from(i) / 7.0).collect();
            let mut text = Vec::new();
            write(&finding, &mut text).expect("a vector takes it");
            assert_eq!(text.iter().filter(|b| **b == b'\n').count() == 1, n > 3);
            assert_eq!(serde_json::from_slice::<Vec<f64>>(&text).expect("JSON"), finding);
            if n == 3 {
                assert_eq!(String::from_utf8(text).expect("UTF-8"), of(&finding));
            }
        }
    }
}
