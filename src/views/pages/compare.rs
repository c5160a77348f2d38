//! Which lots differ? The answer of `compare` on one page.

use std::fmt::Write as _;

use super::Page;
use super::compare_words as said;
use super::parts::{basis, cautions, excluded, figure, head, heading, language, list, note, table};
use crate::findings::compare::{Compare, ComparedTerm};
use crate::findings::term_comparison::{Shares, TICKED, TermComparison};
use crate::findings::{ALPHA, Answer};
use crate::scores::ScaleKind;
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
    counted(&mut out, f, words);
    cautions(&mut out, &f.source.notes, &f.cautions, words);
    excluded(&mut out, &f.exclusions, words.pick("scores", "个评分"), words);
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
            format!("{n} 个评语一并检验，均未显出批次差异。"),
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
                "{n} 个评语一并检验，{} 个显出批次差异（Holm 校正，5 %）：{}。",
                apart.len(),
                apart.join("、")
            ),
        )
    };
    let _ = writeln!(out, "<p>{}</p>", escaped(&line));
    out.push_str("</section>\n");
    list(out, words.pick("What was found", "结论"), &said::sentences(f, words));
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
                        let value = or_dash(&l.adjusted, |n| number(n.shown().value, 1));
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
    let told = words.pick(
        "Adjusted means in points. Lots that share a letter in a column are not told apart there among all pairs; \
         where there are two or three tasters there are no letters.",
        "调整均值（分）。同一列中字母相同的批次在所有配对中不能区分；仅两三位评茶员时不给字母。",
    );
    note(out, told);
    out.push_str("</section>\n");
}

/// Ticks and categories, which have no level: how often each answer was given, by lot.
fn counted(out: &mut String, f: &Compare, words: &Words) {
    let shares = |t: &&ComparedTerm| t.lots.shares.known().is_some();
    let (ticks, kinds): (Vec<&ComparedTerm>, Vec<&ComparedTerm>) =
        f.terms.iter().filter(shares).partition(|t| t.lots.scale == ScaleKind::Tick);
    if ticks.is_empty() && kinds.is_empty() {
        return;
    }
    heading(out, words.pick("Ticks and categories, counted", "勾选与分类的次数"));
    let of = |t: &ComparedTerm, lot: &str, cell: &dyn Fn(&Shares) -> String| -> String {
        let own = t.lots.shares.known().and_then(|all| all.iter().find(|s| s.lot == lot));
        own.map_or_else(|| "–".to_owned(), cell)
    };
    if !ticks.is_empty() {
        let ticked = |s: &Shares| {
            let n = s.labels.iter().find(|l| l.label == TICKED).map_or(0, |l| l.n);
            words.pick(format!("{n} of {}", s.n), format!("{n}/{}", s.n))
        };
        by_lot(out, f, &ticks, &|t, lot| of(t, lot, &ticked), words);
        note(
            out,
            words.pick(
                "How often a term was ticked, of the answers that lot had. A tick has no points, so it has no \
                 mean and no interval of one: the lots are tested by Cochran's Q, above.",
                "该评语在该批次全部回答中被勾选的次数。勾选没有分值，故无均值与区间：批次之间用科克伦 Q 检验，见上。",
            ),
        );
    }
    if !kinds.is_empty() {
        let given = |t: &ComparedTerm, s: &Shares| {
            let each: Vec<String> = s
                .labels
                .iter()
                .map(|l| format!("{} {}", words.level(&t.lots.term, &l.label), l.n))
                .collect();
            each.join(words.pick(", ", "，"))
        };
        by_lot(out, f, &kinds, &|t, lot| of(t, lot, &|s| given(t, s)), words);
        note(
            out,
            words.pick(
                "How often each category was given, the most frequent first. Categories have no order, so the \
                 lots are not tested here; whether the tasters name the same one, `agree` says (kappa, alpha).",
                "各类别被选的次数，多者在前。类别没有次序，故此处不检验批次；评茶员是否选同一类，见“评茶员意见一致吗？”（kappa、alpha）。",
            ),
        );
    }
    out.push_str("</section>\n");
}

/// A table with a row for each lot and a column for each term.
fn by_lot(
    out: &mut String,
    f: &Compare,
    terms: &[&ComparedTerm],
    cell: &dyn Fn(&ComparedTerm, &str) -> String,
    words: &Words,
) {
    let names: Vec<String> = terms.iter().map(|t| words.name(&t.lots.term)).collect();
    let mut heads = vec![words.pick("Lot", "批次")];
    heads.extend(names.iter().map(String::as_str));
    let rows: Vec<Vec<String>> = f
        .lots
        .iter()
        .map(|lot| {
            let mut row = vec![lot.clone()];
            row.extend(terms.iter().map(|t| cell(t, lot)));
            row
        })
        .collect();
    table(out, &heads, &rows);
}
