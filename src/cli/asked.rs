//! What every analysis is asked with, and how its answer is shown.

use std::path::PathBuf;

use clap::{ArgGroup, Args};
use serde::Serialize;

use super::table_args::{self, TableArgs};
use super::{Context, Failure, charts};
use crate::book::store;
use crate::scores::{Scores, of_book};
use crate::views;
use crate::views::charts::{Chart, Draw, Words};
use crate::views::pages::Page;

/// From an answer, its charts and the words of the reader to a page.
pub type ToPage<F> = fn(&F, &[Chart], &Words) -> Page;

/// How an answer is shown.
pub struct View<F> {
    /// In the terminal.
    pub text: fn(&F) -> String,
    /// Its charts.
    pub draw: Draw<F>,
    /// As a page, if it has one.
    pub page: Option<ToPage<F>>,
}

/// The flags of what is drawn: charts and pages.
#[derive(Debug, Args)]
#[command(group(ArgGroup::new("drawn").multiple(true)))]
pub struct Drawn {
    /// Write charts (SVG) into this folder
    #[arg(long, value_name = "DIR", group = "drawn")]
    pub(super) charts: Option<PathBuf>,
    /// Write the answer as a page with its charts: one HTML file
    #[arg(long, value_name = "FILE", group = "drawn")]
    pub(super) page: Option<PathBuf>,
    /// The language of what is drawn
    #[arg(long, value_enum, default_value_t, requires = "drawn")]
    pub(super) language: charts::Language,
}

impl Drawn {
    /// Writes the charts and the page of an answer, if they were asked for.
    ///
    /// # Errors
    /// If a chart or the page cannot be written.
    pub fn write<F>(&self, finding: &F, words: &Words, view: &View<F>) -> Result<(), Failure> {
        match (&self.page, view.page) {
            (Some(file), Some(page)) => {
                let drawn = charts::drawn(views::charts::for_page(view.draw, finding, words))?;
                let page = page(finding, &drawn, words).document().map_err(Failure::Ours)?;
                store::replace(file, &page, None)?;
                match &self.charts {
                    Some(dir) => charts::write(dir, Ok(drawn)),
                    None => Ok(()),
                }
            }
            (Some(_), None) => Err(Failure::Command(
                "--page is given, and this answer has no page\n  expected: text, --json or \
                 --charts\n  to mend:  leave --page out"
                    .to_owned(),
            )),
            (None, _) => match &self.charts {
                Some(dir) => charts::write(dir, (view.draw)(finding, words)),
                None => Ok(()),
            },
        }
    }
}

/// The flags that all analyses share.
#[derive(Debug, Args)]
pub struct Asked {
    /// Revealed sessions of the book, by any unique part of their names
    #[arg(value_name = "SESSION")]
    pub(super) sessions: Vec<String>,
    /// All numbers as JSON, the name of its schema first
    #[arg(long)]
    pub(super) json: bool,
    #[command(flatten)]
    pub(super) drawn: Drawn,
    #[command(flatten)]
    pub(super) table: TableArgs,
}

impl Asked {
    /// The scores that were asked for: of a table, or of the sessions that are named.
    ///
    /// # Errors
    /// If neither or both are named, or they cannot be read.
    pub fn scores(&self, context: &Context) -> Result<Scores, Failure> {
        table_args::scores(&self.table, &self.sessions, context)
    }

    /// The same, and all sessions of the book that scored terms if nothing is named.
    ///
    /// # Errors
    /// As for [`Asked::scores`].
    pub fn scores_or_all(&self, context: &Context) -> Result<Scores, Failure> {
        if !self.sessions.is_empty() || self.table.is_given() {
            return self.scores(context);
        }
        let all = of_book::named_or_all(&context.book()?, &[])?;
        Ok(of_book::scores_of(&all)?)
    }

    /// What charts and pages call the terms that were scored.
    #[must_use]
    pub fn words(&self, scores: &Scores) -> Words {
        Words::of(scores, self.drawn.language.into())
    }

    /// Shows an answer: its charts and its page if they were asked for, then its text or its JSON.
    ///
    /// # Errors
    /// If a chart, the page or the output cannot be written.
    pub fn show<F: Serialize>(
        &self,
        context: &mut Context,
        finding: &F,
        words: &Words,
        view: View<F>,
    ) -> Result<(), Failure> {
        self.drawn.write(finding, words, &view)?;
        self.show_text(context, finding, view.text)
    }

    /// Shows an answer that has no charts.
    ///
    /// # Errors
    /// If the output cannot be written.
    pub fn show_text<F: Serialize>(
        &self,
        context: &mut Context,
        finding: &F,
        text: impl FnOnce(&F) -> String,
    ) -> Result<(), Failure> {
        if self.json {
            views::json::write(finding, &mut context.out)?;
        } else {
            context.out.write_all(text(finding).as_bytes())?;
        }
        Ok(())
    }
}
