//! `agree`, `compare` and `age` on plain tables: the whole process, its numbers against independently
//! computed ones, its errors word for word.

mod age;
mod age_courses;
mod age_reference;
mod age_reference_truth;
mod age_shared;
mod age_truth;
mod agreement;
mod compare;
mod difference;
mod errors;
mod limits;
mod limits_odd;
mod link;
mod link_depth;
mod link_garden;
mod link_many;
mod link_truth;
mod made_units;
mod published;
mod run;
mod schemas;
mod seeds;
mod sessions;
mod sheet;
mod tasters;
mod trial;
mod trial_figures;
mod trial_refused;
mod trials;
