//! Starting a book.

use std::fs;
use std::path::Path;

use blindsteep::book::check::check;
use blindsteep::book::starter::{Beginning, begin};
use blindsteep::book::vocabulary::ScaleKind;
use blindsteep::book::{Book, BookError};

use super::new_book;

fn names(dir: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(dir)
        .unwrap()
        .map(|e| e.unwrap().file_name().to_str().unwrap().to_owned())
        .collect();
    names.sort();
    names
}

#[test]
fn a_new_book_has_no_mistakes() {
    let (_dir, book) = new_book();
    let checked = check(&book).unwrap();
    assert!(checked.problems.is_empty(), "{}", checked.problems);
    assert!(checked.notices.is_empty());
}

#[test]
fn a_new_book_uses_every_kind_of_scale_and_is_labelled_in_both_languages() {
    let (_dir, book) = new_book();
    let vocabulary = book.vocabulary().unwrap().value;
    for kind in [
        ScaleKind::Line,
        ScaleKind::Bipolar,
        ScaleKind::Ordered,
        ScaleKind::Nominal,
        ScaleKind::Tick,
        ScaleKind::Fault,
        ScaleKind::Note,
    ] {
        assert!(vocabulary.terms.iter().any(|t| t.scale.kind() == kind), "{}", kind.word());
    }
    for term in &vocabulary.terms {
        for texts in [&term.labels, &term.definition] {
            let languages: Vec<&str> = texts.0.keys().map(String::as_str).collect();
            assert_eq!(languages, ["en", "zh"], "{}", term.id);
        }
        assert!(term.source.is_some(), "{} has no source", term.id);
    }
}

#[test]
fn what_a_new_book_asks_is_what_a_panel_can_answer() {
    let (_dir, book) = new_book();
    let vocabulary = book.vocabulary().unwrap().value;
    let asked = book.book_file().unwrap().value.defaults.terms;
    assert!(asked.len() <= 20);
    for term in &asked {
        assert!(vocabulary.term(term).is_some(), "{term}");
    }
}

/// The figures of ISO 3103:2019 as its catalogue page gives them: 2 g for 100 ml within 2 %,
/// 5.6 g in the large vessel filled to about 285 ml, 2.8 g in the small one filled to about
/// 140 ml, six minutes for black tea.
#[test]
fn the_iso_recipes_have_the_published_figures() {
    let (_dir, book) = new_book();
    let recipes = book.recipes().unwrap().value;
    for (id, leaf_g, water_ml) in [("iso3103", 5.6, 285.0), ("iso3103-small", 2.8, 140.0)] {
        let recipe = recipes.recipe(id).unwrap();
        assert_eq!((recipe.leaf_g, recipe.water_ml), (leaf_g, water_ml));
        assert!((recipe.grams_per_100_ml() / 2.0 - 1.0).abs() <= 0.02);
        assert_eq!(recipe.steeps_s, [360]);
    }
    let text = fs::read_to_string(book.root().join("recipes.toml")).unwrap();
    assert!(!text.contains("conforms"));
}

#[test]
fn vessels_and_packs_of_a_new_book_are_said_in_chinese_and_other_words_stay() {
    let (_dir, book) = new_book();
    for recipe in &book.recipes().unwrap().value.recipes {
        let vessel = recipe.vessel_in("zh").unwrap();
        assert!(vessel.chars().any(|c| ('\u{4e00}'..='\u{9fff}').contains(&c)), "{vessel}");
        assert!(recipe.vessel_in("en").unwrap().is_ascii(), "{}", recipe.id);
    }
    let parameters = book.parameters().unwrap().value;
    let pack = parameters.parameter("store.pack").unwrap();
    let said = |text: &str| pack.level(text).map(|l| l.labels.or("zh", text).to_owned());
    // Whatever the language or the size of its letters, and by its id.
    for text in ["foil bag", "Foil bag", "铝箔袋", "foil-bag"] {
        assert_eq!(said(text).as_deref(), Some("铝箔袋"), "{text}");
    }
    assert_eq!(said("a basket"), None);
    // A category is known by its id alone: its words are for who reads.
    let method = parameters.parameter("dry.method").unwrap();
    assert!(method.level("sun").is_some() && method.level("日晒").is_none());
}

#[test]
fn the_water_of_a_recipe_is_said_by_language_where_it_is_written_so() {
    let (_dir, book) = new_book();
    let file = book.root().join("recipes.toml");
    let text = fs::read_to_string(&file).unwrap();
    let water = "steeps_s = [360]\nwater = \"spring\"\nwater_labels = { zh = \"山泉\" }";
    fs::write(&file, text.replacen("steeps_s = [360]", water, 1)).unwrap();
    assert!(check(&book).unwrap().problems.is_empty());
    let recipes = book.recipes().unwrap().value.recipes;
    assert_eq!(recipes[0].water_in("zh"), Some("山泉"));
    assert_eq!(recipes[0].water_in("en"), Some("spring"));
    assert_eq!(recipes[1].water_in("zh"), None);
}

#[test]
fn a_folder_that_holds_something_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("letter.txt"), "dear").unwrap();
    let refused = begin(dir.path(), &Beginning::default()).unwrap_err();
    assert!(matches!(refused, BookError::Refused(_)));
    assert_eq!(names(dir.path()), ["letter.txt"]);
    let file = dir.path().join("letter.txt");
    assert!(begin(&file, &Beginning::default()).is_err());
    assert_eq!(fs::read_to_string(file).unwrap(), "dear");
}

#[test]
fn an_empty_folder_becomes_a_book() {
    let dir = tempfile::tempdir().unwrap();
    let book = begin(dir.path(), &Beginning::default()).unwrap();
    assert!(check(&book).unwrap().problems.is_empty());
    assert!(names(dir.path()).iter().all(|n| !n.starts_with('.')));
}

#[test]
fn a_book_that_cannot_be_written_leaves_nothing_behind() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("shed"), "a file where a folder should be").unwrap();
    assert!(begin(&dir.path().join("shed/book"), &Beginning::default()).is_err());
    assert_eq!(names(dir.path()), ["shed"]);
}

#[test]
fn titles_and_places_are_kept_to_the_letter() {
    let dir = tempfile::tempdir().unwrap();
    let beginning = Beginning {
        title: Some("茶 \"quoted\" \\ and\na line".to_owned()),
        place: Some("the 'shed'".to_owned()),
        altitude_m: Some(1650.0),
        zone: Some("Asia/Shanghai".to_owned()),
    };
    let book = begin(&dir.path().join("b"), &beginning).unwrap();
    let file = book.book_file().unwrap().value;
    assert_eq!(Some(file.title), beginning.title);
    assert_eq!(file.place, beginning.place);
    assert_eq!(file.altitude_m, beginning.altitude_m);
    assert_eq!(Some(file.zone), beginning.zone);
}

#[test]
fn an_altitude_off_the_earth_is_refused_before_anything_is_written() {
    let dir = tempfile::tempdir().unwrap();
    for metres in [16_500.0, f64::NAN] {
        let beginning = Beginning { altitude_m: Some(metres), ..Beginning::default() };
        assert!(begin(&dir.path().join("b"), &beginning).is_err());
    }
    assert!(names(dir.path()).is_empty());
}

#[test]
fn a_book_is_found_from_a_folder_inside_it() {
    let (_dir, book) = new_book();
    let around = Book::around(&book.root().join("lots")).unwrap();
    assert_eq!(around.root(), book.root());
}
