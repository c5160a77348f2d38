//! The form of a plan, and the request that it means.

use std::fmt::Display;
use std::str::FromStr;

use crate::book::BookError;
use crate::book::ids;
use crate::book::session_files::{Kind, TestPlan};
use crate::book::time::Day;
use crate::desk::mistakes::{Mistakes, Wrong};
use crate::desk::posted::Posted;
use crate::desk::record::asked_back;
use crate::desk::say::Say;
use crate::scores::ALPHA;
use crate::session::{Duplicates, FlightRequest, PlanRequest, Terms};

fn refused(found: impl Display, expected: &str, mend: &str) -> BookError {
    BookError::Refused(format!("{found}\n  expected: {expected}\n  to mend:  {mend}"))
}

/// A number of a field; none if it was left empty.
///
/// # Errors
/// If it is none.
pub fn number<T: FromStr>(form: &Posted, name: &str, what: &str) -> Result<Option<T>, BookError> {
    form.filled(name)
        .map(|text| {
            text.parse().map_err(|_| {
                refused(
                    format!("{what} is \"{text}\""),
                    "a number, with a point before decimals",
                    &format!("correct {what}, or leave it empty"),
                )
            })
        })
        .transpose()
}

/// Names that are separated by commas, in either script, or by line ends.
pub fn names(text: &str) -> Vec<String> {
    let parts = text.split([',', '，', '、', '\n']).map(str::trim);
    parts.filter(|p| !p.is_empty()).map(str::to_owned).collect()
}

/// Whether no lot and no flight is named yet.
pub fn names_nothing(form: &Posted) -> bool {
    let by_flight = form.text("fill") == "flights";
    if by_flight {
        form.text("flights").is_empty()
    } else {
        ticked_and_typed(form, "lot", "lots").is_empty()
    }
}

/// Names that are ticked and names that are typed, each once.
fn ticked_and_typed(form: &Posted, ticked: &str, typed: &str) -> Vec<String> {
    let mut all = form.all(ticked);
    for name in names(form.text(typed)) {
        if !all.iter().any(|known| ids::same(known, &name)) {
            all.push(name);
        }
    }
    all
}

/// As [`number`], what is wrong noted by its field.
fn read<T: FromStr>(amiss: &mut Mistakes, form: &Posted, name: &str, what: &str) -> Option<T> {
    amiss.take(name, number(form, name, what)).flatten()
}

fn days(amiss: &mut Mistakes, form: &Posted) -> Vec<Day> {
    let first: Vec<String> = form.filled("day").map(str::to_owned).into_iter().collect();
    let of = |text: &String| {
        text.parse::<Day>().map_err(|_| {
            refused(
                format!("\"{text}\" is no day"),
                "a day as 2026-05-14",
                "correct the days; further ones stand with commas between",
            )
        })
    };
    let mut all = Vec::new();
    for (field, texts) in [("day", first), ("days", names(form.text("days")))] {
        let read = texts.iter().map(of).collect::<Result<Vec<Day>, _>>();
        all.extend(amiss.take(field, read).unwrap_or_default());
    }
    all
}

fn duplicates(amiss: &mut Mistakes, form: &Posted) -> Duplicates {
    let named = names(form.text("duplicate-of"));
    if !named.is_empty() {
        return Duplicates::Of(named);
    }
    let dealt = read(amiss, form, "duplicates", "the number of second codes");
    Duplicates::Dealt(dealt.unwrap_or(0))
}

/// A flight from its line; of the named duplicates those that are in it.
fn flight(line: &str, duplicates: &Duplicates) -> FlightRequest {
    let lots = names(line);
    let duplicates = match duplicates {
        Duplicates::Dealt(n) => Duplicates::Dealt(*n),
        Duplicates::Of(named) => Duplicates::Of(
            named.iter().filter(|n| lots.iter().any(|l| ids::same(l, n))).cloned().collect(),
        ),
    };
    FlightRequest { lots, duplicates }
}

/// Asks odd days of a session back.
///
/// # Errors
/// That they are asked back.
pub fn odd_days(
    form: &Posted,
    request: &PlanRequest,
    (say, today): (Say, Day),
) -> Result<(), Wrong> {
    let mut amiss = Mistakes::default();
    let named = form.filled("day").is_some();
    for (i, day) in request.days.iter().enumerate() {
        let field = if named && i == 0 { "day" } else { "days" };
        if !amiss.has(field) {
            asked_back::day((form, say), field, Some(*day), today, &mut amiss);
        }
    }
    amiss.none()
}

/// The kind that is asked for.
pub fn kind(form: &Posted) -> Kind {
    Kind::of_word(form.text("kind")).unwrap_or(Kind::Profile)
}

/// What a form asks for.
///
/// # Errors
/// Each number or day that is none.
pub fn request(form: &Posted) -> Result<PlanRequest, Wrong> {
    let mut amiss = Mistakes::default();
    let kind = kind(form);
    let by_flight = form.text("fill") == "flights";
    let duplicates = duplicates(&mut amiss, form);
    let lines = form.text("flights").lines().filter(|l| !l.trim().is_empty());
    let flights: Vec<FlightRequest> =
        if by_flight { lines.map(|l| flight(l, &duplicates)).collect() } else { Vec::new() };
    if by_flight && flights.is_empty() {
        let none = refused(
            "no flight is named",
            "one line a flight, its lots with commas between",
            "write them, or choose that all lots go into each replicate",
        );
        amiss.add("flights", none.to_string());
    }
    let asks_terms = !matches!(kind, Kind::Triangle | Kind::DuoTrio);
    let terms = match form.text("terms") {
        "all" if asks_terms && kind == Kind::Profile => Terms::All,
        "these" if asks_terms => Terms::Of(form.all("term")),
        _ if matches!(kind, Kind::Ranking | Kind::Paired) && !form.all("term").is_empty() => {
            Terms::Of(form.all("term"))
        }
        _ => Terms::Default,
    };
    // What belongs to tests alone stays out of a profile: its fields are not shown there.
    let test = (kind != Kind::Profile).then(|| TestPlan {
        alpha: read(&mut amiss, form, "alpha", "alpha").unwrap_or(ALPHA),
        distinguishers: read(&mut amiss, form, "distinguishers", "the share of people")
            .filter(|_| kind.is_choice()),
        power: read(&mut amiss, form, "power", "the power").filter(|_| kind.is_choice()),
        ties: form.ticked("ties") && kind == Kind::Ranking,
    });
    let replicates = read(&mut amiss, form, "replicates", "the number of replicates");
    let days = days(&mut amiss, form);
    let flight_size = read(&mut amiss, form, "flight-size", "the size of a flight");
    let per_taster: Option<usize> =
        read(&mut amiss, form, "per-taster", "the cups for each taster");
    let order_seed = read(&mut amiss, form, "seed", "the order seed");
    amiss.none()?;
    let one = |name: &str| form.filled(name).map(str::to_owned);
    let with_cups = !kind.is_choice();
    Ok(PlanRequest {
        name: form.text("name").to_owned(),
        kind,
        lots: if by_flight { Vec::new() } else { ticked_and_typed(form, "lot", "lots") },
        replicates: replicates.filter(|_| !by_flight).unwrap_or(1),
        duplicates: match duplicates {
            _ if by_flight || !with_cups => Duplicates::Dealt(0),
            said => said,
        },
        flights: if with_cups {
            flights
        } else {
            let none = |f: FlightRequest| FlightRequest { duplicates: Duplicates::Dealt(0), ..f };
            flights.into_iter().map(none).collect()
        },
        tasters: form.all("taster"),
        reference: one("reference").filter(|_| with_cups || kind == Kind::DuoTrio),
        warm_up: one("warm-up"),
        recipe: one("recipe"),
        terms,
        days,
        flight_size,
        per_taster: per_taster.filter(|_| with_cups),
        order_seed: order_seed.unwrap_or(0),
        guess: form.ticked("guess") && kind == Kind::Profile,
        test,
        expected: one("expected").filter(|_| kind == Kind::Paired),
        alone: form.ticked("alone"),
    })
}
