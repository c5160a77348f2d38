//! Lots that come of lots: split off, blended, fired again.

use rand_chacha::rand_core::Rng;

use super::balance::{balance, more_than};
use super::lots::{CameBy, Lot, LotFile, MAIN, Parent};
use super::problem::did_you_mean;
use super::reading::unknown;
use super::store::WriteLock;
use super::time::{Day, Moment};
use super::writing::{NewLot, add_lots, must_be_there, refused};
use super::{Book, BookError, ids};

/// What is taken from a sample.
#[derive(Debug, Clone, PartialEq)]
pub struct Taken {
    /// The lot.
    pub lot: String,
    /// Its arm; none: the lot, if it was not split into arms.
    pub arm: Option<String>,
    /// Kilograms.
    pub kg: f64,
}

/// What came of it.
#[derive(Debug, Clone)]
pub struct Parted {
    /// The new lots.
    pub lots: Vec<Lot>,
    /// Kilograms that went into them.
    pub in_kg: f64,
    /// Mass lost on the way, in percent of what went in; none if what came out was not weighed.
    pub lost_pct: Option<f64>,
    /// What is to be warned of: a parent in quarantine, a parent whose mass is not known.
    pub warnings: Vec<String>,
}

/// A lot to be made of others. Of `file` the id, the day and whatever is known are taken; its
/// parents, and for what it has none its class and kilograms, follow from what went in.
#[derive(Debug, Clone)]
pub struct NewTea {
    /// The new lot; `new.file.class` empty: that of the parents, if they are alike.
    pub new: NewLot,
    /// What went in.
    pub from: Vec<Taken>,
}

/// Splits child lots off a sample: the same tea, made on the same day, each with a mass and a
/// history of its own from `day` on.
///
/// # Errors
/// If the sample is not there on that day, has less left than is taken, an id is none or taken,
/// or the disk refuses. Nothing is written then.
pub fn split_into(
    book: &Book,
    (lot, arm): (&str, Option<&str>),
    children: &[(String, f64)],
    day: Day,
    now: Moment,
    rng: &mut impl Rng,
) -> Result<Parted, BookError> {
    let lock = WriteLock::take(book.root())?;
    let lots = book.lots()?;
    let taken = |kg| Taken { lot: lot.to_owned(), arm: arm.map(str::to_owned), kg };
    let all: Vec<Taken> = children.iter().map(|(_, kg)| taken(*kg)).collect();
    let mut warnings = Vec::new();
    let parents = take(&lots, &all, day, "--on", &mut warnings)?;
    let new: Vec<NewLot> = children
        .iter()
        .zip(parents)
        .map(|((id, kg), (parent, of))| {
            let file = LotFile {
                picked: of.file.value.picked.clone(),
                kg: Some(*kg),
                came_by: Some(CameBy::Split),
                parted: Some(day),
                parents: vec![parent],
                ..LotFile::new(id, &of.file.value.class, of.made())
            };
            NewLot::of(file)
        })
        .collect();
    finish(book, &new, &lock, warnings, now, rng)
}

/// Blends samples into a new lot.
///
/// # Errors
/// If fewer than two samples go in, one is not there on that day or has less left than is taken,
/// more comes out than went in, the classes differ and none is given, or the disk refuses.
/// Nothing is written then.
pub fn blend(
    book: &Book,
    blend: &NewTea,
    now: Moment,
    rng: &mut impl Rng,
) -> Result<Parted, BookError> {
    let from = &blend.from;
    if from.len() < 2 {
        return Err(refused(
            "a blend of fewer than two",
            "--from LOT=KG for each lot that goes in",
            "name the others; a lot that is dried once more alone is made with `lot refire`",
        ));
    }
    for (i, one) in from.iter().enumerate() {
        let arm = |t: &Taken| t.arm.clone().unwrap_or_else(|| MAIN.to_owned());
        let again = |t: &&Taken| ids::same(&t.lot, &one.lot) && ids::same(&arm(t), &arm(one));
        if from[..i].iter().find(again).is_some() {
            return Err(refused(
                format!("{} goes in twice", named(one)),
                "each lot, or arm of a lot, once",
                "add the two masses up",
            ));
        }
    }
    made_of(book, blend, CameBy::Blend, now, rng)
}

/// Fires a sample again: a new lot with its own values of drying.
///
/// # Errors
/// If not one sample goes in, it is not there on that day or has less left than is taken, more
/// comes out than went in, or the disk refuses. Nothing is written then.
pub fn refire(
    book: &Book,
    refire: &NewTea,
    now: Moment,
    rng: &mut impl Rng,
) -> Result<Parted, BookError> {
    if refire.from.len() != 1 {
        return Err(refused(
            format!("a second firing of {} lots", refire.from.len()),
            "--from LOT=KG once",
            "blend them first with `lot blend`, then fire the blend again",
        ));
    }
    made_of(book, refire, CameBy::Refire, now, rng)
}

fn made_of(
    book: &Book,
    made: &NewTea,
    came_by: CameBy,
    now: Moment,
    rng: &mut impl Rng,
) -> Result<Parted, BookError> {
    let lock = WriteLock::take(book.root())?;
    let lots = book.lots()?;
    let mut warnings = Vec::new();
    let day = made.new.file.made;
    let parents = take(&lots, &made.from, day, "--made", &mut warnings)?;
    let mut new = made.new.clone();
    let file = &mut new.file;
    if file.class.trim().is_empty() {
        let classes: Vec<&str> = parents.iter().map(|(_, l)| l.file.value.class.as_str()).collect();
        if let Some(other) = classes.iter().find(|c| !ids::same(c, classes[0])) {
            return Err(refused(
                format!("the classes differ: {} and {other}", classes[0]),
                "the class of what comes out",
                "give --class",
            ));
        }
        file.class = classes[0].to_owned();
    }
    let in_kg: f64 = made.from.iter().map(|t| t.kg).sum();
    if came_by == CameBy::Blend {
        // A blend loses nothing by itself; a second firing loses what must be weighed.
        file.kg = file.kg.or(Some(rounded(in_kg)));
    } else if file.picked.is_empty() {
        file.picked.clone_from(&parents[0].1.file.value.picked);
    }
    file.came_by = Some(came_by);
    file.parents = parents.into_iter().map(|(parent, _)| parent).collect();
    finish(book, std::slice::from_ref(&new), &lock, warnings, now, rng)
}

fn finish(
    book: &Book,
    new: &[NewLot],
    lock: &WriteLock,
    warnings: Vec<String>,
    now: Moment,
    rng: &mut impl Rng,
) -> Result<Parted, BookError> {
    add_lots(book, new, now, rng, lock)?;
    let lots = new.iter().map(|n| book.lot(&n.file.id)).collect::<Result<Vec<_>, _>>()?;
    let in_kg: f64 = new.iter().flat_map(|n| &n.file.parents).filter_map(|p| p.kg).sum();
    let out_kg: Option<f64> = new.iter().map(|n| n.file.kg).sum();
    let lost_pct = out_kg.map(|out| 100.0 * rounded(in_kg - out) / in_kg);
    Ok(Parted { lots, in_kg: rounded(in_kg), lost_pct, warnings })
}

/// The parents that are meant, each with its lot: there on that day, with as much left.
fn take<'a>(
    lots: &'a [Lot],
    from: &[Taken],
    day: Day,
    flag: &str,
    warnings: &mut Vec<String>,
) -> Result<Vec<(Parent, &'a Lot)>, BookError> {
    let mut parents: Vec<(Parent, &Lot)> = Vec::new();
    for one in from {
        let Some(lot) = lots.iter().find(|l| ids::same(&l.id, &one.lot)) else {
            let known: Vec<String> = lots.iter().map(|l| l.id.clone()).collect();
            return Err(unknown("lot", &one.lot, &known, "`blindsteep lot list` names the lots"));
        };
        must_be_there(lot, (day, day), ("day", flag))?;
        let arm = lot.arm_on(one.arm.as_deref(), day)?;
        let named = if arm == MAIN { lot.id.clone() } else { format!("{}@{arm}", lot.id) };
        let warn = |warnings: &mut Vec<String>, text: String| {
            if !warnings.contains(&text) {
                warnings.push(text);
            }
        };
        if lot.is_in_quarantine(&arm) {
            warn(
                warnings,
                format!(
                    "{named} is in quarantine, and what comes of it should be too. Never use leaf that \
                 smells musty or shows mould: blending or firing does not save it"
                ),
            );
        }
        let balance = balance(lot, lots);
        let before = |of_arm: bool| -> f64 {
            let same = |p: &Parent| !of_arm || ids::same(p.arm.as_deref().unwrap_or(MAIN), &arm);
            parents
                .iter()
                .filter(|(p, l)| ids::same(&l.id, &lot.id) && same(p))
                .filter_map(|(p, _)| p.kg)
                .sum()
        };
        let of_arm = balance.left_of(&arm);
        for (left, of, taken) in
            [(of_arm, &named, before(true)), (balance.left_kg, &lot.id, before(false))]
        {
            if let Some(left) = left.filter(|left| more_than(taken + one.kg, *left)) {
                return Err(refused(
                    format!(
                        "{} kg are taken from {of}, but only {left} kg are left of it",
                        rounded(taken + one.kg)
                    ),
                    format!("at most {left}"),
                    format!("correct the mass, or kg in {}", lot.file.file),
                ));
            }
        }
        if let Some(why) = balance.unknown {
            warn(warnings, format!("whether {named} has as much left is not known: {why}"));
        }
        let arm = Some(arm).filter(|a| a != MAIN);
        parents.push((Parent { lot: lot.id.clone(), arm, kg: Some(one.kg) }, lot));
    }
    Ok(parents)
}

impl Lot {
    /// The arm that is meant on a day: of a lot that was split it must be named.
    ///
    /// # Errors
    /// If there was no such arm on that day, or several and none is named.
    pub fn arm_on(&self, arm: Option<&str>, day: Day) -> Result<String, BookError> {
        let mut arms = self.arms_on(day);
        match arm {
            Some(arm) => match arms.iter().position(|a| ids::same(a, arm)) {
                Some(at) => Ok(arms.swap_remove(at)),
                None => Err(refused(
                    format!("{} had no arm \"{arm}\" on {day}", self.id),
                    format!("one of {}", arms.join(", ")),
                    did_you_mean(
                        arm,
                        arms.iter().map(String::as_str),
                        "name one of these, or correct the day",
                    ),
                )),
            },
            None if arms.len() == 1 => Ok(arms.swap_remove(0)),
            None => {
                let each: Vec<String> = arms.iter().map(|a| format!("{}@{a}", self.id)).collect();
                Err(refused(
                    format!("{} was split into arms; which one is meant?", self.id),
                    each.join(" or "),
                    "name the arm behind an @",
                ))
            }
        }
    }
}

fn named(taken: &Taken) -> String {
    taken.arm.as_ref().map_or_else(|| taken.lot.clone(), |arm| format!("{}@{arm}", taken.lot))
}

/// Without what binary arithmetic adds behind the twelfth digit.
fn rounded(kg: f64) -> f64 {
    (kg * 1e9).round() / 1e9
}
