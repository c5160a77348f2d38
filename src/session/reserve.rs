//! Reserves: what is left of them, and what sessions drew.

use std::collections::{BTreeMap, BTreeSet};

use crate::book::ids;
use crate::book::lots::{How, LogLine, Lot, MAIN};
use crate::book::parameters::RESERVE_DRAWN;
use crate::book::time::Moment;
use crate::book::{Book, BookError, csv_file};
use crate::scores::by_nature;

use super::deal::{Filling, Shape, Stock};
use super::key::{self, Draw, Key, KeyCup};
use super::plan::{LeafNeed, refused};
use super::sample::{Role, Sample};
use super::state::entry_of;

/// What sealed sessions will draw at most: it stands in their keys until they are revealed or void.
pub(super) fn pending(book: &Book) -> Result<Vec<Draw>, BookError> {
    let mut pending = Vec::new();
    for name in not_revealed(book)? {
        pending.extend(sealed(book, &name)?.map_or_else(Vec::new, |key| at_most(&key)));
    }
    Ok(pending)
}

/// The sessions that are neither revealed nor void.
pub(super) fn not_revealed(book: &Book) -> Result<Vec<String>, BookError> {
    let mut names = book.session_names()?;
    names.retain(|name| {
        let folder = book.root().join("sessions").join(name);
        !["reveal.toml", "void.toml"].iter().any(|f| folder.join(f).exists())
    });
    Ok(names)
}

/// The key of a session, if it has one: alone it comes after closing.
pub(super) fn sealed(book: &Book, name: &str) -> Result<Option<Key>, BookError> {
    let file = format!("sessions/{name}/{}", key::FILE);
    book.root().join(&file).exists().then(|| Key::read(book.root(), &file)).transpose()
}

/// What a sealed session may draw of each sample whatever was dealt: what is left of each lot would
/// otherwise say which of them have second codes. Where all flights have the same lots each counts as
/// the one with most cups; else each may have a second code in every flight in which some lot has one.
pub(super) fn at_most(key: &Key) -> Vec<Draw> {
    let is_lot = |role: Role| matches!(role, Role::Lot | Role::Duplicate);
    let mut flights: BTreeMap<u32, (BTreeSet<&Sample>, bool)> = BTreeMap::new();
    for cup in key.cups().iter().filter(|c| is_lot(c.role)) {
        let (lots, twice) = flights.entry(cup.flight).or_default();
        lots.insert(&cup.sample);
        *twice |= cup.role == Role::Duplicate;
    }
    let counted = |sample: &Sample, of_lots: bool| {
        key.cups().iter().filter(|c| c.sample == *sample && is_lot(c.role) == of_lots).count()
    };
    let alike = flights.values().all(|f| flights.values().all(|g| g.0 == f.0));
    let most = key.draws().iter().map(|d| counted(&d.sample, true)).max().unwrap_or(0);
    key.draws()
        .iter()
        .map(|d| {
            let (own, other) = (counted(&d.sample, true), counted(&d.sample, false));
            if own == 0 {
                return d.clone();
            }
            let may = if alike {
                most
            } else {
                let with = flights.values().filter(|f| f.0.contains(&d.sample));
                with.map(|f| 1 + usize::from(f.1)).sum()
            };
            let a_cup = d.leaf_g / (own + other) as f64;
            Draw { sample: d.sample.clone(), leaf_g: rounded(a_cup * (may + other) as f64) }
        })
        .collect()
}

/// Grams left of a sample, less what is pending; none if no reserve is recorded.
pub(super) fn left(lots: &[Lot], pending: &[Draw], sample: &Sample) -> Option<f64> {
    let lot = lots.iter().find(|l| ids::same(&l.id, &sample.lot))?;
    let reserve = lot.reserve(&sample.arm)?;
    let waiting: f64 = pending.iter().filter(|d| d.sample == *sample).map(|d| d.leaf_g).sum();
    Some(reserve.left_g - waiting)
}

/// Writes a session's draws into the logs of its lots. A draw that stands there already (its
/// entry follows from session and sample) is not written again, so that a reveal which was
/// interrupted can be finished.
pub(super) fn log_draws(
    book: &Book,
    session: &str,
    draws: &[Draw],
    now: Moment,
) -> Result<(), BookError> {
    let lots = book.lots()?;
    for draw in draws {
        let Some(lot) = lots.iter().find(|l| ids::same(&l.id, &draw.sample.lot)) else { continue };
        let entry = entry_of(&["draw", session, &draw.sample.lot, &draw.sample.arm]);
        if lot.log.values().any(|l| l.entry == entry) {
            continue;
        }
        let line = LogLine {
            entry,
            at: now,
            arm: (!is_whole(&draw.sample.arm)).then(|| draw.sample.arm.clone()),
            parameter: RESERVE_DRAWN.to_owned(),
            value: Some(draw.leaf_g.to_string()),
            unit: Some("g".to_owned()),
            how: How::Estimated,
            by: None,
            replaces: None,
            reason: None,
            note: Some(format!("session {session}")),
        };
        csv_file::append(book.root(), &format!("lots/{}/log.csv", lot.id), &[line])?;
    }
    Ok(())
}

/// What each sample needs at most, against what its reserve holds; refused if it is too little.
pub(super) fn needs(
    book: &Book,
    lots: &[Lot],
    stock: &Stock<'_>,
    shape: &Shape,
    leaf_g: f64,
) -> Result<Vec<LeafNeed>, BookError> {
    let waiting = pending(book)?;
    let mut cups: Vec<(Sample, usize)> = Vec::new();
    let mut add = |sample: &Sample, n: usize| match cups.iter_mut().find(|(s, _)| s == sample) {
        Some((_, m)) => *m += n,
        None => cups.push((sample.clone(), n)),
    };
    let n_flights = shape.flights.len();
    match &stock.filling {
        Filling::Spread { samples, replicates, twice } => {
            let dealt: usize = shape.flights.iter().map(|f| f.duplicates).sum();
            // Where each replicate is one flight, second codes go round: nobody is a round ahead.
            let at_most = if n_flights == *replicates && twice.is_empty() {
                dealt.div_ceil(samples.len().max(1))
            } else {
                if dealt > 0 { *replicates } else { 0 }
            };
            for sample in *samples {
                let may = twice.is_empty() || twice.contains(sample);
                add(sample, replicates + if may { at_most } else { 0 });
            }
        }
        Filling::Given(flights) => {
            for ((samples, twice), of) in flights.iter().zip(&shape.flights) {
                for sample in samples {
                    let may = of.duplicates > 0 && (twice.is_empty() || twice.contains(sample));
                    add(sample, 1 + usize::from(may));
                }
            }
        }
    }
    // The reference of a duo-trio; where it is each of the lots for a part of the tasters, either.
    let pots = shape.flights.iter().filter(|f| f.references > 0).count();
    if let (Some(sample), true) = (stock.constant, pots > 0) {
        add(sample, pots);
    } else if pots > 0 {
        match &stock.filling {
            Filling::Spread { samples, .. } => samples.iter().for_each(|s| add(s, pots)),
            Filling::Given(flights) => {
                flights.iter().flat_map(|(samples, _)| samples).for_each(|s| add(s, 1));
            }
        }
    }
    for sample in stock.reference.into_iter().chain(stock.warm_up) {
        add(sample, n_flights);
    }
    // By name, not by flight: which flight has which lot is told to nobody.
    cups.sort_by(|a, b| by_nature(&a.0.to_string(), &b.0.to_string()));
    let needs: Vec<LeafNeed> = cups
        .into_iter()
        .map(|(sample, n)| {
            let left_g = left(lots, &waiting, &sample);
            LeafNeed { need_g: leaf_g * n as f64, left_g, sample }
        })
        .collect();
    let short: Vec<String> = needs
        .iter()
        .filter(|n| n.left_g.is_some_and(|left| left + 1e-9 < n.need_g))
        .map(|n| {
            let left = n.left_g.unwrap_or(0.0);
            format!("{}: {:.1} g needed, {left:.1} g left", n.sample, n.need_g)
        })
        .collect();
    if short.is_empty() {
        return Ok(needs);
    }
    Err(refused(format!(
        "the reserve does not suffice\n  {}\n  to mend:  fewer replicates, a recipe with less leaf, or leave a lot out",
        short.join("\n  ")
    )))
}

/// Grams drawn for cups, sample by sample.
pub(super) fn draws_of(cups: &[KeyCup], leaf_g: f64) -> Vec<Draw> {
    let mut counts: BTreeMap<&Sample, u32> = BTreeMap::new();
    for cup in cups {
        *counts.entry(&cup.sample).or_default() += 1;
    }
    counts
        .into_iter()
        .map(|(sample, n)| Draw { sample: sample.clone(), leaf_g: rounded(leaf_g * f64::from(n)) })
        .collect()
}

/// Grams without the tail of a product of decimals.
fn rounded(grams: f64) -> f64 {
    (grams * 1e6).round() / 1e6
}

/// Whether an arm is the whole of a lot.
fn is_whole(arm: &str) -> bool {
    ids::same(arm, MAIN)
}
