//! What the pages of findings share: their head, lists, tables.

use std::fmt::Write as _;

use crate::findings::{Estimate, say};
use crate::plots::Lang;
use crate::sheets::html::escaped;
use crate::views::charts::{Chart, Words};

/// How the articles look, beside the style of all our HTML.
pub const STYLE: &str = "
article { max-width: 66rem; }
ul { margin: .3rem 0; padding-left: 1.2rem; } li { margin: .2rem 0; }
table { border-collapse: collapse; width: 100%; }
th { text-align: left; font-weight: 500; color: var(--pale); font-size: .85rem; }
th, td { padding: .28rem .8rem .28rem 0; vertical-align: top; border-bottom: 1px solid var(--hair); }
tr.of th { color: var(--ink); font-size: 1rem; padding-top: .8rem; } tr.of .pale { font-weight: 400; }
td.figure, td:first-child { white-space: nowrap; } code { font: inherit; background: #efece4; padding: 0 .25rem; }
.wide { overflow-x: auto; } figure { margin: 0; } figure svg { max-width: 100%; height: auto; display: block; }
details summary { cursor: pointer; color: var(--leaf); }
@page { size: A4; margin: 12mm 14mm; }
@media print { html { background: none; font-size: 9pt; } article { padding: 0; max-width: none; }
  figure, table { break-inside: avoid; } }
@media (max-width: 40rem) {
  table, tbody, tr, td, tr.of th { display: block; border: 0; padding: .05rem 0; } tr.heads { display: none; }
  td[data-head]:not(:empty)::before { content: attr(data-head) ': '; color: var(--pale); font-size: .85rem; }
  .wide figure svg, figure.wide svg { min-width: 46rem; }
  tr { border-bottom: 1px solid var(--hair); padding: .3rem 0; } td.figure { display: inline-block; padding-right: 1rem; white-space: normal; }
}
";

/// The language of a page, as HTML names it.
pub(super) fn language(words: &Words) -> &'static str {
    match words.lang {
        Lang::En => "en",
        Lang::Zh => "zh-Hans",
    }
}

/// The start of a page: what is asked, and of what.
pub(super) fn head(words: &Words, title: &str, basis: &str) -> String {
    format!(
        "<article lang=\"{}\">\n<header>\n<h1>{}</h1>\n<p class=\"pale\">{}</p>\n</header>\n",
        language(words),
        escaped(title),
        escaped(basis)
    )
}

/// Opens a section.
pub(super) fn heading(out: &mut String, text: &str) {
    let _ = writeln!(out, "<section>\n<h2>{}</h2>", escaped(text));
}

/// A section that is a list; nothing without items.
pub(super) fn list(out: &mut String, head: &str, items: &[String]) {
    if items.is_empty() {
        return;
    }
    heading(out, head);
    items_of(out, items);
    out.push_str("</section>\n");
}

/// The list alone.
pub(super) fn items_of(out: &mut String, items: &[String]) {
    out.push_str("<ul>\n");
    for item in items {
        let _ = writeln!(out, "<li>{}</li>", escaped(item));
    }
    out.push_str("</ul>\n");
}

/// The heads of a table's columns.
pub(super) fn row_of_heads(out: &mut String, heads: &[&str]) {
    out.push_str("<tr class=\"heads\">");
    for head in heads {
        let _ = write!(out, "<th scope=\"col\">{}</th>", escaped(head));
    }
    out.push_str("</tr>\n");
}

/// A difference in points with its limits.
pub(super) fn points(e: &Estimate, words: &Words) -> String {
    let sign = if e.value > 0.0 { "+" } else { "" };
    let (value, lower, upper) = (minus(e.value), minus(e.lower), minus(e.upper));
    words.pick(
        format!("{sign}{value} ({lower} to {upper})"),
        format!("{sign}{value}（{lower} 至 {upper}）"),
    )
}

/// A number with a true minus sign.
pub(super) fn minus(x: f64) -> String {
    say(x).replace('-', "−")
}

/// A chart in a section of its own.
pub(super) fn figure(out: &mut String, chart: &Chart) {
    let _ = writeln!(out, "<section class=\"wide\"><figure>\n{}</figure></section>", chart.svg);
}

/// A table; cells behind the first are figures. Each carries its column's head, for narrow screens.
pub(super) fn table(out: &mut String, heads: &[&str], rows: &[Vec<String>]) {
    if rows.is_empty() {
        return;
    }
    out.push_str("<div class=\"wide\"><table>\n");
    row_of_heads(out, heads);
    for row in rows {
        out.push_str("<tr>");
        for (i, cell) in row.iter().enumerate() {
            let head = heads.get(i).copied().unwrap_or_default();
            let _ = match i {
                0 => write!(out, "<td>{}</td>", escaped(cell)),
                _ => write!(
                    out,
                    "<td class=\"figure\" data-head=\"{}\">{}</td>",
                    escaped(head),
                    escaped(cell)
                ),
            };
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</table></div>\n");
}

/// What a finding rests on: sessions, lots, tasters, scores, gaps.
pub(super) fn basis(
    source: &[String],
    (lots, tasters, scores, gaps): (usize, usize, usize, usize),
    individual: bool,
    words: &Words,
) -> String {
    let names = source.join(words.pick(", ", "、"));
    let few =
        if individual { words.pick(" Individual opinions.", "仅为个人意见。") } else { "" };
    words.pick(
        format!("{names}. {lots} lots, {tasters} tasters, {scores} scores, {gaps} gaps.{few}"),
        format!(
            "{names}。{lots} 个批次，{tasters} 位评茶员，{scores} 个评分，{gaps} 个缺值。{few}"
        ),
    )
}

/// The finding's own sentences, which are English: on an English page as they are, on others folded away.
pub(super) fn in_english(out: &mut String, head: (&str, &str), items: &[String], words: &Words) {
    if items.is_empty() {
        return;
    }
    match words.lang {
        Lang::En => list(out, head.0, items),
        Lang::Zh => {
            let _ = writeln!(
                out,
                "<section><details lang=\"en\"><summary lang=\"zh-Hans\">{}（英文）</summary>",
                escaped(head.1)
            );
            items_of(out, items);
            out.push_str("</details></section>\n");
        }
    }
}
