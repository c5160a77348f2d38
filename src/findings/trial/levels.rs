//! The levels of a factor: those that were made, or those that are written, read by what is known
//! of the parameter.

use super::TrialError;
use super::factors::WishedLevels;
use crate::book::ids;
use crate::book::parameters::{ParameterKind, Parameters, Value};
use crate::book::trials::Level;
use crate::book::units;
use crate::scores::by_nature;

/// Amounts nearer to nothing than this are no settings.
const SMALLEST: f64 = 1e-6;
/// Amounts beyond this are no settings.
const LARGEST: f64 = 1e9;

/// Distinct levels, ascending, categories as people sort them.
pub fn distinct(levels: &[Level]) -> Vec<Level> {
    let mut all = levels.to_vec();
    all.sort_by(|a, b| match (a, b) {
        (Level::Number(x), Level::Number(y)) => x.total_cmp(y),
        _ => by_nature(&a.to_string(), &b.to_string()),
    });
    all.dedup_by(|a, b| a.same(b));
    all
}

/// The levels of a factor.
pub fn levels_of(
    id: &str,
    wished: &WishedLevels,
    made: &[Level],
    parameters: Option<&Parameters>,
    curved: bool,
) -> Result<Vec<Level>, TrialError> {
    let parse = |text: &str| parse(id, text, made, parameters);
    let all = match wished {
        WishedLevels::Made => distinct(made),
        WishedLevels::These(texts) => {
            let levels: Vec<Level> = texts.iter().map(|t| parse(t)).collect::<Result<_, _>>()?;
            let all = distinct(&levels);
            if all.len() < levels.len() {
                return Err(TrialError::new(
                    format!("--factor {id}: a level stands there twice"),
                    "levels that differ",
                    "take one of the two out",
                ));
            }
            all
        }
        WishedLevels::Between(low, high) => {
            let mut ends = vec![parse(&low.to_string())?, parse(&high.to_string())?];
            if curved {
                ends.push(parse(&(0.5 * (low + high)).to_string())?);
            }
            distinct(&ends)
        }
    };
    let numbers: Option<Vec<f64>> = all.iter().map(super::number).collect();
    let all = match (wished, numbers) {
        // Of numbers measured from lot to lot, the ends of the range that was made.
        (WishedLevels::Made, Some(x)) if x.len() > 3 => {
            let (low, high) = (x[0], x[x.len() - 1]);
            let middle = curved.then_some(0.5 * (low + high));
            [Some(low), middle, Some(high)].into_iter().flatten().map(Level::Number).collect()
        }
        (WishedLevels::Made, Some(x)) if curved && x.len() == 2 => {
            [x[0], 0.5 * (x[0] + x[1]), x[1]].map(Level::Number).to_vec()
        }
        _ => all,
    };
    let sizes = all.iter().filter_map(super::number);
    let no_amount = |x: &f64| *x != 0.0 && !(SMALLEST..=LARGEST).contains(&x.abs());
    if let Some(x) = sizes.filter(|_| *wished != WishedLevels::Made).find(no_amount) {
        return Err(TrialError::new(
            format!("--factor {id}: {x:e} is no amount that can be set"),
            format!("0, or a number from {SMALLEST} to {LARGEST}, whatever its sign"),
            "correct the number, or take another unit",
        ));
    }
    let words = all.iter().filter(|l| super::number(l).is_none()).count();
    if words > 0 && words < all.len() {
        return Err(TrialError::new(
            format!("--factor {id}: some of its levels are numbers and some are words"),
            "numbers only, or words only",
            "correct the levels",
        ));
    }
    if all.len() < 2 {
        return Err(TrialError::new(
            format!(
                "--factor {id}: it has one level only{}",
                match all.first() {
                    Some(l) => format!(", {l}"),
                    None => String::new(),
                }
            ),
            "at least two levels",
            format!("name them, as --factor {id}=a,b, or leave it out"),
        ));
    }
    if all.len() > 20 {
        return Err(TrialError::new(
            format!("--factor {id}: it has {} levels", all.len()),
            "2 to 20 levels",
            "name those that matter most",
        ));
    }
    Ok(all)
}

/// A level from its text: by what the book knows of the parameter, else by what was made, else
/// a number if it reads as one.
fn parse(
    id: &str,
    text: &str,
    made: &[Level],
    parameters: Option<&Parameters>,
) -> Result<Level, TrialError> {
    let text = text.trim();
    let wrong = |found: String, expected: String, mend: String| {
        TrialError::new(format!("--factor {id}: {found}"), expected, mend)
    };
    if let Some(p) = parameters.and_then(|p| p.parameter(id)) {
        if matches!(p.kind, ParameterKind::Moment | ParameterKind::Text) {
            return Err(wrong(
                "it holds moments or texts".to_owned(),
                "a parameter of numbers, categories, or yes and no".to_owned(),
                "vary what follows from it, as derived.oxidation-hours".to_owned(),
            ));
        }
        return match p.value_of(text, None) {
            Ok(Value::Number(x)) => Ok(Level::Number(x)),
            Ok(Value::Category(c)) => Ok(Level::Word(c)),
            Ok(Value::YesNo(b)) => Ok(Level::YesNo(b)),
            Ok(_) => Err(wrong(
                format!("{text} is no level"),
                "a number, a category, or yes and no".to_owned(),
                "correct the level".to_owned(),
            )),
            Err(r) => Err(wrong(r.found, r.expected, r.mend)),
        };
    }
    if let Some((number, Some(unit))) = units::number_and_unit(text)
        && units::is_known(unit)
    {
        return Err(wrong(
            format!("{text} is a number with a unit, and no book says in which unit it is logged"),
            "numbers alone, all levels in one unit".to_owned(),
            format!("write {number} without {unit}, and the other levels in {unit} too"),
        ));
    }
    let number = text.parse::<f64>().ok().filter(|x| x.is_finite());
    let of_lot = id.to_ascii_lowercase().starts_with("lot.");
    match (made.first(), number) {
        (Some(Level::Number(_)), None) => Err(wrong(
            format!("{text} is no number"),
            "numbers, as in the lots made so far".to_owned(),
            "correct the level".to_owned(),
        )),
        (None, Some(x)) if !of_lot => Ok(Level::Number(x)),
        (Some(Level::Number(_)), Some(x)) => Ok(Level::Number(x)),
        (Some(Level::YesNo(_)), _) => match text {
            "yes" | "true" => Ok(Level::YesNo(true)),
            "no" | "false" => Ok(Level::YesNo(false)),
            _ => Err(wrong(
                format!("{text} is neither yes nor no"),
                "yes or no".to_owned(),
                "correct the level".to_owned(),
            )),
        },
        _ if text.is_empty() => Err(wrong(
            "a level is empty".to_owned(),
            "a number or a word between commas".to_owned(),
            "take the comma out or name the level".to_owned(),
        )),
        _ => {
            // A category that was made keeps its spelling.
            let known = made.iter().find(|l| ids::same(&l.to_string(), text));
            Ok(known.cloned().unwrap_or_else(|| Level::Word(text.to_owned())))
        }
    }
}
