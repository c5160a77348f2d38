//! Lots' means as scored and corrected for offsets, scale use and noise: one line a term.

use super::agree::reasons;
use super::text::{Side, Table, dash, heading, number, paragraph};
use crate::findings::agree::Agree;
use crate::findings::taster_model::LotMeans;

/// The part of the text of `agree`.
pub(super) fn text(f: &Agree) -> String {
    let mut t = Table::new(&[
        ("term", Side::Left),
        ("lots, sd", Side::Right),
        ("slopes", Side::Right),
        ("noises, sd", Side::Right),
        ("lot that moves most", Side::Left),
        ("plain", Side::Right),
        ("corrected", Side::Right),
    ]);
    let mut missing = Vec::new();
    for term in &f.terms {
        let m = match &term.taster_model {
            crate::findings::Answer::Known(m) => m,
            crate::findings::Answer::Unknown(u) => {
                // Ticks and categories have tables of their own.
                if term.panel.model.known().is_some() {
                    missing.push((term.panel.term.clone(), u.reason.as_str()));
                }
                continue;
            }
        };
        let range = |of: &mut dyn Iterator<Item = f64>| {
            let (low, high) =
                of.fold((f64::INFINITY, f64::NEG_INFINITY), |r, x| (r.0.min(x), r.1.max(x)));
            if low <= high { format!("{} to {}", number(low, 2), number(high, 2)) } else { dash() }
        };
        let moves = |l: &&LotMeans| (l.corrected - l.adjusted).abs();
        let most = m.lots.iter().max_by(|a, b| moves(a).total_cmp(&moves(b)));
        t.row(vec![
            term.panel.term.clone(),
            number(m.lot_sd, 2),
            range(&mut m.tasters.iter().filter_map(|x| Some(x.slope.known()?.value))),
            range(&mut m.tasters.iter().filter_map(|x| Some(x.noise.known()?.value))),
            most.map_or_else(dash, |l| l.lot.clone()),
            most.map_or_else(dash, |l| number(l.adjusted, 2)),
            most.map_or_else(dash, |l| number(l.corrected, 2)),
        ]);
    }
    if t.is_empty() {
        return String::new();
    }
    let mut out = heading("Lots corrected for the tasters' offsets, scale use and noise");
    out.push_str(&t.show());
    out.push_str(&paragraph(
        "slopes, noises: the lowest and the highest taster's, found together; slopes average 1. \
         plain: offsets (and sessions) taken off, every score weighing alike. Every lot and taster, \
         with intervals: --json.",
        "  ",
        "  ",
    ));
    out.push_str(&reasons(&missing));
    out
}
