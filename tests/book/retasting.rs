//! The plans of tasting again.

use std::fs;

use blindsteep::book::Book;
use blindsteep::book::lots::{Arm, How, LotFile};
use blindsteep::book::writing::{NewLot, add_lot};

use super::{new_book, noon, rng};

pub fn lot(book: &Book, id: &str, class: &str, made: &str, arms: &[&str], reserve_g: Option<f64>) {
    let made = made.parse().unwrap();
    let mut file = LotFile::new(id, class, made);
    file.arms = arms
        .iter()
        .map(|a| Arm { id: (*a).to_owned(), since: made, kg: None, notes: None })
        .collect();
    let new = NewLot { file, reserve_g: None, values: Vec::new(), how: How::Measured, by: None };
    add_lot(book, &new, noon(), &mut rng()).unwrap();
    if let Some(grams) = reserve_g {
        let all = if arms.is_empty() { &[""][..] } else { arms };
        let mut text = fs::read_to_string(book.root().join(format!("lots/{id}/log.csv")))
            .unwrap_or_else(|_| {
                "entry,at,arm,parameter,value,unit,how,by,replaces,reason,note\n".into()
            });
        for (i, arm) in all.iter().enumerate() {
            text.push_str(&format!(
                "kept{i},2024-01-01T12:00:00+08:00,{arm},reserve.kept,{grams},,measured,,,,\n"
            ));
        }
        fs::write(book.root().join(format!("lots/{id}/log.csv")), text).unwrap();
    }
}

pub fn plans(book: &Book, text: &str) {
    fs::write(book.root().join("retasting.toml"), format!("format = 1\n{text}")).unwrap();
}

#[test]
fn a_new_book_has_the_plan_that_a_book_without_one_has() {
    let (_dir, book) = new_book();
    let own = book.retasting(&[]).unwrap();
    assert!(!own.by_default);
    fs::remove_file(book.root().join("retasting.toml")).unwrap();
    let default = book.retasting(&[]).unwrap();
    assert!(default.by_default);
    assert_eq!(own.value, default.value);
    let ages = |id: &str| {
        let plan = own.value.plans.iter().find(|p| p.id == id).unwrap();
        plan.ages().take(6).map(|a| a.plain()).collect::<Vec<_>>()
    };
    assert_eq!(ages("all"), ["14d", "2m", "6m", "12m", "24m", "36m"]);
    assert_eq!(ages("humid"), ["14d", "2m", "4m", "6m", "9m", "12m"]);
    assert!(blindsteep::book::check::check(&book).unwrap().problems.is_empty());
}

#[test]
fn the_most_special_plan_counts() {
    let (_dir, book) = new_book();
    lot(&book, "T1", "black", "2026-01-01", &["dry", "humid"], None);
    lot(&book, "T2", "black", "2026-01-01", &["dry", "humid"], None);
    lot(&book, "T3", "White", "2026-01-01", &[], None);
    lot(&book, "T4", "green", "2026-01-01", &[], None);
    let plan = |id: &str, of: &str| format!("[[plan]]\nid = \"{id}\"\n{of}\nthen = \"1m\"\n");
    // In an order that must not matter.
    let list = [
        ("sample", "lots = [\"t1@HUMID\"]"),
        ("white", "classes = [\"white\"]"),
        ("all", ""),
        ("humid", "arms = [\"humid\"]"),
        ("lot", "lots = [\"T1\", \"T2\"]"),
        ("black-lot", "classes = [\"black\"]\nlots = [\"T2\"]"),
    ];
    let text: String = list.iter().map(|(id, of)| plan(id, of)).collect();
    plans(&book, &text);
    let lots = book.lots().unwrap();
    let file = book.retasting(&lots).unwrap().value;
    let of = |lot: &str, arm: &str| {
        let lot = lots.iter().find(|l| l.id == lot).unwrap();
        file.plan_of(lot, arm).unwrap().id.clone()
    };
    for (lot, arm, plan) in [
        ("T1", "humid", "sample"),
        ("T2", "humid", "humid"),
        ("T1", "dry", "lot"),
        ("T2", "dry", "black-lot"),
        ("T3", "main", "white"),
        ("T4", "main", "all"),
    ] {
        assert_eq!(of(lot, arm), plan, "{lot}@{arm}");
    }
}

#[test]
fn a_plan_ends_where_it_says() {
    let (_dir, book) = new_book();
    let ages = |text: &str| {
        plans(&book, &format!("[[plan]]\nid = \"p\"\n{text}\n"));
        let file = book.retasting(&[]).unwrap().value;
        file.plans[0].ages().take(5).map(|a| a.to_string()).collect::<Vec<_>>()
    };
    assert_eq!(ages("after = [\"2w\"]"), ["2w"]);
    assert_eq!(ages("then = \"1y\"\nuntil = \"36m\""), ["12m", "24m", "36m"]);
    assert_eq!(ages("after = [\"2w\", \"2m\"]\nthen = \"2m\"\nuntil = \"5m\""), ["2w", "2m", "4m"]);
    assert_eq!(ages("after = [\"10d\"]\nthen = \"1w\"\nuntil = \"30d\""), ["10d", "17d", "24d"]);
}
