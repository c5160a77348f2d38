//! Blindsteep.
