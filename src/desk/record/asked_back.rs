//! Values of a form or of the step clock: whether they hold, and whether they are so odd that they are asked back.

use crate::book::book_file::clock;
use crate::book::far::{By, Far, OddDay, far, far_kilograms, odd_day, odd_step};
use crate::book::lots::{Lot, LotFile};
use crate::book::masses::{Odd, kilograms_of, odd, weighed};
use crate::book::parameters::{Parameter, ParameterKind, Parameters};
use crate::book::time::{Day, Moment};
use crate::book::writing::refused;
use crate::book::{ids, units};
use crate::desk::App;
use crate::desk::mistakes::Mistakes;
use crate::desk::posted::Posted;
use crate::desk::say::Say;

/// What values are looked at with.
#[derive(Clone, Copy)]
pub struct Looked<'a> {
    /// The lot whose values they are; none: it is new.
    pub lot: Option<&'a Lot>,
    /// What it is called.
    pub id: &'a str,
    /// All lots of the book.
    pub lots: &'a [Lot],
    /// What can be recorded.
    pub parameters: &'a Parameters,
    /// The days on which it was first picked and made, if its steps are to be held against them.
    pub days: Option<(Day, Day)>,
    /// Who reads.
    pub say: Say,
}

impl Looked<'_> {
    /// Why a value is asked back: it hardly goes with what was weighed before or is weighed with it, or is far from
    /// what is usual.
    pub fn asked_back(&self, p: &Parameter, text: &str, with: &[(&str, f64)]) -> Option<String> {
        let say = self.say;
        if let Some(mass) = kilograms_of(&p.id, text, p.unit.as_deref()) {
            let masses: Vec<(&str, f64)> =
                [(p.id.as_str(), mass)].iter().chain(with).copied().collect();
            let weighed = weighed(self.lot, &masses);
            // The other masses of the batch say more of it than other batches do.
            if weighed.iter().any(|(id, _)| !ids::same(id, &p.id)) {
                return self.hardly_together(p, &masses);
            }
        }
        let value = p.value_of(text, None).ok()?.number()?;
        let far = far(p, value, self.lots)?;
        let unit = p.unit.as_deref().map_or_else(String::new, |u| format!(" {u}"));
        Some(say.of(
            format!("{text}, {}.", of_far(&far, &unit, say)),
            format!("{text}，{}。", of_far(&far, &unit, say)),
        ))
    }

    /// Why the moment of a step is asked back.
    fn odd_moment(&self, p: &Parameter, text: &str, today: Day) -> Option<String> {
        let day = text.parse::<Moment>().ok()?.day();
        let of_step = || odd_step(&p.id, day, self.days?);
        odd_day(day, today).or_else(of_step).map(|odd| of_day(day, odd, self.say))
    }

    fn hardly_together(&self, p: &Parameter, masses: &[(&str, f64)]) -> Option<String> {
        let say = self.say;
        let name =
            |id: &str| self.parameters.parameter(id).map_or(id, |p| p.label(say.key())).to_owned();
        // Of two that are typed together the later one is asked back.
        let typed = |id: &str| masses.iter().any(|(known, _)| ids::same(known, id));
        let here =
            |o: &Odd| ids::same(o.after.0, &p.id) || (o.is_about(&p.id) && !typed(o.after.0));
        let odd = odd(self.lot, masses).into_iter().find(here)?;
        let (a, of_a) = (name(odd.after.0), units::four_digits(odd.after.1));
        let (b, of_b) = (name(odd.before.0), units::four_digits(odd.before.1));
        let (en, zh) = if odd.more {
            (format!("more than the {of_b} kg of {b}"), format!("多于{b}的 {of_b} kg"))
        } else {
            (
                format!("less than a tenth of the {of_b} kg of {b}"),
                format!("不到{b} {of_b} kg 的十分之一"),
            )
        };
        Some(say.of(
            format!("{a} of {} is {of_a} kg, {en}.", self.id),
            format!("{} 的{a}为 {of_a} kg，{zh}。", self.id),
        ))
    }

    /// Looks at values of a form: those that do not hold are mistakes, those that are odd are asked back. `fields` are
    /// its fields, the parameters that they hold, and what was typed.
    pub fn values(
        &self,
        app: &App,
        posted: &Posted,
        fields: &[(String, String, String)],
        amiss: &mut Mistakes,
    ) {
        let filled: Vec<(&str, &Parameter, &str)> = fields
            .iter()
            .filter(|(field, _, text)| !text.is_empty() && !amiss.has(field))
            .filter_map(|(field, id, text)| {
                Some((field.as_str(), self.parameters.parameter(id)?, text.as_str()))
            })
            .collect();
        let masses: Vec<(&str, f64)> = filled
            .iter()
            .filter_map(|(_, p, text)| {
                Some((p.id.as_str(), kilograms_of(&p.id, text, p.unit.as_deref())?))
            })
            .collect();
        for (field, p, text) in &filled {
            let whole = in_full(app, p, text);
            if let Err(r) = p.value_of(&whole, None) {
                amiss.add(field, refused(r.found, r.expected, r.mend).to_string());
                continue;
            }
            let asked = match p.kind {
                // A time of day alone is meant of a day that the log knows.
                ParameterKind::Moment if !text.contains(['T', ' ']) => None,
                ParameterKind::Moment => self.odd_moment(p, &whole, app.now().day()),
                _ => self.asked_back(p, text, &masses),
            };
            if let Some(asked) = asked {
                amiss.ask(field, posted, or_right(&asked, self.say));
            }
        }
    }

    /// Asks the kilograms of a lot back if they are far from those of the book's lots.
    pub fn kilograms(&self, posted: &Posted, field: &str, kg: Option<f64>, amiss: &mut Mistakes) {
        let say = self.say;
        if let Some((kg, far)) = kg.and_then(|kg| Some((kg, far_kilograms(kg, self.lots)?))) {
            let kg = units::four_digits(kg);
            let told = say.of(
                format!("{kg} kg, {}.", of_far(&far, " kg", say)),
                format!("{kg} kg，{}。", of_far(&far, " kg", say)),
            );
            amiss.ask(field, posted, or_right(&told, say));
        }
    }
}

/// Asks a day of a form back if it is odd.
pub fn day(
    (posted, say): (&Posted, Say),
    field: &str,
    day: Option<Day>,
    today: Day,
    amiss: &mut Mistakes,
) {
    if let Some((day, odd)) = day.and_then(|day| Some((day, odd_day(day, today)?))) {
        amiss.ask(field, posted, or_right(&of_day(day, odd, say), say));
    }
}

/// The day on which a lot was first picked, or made if that is not known, and the day on which it was made.
pub fn days_of(lot: &LotFile) -> (Day, Day) {
    (lot.picked.iter().copied().fold(lot.made, Day::min), lot.made)
}

/// Why a day is odd, in words.
fn of_day(day: Day, odd: OddDay, say: Say) -> String {
    match odd {
        OddDay::Ahead => {
            say.of(format!("{day} is more than a year ahead."), format!("{day} 在一年多以后。"))
        }
        OddDay::LongAgo => {
            say.of(format!("{day} lies before 1900."), format!("{day} 早于 1900 年。"))
        }
        OddDay::AfterMade(made) => say.of(
            format!("{day} comes after the day on which the lot was made, {made}."),
            format!("{day} 晚于批次的制成日期 {made}。"),
        ),
        OddDay::LongBeforeMade(made) => say.of(
            format!("{day} lies long before the day on which the lot was made, {made}."),
            format!("{day} 远早于批次的制成日期 {made}。"),
        ),
    }
}

/// How what is asked back is answered on a form.
fn or_right(asked: &str, say: Say) -> String {
    say.of(
        format!("{asked}\n  to mend:  correct it, or tick that it is right"),
        format!("{asked}\n  如何改正：请更正，或勾选确认无误"),
    )
}

/// A moment that is typed without its offset, in full by the book's clock.
fn in_full(app: &App, p: &Parameter, text: &str) -> String {
    if p.kind != ParameterKind::Moment {
        return text.to_owned();
    }
    // As the log takes them: now, a time of day, or a day and a time.
    let now = app.now();
    let file = app.cache.book_file().ok();
    let moment = file.and_then(|file| Moment::by_clock_of(&clock(&file), text));
    let moment = moment.or_else(|| now.at_time(text)).or((text == "now").then_some(now));
    moment.map_or_else(|| text.to_owned(), |m| m.to_string())
}

/// From what a value is far, in words.
fn of_far(far: &Far, unit: &str, say: Say) -> String {
    let (low, high) = (units::four_digits(far.low), units::four_digits(far.high));
    let is_one = low == high;
    let range =
        if is_one { low } else { say.of(format!("{low} to {high}"), format!("{low} 至 {high}")) };
    match far.by {
        By::Usual => say.of(format!("where {range}{unit} is usual"), format!("常见 {range}{unit}")),
        By::Book(n) if is_one => say.of(
            format!("where all {n} values of this book are {range}{unit}"),
            format!("本册已有的 {n} 个数值均为 {range}{unit}"),
        ),
        By::Book(n) => say.of(
            format!("where the {n} values of this book are {range}{unit}"),
            format!("本册已有的 {n} 个数值为 {range}{unit}"),
        ),
        By::Anywhere => say.of(
            format!("which is far from {range}{unit}, where tea is made"),
            format!("与制茶的 {range}{unit} 相差很大"),
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plots::Lang;

    #[test]
    fn values_that_are_all_one_are_told_as_one() {
        let told = |high: f64, lang: Lang| {
            of_far(&Far { low: 300.0, high, by: By::Book(6) }, " g", Say(lang))
        };
        assert_eq!(told(300.0, Lang::En), "where all 6 values of this book are 300 g");
        assert_eq!(told(600.0, Lang::En), "where the 6 values of this book are 300 to 600 g");
        assert_eq!(told(300.0, Lang::Zh), "本册已有的 6 个数值均为 300 g");
    }
}
