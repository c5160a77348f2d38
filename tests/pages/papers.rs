//! Invented ballots and pouring plans.

use blindsteep::sheets::ballots::{BallotFlight, BallotKind, BallotPaper, BallotTerm};
use blindsteep::sheets::pouring::{PourRow, PouringPlan, ServingOrder};
use blindsteep::sheets::{BallotScale, Lang};
use jiff::civil::date;

pub const DIGEST: &str = "3f9c1d7a5b20e8846c0f71d2a9be53148d6027fce1b95a30742dc86f0e19ab57";

fn pick(languages: &[Lang], en: &str, zh: &str) -> Vec<String> {
    languages.iter().map(|l| if *l == Lang::En { en.to_owned() } else { zh.to_owned() }).collect()
}

pub fn terms(languages: &[Lang]) -> Vec<BallotTerm> {
    let t = |en: &str, zh: &str| pick(languages, en, zh);
    let strength = || [t("absent", "无"), t("strong", "强")];
    let line = |ends| BallotScale::Line { low: 0.0, high: 10.0, step: 0.5, ends };
    let term = |family: Vec<String>, en: &str, zh: &str, den: &str, dzh: &str, scale| BallotTerm {
        family,
        labels: t(en, zh),
        definition: t(den, dzh),
        scale,
    };
    let (aroma, taste, liquor, faults) =
        (t("Aroma", "香气"), t("Taste", "滋味"), t("Liquor", "汤色"), t("Faults", "缺陷"));
    let tick = |en, zh| term(aroma.clone(), en, zh, "", "", BallotScale::Tick);
    vec![
        term(aroma.clone(), "Floral", "花香", "blossom", "似鲜花", line(strength())),
        term(aroma.clone(), "Malty", "麦芽香", "grain, toast", "似谷物、烤面包", line(strength())),
        term(aroma.clone(), "Green, grassy", "青气", "cut leaf", "似割青草", line(strength())),
        term(
            aroma.clone(),
            "Sun note",
            "日晒气",
            "hay-like, of drying in the sun",
            "似干草，日光干燥所致",
            line(strength()),
        ),
        tick("honey", "蜜香"),
        tick("fruit", "果香"),
        tick("hay", "干草"),
        tick("grass", "青草"),
        term(taste.clone(), "Brisk", "鲜爽", "live, awake taste", "鲜活爽口", line(strength())),
        term(
            taste.clone(),
            "Body",
            "厚薄",
            "thin to thick, by feel",
            "茶汤由薄到厚",
            line([t("thin", "薄"), t("thick", "厚")]),
        ),
        term(
            taste.clone(),
            "Astringent",
            "涩",
            "drying, puckering feel; no taste",
            "干燥收敛的口感，非味道",
            line(strength()),
        ),
        term(
            taste.clone(),
            "Bitter",
            "苦",
            "basic taste at the back of the tongue; not drying",
            "舌根之苦味，不含收敛感",
            line(strength()),
        ),
        term(taste.clone(), "Sweet", "甜", "sugar-like taste", "似糖之甜", line(strength())),
        term(
            liquor.clone(),
            "Brightness",
            "明亮度",
            "lively light return",
            "茶汤反光明快",
            line([t("dull", "暗"), t("bright", "亮")]),
        ),
        term(
            liquor,
            "Hue",
            "色调",
            "",
            "",
            BallotScale::Nominal {
                levels: vec![
                    t("yellow-orange", "橙黄"),
                    t("orange", "橙"),
                    t("orange-red", "橙红"),
                    t("red", "红"),
                ],
            },
        ),
        term(faults, "Musty", "霉味", "mould or damp store", "发霉或受潮", BallotScale::Fault),
    ]
}

pub fn ballot(languages: &[Lang], taster: &str) -> BallotPaper {
    let zh = languages[0] == Lang::Zh;
    let flight = |i: usize| if zh { format!("第 {i} 轮") } else { format!("Flight {i}") };
    BallotPaper {
        book_title: if zh { "塔夫里奈尔茶园".into() } else { "Tavrinel Garden".into() },
        session: "2026-05-14-spring".into(),
        kind: BallotKind::Profile,
        taster_name: taster.into(),
        date: date(2026, 5, 14),
        recipe: if zh {
            vec!["5.6 g，285 ml，94 °C，6 分钟".into(), "泉水 W1".into()]
        } else {
            vec!["5.6 g, 285 ml, 94 °C, 6 min".into(), "spring water W1".into()]
        },
        digest: DIGEST.into(),
        cautions: vec![],
        languages: languages.to_vec(),
        flights: vec![
            BallotFlight { label: flight(1), cups: vec![412, 105, 938, 276, 651, 847], steeps: 1 },
            BallotFlight { label: flight(2), cups: vec![733, 190, 564, 322, 809, 458], steeps: 1 },
        ],
        terms: terms(languages),
        guess: true,
        ties: false,
    }
}

pub fn plan(language: Lang) -> PouringPlan {
    let zh = language == Lang::Zh;
    let flight = |i: usize| if zh { format!("第 {i} 轮") } else { format!("Flight {i}") };
    let role = |en: &str, zh_word: &str| if zh { zh_word.to_owned() } else { en.to_owned() };
    let samples = ["T26-01", "T26-02@humid", "T26-03", "T26-04", "T26-01", "REF"];
    let mut rows = Vec::new();
    for (f, codes) in
        [[105, 276, 412, 651, 847, 938], [190, 322, 458, 564, 733, 809]].iter().enumerate()
    {
        for (i, code) in codes.iter().enumerate() {
            rows.push(PourRow {
                flight: flight(f + 1),
                code: *code,
                sample: samples[(i + f) % 6].into(),
                role: match (i + f) % 6 {
                    4 => role("duplicate", "重复样"),
                    5 => role("reference", "参照样"),
                    _ => role("lot", "批次"),
                },
                brew: format!("{}", i + 1),
                leaf_g: 5.6,
                water_ml: 285.0,
            });
        }
    }
    let tasters = if zh {
        ["安", "博文", "晨曦", "德明", "艾迪", "方圆"]
    } else {
        ["Ann", "Bo", "Cy", "Dee", "Ed", "Fay"]
    };
    let orders = (0..2)
        .flat_map(|f| {
            let codes = [[105, 276, 412, 651, 847, 938], [190, 322, 458, 564, 733, 809]][f];
            tasters.iter().enumerate().map(move |(i, taster)| (f, codes, i, *taster))
        })
        .map(|(f, codes, i, taster)| ServingOrder {
            flight: flight(f + 1),
            taster: taster.into(),
            cups: (0..6).map(|k| codes[(i + k * 5) % 6]).collect(),
        })
        .collect();
    PouringPlan {
        book_title: if zh { "塔夫里奈尔茶园".into() } else { "Tavrinel Garden".into() },
        session: "2026-05-14-spring".into(),
        pourer: if zh { "高山".into() } else { "Gil".into() },
        date: date(2026, 5, 14),
        recipe: if zh { vec!["94 °C，6 分钟".into()] } else { vec!["94 °C, 6 min".into()] },
        languages: vec![language],
        rows,
        orders,
        cautions: vec![],
        digest: DIGEST.into(),
    }
}
