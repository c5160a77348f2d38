//! What can a buyer be told of a sample?
//!
//! Everything that its sheet says, as numbers, days and the words of the book. What the panel could not tell is
//! counted and not shown; names of tasters, other lots, reserves and free notes are not taken up at all, so that
//! no view can print them.

mod counts;
mod cup;
mod facts;
mod movement;
mod subject;
mod unfit;

use schemars::JsonSchema;
use serde::Serialize;

use super::{Answer, Settings};
use crate::book::book_file::BookFile;
use crate::book::labels::Labels;
use crate::book::lots::Lot;
use crate::book::parameters::Parameters;
use crate::book::tasters::Tasters;
use crate::book::time::Day;
use crate::session::Revealed;

pub use counts::{Category, Counts, EarlierFault, Fault, LevelCount, Tick};
pub use cup::{BestWord, Compared, Cup, CupRow, Interval, NotPrinted};
pub use facts::{Brewing, Conditions, Descent, Identity, Made, MadeValue, Moisture, Stored};
pub use movement::{Moved, Movement};
pub use subject::{NotIssued, Subject, subject};
pub use unfit::{TooDamp, Water};

/// A sheet has at most so many rows in its profile of the cup.
pub const MOST_ROWS: usize = 10;

/// The finding.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Sheet {
    /// "sheet/1".
    pub schema: String,
    /// How the analysis was made.
    pub settings: Settings,
    /// Lot, or lot@arm.
    pub sample: String,
    /// Who issues it.
    pub issuer: Issuer,
    /// What it is.
    pub identity: Identity,
    /// The day from which it is in quarantine, if it is: then it is neither offered nor tasted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub quarantined_since: Option<Day>,
    /// What its leaf was measured to hold that is not below the book's limits for keeping it: then it is not offered until
    /// it was dried again and measured again.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub too_damp: Vec<TooDamp>,
    /// The latest moisture that is known.
    pub moisture: Answer<Moisture>,
    /// How it was made, step by step; masses and moments are left out.
    pub making: Vec<Made>,
    /// When and how it was last tasted.
    pub tasted: Tasted,
    /// The cup: levels on scales.
    pub cup: Cup,
    /// How often each word was ticked, the most frequent first.
    pub ticks: Vec<Tick>,
    /// How often each category was given.
    pub categories: Vec<Category>,
    /// How often each fault was found.
    pub faults: Vec<Fault>,
    /// Faults that were found at an earlier tasting of the same tea.
    pub earlier_faults: Vec<EarlierFault>,
    /// How it is stored.
    pub stored: Stored,
    /// How it moved in store.
    pub movement: Answer<Movement>,
    /// How the cups were brewed.
    pub brewing: Brewing,
}

/// Who issues a sheet.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Issuer {
    /// The title of the book.
    pub title: String,
    /// Where the panel tastes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// Metres above the sea.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub altitude_m: Option<f64>,
}

/// The last tasting.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Tasted {
    /// The days on which this sample was scored.
    pub days: Vec<Day>,
    /// Months from the day of making to the last of them.
    pub age_months: f64,
    /// Whether that was before it was split off: as a part of what it comes from.
    pub before_the_split: bool,
    /// Revealed sessions in which it was tasted, this one among them.
    pub n_sessions: usize,
    /// Tasters who scored it.
    pub n_tasters: usize,
    /// Whether there are so few that these are individual opinions.
    pub individual_opinions: bool,
    /// Its cups (codes).
    pub n_cups: usize,
    /// Pots that were brewed of it.
    pub n_pots: usize,
    /// Steeps of each cup.
    pub n_steeps: u32,
    /// Answers that count, over all terms.
    pub n_answers: usize,
    /// Answers that were left out, each with a reason in the book.
    pub n_left_out: usize,
    /// Changes to the session that were made after the lots were known.
    pub n_late_changes: usize,
    /// Other samples in that session.
    pub n_others: usize,
    /// Whether a reference that stays the same was served too.
    pub reference_served: bool,
    /// Whether which code was which sample was sealed before anybody tasted.
    pub committed_beforehand: bool,
    /// SHA-256 of the sealed key.
    pub key_digest: String,
    /// The day on which the key was opened.
    pub revealed: Day,
}

impl Sheet {
    /// Whether it is offered to nobody: in quarantine, or too damp to be kept.
    #[must_use]
    pub fn is_not_offered(&self) -> bool {
        self.quarantined_since.is_some() || !self.too_damp.is_empty()
    }
}

/// What a sheet is made from.
#[derive(Debug, Clone, Copy)]
pub struct Record<'a> {
    /// The book's description.
    pub book: &'a BookFile,
    /// All lots.
    pub lots: &'a [Lot],
    /// The parameters of making and storage.
    pub parameters: &'a Parameters,
    /// Who tastes: to keep their names out.
    pub tasters: &'a Tasters,
    /// All revealed sessions.
    pub sessions: &'a [Revealed],
}

/// A sheet, and what the person who issues it should know.
#[derive(Debug, Clone, PartialEq)]
pub struct ForIssue {
    /// The finding.
    pub sheet: Sheet,
    /// What was left out of it and why. It is for the maker alone.
    pub withheld: Vec<String>,
}

/// Makes the sheet of a sample.
///
/// # Errors
/// [`NotIssued`] if the sample was not tasted in a revealed session, or before it was made, or nothing was scored.
pub fn sheet(
    of: &Subject<'_>,
    record: &Record<'_>,
    settings: &Settings,
) -> Result<ForIssue, NotIssued> {
    let tastings = subject::tastings(of, record);
    let Some(last) = tastings.last() else {
        return Err(NotIssued::NotTasted { sample: of.to_string() });
    };
    subject::must_be_made(of, &tastings)?;
    let mut withheld = Vec::new();
    withheld.extend(unfit::to_look_at(of, record));
    let mut shy = facts::Shy::of(of.lot, record, &mut withheld);
    let identity = facts::identity(of, record, &mut shy);
    let making = facts::making(of, record, &mut shy);
    let stored = facts::stored(of, record, &mut shy);
    let brewing = facts::brewing(last.session, &mut shy);
    let tasted = subject::tasted(of, last, tastings.len());
    let counts = Counts::of(last);
    let limit = record.book.limits.sheet_half_width;
    let (cup, movement) = rayon::join(
        || cup::cup(last, &tasted, &counts.ticks, limit, settings),
        || movement::movement(of, &tastings, record, settings),
    );
    let cup = cup?;
    let sheet = Sheet {
        schema: "sheet/1".to_owned(),
        settings: *settings,
        sample: of.to_string(),
        issuer: Issuer {
            title: record.book.title.clone(),
            place: record.book.place.clone(),
            altitude_m: record.book.altitude_m,
        },
        identity,
        quarantined_since: unfit::quarantined_since(of, record),
        too_damp: unfit::too_damp(of, record),
        moisture: facts::moisture(of, record),
        making,
        tasted,
        cup,
        ticks: counts.ticks,
        categories: counts.categories,
        faults: counts.faults,
        earlier_faults: counts::earlier_faults(&tastings),
        stored,
        movement,
        brewing,
    };
    Ok(ForIssue { sheet, withheld })
}

/// A text with its id, for languages that the book has no word in.
fn labelled(labels: &Labels, id: &str) -> Labels {
    if labels.is_empty() { Labels::english(id) } else { labels.clone() }
}
