//! `agree` and `compare` on plain tables: the whole process, its numbers against independently
//! computed ones, its errors word for word.

mod errors;
mod limits;
mod published;
mod run;
mod schemas;
mod sessions;
mod sheet;
