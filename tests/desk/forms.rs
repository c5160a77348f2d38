//! What the desk's forms refuse, ask back and offer.

use super::common::Garden;
use super::record::{Maker, between, open, plain};

/// What stands beside a field that is wrong, as a browser shows it: the text that the field is described by.
pub fn beside<'p>(page: &'p str, field: &str) -> &'p str {
    let at = page.find(&format!(" id=\"{field}\"")).unwrap_or_else(|| panic!("no {field}: {page}"));
    let begin = page[..at].rfind('<').unwrap();
    let tag = &page[begin..at + page[at..].find('>').unwrap()];
    assert!(tag.contains("aria-invalid=\"true\""), "{field}: {tag}");
    let described = between(tag, "aria-describedby=\"", "\"");
    let id = described.split(' ').next().unwrap();
    between(page, &format!("id=\"{id}\">"), "</span>")
}

pub fn refused(maker: &Maker, path: &str, fields: &[(&str, &str)]) -> String {
    let (status, page) = maker.post(path, fields);
    assert_eq!(status, 422, "{path}: {page}");
    plain(&page)
}

pub fn log_of(garden: &Garden, lot: &str) -> String {
    garden.read(&format!("lots/{lot}/log.csv"))
}

#[test]
fn a_number_far_from_what_is_usual_is_asked_back_by_every_form_until_it_is_meant() {
    let (garden, _desk, maker) = open();
    let before = log_of(&garden, "T25-16");
    let entry =
        before.lines().find(|l| l.contains(",wither.hours,")).unwrap().split(',').next().unwrap();
    // Form, field, what was typed and what is usual: by the parameter, by the values of the book, by tea making at all.
    let of_lot = [
        (
            "log",
            vec![("parameter", "wither.hours"), ("value", "999999")],
            "value",
            "6 to 18 h is usual",
        ),
        (
            "log",
            vec![("parameter", "pluck.mass"), ("value", "99999")],
            "value",
            "less than a tenth of the 99999 kg",
        ),
        ("move", vec![("temperature", "250"), ("place", "loft")], "temperature", "°C"),
        (
            "draw",
            vec![("which", "reserve.kept"), ("grams", "999999")],
            "grams",
            "values of this book are",
        ),
        (
            "correct",
            vec![("entry", entry), ("value", "1700"), ("reason", "slip")],
            "value",
            "6 to 18 h is usual",
        ),
    ];
    for (form, fields, field, usual) in of_lot {
        let path = format!("/lots/T25-16/{form}");
        let page = refused(&maker, &path, &fields);
        assert!(beside(&page, field).contains(usual), "{form}: {}", beside(&page, field));
        let typed = fields.iter().find(|(n, _)| *n == field).unwrap().1;
        assert!(page.contains(&format!("value=\"{typed}\"")), "what was typed stays: {page}");
        assert_eq!(log_of(&garden, "T25-16"), before, "{form}: nothing is written");
        // Meant of another text is not meant of this one.
        let other = format!("{field}=1");
        let with = |sure: &str| {
            [fields.clone(), vec![("sure", sure)]]
                .concat()
                .iter()
                .map(|(n, v)| ((*n).to_owned(), (*v).to_owned()))
                .collect::<Vec<_>>()
        };
        let send = |sure: &str| {
            let all = with(sure);
            maker
                .post(&path, &all.iter().map(|(n, v)| (n.as_str(), v.as_str())).collect::<Vec<_>>())
        };
        assert_eq!(send(&other).0, 422, "{form}");
        assert!(page.contains(&format!("name=\"sure\" value=\"{field}={typed}\"")), "{page}");
    }
    let meant = [("parameter", "wither.hours"), ("value", "999999"), ("sure", "value=999999")];
    assert_eq!(maker.post("/lots/T25-16/log", &meant).0, 303);
    assert!(log_of(&garden, "T25-16").contains(",wither.hours,999999,"));

    let new = [
        ("id", "T26-01"),
        ("class", "black"),
        ("made", "2026-05-20"),
        ("kg", "99999"),
        ("value:pluck.mass", "60"),
        ("value:wither.mass-in", "605"),
    ];
    let page = refused(&maker, "/lots/new", &new);
    assert!(beside(&page, "kg").contains("99999 kg, where the"), "{page}");
    assert!(
        beside(&page, "value:wither.mass-in").contains("605 kg, more than the 60 kg"),
        "{page}"
    );
    assert!(page.contains("is this right?"), "{page}");
    assert_eq!(page.matches("name=\"sure\"").count(), 2, "of two masses the later one: {page}");
    let page = refused(
        &maker,
        "/new-batch",
        &[("id", "T26-01"), ("class", "black"), ("made", "2026-05-20"), ("leaf", "99999")],
    );
    assert!(beside(&page, "leaf").contains("values of this book"), "{page}");
    let seen =
        between(&maker.shown("/lots/T25-16/edit"), "name=\"seen\" value=\"", "\"").to_owned();
    let edited =
        [("seen", seen.as_str()), ("class", "black"), ("made", "2025-10-08"), ("kg", "15000")];
    assert!(beside(&refused(&maker, "/lots/T25-16/edit", &edited), "kg").contains("15000 kg"));
}

#[test]
fn every_mistake_of_a_form_is_told_at_once_beside_its_field_in_its_words() {
    let (garden, _desk, maker) = open();
    let new = [
        ("id", "T25-16"),
        ("class", ""),
        ("made", "someday"),
        ("picked", "2026-05-18 then"),
        ("kg", "much"),
        ("run", "one"),
        ("reserve", "a handful"),
        ("value:wither.hours", "long"),
        ("value:pluck.mass", "12 h"),
        ("value:roll.minutes", "40"),
        ("notes", "stays <here>"),
    ];
    let page = refused(&maker, "/lots/new", &new);
    let told = [
        ("id", "there is a lot T25-16 already"),
        ("class", "class of tea is empty"),
        ("made", "someday"),
        ("picked", "then"),
        ("kg", "\"much\" is no mass"),
        ("run", "\"one\" is no run"),
        ("reserve", "\"a handful\" is no number"),
        ("value:wither.hours", "“time of withering” = \"long\" does not hold"),
        ("value:pluck.mass", "“fresh leaf”: the unit \"h\" does not fit"),
    ];
    for (field, text) in told {
        assert!(beside(&page, field).contains(text), "{field}: {}", beside(&page, field));
    }
    assert_eq!(page.matches("aria-invalid").count(), told.len(), "{page}");
    assert_eq!(between(&page, "<ul class=\"amiss\">", "</ul>").matches("<li>").count(), told.len());
    assert!(page.contains("<a href=\"#kg\">Made tea, kg: \"much\" is no mass</a>"), "{page}");
    assert!(page.contains("stays <here></textarea>"), "{page}");
    assert!(!page.contains("wither.hours = "), "{page}");
    assert!(!garden.root().join("lots/T26-01").exists());

    // In Chinese the same, by the labels of the page.
    let chinese = Maker {
        cookie: format!("{}; language=zh", maker.cookie),
        client: maker.client.clone(),
        desk: maker.desk.clone(),
        token: maker.token.clone(),
    };
    let page = refused(&chinese, "/lots/new", &new);
    assert!(beside(&page, "value:wither.hours").contains("“萎凋时间” = “long”不成立"), "{page}");
    assert!(page.contains("<a href=\"#kg\">成茶，公斤：“much”不是重量</a>"), "{page}");

    for (form, fields, wrong) in [
        (
            "move",
            vec![("temperature", "warm"), ("humidity", "120"), ("on", "then")],
            vec!["temperature", "humidity", "on"],
        ),
        (
            "draw",
            vec![("which", "reserve.drawn"), ("grams", ""), ("at", "then")],
            vec!["grams", "at"],
        ),
        (
            "log",
            vec![("parameter", "wither.hours"), ("value", "abc"), ("at", "then")],
            vec!["value", "at"],
        ),
        (
            "split",
            vec![
                ("way", "lots"),
                ("part-1", "A"),
                ("kg-1", "x"),
                ("part-2", "B"),
                ("kg-2", ""),
                ("kg-3", "2"),
                ("on", "2026-05-20"),
            ],
            vec!["kg-1", "kg-2", "part-3"],
        ),
        (
            "refire",
            vec![("id", "no id"), ("in", ""), ("made", ""), ("value:dry.minutes", "x")],
            vec!["id", "in", "made", "value:dry.minutes"],
        ),
    ] {
        let mut sent = fields.clone();
        sent.extend(["part-3"].iter().filter(|f| wrong.contains(f)).map(|f| (*f, "")));
        let path = format!("/lots/T25-16/{form}");
        let (status, page) = maker.post(&path, &sent);
        assert_eq!(status, 422, "{form}: {page}");
        for field in &wrong {
            beside(&page, field);
        }
        assert_eq!(page.matches("aria-invalid").count(), wrong.len(), "{form}: {page}");
    }
    // What the record refuses in the end stands beside the field that it names.
    let page =
        refused(&maker, "/lots/T25-16/move", &[("place", "loft"), ("on", "2020-01-01T10:00")]);
    assert!(beside(&page, "on").contains("T25-16 is there since 2025-10-08"), "{page}");
}

#[test]
fn a_form_of_a_description_tells_its_fields_and_no_line_of_a_file() {
    let (garden, _desk, maker) = open();
    let seen = |page: &str| between(page, "name=\"seen\" value=\"", "\"").to_owned();
    let before = garden.read("lots/T25-16/lot.toml");
    let digest = seen(&maker.shown("/lots/T25-16/edit"));
    let page = refused(
        &maker,
        "/lots/T25-16/edit",
        &[("seen", &digest), ("class", ""), ("made", ""), ("kg", "-3")],
    );
    assert!(beside(&page, "class").contains("nothing is filled in"), "{page}");
    assert!(beside(&page, "made").contains("nothing is filled in"), "{page}");
    assert!(beside(&page, "kg").contains("“Made tea, kg” = -3"), "{page}");
    assert!(!between(&page, "role=\"alert\"", "</form>").contains("lot.toml:"), "{page}");
    assert_eq!(garden.read("lots/T25-16/lot.toml"), before);

    let digest = seen(&maker.shown("/setup/edit/recipe"));
    let recipe = [
        ("seen", digest.as_str()),
        ("id", "no id"),
        ("leaf_g", "some"),
        ("water_ml", ""),
        ("water_c", "hot"),
        ("steeps_s", "15 x"),
    ];
    let page = refused(&maker, "/setup/edit/recipe", &recipe);
    for (field, text) in [
        ("id", "cannot be the id"),
        ("leaf_g", "\"some\" is no number"),
        ("water_c", "\"hot\" is no number"),
        ("steeps_s", "\"x\" is no whole number"),
    ] {
        assert!(beside(&page, field).contains(text), "{field}: {page}");
    }
    let recipe = [
        ("seen", digest.as_str()),
        ("id", "weak"),
        ("leaf_g", "-1"),
        ("water_ml", ""),
        ("water_c", "900"),
        ("steeps_s", "15"),
    ];
    let page = refused(&maker, "/setup/edit/recipe", &recipe);
    assert!(beside(&page, "leaf_g").contains("“Leaf, g” = -1"), "{page}");
    assert!(beside(&page, "water_ml").contains("nothing is filled in"), "{page}");
    assert!(beside(&page, "water_c").contains("900"), "{page}");
    assert!(!page.contains("recipes.toml:"), "{page}");
    // What another file says is told with its place, since no field here is about it.
    let digest = seen(&maker.shown("/setup/edit/parameter?id=wither.hours"));
    let unit = [("seen", digest.as_str()), ("kind", "moment"), ("unit", "")];
    let page = refused(&maker, "/setup/edit/parameter?id=wither.hours", &unit);
    assert!(page.contains("log.csv:"), "{page}");
}

#[test]
fn the_number_of_a_new_batch_follows_the_year_of_today() {
    let (_garden, _desk, maker) = open();
    let year = blindsteep::book::time::Moment::now().day().to_string()[2..4].to_owned();
    let page = maker.shown("/new-batch");
    // The numbers of the book went on from 2024 to 2025.
    assert!(page.contains(&format!("value=\"T{year}-17\"")), "{page}");
}

#[test]
fn a_session_of_which_nothing_is_named_is_no_mistake_yet() {
    let (_garden, _desk, maker) = open();
    let hint = "Tick two lots or more";
    let fields = [
        ("kind", "profile"),
        ("name", "x"),
        ("day", "2026-06-02"),
        ("fill", "lots"),
        ("terms", "default"),
        ("seed", "7"),
    ];
    let (status, live) = maker.post("/sessions/preview", &fields);
    assert!(status == 200 && live.contains(hint), "{live}");
    let (status, page) = maker.post("/sessions/new", &[&fields[..], &[("show", "1")]].concat());
    assert!(status == 200 && page.contains(hint) && !page.contains("not-yet"), "{page}");
    // One lot alone is told as before, in both.
    let one = [&fields[..], &[("lot", "T25-16")]].concat();
    assert!(maker.post("/sessions/preview", &one).1.contains("not-yet"));
    assert!(
        maker.post("/sessions/new", &[&one[..], &[("show", "1")]].concat()).1.contains("not-yet")
    );
}

#[test]
fn a_trial_offers_the_parameters_and_terms_of_the_book_to_be_ticked() {
    let (_garden, _desk, maker) = open();
    let page = maker.shown("/trials");
    for offered in [
        "name=\"factor\" value=\"wither.hours\"",
        "name=\"levels:roll.pressure\" value=\"",
        "name=\"factor\" value=\"derived.oxidation-hours\"",
        "name=\"term\" value=\"sweet\"",
        "time of withering, h",
    ] {
        assert!(page.contains(offered), "{offered}: {page}");
    }
    // What is no setting of a batch is not offered.
    for not in [
        "value=\"wither.start\"",
        "value=\"store.place\"",
        "value=\"pluck.weather\"",
        "value=\"dry.moisture\"",
        "value=\"derived.oxidation-dose\"",
    ] {
        assert!(!page.contains(not), "{not}");
    }
    let asked = "/trials?batches=4&fresh=1&factor=wither.hours&levels:wither.hours=8,16&factor=dry.method&levels:dry.method=sun&levels:dry.method=hot-air&levels:roll.minutes=40..75&term=sweet";
    let found: serde_json::Value =
        serde_json::from_str(&maker.shown(&format!("{asked}&json=1"))).unwrap();
    let wish = &found["wish"];
    assert_eq!(wish["factors"][0]["parameter"], "wither.hours", "{wish}");
    assert_eq!(wish["factors"].as_array().unwrap().len(), 3, "levels alone are meant too: {wish}");
    assert_eq!(
        wish["factors"][1]["levels"]["these"],
        serde_json::json!(["sun", "hot-air"]),
        "{wish}"
    );
    assert_eq!(wish["factors"][2]["levels"]["between"], serde_json::json!([40.0, 75.0]), "{wish}");
    assert_eq!(wish["terms"], serde_json::json!(["sweet"]), "{wish}");
    // It comes back ticked and filled, its steps open.
    let page = maker.shown(asked);
    assert!(page.contains("name=\"factor\" value=\"wither.hours\" checked"), "{page}");
    assert!(page.contains("name=\"levels:dry.method\" value=\"sun\" checked"), "{page}");
    assert!(page.contains("value=\"40..75\""), "{page}");
    assert!(page.contains("name=\"term\" value=\"sweet\" checked"), "{page}");
}

#[test]
fn a_plan_tells_each_number_and_day_that_is_none_beside_its_field() {
    let (garden, _desk, maker) = open();
    let fields = [
        ("kind", "ranking"),
        ("name", "x"),
        ("day", "someday"),
        ("fill", "lots"),
        ("lot", "T25-16"),
        ("lot", "T25-15"),
        ("term", "sweet"),
        ("seed", "7"),
        ("alpha", "small"),
        ("replicates", "two"),
        ("days", "2026-06-03, soon"),
    ];
    let page = refused(&maker, "/sessions/new", &fields);
    for (field, text) in [
        ("day", "\"someday\" is no day"),
        ("days", "\"soon\" is no day"),
        ("alpha", "alpha is \"small\""),
        ("replicates", "the number of replicates is \"two\""),
    ] {
        assert!(beside(&page, field).contains(text), "{field}: {page}");
    }
    // What is folded away is opened, so that the field can be seen.
    let folded = &page[..page.find(" id=\"replicates\"").unwrap()];
    assert!(folded[folded.rfind("<details").unwrap()..].starts_with("<details open"), "{page}");
    assert!(!garden.root().join("sessions/2026-06-02-x").exists());
}

/// What the frame of the server refuses is told on a page, in the reader's language, with what to do.
#[test]
fn what_cannot_be_read_is_told_on_a_page() {
    let (_garden, _desk, maker) = open();
    let too_large = "x".repeat(300 * 1024);
    let (status, page) = maker.post("/lots/T25-10/log", &[("note", &too_large)]);
    assert_eq!(status, 413);
    assert!(page.contains("<h1>Too large</h1>") && page.contains("256 KB"), "{page}");
    for path in ["/lots/%ff", "/sessions/2026-05-11-month-24/paper?flight=abc"] {
        let (status, page) = maker.get(path);
        assert!(status >= 400 && page.contains("<h1>"), "{path}: {status} {page}");
    }
    let (status, page) = maker.get_in("/lots/%ff", "zh");
    assert!(status == 400 && page.contains("<h1>无法读取</h1>"), "{page}");
    let (status, page) = maker.get_in("/sessions/preview", "zh");
    assert!(status == 405 && page.contains("请打开带表单的页面"), "{status}: {page}");
}

/// A plan of which no lot is named is not told that one alone says nothing.
#[test]
fn a_plan_without_a_lot_says_that_none_is_named() {
    let (_garden, _desk, maker) = open();
    let fields = [
        ("kind", "profile"),
        ("name", "x"),
        ("day", "2026-06-02"),
        ("fill", "lots"),
        ("terms", "default"),
        ("seed", "7"),
    ];
    let page = refused(&maker, "/sessions/new", &fields);
    assert!(page.contains("no lot is named yet") && !page.contains("one lot alone"), "{page}");
}

#[test]
fn levels_the_wrong_way_round_are_told_in_chinese() {
    let (_garden, _desk, maker) = open();
    let (_, page) =
        maker.get_in("/trials?batches=4&factor=roll.minutes&levels:roll.minutes=75..40", "zh");
    assert!(page.contains("低端在前") && !page.contains("the lower end"), "{page}");
}

#[test]
fn a_day_on_which_nothing_is_due_says_so() {
    let (_garden, _desk, maker) = open();
    let page = maker.shown("/due?on=2000-01-01");
    assert!(page.contains("Nothing is due on 2000-01-01"), "{page}");
    assert!(!maker.shown("/due?on=2026-06-02").contains("Nothing is due on"));
}

/// What stands on a lot's page to be looked at is seen in the list too.
#[test]
fn the_list_of_lots_shows_what_is_to_be_looked_at() {
    let (garden, _desk, maker) = open();
    // It was packed, its log says, before it was made.
    let file = garden.root().join("lots/T25-10/lot.toml");
    let text = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, text.replace("made = 2025-05-07", "made = 2026-01-01")).unwrap();
    let ids: Vec<String> = {
        let list = maker.shown("/lots");
        list.split("<th scope=\"row\"><a href=\"/lots/")
            .skip(1)
            .map(|r| r.split('"').next().unwrap().to_owned())
            .collect()
    };
    let list = maker.shown("/lots");
    let mut n = 0;
    for id in &ids {
        let own = maker.shown(&format!("/lots/{id}"));
        let row = between(&list, &format!("<a href=\"/lots/{id}\">"), "</tr>");
        let cell = row.rsplit_once("<td").unwrap().1.split_once('>').unwrap().1;
        let empty = cell.trim_start().starts_with("</td>");
        if own.contains("<h2>To be looked at</h2>") {
            n += 1;
            assert!(!empty, "{id}: {row}");
        }
    }
    assert!(n > 0 && ids.len() > 10, "{n} of {}", ids.len());
}
