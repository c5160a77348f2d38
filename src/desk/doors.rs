//! Who may come in: unguessable links, exchanged for cookies at once.
//!
//! A link is shown to whoever may have it (the desk's in the terminal, a taster's as a QR code at the
//! desk). Following it gives a cookie, and the page moves to an address without the secret. A taster who follows the link again,
//! on another phone, takes over: the cookie of the first one is worth nothing from then on. All of it is kept beside the book
//! (`.desk/doors.json`, readable by its owner only), so that after a restart everybody is still let in.

use std::fs;
use std::path::PathBuf;
use std::sync::{Mutex, MutexGuard, PoisonError};

use serde::{Deserialize, Serialize};

use super::{DeskError, own_folder};
use crate::book::store::{self, StoreError};
use crate::book::{Book, BookError};

/// Who stands behind a cookie.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Who {
    /// The maker at the desk.
    Desk,
    /// Somebody in the workshop, who may start and stop steps.
    Clock,
    /// A taster of a session.
    Taster {
        /// The session's folder.
        session: String,
        /// The taster's id.
        taster: String,
    },
    /// A taster whose ballot went on on another phone.
    TakenOver,
    /// A taster of a session that is revealed.
    Revealed,
    /// Nobody we know.
    Nobody,
}

/// A way in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Door {
    link: String,
    /// SHA-256 of the cookie that is good now.
    #[serde(default)]
    cookie: Option<String>,
    /// Those of cookies that were good before.
    #[serde(default)]
    earlier: Vec<String>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct TasterDoor {
    session: String,
    taster: String,
    #[serde(flatten)]
    door: Door,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Kept {
    format: u64,
    /// What cookies of the desk and of the workshop are made from: they outlast a restart.
    secret: String,
    desk: Door,
    clock: Door,
    #[serde(default)]
    tasters: Vec<TasterDoor>,
    /// SHA-256 of the cookies of tasters whose session is revealed, the latest last.
    #[serde(default)]
    revealed: Vec<String>,
}

/// So many cookies of revealed sessions are known.
const REVEALED_MOST: usize = 200;

/// The links and cookies of a book.
#[derive(Debug)]
pub struct Doors {
    file: PathBuf,
    kept: Mutex<Kept>,
    /// Held while something new is brought to disk: whoever only comes in does not wait for that.
    writing: Mutex<()>,
}

/// Letters that nobody confuses on paper.
const LETTERS: &[u8; 32] = b"0123456789abcdefghjkmnpqrstvwxyz";

/// Random letters of five bits each, from the operating system.
fn random(n: usize) -> Result<String, DeskError> {
    let mut bytes = vec![0_u8; n];
    getrandom::fill(&mut bytes)
        .map_err(|e| DeskError::Refused(format!("the system gives no random numbers: {e}")))?;
    Ok(bytes.iter().map(|b| char::from(LETTERS[usize::from(b % 32)])).collect())
}

/// A link for somebody who may have to type it: 60 bits in three groups.
fn typed_link() -> Result<String, DeskError> {
    let text = random(12)?;
    Ok(format!("{}-{}-{}", &text[..4], &text[4..8], &text[8..]))
}

/// A link as somebody types it: letters that look alike are taken for what they mean.
fn as_meant(text: &str) -> String {
    let letters = text.trim().to_ascii_lowercase();
    letters
        .chars()
        .filter(|c| c.is_ascii_alphanumeric())
        .map(|c| match c {
            'o' => '0',
            'i' | 'l' => '1',
            'u' => 'v',
            c => c,
        })
        .collect()
}

impl Doors {
    /// Reads the doors of a book, or makes them.
    ///
    /// # Errors
    /// If the disk refuses, or the file there is none of ours.
    pub fn open(book: &Book) -> Result<Self, DeskError> {
        let folder = own_folder(book);
        store::make_folder(&folder).map_err(BookError::from)?;
        let file = folder.join("doors.json");
        if file.exists() {
            let text = store::read_text(&file).map_err(BookError::from)?;
            let kept = serde_json::from_str(&text).map_err(|e| {
                DeskError::Refused(format!(
                    "{}: {e}\n  expected: the links and cookies that the desk keeps there\n  to mend:  delete the file; all links are made anew then, and phones join again",
                    file.display()
                ))
            })?;
            return Ok(Self { file, kept: Mutex::new(kept), writing: Mutex::new(()) });
        }
        let door =
            || Ok::<_, DeskError>(Door { link: random(26)?, cookie: None, earlier: Vec::new() });
        let kept = Kept {
            format: 1,
            secret: random(26)?,
            desk: door()?,
            clock: door()?,
            tasters: Vec::new(),
            revealed: Vec::new(),
        };
        private(&file)?;
        let doors = Self { file, kept: Mutex::new(kept), writing: Mutex::new(()) };
        doors.keep(&doors.kept())?;
        Ok(doors)
    }

    fn kept(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn writing(&self) -> MutexGuard<'_, ()> {
        self.writing.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn keep(&self, kept: &Kept) -> Result<(), DeskError> {
        let text = serde_json::to_string_pretty(kept).unwrap_or_default();
        store::replace_bytes(&self.file, text.as_bytes()).map_err(|e| BookError::from(e).into())
    }

    /// The link of the desk.
    #[must_use]
    pub fn desk_link(&self) -> String {
        self.kept().desk.link.clone()
    }

    /// The link of the workshop's step clock.
    #[must_use]
    pub fn clock_link(&self) -> String {
        self.kept().clock.link.clone()
    }

    /// The link of a taster of a session; made when it is first asked for.
    ///
    /// # Errors
    /// If it cannot be kept.
    pub fn taster_link(&self, session: &str, taster: &str) -> Result<String, DeskError> {
        let _writing = self.writing();
        let mut more = self.kept().clone();
        let known = more.tasters.iter().find(|d| d.session == session && d.taster == taster);
        if let Some(door) = known {
            return Ok(door.door.link.clone());
        }
        let link = typed_link()?;
        let door = Door { link: link.clone(), cookie: None, earlier: Vec::new() };
        more.tasters.push(TasterDoor {
            session: session.to_owned(),
            taster: taster.to_owned(),
            door,
        });
        self.keep(&more)?;
        *self.kept() = more;
        Ok(link)
    }

    /// Takes away the links of a session: nobody comes in by them any more.
    ///
    /// # Errors
    /// If that cannot be kept.
    pub fn shut(&self, session: &str) -> Result<(), DeskError> {
        self.shut_and(session, false)
    }

    /// As [`Doors::shut`], of a session that was revealed: its tasters' phones are told so.
    ///
    /// # Errors
    /// If that cannot be kept.
    pub fn shut_revealed(&self, session: &str) -> Result<(), DeskError> {
        self.shut_and(session, true)
    }

    fn shut_and(&self, session: &str, revealed: bool) -> Result<(), DeskError> {
        let _writing = self.writing();
        let mut fewer = self.kept().clone();
        if !fewer.tasters.iter().any(|d| d.session == session) {
            return Ok(());
        }
        if revealed {
            let of = fewer.tasters.iter().filter(|d| d.session == session);
            let cookies: Vec<String> = of.filter_map(|d| d.door.cookie.clone()).collect();
            fewer.revealed.extend(cookies);
            let too_many = fewer.revealed.len().saturating_sub(REVEALED_MOST);
            fewer.revealed.drain(..too_many);
        }
        fewer.tasters.retain(|d| d.session != session);
        self.keep(&fewer)?;
        *self.kept() = fewer;
        Ok(())
    }

    /// Exchanges the desk's link, or the workshop's, for a cookie.
    #[must_use]
    pub fn enter(&self, link: &str) -> Option<(Who, String)> {
        let kept = self.kept();
        let who = if link == kept.desk.link {
            Who::Desk
        } else if link == kept.clock.link {
            Who::Clock
        } else {
            return None;
        };
        let cookie = standing_cookie(&kept, &who);
        Some((who, cookie))
    }

    /// Whether a taster comes in by this link.
    #[must_use]
    pub fn is_taster_link(&self, link: &str) -> bool {
        let meant = as_meant(link);
        self.kept().tasters.iter().any(|d| as_meant(&d.door.link) == meant)
    }

    /// Exchanges a taster's link for a cookie. Whoever had one before is let in no longer.
    ///
    /// # Errors
    /// If the new cookie cannot be kept.
    pub fn join(&self, link: &str) -> Result<Option<(Who, String)>, DeskError> {
        let _writing = self.writing();
        let meant = as_meant(link);
        let mut next = self.kept().clone();
        let Some(door) = next.tasters.iter_mut().find(|d| as_meant(&d.door.link) == meant) else {
            return Ok(None);
        };
        let cookie = random(26)?;
        if let Some(old) = door.door.cookie.replace(store::digest(cookie.as_bytes())) {
            door.door.earlier.push(old);
            if door.door.earlier.len() > 50 {
                door.door.earlier.remove(0);
            }
        }
        let who = Who::Taster { session: door.session.clone(), taster: door.taster.clone() };
        self.keep(&next)?;
        *self.kept() = next;
        Ok(Some((who, cookie)))
    }

    /// Who stands behind a cookie.
    #[must_use]
    pub fn who(&self, cookie: &str) -> Who {
        let kept = self.kept();
        for who in [Who::Desk, Who::Clock] {
            if cookie == standing_cookie(&kept, &who) {
                return who;
            }
        }
        let digest = store::digest(cookie.as_bytes());
        for d in &kept.tasters {
            if d.door.cookie.as_ref() == Some(&digest) {
                return Who::Taster { session: d.session.clone(), taster: d.taster.clone() };
            }
            if d.door.earlier.contains(&digest) {
                return Who::TakenOver;
            }
        }
        if kept.revealed.contains(&digest) { Who::Revealed } else { Who::Nobody }
    }

    /// Whether a taster of a session has joined.
    #[must_use]
    pub fn has_joined(&self, session: &str, taster: &str) -> bool {
        let kept = self.kept();
        kept.tasters
            .iter()
            .any(|d| d.session == session && d.taster == taster && d.door.cookie.is_some())
    }
}

/// The cookie of the desk or the workshop: the same for every browser that has the link.
fn standing_cookie(kept: &Kept, who: &Who) -> String {
    let link = if *who == Who::Desk { &kept.desk.link } else { &kept.clock.link };
    store::digest(format!("cookie\n{}\n{link}", kept.secret).as_bytes())
}

/// What a form must carry to be from a page of ours that this cookie was given.
#[must_use]
pub fn form_token(cookie: &str) -> String {
    store::digest(format!("form\n{cookie}").as_bytes())[..32].to_owned()
}

/// Makes an empty file that only its owner can read; what replaces it keeps that.
fn private(file: &std::path::Path) -> Result<(), DeskError> {
    let mut options = fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt as _;
        options.mode(0o600);
    }
    options.open(file).map(|_| ()).map_err(|source| {
        let path = file.to_owned();
        BookError::from(StoreError::Io { doing: "make", path, source }).into()
    })
}
