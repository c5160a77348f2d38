//! `compare` as charts beside the levels: the map of the lots, courses over steeps.

use super::{Chart, Words};
use crate::findings::compare::Compare;
use crate::findings::steeps::Steeps;
use crate::findings::term_comparison::TermComparison;
use crate::plots::map::{self, MapLot, MapTerm};
use crate::plots::steeps::{SteepCourse, SteepCourses, SteepPanel, steep_courses};
use crate::plots::{Basis, PlotError};

/// Of more lots than this the JSON has the courses.
const MOST_COURSES: usize = 24;

/// map.svg, if there is a map.
pub(super) fn map(f: &Compare, words: &Words) -> Option<Result<Chart, PlotError>> {
    let m = f.map.known()?;
    let percent = |x: f64| format!("{:.0}", 100.0 * x);
    let axis = |i: usize| {
        let share = percent(m.shares.get(i).copied().unwrap_or_default());
        words.pick(
            format!("direction {}: {share} % of what lies between the lots", i + 1),
            format!("方向 {}：占批次间变化的 {share} %", i + 1),
        )
    };
    let mut footnotes = super::footnotes(f.individual_opinions, f.tasters.len(), words);
    let names: Vec<String> = m.terms.iter().map(|t| words.name(t)).collect();
    footnotes.push(words.pick(
        format!("Made of the terms in which the panel tells the lots apart: {}.", names.join(", ")),
        format!("由评茶组能区分批次的评语构成：{}。", names.join("、")),
    ));
    if let Some(held) = m.measured_coverage.known() {
        let (held, n) = (percent(*held), m.n_panels);
        footnotes.push(words.pick(
            format!(
                "A region held its lot's true place in {held} % of cases, in {n} simulated panels like this one."
            ),
            format!("在 {n} 个类似的模拟评茶组中，{held} % 的轮廓包含真实位置。"),
        ));
    }
    let mut counted = super::Counted::default();
    for t in f.terms.iter().map(|t| &t.lots) {
        counted.term((&t.term, t.scale, t.n_scores), m.terms.contains(&t.term), words);
    }
    let why = ("in which the lots are not told apart", "未能区分批次");
    footnotes.extend(counted.said(f.n_scores, why, words));
    if m.weighing == "standardised" {
        footnotes.push(
            words
                .pick(
                    "The scales of the terms differ: each is taken over its standard deviation.",
                    "各评语标度不同：均按其标准差计算。",
                )
                .to_owned(),
        );
    }
    let chart = map::LotMap {
        lang: words.lang,
        paper: words.paper,
        title: words.pick("Which lots are like each other?", "哪些批次彼此相似？").to_owned(),
        subtitle: f.source.names.join(words.lang.between()),
        basis: Basis {
            n_tasters: f.tasters.len(),
            n_scores: counted.drawn,
            level: m.level,
            of: words.pick("each lot's place", "各批次位置").to_owned(),
        },
        axes: (axis(0), axis(1)),
        lots: m
            .points
            .iter()
            .map(|p| MapLot {
                label: p.lot.clone(),
                at: (p.x, p.y),
                region: p.region.known().map(|r| (r.long, r.short, r.angle)),
                reference: f.source.references.contains(&p.lot),
            })
            .collect(),
        terms: m
            .arrows
            .iter()
            .map(|a| MapTerm { label: words.name(&a.term), towards: (a.x, a.y) })
            .collect(),
        footnotes,
    };
    Some(map::lot_map(&chart).map(|svg| Chart::new("map.svg", svg)))
}

/// steeps.svg, if leaf was steeped more than once.
pub(super) fn steeps(f: &Compare, words: &Words) -> Option<Result<Chart, PlotError>> {
    let mut n_scores = 0;
    let mut left_out = 0;
    let mut panels = Vec::new();
    for t in &f.terms {
        if let (Some(s), Some(ends)) = (t.lots.steeps.known(), t.lots.ends.known()) {
            n_scores += t.lots.n_scores;
            left_out = left_out.max(s.lots.len().saturating_sub(MOST_COURSES));
            panels.push(panel(&t.lots, s, *ends, words));
        }
    }
    if panels.is_empty() {
        return None;
    }
    let mut footnotes = super::footnotes(f.individual_opinions, f.tasters.len(), words);
    if left_out > 0 {
        footnotes.push(words.pick(
            format!("{left_out} more lots are in the numbers only."),
            format!("另有 {left_out} 个批次仅见于数据。"),
        ));
    }
    let chart = SteepCourses {
        lang: words.lang,
        paper: words.paper,
        title: words
            .pick("How do the lots go over the steeps?", "各批次随冲泡次数如何变化？")
            .to_owned(),
        subtitle: f.source.names.join(words.lang.between()),
        basis: Basis {
            n_tasters: f.tasters.len(),
            n_scores,
            level: f.settings.level,
            of: words
                .pick("adjusted mean, tasters a sample", "调整均值（评茶员视为抽样）")
                .to_owned(),
        },
        panels,
        footnotes,
    };
    Some(steep_courses(&chart).map(|svg| Chart::new("steeps.svg", svg)))
}

fn panel(t: &TermComparison, s: &Steeps, ends: [f64; 2], words: &Words) -> SteepPanel {
    let p = |p: f64| if p < 0.001 { "p < .001".to_owned() } else { format!("p {p:.3}") };
    let remark = s.course_test.known().map_or_else(String::new, |test| {
        let p = p(test.p_value);
        words.pick(
            format!("do the lots take different courses? {p}"),
            format!("各批次变化是否不同？{p}"),
        )
    });
    let courses = s.lots.iter().take(MOST_COURSES).map(|lot| SteepCourse {
        label: lot.lot.clone(),
        levels: s
            .steeps
            .iter()
            .map(|steep| {
                let level = lot.steeps.iter().find(|l| l.steep == *steep)?.adjusted.known()?;
                Some(super::drawn(&level.shown()))
            })
            .collect(),
    });
    SteepPanel {
        label: words.name(&t.term),
        remark,
        ends: words.ends(&t.term),
        range: (ends[0], ends[1]),
        steeps: s.steeps.clone(),
        courses: courses.collect(),
    }
}
