//! Terms of the vocabulary to be ticked, family by family.

use maud::{Markup, html};

use super::say::Say;
use crate::book::ids;
use crate::book::vocabulary::{Family, Term};

/// A box for each term, in the order of their families.
#[must_use]
pub fn term_boxes(say: Say, families: &[Family], terms: &[&Term], ticked: &[String]) -> Markup {
    html! {
        @for family in families {
            @let here: Vec<&&Term> = terms.iter().filter(|t| ids::same(&t.family, &family.id)).collect();
            @if !here.is_empty() {
                fieldset.family { legend { (family.labels.or(say.key(), &family.id)) }
                    div.ticks { @for t in here {
                        label.pick { input type="checkbox" name="term" value=(t.id) checked[ticked.iter().any(|k| ids::same(k, &t.id))]; span { (t.label(say.key())) } }
                    } }
                }
            }
        }
    }
}
