//! The charts of `link`.

use super::{Chart, Words, footnotes, mark};
use crate::findings::ALPHA;
use crate::findings::link::{Adjusted, Line, Link, plain};
use crate::plots::effects::{EffectPanel, EffectRow, Effects, effects};
use crate::plots::together::{Together, together};
use crate::plots::{Basis, PlotError};

/// effects.svg: what each line does to each term; together.svg: what moved together.
///
/// # Errors
/// [`PlotError`], if there is no effect to draw or a name has characters that cannot be shown.
pub fn link(f: &Link, words: &Words) -> Result<Vec<Chart>, PlotError> {
    let mut charts = Vec::new();
    if f.lines.len() + f.together.len() > 1 {
        charts.push(Chart { file: "together.svg".to_owned(), svg: together(&moved(f, words))? });
    }
    charts.push(Chart { file: "effects.svg".to_owned(), svg: effects(&did(f, words))? });
    Ok(charts)
}

/// The name of a line with all that it is not told apart from.
fn name(line: &Line, words: &Words) -> String {
    let names: Vec<String> = line
        .members
        .iter()
        .map(|m| {
            let way =
                if m.r < 0.0 { words.pick(" (the other way round)", "（反向）") } else { "" };
            format!("{}{way}", words.parameter(&m.column))
        })
        .collect();
    names.join(words.pick(", or ", "，或"))
}

fn made(line: &Line, words: &Words) -> String {
    if let Some(first) = line.against.known() {
        let name = words.parameter(&format!("{}={first}", line.parameter));
        return words.pick(format!("against {name}"), format!("与“{name}”相比"));
    }
    let minus = |x: f64| plain(x).replace('-', "−");
    let (low, high) = (minus(line.min), minus(line.max));
    let unit = line.unit.known().map_or_else(String::new, |u| format!(" {u}"));
    words.pick(format!("{low} to {high}{unit}"), format!("{low} 至 {high}{unit}"))
}

fn did(f: &Link, words: &Words) -> Effects {
    let panels = f
        .lines
        .iter()
        .enumerate()
        .filter(|(_, l)| l.has_effect)
        .map(|(i, line)| EffectPanel {
            label: name(line, words),
            range: made(line, words),
            rows: f
                .terms
                .iter()
                .map(|t| EffectRow {
                    label: words.name(&t.term),
                    estimate: mark(&t.effects[i].over_range),
                    shown: t.effects[i].q_value.known().is_some_and(|q| *q < ALPHA),
                })
                .collect(),
        })
        .collect();
    let mut notes = footnotes(f.individual_opinions, f.tasters.len(), words);
    if f.adjusted.known() == Some(&Adjusted::OneAtATime) {
        notes.push(
            words
                .pick(
                    "Too few lots to adjust parameters for one another: each is looked at alone, and \
                     may be any other that moved with it.",
                    "批次太少，各参数无法互相校正：每项单独计算，也可能是与其同时变化的其他参数所致。",
                )
                .to_owned(),
        );
    }
    for line in f.lines.iter().filter(|l| !l.has_effect) {
        let with: Vec<String> = line.not_told_from.iter().map(|l| words.parameter(l)).collect();
        let (own, with) = (name(line, words), with.join(words.pick(", ", "、")));
        notes.push(words.pick(
            format!("{own}: not told apart from {with} together."),
            format!("{own}：无法与{with}的共同变化区分。"),
        ));
    }
    Effects {
        lang: words.lang,
        title: words.pick("Which step did it?", "是哪一步工艺造成的？").to_owned(),
        subtitle: f.source.names.join(", "),
        basis: Basis {
            n_tasters: f.tasters.len(),
            n_scores: f.n_scores,
            level: f.settings.level,
            of: words.pick(
                format!("the effect, {} lots each at its first tasting", f.lots.len()),
                format!("效应（{} 个批次，各取首次评茶）", f.lots.len()),
            ),
        },
        panels,
        footnotes: notes,
    }
}

fn moved(f: &Link, words: &Words) -> Together {
    let ids: Vec<&String> = f.lines.iter().flat_map(|l| &l.members).map(|m| &m.column).collect();
    let r = |a: &String, b: &String| {
        let same = |x: &String, y: &String| (x == a && y == b) || (x == b && y == a);
        f.together.iter().find(|p| same(&p.a, &p.b)).map_or(0.0, |p| p.r)
    };
    Together {
        lang: words.lang,
        title: words.pick("What moved together in the making?", "工艺中哪些一起变化？").to_owned(),
        subtitle: words.pick(
            format!("{} lots. {}", f.lots.len(), f.source.names.join(", ")),
            format!("{} 个批次。{}", f.lots.len(), f.source.names.join("、")),
        ),
        columns: ids.iter().map(|id| words.parameter(id)).collect(),
        r: ids
            .iter()
            .enumerate()
            .map(|(i, a)| ids[..i].iter().map(|b| r(a, b)).collect())
            .collect(),
        groups: f.lines.iter().map(|l| l.members.len()).collect(),
        footnotes: Vec::new(),
    }
}
