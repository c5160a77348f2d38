//! The schemas of every file of the record, generated from the types that read them.

use serde_json::Value;

use super::book_file::BookFile;
use super::csv_file::table_schema;
use super::lots::{LogLine, LotFile};
use super::parameters::Parameters;
use super::recipes::Recipes;
use super::retasting::RetastingFile;
use super::session_files::{
    BallotLine, ChangeLine, CloseFile, PourLine, RevealFile, SessionFile, VoidFile,
};
use super::tasters::Tasters;
use super::toml_file::schema_of;
use super::trials::TrialFile;
use super::vocabulary::Vocabulary;

/// The schemas by their file names in `schemas/`: JSON Schemas of TOML files, Table Schemas of
/// CSV files.
#[must_use]
pub fn all() -> Vec<(&'static str, Value)> {
    vec![
        ("book.schema.json", schema_of::<BookFile>().into()),
        ("vocabulary.schema.json", schema_of::<Vocabulary>().into()),
        ("parameters.schema.json", schema_of::<Parameters>().into()),
        ("recipes.schema.json", schema_of::<Recipes>().into()),
        ("retasting.schema.json", schema_of::<RetastingFile>().into()),
        ("tasters.schema.json", schema_of::<Tasters>().into()),
        ("lot.schema.json", schema_of::<LotFile>().into()),
        ("lot-log.table.json", table_schema::<LogLine>("lots/*/log.csv")),
        ("trial.schema.json", schema_of::<TrialFile>().into()),
        ("session.schema.json", schema_of::<SessionFile>().into()),
        ("close.schema.json", schema_of::<CloseFile>().into()),
        ("reveal.schema.json", schema_of::<RevealFile>().into()),
        ("void.schema.json", schema_of::<VoidFile>().into()),
        (
            "ballot.table.json",
            table_schema::<BallotLine>("sessions/*/ballots/*.csv, sessions/*/late/*.csv"),
        ),
        ("pours.table.json", table_schema::<PourLine>("sessions/*/pours.csv")),
        ("changes.table.json", table_schema::<ChangeLine>("sessions/*/changes.csv")),
    ]
}

/// A schema as it stands in its file.
#[must_use]
pub fn text_of(schema: &Value) -> String {
    let mut text = serde_json::to_string_pretty(schema).expect("a schema is JSON");
    text.push('\n');
    text
}
