//! Blind sessions: planned, sealed, tasted, closed, revealed.
//!
//! Only this module can open a key. What is known before the reveal is arranged by the public
//! order seed ([`orders`]); which lot stands behind a code is dealt by the secret deal seed and
//! lives in the key alone (private modules `key` and `deal`). Nothing outside the key, except
//! its digest, depends on the deal.

pub mod afterwards;
pub mod answers;
pub mod ballots;
pub mod changes;
pub mod check;
pub mod close;
mod deal;
pub mod draws;
pub mod enter;
mod key;
pub mod orders;
pub mod papers;
pub mod plan;
pub mod pour;
mod reserve;
pub mod reveal;
pub mod sample;
pub mod state;

pub use afterwards::write_key;
pub use changes::{Scope, exclude, readmit};
pub use close::{close, void};
pub use enter::{Amend, Answer, Entered, Given, HandIn, enter_lines};
pub use key::{DealSecret, key_schema};
pub use plan::{Duplicates, FlightRequest, PlanRequest, Planned, Terms, plan};
pub use reveal::{CupScore, Guess, Revealed, RevealedCup, all_revealed, reveal, revealed};
pub use sample::{Role, Sample};
pub use state::{Session, State};
