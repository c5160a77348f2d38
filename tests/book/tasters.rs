//! Tasters.

use std::fs;

use blindsteep::book::writing::add_taster;

use super::new_book;

#[test]
fn what_a_person_wrote_into_the_file_survives() {
    let (_dir, book) = new_book();
    let file = book.root().join("tasters.toml");
    let before =
        "format = 1\n\n# the first\n[[taster]]\nid = 'ann'   # our Ann\nname='Ann'\n\n# the end\n";
    fs::write(&file, before).unwrap();
    add_taster(&book, "bo", Some("Bo \"B\""), Some("2026-05-01".parse().unwrap())).unwrap();
    let after = fs::read_to_string(&file).unwrap();
    assert!(after.starts_with(before), "{after}");
    let tasters = book.tasters().unwrap().value;
    assert_eq!(tasters.taster("BO").unwrap().name.as_deref(), Some("Bo \"B\""));
    assert_eq!(tasters.tasters.len(), 2);
}

#[test]
fn a_list_in_one_line_is_added_to_in_its_own_way() {
    let (_dir, book) = new_book();
    fs::write(book.root().join("tasters.toml"), "format = 1\ntaster = [{ id = \"ann\" }]\n")
        .unwrap();
    add_taster(&book, "bo", None, None).unwrap();
    let tasters = book.tasters().unwrap().value;
    assert_eq!(tasters.taster_ids().collect::<Vec<_>>(), ["ann", "bo"]);
}

#[test]
fn an_id_is_given_once_without_regard_to_case() {
    let (_dir, book) = new_book();
    add_taster(&book, "ann", None, None).unwrap();
    let before = fs::read_to_string(book.root().join("tasters.toml")).unwrap();
    assert!(add_taster(&book, "Ann", None, None).is_err());
    for id in ["", "a b", "王", "-a", "a/b", "..", &"a".repeat(61)] {
        assert!(add_taster(&book, id, None, None).is_err(), "{id}");
    }
    assert_eq!(fs::read_to_string(book.root().join("tasters.toml")).unwrap(), before);
}
