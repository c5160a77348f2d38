//! Lines with holes: what is said in English, known again so that it can be said in Chinese.
//!
//! A hole is `{}` or has a sign of one letter (`{#}`, `{w}`) for what may stand in it; what that is says who
//! asks. The text that is put in its place names holes in their order, or by number from 1 (`{2}`).

/// Whether this is the inside of a hole: nothing, or its sign.
fn is_sign(inside: &str) -> bool {
    inside.len() <= 1 && "*#wltvoprqsm".contains(inside)
}

/// A line, parted at its holes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern<'p> {
    /// The texts around the holes, one more than these.
    parts: Vec<&'p str>,
    /// The sign of each hole.
    pub signs: Vec<&'p str>,
}

impl<'p> Pattern<'p> {
    /// Parts a line at its holes.
    #[must_use]
    pub fn of(line: &'p str) -> Self {
        let (mut parts, mut signs) = (Vec::new(), Vec::new());
        let mut rest = line;
        while let Some((before, sign, after)) = next(rest, is_sign) {
            parts.push(before);
            signs.push(sign);
            rest = after;
        }
        parts.push(rest);
        Self { parts, signs }
    }

    /// How much of the line stands outside of its holes.
    #[must_use]
    pub fn weight(&self) -> usize {
        self.parts.iter().map(|p| p.len()).sum()
    }

    /// What stands in the holes, if a text is this line: holes are as short as they can be, but for the last
    /// one. `takes` says of each, by its place and sign, whether it may hold what is there.
    #[must_use]
    pub fn found<'t>(
        &self,
        text: &'t str,
        takes: impl Fn(usize, &str, &str) -> bool,
    ) -> Option<Vec<&'t str>> {
        let (first, more) = self.parts.split_first()?;
        let mut rest = text.strip_prefix(first)?;
        let mut found = Vec::with_capacity(self.signs.len());
        for (i, (part, sign)) in more.iter().zip(&self.signs).enumerate() {
            let (held, after) = match i + 1 == more.len() {
                true => (rest.strip_suffix(part)?, ""),
                false => rest.split_once(part)?,
            };
            if !takes(i, sign, held) {
                return None;
            }
            found.push(held);
            rest = after;
        }
        rest.is_empty().then_some(found)
    }

    /// Whether the line begins with a hole.
    #[must_use]
    pub fn begins_with_a_hole(&self) -> bool {
        self.parts.len() > 1 && self.parts[0].is_empty()
    }
}

/// The next hole of a line whose inside is as wanted: what stands before it, its inside, what stands behind.
fn next(line: &str, wanted: impl Fn(&str) -> bool) -> Option<(&str, &str, &str)> {
    line.match_indices('{').find_map(|(at, _)| {
        let (inside, after) = line[at + 1..].split_once('}')?;
        wanted(inside).then_some((&line[..at], inside, after))
    })
}

/// Puts into a text what its holes hold; a hole without anything to hold stays as it is.
#[must_use]
pub fn filled(text: &str, held: &[String]) -> String {
    let mut out = String::with_capacity(text.len() + 40);
    let (mut rest, mut in_order) = (text, 0..);
    let named = |inside: &str| is_sign(inside) || inside.parse::<usize>().is_ok();
    while let Some((before, inside, after)) = next(rest, named) {
        let which = match inside.parse::<usize>() {
            Ok(n) => n.checked_sub(1),
            Err(_) => in_order.next(),
        };
        out.push_str(before);
        match which.and_then(|i| held.get(i)) {
            Some(text) => out.push_str(text),
            None => out.push_str(&rest[before.len()..rest.len() - after.len()]),
        }
        rest = after;
    }
    out + rest
}

#[cfg(test)]
mod tests {
    use super::{Pattern, filled};

    #[test]
    fn holes_are_as_short_as_they_can_be_but_for_the_last() {
        let line = Pattern::of("{} of {w}: {}");
        assert_eq!(line.signs, ["", "w", ""]);
        assert_eq!(line.weight(), 6);
        let any = |_: usize, _: &str, _: &str| true;
        assert_eq!(line.found("a of b of c: d: e", any), Some(vec!["a", "b of c", "d: e"]));
        let one_word = |_: usize, sign: &str, held: &str| sign != "w" || !held.contains(' ');
        assert_eq!(line.found("a of b of c: d", one_word), None);
        assert_eq!(line.found("a of b", any), None);
        assert_eq!(Pattern::of("plain").found("plain", any), Some(Vec::new()));
        assert_eq!(Pattern::of("plain").found("plain and more", any), None);
    }

    #[test]
    fn a_text_is_filled_in_order_or_by_number_and_keeps_other_braces() {
        let held = ["a".to_owned(), "b".to_owned()];
        assert_eq!(filled("{}、{*}", &held), "a、b");
        assert_eq!(filled("{2}、{1}、{2}", &held), "b、a、b");
        assert_eq!(filled("[{ id = {1} }] {3} {0} {", &held), "[{ id = a }] {3} {0} {");
        assert_eq!(Pattern::of("levels = [{ id = \"…\" }, {}]").signs, [""]);
    }
}
