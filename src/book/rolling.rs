//! How long the leaf was rolled under pressure, and how often the pressure was released.

use super::derived::{Got, shown};
use super::lots::{How, Lot, LotValue, MAIN, PRESS_OFF, PRESS_ON};
use super::time::Moment;

/// Pressure as it was put on and released.
pub(super) struct Pressed {
    pub(super) minutes: Option<Got>,
    pub(super) cycles: Option<Got>,
}

impl Lot {
    /// Minutes under pressure in all, and how often it was put on and released again: from the moments
    /// of both if they were logged, else as they were counted. Why moments say nothing is told in
    /// `notes`.
    pub(super) fn pressed(&self, notes: &mut Vec<String>) -> Pressed {
        let logged = |parameter: &str, unit: Option<&str>| match unit {
            Some(unit) => self.as_logged(parameter, unit),
            None => self.making(parameter).and_then(|v| {
                let estimated = v.how == How::Estimated;
                let how = format!("{} as {parameter}", v.how.word());
                Some(Got { value: v.value.number()?, how, estimated })
            }),
        };
        let minutes = logged("roll.press-minutes", Some("min"));
        let cycles = logged("roll.press-cycles", None);
        let (on, off) = (self.history(PRESS_ON, MAIN), self.history(PRESS_OFF, MAIN));
        if on.is_empty() && off.is_empty() {
            return Pressed { minutes, cycles };
        }
        match spells(&on, &off) {
            Ok(spells) => {
                let estimated = on.iter().chain(&off).any(|v| v.how == How::Estimated);
                let worked_out = |value: f64| Got {
                    value,
                    how: format!("from the moments of {PRESS_ON} and {PRESS_OFF}"),
                    estimated,
                };
                let sum: f64 = spells.iter().map(|(from, to)| to.hours_since(*from) * 60.0).sum();
                let n = spells.len() as f64;
                for (counted, moments, what) in
                    [(&minutes, sum, "roll.press-minutes"), (&cycles, n, "roll.press-cycles")]
                {
                    if let Some(c) = counted.as_ref().filter(|c| (c.value - moments).abs() > 0.5) {
                        notes.push(format!(
                            "{what} is {} as logged and {} by the moments of pressure; the moments count",
                            shown(c.value),
                            shown(moments)
                        ));
                    }
                }
                Pressed { minutes: Some(worked_out(sum)), cycles: Some(worked_out(n)) }
            }
            Err(why) => {
                notes.push(format!(
                    "the moments of pressure say nothing: {why}; log the one that is missing, or \
                     replace the wrong one"
                ));
                Pressed { minutes, cycles }
            }
        }
    }
}

/// Stretches under pressure, or why the moments make none.
fn spells(on: &[&LotValue], off: &[&LotValue]) -> Result<Vec<(Moment, Moment)>, String> {
    let moments = |list: &[&LotValue], on: bool| -> Vec<(Moment, bool)> {
        list.iter().filter_map(|v| Some((v.value.moment()?, on))).collect()
    };
    let mut all = moments(on, true);
    all.extend(moments(off, false));
    // A release goes before the next pressure of the same moment.
    all.sort_by_key(|(m, on)| (m.timestamp(), *on));
    all.dedup();
    let mut spells = Vec::new();
    let mut since: Option<Moment> = None;
    for (moment, on) in all {
        match (since, on) {
            (None, true) => since = Some(moment),
            (Some(from), false) => {
                spells.push((from, moment));
                since = None;
            }
            (Some(from), true) => {
                return Err(format!("put on at {from} and again at {moment}, without a release"));
            }
            (None, false) => return Err(format!("released at {moment} without being put on")),
        }
    }
    since.map_or(Ok(spells), |from| Err(format!("put on at {from} and not released")))
}
