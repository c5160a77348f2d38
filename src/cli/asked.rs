//! What every analysis is asked with, and how its answer is shown.

use std::path::PathBuf;

use clap::{ArgGroup, Args};
use serde::Serialize;

use super::table_args::{self, TableArgs};
use super::{Context, Failure, charts};
use crate::plots::PlotError;
use crate::scores::{Scores, from_revealed};
use crate::views;
use crate::views::charts::{Chart, Words};

/// The flags that all analyses share.
#[derive(Debug, Args)]
#[command(group(ArgGroup::new("drawn").multiple(true)))]
pub struct Asked {
    /// Revealed sessions of the book, by any unique part of their names
    #[arg(value_name = "SESSION")]
    pub(super) sessions: Vec<String>,
    /// All numbers as JSON, the name of its schema first
    #[arg(long)]
    pub(super) json: bool,
    /// Write charts (SVG) into this folder
    #[arg(long, value_name = "DIR", group = "drawn")]
    pub(super) charts: Option<PathBuf>,
    /// The language of what is drawn
    #[arg(long, value_enum, default_value_t, requires = "drawn")]
    pub(super) language: charts::Language,
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
        let all = table_args::named_or_all(&[], &context.book()?)?;
        from_revealed(&all).map_err(|e| Failure::Command(e.to_string()))
    }

    /// Shows an answer: its charts if they were asked for, then its text or its JSON.
    ///
    /// # Errors
    /// If a chart or the output cannot be written.
    pub fn show<F: Serialize>(
        &self,
        context: &mut Context,
        scores: &Scores,
        finding: &F,
        text: impl FnOnce(&F) -> String,
        draw: impl FnOnce(&F, &Words) -> Result<Vec<Chart>, PlotError>,
    ) -> Result<(), Failure> {
        if let Some(dir) = &self.charts {
            charts::write(dir, draw(finding, &charts::words(scores, self.language)))?;
        }
        self.show_text(context, finding, text)
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
