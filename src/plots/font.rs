//! The one face of every chart, sheet and page: measuring, cutting to a width, breaking lines,
//! and naming the characters that it cannot show.

use std::collections::BTreeSet;
use std::fmt;
use std::sync::LazyLock;

use allsorts::binary::read::ReadScope;
use allsorts::font_data::FontData;
use allsorts::subset::{CmapTarget, SubsetProfile, subset};
use ttf_parser::{Face, GlyphId};

/// Family name of the embedded face, the same for plotters, typst and pages.
pub const FAMILY: &str = "Blindsteep Sans";

/// The embedded face: Latin and the simplified Chinese of GB 2312, made by `fonts/make-font.sh`.
pub static BYTES: &[u8] = include_bytes!("../../fonts/BlindsteepSans-Regular.otf");

static FACE: LazyLock<Face<'static>> =
    LazyLock::new(|| Face::parse(BYTES, 0).expect("the embedded font is a whole OpenType file"));

/// Width in pixels of a text set in one line at `px` pixels an em, without kerning
/// (the face that travels inside a chart carries none).
pub fn text_width(text: &str, px: f64) -> f64 {
    let units: u64 = text
        .chars()
        .map(|c| {
            let glyph = FACE.glyph_index(c).unwrap_or(GlyphId(0));
            u64::from(FACE.glyph_hor_advance(glyph).unwrap_or(0))
        })
        .sum();
    units as f64 * px / f64::from(FACE.units_per_em())
}

/// The text itself if it fits into `max` pixels, otherwise as many of its characters as fit before an ellipsis.
pub fn fit(text: &str, px: f64, max: f64) -> String {
    if text_width(text, px) <= max {
        return text.to_owned();
    }
    let room = max - text_width("…", px);
    let mut cut = String::new();
    let mut used = 0.0;
    for c in text.chars() {
        used += text_width(c.encode_utf8(&mut [0; 4]), px);
        if used > room {
            break;
        }
        cut.push(c);
    }
    cut.truncate(cut.trim_end().len());
    cut.push('…');
    cut
}

/// The text itself if it fits into `max` pixels, otherwise its beginning and its end round an ellipsis.
pub fn fit_middle(text: &str, px: f64, max: f64) -> String {
    if text_width(text, px) <= max {
        return text.to_owned();
    }
    let room = max - text_width("…", px);
    let width = |c: &char| text_width(c.encode_utf8(&mut [0; 4]), px);
    let chars: Vec<char> = text.chars().collect();
    let mut used = 0.0;
    let (mut head, mut tail) = (0, chars.len());
    // Turn by turn, so that both ends get half of the room.
    while head < tail {
        let at_head = head <= chars.len() - tail;
        let next = width(&chars[if at_head { head } else { tail - 1 }]);
        if used + next > room {
            break;
        }
        used += next;
        if at_head {
            head += 1;
        } else {
            tail -= 1;
        }
    }
    let head: String = chars[..head].iter().collect();
    let tail: String = chars[tail..].iter().collect();
    format!("{}…{}", head.trim_end(), tail.trim_start())
}

/// Breaks a text into lines of at most `max` pixels: at spaces, and between Chinese characters
/// (never before a closing mark nor after an opening one). A word wider than a line is cut where it must be.
pub fn wrap(text: &str, px: f64, max: f64) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for piece in pieces(text) {
        let joined = format!("{line}{piece}");
        if text_width(joined.trim_end(), px) <= max {
            line = joined;
            continue;
        }
        if !line.trim().is_empty() {
            lines.push(line.trim_end().to_owned());
        }
        line = String::new();
        for c in piece.trim_start().chars() {
            line.push(c);
            if text_width(line.trim_end(), px) > max && line.chars().count() > 1 {
                line.pop();
                lines.push(std::mem::take(&mut line));
                line.push(c);
            }
        }
    }
    if !line.trim().is_empty() {
        lines.push(line.trim_end().to_owned());
    }
    lines
}

/// Splits a text at each place where a line may end.
fn pieces(text: &str) -> Vec<String> {
    const CLOSING: &str = "，。、；：？！）》」』】〕”’…·%)],.;:?!";
    const OPENING: &str = "（《「『【〔“‘([";
    let chars: Vec<char> = text.chars().collect();
    let mut out = Vec::new();
    let mut piece = String::new();
    for (i, &c) in chars.iter().enumerate() {
        piece.push(c);
        let Some(&next) = chars.get(i + 1) else { break };
        let after_space = c == ' ' && next != ' ';
        let between_hanzi = (is_wide(c) || is_wide(next))
            && next != ' '
            && !CLOSING.contains(next)
            && !OPENING.contains(c);
        if after_space || between_hanzi {
            out.push(std::mem::take(&mut piece));
        }
    }
    if !piece.is_empty() {
        out.push(piece);
    }
    out
}

/// Whether a character is as wide as it is high, as hanzi and their punctuation are.
fn is_wide(c: char) -> bool {
    matches!(u32::from(c), 0x2E80..=0x9FFF | 0xF900..=0xFAFF | 0xFF00..=0xFF60 | 0x20000..=0x3FFFF)
}

/// A character that the embedded face cannot show, and where it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MissingGlyph {
    /// The character that was found.
    pub character: char,
    /// Its place in the text, counted in characters from 1.
    pub column: usize,
    /// Which text it is, such as `lot label` or `title`.
    pub place: String,
    /// The whole text.
    pub text: String,
}

impl fmt::Display for MissingGlyph {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let code = u32::from(self.character);
        let shown = if self.character.is_control() {
            format!("the control character U+{code:04X}")
        } else {
            format!("the character {} (U+{code:04X})", self.character)
        };
        // A text that holds what cannot be shown is quoted with escapes for what a terminal would obey.
        let text: String = self
            .text
            .chars()
            .flat_map(
                |c| if c.is_control() { c.escape_default().collect::<Vec<_>>() } else { vec![c] },
            )
            .collect();
        write!(
            f,
            "{}: {shown}, character {} of \"{text}\", cannot be printed: expected Latin letters or \
             simplified Chinese of GB 2312; {}",
            self.place,
            self.column,
            advice(self.character)
        )
    }
}

fn advice(c: char) -> &'static str {
    match u32::from(c) {
        0..=0x1F | 0x7F..=0x9F => "remove it",
        0x0300..=0x036F => {
            "type the accented letter as one character, not as a letter followed by its accent"
        }
        0x3400..=0x9FFF | 0xF900..=0xFAFF | 0x20000..=0x3FFFF => {
            "write it with its simplified form, a common character of the same sound, or pinyin"
        }
        0x1F000..=0x1FFFF | 0x2600..=0x27BF => "leave the picture sign out",
        _ => "write it in Latin letters",
    }
}

/// Every character of `text` that the embedded face cannot show; `place` says which text it is.
pub fn missing_glyphs(place: &str, text: &str) -> Vec<MissingGlyph> {
    text.chars()
        .enumerate()
        .filter(|(_, c)| FACE.glyph_index(*c).is_none_or(|glyph| glyph.0 == 0))
        .map(|(i, character)| MissingGlyph {
            character,
            column: i + 1,
            place: place.to_owned(),
            text: text.to_owned(),
        })
        .collect()
}

/// A font file that holds the glyphs of `characters` only, with a Unicode character map, for embedding in one chart.
/// The same characters give the same bytes.
///
/// # Errors
/// The reason in words, should the embedded face not be readable.
pub(crate) fn cut_to(characters: &BTreeSet<char>) -> Result<Vec<u8>, String> {
    let glyphs: BTreeSet<u16> = characters
        .iter()
        .filter_map(|c| FACE.glyph_index(*c))
        .map(|glyph| glyph.0)
        .chain(std::iter::once(0))
        .collect();
    let glyphs: Vec<u16> = glyphs.into_iter().collect();
    let data = ReadScope::new(BYTES).read::<FontData<'_>>().map_err(|e| e.to_string())?;
    let provider = data.table_provider(0).map_err(|e| e.to_string())?;
    subset(&provider, &glyphs, &SubsetProfile::Minimal, CmapTarget::Unicode)
        .map_err(|e| e.to_string())
}
