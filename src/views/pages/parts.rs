//! What the pages of findings share: their head, lists, tables.

use std::fmt::Write as _;

use super::chinese;
use crate::findings::agree::Exclusion;
use crate::findings::{Estimate, count, say};
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
.on-narrow { display: none; } .on-narrow svg { width: 100%; }
details summary { cursor: pointer; color: var(--leaf); }
@page { size: A4; margin: 12mm 14mm; }
@media print { html { background: none; font-size: 9pt; } article { padding: 0; max-width: none; }
  figure, table { break-inside: avoid; } }
@media screen and (max-width: 40rem) { .on-wide { display: none; } .on-narrow { display: block; } }
@media (max-width: 40rem) {
  table, tbody, tr, td, tr.of th { display: block; border: 0; padding: .05rem 0; } tr.heads { display: none; }
  td[data-head]:not(:empty)::before { content: attr(data-head) ': '; color: var(--pale); font-size: .85rem; }
  :lang(zh) td[data-head]:not(:empty)::before { content: attr(data-head) '：'; }
  figure.wide svg { min-width: 46rem; } figure.wide { overflow-x: auto; }
  td:first-child { white-space: normal; overflow-wrap: anywhere; }
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

/// What a sentence of a finding says to whoever gives commands, and what stands on a page in its stead.
const ON_A_PAGE: [(&str, &str); 6] = [
    ("stands in --json", "stands below"),
    (", named now with --terms,", ", named now,"),
    ("; --simulations asks for more, which takes longer", ""),
    ("name their column with --taster", "say who scored"),
    ("Name the column of tasters with --taster", "Say who scored"),
    (
        "name it with --reference; for the time to come, freeze one",
        "choose it as the reference when a session is planned; for the time to come, freeze one",
    ),
];

/// A sentence without the flags of the command.
pub(super) fn on_a_page(text: &str) -> String {
    ON_A_PAGE.iter().fold(text.to_owned(), |text, (flag, said)| text.replace(flag, said))
}

/// The list alone.
pub(super) fn items_of(out: &mut String, items: &[String]) {
    out.push_str("<ul>\n");
    for item in items {
        let _ = writeln!(out, "<li>{}</li>", escaped(&on_a_page(item)));
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
    out.push_str("<section>\n");
    picture(out, chart);
    out.push_str("</section>\n");
}

/// A chart as the screen has room for it.
pub(super) fn picture(out: &mut String, chart: &Chart) {
    match &chart.narrow {
        None => {
            let _ = writeln!(out, "<figure class=\"wide\">\n{}</figure>", chart.svg);
        }
        Some(narrow) => {
            let _ = writeln!(
                out,
                "<figure class=\"on-wide\">\n{}</figure>\n<figure class=\"on-narrow\">\n{narrow}</figure>",
                chart.svg
            );
        }
    }
}

/// A table; cells behind the first are figures. Each carries its column's head, for narrow screens.
pub(super) fn table(out: &mut String, heads: &[&str], rows: &[Vec<String>]) {
    if rows.is_empty() {
        return;
    }
    // A table of many columns may be moved sideways: by keys too.
    let by_keys = if heads.len() > 6 { " tabindex=\"0\" role=\"group\"" } else { "" };
    let _ = writeln!(out, "<div class=\"wide\"{by_keys}><table>");
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
        format!(
            "{names}. {}, {}, {} (one a taster, cup and term), {}.{few}",
            count(lots, "lot", "lots"),
            count(tasters, "taster", "tasters"),
            count(scores, "score", "scores"),
            if gaps == 0 { "none missing".to_owned() } else { format!("{gaps} missing") }
        ),
        format!(
            "{names}。{lots} 个批次，{tasters} 位评茶员，{scores} 个评分（每位评茶员每杯每个评语一个），缺 {gaps} 个。{few}"
        ),
    )
}

/// A remark below a table.
pub(super) fn note(out: &mut String, text: &str) {
    let _ = writeln!(out, "<p class=\"note\">{}</p>", escaped(text));
}

/// A list of lines, each with whether it is in the page's language: what is not is marked as English,
/// so that it is read aloud rightly.
pub(super) fn lines_of(out: &mut String, lines: &[(String, bool)], words: &Words) {
    let english = if words.lang == Lang::En { "" } else { " lang=\"en\"" };
    out.push_str("<ul>\n");
    for (line, own) in lines {
        let mark = if *own { "" } else { english };
        let _ = writeln!(out, "<li{mark}>{}</li>", escaped(&on_a_page(line)));
    }
    out.push_str("</ul>\n");
}

/// Sentences of a finding in the page's language, where they are known in it.
pub(super) fn told(items: &[String], words: &Words) -> Vec<(String, bool)> {
    let one = |item: &String| match words.lang {
        Lang::En => (item.clone(), true),
        Lang::Zh => {
            let said = chinese::said(item, words);
            let known = said.is_some();
            (said.unwrap_or_else(|| item.clone()), known)
        }
    };
    items.iter().map(one).collect()
}

/// What to keep in mind: of the source first.
pub(super) fn cautions(out: &mut String, notes: &[String], cautions: &[String], words: &Words) {
    let all: Vec<String> = notes.iter().chain(cautions).cloned().collect();
    if all.is_empty() {
        return;
    }
    heading(out, words.pick("Keep in mind", "请注意"));
    lines_of(out, &told(&all, words), words);
    out.push_str("</section>\n");
}

/// What was left out, with the reason that somebody gave, as it was written.
pub(super) fn excluded(out: &mut String, all: &[Exclusion], of: &str, words: &Words) {
    let items: Vec<String> = all
        .iter()
        .map(|e| {
            words.pick(
                format!("{} {of}: {}", e.n_scores, e.reason),
                format!("{} {of}：{}", e.n_scores, e.reason),
            )
        })
        .collect();
    list(out, words.pick("Left out", "已剔除"), &items);
}
