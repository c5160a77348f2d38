//! Words of sessions in both languages.

use crate::book::recipes::Recipe;
use crate::book::session_files::{Change, Kind};
use crate::desk::say::Say;
use crate::session::{Role, State};

/// The word for a state.
pub fn state(say: Say, state: State) -> &'static str {
    match state {
        State::Planned => say.of("planned", "已安排"),
        State::Open => say.of("open", "进行中"),
        State::Closed => say.of("closed", "已截止"),
        State::Revealed => say.of("revealed", "已揭盲"),
        State::Void => say.of("void", "已作废"),
    }
}

/// The word for a kind.
pub fn kind(say: Say, kind: Kind) -> &'static str {
    let zh = match kind {
        Kind::Profile => "描述评分",
        Kind::Ranking => "排序",
        Kind::Triangle => "三点检验",
        Kind::DuoTrio => "二-三点检验",
        Kind::Paired => "成对比较",
    };
    say.of(kind.word(), zh)
}

/// What a kind asks.
pub fn meaning(say: Say, kind: Kind) -> &'static str {
    let zh = match kind {
        Kind::Profile => "给各评语打分",
        Kind::Ranking => "按某一评语给各杯排序",
        Kind::Triangle => "三杯中两杯是同一种茶：哪一杯不同？",
        Kind::DuoTrio => "两杯中哪一杯与对照是同一种茶？",
        Kind::Paired => "两杯中哪一杯的某一评语更强？",
    };
    say.of(kind.meaning(), zh)
}

/// The word for a role.
pub fn role(say: Say, role: Role) -> &'static str {
    let zh = match role {
        Role::Lot => "茶样",
        Role::Duplicate => "重复样",
        Role::Reference => "参照样",
        Role::WarmUp => "热身杯",
    };
    say.of(role.word(), zh)
}

/// The word for what was done to a session.
pub fn change(say: Say, change: Change) -> &'static str {
    let zh = match change {
        Change::Amendment => "更正",
        Change::Exclusion => "剔除",
        Change::Readmission => "恢复",
        Change::PouringPlan => "分杯表",
        Change::Key => "密钥",
    };
    say.of(change.word(), zh)
}

/// A flight's name.
pub fn flight(say: Say, number: u32) -> String {
    say.of(format!("Flight {number}"), format!("第 {number} 轮"))
}

/// How cups are brewed.
pub fn recipe(say: Say, r: &Recipe) -> String {
    let steeps: Vec<String> = r.steeps_s.iter().map(u32::to_string).collect();
    let steeps = steeps.join(" + ");
    let name = r.labels.or(say.key(), &r.id);
    say.of(
        format!("{name}: {} g in {} ml at {} °C, {steeps} s", r.leaf_g, r.water_ml, r.water_c),
        format!("{name}：{} 克，{} 毫升，{} °C，{steeps} 秒", r.leaf_g, r.water_ml, r.water_c),
    )
}

/// Seconds as minutes and seconds.
pub fn time(seconds: u64) -> String {
    format!("{}:{:02}", seconds / 60, seconds % 60)
}
