//! How each stored lot moved, what of it was the panel's drift, and what can be said today: the
//! answer of `age` on one page.

use std::fmt::Write as _;

use super::Page;
use super::age_words as said;
use super::parts::{
    cautions, figure, head, heading, items_of, language, list, picture, row_of_heads,
};
use crate::findings::age::Age;
use crate::sheets::age::Figures;
use crate::sheets::html::escaped;
use crate::views::charts::{self, Chart, Words};

/// The page, with the charts of the same finding.
#[must_use]
pub fn age(f: &Age, drawn: &[Chart], words: &Words) -> Page {
    let title = said::title(words);
    let mut out = head(words, title, &said::basis(f, words));
    heading(&mut out, words.pick("In short", "概要"));
    let (told, items) = said::in_short(f, words);
    let _ = writeln!(out, "<p>{}</p>", escaped(&told));
    if !items.is_empty() {
        items_of(&mut out, &items);
    }
    out.push_str("</section>\n");
    if let Some((told, table)) = said::drift(f, words) {
        heading(&mut out, words.pick("The panel's drift", "评茶组的漂移"));
        for sentence in told {
            let _ = writeln!(out, "<p>{}</p>", escaped(&sentence));
        }
        figures(&mut out, &table);
        out.push_str("</section>\n");
    }
    if let Some(chart) = drawn.iter().find(|c| c.file == charts::AGE_TOGETHER) {
        figure(&mut out, chart);
    }
    for (lot, tables) in said::by_lot(f, words) {
        heading(&mut out, lot);
        let file = charts::age_file("courses", lot);
        if let Some(chart) = drawn.iter().find(|c| c.file == file) {
            picture(&mut out, chart);
        }
        for table in tables {
            figures(&mut out, &table);
        }
        out.push_str("</section>\n");
    }
    let compared = said::comparisons(f, words);
    if !compared.is_empty() {
        heading(&mut out, words.pick("Lots beside each other", "批次之间的比较"));
        for table in &compared {
            figures(&mut out, table);
        }
        out.push_str("</section>\n");
    }
    list(&mut out, words.pick("Told apart?", "能否区分？"), &said::told_apart(f, words));
    cautions(&mut out, &[], &f.cautions, words);
    out.push_str("</article>\n");
    Page { title, language: language(words), article: out }
}

/// A table; all cells but the first and the last of wide ones are figures.
fn figures(out: &mut String, table: &Figures) {
    out.push_str("<div class=\"wide\"><table>\n");
    let columns = table.rows.iter().map(Vec::len).max().unwrap_or(1);
    if !table.title.is_empty() {
        let _ = writeln!(
            out,
            "<tr class=\"of\"><th scope=\"rowgroup\" colspan=\"{columns}\">{} <span class=\"pale\">{}</span></th></tr>",
            escaped(&table.title),
            escaped(&table.span)
        );
    }
    if !table.heads.is_empty() {
        let heads: Vec<&str> = table.heads.iter().map(String::as_str).collect();
        row_of_heads(out, &heads);
    }
    for row in &table.rows {
        out.push_str("<tr>");
        for (i, cell) in row.iter().enumerate() {
            let words = i == 0 || (columns == 5 && i == 4);
            let class = if words { "" } else { " class=\"figure\"" };
            let head = match table.heads.get(i).filter(|_| i > 0) {
                Some(head) => format!(" data-head=\"{}\"", escaped(head)),
                None => String::new(),
            };
            let _ = write!(out, "<td{class}{head}>{}</td>", escaped(cell));
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</table></div>\n");
}
