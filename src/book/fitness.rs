//! Whether a sample is fit to be kept and served: its moisture, its water activity, quarantine.

use super::book_file::Limits;
use super::derived::shown;
use super::family::{Stretch, history};
use super::ids;
use super::lots::{CameBy, Lot, LotValue, MAIN};
use super::parameters::{DRY_MOISTURE, QUARANTINE, STORE_MOISTURE, Value, WATER_ACTIVITY};
use super::time::Day;
use super::units;

/// Whether a sample is fit to be kept and served, with the reasons in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Fitness {
    /// Nothing speaks against it.
    Fit,
    /// It may be served, but something is to be looked at.
    Warn(Vec<String>),
    /// It is not to be served.
    Block(Vec<String>),
}

impl Fitness {
    /// Why it is to be looked at, or is not to be served.
    #[must_use]
    pub fn reasons(&self) -> &[String] {
        match self {
            Self::Fit => &[],
            Self::Warn(reasons) | Self::Block(reasons) => reasons,
        }
    }

    /// Whether it is not to be served.
    #[must_use]
    pub fn is_blocked(&self) -> bool {
        matches!(self, Self::Block(_))
    }
}

/// What is printed wherever leaf may be unsafe.
pub const SAFETY: &str = "Never taste leaf that smells musty or shows mould:\n\
                          discard it, drying does not save it. Tasting does not establish food \
                          safety: follow\nlocal food law and use a licensed laboratory.";

/// The same in Chinese.
pub const SAFETY_ZH: &str = "有霉味或可见霉变的茶叶切勿入口：应丢弃，烘干无法补救。感官审评不能证明食品安全：请遵守当地食品法规，并送有资质的实验室检验。";

/// Moisture (percent, wet basis) above which black tea moulds and turns musty in transport: Dmowski
/// 2018, as an abstract reports it (2 to 9 %).
pub const TRANSPORT_PCT: f64 = 9.0;

/// Water activity below which no growth was seen: a good-hygiene text of the International Coffee
/// Organization, of coffee.
pub const NO_GROWTH_AW: f64 = 0.68;

/// A lot and the lots around it, on a day: what was logged later does not count.
struct On<'a> {
    lots: &'a [Lot],
    limits: &'a Limits,
    day: Day,
}

/// A measurement of the leaf.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// Moisture in percent, wet basis, or water activity.
    pub value: f64,
    /// The day of it.
    pub day: Day,
}

/// The latest measurements that are not below the book's limits.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Damp {
    /// Moisture, from where the book warns.
    pub moisture: Option<Found>,
    /// Water activity, from where leaf is not fit to be kept.
    pub water_activity: Option<Found>,
}

/// What speaks against keeping a sample by its latest moisture and water activity; of moisture only what is not below
/// the limit from which leaf is not fit to be kept.
#[must_use]
pub fn too_damp(lot: &Lot, arm: &str, lots: &[Lot], limits: &Limits, day: Day) -> Damp {
    let damp = (On { lots, limits, day }).damp(lot, arm);
    Damp { moisture: damp.moisture.filter(|m| m.value >= limits.moisture_block_pct), ..damp }
}

/// Whether a sample is fit to be kept and served, by what was logged up to the end of a day. The
/// sample's history counts: the lot before it was split into arms, the tea from which it was split
/// off. Of moisture and water activity the latest measurement counts, until something else is
/// measured; a later one of the other kind that is in order sets an earlier one aside.
#[must_use]
pub fn fitness(lot: &Lot, arm: &str, lots: &[Lot], limits: &Limits, day: Day) -> Fitness {
    let on = On { lots, limits, day };
    let (mut warn, mut block) = on.dampness(lot, arm);
    if let Some(q) = quarantine(lot, arm, lots, day) {
        block.insert(0, q.in_words());
    }
    warn.extend(on.suspects(lot, arm));
    if !block.is_empty() {
        Fitness::Block(block)
    } else if !warn.is_empty() {
        Fitness::Warn(warn)
    } else {
        Fitness::Fit
    }
}

/// Whether a sample may be served on a day by all that is logged: what is dated later (a clock may be
/// wrong) counts where it speaks against it.
#[must_use]
pub fn fitness_to_serve(lot: &Lot, arm: &str, lots: &[Lot], limits: &Limits, day: Day) -> Fitness {
    let on_day = fitness(lot, arm, lots, limits, day);
    if on_day.is_blocked() {
        return on_day;
    }
    let by_all = fitness(lot, arm, lots, limits, Day::LAST);
    if by_all == Fitness::Fit { on_day } else { by_all }
}

/// Only what the leaf's moisture and water activity say of a sample.
#[must_use]
pub fn dampness(lot: &Lot, arm: &str, lots: &[Lot], limits: &Limits, day: Day) -> Fitness {
    match (On { lots, limits, day }).dampness(lot, arm) {
        (_, block) if !block.is_empty() => Fitness::Block(block),
        (warn, _) if !warn.is_empty() => Fitness::Warn(warn),
        _ => Fitness::Fit,
    }
}

/// LOT or LOT@ARM.
pub(super) fn named(lot: &str, arm: &str) -> String {
    if ids::same(arm, MAIN) { lot.to_owned() } else { format!("{lot}@{arm}") }
}

fn of_arm(v: &LotValue, arm: &str) -> bool {
    v.arm.as_ref().is_none_or(|a| ids::same(a, arm))
}

impl<'a> On<'a> {
    fn find(&self, lot: &'a Lot, id: &str) -> Option<&'a Lot> {
        if ids::same(&lot.id, id) {
            return Some(lot);
        }
        self.lots.iter().find(|l| ids::same(&l.id, id))
    }

    /// The latest measurement of a sample, and of what it was before.
    fn latest(
        &self,
        lot: &'a Lot,
        arm: &str,
        parameters: &[&str],
        number: impl Fn(&LotValue) -> Option<f64>,
        made: impl Fn(&Lot) -> Option<f64>,
    ) -> Option<Found> {
        history(lot, arm, self.lots).iter().find_map(|s: &Stretch| {
            let lot = self.find(lot, &s.lot)?;
            let logged = lot
                .values
                .iter()
                .filter(|v| parameters.iter().any(|p| ids::same(p, &v.parameter)))
                .filter(|v| of_arm(v, &s.arm) && v.at.day() <= self.day)
                .filter(|v| s.until.is_none_or(|until| v.at.day() < until))
                .filter_map(|v| Some(Found { value: number(v)?, day: v.at.day() }))
                .next_back();
            let own = || made(lot).map(|value| Found { value, day: lot.made() });
            logged.or_else(|| own().filter(|_| ids::same(&s.arm, MAIN)))
        })
    }

    fn damp(&self, lot: &'a Lot, arm: &str) -> Damp {
        let percent = |v: &LotValue| units::convert(v.value.number()?, v.unit.as_deref()?, "%");
        let made = |l: &Lot| l.made_moisture().map(|got| got.value);
        let mut moisture = self.latest(lot, arm, &[DRY_MOISTURE, STORE_MOISTURE], percent, made);
        let mut activity = self.latest(lot, arm, &[WATER_ACTIVITY], |v| v.value.number(), |_| None);
        let limits = self.limits;
        let damp = |m: &Found| m.value >= limits.moisture_warning_pct;
        let active = |a: &Found| a.value >= limits.water_activity_block;
        if let (Some(m), Some(a)) = (&moisture, &activity) {
            if m.day > a.day && !damp(m) {
                activity = None;
            } else if a.day > m.day && !active(a) {
                moisture = None;
            }
        }
        Damp { moisture: moisture.filter(damp), water_activity: activity.filter(active) }
    }

    fn dampness(&self, lot: &'a Lot, arm: &str) -> (Vec<String>, Vec<String>) {
        let limits = self.limits;
        let Damp { moisture, water_activity } = self.damp(lot, arm);
        let (mut warn, mut block) = (Vec::new(), Vec::new());
        if let Some(m) = moisture {
            let measured = format!("moisture of {} % (wet basis, {})", shown(m.value), m.day);
            if m.value >= limits.moisture_block_pct {
                let transport = if m.value > TRANSPORT_PCT {
                    format!("; above {TRANSPORT_PCT} % black tea moulds in transport")
                } else {
                    String::new()
                };
                block.push(format!(
                    "{measured} is not below {} %: not fit to be kept until it is dried again and \
                     measured again{transport}",
                    limits.moisture_block_pct
                ));
            } else {
                warn.push(format!(
                    "{measured} is not below {} %: mould may grow in store. Dry it again and \
                     measure again",
                    limits.moisture_warning_pct
                ));
            }
        }
        if let Some(a) = water_activity {
            let growth = if a.value >= NO_GROWTH_AW {
                format!("; from about {NO_GROWTH_AW} on moulds were seen to grow (on coffee)")
            } else {
                String::new()
            };
            block.push(format!(
                "water activity of {} ({}) is not below {}: not fit to be kept until it is dried \
                 again and measured again{growth}",
                shown(a.value),
                a.day,
                limits.water_activity_block
            ));
        }
        (warn, block)
    }

    /// Tea that it came of was put into quarantine after it was taken from there.
    fn suspects(&self, lot: &'a Lot, arm: &str) -> Vec<String> {
        let mut told = Vec::new();
        for stretch in history(lot, arm, self.lots) {
            let Some(found) = self.find(lot, &stretch.lot) else { continue };
            // A clearing of its own, or a quarantine of its own, says it all.
            if own_statement(found, &stretch, self.day).is_some() {
                return Vec::new();
            }
            for parent in &found.file.value.parents {
                let Some(from) = self.find(lot, &parent.lot) else { continue };
                let arm = parent.arm.as_deref().unwrap_or(MAIN);
                let Some(q) = quarantine(from, arm, self.lots, self.day) else { continue };
                if q.since > found.own_since() {
                    told.push(format!(
                        "it came of {}, which is in quarantine since {}: look whether it is unsafe \
                         too",
                        named(&from.id, arm),
                        q.since
                    ));
                }
            }
        }
        told
    }
}

/// A sample's quarantine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Quarantine {
    /// Since when.
    pub since: Day,
    /// Why, if it was written down.
    pub reason: Option<String>,
    /// The tea that it came of and that was put into quarantine, if not the sample itself.
    pub from: Option<String>,
}

impl Quarantine {
    /// In words.
    #[must_use]
    pub fn in_words(&self) -> String {
        let why = self.reason.as_ref().map_or_else(String::new, |r| format!(" ({r})"));
        match &self.from {
            None => format!("in quarantine since {}{why}", self.since),
            Some(from) => format!(
                "came of {from}, which was in quarantine since {}{why}: in quarantine with it, until \
                 it is cleared itself",
                self.since
            ),
        }
    }
}

/// What was last said of a stretch's quarantine up to a day: since when, yes or no, and why.
fn own_statement(lot: &Lot, stretch: &Stretch, day: Day) -> Option<(Day, bool, Option<String>)> {
    let said: Vec<&LotValue> = lot
        .history(QUARANTINE, &stretch.arm)
        .into_iter()
        .filter(|v| v.at.day() <= day && stretch.until.is_none_or(|u| v.at.day() <= u))
        .collect();
    let yes = |v: &&&LotValue| v.value == Value::YesNo(true);
    let last = *said.last()?;
    if !yes(&&last) {
        return Some((last.at.day(), false, last.note.clone()));
    }
    let first = said.iter().rev().take_while(yes).last().map_or(last, |v| *v);
    Some((first.at.day(), true, first.note.clone().or_else(|| last.note.clone())))
}

/// Whether a sample is in quarantine at the end of a day: by its own log, by that of the tea which it
/// was before a split, or because it was made of tea that was in quarantine then. What its own log
/// says goes before all else.
#[must_use]
pub fn quarantine(lot: &Lot, arm: &str, lots: &[Lot], day: Day) -> Option<Quarantine> {
    quarantine_by(lot, arm, lots, day, &mut Vec::new())
}

fn quarantine_by(
    lot: &Lot,
    arm: &str,
    lots: &[Lot],
    day: Day,
    path: &mut Vec<String>,
) -> Option<Quarantine> {
    // The record refuses circles; whoever asks before it was checked must not hang.
    let sample = named(&lot.id, arm).to_lowercase();
    if path.contains(&sample) {
        return None;
    }
    path.push(sample);
    let find = |id: &str| [lot].into_iter().chain(lots).find(|l| ids::same(&l.id, id));
    let stretches = history(lot, arm, lots);
    for stretch in &stretches {
        let found = find(&stretch.lot)?;
        if let Some((since, yes, reason)) = own_statement(found, stretch, day) {
            let from = (!ids::same(&found.id, &lot.id)).then(|| named(&found.id, &stretch.arm));
            return yes.then_some(Quarantine { since, reason, from });
        }
    }
    // Whatever else it was made of: musty leaf is saved neither by blending nor by firing.
    let root = find(&stretches.last()?.lot)?;
    let made_of =
        root.file.value.parents.iter().filter(|_| root.file.value.came_by != Some(CameBy::Split));
    for parent in made_of {
        let Some(from) = find(&parent.lot) else { continue };
        let arm = parent.arm.as_deref().unwrap_or(MAIN);
        let q = quarantine_by(from, arm, lots, day.min(root.own_since()), path);
        if let Some(q) = q {
            let from = q.from.unwrap_or_else(|| named(&from.id, arm));
            return Some(Quarantine { from: Some(from), ..q });
        }
    }
    None
}
