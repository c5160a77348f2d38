//! What all pages that are one HTML file share: real text, drawings inline, nothing fetched.

use std::collections::BTreeSet;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;

use crate::plots::font;

const STYLE: &str = "
:root { --paper: #fcfbf8; --ink: #262624; --pale: #555450; --hair: #cfccc4; --rule: #8e8b83; --leaf: #2f6b3a; }
* { box-sizing: border-box; }
html { background: var(--paper); color: var(--ink); font: 16px/1.45 'Blindsteep Sans', 'Noto Sans CJK SC', 'Noto Sans SC', sans-serif; }
body { margin: 0; }
article { max-width: 52rem; margin: 0 auto; padding: 1.5rem 1rem 2rem; overflow-wrap: anywhere; }
h1 { font-size: 2rem; font-weight: 500; line-height: 1.15; margin: 0; }
h2 { font-size: 1.1rem; font-weight: 500; color: var(--leaf); margin: 0 0 .4rem; }
p { margin: .35rem 0; }
.kicker { color: var(--leaf); }
.pale, dt, .note, .end, footer { color: var(--pale); }
section, .pair, footer { border-top: 1px solid var(--hair); margin-top: 1rem; padding-top: .8rem; }
footer { font-size: .8rem; }
";

/// A whole file of a body, with the glyphs of the embedded face that it needs; `style` comes after
/// the style of all pages.
///
/// # Errors
/// The reason in words, should the embedded face not be readable.
pub fn document(lang: &str, title: &str, style: &str, body: &str) -> Result<String, String> {
    let letters: BTreeSet<char> = body.chars().filter(|c| !c.is_control()).collect();
    let face = STANDARD.encode(font::cut_to(&letters)?);
    Ok(format!(
        "<!DOCTYPE html>\n<html lang=\"{lang}\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" \
         content=\"width=device-width, initial-scale=1\">\n<title>{}</title>\n<style>\n@font-face {{ font-family: \
         '{}'; src: url(data:font/otf;base64,{face}); }}{STYLE}{style}</style>\n</head>\n<body>\n{body}</body>\n</html>\n",
        escaped(title),
        font::FAMILY
    ))
}

/// A text with what HTML would obey made harmless.
#[must_use]
pub fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}
