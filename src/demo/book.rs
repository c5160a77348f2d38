//! The demo book: lots, sessions and ballots as the garden's makers would have written them.
//!
//! Everything goes the way of a real book: planned, poured, entered, closed and revealed by the
//! same functions as the commands. Only the clock and the dice are given.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

use rand_chacha::ChaCha20Rng;
use rand_chacha::rand_core::SeedableRng as _;

use super::garden::{Garden, Pot, Written};
use super::history::{REFERENCE, TWO_YEARS, day_of, session_day};
use super::set_sessions;
use super::truth::{
    LOTS, MONTH_OF_SEEN_LABELS, Making, SEEN_LABELS_SHIFT, SESSIONS, SPLIT, SWEET, SessionTruth,
    Store, TASTERS, TERMS, TasterTruth,
};
use crate::book::lots::{How, LotFile};
use crate::book::session_files::Kind;
use crate::book::starter::{Beginning, begin};
use crate::book::store::{self, StoreError};
use crate::book::time::{Day, Moment};
use crate::book::writing::{Entry, NewLot, add_lot, add_taster, log_lot, split_lot};
use crate::book::{Book, BookError};
use crate::session::ballots::GUESS;
use crate::session::pour::{Pour, pouring_plan};
use crate::session::{
    Answer, DealSecret, Duplicates, FlightRequest, Given, HandIn, PlanRequest, Scope, Session,
    Terms, close, enter_lines, exclude, plan, reveal,
};

/// The seed of the committed demo book. It is the year of its making, not chosen for its luck.
pub const SEED: u64 = 2026;

const OFFSET: &str = "+08:00";
pub(super) const POURER: &str = "gil";
const RECIPE: &str = "tavrinel";
/// What the weather gives in this garden.
pub(super) const GIVEN: &str = "oxidise.temperature";
const HUES: [&str; 4] = ["yellow-orange", "orange", "orange-red", "red"];
const TICKS: [&str; 4] = ["honey", "fruit", "hay", "grass"];

pub(super) fn clock(day: Day, time: &str) -> Moment {
    format!("{day}T{time}{OFFSET}").parse().expect("a moment")
}

/// Writes the demo book into a new folder.
///
/// # Errors
/// If something is there already or the disk refuses.
pub fn write(dir: &Path, seed: u64) -> Result<Book, BookError> {
    let garden = Garden::new(seed);
    // Entry ids come from the seed too, so that the same seed writes the same bytes.
    let mut rng = ChaCha20Rng::seed_from_u64(seed);
    let book = begin(
        dir,
        &Beginning {
            title: Some("Tavrinel Garden (invented)".to_owned()),
            place: Some("Sarnwold Highlands (invented)".to_owned()),
            altitude_m: Some(1650.0),
            zone: Some("Etc/GMT-8".to_owned()),
        },
    )?;
    own_recipe(&book)?;
    own_weather(&book)?;
    for taster in &TASTERS {
        add_taster(&book, taster.id, Some(taster.name), Some(day_of(0.0, 0)))?;
    }
    add_reference(&book, &mut rng)?;
    for lot in &LOTS {
        add_made_lot(&book, &garden, lot, &mut rng)?;
    }
    for (index, session) in SESSIONS.iter().enumerate() {
        hold(&book, &garden, index, session)?;
        for number in SPLIT {
            let last = session_day(session, session.flights.len() - 1);
            if TWO_YEARS.first_tasted(number) == Some(last) {
                split(&book, number, last, &mut rng)?;
            }
        }
        set_sessions::hold_in(&book, &garden, session.month)?;
    }
    quarantine(&book, &mut rng)?;
    Ok(book)
}

fn own_recipe(book: &Book) -> Result<(), BookError> {
    let recipes = book.root().join("recipes.toml");
    let mut text = store::read_text(&recipes)?;
    let _ = write!(
        text,
        r#"
# The garden's own: water boils at 94.6 °C here, so cups are brewed at 94.

[[recipe]]
id = "{RECIPE}"
labels = {{ en = "Tavrinel panel pot, 6 min", zh = "塔夫里内尔审评壶，6 分钟" }}
leaf_g = 8
water_ml = 400
water_c = 94
steeps_s = [360]
vessel = "white porcelain pot, 400 ml, shared by the panel"
vessel_labels = {{ zh = "白瓷壶，400 毫升，全组共用" }}
water = "spring behind the factory"
water_labels = {{ zh = "茶厂后的山泉" }}
source = "invented"
"#
    );
    store::replace(&recipes, &text, None)?;
    let file = book.root().join("book.toml");
    let text =
        store::read_text(&file)?.replace("recipe = \"iso3103\"", &format!("recipe = \"{RECIPE}\""));
    Ok(store::replace(&file, &text, None)?)
}

/// The garden's leaf oxidises in the warmth of the day: no factor of a trial.
fn own_weather(book: &Book) -> Result<(), BookError> {
    let file = book.root().join("parameters.toml");
    let at = format!("id = \"{GIVEN}\"\n");
    let own = format!("{at}# The room is neither heated nor cooled.\nrole = \"given\"\n");
    let text = store::read_text(&file)?.replace(&at, &own);
    Ok(store::replace(&file, &text, None)?)
}

fn add_reference(book: &Book, rng: &mut ChaCha20Rng) -> Result<(), BookError> {
    let mut file = LotFile::new(REFERENCE, "black", day_of(0.0, -20));
    file.garden = Some("Tavrinel (invented)".to_owned());
    file.notes =
        Some("The frozen reference: sealed tins in the freezer, one opened a session.".to_owned());
    let new = NewLot {
        file,
        reserve_g: Some(1500.0),
        values: vec![
            ("dry.moisture".to_owned(), "4.0".to_owned()),
            ("store.temperature".to_owned(), "-18".to_owned()),
            ("store.pack".to_owned(), "sealed tins, frozen".to_owned()),
        ],
        how: How::Measured,
        by: Some(POURER.to_owned()),
    };
    add_lot(book, &new, clock(day_of(0.0, -20), "17:00:00"), rng).map(drop)
}

fn add_made_lot(
    book: &Book,
    garden: &Garden<'_>,
    lot: &Making,
    rng: &mut ChaCha20Rng,
) -> Result<(), BookError> {
    let day = TWO_YEARS.made(lot);
    let mut file = LotFile::new(&TWO_YEARS.lot_id(lot.number), "black", day);
    file.garden = Some("Tavrinel (invented)".to_owned());
    file.season = Some(if lot.season > 0.0 { "spring" } else { "autumn" }.to_owned());
    file.picked = vec![day.later(-2)];
    let (fresh_kg, fresh_pct) = (60.0, 76.0);
    let withered_pct = if lot.wither > 0.0 { 62.0 } else { 70.0 };
    let packed_pct = garden.packed_moisture(lot);
    // The dry matter stays: each mass follows from its moisture.
    let dry_kg = fresh_kg * (1.0 - fresh_pct / 100.0);
    let mass = |pct: f64| format!("{:.1}", dry_kg / (1.0 - pct / 100.0));
    file.kg = Some((dry_kg / (1.0 - packed_pct / 100.0) * 10.0).round() / 10.0);
    let rolled = clock(day.later(-1), "09:00:00");
    let dried = rolled.later((lot.oxidation_h * 3600.0) as i64);
    let mut values = vec![
        ("pluck.fine-leaf", if lot.pluck > 0.0 { "80" } else { "65" }.to_owned()),
        ("pluck.mass", fresh_kg.to_string()),
        ("pluck.moisture", fresh_pct.to_string()),
        ("wither.hours", if lot.wither > 0.0 { "17" } else { "12" }.to_owned()),
        ("wither.mass-in", fresh_kg.to_string()),
        ("wither.mass-out", mass(withered_pct)),
        ("wither.moisture", withered_pct.to_string()),
        ("roll.start", rolled.to_string()),
        ("roll.minutes", if lot.rolling > 0.0 { "75" } else { "40" }.to_owned()),
        ("oxidise.temperature", lot.oxidation_c.to_string()),
        ("dry.start", dried.to_string()),
        ("dry.method", if lot.sun > 0.0 { "sun" } else { "hot-air" }.to_owned()),
        ("dry.mass-out", mass(packed_pct)),
        ("dry.moisture", packed_pct.to_string()),
        ("store.pack", "foil bag in a tin".to_owned()),
    ];
    if lot.sun > 0.0 {
        values.push(("dry.sun-days", "1".to_owned()));
    } else {
        values.push(("dry.temperature", "95".to_owned()));
    }
    let new = NewLot {
        file,
        reserve_g: Some(600.0),
        values: values.into_iter().map(|(p, v)| (p.to_owned(), v)).collect(),
        how: How::Measured,
        by: Some(POURER.to_owned()),
    };
    add_lot(book, &new, clock(day, "17:00:00"), rng).map(drop)
}

fn split(book: &Book, number: u32, day: Day, rng: &mut ChaCha20Rng) -> Result<(), BookError> {
    let lot = TWO_YEARS.lot_id(number);
    split_lot(book, &lot, &["dry".into(), "humid".into()], day)?;
    let now = clock(day, "18:00:00");
    for (arm, celsius, humidity) in [("dry", "20", "45"), ("humid", "27", "68")] {
        for (parameter, value) in
            [("reserve.kept", "250"), ("store.temperature", celsius), ("store.humidity", humidity)]
        {
            let entry = Entry {
                arm: Some(arm.to_owned()),
                by: Some(POURER.to_owned()),
                ..Entry::new(parameter.to_owned(), Some(value.to_owned()))
            };
            log_lot(book, &lot, &entry, now, rng)?;
        }
    }
    let moved = Entry {
        by: Some(POURER.to_owned()),
        note: Some("into the dry and the humid store, 250 g each".to_owned()),
        ..Entry::new("reserve.drawn".to_owned(), Some("500".to_owned()))
    };
    log_lot(book, &lot, &moved, now, rng).map(drop)
}

fn quarantine(book: &Book, rng: &mut ChaCha20Rng) -> Result<(), BookError> {
    let day = day_of(21.0, 4);
    let entry = Entry {
        by: Some(POURER.to_owned()),
        note: Some("smelt musty at the tasting; packed damp".to_owned()),
        ..Entry::new("store.quarantine".to_owned(), Some("yes".to_owned()))
    };
    log_lot(book, &TWO_YEARS.lot_id(super::truth::DAMP), &entry, clock(day, "18:30:00"), rng)
        .map(drop)
}

/// Bits for a session's deal, from the garden's seed: an invented session has no secret to keep.
pub(super) fn secret(garden: &Garden<'_>, session: &str) -> DealSecret {
    let bits = |what: &str| {
        let mut sixteen = [0_u8; 16];
        for (i, byte) in sixteen.iter_mut().enumerate() {
            *byte = garden.pick(&format!("{what}/{session}/{i}"), 256) as u8;
        }
        sixteen
    };
    DealSecret::known(bits("deal"), bits("nonce"))
}

/// The pots of a session by their codes.
pub(super) fn brewed(
    garden: &Garden<'_>,
    session: &str,
    pours: &[Pour],
    day: impl Fn(u32) -> Day,
) -> BTreeMap<u16, Pot> {
    let pot = |p: &Pour| {
        let served = TWO_YEARS.served_of(&p.sample.lot, &p.sample.arm);
        let (age, split) = TWO_YEARS.ages(served, day(p.flight));
        garden.pot(&format!("{session}/{}/{}", p.flight, p.code), served, age, split)
    };
    pours.iter().map(|p| (p.code, pot(p))).collect()
}

/// Holds a session from its plan to its reveal.
fn hold(
    book: &Book,
    garden: &Garden<'_>,
    index: usize,
    session: &SessionTruth,
) -> Result<(), BookError> {
    let day = session_day(session, 0);
    let last_day = session_day(session, session.flights.len() - 1);
    let asks = asks_for_guesses(session);
    let request = PlanRequest {
        name: format!("month-{:02}", session.month),
        kind: Kind::Profile,
        per_taster: None,
        test: None,
        expected: None,
        lots: Vec::new(),
        flights: session
            .flights
            .iter()
            .map(|f| FlightRequest {
                lots: f.iter().map(|s| TWO_YEARS.sample_id(*s)).collect(),
                duplicates: Duplicates::Of(vec![TWO_YEARS.sample_id(f[0])]),
            })
            .collect(),
        tasters: TASTERS.iter().map(|t| t.id.to_owned()).collect(),
        replicates: 1,
        duplicates: Duplicates::Dealt(0),
        reference: Some(REFERENCE.to_owned()),
        warm_up: None,
        recipe: None,
        terms: Terms::Default,
        days: (0..session.flights.len()).map(|f| session_day(session, f)).collect(),
        flight_size: None,
        order_seed: index as u32 + 1,
        guess: asks,
        alone: false,
    };
    let planned = plan(book, &request, clock(day, "09:00:00"), secret(garden, &index.to_string()))?;
    let name = planned.session;
    let (opened, pours) = pouring_plan(book, &name, POURER, clock(day, "09:30:00"))?;
    let day_of_flight = |flight: u32| session_day(session, flight as usize - 1);
    let pots = brewed(garden, &index.to_string(), &pours, day_of_flight);
    for taster in TASTERS.iter().filter(|t| garden.comes(t, &index.to_string())) {
        for flight in 0..opened.plan().flights.len() {
            let answers = answers(garden, index, session, &opened, taster, flight, &pots);
            let hour = 10 + flight;
            let now = clock(session_day(session, flight), &format!("{hour:02}:15:00"));
            enter_lines(book, &name, taster.id, &answers, None, HandIn::Begun, now)
                .map_err(failed)?;
        }
    }
    if session.month == MONTH_OF_SEEN_LABELS {
        let scope = Scope { taster: Some("dee".to_owned()), ..Scope::default() };
        exclude(
            book,
            &name,
            &scope,
            "saw the labels on the tins",
            Some(POURER),
            clock(last_day, "15:00:00"),
        )?;
    }
    close(book, &name, true, clock(last_day, "16:00:00"))?;
    reveal(book, &name, clock(last_day, "16:30:00")).map(drop)
}

pub(super) fn failed(e: crate::session::enter::EnterError) -> BookError {
    BookError::Refused(e.to_string())
}

/// Guesses are asked where a lot is tasted for the first time, and when labels had been seen.
fn asks_for_guesses(session: &SessionTruth) -> bool {
    session.month == MONTH_OF_SEEN_LABELS
        || session.flights.first().is_some_and(|f| {
            f.iter().all(|(n, s)| {
                *s == Store::Main
                    && LOTS.iter().any(|l| l.number == *n && session.month <= l.month + 1)
            })
        })
}

fn answers(
    garden: &Garden<'_>,
    index: usize,
    session: &SessionTruth,
    opened: &Session,
    taster: &TasterTruth,
    flight: usize,
    pots: &BTreeMap<u16, Pot>,
) -> Vec<Answer> {
    let planned = &opened.plan().flights[flight];
    let order = planned.order_of(taster.id);
    let served: Vec<&Pot> = order.iter().filter_map(|code| pots.get(code)).collect();
    let flight_name = format!("{index}/{flight}");
    let written =
        garden.taste(taster, &index.to_string(), &flight_name, f64::from(session.month), &served);
    let saw_labels = session.month == MONTH_OF_SEEN_LABELS && taster.id == "dee";
    let mut all = Vec::new();
    for ((code, pot), cup) in order.iter().zip(&served).zip(&written) {
        let mut answer = |term: &str, value: String| {
            all.push(Answer {
                cup: *code,
                steep: None,
                term: term.to_owned(),
                given: Given::Scored(value),
                note: None,
            });
        };
        write_cup(cup, saw_labels.then_some(pot.served.1), &mut answer);
        if opened.plan().guess {
            let lots: Vec<u32> = {
                let mut lots: Vec<u32> = served.iter().map(|p| p.served.0).collect();
                lots.sort_unstable();
                lots.dedup();
                lots
            };
            let by_chance =
                lots[garden.pick(&format!("guess/{}/{index}/{code}", taster.id), lots.len())];
            answer(GUESS, TWO_YEARS.lot_id(if saw_labels { pot.served.0 } else { by_chance }));
        }
    }
    all
}

fn write_cup(cup: &Written, seen: Option<Store>, answer: &mut impl FnMut(&str, String)) {
    for (at, term) in TERMS.iter().enumerate() {
        let mut value = cup.line[at];
        if at == SWEET {
            value += match seen {
                Some(Store::Dry) => SEEN_LABELS_SHIFT,
                Some(Store::Humid) => -SEEN_LABELS_SHIFT,
                _ => 0.0,
            };
        }
        answer(term.id, value.clamp(0.0, 10.0).to_string());
    }
    answer("hue", HUES[cup.hue].to_owned());
    answer("musty", cup.musty.to_string());
    for (tick, there) in TICKS.iter().zip(cup.ticks) {
        // Untouched ticks become 0 when the ballot is handed in.
        if there {
            answer(tick, "1".to_owned());
        }
    }
}

/// The next free folder of a name: the name itself, or with a number behind it.
///
/// # Errors
/// If the disk refuses to look.
pub fn next_free(parent: &Path, name: &str) -> Result<std::path::PathBuf, StoreError> {
    let mut candidate = parent.join(name);
    let mut n = 1;
    while candidate.try_exists().map_err(store::io("look for", &candidate))? {
        n += 1;
        candidate = parent.join(format!("{name}-{n}"));
    }
    Ok(candidate)
}
