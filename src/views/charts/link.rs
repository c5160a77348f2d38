//! The charts of `link`.

use super::{Chart, Words, footnotes, mark};
use crate::findings::link::{
    AddedVariable, Adjusted, Effect, Line, Link, LinkedTerm, OTHERS, counts_doublings, plain,
};
use crate::plots::effects::{EffectPanel, EffectRow, Effects, effects};
use crate::plots::matrix::{Cell, Matrix, matrix};
use crate::plots::scatter::{FittedLine, Scatter, ScatterPanel, Spot, scatter};
use crate::plots::together::{Together, together};
use crate::plots::{Basis, Paper, PlotError};

/// Panels of lots at the most: those of the surest effects.
const MOST_PANELS: usize = 9;

/// matrix.svg: all effects at a glance; effects.svg: the same with their intervals drawn; lots.svg:
/// the lots behind the surest of them; together.svg: what moved together.
///
/// # Errors
/// [`PlotError`], if there is no effect to draw or a name has characters that cannot be shown.
pub fn link(f: &Link, words: &Words) -> Result<Vec<Chart>, PlotError> {
    let mut charts = Vec::new();
    if f.lines.len() + f.together.len() > 1 {
        charts.push(Chart::new("together.svg", together(&moved(f, words))?));
    }
    let asked = f.lines.iter().any(|l| l.has_effect) && !f.terms.is_empty();
    if asked {
        // No phone is wide enough for the matrix: one panel a parameter has the same numbers.
        let svg = match words.paper {
            Paper::Wide => matrix(&at_a_glance(f, words))?,
            Paper::Narrow => effects(&did(f, words))?,
        };
        charts.push(Chart::new("matrix.svg", svg));
    }
    if words.paper == Paper::Wide {
        charts.push(Chart::new("effects.svg", effects(&did(f, words))?));
    }
    let lots = lot_by_lot(f, words);
    if !lots.panels.is_empty() {
        charts.push(Chart::new("lots.svg", scatter(&lots)?));
    }
    Ok(charts)
}

fn basis(f: &Link, words: &Words) -> Basis {
    Basis {
        n_tasters: f.tasters.len(),
        n_scores: f.n_scores,
        level: f.settings.level,
        of: words.pick(
            format!("the effect, {} lots each at its first tasting", f.lots.len()),
            format!("效应（{} 个批次，各取首次审评）", f.lots.len()),
        ),
    }
}

fn at_a_glance(f: &Link, words: &Words) -> Matrix {
    let lines: Vec<(usize, &Line)> =
        f.lines.iter().enumerate().filter(|(_, l)| l.has_effect).collect();
    let cell = |e: &Effect| Cell { estimate: mark(&e.over_range), shown: e.mark.is_shown() };
    Matrix {
        lang: words.lang,
        title: words.pick("What goes with what?", "哪些参数与哪些评语相关？").to_owned(),
        subtitle: f.source.names.join(words.lang.between()),
        basis: basis(f, words),
        columns: lines.iter().map(|(_, l)| (line_name(l, words), line_range(l, words))).collect(),
        rows: f
            .terms
            .iter()
            .map(|t| {
                let cells = lines.iter().map(|(i, _)| cell(&t.effects[*i]));
                (words.name(&t.term), cells.collect())
            })
            .collect(),
        footnotes: footnotes(f.individual_opinions, f.tasters.len(), words),
    }
}

/// The lots behind the effects that are shown, the surest first.
fn lot_by_lot(f: &Link, words: &Words) -> Scatter {
    let mut shown: Vec<(f64, &LinkedTerm, &Line, &Effect, &AddedVariable)> = f
        .terms
        .iter()
        .flat_map(|t| t.effects.iter().zip(&f.lines).map(move |(e, l)| (t, l, e)))
        .filter(|(_, _, e)| e.mark.is_shown())
        .filter_map(|(t, l, e)| Some((e.test.known()?.p_value, t, l, e, e.added_variable.known()?)))
        .collect();
    shown.sort_by(|a, b| a.0.total_cmp(&b.0));
    let left = shown.len().saturating_sub(MOST_PANELS);
    let mut notes = footnotes(f.individual_opinions, f.tasters.len(), words);
    if left > 0 {
        notes.push(words.pick(
            format!("The {MOST_PANELS} surest; {left} more stand out."),
            format!("此处为最有把握的 {MOST_PANELS} 项；另有 {left} 项显著。"),
        ));
    }
    let panels =
        shown.iter().take(MOST_PANELS).map(|(_, t, l, e, plot)| panel(t, l, e, plot, words));
    Scatter {
        lang: words.lang,
        paper: words.paper,
        title: words.pick("Lot by lot", "逐批查看").to_owned(),
        subtitle: f.source.names.join(words.lang.between()),
        basis: basis(f, words),
        read: words
            .pick(
                "Each mark is a lot: what the other parameters leave of its own parameter (to the right) \
                 and of its mean (upwards). Green: the effect.",
                "每个点为一个批次：横轴为扣除其他参数后本参数的剩余，纵轴为其均值的剩余。绿线：效应。",
            )
            .to_owned(),
        panels: panels.collect(),
        footnotes: notes,
    }
}

fn panel(
    t: &LinkedTerm,
    line: &Line,
    e: &Effect,
    plot: &AddedVariable,
    words: &Words,
) -> ScatterPanel {
    let xs = || plot.points.iter().map(|p| p.x);
    let ys = || plot.points.iter().map(|p| p.y);
    let unit = line.unit.known().map_or_else(String::new, |u| format!(", {u}"));
    let remark = e.over_range.known().map_or_else(String::new, |o| {
        let sign = if o.value > 0.0 { "+" } else { "" };
        let minus = |x: f64| format!("{x:.2}").replace('-', "−");
        let (value, lower, upper) = (minus(o.value), minus(o.lower), minus(o.upper));
        let range = line_range(line, words);
        words.pick(
            format!("{sign}{value} ({lower} to {upper}), {range}"),
            format!("{sign}{value}（{lower} 至 {upper}），{range}"),
        )
    });
    ScatterPanel {
        name: format!("{}{}{}", words.name(&t.term), words.lang.colon(), line_name(line, words)),
        remark,
        x_name: format!("{}{unit}", words.parameter(&line.line)),
        y_name: words.name(&t.term),
        x: around(xs()),
        y: around(ys()),
        points: plot.points.iter().map(|p| Spot { x: p.x, y: p.y, label: p.lot.clone() }).collect(),
        fit: Some(FittedLine { intercept: 0.0, slope: plot.slope }),
    }
}

/// An axis about 0 that holds all values, with some air.
fn around(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let reach = values.map(f64::abs).fold(0.0, f64::max);
    let reach = if reach > 0.0 { 1.12 * reach } else { 1.0 };
    (-reach, reach)
}

/// The name of a line with all that may have done it in its place.
pub fn line_name(line: &Line, words: &Words) -> String {
    let names: Vec<String> = line
        .rivals()
        .map(|m| {
            let way =
                if m.r < 0.0 { words.pick(" (the other way round)", "（反向）") } else { "" };
            format!("{}{way}", words.parameter(&m.column))
        })
        .collect();
    // Labels have commas of their own.
    names.join(words.pick(" – or ", "，或"))
}

/// What the dose of oxidation counts, behind its numbers.
fn doublings(words: &Words) -> &'static str {
    words.pick(" doublings of 3 h at 25 °C", " 次翻倍（0 为 25 °C 下 3 h）")
}

/// The range over which a line was made.
pub fn line_range(line: &Line, words: &Words) -> String {
    if line.against.known().is_some_and(|a| a == OTHERS) {
        return words.pick("against all others", "与其他各类相比").to_owned();
    }
    if let Some(first) = line.against.known() {
        let name = words.parameter(&format!("{}={first}", line.parameter));
        return words.pick(format!("against {name}"), format!("与“{name}”相比"));
    }
    let minus = |x: f64| plain(x).replace('-', "−");
    let (low, high) = (minus(line.min), minus(line.max));
    let unit = match line.unit.known() {
        Some(unit) => format!(" {unit}"),
        None if counts_doublings(line) => doublings(words).to_owned(),
        None => String::new(),
    };
    words.pick(format!("{low} to {high}{unit}"), format!("{low} 至 {high}{unit}"))
}

fn did(f: &Link, words: &Words) -> Effects {
    let panels = f
        .lines
        .iter()
        .enumerate()
        .filter(|(_, l)| l.has_effect)
        .map(|(i, line)| EffectPanel {
            label: line_name(line, words),
            range: line_range(line, words),
            rows: f
                .terms
                .iter()
                .map(|t| EffectRow {
                    label: words.name(&t.term),
                    estimate: mark(&t.effects[i].over_range),
                    shown: t.effects[i].mark.is_shown(),
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
        let (own, with) = (line_name(line, words), with.join(words.pick(", ", "、")));
        notes.push(words.pick(
            format!("{own}: not told apart from {with} together."),
            format!("{own}：无法与{with}的共同变化区分。"),
        ));
    }
    Effects {
        lang: words.lang,
        paper: words.paper,
        title: words.pick("Which step did it?", "是哪一步工艺造成的？").to_owned(),
        subtitle: f.source.names.join(words.lang.between()),
        basis: basis(f, words),
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
        paper: words.paper,
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
