//! The map of the lots, and courses over steeps.

use blindsteep::plots::map::{LotMap, MapLot, MapTerm, lot_map};
use blindsteep::plots::steeps::{SteepCourse, SteepCourses, SteepPanel, steep_courses};
use blindsteep::plots::{Lang, Paper, PlotError};

use crate::samples::{basis, keep, level};
use crate::svg::{assert_reads_well, texts};

fn short(l: usize) -> String {
    format!("T26-{:02}", l + 1)
}

fn long(l: usize) -> String {
    format!("Upper terrace, second flush, lot {}, humid store", l + 1)
}

fn map(lang: Lang, n: usize, name: fn(usize) -> String) -> LotMap {
    let lots = (0..n).map(|i| {
        let turn = i as f64 * 2.4;
        let far = 0.4 + 2.2 * (i as f64 / n as f64);
        MapLot {
            label: name(i),
            at: (1.6 * far * turn.cos(), far * turn.sin()),
            region: (i % 5 != 4).then_some((0.7, 0.4, 0.3 * i as f64)),
            reference: i == 2,
        }
    });
    let terms = [("Body", "厚薄"), ("Astringent", "涩"), ("Floral", "花香"), ("Malty", "麦芽香")];
    let terms = terms.iter().enumerate().map(|(i, (en, zh))| MapTerm {
        label: (if lang == Lang::En { en } else { zh }).to_string(),
        towards: ((i as f64 * 1.3).cos(), (i as f64 * 1.3).sin()),
    });
    LotMap {
        lang,
        paper: Paper::Wide,
        title: "Which lots are like each other?".to_owned(),
        subtitle: "spring".to_owned(),
        basis: basis(lang),
        axes: ("direction 1: 61 %".to_owned(), "direction 2: 22 %".to_owned()),
        lots: lots.collect(),
        terms: terms.collect(),
        footnotes: vec!["An invented map.".to_owned()],
    }
}

#[test]
fn maps_of_every_size_read_well() {
    for lang in [Lang::En, Lang::Zh] {
        for n in [3, 6, 17, 60] {
            for (kind, name) in [("short", short as fn(usize) -> String), ("long", long)] {
                let svg = lot_map(&map(lang, n, name)).expect("draws");
                keep(&format!("map-{lang:?}-{n}-{kind}.svg"), svg.as_bytes());
                assert_reads_well(&svg);
                let said = texts(&svg);
                let shown = (0..n).filter(|i| said.iter().any(|t| t.text == name(*i))).count();
                assert!(shown == n || n > 6 || kind == "long", "{shown} of {n} names");
                let left_out = said
                    .iter()
                    .any(|t| t.text.contains("have no room") || t.text.contains("位置不足"));
                assert!(shown == n || left_out, "names are left out silently");
            }
        }
    }
}

// Both axes have one scale: the steps between numbers are as many pixels across as up.
#[test]
fn a_map_has_one_scale() {
    let chart = map(Lang::En, 6, short);
    let svg = lot_map(&chart).expect("draws");
    let spread = |pairs: Vec<(f64, f64)>| {
        let (a, b) = (pairs[0], pairs[pairs.len() - 1]);
        ((b.1 - a.1) / (b.0 - a.0)).abs()
    };
    let numbers: Vec<(f64, f64, f64)> = texts(&svg)
        .iter()
        .filter_map(|t| {
            let value = t.text.replace('−', "-").parse::<f64>().ok()?;
            Some((value, 0.5 * (t.left + t.right), 0.5 * (t.top + t.bottom)))
        })
        .collect();
    let lowest = numbers.iter().map(|n| n.2).fold(0.0, f64::max);
    let across = numbers.iter().filter(|n| (n.2 - lowest).abs() < 1.0).map(|n| (n.0, n.1));
    let up = numbers.iter().filter(|n| (n.2 - lowest).abs() >= 1.0).map(|n| (n.0, n.2));
    let (across, up) = (spread(across.collect()), spread(up.collect()));
    assert!((across / up - 1.0).abs() < 0.01, "{across} and {up} pixels a unit");
}

#[test]
fn a_map_refuses_what_has_no_place() {
    let mut chart = map(Lang::En, 3, short);
    chart.lots[1].at.0 = f64::NAN;
    assert!(matches!(lot_map(&chart), Err(PlotError::BadNumber { .. })));
    chart.lots.clear();
    assert!(matches!(lot_map(&chart), Err(PlotError::Empty { .. })));
}

fn steeps(lang: Lang, n: usize, name: fn(usize) -> String) -> SteepCourses {
    let courses = (0..n).map(|i| SteepCourse {
        label: name(i),
        levels: (0..5)
            .map(|s| (s + i != 6).then(|| level(8.0 - 0.2 * (s * (i % 7)) as f64, 0.6)))
            .collect(),
    });
    let panel = SteepPanel {
        label: "Body".to_owned(),
        remark: "lots take different courses: p .012".to_owned(),
        ends: ("thin".to_owned(), "thick".to_owned()),
        range: (0.0, 10.0),
        steeps: (1..6).map(|s| s.to_string()).collect(),
        courses: courses.collect(),
    };
    SteepCourses {
        lang,
        paper: Paper::Wide,
        title: "How do the lots go over the steeps?".to_owned(),
        subtitle: "spring".to_owned(),
        basis: basis(lang),
        panels: vec![panel.clone(), SteepPanel { label: "Floral".to_owned(), ..panel }],
        footnotes: Vec::new(),
    }
}

#[test]
fn courses_over_steeps_of_every_size_read_well() {
    for lang in [Lang::En, Lang::Zh] {
        for n in [1, 4, 15] {
            for (kind, name) in [("short", short as fn(usize) -> String), ("long", long)] {
                let svg = steep_courses(&steeps(lang, n, name)).expect("draws");
                keep(&format!("steeps-{lang:?}-{n}-{kind}.svg"), svg.as_bytes());
                assert_reads_well(&svg);
            }
        }
    }
    let mut bad = steeps(Lang::En, 2, short);
    bad.panels[0].courses[0].levels[0] = Some(level(f64::NAN, 0.1));
    assert!(matches!(steep_courses(&bad), Err(PlotError::BadNumber { .. })));
    bad.panels.clear();
    assert!(matches!(steep_courses(&bad), Err(PlotError::Empty { .. })));
}
