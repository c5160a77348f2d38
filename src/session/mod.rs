//! Blind sessions: planned, sealed, tasted, closed, revealed.
//!
//! Only this module can open a key. What is known before the reveal is arranged by the public
//! order seed ([`orders`]); which lot stands behind a code is dealt by the secret deal seed and
//! lives in the key alone.

pub mod draws;
pub mod orders;
