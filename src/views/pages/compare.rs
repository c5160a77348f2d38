//! Which lots differ? The answer of `compare` on one page.

use std::fmt::Write as _;

use super::Page;
use super::parts::{basis, figure, head, heading, in_english, language, table};
use crate::findings::compare::Compare;
use crate::findings::term_comparison::TermComparison;
use crate::findings::{ALPHA, Answer};
use crate::sheets::html::escaped;
use crate::views::charts::{Chart, Words};
use crate::views::text::{number, or_dash, p_value};

/// The page, with the charts of the same finding.
#[must_use]
pub fn compare(f: &Compare, drawn: &[Chart], words: &Words) -> Page {
    let title = words.pick("Which lots differ?", "哪些批次有差异？");
    let numbers = (f.lots.len(), f.tasters.len(), f.n_scores, f.n_gaps);
    let mut out =
        head(words, title, &basis(&f.source.names, numbers, f.individual_opinions, words));
    in_short(&mut out, f, words);
    for chart in drawn {
        figure(&mut out, chart);
    }
    for t in &f.terms {
        pairs(&mut out, &t.lots, words);
    }
    levels(&mut out, f, words);
    let cautions: Vec<String> = f.source.notes.iter().chain(&f.cautions).cloned().collect();
    in_english(&mut out, ("Keep in mind", "请注意"), &cautions, words);
    out.push_str("</article>\n");
    Page { title, language: language(words), article: out }
}

fn in_short(out: &mut String, f: &Compare, words: &Words) {
    heading(out, words.pick("In short", "概要"));
    let stands = |t: &&crate::findings::compare::ComparedTerm| {
        t.lots.p_holm.known().is_some_and(|p| *p < ALPHA)
    };
    let apart: Vec<String> =
        f.terms.iter().filter(stands).map(|t| words.name(&t.lots.term)).collect();
    let n = f.n_tested;
    let line = if apart.is_empty() {
        words.pick(
            format!("Of {n} terms that were tested together none shows a difference of the lots."),
            format!("{n} 个术语一并检验，均未显出批次差异。"),
        )
    } else {
        words.pick(
            format!(
                "Of {n} terms that were tested together {} {} differences of the lots (Holm, 5 %): {}.",
                apart.len(),
                if apart.len() == 1 { "shows" } else { "show" },
                apart.join(", ")
            ),
            format!(
                "{n} 个术语一并检验，{} 个显出批次差异（Holm 校正，5 %）：{}。",
                apart.len(),
                apart.join("、")
            ),
        )
    };
    let _ = writeln!(out, "<p>{}</p>", escaped(&line));
    out.push_str("</section>\n");
    in_english(out, ("What was found", "结论原文"), &f.sentences, words);
}

/// The pairs of a term that differ among all pairs.
fn pairs(out: &mut String, t: &TermComparison, words: &Words) {
    let Answer::Known(all) = &t.differences else { return };
    let rows: Vec<Vec<String>> = all
        .iter()
        .filter_map(|d| {
            let n = d.difference.known().filter(|n| n.differs)?;
            let range = |lower: f64, upper: f64| {
                words.pick(
                    format!("{} to {}", number(lower, 2), number(upper, 2)),
                    format!("{} 至 {}", number(lower, 2), number(upper, 2)),
                )
            };
            Some(vec![
                format!("{} − {}", d.a, d.b),
                number(n.value, 2),
                range(n.tukey_lower, n.tukey_upper),
                p_value(n.p_tukey),
            ])
        })
        .collect();
    if rows.is_empty() {
        return;
    }
    heading(out, &words.name(&t.term));
    let heads = words.pick(
        ["Lots", "Difference", "95 % for all pairs at once", "p among all pairs"],
        ["批次", "差", "全部配对同时的 95 %", "全部配对中的 p"],
    );
    table(out, &heads, &rows);
    out.push_str("</section>\n");
}

/// The level of each lot, term by term, with letters: lots that share one are not told apart.
fn levels(out: &mut String, f: &Compare, words: &Words) {
    heading(out, words.pick("Levels", "水平"));
    let mut heads = vec![words.pick("Lot", "批次").to_owned()];
    let shown: Vec<&TermComparison> = f
        .terms
        .iter()
        .map(|t| &t.lots)
        .filter(|t| {
            t.levels.known().is_some_and(|l| l.iter().any(|l| l.adjusted.known().is_some()))
        })
        .collect();
    heads.extend(shown.iter().map(|t| words.name(&t.term)));
    let rows: Vec<Vec<String>> = f
        .lots
        .iter()
        .map(|lot| {
            let cell = |t: &&TermComparison| {
                let level = t.levels.known().and_then(|all| all.iter().find(|l| l.lot == *lot));
                level.map_or_else(
                    || "–".to_owned(),
                    |l| {
                        let value = or_dash(&l.adjusted, |n| number(n.value, 1));
                        match &l.letters {
                            Answer::Known(letters) => format!("{value} {letters}"),
                            Answer::Unknown(_) => value,
                        }
                    },
                )
            };
            let mut row = vec![lot.clone()];
            row.extend(shown.iter().map(cell));
            row
        })
        .collect();
    let heads: Vec<&str> = heads.iter().map(String::as_str).collect();
    table(out, &heads, &rows);
    let note = words.pick(
        "Adjusted means in points. Lots that share a letter in a column are not told apart there among all pairs; \
         where there are two or three tasters there are no letters.",
        "调整均值（分）。同一列中字母相同的批次在所有配对中不能区分；仅两三位评茶员时不给字母。",
    );
    let _ = writeln!(out, "<p class=\"note\">{}</p></section>", escaped(note));
}
