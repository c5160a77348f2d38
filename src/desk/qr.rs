//! QR codes (ISO/IEC 18004) as our own SVG: dark on white, a quiet zone of four modules.

use maud::{Markup, html};
use qrcodegen::{QrCode, QrCodeEcc};

/// Modules without anything around the code, as the standard asks.
const QUIET: i32 = 4;

/// The code of a text; none if the text is too long for one.
#[must_use]
pub fn qr(text: &str, label: &str) -> Option<Markup> {
    let code = QrCode::encode_text(text, QrCodeEcc::Medium).ok()?;
    let n = code.size();
    let mut path = String::new();
    for y in 0..n {
        let mut x = 0;
        while x < n {
            let from = x;
            while x < n && code.get_module(x, y) {
                x += 1;
            }
            if x > from {
                let (at, wide) = (from + QUIET, x - from);
                path.push_str(&format!("M{at} {}h{wide}v1h-{wide}z", y + QUIET));
            }
            x += 1;
        }
    }
    let whole = n + 2 * QUIET;
    Some(html! {
        svg.qr viewBox={ "0 0 " (whole) " " (whole) } role="img" aria-label=(label) shape-rendering="crispEdges" {
            rect width=(whole) height=(whole) fill="#fff" {}
            path d=(path) fill="#000" {}
        }
    })
}
