//! The sheet as one HTML file: real text, drawings inline, nothing fetched.

use std::fmt::Write as _;

use super::page::{Block, CupBlock, Page, ScaleRow};
use crate::sheets::html::{document, escaped};

const STYLE: &str = "
article + article { border-top: 3px double var(--hair); }
.head { display: flex; flex-wrap: wrap; gap: .5rem 2rem; justify-content: space-between; align-items: end; }
.pair { display: grid; grid-template-columns: 1fr 1fr; gap: 1rem 2.5rem; }
.pair section { border: 0; margin: 0; padding: 0; }
dl { display: grid; grid-template-columns: minmax(7rem, 2fr) 3fr; gap: .2rem 1rem; margin: 0; }
dd { margin: 0; }
.alert { border: 2px solid var(--ink); padding: .6rem .9rem; margin-top: 1rem; }
.alert strong { display: block; font-size: 1.3rem; font-weight: 500; }
.term { display: grid; grid-template-columns: 9rem 5rem 1fr 5rem 9.5rem; gap: 0 .8rem; align-items: start; margin: .25rem 0; }
.end { font-size: .85rem; } .low { text-align: right; } .figures { text-align: right; white-space: nowrap; }
svg { width: 100%; display: block; overflow: visible; }
svg text { font-size: 11px; fill: var(--pale); text-anchor: middle; }
.cautions { border-left: 3px solid var(--leaf); border-top: 0; padding: 0 0 0 .9rem; }
@media (max-width: 40rem) {
  .pair { grid-template-columns: 1fr; }
  .term { grid-template-columns: 1fr 1fr; margin: .7rem 0; }
  .term .name { order: 1; } .term .figures { order: 2; } .term .scale { order: 3; grid-column: 1 / -1; }
  .term .low { order: 4; text-align: left; } .term .high { order: 5; text-align: right; }
}
@page { size: A4; margin: 12mm 14mm; }
@media print {
  html { background: none; font-size: 8.2pt; line-height: 1.25; }
  section, .pair, footer { margin-top: .45rem; padding-top: .4rem; } p, .term { margin: .12rem 0; }
  article { padding: 0; max-width: none; } article + article { border: 0; break-before: page; }
  .alert, .term, dl { break-inside: avoid; }
}
";

/// The whole file, with the glyphs of the embedded face that it needs.
///
/// # Errors
/// The reason in words, should the embedded face not be readable.
pub(super) fn html(title: &str, pages: &[Page]) -> Result<String, String> {
    let lang = pages.first().map_or("en", |p| p.lang);
    let mut body = String::new();
    for page in pages {
        article(&mut body, page);
    }
    document(lang, title, STYLE, &body)
}

fn article(out: &mut String, p: &Page) {
    let e = escaped;
    let _ = write!(
        out,
        "<article lang=\"{}\">\n<header>\n<div class=\"head\"><div><div class=\"kicker\">{}</div><h1>{}</h1></div>\
         <div>{}<div class=\"pale\">{}</div></div></div>\n<p>{}</p>\n</header>\n",
        p.lang,
        e(p.kicker),
        e(&p.name),
        e(&p.issuer),
        e(&p.place),
        e(&p.subtitle)
    );
    if !p.alerts.is_empty() {
        out.push_str("<div class=\"alert\" role=\"alert\">\n");
        for a in &p.alerts {
            let _ = writeln!(out, "<p><strong>{}</strong>{}</p>", e(&a.head), e(&a.text));
        }
        out.push_str("</div>\n");
    }
    pair(out, &p.identity, &p.making);
    cup(out, &p.cup);
    block(out, &p.found);
    pair(out, &p.store, &p.panel);
    block(out, &p.brewing);
    let _ = writeln!(out, "<section class=\"cautions\">\n<h2>{}</h2>", e(&p.cautions.heading));
    for n in &p.cautions.notes {
        let _ = writeln!(out, "<p>{}</p>", e(n));
    }
    let _ = write!(
        out,
        "</section>\n<footer>\n<p>{} · {} · {}</p>\n<p>{}</p>\n</footer>\n</article>\n",
        e(&p.issuer),
        e(&p.name),
        e(&p.version),
        e(&p.digest)
    );
}

fn pair(out: &mut String, a: &Block, b: &Block) {
    out.push_str("<div class=\"pair\">\n");
    block(out, a);
    block(out, b);
    out.push_str("</div>\n");
}

fn block(out: &mut String, b: &Block) {
    let _ = writeln!(out, "<section>\n<h2>{}</h2>", escaped(&b.heading));
    if !b.rows.is_empty() {
        out.push_str("<dl>\n");
        for (what, said) in &b.rows {
            let _ = writeln!(out, "<dt>{}</dt><dd>{}</dd>", escaped(what), escaped(said));
        }
        out.push_str("</dl>\n");
    }
    notes(out, &b.notes);
    out.push_str("</section>\n");
}

fn notes(out: &mut String, notes: &[String]) {
    for n in notes {
        let _ = writeln!(out, "<p class=\"note\">{}</p>", escaped(n));
    }
}

fn cup(out: &mut String, b: &CupBlock) {
    let _ = writeln!(
        out,
        "<section>\n<h2>{}</h2>\n<p class=\"note\">{}</p>",
        escaped(&b.heading),
        escaped(&b.intro)
    );
    for row in &b.rows {
        let _ = writeln!(
            out,
            "<div class=\"term\"><div class=\"name\">{}</div><div class=\"end low\">{}</div><div class=\"scale\">{}</div>\
             <div class=\"end high\">{}</div><div class=\"figures\">{}</div></div>",
            escaped(&row.label),
            escaped(&row.low),
            svg(row),
            escaped(&row.high),
            escaped(&row.figures)
        );
    }
    notes(out, &b.notes);
    out.push_str("</section>\n");
}

/// The drawing of a row. Places are in percent, so that it is as wide as the page lets it be.
fn svg(row: &ScaleRow) -> String {
    let percent = |x: f64| format!("{:.2}%", 100.0 * x);
    let height = if row.axis.is_empty() { 20 } else { 36 };
    let said = escaped(&format!("{}: {}", row.label, row.figures));
    let mut s = format!("<svg height=\"{height}\" role=\"img\" aria-label=\"{said}\">");
    let _ = write!(s, "<line x1=\"0\" x2=\"100%\" y1=\"10\" y2=\"10\" stroke=\"#8e8b83\"/>");
    for at in &row.ticks {
        let x = percent(*at);
        let _ = write!(s, "<line x1=\"{x}\" x2=\"{x}\" y1=\"7\" y2=\"13\" stroke=\"#8e8b83\"/>");
    }
    let at = percent(row.at);
    if let Some([from, to]) = row.interval {
        let (from, to) = (percent(from), percent(to));
        let _ = write!(
            s,
            "<line x1=\"{from}\" x2=\"{to}\" y1=\"10\" y2=\"10\" stroke=\"#2f6b3a\" stroke-width=\"3.5\"/>\
             <circle cx=\"{at}\" cy=\"10\" r=\"6\" fill=\"#2f6b3a\"/>"
        );
    } else {
        let _ = write!(
            s,
            "<circle cx=\"{at}\" cy=\"10\" r=\"6\" fill=\"#fff\" stroke=\"#2f6b3a\" stroke-width=\"2\"/>"
        );
    }
    for (at, label) in &row.axis {
        let _ = write!(s, "<text x=\"{}\" y=\"31\">{}</text>", percent(*at), escaped(label));
    }
    s.push_str("</svg>");
    s
}
