//! All that a taster's phone needs: the taster's own part of the plan, and what was answered.

use serde_json::{Map, Value, json};

use super::live::ShownTimer;
use crate::book::book_file::GoBack;
use crate::book::labels::Labels;
use crate::book::session_files::{AnswerState, Flight, Kind, SessionFile};
use crate::book::vocabulary::{Ends, FAULT_LEVELS, Level, Scale, Term};
use crate::book::{Book, BookError};
use crate::plots::Lang;
use crate::session::live::{NOTE_MOST, Now};
use crate::sheets::{both_cautions, fault_words};

/// Writes it. Nothing in it is of other tasters, nothing of what is in the cups.
pub(super) fn of(
    book: &Book,
    now: &Now,
    token: &str,
    timer: Option<ShownTimer>,
) -> Result<Value, BookError> {
    let plan = now.session.plan();
    let taster = &now.ballot.taster;
    let own = book.book_file()?.value;
    let tasters = book.tasters()?.value;
    let name = tasters.taster(taster).and_then(|t| t.name.as_deref()).unwrap_or(taster);
    Ok(json!({
        "schema": "ballot/1",
        "session": now.session.name,
        "day": plan.day.to_string(),
        "taster": taster,
        "name": name,
        "state": now.state.to_string(),
        "kind": plan.kind.word(),
        "token": token,
        "changed": now.changed,
        "language": if own.language().starts_with("zh") { "zh" } else { "en" },
        "n_steeps": plan.n_steeps(),
        "recipe": recipe(plan),
        "key_digest": plan.key_digest,
        "settings": {
            "go_back": match own.ballot.go_back { GoBack::Cup => "cup", GoBack::Flight => "flight" },
            "rest_s": own.ballot.rest_s,
            "guess": plan.guess,
        },
        "ties": plan.test.as_ref().is_some_and(|t| t.ties),
        "families": plan.families.iter()
            .map(|f| json!({"id": f.id, "label": words(&f.labels, &f.id)}))
            .collect::<Vec<_>>(),
        "terms": plan.terms.iter().map(term).collect::<Vec<_>>(),
        "flights": plan.flights.iter().map(|f| flight(plan, f, now)).collect::<Vec<_>>(),
        "answers": answers(now),
        "timer": timer,
        "cautions": both_cautions().iter()
            .map(|(en, zh)| json!({"en": en, "zh": zh}))
            .collect::<Vec<_>>(),
    }))
}

fn words(labels: &Labels, id: &str) -> Value {
    json!({"en": labels.or("en", id), "zh": labels.or("zh", id)})
}

fn recipe(plan: &SessionFile) -> Value {
    let r = &plan.recipe;
    json!({
        "id": r.id,
        "label": words(&r.labels, &r.id),
        "leaf_g": r.leaf_g,
        "water_ml": r.water_ml,
        "water_c": r.water_c,
        "rinse_s": r.rinse_s,
        "steeps_s": r.steeps_s,
        "vessel": r.vessel.as_ref().map(|_| json!({"en": r.vessel_in("en"), "zh": r.vessel_in("zh")})),
        "water": r.water.as_ref().map(|_| json!({"en": r.water_in("en"), "zh": r.water_in("zh")})),
    })
}

fn term(term: &Term) -> Value {
    let text = |labels: &Labels| (!labels.is_empty()).then(|| words(labels, ""));
    json!({
        "id": term.id,
        "family": term.family,
        "label": words(&term.labels, &term.id),
        "definition": text(&term.definition),
        "reference": term.reference.as_ref().map(|r| json!({"en": r, "zh": r})),
        "scale": scale(&term.scale),
    })
}

fn scale(scale: &Scale) -> Value {
    let line = |low: f64, high: f64, step: f64, ends: &Ends| {
        let ends: Map<String, Value> =
            ends.iter().map(|(language, [a, b])| (language.clone(), json!([a, b]))).collect();
        json!({"kind": scale.kind().word(), "low": low, "high": high, "step": step, "ends": ends})
    };
    let levels = |levels: &[Level]| {
        let each: Vec<Value> =
            levels.iter().map(|l| json!({"id": l.id, "label": words(&l.labels, &l.id)})).collect();
        json!({"kind": scale.kind().word(), "levels": each})
    };
    match scale {
        Scale::Line { low, high, step, ends } | Scale::Bipolar { low, high, step, ends } => {
            line(*low, *high, *step, ends)
        }
        Scale::Ordered { levels: l } | Scale::Nominal { levels: l } => levels(l),
        Scale::Fault => {
            let (en, zh) = (fault_words(Lang::En), fault_words(Lang::Zh));
            let each: Vec<Value> = (0..FAULT_LEVELS.len())
                .map(|i| json!({"id": i.to_string(), "label": {"en": en[i], "zh": zh[i]}}))
                .collect();
            json!({"kind": "fault", "levels": each})
        }
        Scale::Tick => json!({"kind": scale.kind().word()}),
        Scale::Note => json!({"kind": scale.kind().word(), "most": NOTE_MOST}),
    }
}

fn flight(plan: &SessionFile, flight: &Flight, now: &Now) -> Value {
    let order = flight.order_of(&now.ballot.taster);
    let reference = order.first().filter(|_| plan.kind == Kind::DuoTrio);
    let handed_in: Vec<u16> = now.ballot.cups_handed_in().filter(|c| order.contains(c)).collect();
    json!({
        "number": flight.number,
        "day": flight.day.to_string(),
        "warm_up": flight.warm_up,
        "cups": order,
        "reference": reference,
        "handed_in": now.ballot.is_handed_in(flight.number),
        "cups_handed_in": handed_in,
    })
}

fn answers(now: &Now) -> Vec<Value> {
    let mut lines: Vec<_> = now.ballot.answers().map(|(_, line)| line).collect();
    lines.sort_by_key(|l| l.n);
    lines
        .into_iter()
        .filter(|l| l.state != AnswerState::HandedIn)
        .map(|l| {
            json!({
                "entry": l.entry,
                "cup": l.cup,
                "steep": l.steep,
                "term": l.term,
                "value": l.value,
                "state": l.state.word(),
                "note": l.note,
            })
        })
        .collect()
}
