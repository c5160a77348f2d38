//! What was made, and when it was tasted: the two years of the demo book, or those years with
//! further lots behind them.

use std::sync::LazyLock;

use super::truth::{LOTS, Making, SESSIONS, Served, SessionTruth, Store};
use crate::book::time::{DAYS_A_MONTH, Day};

/// The frozen reference's id.
pub const REFERENCE: &str = "REF";

const FIRST_DAY: &str = "2024-05-06";
/// The year of the first making, within its century.
const FIRST_YEAR: u32 = 24;

/// Lots and the sessions in which they were tasted.
#[derive(Debug, Clone)]
pub struct History {
    /// The lots, in the order of their making.
    pub lots: Vec<Making>,
    /// The sessions, in their order.
    pub sessions: Vec<SessionTruth>,
}

/// The two years of the demo book.
pub static TWO_YEARS: LazyLock<History> =
    LazyLock::new(|| History { lots: LOTS.to_vec(), sessions: SESSIONS.clone() });

impl History {
    /// The two years and, behind them, further lots: each is tasted a month after it was made,
    /// with those that were made in the same month, on two days.
    #[must_use]
    pub fn with(further: &[Making]) -> Self {
        let mut all = TWO_YEARS.clone();
        let mut months: Vec<u32> = further.iter().map(|l| l.month).collect();
        months.sort_unstable();
        months.dedup();
        for month in months {
            let made = further.iter().filter(|l| l.month == month);
            let flight: Vec<Served> = made.map(|l| (l.number, Store::Main)).collect();
            all.sessions.push(SessionTruth { month: month + 1, flights: vec![flight; 2] });
        }
        all.lots.extend_from_slice(further);
        all
    }

    /// A lot by its number.
    #[must_use]
    pub fn lot(&self, number: u32) -> Option<&Making> {
        self.lots.iter().find(|l| l.number == number)
    }

    /// A lot's id: the year of its making and its running number; of number 0 the reference's.
    #[must_use]
    pub fn lot_id(&self, number: u32) -> String {
        self.lot(number).map_or_else(
            || REFERENCE.to_owned(),
            |lot| format!("T{}-{number:02}", FIRST_YEAR + lot.month / 12),
        )
    }

    /// A sample's name: the lot's id, with the arm if it is of one.
    #[must_use]
    pub fn sample_id(&self, served: Served) -> String {
        let lot = self.lot_id(served.0);
        match served.1 {
            Store::Main => lot,
            Store::Dry => format!("{lot}@dry"),
            Store::Humid => format!("{lot}@humid"),
        }
    }

    /// What stands behind a lot's id and an arm's.
    #[must_use]
    pub fn served_of(&self, lot: &str, arm: &str) -> Served {
        let number = self.lots.iter().map(|l| l.number).find(|n| self.lot_id(*n) == lot);
        let store = match arm {
            "dry" => Store::Dry,
            "humid" => Store::Humid,
            _ => Store::Main,
        };
        (number.unwrap_or(0), store)
    }

    /// What stands behind a sample's name.
    #[must_use]
    pub fn served(&self, sample: &str) -> Served {
        let (lot, arm) = sample.split_once('@').unwrap_or((sample, "main"));
        self.served_of(lot, arm)
    }

    /// When a lot was made: the lots of a season are made a day after each other.
    #[must_use]
    pub fn made(&self, lot: &Making) -> Day {
        let of_month = self.lots.iter().filter(|l| l.month == lot.month);
        let first = of_month.map(|l| l.number).min().unwrap_or(lot.number);
        day_of(f64::from(lot.month), i64::from(lot.number - first))
    }

    /// The day on which a lot was first tasted, after which it is split.
    #[must_use]
    pub fn first_tasted(&self, number: u32) -> Option<Day> {
        self.sessions
            .iter()
            .find(|s| s.flights.iter().any(|f| f.iter().any(|(n, _)| *n == number)))
            .map(|s| session_day(s, s.flights.len() - 1))
    }

    /// The session and flight in which a lot was served first, by their places.
    #[must_use]
    pub fn first_served(&self, number: u32) -> Option<(usize, usize)> {
        let places = self.sessions.iter().enumerate().flat_map(|(s, session)| {
            session.flights.iter().enumerate().map(move |(f, flight)| (s, f, flight))
        });
        let mut here = places.filter(|(_, _, flight)| flight.contains(&(number, Store::Main)));
        here.next().map(|(s, f, _)| (s, f))
    }

    /// Ages, in months, of a sample on a day and of its lot when it was split.
    #[must_use]
    pub fn ages(&self, served: Served, day: Day) -> (f64, f64) {
        let Some(lot) = self.lot(served.0) else { return (0.0, f64::INFINITY) };
        let made = self.made(lot);
        let split = self.first_tasted(lot.number).filter(|_| served.1 != Store::Main);
        (day.months_since(made), split.map_or(f64::INFINITY, |d| d.months_since(made)))
    }

    /// The first day on which anything was tasted: the months of the scores count from it.
    #[must_use]
    pub fn start(&self) -> Day {
        self.sessions.first().map_or_else(|| day_of(0.0, 0), |s| session_day(s, 0))
    }
}

pub(super) fn day_of(month: f64, further: i64) -> Day {
    let first: Day = FIRST_DAY.parse().expect("a day");
    first.later((month * DAYS_A_MONTH).round() as i64 + further)
}

/// The day of a session's flight: a session whose first flight comes twice takes two days.
pub(super) fn session_day(session: &SessionTruth, flight: usize) -> Day {
    let twice = session.flights.len() > 1 && session.flights[0] == session.flights[1];
    day_of(f64::from(session.month), 4 + i64::from(twice && flight > 0))
}
