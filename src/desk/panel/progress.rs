//! How far each taster has come, and the infusion timer: never what anybody answers.

use maud::{Markup, html};

use super::host::Host;
use super::words;
use crate::book::{Book, BookError};
use crate::desk::App;
use crate::desk::ballot::live::{ShownTimer, TasterProgress};
use crate::desk::say::Say;
use crate::session::live::FlightProgress;
use crate::session::{Session, State};

/// A phone that was heard of within so many seconds is there: phones ask every three.
const THERE_S: u64 = 15;

/// A taster of a session.
pub struct Progress {
    /// The taster's name.
    pub name: String,
    /// How far they are.
    pub of: TasterProgress,
}

/// How far all tasters have come.
///
/// # Errors
/// If a ballot cannot be read.
pub fn progress(app: &App, book: &Book, session: &Session) -> Result<Vec<Progress>, BookError> {
    let known = book.tasters()?.value;
    let named = |of: TasterProgress| {
        let name = known.taster(&of.taster).and_then(|t| t.name.clone());
        Progress { name: name.unwrap_or_else(|| of.taster.clone()), of }
    };
    Ok(app.progress(&session.name)?.into_iter().map(named).collect())
}

/// Whether everybody has handed everything in.
#[must_use]
pub fn all_in(all: &[Progress]) -> bool {
    all.iter().all(|p| p.of.flights.iter().all(|f| f.handed_in))
}

/// What is missing, flight by flight.
#[must_use]
pub fn missing(say: Say, all: &[Progress]) -> Vec<String> {
    let mut list = Vec::new();
    for p in all {
        for f in p.of.flights.iter().filter(|f| !f.handed_in) {
            let (name, flight) = (&p.name, words::flight(say, f.flight));
            list.push(say.of(
                format!("{name}, {flight}: {} of {} answered", f.answered, f.asked),
                format!("{name}，{flight}：已答 {} / {}", f.answered, f.asked),
            ));
        }
    }
    list
}

/// What was handed in with needed answers missing, flight by flight.
#[must_use]
pub fn gaps(say: Say, all: &[Progress]) -> Vec<String> {
    let of = |p: &Progress| {
        let handed_in = p.of.flights.iter().filter(|f| f.handed_in && f.answered < f.asked);
        let line = |f: &FlightProgress| {
            let (name, flight) = (&p.name, words::flight(say, f.flight));
            say.of(
                format!("{name}, {flight}: handed in, {} of {} answered", f.answered, f.asked),
                format!("{name}，{flight}：已提交，已答 {} / {}", f.answered, f.asked),
            )
        };
        handed_in.map(line).collect::<Vec<_>>()
    };
    all.iter().flat_map(of).collect()
}

/// The same with what closing does with it; nothing where all is answered.
#[must_use]
pub fn gaps_told(say: Say, all: &[Progress]) -> Markup {
    let gaps = gaps(say, all);
    html! { @if !gaps.is_empty() {
        p { (say.of("Handed in with needed answers missing:", "已提交但缺应答项：")) }
        ul { @for line in gaps { li { (line) } } }
        p.hint { (say.of(
            "Closing does not wait for them: they stay missing, and no value is put in their place. They can be added by “Type in from paper”, with a reason.",
            "截止不等这些答案：未答即为缺失，不作估补。可用“从纸上录入”附理由补上。",
        )) }
    } }
}

fn phone(say: Say, of: &TasterProgress) -> String {
    match of.seen {
        _ if !of.joined => say.of("not joined", "未加入").to_owned(),
        Some(s) if s < THERE_S => say.of("there", "在线").to_owned(),
        Some(s) if s < 60 => say.of("away for less than a minute", "离线不到一分钟").to_owned(),
        Some(s) => {
            let minutes = s / 60;
            say.of(format!("away for {minutes} min"), format!("离线 {minutes} 分钟"))
        }
        None => say.of("joined, not seen since", "已加入，尚未见到").to_owned(),
    }
}

/// The table of it.
#[must_use]
pub fn table(say: Say, session: &Session, all: &[Progress]) -> Markup {
    let plan = session.plan();
    let choice = plan.kind.is_choice();
    let heads = [say.of("Taster", "评茶员"), say.of("Phone", "手机"), say.of("Now at", "正在品")];
    html! {
        div.wide tabindex="0" role="region" aria-label=(say.of("Progress", "进度")) {
            table.progress.stacked {
                thead { tr {
                    @for head in heads { th scope="col" { (head) } }
                    @for f in &plan.flights { th scope="col" { (words::flight(say, f.number)) } }
                } }
                tbody { @for p in all { tr {
                    th scope="row" { (p.name) }
                    td data-head=(heads[1]) { (phone(say, &p.of)) }
                    td data-head=(heads[2]) {
                        @let begun = p.of.joined || p.of.flights.iter().any(|f| f.answered > 0);
                        @match (p.of.flight.filter(|_| begun), p.of.cup.filter(|_| begun)) {
                            (Some(flight), Some(_)) if choice => { (words::flight(say, flight)) }
                            (_, Some(cup)) => { (say.of("cup ", "杯 ")) b { (cup) } }
                            (Some(flight), None) => { (say.of("to hand in: ", "待提交：")) (words::flight(say, flight)) }
                            (None, None) => { "—" }
                        }
                        @if p.of.late > 0 { span.hint { (say.of(format!("{} late", p.of.late), format!("{} 项迟到", p.of.late))) } }
                    }
                    @for (f, planned) in p.of.flights.iter().zip(&plan.flights) { td data-head=(words::flight(say, planned.number)) {
                        @if f.handed_in {
                            b.in { (say.of("handed in", "已提交")) }
                            @if f.answered < f.asked { (say.of(format!(", {} of {}", f.answered, f.asked), format!("，已答 {} / {}", f.answered, f.asked))) }
                        }
                        @else { (f.answered) " / " (f.asked) }
                    } }
                } } }
            }
        }
    }
}

/// Cups that somebody found musty or mouldy, so that nobody is poured more of them: the codes alone, neither who said
/// it nor how much. Somebody at the desk who may not see answers learns it once it was handed in.
#[must_use]
pub fn musty(say: Say, session: &Session, host: &Host, all: &[Progress]) -> Markup {
    let at_once = host.may_see_answers(session.state);
    let mut cups: Vec<u16> = all
        .iter()
        .flat_map(|p| p.of.flights.iter().flat_map(|f| &f.musty))
        .filter(|(_, handed_in)| at_once || *handed_in)
        .map(|(cup, _)| *cup)
        .collect();
    cups.sort_unstable();
    cups.dedup();
    if cups.is_empty() || session.state >= State::Revealed {
        return html! {};
    }
    let list = cups.iter().map(ToString::to_string).collect::<Vec<_>>().join(say.of(", ", "、"));
    html! { div.wrong {
        h2 { (say.of(format!("Musty or mouldy: cup {list}"), format!("霉味或霉变：{list} 号杯"))) }
        p { (say.of(
            "A taster reports it. Stop pouring it; nobody tastes it any further. Set the cup and its leaf aside. Tasting does not establish food safety: follow local food law and use a licensed laboratory.",
            "有评茶员报告。停止分杯，任何人不得再品尝；请将该杯及其茶叶另放。感官审评不能证明食品安全：请遵守当地食品法规，并送有资质的实验室检验。",
        )) }
    } }
}

/// The timer of all, if it runs.
#[must_use]
pub fn timer(say: Say, session: &Session, timer: Option<ShownTimer>) -> Markup {
    let Some(t) = timer else { return html! {} };
    let mut what = words::flight(say, t.flight);
    if session.plan().n_steeps() > 1 {
        what = say.of(format!("{what}, steep {}", t.steep), format!("{what}，第 {} 泡", t.steep));
    }
    html! {
        p.timer {
            (what) ": "
            @match u64::try_from(t.left) {
                Ok(left) if left > 0 => { b.clock data-left=(left) { (words::time(left)) } " / " (words::time(u64::from(t.seconds))) }
                _ => { b { (say.of("time is up", "时间到")) } }
            }
        }
    }
}
