//! Blind sessions: planned, sealed, tasted, closed, revealed.
//!
//! Only this module can open a key. What is known before the reveal is arranged by the public
//! order seed ([`orders`]); which lot stands behind a code is dealt by the secret deal seed and
//! lives in the key alone (private modules `key` and `deal`). Nothing outside the key, except
//! its digest, depends on the deal.
//!
//! What a plan says to everybody: who tastes which codes in which order, how many cups a flight
//! has, which code is the warm-up cup, how cups are brewed, what is asked. What it does not say:
//! which lots are in the session, which flights are replicates of each other, which cups are
//! duplicates or the reference. Lots leave a sealed key by one way only: the pouring plan
//! ([`pour::pouring_plan`]), which is logged and refused to a taster of the session.
//!
//! What this does not do: key.toml is plain text, so whoever may read the book's folder can read
//! it. The digest shows that a key was not exchanged, not that nobody looked. And planning says
//! how much of a reserve is left, less what sealed sessions will draw: that a lot is in some
//! sealed session can be told from it, though never behind which code.

pub mod afterwards;
pub mod answers;
mod asked;
pub mod ballots;
pub mod before_made;
pub mod changes;
pub mod check;
pub mod close;
mod deal;
pub mod draws;
pub mod enter;
pub mod incomplete;
mod key;
pub mod late;
pub mod live;
pub mod musty;
pub mod orders;
pub mod papers;
pub mod plan;
pub mod pour;
mod request;
mod reserve;
pub mod reveal;
mod revealed_sets;
pub mod sample;
pub mod sequences;
pub mod sets;
mod shape;
pub mod splitting;
pub mod standing;
pub mod state;
pub mod unfit;

pub use afterwards::write_key;
pub use changes::{Scope, exclude, readmit};
pub use close::{close, void};
pub use enter::{Amend, Answer, Entered, Gap, Given, HandIn, enter_lines, enter_unseen};
pub use key::{DealSecret, key_schema};
pub use plan::{Balance, Duplicates, FlightRequest, PlanRequest, Planned, Terms, plan, preview};
pub use reveal::{
    CupScore, Guess, Revealed, RevealedCup, Served, all_revealed, all_scored, reveal, revealed,
};
pub use revealed_sets::{Choice, RankGiven};
pub use sample::{Role, Sample};
pub use state::{Session, State};
