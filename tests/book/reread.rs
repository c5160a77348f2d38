//! What is written is read again as it was; whatever is read gives a record or mistakes.

use std::collections::BTreeMap;

use blindsteep::book::csv_file::{self, header_line, lines_of};
use blindsteep::book::labels::Labels;
use blindsteep::book::lots::{Arm, CameBy, How, LogLine, LotFile, Parent};
use blindsteep::book::parameters::{Parameter, ParameterKind, Parameters};
use blindsteep::book::problem::Problems;
use blindsteep::book::recipes::{Recipe, Recipes};
use blindsteep::book::tasters::{Taster, Tasters};
use blindsteep::book::time::{Day, Moment};
use blindsteep::book::toml_file;
use blindsteep::book::vocabulary::{Family, Level, Scale, Term, Vocabulary};
use proptest::collection::{btree_map, vec};
use proptest::option;
use proptest::prelude::*;

fn id() -> impl Strategy<Value = String> {
    "[A-Za-z0-9]([A-Za-z0-9._-]{0,8}[A-Za-z0-9_-])?"
}

/// Any text that has no line break, as a cell of a log may hold.
fn text() -> impl Strategy<Value = String> {
    "[^\r\n]{1,20}"
}

fn day() -> impl Strategy<Value = Day> {
    (1900..2100_i16, 1..=12_u8, 1..=28_u8)
        .prop_map(|(y, m, d)| format!("{y:04}-{m:02}-{d:02}").parse().unwrap())
}

fn moment() -> impl Strategy<Value = Moment> {
    (day(), 0..24_u8, 0..60_u8, 0..60_u8, -12..=14_i8).prop_map(|(d, h, m, s, o)| {
        format!("{d}T{h:02}:{m:02}:{s:02}{}{:02}:00", if o < 0 { '-' } else { '+' }, o.abs())
            .parse()
            .unwrap()
    })
}

fn positive() -> impl Strategy<Value = f64> {
    1e-3..1e3_f64
}

fn labels() -> impl Strategy<Value = Labels> {
    btree_map("[a-z]{2}", any::<String>(), 0..3).prop_map(Labels)
}

fn ends() -> impl Strategy<Value = BTreeMap<String, [String; 2]>> {
    btree_map("[a-z]{2}", [any::<String>(), any::<String>()], 0..2)
}

fn scale() -> impl Strategy<Value = Scale> {
    let levels = || vec((id(), labels()).prop_map(|(id, labels)| Level { id, labels }), 2..4);
    prop_oneof![
        (positive(), positive(), ends()).prop_map(|(high, step, ends)| Scale::Line {
            low: -1.0,
            high,
            step,
            ends
        }),
        (positive(), positive(), ends()).prop_map(|(high, step, ends)| Scale::Bipolar {
            low: -high,
            high,
            step,
            ends
        }),
        levels().prop_map(|levels| Scale::Ordered { levels }),
        levels().prop_map(|levels| Scale::Nominal { levels }),
        Just(Scale::Tick),
        Just(Scale::Fault),
        Just(Scale::Note),
    ]
}

fn vocabulary() -> impl Strategy<Value = Vocabulary> {
    let family = (id(), labels()).prop_map(|(id, labels)| Family { id, labels });
    let term = (
        (id(), id(), scale(), labels(), labels()),
        (option::of(any::<String>()), vec(any::<String>(), 0..2), option::of(any::<String>())),
        (option::of(day()), option::of(id())),
    )
        .prop_map(
            |(
                (id, family, scale, labels, definition),
                (reference, classes, source),
                (retired, merged_into),
            )| {
                Term {
                    id,
                    family,
                    scale,
                    labels,
                    definition,
                    reference,
                    classes,
                    source,
                    retired,
                    merged_into,
                }
            },
        );
    (vec(family, 0..3), vec(term, 0..4)).prop_map(|(families, terms)| Vocabulary {
        format: 1,
        families,
        terms,
    })
}

fn came_by() -> impl Strategy<Value = CameBy> {
    prop_oneof![Just(CameBy::Split), Just(CameBy::Blend), Just(CameBy::Refire)]
}

fn lot() -> impl Strategy<Value = LotFile> {
    (
        (id(), "[a-z]{1,9}", day(), vec(day(), 0..3)),
        (option::of(any::<String>()), option::of(any::<String>()), option::of(positive())),
        vec(
            (id(), option::of(id()), option::of(positive())).prop_map(|(lot, arm, kg)| Parent {
                lot,
                arm,
                kg,
            }),
            0..3,
        ),
        vec(
            (id(), day(), option::of(positive()), option::of(any::<String>()))
                .prop_map(|(id, since, kg, notes)| Arm { id, since, kg, notes }),
            0..3,
        ),
        (option::of(came_by()), option::of(day()), option::of((id(), 1..=10_000_u32))),
    )
        .prop_map(
            |(
                (id, class, made, picked),
                (garden, notes, kg),
                parents,
                arms,
                (came_by, parted, of),
            )| {
                let (trial, run) = of.unzip();
                LotFile {
                    picked,
                    trial,
                    run,
                    garden,
                    notes,
                    kg,
                    came_by,
                    parted,
                    parents,
                    arms,
                    ..LotFile::new(&id, &class, made)
                }
            },
        )
}

fn line() -> impl Strategy<Value = LogLine> {
    (
        (id(), moment(), option::of(id()), id(), text()),
        (option::of(text()), any::<bool>(), option::of(text())),
        (option::of((id(), text())), option::of(text())),
    )
        .prop_map(
            |((entry, at, arm, parameter, value), (unit, estimated, by), (correction, note))| {
                let (replaces, reason) = correction.unzip();
                LogLine {
                    entry,
                    at,
                    arm,
                    parameter,
                    value: Some(value),
                    unit,
                    how: if estimated { How::Estimated } else { How::Measured },
                    by,
                    replaces,
                    reason,
                    note,
                }
            },
        )
}

/// Reads what `to_text` wrote of a value.
fn reread<T>(value: &T) -> Result<T, String>
where
    T: serde::Serialize + serde::de::DeserializeOwned + schemars::JsonSchema + 'static,
{
    let mut problems = Problems::new();
    let text = toml_file::to_text(value);
    toml_file::parse("file.toml", text.clone(), String::new(), &mut problems)
        .map(|d| d.value)
        .ok_or_else(|| format!("{text}\n{problems}"))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_vocabulary_is_read_as_it_was_written(v in vocabulary()) {
        prop_assert_eq!(reread(&v), Ok(v));
    }

    #[test]
    fn a_lot_is_read_as_it_was_written(v in lot()) {
        prop_assert_eq!(reread(&v), Ok(v));
    }

    #[test]
    fn a_recipe_is_read_as_it_was_written(
        (id, labels, leaf_g, water_ml, water_c) in (id(), labels(), 0.01..100.0, 1.0..5000.0, 0.0..100.0),
        (rinse_s, steeps_s, vessel, notes) in (option::of(1..600_u32), vec(1..86400_u32, 1..9), option::of(any::<String>()), option::of(any::<String>())),
    ) {
        let recipe = Recipe {
            id, vessel_labels: labels.clone(), water_labels: labels.clone(), labels, leaf_g, water_ml, water_c, rinse_s, steeps_s, vessel,
            water: None, source: None, notes,
        };
        let recipes = Recipes { format: 1, recipes: vec![recipe] };
        prop_assert_eq!(reread(&recipes), Ok(recipes));
    }

    #[test]
    fn a_taster_is_read_as_they_were_written(
        (id, name, joined, notes) in (id(), option::of(any::<String>()), option::of(day()), option::of(any::<String>()))
    ) {
        let tasters = Tasters { format: 1, tasters: vec![Taster { id, name, joined, left: None, notes }] };
        prop_assert_eq!(reread(&tasters), Ok(tasters));
    }

    #[test]
    fn parameters_are_read_as_they_were_written(
        (step, name, unit, usual, labels) in ("[a-z]{1,8}", "[a-z-]{0,8}[a-z]", option::of("[^\r\n]{1,10}"), option::of([positive(), positive()]), labels())
    ) {
        let name = name.trim_start_matches('-');
        let parameter = Parameter {
            id: format!("{step}.{name}"), kind: ParameterKind::Number, unit, levels: Vec::new(),
            usual, limits: None, role: None,
            labels, source: None, notes: None,
        };
        let parameters = Parameters { format: 1, parameters: vec![parameter] };
        prop_assert_eq!(reread(&parameters), Ok(parameters));
    }

    #[test]
    fn the_lines_of_a_log_are_read_as_they_were_written(lines in vec(line(), 0..6)) {
        let text = format!("{}{}", header_line::<LogLine>(), lines_of(&lines));
        prop_assert_eq!(text.matches('\n').count(), lines.len() + 1);
        let mut problems = Problems::new();
        let log = csv_file::parse::<LogLine>("log.csv", text, &mut problems);
        prop_assert!(problems.is_empty(), "{}", problems);
        prop_assert_eq!(log.values().cloned().collect::<Vec<_>>(), lines);
    }

    /// A spreadsheet would run a text that begins so.
    #[test]
    fn no_cell_of_a_log_begins_like_a_formula(note in "[=+@\t-].{0,12}") {
        prop_assume!(note.parse::<f64>().is_err());
        let line = LogLine {
            entry: "a".into(), at: super::noon(), arm: None, parameter: "p.q".into(),
            value: Some("1".into()), unit: None, how: How::Measured, by: None,
            replaces: None, reason: None, note: Some(note),
        };
        let text = lines_of(&[line]);
        let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(text.as_bytes());
        let record = reader.records().next().unwrap().unwrap();
        prop_assert!(record[10].starts_with('\''), "{text}");
    }

    #[test]
    fn any_text_is_a_description_or_a_list_of_mistakes(text in "(format = [0-9]\n)?(\\[\\[?(term|family)\\]?\\]\n)?(.{0,40}\n){0,6}") {
        let mut problems = Problems::new();
        let read = toml_file::parse::<Vocabulary>("v.toml", text, String::new(), &mut problems);
        prop_assert_eq!(read.is_some(), problems.is_empty());
        prop_assert!(problems.is_empty() || problems.to_string().contains("to mend:"));
    }

    #[test]
    fn any_bytes_of_a_log_are_lines_or_mistakes(header in any::<bool>(), bytes in vec(any::<u8>(), 0..200)) {
        let mut text = if header { header_line::<LogLine>() } else { String::new() };
        text.push_str(&String::from_utf8_lossy(&bytes));
        let mut problems = Problems::new();
        let _ = csv_file::parse::<LogLine>("log.csv", text, &mut problems);
        let _ = problems.to_string();
    }

    /// A sound description with a piece cut out or put in anywhere.
    #[test]
    fn a_description_that_was_damaged_is_read_or_refused(v in vocabulary(), at in any::<prop::sample::Index>(), cut in 0..9_usize, put in any::<String>()) {
        let chars: Vec<char> = toml_file::to_text(&v).chars().collect();
        let at = at.index(chars.len());
        let end = (at + cut).min(chars.len());
        let text: String = chars[..at].iter().copied().chain(put.chars()).chain(chars[end..].iter().copied()).collect();
        let mut problems = Problems::new();
        let read = toml_file::parse::<Vocabulary>("v.toml", text, String::new(), &mut problems);
        prop_assert_eq!(read.is_some(), problems.is_empty());
        let _ = problems.to_string();
    }

    #[test]
    fn any_answer_is_a_value_or_a_misfit(scale in scale(), answer in any::<String>()) {
        if let Ok(Some(value)) = scale.value_of(&answer) {
            prop_assert!(value.is_finite());
        }
    }

    #[test]
    fn any_value_of_a_parameter_is_one_or_is_refused(text in any::<String>(), unit in option::of(any::<String>())) {
        for parameter in &starter().parameters {
            let _ = parameter.value_of(&text, unit.as_deref());
        }
    }
}

fn starter() -> &'static Parameters {
    static STARTER: std::sync::OnceLock<Parameters> = std::sync::OnceLock::new();
    STARTER.get_or_init(|| {
        let (_dir, book) = super::new_book();
        book.parameters().unwrap().value
    })
}

/// A table of another kind is given up after the first hundred mistakes.
#[test]
fn a_large_file_that_is_no_log_is_told_soon() {
    let mut text = header_line::<LogLine>();
    text.push_str(&"a,b,c\n".repeat(2_000_000));
    let start = std::time::Instant::now();
    let mut problems = Problems::new();
    let log = csv_file::parse::<LogLine>("log.csv", text, &mut problems);
    assert_eq!(log.lines.len(), 0);
    assert_eq!(problems.len(), 101);
    assert!(start.elapsed().as_secs() < 10, "{:?}", start.elapsed());
}
