//! Findings on paper: which number goes where on a printed page.

mod age;
mod trial;

pub use age::age;
pub use trial::trial;
