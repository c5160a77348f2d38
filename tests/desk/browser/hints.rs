//! What the controls say by themselves: a line before it is touched, a remark near its limit, a value that is asked back,
//! the way back to a plan.

use blindsteep::session::{PlanRequest, Terms};
use serde_json::json;

use super::super::common::{Desk, Garden, request};
use super::window::Browser;
use super::{all_saved, garden, phone};

#[test]
fn a_line_says_how_to_begin_and_a_remark_how_much_is_left() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = phone(&browser, &desk, &links["ann"]);
    phone.press("Begin flight 1");
    phone.until("return !!term('malty')");
    // No button is there that does nothing, and no mark is set.
    let steps = "[...term('malty').querySelectorAll('.step')].filter(shown).length";
    assert_eq!(phone.eval(&format!("return {steps}")), json!(0));
    assert_eq!(
        phone.eval("return term('malty').querySelector('output').textContent"),
        "tap the line"
    );
    phone.picture("line-untouched");
    phone.tap_at("term('malty').querySelector('.ruler')", 0.5);
    phone.until(&format!("return {steps} === 2"));
    phone.tap("term('malty').querySelectorAll('.step')[1]");
    phone.until("return term('malty').querySelector('output').textContent === '5.5'");
    // By keys alone, and taken off again: as at first.
    phone.eval("term('malty').querySelector('[role=slider]').focus()");
    phone.key("Delete");
    phone.until(&format!("return {steps} === 0"));
    assert_eq!(
        phone.eval("return term('malty').querySelector('.mark').getClientRects().length"),
        json!(0)
    );

    // Nothing is counted before it matters; emoji are one character each, as the desk counts.
    let fill = |n: usize| {
        phone.eval(&format!("const a = term('remarks').querySelector('textarea'); a.value = '🍵'.repeat({n}); a.dispatchEvent(new Event('input'));"));
        phone.eval("return term('remarks').querySelector('.left').textContent")
    };
    assert_eq!(fill(1799), "");
    assert_eq!(fill(1800), "Characters left: 200");
    assert_eq!(fill(2001), "Characters too many: 1");
    assert_eq!(fill(2000), "Characters left: 0");
    phone.picture("remark-near-its-limit");
    assert_eq!(
        phone.eval("return term('remarks').querySelector('.left').getAttribute('aria-live')"),
        "polite"
    );
    phone.eval("term('remarks').querySelector('textarea').dispatchEvent(new Event('blur'))");
    phone.until("return savedText().startsWith('Saved on disk') && !savedText().includes('waiting') && !savedText().includes('not taken')");
    assert_eq!(garden.ballot("ann").matches(&"🍵".repeat(2000)).count(), 1);
    phone.assert_quiet();
}

#[test]
fn a_finger_on_a_line_is_not_swallowed_and_sends_no_number_that_is_none() {
    let garden = garden();
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = phone(&browser, &desk, &links["ann"]);
    phone.press("Begin flight 1");
    phone.tap_at("term('bitter').querySelector('.ruler')", 0.5);
    all_saved(&phone, 1);
    let touch = |kind: &str, points: serde_json::Value| {
        phone.devtools("Input.dispatchTouchEvent", json!({"type": kind, "touchPoints": points}));
    };
    let at = phone.eval("const r = term('malty').querySelector('.ruler'); r.scrollIntoView({block: 'center'}); const b = r.getBoundingClientRect(); return [b.left, b.top + b.height / 2, b.width];");
    let point = |share: f64| {
        let (left, width) = (at[0].as_f64().unwrap(), at[2].as_f64().unwrap());
        json!([{"x": left + width * share, "y": at[1]}])
    };
    // The line has no width when the finger is lifted: nothing was answered.
    touch("touchStart", point(0.3));
    phone.eval("term('malty').querySelector('.ruler').style.display = 'none'");
    touch("touchEnd", json!([]));
    phone.eval("term('malty').querySelector('.ruler').style.display = ''");
    assert_eq!(
        phone.eval("return term('malty').querySelector('output').textContent"),
        "tap the line"
    );
    // What the page has to draw meanwhile waits for the finger.
    touch("touchStart", point(0.3));
    touch("touchMove", point(0.5));
    phone.eval("window.held = term('malty').querySelector('.line')");
    let (code, text) = garden.run(&["session", "close", "spring", "--anyway"]);
    assert_eq!(code, 0, "{text}");
    phone.until(
        "return document.getElementById('notices').innerText.includes('The session is closed')",
    );
    // Longer than it takes to draw.
    phone.eval_async("setTimeout(arguments[0], 600)");
    assert_eq!(phone.eval("return window.held.isConnected"), json!(true));
    touch("touchMove", point(0.8));
    touch("touchEnd", json!([]));
    phone.until(
        "return document.getElementById('notices').innerText.includes('Late, kept apart: 1')",
    );
    phone.until("return !window.held.isConnected");
    assert_eq!(phone.eval("return term('malty').querySelector('output').textContent"), "8");
    let late = garden.read("sessions/2026-06-02-spring/late/ann.csv");
    assert!(late.contains(",malty,8,") && !late.contains("NaN"), "{late}");
    phone.assert_quiet();
}

#[test]
fn a_refused_answer_is_none_until_another_is_given() {
    let garden = Garden::empty();
    let of = ["hue", "remarks"].map(str::to_owned).to_vec();
    garden.plan(&PlanRequest { terms: Terms::Of(of), guess: false, ..request() });
    let links = garden.links();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let phone = phone(&browser, &desk, &links["ann"]);
    phone.press("Begin flight 1");
    phone.until("return !!term('hue')");
    let cup = phone.eval("return head()");
    // A level that the plan does not have, as from a page of an earlier plan.
    phone.eval("term('hue').querySelector('input').value = 'plaid'; const f = fetch; window.fetch = (to, wish) => f(to, wish && wish.body ? { ...wish, body: wish.body.replace(/(\"term\":\"hue\".*?\"value\":)\"[^\"]*\"/, '$1\"plaid\"') } : wish); window.ours = f;");
    phone.tap("term('hue').querySelector('label')");
    phone.until("return savedText().includes('1 not taken')");
    phone.until("return document.getElementById('progress').textContent.startsWith('0 of')");
    phone.eval("window.fetch = window.ours");
    let to_the_end = || loop {
        let label = phone.until(
            "const b = button('Next cup') || button('To the end'); return b && b.textContent",
        );
        phone.press(label.as_str().unwrap());
        if label.as_str().unwrap().starts_with("To the end") {
            break;
        }
    };
    let listed = format!(
        "[...document.querySelectorAll('.gaps button')].find((b) => b.textContent === 'Go to {}')",
        cup.as_str().unwrap()
    );
    to_the_end();
    phone.until(&format!("return head() === 'End of flight 1' && !!{listed}"));
    phone.picture("refused-is-a-gap");
    phone.press("Leave it out");
    phone.until(&format!("return !document.querySelector('.wrong[role=alert]') && !!{listed}"));
    phone.tap(&listed);
    phone.until_with("return head() === arguments[0]", &[cup]);
    phone.tap("term('hue').querySelectorAll('label')[1]");
    all_saved(&phone, 1);
    to_the_end();
    phone.until(&format!("return head() === 'End of flight 1' && !{listed}"));
    phone.assert_quiet();
}

#[test]
fn a_mass_is_asked_back_and_a_refusal_never_stands_beside_all_is_saved() {
    let garden = Garden::empty();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let laptop = browser.laptop();
    laptop.go(&desk.way_in);
    laptop.go(&format!("{}/workshop", desk.desk));
    let link = laptop.until("return document.querySelector('main a[href*=\"/enter/\"]').href");
    let phone = browser.phone(360, 740, &[]);
    phone.go(link.as_str().unwrap());
    phone.until("return location.pathname === '/clock'");
    phone.tap("document.querySelector('a[href=\"/new-batch\"]')");
    phone.until("return !!document.getElementById('leaf')");
    phone.picture("new-batch");
    phone.eval("document.getElementById('id').value = 'T26-80'; document.getElementById('leaf').value = '60,5'");
    phone.press("Begin this batch");
    phone.until("return location.pathname === '/clock/T26-80' && document.getElementById('status').textContent === 'All is saved.'");
    let log = |parameter: &str, value: &str| {
        phone.eval(&format!("const f = document.querySelector('form[data-parameter=\"{parameter}\"]'); f.closest('details').open = true; f.querySelector('input').value = '{value}'; f.requestSubmit();"));
    };
    log("wither.mass-in", "605");
    phone.until("return document.getElementById('asked').textContent.includes('605 kg, more than the 60.5 kg')");
    let status = "document.getElementById('status').textContent";
    assert_eq!(phone.eval(&format!("return {status}")), "Not logged, see above: 1.");
    phone.picture("asked-back");
    // It waits on this phone, whatever becomes of the page.
    phone.reload();
    phone.until("return document.getElementById('asked').textContent.includes('605 kg')");
    phone.press("Leave it out");
    phone.until(&format!("return {status} === 'All is saved.'"));
    log("wither.mass-in", "605");
    phone.until("return document.getElementById('asked').textContent.includes('605 kg')");
    phone.press("It is right: log it");
    phone.until(&format!(
        "return {status} === 'All is saved.' && !document.getElementById('asked').textContent"
    ));
    assert!(garden.read("lots/T26-80/log.csv").contains(",wither.mass-in,605,"));
    log("wither.temperature", "warm");
    phone.until("return document.getElementById('refused').textContent.includes('warm')");
    assert_eq!(phone.eval(&format!("return {status}")), "Not logged, see above: 1.");
    phone.press("I have seen it");
    phone.until(&format!("return {status} === 'All is saved.'"));
    // A step that has begun can be ended.
    let end = "document.querySelector('button[data-start=\"wither.start\"]')";
    assert_eq!(phone.eval(&format!("return {end}.disabled")), json!(true));
    phone.tap("document.querySelector('button[data-parameter=\"wither.start\"]')");
    phone.until(&format!("return !{end}.disabled"));
    phone.picture("clock-end");
    phone.assert_quiet();
}

#[test]
fn back_after_planning_leads_to_the_session() {
    let garden = Garden::empty();
    let browser = Browser::start();
    let desk = Desk::start(&garden);
    let maker = browser.laptop();
    maker.go(&desk.way_in);
    maker.go(&format!("{}/sessions/new?lot=T25-14&lot=T25-15&taster=ann&taster=bo", desk.desk));
    maker.until("return document.getElementById('picture')?.textContent.length > 20");
    maker.press("Plan this session");
    maker.until("return location.pathname.endsWith('-tasting')");
    maker.back();
    maker.until("return document.querySelector('main').textContent.includes('is planned') && !document.querySelector('form.plan')");
    maker.picture("back-after-planning");
    maker.tap("document.querySelector('main a.quiet')");
    maker.until("return document.getElementById('name')?.value === 'tasting-2'");
}
