//! Invented charts and sheets.

use std::path::PathBuf;

use blindsteep::plots::courses::{Course, CourseMark, CoursePanel, Courses, Fitted};
use blindsteep::plots::dots::{DotRow, DotRows, Panel};
use blindsteep::plots::effects::{EffectPanel, EffectRow, Effects};
use blindsteep::plots::matrix::{Cell, Matrix};
use blindsteep::plots::scatter::{FittedLine, Scatter, ScatterPanel, Spot};
use blindsteep::plots::tasters::{TasterPanel, TasterRow, TasterRows};
use blindsteep::plots::then_now::{ThenNow, ThenNowPanel, ThenNowRow};
use blindsteep::plots::together::Together;
use blindsteep::plots::{Basis, Estimate, Lang, Paper};

/// Leaves a file in `target/tmp/pages`.
pub fn keep(name: &str, bytes: &[u8]) -> PathBuf {
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("pages");
    std::fs::create_dir_all(&folder).expect("the folder for pictures can be made");
    let path = folder.join(name);
    std::fs::write(&path, bytes).expect("the picture can be written");
    path
}

/// An estimate with its half-width.
pub fn level(value: f64, half: f64) -> Estimate {
    Estimate { value, lower: value - half, upper: value + half }
}

pub fn basis(lang: Lang) -> Basis {
    let of = match lang {
        Lang::En => "the adjusted mean, tasters random",
        Lang::Zh => "校正均值（评茶员为随机效应）",
    };
    Basis { n_tasters: 6, n_scores: 144, level: 0.95, of: of.to_owned() }
}

const TERMS: [(&str, &str, &str, &str); 8] = [
    ("Bright", "dull", "bright", "明亮"),
    ("Body", "thin", "thick", "厚薄"),
    ("Astringent", "absent", "strong", "涩"),
    ("Bitter", "absent", "strong", "苦"),
    ("Floral", "absent", "strong", "花香"),
    ("Malty", "absent", "strong", "麦芽香"),
    ("Green, grassy", "absent", "strong", "青气"),
    ("Returning sweetness", "absent", "strong", "回甘"),
];

/// A dot chart of `n_terms` terms and `n_lots` lots; values follow a fixed pattern.
pub fn dot_chart(
    lang: Lang,
    n_terms: usize,
    n_lots: usize,
    lot_name: &dyn Fn(usize) -> String,
) -> DotRows {
    let panels = (0..n_terms)
        .map(|t| {
            let (en, low, high, zh) = TERMS[t % TERMS.len()];
            let rows = (0..n_lots)
                .map(|l| {
                    let value = 0.4 + ((l * 7 + t * 5) % 17) as f64 * 0.55;
                    DotRow {
                        label: if l + 1 == n_lots { "REF".into() } else { lot_name(l) },
                        estimate: (l != 2 || t != 1)
                            .then(|| level(value, 0.5 + (l % 3) as f64 * 0.3)),
                        letters: Some(["a", "ab", "b", "bc", "c"][(l + t) % 5].to_owned()),
                        note: (l == 2 && t == 1).then(|| match lang {
                            Lang::En => "Fewer than three tasters scored this lot.".to_owned(),
                            Lang::Zh => "该批次评分的评茶员不足三位。".to_owned(),
                        }),
                        reference: l + 1 == n_lots,
                    }
                })
                .collect();
            Panel {
                label: if lang == Lang::En { en.into() } else { zh.into() },
                ends: match lang {
                    Lang::En => (low.into(), high.into()),
                    Lang::Zh => ("弱".into(), "强".into()),
                },
                range: (0.0, 10.0),
                rows,
            }
        })
        .collect();
    DotRows {
        lang,
        paper: Paper::Wide,
        title: match lang {
            Lang::En => "Which lots differ? Spring lots of the Tavrinel garden".into(),
            Lang::Zh => "哪些批次有差异？塔夫里奈尔茶园春茶".into(),
        },
        subtitle: match lang {
            Lang::En => "Session 2026-05-14, two replicates, one recipe".into(),
            Lang::Zh => "2026-05-14 审评，重复两次，同一冲泡方法".into(),
        },
        basis: basis(lang),
        panels,
        footnotes: vec![],
    }
}

pub fn taster_chart(lang: Lang) -> TasterRows {
    let names = match lang {
        Lang::En => ["Ann", "Bo", "Cy", "Dee", "Ed", "Fay"],
        Lang::Zh => ["安", "博文", "晨曦", "德明", "艾迪", "方圆"],
    };
    let remarks = match lang {
        Lang::En => ["", "narrow scale", "offset", "noise", "swaps bitter and astringent", ""],
        Lang::Zh => ["", "幅度偏窄", "偏移", "误差大", "苦、涩互换", ""],
    };
    let rows = |t: usize| {
        (0..6)
            .map(|i| TasterRow {
                taster: names[i].into(),
                offset: Some(level([-0.3, 0.1, 1.3, 0.2, -0.2, -0.9][(i + t) % 6], 0.4)),
                slope: (i != 5).then(|| level([1.05, 0.45, 1.1, 0.9, -0.2, 1.0][i], 0.25)),
                noise: Some(Estimate {
                    value: [0.9, 0.6, 0.9, 2.6, 1.0, 1.1][i],
                    lower: [0.7, 0.45, 0.7, 2.0, 0.75, 0.8][i],
                    upper: [1.2, 0.8, 1.2, 3.5, 1.35, 1.5][i],
                }),
                remark: Some(remarks[i].to_owned()).filter(|r| !r.is_empty()),
            })
            .collect()
    };
    let labels = if lang == Lang::En { ["Body", "Astringent"] } else { ["厚薄", "涩"] };
    TasterRows {
        lang,
        paper: Paper::Wide,
        title: if lang == Lang::En {
            "Do the tasters agree?".into()
        } else {
            "评茶员是否一致？".into()
        },
        subtitle: String::new(),
        basis: Basis {
            of: if lang == Lang::En { "each number".into() } else { "各数值".into() },
            ..basis(lang)
        },
        panels: labels
            .iter()
            .enumerate()
            .map(|(t, label)| TasterPanel { label: (*label).into(), rows: rows(t) })
            .collect(),
        footnotes: vec![],
    }
}

/// Six questions about eight lots each.
pub fn scatter_chart(lang: Lang) -> Scatter {
    let panels = (0..6)
        .map(|i| {
            let (a, b) =
                [(0.0, 1.0), (0.3, 0.45), (-0.3, 1.0), (0.3, 0.9), (0.0, -0.7), (-0.2, 0.0)][i];
            let (name, x_name, y_name) = match lang {
                Lang::En => {
                    ("body: rolling, or leaf grade", "rolling, min, beside the others", "body")
                }
                Lang::Zh => ("厚薄：揉捻时间，或细嫩叶比例", "揉捻时间（扣除其他参数）", "厚薄"),
            };
            ScatterPanel {
                name: name.into(),
                remark: format!("{b} (−0.2 … 1.4)"),
                x_name: x_name.into(),
                y_name: y_name.into(),
                x: (-20.0, 20.0),
                y: (-1.5, 1.5),
                points: (0..8)
                    .map(|l| {
                        let x = 5.0 * l as f64 - 17.0;
                        let wobble = [0.3, -0.4, 0.1, 0.5, -0.2, -0.5, 0.4, 0.0][(l + i) % 8];
                        let y = a + b * x / 17.0 + wobble;
                        Spot { x, y, label: format!("T26-0{}", l + 1) }
                    })
                    .collect(),
                fit: Some(FittedLine { intercept: a, slope: b / 17.0 }),
            }
        })
        .collect();
    Scatter {
        lang,
        paper: Paper::Wide,
        title: if lang == Lang::En { "Lot by lot".into() } else { "逐批查看".into() },
        subtitle: String::new(),
        basis: Basis {
            of: if lang == Lang::En { "the effect".into() } else { "效应".into() },
            ..basis(lang)
        },
        read: if lang == Lang::En { "Each mark is a lot." } else { "每个点为一个批次。" }.into(),
        panels,
        footnotes: vec![],
    }
}

/// A matrix of effects, each third one without an estimate.
pub fn matrix_chart(lang: Lang, n_columns: usize) -> Matrix {
    let name = |j: usize| match (lang, j % 3) {
        (Lang::En, 0) => "rolling, or share of fine leaf (the other way round)",
        (Lang::En, 1) => "season: spring",
        (Lang::En, _) => "dose of oxidation, or oxidation, roll to drier",
        (Lang::Zh, 0) => "揉捻时间，或细嫩叶比例（反向）",
        (Lang::Zh, 1) => "季节: 春",
        (Lang::Zh, _) => "发酵剂量，或揉捻至干燥时间",
    };
    let rows = TERMS.iter().enumerate().map(|(t, (en, _, _, zh))| {
        let cells = (0..n_columns).map(|j| {
            let value = ((t * 5 + j * 3) % 9) as f64 * 0.4 - 1.6;
            let estimate = ((t + j) % 5 != 4).then(|| level(value, 0.7));
            Cell { estimate, shown: value.abs() > 0.9 }
        });
        ((if lang == Lang::En { *en } else { *zh }).to_owned(), cells.collect())
    });
    Matrix {
        lang,
        title: if lang == Lang::En {
            "What goes with what?"
        } else {
            "哪些参数与哪些评语相关？"
        }
        .into(),
        subtitle: String::new(),
        basis: Basis {
            of: if lang == Lang::En { "the effect".into() } else { "效应".into() },
            ..basis(lang)
        },
        columns: (0..n_columns).map(|j| (name(j).to_owned(), "40 – 75 min".to_owned())).collect(),
        rows: rows.collect(),
        footnotes: vec![],
    }
}

/// Courses of `n_terms` terms and `n_samples` samples over seven tastings.
pub fn course_chart(
    lang: Lang,
    n_terms: usize,
    n_samples: usize,
    name: &dyn Fn(usize) -> String,
) -> Courses {
    let panels = (0..n_terms).map(|t| {
        let (en, low, high, zh) = TERMS[t % TERMS.len()];
        let courses = (0..n_samples).map(|s| {
            let value = |i: usize| ((i * 5 + s * 3 + t * 7) % 11) as f64 * 0.4 + 3.0;
            let marks =
                [1.1, 3.1, 6.1, 9.1, 12.1, 18.1, 24.1].into_iter().enumerate().map(|(i, month)| {
                    CourseMark {
                        month,
                        raw: Some(level(value(i) - 0.4 * (i as f64 / 3.0), 0.9)),
                        corrected: (i != 2).then(|| level(value(i), 1.2)),
                    }
                });
            let fitted = |month: f64, half: f64| Fitted {
                month,
                at: level(6.0 - s as f64 * 0.5 - 1.5 * (1.0 - (-month / 8.0).exp()), half),
            };
            let ahead = if s == 0 {
                (0..=6).map(|i| fitted(24.1 + f64::from(i), 1.2)).collect()
            } else {
                Vec::new()
            };
            Course {
                label: name(s),
                marks: marks.collect(),
                band: (0..=23).map(|i| fitted(1.1 + f64::from(i), 0.5)).collect(),
                ahead,
            }
        });
        CoursePanel {
            label: if lang == Lang::Zh { zh.into() } else { en.into() },
            ends: (low.into(), high.into()),
            range: (1.0, 9.0),
            held: Some(4.4),
            courses: courses.collect(),
        }
    });
    Courses {
        lang,
        paper: Paper::Wide,
        title: if lang == Lang::Zh { "变化历程" } else { "How it moved" }.into(),
        subtitle: "2024-06-09 – 2026-05-11".into(),
        basis: basis(lang),
        clock: if lang == Lang::Zh { "月数" } else { "months since the lot was made" }.into(),
        months: (0.0, 31.0),
        panels: panels.collect(),
        footnotes: Vec::new(),
    }
}

/// `n_rows` terms of a sample then and now.
pub fn then_now_chart(lang: Lang, n_rows: usize, term: &dyn Fn(usize) -> String) -> ThenNow {
    let rows = (0..n_rows).map(|i| {
        let value = 1.0 + (i * 3 % 8) as f64;
        let change = (i % 5) as f64 * 0.7 - 1.4;
        ThenNowRow {
            label: term(i),
            first: (i != 3).then(|| level(value, 0.9)),
            last: (i != 4).then(|| level(value + change, 0.9)),
            change: (i != 3 && i != 4).then(|| level(change, 0.6)),
            word: if i % 5 == 0 { if lang == Lang::Zh { "更少" } else { "less" } } else { "" }
                .into(),
        }
    });
    ThenNow {
        lang,
        title: if lang == Lang::Zh { "当初与现在" } else { "Then and now" }.into(),
        subtitle: String::new(),
        basis: basis(lang),
        panels: vec![ThenNowPanel {
            label: "T24-02@humid: month 1.1 and month 24.1".into(),
            ends: if lang == Lang::Zh {
                ("少".into(), "多".into())
            } else {
                ("less".into(), "more".into())
            },
            range: (0.0, 10.0),
            rows: rows.collect(),
        }],
        footnotes: Vec::new(),
    }
}

/// Effects of `n_lines` parameters on `n_terms` terms; values follow a fixed pattern.
pub fn effects_chart(
    lang: Lang,
    n_lines: usize,
    n_terms: usize,
    name: &dyn Fn(usize) -> String,
) -> Effects {
    let panels = (0..n_lines)
        .map(|i| EffectPanel {
            label: name(i),
            range: if lang == Lang::En { "12 to 17 h".into() } else { "12 至 17 h".into() },
            rows: (0..n_terms)
                .map(|t| {
                    let (en, _, _, zh) = TERMS[t % TERMS.len()];
                    let word = if lang == Lang::En { en } else { zh };
                    let value = ((t * 7 + i * 5) % 13) as f64 * 0.3 - 1.8;
                    EffectRow {
                        label: if t < TERMS.len() { word.into() } else { format!("{word} {t}") },
                        estimate: (t != 3 || i != 0)
                            .then(|| level(value, if i == 1 { 4.0 } else { 0.5 })),
                        shown: value.abs() > 1.0,
                    }
                })
                .collect(),
        })
        .collect();
    Effects {
        lang,
        paper: Paper::Wide,
        title: if lang == Lang::En {
            "Which step did it?".into()
        } else {
            "是哪一步工艺造成的？".into()
        },
        subtitle: String::new(),
        basis: basis(lang),
        panels,
        footnotes: vec![],
    }
}

/// Correlations of `n` columns, the first three and the last two of one group each.
pub fn together_chart(lang: Lang, n: usize, name: &dyn Fn(usize) -> String) -> Together {
    let mut groups = vec![1; n];
    if n > 5 {
        groups = [&[3][..], &vec![1; n - 5], &[2]].concat();
    }
    Together {
        lang,
        paper: Paper::Wide,
        title: if lang == Lang::En {
            "What moved together?".into()
        } else {
            "哪些一起变化？".into()
        },
        subtitle: String::new(),
        columns: (0..n).map(name).collect(),
        r: (0..n)
            .map(|i| (0..i).map(|j| ((i * 5 + j * 3) % 21) as f64 / 10.0 - 1.0).collect())
            .collect(),
        groups,
        footnotes: vec![],
    }
}
