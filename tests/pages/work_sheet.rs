//! The work sheet of a trial, read back from its PDF.

use blindsteep::sheets::trial::{WorkBatch, WorkSetting, WorkSheet, work_sheet_pdf};
use blindsteep::sheets::{Lang, SheetError};
use jiff::civil::date;

use crate::sheets::{assert_nothing_overlaps, pages};

fn pick(languages: &[Lang], en: &str, zh: &str) -> Vec<String> {
    languages.iter().map(|l| if *l == Lang::En { en.to_owned() } else { zh.to_owned() }).collect()
}

/// A trial of `n` batches with `k` settings each, long names among them.
fn sheet(languages: &[Lang], n: u32, k: usize) -> WorkSheet {
    let names = [
        ("season", "季节", ["spring", "autumn"], ["春季", "秋季"]),
        ("rolling, all rolls together", "揉捻总时间", ["40 min", "75 min"], ["40 分钟", "75 分钟"]),
        ("drying", "干燥方式", ["sun", "hot air"], ["日晒", "热风"]),
        (
            "fine leaf, by weight, of the leaf as it came in",
            "进厂鲜叶按重量计的嫩叶率",
            ["65 %", "80 %"],
            ["65 %", "80 %"],
        ),
        ("time of withering", "萎凋时间", ["12 h", "17 h"], ["12 h", "17 h"]),
        ("oxidation, roll to drier", "揉捻至干燥时间", ["1.75 h", "5 h"], ["1.75 h", "5 h"]),
        ("layer", "摊叶厚度", ["2 cm", "6 cm"], ["2 cm", "6 cm"]),
        ("charge of the roller", "投叶量", ["20 kg", "35 kg"], ["20 kg", "35 kg"]),
    ];
    let batches = (1..=n)
        .map(|run| WorkBatch {
            run,
            day: run.div_ceil(2),
            settings: names
                .iter()
                .take(k)
                .enumerate()
                .map(|(i, (en, zh, of_en, of_zh))| {
                    let level = usize::from((run >> (i % 3)) & 1 == 1);
                    WorkSetting {
                        name: pick(languages, en, zh),
                        level: pick(languages, of_en[level], of_zh[level]),
                    }
                })
                .collect(),
        })
        .collect();
    WorkSheet {
        book_title: "Tavrinel Garden".to_owned(),
        trial: "roll-and-sun".to_owned(),
        date: date(2026, 5, 14),
        languages: languages.to_vec(),
        batches,
        measured: vec![
            pick(languages, "mean temperature of the leaf, °C", "发酵叶温, °C"),
            pick(languages, "weather at picking", "采摘天气"),
        ],
    }
}

#[test]
fn every_batch_has_its_settings_and_its_boxes_in_the_order_of_making() {
    for (languages, name) in
        [(&[Lang::En][..], "en"), (&[Lang::Zh][..], "zh"), (&[Lang::En, Lang::Zh][..], "both")]
    {
        for (n, k) in [(4, 6), (8, 6), (8, 8), (2, 1)] {
            let s = sheet(languages, n, k);
            let file = format!("work-{name}-{n}-{k}.pdf");
            let pdf = work_sheet_pdf(&s).expect("prints");
            assert_nothing_overlaps(&file, &pdf);
            let pages = pages(&file, &pdf);
            let text = pages.join("\n");
            // Without blanks: pdftotext sets none, one or many between Chinese signs and digits.
            let squeezed = |t: &str| t.split_whitespace().collect::<String>();
            let one_line = squeezed(&text);
            assert!(!text.contains('\u{fffd}'));
            let en = languages[0] == Lang::En;
            let (lot, done, by) = if en {
                ("Lot", "Reallydone", "By")
            } else {
                ("批次编号", "实际", "记录人")
            };
            for word in [lot, done, by] {
                assert!(one_line.matches(word).count() >= n as usize, "{word} in {file}:\n{text}");
            }
            // The settings stand as often as batches have them.
            let level = if en { "spring" } else { "春季" };
            let wanted = s.batches.iter().filter(|b| b.settings[0].level[0] == level).count();
            assert_eq!(one_line.matches(level).count(), wanted, "{file}:\n{text}");
            for b in &s.batches {
                let day = if en { format!("day{}", b.day) } else { format!("第{}天", b.day) };
                assert!(one_line.contains(&day), "{day} in {file}");
            }
            // Cautions stand on the first page, whoever reads no further.
            let first = squeezed(&pages[0]);
            let care = if en {
                ["Movingrollers", "Damptea"]
            } else {
                ["揉捻机转动时", "受潮会发霉"]
            };
            for c in care {
                assert!(first.contains(c), "{c} in {file}:\n{first}");
            }
            // Batches follow each other in their order.
            let at: Vec<usize> = (1..=n)
                .map(|day| day.div_ceil(2))
                .map(|day| if en { format!("day{day}") } else { format!("第{day}天") })
                .map(|d| one_line.find(&d).expect("it is there"))
                .collect();
            assert!(at.is_sorted(), "{file}");
            assert!(pages.len() <= n as usize + 1, "{} pages for {n} batches", pages.len());
        }
    }
    // Four batches of six settings in one language: two on a page.
    let pdf = work_sheet_pdf(&sheet(&[Lang::En], 4, 6)).expect("prints");
    assert_eq!(pages("work-en-4-6.pdf", &pdf).len(), 2);
}

#[test]
fn what_cannot_be_printed_is_said() {
    let mut none = sheet(&[Lang::En], 2, 2);
    none.batches.clear();
    assert!(matches!(work_sheet_pdf(&none), Err(SheetError::Incomplete { .. })));
    let mut bare = sheet(&[Lang::En], 2, 2);
    bare.batches[1].settings.clear();
    let why = work_sheet_pdf(&bare).unwrap_err().to_string();
    assert!(why.contains("batch 2 without settings"), "{why}");
    let mut odd = sheet(&[Lang::En], 2, 2);
    odd.trial = "roll \u{1F600}".to_owned();
    assert!(matches!(work_sheet_pdf(&odd), Err(SheetError::MissingGlyphs(_))));
    let mut silent = sheet(&[Lang::En], 2, 2);
    silent.languages.clear();
    assert!(work_sheet_pdf(&silent).is_err());
}
