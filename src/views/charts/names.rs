//! What charts and pages call the terms and parameters of a book.

use std::collections::BTreeMap;

use super::Words;
use crate::book::parameters::Parameters;
use crate::book::trials::Level;
use crate::plots::Lang;
use crate::scores::{ScoredTerm, Scores, Trials};
use crate::sheets::lot::SEASONS;

/// The key of labels in the book's files.
fn key(lang: Lang) -> &'static str {
    match lang {
        Lang::En => "en",
        Lang::Zh => "zh",
    }
}

impl Words {
    /// What charts call the terms that were scored.
    #[must_use]
    pub fn of(scores: &Scores, lang: Lang) -> Self {
        let key = key(lang);
        let terms = scores.terms().iter().map(|t| {
            let ends = t.end_words.get(key).or_else(|| t.end_words.get("en"));
            let ends = ends.map(|[low, high]| (low.clone(), high.clone()));
            (t.id.clone(), (t.labels.or(key, &t.id).to_owned(), ends))
        });
        let of_levels = |t: &ScoredTerm| -> Vec<((String, String), String)> {
            let own = t.level_words.iter();
            own.map(|(id, l)| ((t.id.clone(), id.clone()), l.or(key, id).to_owned())).collect()
        };
        let levels = scores.terms().iter().flat_map(of_levels).collect();
        Self { lang, terms: terms.collect(), levels, ..Self::default() }
    }

    /// What charts and pages call the terms by which sets of cups were compared.
    #[must_use]
    pub fn of_trials(trials: &Trials, lang: Lang) -> Self {
        let key = key(lang);
        let terms = trials.labels.iter();
        let terms = terms.map(|(id, l)| (id.clone(), (l.or(key, id).to_owned(), None)));
        Self { lang, terms: terms.collect(), ..Self::default() }
    }

    /// What a level of a term's scale is called.
    #[must_use]
    pub fn level(&self, term: &str, id: &str) -> String {
        let known = self.levels.get(&(term.to_owned(), id.to_owned()));
        known.cloned().unwrap_or_else(|| id.to_owned())
    }

    /// A setting of a parameter, with its unit.
    #[must_use]
    pub fn setting(&self, parameter: &str, level: &Level, unit: Option<&str>) -> String {
        match level {
            Level::YesNo(yes) => {
                let (en, zh) = if *yes { ("yes", "是") } else { ("no", "否") };
                self.pick(en, zh).to_owned()
            }
            // A category is called "name: category" there.
            Level::Word(word) => {
                let known = self.parameters.get(&format!("{parameter}={word}"));
                known.map_or_else(|| word.clone(), |k| category(k, self.lang).to_owned())
            }
            Level::Number(_) => level.shown(unit),
        }
    }
}

/// The category alone, of a name that has the parameter's before it.
#[must_use]
pub fn category(name: &str, lang: Lang) -> &str {
    name.rsplit_once(lang.colon()).map_or(name, |(_, own)| own)
}

/// What the program itself calls what it works out, and what a lot is.
const OWN_NAMES: [(&str, &str, &str); 15] = [
    ("derived.mass-loss", "mass lost from fresh leaf", "总失重率"),
    ("derived.wither-moisture", "moisture of the withered leaf", "萎凋叶含水率"),
    ("derived.moisture", "moisture of the made tea", "成茶含水率"),
    ("derived.wither-loss", "mass lost in withering", "萎凋失重率"),
    ("derived.wither-rate", "mass lost in withering an hour", "萎凋速率"),
    ("derived.wither-load", "leaf on a square metre", "每平方米摊叶量"),
    ("derived.press-minutes", "rolling under pressure", "加压揉捻时间"),
    ("derived.press-cycles", "times pressed and released", "加压松压次数"),
    ("derived.oxidation-hours", "oxidation, roll to drier", "发酵时间（揉捻至干燥）"),
    ("derived.oxidation-dose", "dose of oxidation", "发酵当量"),
    ("lot.season", "season", "季节"),
    ("lot.cultivar", "cultivar", "品种"),
    ("lot.class", "class", "茶类"),
    ("lot.plot", "plot", "地块"),
    ("lot.garden", "garden", "茶园"),
];

/// What charts call the parameters of a book: their labels, with the step where two share one.
#[must_use]
pub fn parameter_names(parameters: &Parameters, lang: Lang) -> BTreeMap<String, String> {
    let key = key(lang);
    let mut names = BTreeMap::new();
    for (id, en, zh) in OWN_NAMES {
        names.insert(id.to_owned(), (if lang == Lang::En { en } else { zh }).to_owned());
    }
    if lang == Lang::Zh {
        for (season, zh) in SEASONS {
            names.insert(format!("lot.season={season}"), format!("季节{}{zh}", lang.colon()));
        }
    }
    let all = &parameters.parameters;
    for p in all {
        let label = p.label(key);
        let shared = all.iter().filter(|o| o.label(key) == label).count() > 1;
        let name = if shared { format!("{label} ({})", p.step()) } else { label.to_owned() };
        for level in &p.levels {
            let of = format!("{name}{}{}", lang.colon(), level.labels.or(key, &level.id));
            names.insert(format!("{}={}", p.id, level.id), of);
        }
        names.insert(p.id.clone(), name);
    }
    names
}
