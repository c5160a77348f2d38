//! What is due as a calendar file: iCalendar, RFC 5545, all-day events.
//!
//! A calendar is looked at by more people than the one who plans: it says nothing of sealed
//! sessions, and its events are private. Written here and not by a library: those that were looked
//! at (icalendar 0.17, ics 0.5) fold some lines at 76 octets instead of 75.

use crate::book::store;
use crate::book::time::{Day, Moment};
use crate::findings::Answer;
use crate::findings::due::{Due, SampleDue, State, Tasting};
use crate::plots::Lang;

/// What a calendar is written with.
#[derive(Debug, Clone, Copy)]
pub struct Writing<'a> {
    /// What the book is called: events of different books must not be taken for each other.
    pub book: &'a str,
    /// When it is written.
    pub now: Moment,
    /// The language.
    pub lang: Lang,
}

/// What the product identifier of these calendars begins with.
const PRODUCT: &str = "-//blindsteep//blindsteep ";

/// Whether a file is a calendar that this program wrote: then a later one may take its place.
#[must_use]
pub fn is_own(text: &str) -> bool {
    let mut lines = text.lines();
    lines.next() == Some("BEGIN:VCALENDAR")
        && lines
            .take_while(|l| !l.starts_with("BEGIN:"))
            .any(|l| l.strip_prefix("PRODID:").is_some_and(|id| id.starts_with(PRODUCT)))
}

/// How many events a calendar has.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Events {
    /// Tastings.
    pub tastings: usize,
    /// Events that take earlier ones back.
    pub cancelled: usize,
}

/// The calendar, and how many events it has.
#[must_use]
pub fn of(f: &Due, w: &Writing<'_>) -> (String, Events) {
    let mut out = Lines::default();
    out.line("BEGIN", "VCALENDAR");
    out.line("VERSION", "2.0");
    let product = format!("{PRODUCT}{}//EN", env!("CARGO_PKG_VERSION"));
    out.line("PRODID", &product);
    out.line("CALSCALE", "GREGORIAN");
    out.line("METHOD", "PUBLISH");
    let name = match w.lang {
        Lang::En => format!("Tasting again: {}", w.book),
        Lang::Zh => format!("复评：{}", w.book),
    };
    out.text("X-WR-CALNAME", &name);
    let mut n = Events::default();
    for sample in &f.samples {
        for tasting in &sample.tastings {
            let Some((day, cancelled)) = placed(f, sample, tasting) else { continue };
            event(&mut out, w, sample, tasting, day, cancelled);
            *if cancelled { &mut n.cancelled } else { &mut n.tastings } += 1;
        }
    }
    out.line("END", "VCALENDAR");
    (out.text, n)
}

/// The day of an event, and whether it takes an earlier one back. What is overdue stands on the day
/// that was asked about. Whether a sample is in a sealed session makes no difference.
fn placed(f: &Due, sample: &SampleDue, t: &Tasting) -> Option<(Day, bool)> {
    match t.state {
        State::Done => (t.day >= f.on).then_some((t.day, true)),
        _ if t.counts_before.known().is_some_and(|before| *before <= f.on) => None,
        _ => Some((t.day.max(f.on), sample.state == State::Unfit)),
    }
}

fn event(
    out: &mut Lines,
    w: &Writing<'_>,
    sample: &SampleDue,
    tasting: &Tasting,
    day: Day,
    cancelled: bool,
) {
    out.line("BEGIN", "VEVENT");
    let of = [w.book, &sample.sample, &tasting.age].join("\n");
    out.line("UID", &format!("{}@blindsteep", &store::digest(of.as_bytes())[..32]));
    out.line("DTSTAMP", &w.now.timestamp().strftime("%Y%m%dT%H%M%SZ").to_string());
    // A later copy goes before an earlier one: days since the first that there could be.
    let first = Day(jiff::civil::date(2020, 1, 1));
    let sequence = (w.now.day().0 - first.0).get_days().max(0);
    out.line("SEQUENCE", &sequence.to_string());
    out.line("DTSTART;VALUE=DATE", &date(day));
    out.line("DTEND;VALUE=DATE", &date(day.later(1)));
    out.line("STATUS", if cancelled { "CANCELLED" } else { "CONFIRMED" });
    out.line("CLASS", "PRIVATE");
    out.line("TRANSP", "TRANSPARENT");
    if cancelled {
        let (summary, description) = taken_back(w.lang, sample, tasting);
        out.text("SUMMARY", &summary);
        out.text("DESCRIPTION", &description);
    } else {
        out.text("SUMMARY", &summary(w.lang, sample, tasting, day));
        out.text("DESCRIPTION", &description(w.lang, sample, tasting, day));
    }
    out.line("END", "VEVENT");
}

fn date(day: Day) -> String {
    day.0.strftime("%Y%m%d").to_string()
}

fn summary(lang: Lang, sample: &SampleDue, tasting: &Tasting, day: Day) -> String {
    let late = day > tasting.day;
    match lang {
        Lang::En => {
            let since = if late { format!(" (due {})", tasting.day) } else { String::new() };
            format!("Taste {} again: {}{since}", sample.sample, tasting.words)
        }
        Lang::Zh => {
            let since = if late { format!("（应于 {}）", tasting.day) } else { String::new() };
            format!("复评 {}：{}{since}", sample.sample, tasting.words_zh)
        }
    }
}

/// What an event says that takes an earlier one back: that the sample was tasted before its day, or
/// why it is not served. Nothing is to be planned for it.
fn taken_back(lang: Lang, sample: &SampleDue, tasting: &Tasting) -> (String, String) {
    let name = &sample.sample;
    match (lang, &tasting.done) {
        (Lang::En, Answer::Known(done)) => (
            format!("Tasted already: {name}, {} (on {})", tasting.words, done.day),
            format!("{} is done: session {}.", tasting.words, done.session),
        ),
        (Lang::Zh, Answer::Known(done)) => (
            format!("已评：{name}，{}（{}）", tasting.words_zh, done.day),
            format!("{}已完成：场次 {}。", tasting.words_zh, done.session),
        ),
        (Lang::En, Answer::Unknown(_)) => (
            format!("Not tasted: {name}, {} (in quarantine or too damp)", tasting.words),
            format!("{name} is not served: {}.", sample.not_served.join("; ")),
        ),
        (Lang::Zh, Answer::Unknown(_)) => (
            format!("不评：{name}，{}（隔离或过潮）", tasting.words_zh),
            format!("{name} 不供评：{}。", sample.not_served.join("; ")),
        ),
    }
}

fn description(lang: Lang, sample: &SampleDue, tasting: &Tasting, day: Day) -> String {
    let command = format!("blindsteep due --on {day} --plan NAME --tasters A,B,C");
    let grams = |g: &Answer<f64>| g.known().map(|g| format!("{g:.1} g"));
    let (need, left) = (grams(&sample.need_g), grams(&sample.logged_g));
    let recipe = sample.recipe.known().map_or("?", String::as_str);
    match lang {
        Lang::En => {
            let need = need.unwrap_or_else(|| "not known".to_owned());
            let left = left.unwrap_or_else(|| "no reserve recorded".to_owned());
            format!(
                "Made (or packed) {}; {} on {}.\nLeaf: {need} at most; left by the log: {left}.\n\
                 Recipe: {recipe}.\nTo plan the session: {command}\nKeep this calendar from whoever \
                 tastes: it names samples.",
                sample.counts_from, tasting.words, tasting.day
            )
        }
        Lang::Zh => {
            let need = need.unwrap_or_else(|| "未知".to_owned());
            let left = left.unwrap_or_else(|| "未记录留样".to_owned());
            format!(
                "制成（或包装）：{}；{} 满 {}。\n茶叶：至多 {need}；按记录余：{left}。\n冲泡方法：{recipe}。\n\
                 排定场次：{command}\n勿让评茶员看到本日历：其中写有茶样。",
                sample.counts_from, tasting.day, tasting.words_zh
            )
        }
    }
}

/// Content lines, each ended and folded as RFC 5545, section 3.1, says.
#[derive(Default)]
struct Lines {
    text: String,
}

impl Lines {
    /// A line whose value is no text of anybody's.
    fn line(&mut self, name: &str, value: &str) {
        const OCTETS: usize = 75;
        let mut used = 0;
        for c in format!("{name}:{value}").chars() {
            // Within a character no line is broken.
            if used + c.len_utf8() > OCTETS {
                self.text.push_str("\r\n ");
                used = 1;
            }
            self.text.push(c);
            used += c.len_utf8();
        }
        self.text.push_str("\r\n");
    }

    /// A line whose value is a text (section 3.3.11).
    fn text(&mut self, name: &str, value: &str) {
        let mut escaped = String::with_capacity(value.len());
        for c in value.chars() {
            match c {
                '\\' | ',' | ';' => escaped.extend(['\\', c]),
                '\n' => escaped.push_str("\\n"),
                // Other controls have no place in a text.
                c if c.is_control() => escaped.push(' '),
                c => escaped.push(c),
            }
        }
        self.line(name, &escaped);
    }
}
