//! What the charts say, and whether it can be read.

use blindsteep::plots::courses::courses;
use blindsteep::plots::dots::dot_rows;
use blindsteep::plots::effects::effects;
use blindsteep::plots::matrix::matrix;
use blindsteep::plots::scatter::scatter;
use blindsteep::plots::tasters::taster_rows;
use blindsteep::plots::then_now::then_now;
use blindsteep::plots::together::together;
use blindsteep::plots::{Lang, PlotError, font};

use crate::samples::{
    course_chart, dot_chart, effects_chart, keep, level, matrix_chart, scatter_chart, taster_chart,
    then_now_chart, together_chart,
};
use crate::svg::{assert_reads_well, texts};

fn lot(l: usize) -> String {
    format!("T26-{:02}", l + 1)
}

#[test]
fn a_dot_chart_says_its_n_and_its_interval_and_its_ends() {
    let svg = dot_rows(&dot_chart(Lang::En, 6, 8, &lot)).expect("draws");
    keep("dots-en.svg", svg.as_bytes());
    assert_reads_well(&svg);
    let said: Vec<String> = texts(&svg).into_iter().map(|t| t.text).collect();
    let subtitle =
        "6 tasters, n = 144 scores. Lines: 95% interval of the adjusted mean, tasters random.";
    assert!(said.iter().any(|t| t == subtitle), "{said:?}");
    for expected in ["T26-01", "REF", "Body", "← thin", "thick →", "no estimate"] {
        assert!(said.iter().any(|t| t == expected), "{expected} is missing from {said:?}");
    }
    assert!(said.iter().any(|t| t == "(1) Fewer than three tasters scored this lot."));
}

#[test]
fn a_dot_chart_speaks_chinese() {
    let svg = dot_rows(&dot_chart(Lang::Zh, 3, 6, &lot)).expect("draws");
    keep("dots-zh.svg", svg.as_bytes());
    assert_reads_well(&svg);
    assert!(
        svg.contains(
            "6 位评茶员，n = 144 个评分。线段：校正均值（评茶员为随机效应）的 95 % 区间。"
        )
    );
    assert!(svg.contains("厚薄") && svg.contains("无估计值") && svg.contains("lang=\"zh-Hans\""));
}

#[test]
fn charts_of_every_size_read_well() {
    let long = |l: usize| format!("Upper terrace, second flush, lot {}, humid store", l + 1);
    for lang in [Lang::En, Lang::Zh] {
        for (terms, lots) in [(1, 2), (1, 30), (2, 5), (4, 12), (5, 3), (20, 30)] {
            for (kind, name) in [("short", &lot as &dyn Fn(usize) -> String), ("long", &long)] {
                let svg = dot_rows(&dot_chart(lang, terms, lots, name)).expect("draws");
                keep(&format!("dots-{lang:?}-{terms}x{lots}-{kind}.svg"), svg.as_bytes());
                assert_reads_well(&svg);
            }
        }
    }
}

#[test]
fn a_long_label_is_cut_between_characters_and_told_in_full_to_a_screen_reader() {
    let name = |l: usize| {
        format!("第{}号高山老丛春茶第一轮采摘萎凋十六小时日光干燥陶罐湿仓存放茶样并附长注", l + 1)
    };
    let svg = dot_rows(&dot_chart(Lang::Zh, 3, 4, &name)).expect("draws");
    assert_reads_well(&svg);
    assert!(texts(&svg).iter().any(|t| t.text.starts_with("第1号高山") && t.text.ends_with('…')));
    let described = svg.split("</desc>").next().expect("has a description");
    assert!(described.contains(&name(0)));
}

#[test]
fn labels_that_are_cut_can_still_be_told_apart() {
    let first_column = |svg: &str, n: usize| -> Vec<String> {
        let rows: Vec<String> = texts(svg)
            .into_iter()
            .filter(|t| t.left < 21.0 && t.px > 12.45 && t.px < 12.55)
            .map(|t| t.text)
            .collect();
        rows[rows.len() - n..].to_vec()
    };
    let differs_at_end =
        |l: usize| format!("Upper terrace, second flush, dried in hot air, lot {}", l + 1);
    let differs_inside = |l: usize| {
        format!(
            "Upper terrace above the old stone bridge, lot {} of the spring, in the humid store for two years",
            l + 1
        )
    };
    for (name, numbered) in
        [(&differs_at_end as &dyn Fn(usize) -> String, false), (&differs_inside, true)]
    {
        let svg = dot_rows(&dot_chart(Lang::En, 1, 8, name)).expect("draws");
        assert_reads_well(&svg);
        let labels = first_column(&svg, 8);
        let different: std::collections::BTreeSet<_> = labels.iter().collect();
        assert_eq!(different.len(), 8, "{labels:?}");
        assert_eq!(labels[0].starts_with("1 Upper"), numbered, "{labels:?}");
        let below: String =
            texts(&svg).iter().filter(|t| t.px < 12.1).map(|t| format!("{} ", t.text)).collect();
        assert_eq!(below.contains(&format!("3 {};", name(2))), numbered, "{below}");
    }
}

#[test]
fn a_remark_too_long_for_its_row_stands_below_in_full() {
    let mut chart = taster_chart(Lang::En);
    let long = "scores bitter where the others score astringent, and the other way round, in both flights, with a narrow scale besides";
    chart.panels[0].rows[4].remark = Some(long.into());
    chart.panels[0].rows[1].remark = Some("narrow scale, and a drift over the second day".into());
    let svg = taster_rows(&chart).expect("draws");
    keep("tasters-remarks.svg", svg.as_bytes());
    assert_reads_well(&svg);
    let all: String = texts(&svg).iter().map(|t| format!("{} ", t.text)).collect();
    assert!(all.contains(&format!("Body, Ed: {long}")), "{all}");
    assert!(all.contains("see below"));
}

#[test]
fn a_level_at_the_end_of_the_axis_has_its_dot_whatever_its_rounding() {
    let mut chart = dot_chart(Lang::En, 1, 2, &lot);
    let mut dots_at = |value: f64| {
        chart.panels[0].rows[0].estimate = Some(crate::samples::level(value, 0.2));
        dot_rows(&chart).expect("draws").matches("<circle").count()
    };
    let inside = dots_at(5.0);
    assert_eq!([dots_at(0.0), dots_at(-1e-15), dots_at(10.0 + 1e-14)], [inside; 3]);
    assert_eq!(dots_at(-0.1), inside - 1, "a level off the axis is told by its arrow alone");
}

#[test]
fn an_interval_beyond_the_axis_ends_in_a_point_on_the_axis() {
    let mut chart = dot_chart(Lang::En, 1, 2, &lot);
    chart.panels[0].rows[0].estimate = Some(crate::samples::level(9.0, 0.9));
    chart.panels[0].rows[1].estimate = Some(crate::samples::level(5.0, 0.9));
    let inside = dot_rows(&chart).expect("draws");
    let arrows = |svg: &str| svg.matches("<polygon").count() - 1; // the square of the reference
    assert_eq!(arrows(&inside), 0);
    chart.panels[0].rows[0].estimate = Some(crate::samples::level(9.8, 0.9));
    let beyond = dot_rows(&chart).expect("draws");
    assert_eq!(arrows(&beyond), 1);
}

#[test]
fn a_character_that_cannot_be_shown_is_named_with_its_place() {
    let mut chart = dot_chart(Lang::En, 2, 3, &lot);
    chart.panels[1].rows[0].label = "T26-龘".into();
    chart.title = "Lots 🍵".into();
    let Err(PlotError::MissingGlyphs(missing)) = dot_rows(&chart) else {
        panic!("a missing glyph must not be drawn");
    };
    assert_eq!(missing.iter().map(|m| m.character).collect::<Vec<_>>(), ['🍵', '龘']);
    assert_eq!(
        missing[1].to_string(),
        "label of the lot T26-龘: the character 龘 (U+9F98), character 5 of \"T26-龘\", cannot be printed: \
         expected Latin letters or simplified Chinese of GB 2312; write it with its simplified form, \
         a common character of the same sound, or pinyin"
    );
    assert!(
        missing[0].to_string().starts_with("title: the character 🍵 (U+1F375), character 6 of")
    );
}

#[test]
fn a_cut_label_is_still_checked_to_its_end() {
    let mut chart = dot_chart(Lang::En, 3, 3, &lot);
    chart.panels[0].rows[0].label = format!("{}龘", "very long label ".repeat(8));
    assert!(matches!(dot_rows(&chart), Err(PlotError::MissingGlyphs(_))));
}

#[test]
fn numbers_without_a_place_are_refused_with_their_lot() {
    let mut chart = dot_chart(Lang::En, 1, 3, &lot);
    chart.panels[0].rows[1].estimate =
        Some(blindsteep::plots::Estimate { value: 5.0, lower: f64::NAN, upper: 6.0 });
    let error = dot_rows(&chart).expect_err("must be refused").to_string();
    assert!(
        error.starts_with("term Bright, lot T26-02: found 5 with the interval NaN to 6"),
        "{error}"
    );
    chart.panels.clear();
    assert!(matches!(dot_rows(&chart), Err(PlotError::Empty { .. })));
}

#[test]
fn text_is_text_and_never_markup() {
    let mut chart = dot_chart(Lang::En, 1, 2, &lot);
    chart.title = "<script>alert(1)</script> & \"quotes\"".into();
    chart.panels[0].rows[0].label = "</text><b>".into();
    let svg = dot_rows(&chart).expect("draws");
    assert!(!svg.contains("<script") && !svg.contains("<b>"));
    assert!(texts(&svg).iter().any(|t| t.text == "</text><b>"));
}

#[test]
fn the_same_input_gives_the_same_bytes_and_carries_its_own_letters() {
    let chart = dot_chart(Lang::Zh, 4, 6, &lot);
    let svg = dot_rows(&chart).expect("draws");
    assert_eq!(svg, dot_rows(&chart).expect("draws"));
    // The face in the chart holds each drawn character, under Unicode, and no more than a few dozen others.
    let data = svg.split("base64,").nth(1).and_then(|rest| rest.split(')').next()).expect("a face");
    use base64::Engine as _;
    let bytes = base64::engine::general_purpose::STANDARD.decode(data).expect("base64");
    let face = ttf_parser::Face::parse(&bytes, 0).expect("the cut face is a font");
    for text in texts(&svg) {
        for c in text.text.chars() {
            assert!(
                face.glyph_index(c).is_some_and(|g| g.0 != 0),
                "{c} is missing from the chart's face"
            );
        }
    }
    assert!(bytes.len() < 60_000, "{} bytes for one chart", bytes.len());
    assert!(face.glyph_index('龙').is_none());
}

#[test]
fn a_chart_names_itself_to_a_screen_reader() {
    let svg = dot_rows(&dot_chart(Lang::En, 2, 3, &lot)).expect("draws");
    assert!(svg.starts_with("<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" lang=\"en\""));
    let title =
        svg.split("<title id=\"").nth(1).and_then(|t| t.split('"').next()).expect("a title");
    assert!(svg.contains(&format!("aria-labelledby=\"{title} desc-")));
    assert!(svg.contains("T26-01 0.4 (−0.1 to 0.9) a;"), "the description holds the numbers");
}

#[test]
fn tasters_are_shown_against_the_others_in_both_languages() {
    for lang in [Lang::En, Lang::Zh] {
        let svg = taster_rows(&taster_chart(lang)).expect("draws");
        keep(&format!("tasters-{lang:?}.svg"), svg.as_bytes());
        assert_reads_well(&svg);
        let scatter = scatter(&scatter_chart(lang)).expect("draws");
        keep(&format!("scatter-{lang:?}.svg"), scatter.as_bytes());
        assert_reads_well(&scatter);
        let level = if lang == Lang::En { "95%" } else { "95 %" };
        for (svg, level) in [(svg, level), (scatter, "")] {
            let said: Vec<String> = texts(&svg).into_iter().map(|t| t.text).collect();
            let n = if lang == Lang::En { "n = 144 scores" } else { "n = 144 个评分" };
            assert!(said.iter().any(|t| t.contains(n) && t.contains(level)), "{said:?}");
        }
    }
}

#[test]
fn a_matrix_of_effects_says_its_signs_without_colour() {
    for lang in [Lang::En, Lang::Zh] {
        for n in [1, 5, 12] {
            let svg = matrix(&matrix_chart(lang, n)).expect("draws");
            keep(&format!("matrix-{lang:?}-{n}.svg"), svg.as_bytes());
            assert_reads_well(&svg);
            let said: Vec<String> = texts(&svg).into_iter().map(|t| t.text).collect();
            assert!(
                said.iter().any(|t| t == "+1.2") && said.iter().any(|t| t == "−1.2"),
                "{said:?}"
            );
        }
    }
    let mut odd = matrix_chart(Lang::En, 2);
    odd.rows[0].1.pop();
    assert!(matrix(&odd).expect_err("must be refused").to_string().contains("one cell a column"));
}

#[test]
fn a_noise_ratio_must_be_above_zero() {
    let mut chart = taster_chart(Lang::En);
    chart.panels[0].rows[0].noise = Some(crate::samples::level(0.0, 0.0));
    let error = taster_rows(&chart).expect_err("must be refused").to_string();
    assert_eq!(error, "Body, taster Ann, noise: found 0; expected a ratio above 0");
}

#[test]
fn lines_break_at_spaces_and_between_hanzi_but_not_before_a_closing_mark() {
    let width = font::text_width("评茶员六位", 10.0);
    assert_eq!(font::wrap("评茶员六位，打分", 10.0, width), ["评茶员六", "位，打分"]);
    assert_eq!(font::wrap("one two", 10.0, font::text_width("one tw", 10.0)), ["one", "two"]);
    assert!(font::wrap("", 10.0, 100.0).is_empty());
}

#[test]
fn courses_name_their_arms_at_their_ends_and_say_what_is_hollow() {
    let arm = |s: usize| ["dry", "humid", "sealed"][s % 3].to_owned();
    for (lang, file) in [(Lang::En, "courses-en.svg"), (Lang::Zh, "courses-zh.svg")] {
        let svg = courses(&course_chart(lang, 7, 3, &arm)).expect("draws");
        keep(file, svg.as_bytes());
        assert_reads_well(&svg);
        let said: Vec<String> = texts(&svg).into_iter().map(|t| t.text).collect();
        for name in ["dry", "humid", "sealed"] {
            assert_eq!(said.iter().filter(|t| *t == name).count(), 7, "{name} in every panel");
        }
        let told: String = said.join(" ");
        let read = match lang {
            Lang::En => {
                ["Hollow: as scored.", "the course fitted", "held constant", "a projection"]
            }
            Lang::Zh => ["空心：原始评分。", "曲线与色带", "参照样", "推测"],
        };
        for words in read {
            assert!(told.contains(words), "{words}: {told}");
        }
        // Three bands a panel and one projection, seen through.
        assert_eq!(svg.matches("opacity=\"0.16\"").count(), 21);
        assert_eq!(svg.matches("opacity=\"0.08\"").count(), 7);
    }
}

#[test]
fn courses_of_many_samples_with_long_names_stay_apart() {
    let long = |s: usize| format!("upper terrace, morning pluck, store number {s}");
    let svg = courses(&course_chart(Lang::En, 4, 6, &long)).expect("draws");
    keep("courses-long.svg", svg.as_bytes());
    assert_reads_well(&svg);
    // One sample needs no name at its end.
    let svg = courses(&course_chart(Lang::En, 1, 1, &long)).expect("draws");
    assert!(!texts(&svg).iter().any(|t| t.text.starts_with("upper")));
}

#[test]
fn then_and_now_stand_in_one_row_with_the_change_beside() {
    let term = |i: usize| ["Brisk", "Sweet", "Body"][i % 3].to_owned();
    let zh = |i: usize| ["鲜爽", "甜", "厚薄"][i % 3].to_owned();
    let svg = then_now(&then_now_chart(Lang::En, 3, &term)).expect("draws");
    assert_reads_well(&svg);
    let said: Vec<String> = texts(&svg).into_iter().map(|t| t.text).collect();
    assert!(said.iter().any(|t| t == "less −1.40 (−2.00 to −0.80)"), "{said:?}");
    assert!(said.iter().any(|t| t == "−0.70 (−1.30 to −0.10)"), "no word where nothing is shown");
    let svg = then_now(&then_now_chart(Lang::Zh, 18, &zh)).expect("draws");
    keep("then-now-zh.svg", svg.as_bytes());
    assert_reads_well(&svg);
    let long = |i: usize| format!("a term whose name goes on and on until it meets the axis, {i}");
    let svg = then_now(&then_now_chart(Lang::En, 24, &long)).expect("draws");
    keep("then-now-long.svg", svg.as_bytes());
    assert_reads_well(&svg);
}

#[test]
fn courses_and_then_and_now_refuse_what_has_no_place() {
    let arm = |s: usize| s.to_string();
    let mut chart = course_chart(Lang::En, 2, 1, &arm);
    chart.panels[0].courses[0].marks[1].month = f64::NAN;
    assert!(matches!(courses(&chart), Err(PlotError::BadNumber { .. })));
    let mut chart = course_chart(Lang::En, 2, 1, &arm);
    chart.panels.clear();
    assert!(matches!(courses(&chart), Err(PlotError::Empty { .. })));
    let chart = course_chart(Lang::En, 2, 2, &|s| format!("ᚠ{s}"));
    let Err(e) = courses(&chart) else { panic!("a rune has no glyph") };
    assert!(e.to_string().contains("label of ᚠ0"), "{e}");
    let mut chart = then_now_chart(Lang::En, 3, &arm);
    chart.panels[0].rows[0].change =
        Some(blindsteep::plots::Estimate { lower: 2.0, ..level(0.0, 1.0) });
    assert!(matches!(then_now(&chart), Err(PlotError::BadNumber { .. })));
    chart.panels[0].rows.clear();
    assert!(matches!(then_now(&chart), Err(PlotError::Empty { .. })));
}

#[test]
fn effects_and_what_moved_together_read_well_at_every_size() {
    let short = |i: usize| format!("wither.hours-{}", i + 1);
    let long = |i: usize| {
        format!(
            "moisture of the withered leaf, wet basis, number {}, or time of withering (the other way round)",
            i + 1
        )
    };
    let chinese =
        |i: usize| format!("萎凋叶含水率之{}，或萎凋时间（反向），或嫩叶率，或揉捻总时间", i + 1);
    let names: [(&str, &dyn Fn(usize) -> String); 3] =
        [("short", &short), ("long", &long), ("zh", &chinese)];
    for lang in [Lang::En, Lang::Zh] {
        for (kind, name) in names {
            for (lines, terms) in [(1, 1), (2, 8), (5, 13), (11, 20)] {
                let svg = effects(&effects_chart(lang, lines, terms, name)).expect("draws");
                keep(&format!("effects-{lang:?}-{lines}x{terms}-{kind}.svg"), svg.as_bytes());
                assert_reads_well(&svg);
            }
            for n in [2, 6, 12, 30] {
                let svg = together(&together_chart(lang, n, name)).expect("draws");
                keep(&format!("together-{lang:?}-{n}-{kind}.svg"), svg.as_bytes());
                assert_reads_well(&svg);
            }
        }
    }
}

#[test]
fn effects_and_correlations_that_are_none_are_refused() {
    let name = |i: usize| format!("p{i}");
    let mut chart = effects_chart(Lang::En, 2, 4, &name);
    chart.panels[0].rows[1].estimate = Some(crate::samples::level(f64::NAN, 1.0));
    assert!(matches!(effects(&chart), Err(PlotError::BadNumber { .. })));
    chart.panels.iter_mut().flat_map(|p| &mut p.rows).for_each(|r| r.estimate = None);
    assert!(matches!(effects(&chart), Err(PlotError::Empty { .. })));
    let mut chart = together_chart(Lang::En, 6, &name);
    chart.r[3][1] = 1.5;
    assert!(matches!(together(&chart), Err(PlotError::BadNumber { .. })));
    chart.r[3].pop();
    assert!(matches!(together(&chart), Err(PlotError::BadNumber { .. })));
    assert!(matches!(together(&together_chart(Lang::En, 1, &name)), Err(PlotError::Empty { .. })));
}
