//! Logger files: read as they came, with what is odd in them told.

use std::fmt::Write as _;
use std::fs;

use blindsteep::book::book_file::Limits;
use blindsteep::book::course::course;
use blindsteep::book::lots::{How, LotFile};
use blindsteep::book::making::making;
use blindsteep::book::problem::Problems;
use blindsteep::book::readings::{ReadingRules, Readings, parse};
use blindsteep::book::time::Moment;
use blindsteep::book::writing::{NewLot, add_lot};
use jiff::tz::Offset;

use super::{new_book, noon, rng};

fn read_by(text: &str, rules: &ReadingRules) -> Result<Readings, String> {
    let mut problems = Problems::new();
    let clock = Offset::from_hours(8).unwrap();
    let found = parse("leaf.csv", text, rules, clock, &mut problems);
    found.ok_or_else(|| problems.to_string())
}

fn read(text: &str) -> Result<Readings, String> {
    read_by(text, &ReadingRules::default())
}

fn at(text: &str) -> Moment {
    text.parse().unwrap()
}

/// One reading each `step` seconds from 08:00 on, of a temperature by hours.
fn table(step: i64, hours: f64, celsius: impl Fn(f64) -> f64) -> String {
    let start = at("2026-05-01T08:00:00+08:00");
    let mut text = "time,temperature °C\n".to_owned();
    for second in (0..=(hours * 3600.0) as i64).step_by(step as usize) {
        let moment = start.later(second).to_string();
        writeln!(text, "{},{}", &moment[..19], celsius(second as f64 / 3600.0)).unwrap();
    }
    text
}

#[test]
fn a_ramp_of_temperature_has_its_integral_in_closed_form() {
    // T = 20 + 3 t: ∫ q^((T − 25)/10) dt = 10/(3 ln q) · (q^((20 + 3h − 25)/10) − q^((20 − 25)/10)).
    let h = 5.0;
    let closed = |q: f64| {
        let rate = |c: f64| q.powf((c - 25.0) / 10.0);
        10.0 / (3.0 * q.ln()) * (rate(20.0 + 3.0 * h) - rate(20.0))
    };
    let readings = read(&table(60, h, |t| 20.0 + 3.0 * t)).unwrap();
    let (from, to) = (at("2026-05-01T08:00:00+08:00"), at("2026-05-01T13:00:00+08:00"));
    let found = course(&[readings], from, to, 30.0).unwrap().unwrap();
    assert_eq!((found.n, found.hours()), (301, h));
    assert!((found.mean_c() - 27.5).abs() < 1e-9);
    for q in [1.5, 2.0, 2.5] {
        assert!((found.hours_at_25(q) - closed(q)).abs() < 1e-9, "{q}");
    }
    // At a constant rate the hours are the hours.
    assert!((found.hours_at_25(1.0) - h).abs() < 1e-9);
}

#[test]
fn a_curved_course_agrees_with_a_fine_sum() {
    // A pile that warms and cools. Second route: Simpson's rule over the true curve in 0.36 s steps;
    // what straight lines between minutes add is of the order of (Δt)² T'' and well below 1e-6.
    let celsius = |t: f64| 30.0 + 8.0 * (t * 1.3).sin();
    let rate = |t: f64| 2_f64.powf((celsius(t) - 25.0) / 10.0);
    let (h, n) = (4.0, 40_000);
    let step = h / f64::from(n);
    let weight = |i: i32| {
        if i == 0 || i == n {
            1.0
        } else if i % 2 == 1 {
            4.0
        } else {
            2.0
        }
    };
    let sum: f64 = (0..=n).map(|i| weight(i) * rate(f64::from(i) * step)).sum();
    let readings = read(&table(60, h, celsius)).unwrap();
    let (from, to) = (at("2026-05-01T08:00:00+08:00"), at("2026-05-01T12:00:00+08:00"));
    let found = course(&[readings], from, to, 30.0).unwrap().unwrap();
    assert!((found.hours_at_25(2.0) - sum * step / 3.0).abs() < 1e-4);
    // And with plain trapezoids of the rate at the readings.
    let rates: Vec<f64> = (0..=240).map(|i| rate(f64::from(i) / 60.0)).collect();
    let trapezoids: f64 = rates.windows(2).map(|w| (w[0] + w[1]) / 120.0).sum();
    assert!((found.hours_at_25(2.0) - trapezoids).abs() < 1e-4);
}

#[test]
fn the_ends_are_cut_between_readings_and_short_gaps_are_bridged() {
    let text = "time,temp (C)\n2026-05-01 07:50,20\n2026-05-01 08:10,24\n2026-05-01 08:35,24\n\
                2026-05-01 08:50,30\n";
    let readings = [read(text).unwrap()];
    let (from, to) = (at("2026-05-01T08:00:00+08:00"), at("2026-05-01T09:00:00+08:00"));
    let found = course(&readings, from, to, 30.0).unwrap().unwrap();
    // By hand: 22 at 8:00, 24 at 8:10 and at 8:35, 30 at 8:50, held to 9:00:
    // (10·23 + 25·24 + 15·27 + 10·30)/60 = 25.583.
    assert!((found.mean_c() - 1535.0 / 60.0).abs() < 1e-9);
    assert_eq!((found.n, found.longest_gap_minutes), (3, 25.0));
    let why = course(&readings, from, to, 20.0).unwrap().unwrap_err();
    assert!(why.contains("from 2026-05-01T08:10:00+08:00 to 2026-05-01T08:35:00+08:00"), "{why}");
    assert!(why.contains("a gap of 25 min, more than the 20 that are bridged"), "{why}");
    // Ends that are too far away, and a stretch without a reading.
    assert!(course(&readings, from, at("2026-05-01T10:00:00+08:00"), 30.0).unwrap().is_err());
    assert!(course(&readings, from, at("2026-05-01T08:05:00+08:00"), 30.0).is_none());
    // A reading long before lends nothing, the first one within the limit is held.
    let text = "time,temp (C)\n2026-05-01 06:00,10\n2026-05-01 08:10,24\n2026-05-01 08:20,24\n";
    let found = course(&[read(text).unwrap()], from, at("2026-05-01T08:20:00+08:00"), 30.0);
    assert!((found.unwrap().unwrap().mean_c() - 24.0).abs() < 1e-12);
}

#[test]
fn a_logger_that_wrote_no_temperature_gives_no_course() {
    let text = "time,temp (C)\n2026-05-01 07:59,20\n2026-05-01 08:01,\n2026-05-01 08:03,22\n";
    let (from, to) = (at("2026-05-01T08:00:00+08:00"), at("2026-05-01T08:02:00+08:00"));
    let why = course(&[read(text).unwrap()], from, to, 30.0).unwrap().unwrap_err();
    assert!(why.contains("no temperature"), "{why}");
}

#[test]
fn a_file_as_loggers_write_them_is_read_and_what_is_odd_is_told() {
    let text = "\u{feff}Serial;4711\nInterval;60 s\n\nDate;Time;Temperature (°F);Humidity (%)\n\
                2026/05/01;08:02:00;77,0;95,5\n2026/05/01;08:00:00;68,0;94\n\
                2026/05/01;08:01:00;;95\n2026/05/01;08:02:00;77,0;95,5\n2026/05/01;08:02:00;86,0;\n";
    let found = read(text).unwrap();
    let first = at("2026-05-01T08:00:00+08:00").timestamp().as_second();
    assert_eq!(found.seconds, [first, first + 60, first + 120]);
    // By definition 68 °F are 20 °C, 77 are 25 and 86 are 30; the mean of 25, 25 and 30 is 26.667.
    assert_eq!(found.celsius[0], Some(20.0));
    assert_eq!(found.celsius[1], None);
    assert!((found.celsius[2].unwrap() - 80.0 / 3.0).abs() < 1e-12);
    assert_eq!(found.humidity_pct, [Some(94.0), Some(95.0), Some(95.5)]);
    let told = found.notices.join("\n");
    for part in [
        "1 reading stood before earlier ones",
        "1 reading without a temperature",
        "2 readings stood there a second time",
        "1 reading unlike another of the same moment",
    ] {
        assert!(told.contains(part), "{told}");
    }
}

#[test]
fn another_zone_is_followed_and_told() {
    let text = "timestamp,temp\n2026-05-01T00:00:00Z,20\n2026-05-01T08:01:00.250+08:00,21\n";
    let found = read(text).unwrap();
    let first = at("2026-05-01T08:00:00+08:00").timestamp().as_second();
    assert_eq!(found.seconds, [first, first + 60]);
    let told = found.notices.join("\n");
    assert!(told.contains("1 reading with an offset of their own"), "{told}");
    assert!(told.contains("no unit of temperature"), "{told}");
    let rules = ReadingRules { offset: Some("+00:00".to_owned()), ..ReadingRules::default() };
    let found = read_by("time,temp °C\n2026-05-01 00:00,20\n", &rules).unwrap();
    assert_eq!(found.seconds, [first]);
}

#[test]
fn a_form_of_time_is_said_in_the_book_and_never_guessed() {
    let text = "Zeit\tFühler 1\n05.06.2026 08:00\t20,5\n";
    assert!(read(text).unwrap_err().contains("no header line was found"));
    let rules = ReadingRules {
        time: vec!["Zeit".to_owned()],
        temperature: Some("Fühler 1".to_owned()),
        ..ReadingRules::default()
    };
    let told = read_by(text, &rules).unwrap_err();
    assert!(told.starts_with("leaf.csv:2:1: the time is \"05.06.2026 08:00\""), "{told}");
    assert!(told.contains("time_format"), "{told}");
    let rules = ReadingRules { time_format: Some("%d.%m.%Y %H:%M".to_owned()), ..rules };
    let found = read_by(text, &rules).unwrap();
    let moment = at("2026-06-05T08:00:00+08:00").timestamp().as_second();
    assert_eq!((found.seconds, found.celsius), (vec![moment], vec![Some(20.5)]));
}

#[test]
fn the_unit_is_read_from_the_words_of_the_header() {
    // By definition 77 °F are 25 °C, and 298.15 K too.
    for (header, value) in [
        ("temperature F", "77"),
        ("Temperature_F", "77"),
        ("Temp degF", "77"),
        ("Fahrenheit", "77"),
        ("Temperature (ºF)", "77"),
        ("TempF", "77"),
        ("温度（华氏）", "77"),
        ("°F", "77"),
        ("Celsius(°C)", "25"),
        ("temperature C", "25"),
        ("Temp_degC", "25"),
        ("temperature K", "298.15"),
        ("Temperature [kelvin]", "298.15"),
    ] {
        let found = read(&format!("time,{header}\n2026-05-01 08:00,{value}\n")).unwrap();
        assert!((found.celsius[0].unwrap() - 25.0).abs() < 1e-9, "{header}: {:?}", found.celsius);
        assert!(found.notices.is_empty(), "{header}: {:?}", found.notices);
    }
    // No word, or words that contradict each other: °C, and it is said.
    for header in ["temperature", "temp of leaf", "temperature F (°C)"] {
        let found = read(&format!("time,{header}\n2026-05-01 08:00,25\n")).unwrap();
        assert_eq!(found.celsius, [Some(25.0)], "{header}");
        assert!(found.notices[0].contains("no unit"), "{header}: {:?}", found.notices);
    }
    assert!(read("time,Celsius,Fahrenheit\n2026-05-01 08:00,25,77\n").is_err());
}

#[test]
fn readings_that_no_leaf_can_have_are_told_and_not_taken() {
    let (_dir, book) = with_logger(&[("leaf.csv", table(300, 5.0, |_| 77.0).replace(" °C", ""))]);
    let lot = book.lot("A").unwrap();
    assert!(lot.followed.course.is_none());
    let told = lot.followed.notes.join("\n");
    assert!(told.contains("leaf.csv: the readings are not used: their mean"), "{told}");
    assert!(told.contains("is 77.0 °C, and no leaf lies outside 5 to 60 °C"), "{told}");
}

/// A lot that was rolled at 8:00 and dried from 13:00 on, with logger files.
fn with_logger(files: &[(&str, String)]) -> (tempfile::TempDir, blindsteep::book::Book) {
    let (dir, book) = new_book();
    let file = LotFile::new("A", "black", "2026-05-01".parse().unwrap());
    let values =
        [("roll.start", "2026-05-01T08:00:00+08:00"), ("dry.start", "2026-05-01T13:00:00+08:00")];
    let values = values.iter().map(|(p, v)| ((*p).to_owned(), (*v).to_owned())).collect();
    add_lot(&book, &NewLot { values, ..NewLot::of(file) }, noon(), &mut rng()).unwrap();
    let folder = book.root().join("lots/A/readings");
    fs::create_dir(&folder).unwrap();
    for (name, text) in files {
        fs::write(folder.join(name), text).unwrap();
    }
    (dir, book)
}

#[test]
fn a_file_that_cannot_be_read_is_left_out_and_the_rest_goes_on() {
    let good = ("good.csv", table(300, 5.0, |_| 26.0));
    let (_dir, book) = with_logger(&[("empty.csv", String::new()), good]);
    let folder = book.root().join("lots/A/readings");
    // "Fühler" as ISO 8859-1 writes it.
    fs::write(folder.join("latin.csv"), b"time,F\xfchler\n2026-05-01 08:00,20\n").unwrap();
    let lots = book.lots().unwrap();
    let lot = book.lot("A").unwrap();
    assert!((lot.followed.course.as_ref().unwrap().mean_c() - 26.0).abs() < 1e-9);
    let told = lot.derived().notes.join("\n");
    assert!(
        told.contains("empty.csv: the file is left out: the file is empty; expected: a header"),
        "{told}"
    );
    assert!(
        told.contains("latin.csv:1:7: the file is left out: a byte here is not UTF-8"),
        "{told}"
    );
    assert!(told.contains("open it in an editor (a table also in a spreadsheet)"), "{told}");
    assert_eq!(lots.len(), 1);
    // For `check` they are mistakes, each told once.
    let checked = blindsteep::book::check::check(&book).unwrap();
    assert_eq!(checked.problems.len(), 2, "{}", checked.problems);
    assert_eq!(checked.lots.len(), 1);
}

#[test]
fn two_loggers_that_ran_at_the_same_time_and_contradict_each_other_are_told() {
    let away = |t: f64| if (2.0..3.0).contains(&t) { 29.0 } else { 26.5 };
    let (_dir, book) =
        with_logger(&[("a.csv", table(300, 5.0, |_| 26.0)), ("b.csv", table(240, 5.0, away))]);
    let told = book.lot("A").unwrap().derived().notes.join("\n");
    let part = "a.csv and lots/A/readings/b.csv ran at the same time and differ by up to 3.0 °C (at \
                2026-05-01T10:00:00+08:00)";
    assert!(told.contains(part), "{told}");
    let near = table(240, 5.0, |_| 27.5);
    fs::write(book.root().join("lots/A/readings/b.csv"), near).unwrap();
    let told = book.lot("A").unwrap().derived().notes.join("\n");
    assert!(!told.contains("ran at the same time"), "{told}");
}

#[test]
fn no_text_makes_the_reader_panic() {
    let pieces =
        ["time,temp\n", "2026-05-01 08:00,", "\"", "20\n", ";", "é", "2026-13-01", "\n", "+99:99"];
    let mut text = String::new();
    let mut state = 1_u64;
    for _ in 0..3000 {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        text.push_str(pieces[(state >> 33) as usize % pieces.len()]);
        if text.len() > 200 {
            text.clear();
        }
        let _ = read(&text);
    }
}

#[test]
fn readings_count_before_the_mean_that_was_logged_and_the_difference_is_told() {
    let (_dir, book) = new_book();
    let file = LotFile::new("A", "black", "2026-05-01".parse().unwrap());
    let values = [
        ("roll.start", "2026-05-01T08:00:00+08:00"),
        ("dry.start", "2026-05-01T13:00:00+08:00"),
        ("oxidise.temperature", "26"),
    ];
    let values = values.iter().map(|(p, v)| ((*p).to_owned(), (*v).to_owned())).collect();
    let new = NewLot { values, how: How::Estimated, ..NewLot::of(file) };
    add_lot(&book, &new, noon(), &mut rng()).unwrap();
    let folder = book.root().join("lots/A/readings");
    fs::create_dir(&folder).unwrap();
    fs::write(folder.join("leaf.csv"), table(300, 5.0, |t| 20.0 + 3.0 * t)).unwrap();
    let lots = book.lots().unwrap();
    let a = making(&lots[0], &lots, &Limits::default());
    let number = |p: &str| a.value(p).unwrap().value.number().unwrap();
    assert!((number("oxidise.temperature") - 27.5).abs() < 1e-9);
    assert_eq!(a.value("oxidise.temperature").unwrap().how, How::Measured);
    // log2 of the closed form over 3, as in the ramp above; the moments were estimated.
    let rate = |c: f64| 2_f64.powf((c - 25.0) / 10.0);
    let hours = 10.0 / (3.0 * 2_f64.ln()) * (rate(35.0) - rate(20.0));
    assert!((number("derived.oxidation-dose") - (hours / 3.0).log2()).abs() < 1e-9);
    assert_eq!(a.value("derived.oxidation-dose").unwrap().how, How::Estimated);
    let [note] = a.notes.as_slice() else { panic!("{:?}", a.notes) };
    assert!(note.contains("26 °C as logged and 27.5 °C by the readings"), "{note}");
    // A logger on another clock is not silently without effect.
    let away = table(300, 5.0, |_| 20.0).replace("2026-05-01T", "2026-05-02T");
    fs::write(folder.join("leaf.csv"), away).unwrap();
    let lots = book.lots().unwrap();
    let a = making(&lots[0], &lots, &Limits::default());
    assert_eq!(a.value("oxidise.temperature").unwrap().value.number(), Some(26.0));
    assert!(a.notes[0].contains("no reading lies between the first roll"), "{:?}", a.notes);
}

#[test]
fn behind_a_jump_back_of_the_clock_no_time_counts_twice() {
    let mut text = "time,temperature °C\n".to_owned();
    let mut hours = |from: i64, to: i64, celsius: f64| {
        for hour in from..to {
            let moment = at("2026-05-01T00:00:00+08:00").later(hour * 3600).to_string();
            writeln!(text, "{},{celsius}", &moment[..19]).unwrap();
        }
    };
    hours(0, 12, 20.0);
    // By 5 h back, at line 14.
    hours(7, 20, 30.0);
    let found = read(&text).unwrap();
    assert_eq!(found.seconds.len(), 20);
    let warm = found.celsius.iter().filter(|c| **c == Some(30.0)).count();
    assert_eq!(warm, 8, "only what was not read before: 12:00 to 19:00");
    assert_eq!(found.celsius[11], Some(20.0));
    let told = found.notices.join("\n");
    assert!(told.contains("leaf.csv:14: the time goes back from 2026-05-01T11:00:00+08:00 to 2026-05-01T07:00:00+08:00, by 4.0 h"), "{told}");
    assert!(told.contains("5 readings behind it fall into time that was read before"), "{told}");
    assert!(!told.contains("stood before earlier ones"), "{told}");
}

#[test]
fn files_that_were_joined_in_any_order_lose_nothing() {
    let part = |day: i64| -> Vec<String> {
        let of_hour = |h: i64| {
            let moment = at("2026-05-01T00:00:00+08:00").later(day * 86_400 + h * 3600).to_string();
            format!("{},{}\n", &moment[..19], 20 + day)
        };
        (0..24).map(of_hour).collect()
    };
    // The third day, the first, the second, and the first again.
    let rows: Vec<String> = [2, 0, 1, 0].into_iter().flat_map(part).collect();
    let found = read(&format!("time,temperature °C\n{}", rows.concat())).unwrap();
    assert_eq!(found.seconds.len(), 72);
    assert_eq!((found.celsius[0], found.celsius[71]), (Some(20.0), Some(22.0)));
    let told = found.notices.join("\n");
    assert!(told.contains("24 readings stood there a second time"), "{told}");
    // Newest first is put in order, and no jump.
    let rows: Vec<String> = part(0).into_iter().rev().collect();
    let found = read(&format!("time,temperature °C\n{}", rows.concat())).unwrap();
    assert_eq!(found.seconds.len(), 24);
    assert!(!found.notices.join("\n").contains("goes back"), "{:?}", found.notices);
}

#[test]
fn days_that_cannot_be_are_told_with_their_line() {
    let text =
        "time,temperature °C\n2000-01-01 00:00,20\n2026-05-01 08:00,20\n2150-05-01 09:00,20\n";
    let told = read(text).unwrap().notices.join("\n");
    assert!(told.contains("leaf.csv:3: the time goes forward from 2000-01-01"), "{told}");
    assert!(told.contains("leaf.csv:4: 1 reading lies in the future"), "{told}");
}

#[test]
fn a_gap_that_is_bridged_follows_the_step_of_the_file_unless_the_book_says_it() {
    let gap = |step: i64, rules: &ReadingRules| {
        read_by(&table(step, 24.0, |_| 20.0), rules).unwrap().longest_gap_minutes
    };
    let none = ReadingRules::default();
    assert_eq!([60, 600, 720, 3600, 7200].map(|s| gap(s, &none)), [30.0, 30.0, 30.0, 150.0, 300.0]);
    let set = ReadingRules { longest_gap_minutes: Some(45.0), ..ReadingRules::default() };
    assert_eq!([60, 3600].map(|s| gap(s, &set)), [45.0, 45.0]);
}

#[test]
fn the_form_of_a_time_that_fits_is_named() {
    for (time, form) in [
        ("31.07.2026 00:00", "\"%d.%m.%Y %H:%M\""),
        ("31.07.2026 00:00:10", "\"%d.%m.%Y %H:%M:%S\""),
        ("31.07.26 00:00", "\"%d.%m.%y %H:%M\""),
        ("07/31/2026 1:05 PM", "\"%m/%d/%Y %I:%M %p\""),
        ("05/06/2026 08:00", "\"%d/%m/%Y %H:%M\" or time_format = \"%m/%d/%Y %H:%M\""),
    ] {
        let text = format!("time,temperature °C\n{time},20\n");
        let told = read(&text).unwrap_err();
        assert!(told.contains(&format!("time_format = {form}")), "{told}");
        assert!(told.contains("[[readings.logger]] files = \"leaf.csv\""), "{told}");
        // What is named is read.
        let form = form.split('"').nth(1).unwrap().to_owned();
        let rules = ReadingRules { time_format: Some(form), ..ReadingRules::default() };
        read_by(&text, &rules).unwrap();
    }
}

#[test]
fn a_file_with_quotes_is_read_as_one_without() {
    let hot = table(60, 2.0, |t| 20.0 + 3.0 * t);
    let humid = "time,temperature °C,humidity\n2026-05-01T08:00:00+08:00,21.5,40\n\
                 2026-05-01T08:01:00+07:00, 21.25 ,\n2026-05-01T08:00:30Z,.5,7e1\n";
    let commas = "time;temperature °C\n2026-05-01 08:00;21,5\n2026-05-01 08:02;-3\n \n;\n";
    let wrong = "time,temperature °C\n2026-05-01 08:00,21.5\n2026-05-01 08:01,21.5.5\n\
                 2026-05-01 08:02,21\n2026-05-01 08:03,.\n2026-05-01 08:04,1,2\n";
    let mut mistakes = 0;
    for text in [hot.as_str(), humid, commas, wrong, &hot.replace('\n', "\r\n")] {
        let (header, body) = text.split_once('\n').unwrap();
        let quoted: Vec<String> = body
            .lines()
            .map(|line| {
                let end = line.find([',', ';']).unwrap_or(0);
                if end == 0 {
                    line.to_owned()
                } else {
                    format!("\"{}\"{}", &line[..end], &line[end..])
                }
            })
            .collect();
        let quoted = format!("{header}\n{}\n", quoted.join("\n"));
        let (plain, quoted) = (read(text), read(&quoted));
        mistakes += usize::from(plain.is_err());
        // Where a line is shown, its quotes are; its cells stand further to the right.
        let told = |r: Result<Readings, String>| {
            r.map_err(|e| {
                let lines = e.lines().filter(|l| !l.trim_start().starts_with('|'));
                let placed = |l: &str| match l.strip_prefix("leaf.csv:") {
                    Some(rest) => {
                        let mut parts = rest.splitn(3, ':');
                        let (line, _, what) = (parts.next(), parts.next(), parts.next());
                        format!("{line:?} {what:?}")
                    }
                    None => l.replace('"', ""),
                };
                lines.map(placed).collect::<Vec<_>>()
            })
        };
        assert_eq!(told(plain), told(quoted), "{text}");
    }
    assert_eq!(mistakes, 1);
    // Short numbers are made of their digits, all others by the usual way: both the nearest.
    let mut dice = rng();
    use rand_chacha::rand_core::Rng as _;
    let mut text = "time,temperature °C\n".to_owned();
    let written: Vec<String> = (0..2000)
        .map(|i| {
            let places = i % 16;
            format!(
                "{}.{:0places$}",
                dice.next_u32() % 200,
                dice.next_u64() % 10_u64.pow(places as u32)
            )
        })
        .collect();
    let start = at("2026-05-01T08:00:00+08:00");
    for (i, celsius) in written.iter().enumerate() {
        let moment = start.later(60 * i as i64).to_string();
        writeln!(text, "{},{celsius}", &moment[..19]).unwrap();
    }
    let found = read(&text).unwrap().celsius;
    let expected: Vec<Option<f64>> = written.iter().map(|w| w.parse().ok()).collect();
    assert_eq!(found, expected);
}
