//! The page of the ballot: an empty frame. Everything on it is made on the phone from what
//! `/ballot/now` tells, so that a page that is open goes on without a connection.

use axum::Extension;
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Response};
use maud::{DOCTYPE, html};

use crate::desk::doors::Who;
use crate::desk::guard::Caller;
use crate::desk::page::{Reader, head, other_language};

/// The scripts in the order in which they lean on each other.
const SCRIPTS: [&str; 6] = [
    "ballot-words.js",
    "ballot-keep.js",
    "ballot-scales.js",
    "ballot-screens.js",
    "ballot-timers.js",
    "ballot.js",
];

/// The ballot of the taster whose cookie came along.
pub async fn ballot(reader: Reader, Extension(caller): Extension<Caller>) -> Response {
    let say = reader.say;
    if caller.who == Who::Revealed {
        let why = say.of("The cups are revealed; thank you.", "已揭盲，谢谢。");
        return (StatusCode::UNAUTHORIZED, door(&reader, why)).into_response();
    }
    if matches!(caller.who, Who::Nobody | Who::Desk | Who::Clock) {
        let why = say.of("This phone has no ballot (any more)", "本手机没有（或已不再有）评茶单");
        return (StatusCode::UNAUTHORIZED, door(&reader, why)).into_response();
    }
    // A phone whose ballot went on elsewhere gets the frame all the same: answers may wait on it.
    let markup = html! {
        (DOCTYPE)
        html lang=(say.html()) {
            (head(say.of("Ballot", "评茶单"), &["base.css", "ballot.css"], &SCRIPTS))
            body.ballot {
                header.strip {
                    div.row {
                        p #saved.saved {}
                        button.quiet #help type="button" hidden {}
                        button.quiet #other type="button" { (say.of("中文", "English")) }
                    }
                    div #time.time hidden {}
                }
                div #notices.notices role="status" {}
                main #main {
                    h1 { (say.of("Ballot", "评茶单")) }
                    noscript { p.wrong { (say.of("The ballot needs JavaScript.", "评茶单需要 JavaScript。")) } }
                }
                p #alarm.unseen role="status" {}
                nav #bar.bar aria-label=(say.of("To other cups", "前往其他茶杯")) hidden {}
            }
        }
    };
    Html(markup.into_string()).into_response()
}

/// What somebody who followed a link sees for a moment. Without a script the button does it.
pub fn joining(reader: &Reader) -> Html<String> {
    let say = reader.say;
    let title = say.of("Join the tasting", "加入审评");
    let markup = html! {
        (DOCTYPE)
        html lang=(say.html()) {
            (head(title, &["base.css", "ballot.css"], &["joining.js"]))
            body.door {
                main {
                    h1 { (title) }
                    form #joining method="post" {
                        button { (say.of("Open my ballot", "打开我的评茶单")) }
                    }
                    p #trouble.wrong role="alert" hidden { (say.of(
                        "The laptop does not answer. Is this phone in its Wi-Fi? Then press the button.",
                        "工作台没有回应。本手机是否在同一 Wi-Fi？然后按按钮。",
                    )) }
                    noscript { p.wrong { (say.of("The ballot needs JavaScript.", "评茶单需要 JavaScript。")) } }
                }
            }
        }
    };
    Html(markup.into_string())
}

/// Where somebody types the letters of their link; `why` says why they are here.
pub fn door(reader: &Reader, why: &str) -> Html<String> {
    let say = reader.say;
    let markup = html! {
        (DOCTYPE)
        html lang=(say.html()) {
            (head(say.of("Join the tasting", "加入审评"), &["base.css", "ballot.css"], &["join.js"]))
            body.door {
                main {
                    h1 { (say.of("Join the tasting", "加入审评")) }
                    @if !why.is_empty() { p.wrong role="alert" { (why) } }
                    p { (say.of(
                        "Scan the code beside your name with this phone's camera, or type the letters under it.",
                        "用手机相机扫描您名字旁的二维码，或输入其下的字符。",
                    )) }
                    form #join data-short=(say.of("That is fewer than twelve letters.", "不足十二个字符。")) {
                        label for="link" { (say.of("The twelve letters", "十二个字符")) }
                        input #link name="link" autocapitalize="off" autocomplete="off" spellcheck="false" placeholder="xxxx-xxxx-xxxx" aria-describedby="link-hint";
                        span.hint #link-hint { (say.of(
                            "Large or small, with or without the strokes between.",
                            "大小写均可，短横可省。",
                        )) }
                        p.wrong #short role="alert" hidden {}
                        button { (say.of("Join", "加入")) }
                    }
                    p.hint { (say.of(
                        "The link is yours alone: whoever follows it goes on with your ballot, and this phone takes over from an earlier one.",
                        "链接只属于您：谁打开它，谁就接着填您的评茶单；本手机会接替先前的手机。",
                    )) }
                    noscript { p.wrong { (say.of("The ballot needs JavaScript.", "评茶单需要 JavaScript。")) } }
                    (other_language(reader))
                }
            }
        }
    };
    Html(markup.into_string())
}
