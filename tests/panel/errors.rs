//! What is said of tables and flags that are wrong, word for word.

use std::path::Path;

use crate::run::refusal;

/// The refusal of `agree` on a table that is written first.
fn agree_on(table: &str, extra: &[&str]) -> (i32, String) {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("s.csv"), table).expect("written");
    let mut args = vec!["agree", "--table", "s.csv", "--lot", "lot", "--taster", "who"];
    args.extend(extra);
    refusal(folder.path(), &args)
}

#[test]
fn text_in_a_column_of_numbers_has_its_place() {
    let (code, said) = agree_on(
        "lot,who,sweet\n一号,ann,4\n一号,bo,five\n\"二, 号\",ann,6\n\"二, 号\",bo,-\n",
        &["--value", "sweet"],
    );
    assert_eq!(code, 1);
    assert_eq!(
        said,
        "s.csv:3:7: sweet is \"five\"\n\
         \x20 3 | 一号,bo,five\n\
         \x20   |         ^^^^\n\
         \x20 expected: a number on the scale\n\
         \x20 to mend:  correct the cell; if sweet is a category, add --scale sweet=nominal\n\
         \n\
         s.csv:5:11: sweet is \"-\"\n\
         \x20 5 | \"二, 号\",bo,-\n\
         \x20   |             ^\n\
         \x20 expected: a number on the scale\n\
         \x20 to mend:  correct the cell; if sweet is a category, add --scale sweet=nominal\n\
         \n\
         2 mistakes to mend\n"
    );
}

#[test]
fn a_decimal_comma_is_recognised_and_told() {
    let (code, said) = agree_on("lot;who;sweet\na;ann;4,5\n", &["--value", "sweet"]);
    assert_eq!(code, 1);
    assert_eq!(
        said,
        "s.csv:2:7: sweet is \"4,5\"\n\
         \x20 2 | a;ann;4,5\n\
         \x20   |       ^^^\n\
         \x20 expected: a number on the scale\n\
         \x20 to mend:  if , stands before the decimals, add --decimal ,\n\
         \n\
         1 mistake to mend\n"
    );
}

#[test]
fn an_unknown_column_is_a_wrong_command_with_the_nearest_name() {
    let (code, said) = agree_on("lot,who,sweet,body\na,ann,4,5\n", &["--value", "sweet,bodi"]);
    assert_eq!(code, 2);
    assert_eq!(
        said,
        "s.csv:1:15: --value bodi: there is no such column\n\
         \x20 1 | lot,who,sweet,body\n\
         \x20   |               ^^^^\n\
         \x20 expected: --value with one of lot, who, sweet, body\n\
         \x20 to mend:  did you mean \"body\"? Otherwise correct the flag or the header line\n"
    );
}

#[test]
fn a_column_that_stands_twice_cannot_be_named() {
    let (code, said) = agree_on("lot,who,sweet,sweet\na,ann,4,5\n", &["--value", "sweet"]);
    assert_eq!(code, 2);
    assert_eq!(
        said,
        "s.csv:1:15: --value sweet: two columns have this name\n\
         \x20 1 | lot,who,sweet,sweet\n\
         \x20   |               ^^^^^\n\
         \x20 expected: --value with one of lot, who, sweet, sweet\n\
         \x20 to mend:  give one of them another name in the header line\n"
    );
}

#[test]
fn an_empty_lot_and_a_short_line_have_their_places() {
    let (code, said) =
        agree_on("lot,who,sweet\n,ann,4\n\nb,bo\n,,\nc,cy,3\n", &["--value", "sweet"]);
    assert_eq!(code, 1);
    assert_eq!(
        said,
        "s.csv:2:1: lot is empty\n\
         \x20 2 | ,ann,4\n\
         \x20   | ^\n\
         \x20 expected: a name in every line that holds scores\n\
         \x20 to mend:  fill in lot, or take the line out\n\
         \n\
         s.csv:4:3: the line has 2 cells\n\
         \x20 4 | b,bo\n\
         \x20   |   ^^\n\
         \x20 expected: 3 cells, as in the header line\n\
         \x20 to mend:  a cell with the delimiter or a quote in it needs quotes around it\n\
         \n\
         2 mistakes to mend\n"
    );
}

#[test]
fn many_mistakes_end_the_reading_early() {
    let mut table = String::from("lot,who,sweet\n");
    for _ in 0..1000 {
        table.push_str("a,ann,x\n");
    }
    let (code, said) = agree_on(&table, &["--value", "sweet"]);
    assert_eq!(code, 1);
    assert!(
        said.ends_with("\n10 mistakes to mend; there may be more: reading stopped here\n"),
        "{said}"
    );
}

#[test]
fn scales_are_checked() {
    let table = "lot,who,sweet\na,ann,4\n";
    let (code, said) = agree_on(table, &["--value", "sweet", "--scale", "sweet=nominel"]);
    assert_eq!(code, 2);
    assert_eq!(
        said,
        "--scale sweet=nominel: \"nominel\" is no scale of a table\n\
         \x20 expected: KIND or TERM=KIND, KIND one of line, ordered, nominal, tick\n\
         \x20 to mend:  did you mean \"nominal\"? Otherwise choose one of these\n"
    );
    let (code, said) = agree_on(table, &["--value", "sweet", "--scale", "swet=tick"]);
    assert_eq!(code, 2);
    assert_eq!(
        said,
        "--scale swet=…: there is no term \"swet\"\n\
         \x20 expected: one of sweet\n\
         \x20 to mend:  did you mean \"sweet\"? Otherwise correct the flag\n"
    );
    let (code, said) =
        agree_on("lot,who,honey\na,ann,perhaps\n", &["--value", "honey", "--scale", "tick"]);
    assert_eq!(code, 1);
    assert!(said.contains("expected: a tick: 1 or 0, yes or no"), "{said}");
}

#[test]
fn flags_that_do_not_fit_together_are_told() {
    let table = "lot,who,term,sweet,body\na,ann,x,4,5\n";
    let (code, said) = agree_on(table, &["--term", "term", "--value", "sweet,body"]);
    assert_eq!(code, 2);
    assert_eq!(
        said,
        "--term with 2 columns of values\n\
         \x20 expected: --term COL --value COL where one line is one score, or --value COL,COL,… \
         without --term where each term has its own column\n\
         \x20 to mend:  leave --term out, or name one column of values\n"
    );
    let (code, said) = agree_on(table, &[]);
    assert_eq!(code, 2);
    assert_eq!(
        said,
        "--value is missing\n\
         \x20 expected: --value COL, the column of scores, or one column a term\n\
         \x20 to mend:  the columns of s.csv are lot, who, term, sweet, body\n"
    );
}

#[test]
fn agreement_needs_tasters() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("s.csv"), "lot,sweet\na,4\nb,5\n").expect("written");
    let (code, said) =
        refusal(folder.path(), &["agree", "--table", "s.csv", "--lot", "lot", "--value", "sweet"]);
    assert_eq!(code, 2);
    assert_eq!(
        said,
        "the table does not say who scored\n\
         \x20 expected: --taster COL, the column that names the taster: agreement is between \
         tasters\n\
         \x20 to mend:  name it, or ask `compare`, which does without\n"
    );
}

#[test]
fn nothing_and_both_are_refused() {
    let (code, said) = refusal(Path::new("."), &["agree"]);
    assert_eq!(code, 2);
    assert_eq!(
        said,
        "nothing to read is named\n\
         \x20 expected: revealed sessions of the book, or --table FILE --lot COL --taster COL \
         --value COL,COL\n\
         \x20 to mend:  name a session, or a table\n"
    );
    let (code, said) = agree_on("lot,who,sweet\na,ann,4\n", &["--value", "sweet", "spring"]);
    assert_eq!(code, 2);
    assert!(said.starts_with("both a table and sessions are named\n"), "{said}");
}

/// What is said of a file that is no table, quickly and without its content.
fn no_table(bytes: &[u8]) -> String {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("s.csv"), bytes).expect("written");
    let began = std::time::Instant::now();
    let args = ["agree", "--table", "s.csv", "--lot", "lot", "--value", "sweet"];
    let (code, said) = refusal(folder.path(), &args);
    assert!(began.elapsed().as_secs() < 5, "too slow");
    assert_eq!(code, 1);
    said
}

const A_TABLE: &str = "  expected: a table: a header line with the names of the columns, then one line \
                       a score or a cup, cells separated by commas\n";
const SAVE: &str = "  to mend:  save it from the spreadsheet as \"CSV UTF-8\"\n";

#[test]
fn files_that_are_no_table_are_told_apart() {
    assert_eq!(
        no_table(b"PK\x03\x04\x14\x00"),
        format!(
            "s.csv: this is a packed file, perhaps a spreadsheet's own format\n{A_TABLE}{SAVE}"
        )
    );
    assert_eq!(
        no_table(b"\xff\xfel\x00o\x00t\x00"),
        format!("s.csv: this is UTF-16 text\n{A_TABLE}{SAVE}")
    );
    assert_eq!(
        no_table(b"lot,who\na,b\xfcrgel\n"),
        format!("s.csv: this is not UTF-8 text: the first bad byte is in line 2\n{A_TABLE}{SAVE}")
    );
    assert_eq!(
        no_table(b""),
        format!("s.csv: the file is empty\n{A_TABLE}  to mend:  write the header line first\n")
    );
}

#[test]
fn a_hundred_megabytes_of_something_else_are_refused_at_once() {
    let one_line = vec![b'x'; 100_000_000];
    assert_eq!(
        no_table(&one_line),
        format!(
            "s.csv: the first line does not end within 64 KiB, so it is no header line\n{A_TABLE}  to \
             mend:  name the file with the scores\n"
        )
    );
    let lines = "lot,who,sweet\n".repeat(7_200_000);
    assert_eq!(
        no_table(lines.as_bytes()),
        "s.csv: the file holds 100 MB\n\
         \x20 expected: a table of at most 64 MB\n\
         \x20 to mend:  split it, or keep only the columns and lines that are asked about\n"
    );
}

#[test]
fn a_header_alone_and_gaps_alone_hold_no_score() {
    for table in ["lot,who,sweet\n", "lot,who,sweet\na,ann,\na,bo,NA\n"] {
        let (code, said) = agree_on(table, &["--value", "sweet"]);
        assert_eq!(code, 1);
        assert_eq!(
            said,
            format!(
                "s.csv: there is no score in the table\n{A_TABLE}  to mend:  fill in at least one \
                 score\n"
            )
        );
    }
}

#[test]
fn a_file_that_is_not_there_is_a_matter_of_the_disk() {
    let folder = tempfile::tempdir().expect("a folder");
    let args = ["compare", "--table", "none.csv", "--lot", "lot", "--value", "sweet"];
    let (code, said) = refusal(folder.path(), &args);
    assert_eq!(code, 4);
    assert!(said.starts_with("cannot read none.csv: "), "{said}");
}

#[test]
fn lines_that_were_pasted_twice_are_told_but_counted() {
    let folder = tempfile::tempdir().expect("a folder");
    let table =
        "lot,who,sweet\nA,ann,4\nA,bo,5\nB,ann,6\n A , ann,4\nB,bo,7\nB,bo,7\nC,ann,1\nC,bo,2\n";
    std::fs::write(folder.path().join("s.csv"), table).expect("written");
    let args = ["agree", "--table", "s.csv", "--lot", "lot", "--taster", "who", "--value", "sweet"];
    let found = crate::run::json(folder.path(), &args);
    let notes = found["source"]["notes"].as_array().expect("notes");
    assert_eq!(notes.len(), 1, "{notes:?}");
    assert_eq!(
        notes[0],
        "2 lines are the same in every cell as a line before them (the first is line 5), and all \
         are counted: take out what was pasted twice; of servings that were scored alike, name the \
         column that tells them apart with --replicate"
    );
    // In the order of servings all lines are read twice, and told of once.
    let table = "lot,who,sweet,at\nA,ann,4,1\nA,ann,4,1\nB,ann,6,2\nA,bo,4,2\nB,bo,5,1\n";
    std::fs::write(folder.path().join("s.csv"), table).expect("written");
    let mut placed = args.to_vec();
    placed.extend(["--position", "at"]);
    let found = crate::run::json(folder.path(), &placed);
    let note = found["source"]["notes"][0].as_str().expect("a note").to_owned();
    assert!(note.starts_with("line 3 is the same in every cell as a line before it"), "{note}");
}
