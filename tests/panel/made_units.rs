//! Units in a table of parameters: in the header, in the cells, and those that do not fit.

use approx::assert_abs_diff_eq;

use crate::run::{json, named, number, refusal};

const ASK: [&str; 9] = [
    "link",
    "--table",
    "scores.csv",
    "--lot",
    "lot",
    "--value",
    "sweet",
    "--parameters",
    "made.csv",
];

fn folder(made: &str) -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a folder");
    let scores: String = (1..=8).map(|l| format!("A{l},{}\n", (l * 7) % 5)).collect();
    std::fs::write(dir.path().join("scores.csv"), format!("lot,sweet\n{scores}")).expect("written");
    std::fs::write(dir.path().join("made.csv"), made).expect("written");
    dir
}

#[test]
fn a_header_says_the_unit_and_cells_are_converted_into_it() {
    let dir = folder(
        "lot,wither.hours [min],bed (kg),oxidise\nA1,600,3,3 h\nA2,12 h,4,200 min\nA3,700,2,2.5h\n\
         A4,0.5 d,1500 g,4 h\nA5,900,5,150min\nA6,650,2,3 h\nA7,610,6,2 h\nA8,800,3,1 h\n",
    );
    let found = json(dir.path(), &ASK);
    let made = |id: &str| named(&found["parameters"], "parameter", id).clone();
    // By definition: half a day are 720 min, 1500 g are 1.5 kg, 200 min are 3.333 h.
    let wither = made("wither.hours");
    assert_eq!(wither["unit"], "min", "{wither}");
    assert_eq!((number(&wither["min"]), number(&wither["max"])), (600.0, 900.0));
    let bed = made("bed");
    assert_eq!((bed["unit"].as_str(), number(&bed["min"])), (Some("kg"), 1.5));
    let oxidise = made("oxidise");
    assert_eq!((oxidise["unit"].as_str(), number(&oxidise["min"])), (Some("h"), 1.0));
    assert_abs_diff_eq!(number(&oxidise["max"]), 4.0);
    let said = found.to_string();
    assert!(
        said.contains("oxidise is taken as numbers in h, since its cells carry units"),
        "{said}"
    );
}

#[test]
fn a_unit_that_does_not_fit_is_told_with_its_place() {
    let rest = "A3,3\nA4,4\nA5,3\nA6,2\nA7,5\nA8,4\n";
    let told = |head: &str, first: &str, second: &str| {
        let dir = folder(&format!("lot,{head}\nA1,{first}\nA2,{second}\n{rest}"));
        refusal(dir.path(), &ASK)
    };
    assert_eq!(
        told("oxidise.hours [h]", "180 min", "3 kg"),
        (
            1,
            "made.csv:3:4: oxidise.hours is \"3 kg\": the unit \"kg\" does not fit\n\
             \x20 3 | A2,3 kg\n\
             \x20   |    ^^^^\n\
             \x20 expected: one of the units h, s, min, d\n\
             \x20 to mend:  give the value in one of these\n\
             \n\
             1 mistake to mend\n"
                .to_owned()
        )
    );
    let (code, said) = told("oxidise.hours", "3 h", "3 hrs");
    assert_eq!(code, 1);
    assert!(
        said.contains("made.csv:3:4: oxidise.hours is \"3 hrs\": the unit \"hrs\" does"),
        "{said}"
    );
    assert!(said.contains("made.csv:4:4: oxidise.hours is \"3\" without a unit"), "{said}");
    assert!(said.contains("in the header: oxidise.hours [h]"), "{said}");
    let (_, said) = told("oxidise.hours [h]", "long", "4 h");
    assert!(said.contains("made.csv:2:4: oxidise.hours is \"long\""), "{said}");
    let (code, said) = told("x [h]", "\"3,5\"", "2");
    assert_eq!(code, 1);
    assert!(said.contains("if , stands before the decimals, add --decimal ,"), "{said}");
    let (code, said) = {
        let dir = folder("lot,x [h],x (min)\nA1,1,2\n");
        refusal(dir.path(), &ASK)
    };
    assert_eq!(code, 1);
    assert!(said.contains("two columns are called \"x\""), "{said}");
}

#[test]
fn a_header_whose_unit_is_none_or_does_not_belong_is_refused_with_its_place() {
    let rows: String = (1..=8).map(|l| format!("A{l},{}\n", 3 + l % 4)).collect();
    let told = |head: &str| refusal(folder(&format!("lot,{head}\n{rows}")).path(), &ASK);
    let (code, said) = told("oxidise.hours [bananas]");
    assert_eq!(code, 1);
    assert!(
        said.contains("made.csv:1:5: oxidise.hours: the unit \"bananas\" does not fit"),
        "{said}"
    );
    assert!(said.contains("expected: a unit: h, s, min, d"), "{said}");
    let (_, said) = told("oxidise.hours [kg]");
    assert!(said.contains("made.csv:1:5: oxidise.hours: the unit \"kg\" does not fit"), "{said}");
    assert!(said.contains("one of the units h, s, min, d"), "{said}");
    let (_, said) =
        refusal(folder(&format!("lot,oxidise.hours [h]\nA9,1e300\n{rows}")).path(), &ASK);
    assert!(said.contains("made.csv:2:4: oxidise.hours is \"1e300\"\n"), "{said}");
    assert!(said.contains("to mend:  correct the cell: numbers go up to 1e12"), "{said}");
}
