//! How the lots were made, as the scores are linked to it: one value a lot and parameter. It comes
//! from a book or from any plain table with one row a lot.

use std::collections::BTreeMap;

use crate::book::parameters::Role;

/// A value of a parameter, as it can be put into a model.
#[derive(Debug, Clone, PartialEq)]
pub enum Made {
    /// A number, in the parameter's unit.
    Number(f64),
    /// A category, by its name.
    Category(String),
    /// Yes or no.
    YesNo(bool),
}

/// A value with what is known of it.
#[derive(Debug, Clone, PartialEq)]
pub struct MadeValue {
    /// The value.
    pub value: Made,
    /// Whether it, or anything that it was worked out from, was estimated.
    pub estimated: bool,
}

/// A parameter of making, with its value for each lot that has one.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct MadeParameter {
    /// Its id.
    pub id: String,
    /// The unit of its numbers.
    pub unit: Option<String>,
    /// Whether the maker sets it.
    pub role: Role,
    /// The usual range of its numbers, for guidance.
    pub usual: Option<[f64; 2]>,
    /// How it is worked out, in words, if it is.
    pub derived_from: Option<String>,
    /// Its values by lot.
    pub values: BTreeMap<String, MadeValue>,
    /// Its values by lot under other assumptions than the book's, with what is assumed in words
    /// ("q10 1.5"): whatever is found should not hang on which of them holds.
    pub variants: Vec<(String, BTreeMap<String, f64>)>,
}

/// A parameter that is not taken, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotTaken {
    /// Its id.
    pub id: String,
    /// Why, in words.
    pub reason: String,
}

/// How all lots were made.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Makings {
    /// Where it was read, in words.
    pub source: String,
    /// All lots of which something is known.
    pub lots: Vec<String>,
    /// For a lot that was split off from another, the lot that it all was before.
    pub parts_of: BTreeMap<String, String>,
    /// For a lot that was made for a trial, the trial and its run.
    pub trial_runs: BTreeMap<String, (String, u32)>,
    /// When each was made, in months on the time axis of the scores, where it is known.
    pub made: BTreeMap<String, f64>,
    /// The parameters, in their order.
    pub parameters: Vec<MadeParameter>,
    /// Those not taken.
    pub not_taken: Vec<NotTaken>,
    /// What to know about them, in sentences.
    pub notes: Vec<String>,
}

impl Makings {
    /// Takes a parameter out, for a reason.
    pub fn leave_out(&mut self, id: &str, reason: &str) {
        let before = self.parameters.len();
        self.parameters.retain(|p| p.id != id);
        if self.parameters.len() < before {
            self.not_taken.push(NotTaken { id: id.to_owned(), reason: reason.to_owned() });
        }
    }

    /// Sets the usual ranges that are known.
    pub fn set_usual(&mut self, known: impl Fn(&str) -> Option<[f64; 2]>) {
        for p in &mut self.parameters {
            p.usual = known(&p.id);
        }
    }

    /// The parameter of an id, which is added at the end if it is new.
    pub(super) fn parameter(&mut self, id: &str) -> &mut MadeParameter {
        let at = self.parameters.iter().position(|p| p.id == id).unwrap_or_else(|| {
            self.parameters.push(MadeParameter { id: id.to_owned(), ..MadeParameter::default() });
            self.parameters.len() - 1
        });
        &mut self.parameters[at]
    }
}
