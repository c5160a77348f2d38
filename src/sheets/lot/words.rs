//! What the sheet says of the lot: its warnings, identity, making, brewing, cautions.

use super::page::{Alert, Block, Words, number};
use super::tasting::faults;
use crate::findings::Answer;
use crate::findings::sheet::{Made, MadeValue, Sheet, TooDamp, Water};

/// A class of tea in words; what the trade does not know stands as it was written.
fn class(class: &str, w: Words) -> String {
    let known = [
        ("black", "black tea", "红茶"),
        ("green", "green tea", "绿茶"),
        ("white", "white tea", "白茶"),
        ("yellow", "yellow tea", "黄茶"),
        ("oolong", "oolong tea", "青茶（乌龙）"),
        ("dark", "dark tea", "黑茶"),
    ];
    known
        .iter()
        .find(|k| k.0.eq_ignore_ascii_case(class))
        .map_or_else(|| class.to_owned(), |k| w.pick(k.1, k.2).to_owned())
}

/// The seasons in Chinese.
pub const SEASONS: [(&str, &str); 4] =
    [("spring", "春季"), ("summer", "夏季"), ("autumn", "秋季"), ("winter", "冬季")];

fn season(season: &str, w: Words) -> String {
    let zh = SEASONS.iter().find(|k| k.0.eq_ignore_ascii_case(season)).map(|k| k.1.to_owned());
    w.say(season.to_owned(), zh.unwrap_or_else(|| season.to_owned()))
}

pub(super) fn subtitle(f: &Sheet, w: Words) -> String {
    let i = &f.identity;
    let parts: Vec<String> = [
        Some(class(&i.class, w)),
        i.season.as_deref().map(|s| season(s, w)),
        i.arm.clone().map(|arm| w.say(format!("stored apart: {arm}"), format!("存放组：{arm}"))),
    ]
    .into_iter()
    .flatten()
    .collect();
    parts.join(" · ")
}

/// Never taste what is musty; a tasting shows nothing of safety. The words are our own.
fn safety(w: Words) -> &'static str {
    w.pick(
        "Never taste leaf that smells musty or shows mould: discard it, drying does not save it. Tasting does not establish food safety: follow local food law and use a licensed laboratory.",
        crate::book::fitness::SAFETY_ZH,
    )
}

/// Leaf that is not fit to be kept.
fn too_damp(d: &TooDamp, w: Words) -> Alert {
    let (found, limit) = (number(d.found, 2), number(d.limit, 2));
    let text = match d.what {
        Water::Moisture => w.say(
            format!("Moisture of {found} % (wet basis, {}) is not below {limit} %", d.day),
            format!("湿基含水率 {found} %（{}），不低于 {limit} %", d.day),
        ),
        Water::WaterActivity => w.say(
            format!("Water activity of {found} ({}) is not below {limit}", d.day),
            format!("水分活度 {found}（{}），不低于 {limit}", d.day),
        ),
    };
    Alert {
        head: w.pick("Not offered: too damp to be kept", "不出售：过湿，不宜存放").to_owned(),
        text: w.say(
            format!("{text}: mould may grow. It is not offered until it is dried again and measured again."),
            format!("{text}：可能生霉。重新干燥并复测之前不出售。"),
        ),
    }
}

pub(super) fn alerts(f: &Sheet, w: Words) -> Vec<Alert> {
    let mut alerts = Vec::new();
    if let Some(since) = f.quarantined_since {
        alerts.push(Alert {
            head: w.pick("Not offered. Do not taste.", "不出售，切勿品饮。").to_owned(),
            text: w.say(format!("In quarantine since {since}."), format!("自 {since} 起隔离。")),
        });
    }
    for damp in &f.too_damp {
        alerts.push(too_damp(damp, w));
    }
    let told = f.too_damp.iter().any(|d| d.what == Water::Moisture);
    if let Some(m) = f.moisture.known().filter(|m| m.too_moist && !told) {
        let (percent, limit) = (number(m.percent, 2), number(m.warning_from, 2));
        let on = m.day.map_or_else(String::new, |d| w.say(format!(" on {d}"), format!("（{d}）")));
        alerts.push(Alert {
            head: w.say(format!("Moisture {percent} %"), format!("含水率 {percent} %")),
            text: w.say(
                format!("{percent} %{on}, wet basis, is not below {limit} %: mould may grow in store. It is to be dried again and measured again."),
                format!("湿基含水率 {percent} %{on}，不低于 {limit} %：存放中可能生霉，应重新干燥并复测。"),
            ),
        });
    }
    let grave: Vec<String> = f
        .faults
        .iter()
        .filter(|x| x.grave)
        .map(|x| format!("{}{}{}", w.label(&x.labels), w.pick(": ", "："), faults(x, w)))
        .chain(f.earlier_faults.iter().filter(|e| e.fault.grave).map(|e| {
            let (label, said) = (w.label(&e.fault.labels), faults(&e.fault, w));
            w.say(format!("{label} on {}: {said}", e.day), format!("{label}（{}）：{said}", e.day))
        }))
        .collect();
    if !grave.is_empty() {
        alerts.push(Alert {
            head: w.pick("A fault was found", "发现缺陷").to_owned(),
            text: w.say(format!("{}.", grave.join("; ")), format!("{}。", grave.join("；"))),
        });
    }
    // Once is enough.
    if let Some(last) = alerts.last_mut() {
        last.text.push_str(w.pick(" ", ""));
        last.text.push_str(safety(w));
    }
    alerts
}

pub(super) fn identity(f: &Sheet, w: Words) -> Block {
    let i = &f.identity;
    let mut rows = Vec::new();
    let mut add = |label: &str, value: Option<String>| {
        if let Some(value) = value {
            rows.push((label.to_owned(), value));
        }
    };
    add(w.pick("Lot", "批次"), Some(i.lot.clone()));
    add(
        w.pick("Stored apart", "存放组"),
        i.arm.as_ref().zip(i.arm_since).map(|(arm, since)| {
            w.say(format!("{arm}, since {since}"), format!("{arm}，自 {since} 起"))
        }),
    );
    add(
        w.pick("Came of", "来源"),
        f.identity.descent.as_ref().map(|d| came_of(&d.by, d.n_lots, w)),
    );
    add(w.pick("Cultivar", "品种"), i.cultivar.clone());
    add(w.pick("Garden", "茶园"), i.garden.clone());
    add(w.pick("Plot", "地块"), i.plot.clone());
    add(w.pick("Picked", "采摘"), (!i.picked.is_empty()).then(|| w.days(&i.picked)));
    add(w.pick("Made", "制成"), Some(i.made.to_string()));
    add(
        if i.arm.is_some() {
            w.pick("Quantity made, all arms", "制成量（各存放组合计）")
        } else {
            w.pick("Quantity made", "制成量")
        },
        i.kg.map(|kg| w.say(format!("{} kg", number(kg, 2)), format!("{} 公斤", number(kg, 2)))),
    );
    Block { heading: w.pick("The lot", "批次信息").to_owned(), rows, notes: Vec::new() }
}

fn came_of(by: &str, n: usize, w: Words) -> String {
    match by {
        "blend" => w.say(
            format!("blend of {}", w.count(n, "lot", "lots", "")),
            format!("由 {n} 个批次拼配"),
        ),
        "refire" => w.say(
            format!("fired again, from {}", w.count(n, "lot", "lots", "")),
            format!("由 {n} 个批次复火而成"),
        ),
        "split" => w.pick("parted from a larger lot", "由较大批次分出").to_owned(),
        _ => w.say(
            format!("made from {}", w.count(n, "other lot", "other lots", "")),
            format!("由另外 {n} 个批次制成"),
        ),
    }
}

/// A value with its unit, and how sure it is.
pub(super) fn value(made: &Made, w: Words) -> String {
    let mut text = match &made.value {
        MadeValue::Number(x) => number(*x, 2),
        MadeValue::Words(labels) => w.label(labels),
        MadeValue::YesNo(true) => w.pick("yes", "是").to_owned(),
        MadeValue::YesNo(false) => w.pick("no", "否").to_owned(),
    };
    if let Some(unit) = &made.unit {
        text = format!("{text} {}", if unit == "d" { w.pick("d", "天") } else { unit });
    }
    if made.estimated {
        text.push_str(w.pick(" (estimated)", "（估计）"));
    }
    text
}

fn made_label(made: &Made, w: Words) -> String {
    match made.parameter.as_str() {
        "derived.oxidation-hours" => {
            w.pick("Oxidation, from the first roll", "发酵时间（揉捻至干燥）").to_owned()
        }
        "derived.wither-moisture" => {
            w.pick("Moisture of the withered leaf", "萎凋叶含水率").to_owned()
        }
        id if made.labels.is_empty() => id.to_owned(),
        _ => w.head(&made.labels),
    }
}

pub(super) fn making(f: &Sheet, w: Words) -> Block {
    let mut rows: Vec<(String, String)> =
        f.making.iter().map(|m| (made_label(m, w), value(m, w))).collect();
    let moisture_label = w.pick("Moisture, wet basis", "含水率（湿基）").to_owned();
    match &f.moisture {
        Answer::Known(m) => {
            let percent = number(m.percent, 2);
            let from = m.day.map_or_else(
                || w.pick("worked out from masses", "由质量推算").to_owned(),
                |d| w.say(format!("on {d}"), format!("{d}")),
            );
            let estimated = if m.estimated { w.pick(", estimated", "，估计") } else { "" };
            rows.push((
                moisture_label,
                w.say(
                    format!("{percent} % ({from}{estimated})"),
                    format!("{percent} %（{from}{estimated}）"),
                ),
            ));
        }
        Answer::Unknown(_) => {
            rows.push((moisture_label, w.pick("not measured", "未测定").to_owned()));
        }
    }
    let mut notes = Vec::new();
    if f.making.is_empty() {
        notes.push(
            w.pick("Nothing else is recorded of its making.", "未记录其他制作数据。").to_owned(),
        );
    }
    if f.making.iter().any(|m| m.inherited) {
        notes.push(
            w.pick("Known from the lot or lots that it came of.", "制作数据来自其来源批次。")
                .to_owned(),
        );
    }
    Block { heading: w.pick("Making", "制作").to_owned(), rows, notes }
}

pub(super) fn brewing(f: &Sheet, w: Words) -> Block {
    let b = &f.brewing;
    let steeps: Vec<String> = b.steeps_s.iter().map(|s| time(*s, w)).collect();
    let steeps = steeps.join(" + ");
    let (leaf, water, celsius) = (number(b.leaf_g, 2), number(b.water_ml, 1), number(b.water_c, 1));
    let mut rows = vec![(
        w.pick("As cupped", "审评冲泡").to_owned(),
        w.say(
            format!("{leaf} g in {water} ml at {celsius} °C, {steeps}"),
            format!("{leaf} 克，{water} 毫升，{celsius} °C，{steeps}"),
        ),
    )];
    let mut add = |label: &str, text: Option<String>| {
        if let Some(text) = text {
            rows.push((label.to_owned(), text));
        }
    };
    add(w.pick("Recipe", "冲泡方法"), Some(w.label(&b.labels)));
    add(w.pick("Rinse", "洗茶"), b.rinse_s.map(|s| time(s, w)));
    let code = w.pick("en", "zh");
    let vessel = b.vessel_labels.0.get(code).or(b.vessel.as_ref());
    add(w.pick("Vessel", "器具"), vessel.cloned());
    let from = b.water_labels.0.get(code).or(b.water.as_ref());
    add(w.pick("Water", "用水"), from.cloned());
    // Common practice, no source. What is not to be drunk needs no advice on keeping.
    add(
        w.pick("Keep it", "保存"),
        (!f.is_not_offered()).then(|| {
            w.pick(
                "closed, dry, dark and cool, away from odours",
                "密封、干燥、避光、阴凉，远离异味",
            )
            .to_owned()
        }),
    );
    Block {
        heading: w.pick("Brewing and keeping", "冲泡与保存").to_owned(),
        rows,
        notes: Vec::new(),
    }
}

fn time(seconds: u32, w: Words) -> String {
    if seconds.is_multiple_of(60) {
        w.say(format!("{} min", seconds / 60), format!("{} 分钟", seconds / 60))
    } else {
        w.say(format!("{seconds} s"), format!("{seconds} 秒"))
    }
}

/// Common practice and food law, in our own words.
pub(super) fn cautions(f: &Sheet, w: Words) -> Block {
    let hot = w.pick(
        "Boiling water: pour with care. Drink below 60 °C.",
        "沸水烫伤：倒水小心。请待低于 60 °C 再饮。",
    );
    let others = [
        w.pick(
            "Contains caffeine. Allergens: none are recorded here; ask the maker what else is handled in the same rooms.",
            "含咖啡因。过敏原：此处无记录，请向制茶人询问同一场所还处理哪些食品。",
        ),
        w.pick(
            "Tasting does not establish food safety: follow local food law and use a licensed laboratory. This sheet is no certificate and claims nothing about health.",
            "感官审评不能证明食品安全：请遵守当地食品法规，并送有资质的实验室检验。本单不是证书，也不作任何健康声明。",
        ),
    ];
    // What is not to be tasted gets no advice on drinking it.
    let hot = (!f.is_not_offered()).then_some(hot);
    Block {
        heading: w.pick("Please mind", "请注意").to_owned(),
        rows: Vec::new(),
        notes: hot.into_iter().chain(others).map(str::to_owned).collect(),
    }
}
