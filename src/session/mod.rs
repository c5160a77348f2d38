//! Blind sessions: planned, sealed, tasted, closed, revealed.
//!
//! Only this module can open a key. What is known before the reveal is arranged by the public
//! order seed ([`orders`]); which lot stands behind a code is dealt by the secret deal seed and
//! lives in the key alone (private modules `key` and `deal`). Nothing outside the key, except
//! its digest, depends on the deal.

pub mod ballots;
pub mod changes;
pub mod check;
mod deal;
pub mod draws;
pub mod enter;
mod key;
pub mod orders;
pub mod plan;
mod reserve;
pub mod sample;
pub mod state;

pub use key::DealSecret;
pub use plan::{Duplicates, PlanRequest, Planned, Terms, plan};
pub use sample::{Role, Sample};
pub use state::{Session, State};
