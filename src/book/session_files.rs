//! The descriptions in a session's folder, but for the key: what they hold, not what it means.
//!
//! Nothing here says which lot a code is.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

use super::ids;
use super::recipes::Recipe;
pub use super::session_logs::{AnswerState, BallotLine, Change, ChangeLine, PourLine};
use super::time::{Day, Moment};
use super::vocabulary::{Family, Scale, Term};

/// The lowest and highest code of a cup.
pub const CODES: (u16, u16) = (100, 999);

/// session.toml: the plan of a session, as much of it as tasters may see.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "session.toml")]
pub struct SessionFile {
    /// The format of this file: 1.
    #[schemars(range(min = 1, max = 1))]
    pub format: u64,
    /// What is asked: profile (score terms), ranking (put cups in order), triangle (two are the
    /// same, which is odd?), duo-trio (which of two is the same as the reference?) or paired
    /// (which of two has more of a term?).
    #[schemars(with = "String", extend("enum" = ["profile", "ranking", "triangle", "duo-trio", "paired"]))]
    pub kind: Kind,
    /// When it was planned.
    pub planned: Moment,
    /// The day of the first flight.
    pub day: Day,
    /// Who tastes.
    #[schemars(length(min = 1, max = 60), inner(regex(pattern = ids::PATTERN)))]
    pub tasters: Vec<String>,
    /// The public seed that arranges codes and serving orders: 0 to 4294967295.
    #[schemars(range(min = 0, max = 4_294_967_295_u32))]
    pub order_seed: u32,
    /// Whether tasters are asked which lot they think a cup is.
    #[serde(default)]
    pub guess: bool,
    /// What was decided about the test before anybody tasted; missing in a profile session.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub test: Option<TestPlan>,
    /// SHA-256 of the key's canonical text. Missing where somebody pours and tastes alone: then
    /// the key is made after closing and nothing was committed beforehand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(regex(pattern = r"^[0-9a-f]{64}$"))]
    pub key_digest: Option<String>,
    /// How the cups are brewed, as the recipe stood when the session was planned.
    pub recipe: Recipe,
    /// The flights.
    #[serde(rename = "flight")]
    #[schemars(length(min = 1))]
    pub flights: Vec<Flight>,
    /// The groups of terms, as they stood when the session was planned.
    #[serde(default, rename = "family", skip_serializing_if = "Vec::is_empty")]
    pub families: Vec<Family>,
    /// The terms that are asked, with their scales and labels as they stood when the session was
    /// planned; none in a triangle or duo-trio session.
    #[serde(default, rename = "term", skip_serializing_if = "Vec::is_empty")]
    pub terms: Vec<Term>,
}

/// What was decided about a test before anybody tasted. Which lot was expected to have more of
/// the term stands in the key.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct TestPlan {
    /// How often a difference may be claimed where there is none: more than 0, less than 0.5.
    #[schemars(extend("exclusiveMinimum" = 0, "exclusiveMaximum" = 0.5))]
    pub alpha: f64,
    /// Where likeness is to be shown: the share of people telling the two apart that would
    /// matter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(extend("exclusiveMinimum" = 0, "exclusiveMaximum" = 1))]
    pub distinguishers: Option<f64>,
    /// Where likeness is to be shown: how often that share is to be noticed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(extend("exclusiveMinimum" = 0.5, "exclusiveMaximum" = 1))]
    pub power: Option<f64>,
    /// Whether a ranking may give several cups one rank.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub ties: bool,
}

/// What a session asks.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
#[schemars(inline)]
pub enum Kind {
    /// Score terms.
    Profile,
    /// Put the cups in order by a term.
    Ranking,
    /// Three cups of two lots: which is the odd one?
    Triangle,
    /// A reference and two cups: which of the two is the same as the reference?
    DuoTrio,
    /// Two cups: which has more of a term?
    Paired,
}

impl Kind {
    /// All kinds.
    pub const ALL: [Self; 5] =
        [Self::Profile, Self::Ranking, Self::Triangle, Self::DuoTrio, Self::Paired];

    /// The word for it in files and commands.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Profile => "profile",
            Self::Ranking => "ranking",
            Self::Triangle => "triangle",
            Self::DuoTrio => "duo-trio",
            Self::Paired => "paired",
        }
    }

    /// What it asks, in a few words.
    #[must_use]
    pub fn meaning(self) -> &'static str {
        match self {
            Self::Profile => "score terms",
            Self::Ranking => "put cups in order by a term",
            Self::Triangle => "two of three cups are the same tea: which is odd?",
            Self::DuoTrio => "which of two cups is the same tea as the reference?",
            Self::Paired => "which of two cups has more of a term?",
        }
    }

    /// The kind of a word.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|k| k.word() == word)
    }

    /// Whether each set of cups has one answer: one of its codes.
    #[must_use]
    pub fn is_choice(self) -> bool {
        matches!(self, Self::Triangle | Self::DuoTrio | Self::Paired)
    }
}

/// Cups that are tasted one after the other.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct Flight {
    /// Its number, from 1.
    #[schemars(range(min = 1))]
    pub number: u32,
    /// The day on which it is to be tasted.
    pub day: Day,
    /// The codes of its cups, 100 to 999, ascending.
    #[schemars(length(min = 1), inner(range(min = 100, max = 999)))]
    pub cups: Vec<u16>,
    /// The code of a cup that everybody tastes first and nobody scores.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 100, max = 999))]
    pub warm_up: Option<u16>,
    /// For somebody who pours and tastes alone: for each of the cups, in the order above, the
    /// place of the tin on the shelf, from 1, that it is brewed from.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(inner(range(min = 1)))]
    pub shelf: Vec<u32>,
    /// As `shelf`, for the warm-up cup.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1))]
    pub warm_up_shelf: Option<u32>,
    /// The codes among the cups that are served as the reference of a duo-trio.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schemars(inner(range(min = 100, max = 999)))]
    pub references: Vec<u16>,
    /// For each taster the cups in the order of tasting, without the warm-up cup: all of them,
    /// or those that the taster is served. The first of a duo-trio is the reference.
    pub orders: BTreeMap<String, Vec<u16>>,
}

impl Flight {
    /// All codes of the flight, the warm-up cup first.
    pub fn codes(&self) -> impl Iterator<Item = u16> + '_ {
        self.warm_up.into_iter().chain(self.cups.iter().copied())
    }

    /// The scored cups that a taster has, in the order in which the taster has them.
    #[must_use]
    pub fn order_of(&self, taster: &str) -> &[u16] {
        self.orders.get(taster).map_or(&[], Vec::as_slice)
    }
}

/// What a session asks of a taster.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Load {
    /// Who.
    pub taster: String,
    /// All cups, warm-up cups among them.
    pub cups: usize,
    /// Seconds of rinses and steeps, one pot after the other.
    pub steeping_s: u64,
    /// Answers in a profile session, notes and guesses left out; 0 in others.
    pub answers: usize,
    /// The most of them in one flight.
    pub answers_in_a_flight: usize,
}

impl Load {
    /// Seconds that answering takes.
    #[must_use]
    pub fn answering_s(&self) -> u64 {
        SECONDS_AN_ANSWER * self.answers as u64
    }

    /// Whether a flight asks more than attention lasts for.
    #[must_use]
    pub fn is_too_much(&self) -> bool {
        self.answers_in_a_flight > ANSWERS_A_FLIGHT
    }
}

/// An answer takes about so long (common practice, no source).
pub const SECONDS_AN_ANSWER: u64 = 8;

/// A flight that asks for more answers is more than attention lasts for (common practice, no source).
pub const ANSWERS_A_FLIGHT: usize = 100;

impl SessionFile {
    /// The flight in which a code is served.
    #[must_use]
    pub fn flight_of(&self, code: u16) -> Option<&Flight> {
        self.flights.iter().find(|f| f.codes().any(|c| c == code))
    }

    /// The frozen term of an id.
    #[must_use]
    pub fn term(&self, id: &str) -> Option<&Term> {
        self.terms.iter().find(|t| ids::same(&t.id, id))
    }

    /// How many steeps of each cup are tasted.
    #[must_use]
    pub fn n_steeps(&self) -> u32 {
        u32::try_from(self.recipe.steeps_s.len()).unwrap_or(u32::MAX).max(1)
    }

    /// What the session asks of each taster: cups, and the time that they steep.
    #[must_use]
    pub fn loads(&self) -> Vec<Load> {
        let a_cup: u64 = self.recipe.rinse_s.map_or(0, u64::from)
            + self.recipe.steeps_s.iter().map(|s| u64::from(*s)).sum::<u64>();
        let terms = self.terms.iter().filter(|t| !matches!(t.scale, Scale::Note));
        let a_cup_asks = match self.kind {
            Kind::Profile => terms.count() * self.n_steeps() as usize,
            _ => 0,
        };
        let of = |taster: &String| {
            let scored: Vec<usize> =
                self.flights.iter().map(|f| f.order_of(taster).len()).collect();
            let most = scored.iter().max().copied().unwrap_or(0);
            let scored: usize = scored.iter().sum();
            let cups = scored + self.flights.iter().filter(|f| f.warm_up.is_some()).count();
            Load {
                taster: taster.clone(),
                cups,
                steeping_s: a_cup * cups as u64,
                answers: a_cup_asks * scored,
                answers_in_a_flight: a_cup_asks * most,
            }
        };
        self.tasters.iter().map(of).collect()
    }

    /// The cups of a flight that a taster may name as an answer: all that the taster is served,
    /// but for the reference of a duo-trio.
    #[must_use]
    pub fn answerable<'a>(&self, flight: &'a Flight, taster: &str) -> &'a [u16] {
        let order = flight.order_of(taster);
        if self.kind == Kind::DuoTrio { order.get(1..).unwrap_or(&[]) } else { order }
    }

    /// Whether somebody pours and tastes alone, so that the key comes after closing.
    #[must_use]
    pub fn is_alone(&self) -> bool {
        self.key_digest.is_none()
    }
}

/// close.toml: no more scores.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "close.toml")]
pub struct CloseFile {
    /// The format of this file: 1.
    #[schemars(range(min = 1, max = 1))]
    pub format: u64,
    /// When it was closed.
    pub closed: Moment,
    /// The ballots as they stood.
    #[serde(default, rename = "ballot", skip_serializing_if = "Vec::is_empty")]
    pub ballots: Vec<ClosedBallot>,
    /// The ballots that had not been handed in.
    #[serde(default, rename = "missing", skip_serializing_if = "Vec::is_empty")]
    pub missing: Vec<MissingBallot>,
}

/// A ballot as it stood when the session was closed. Later lines are amendments.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct ClosedBallot {
    /// Whose it is.
    #[schemars(regex(pattern = ids::PATTERN))]
    pub taster: String,
    /// How many lines it had, without the header line.
    pub lines: u64,
    /// SHA-256 of its text up to there, with line ends as one character.
    #[schemars(regex(pattern = r"^[0-9a-f]{64}$"))]
    pub digest: String,
}

/// A ballot that had not been handed in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(inline)]
pub struct MissingBallot {
    /// Whose it is.
    #[schemars(regex(pattern = ids::PATTERN))]
    pub taster: String,
    /// Of which flight.
    pub flight: u32,
}

/// reveal.toml: the key was opened.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "reveal.toml")]
pub struct RevealFile {
    /// The format of this file: 1.
    #[schemars(range(min = 1, max = 1))]
    pub format: u64,
    /// When it was opened.
    pub revealed: Moment,
    /// SHA-256 of the key's canonical text, found to be right.
    #[schemars(regex(pattern = r"^[0-9a-f]{64}$"))]
    pub key_digest: String,
    /// Whether that digest was in session.toml, and on the ballots, before anybody tasted.
    pub committed_beforehand: bool,
}

/// void.toml: the session does not count.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "void.toml")]
pub struct VoidFile {
    /// The format of this file: 1.
    #[schemars(range(min = 1, max = 1))]
    pub format: u64,
    /// When it was declared void.
    pub voided: Moment,
    /// Why.
    #[schemars(length(min = 1, max = 2000))]
    pub reason: String,
    /// Whether the leaf had been brewed and is taken from the reserves.
    pub brewed: bool,
}
