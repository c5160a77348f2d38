//! Connections of the network: so many from one machine, so many in all, and none that says nothing, or never comes
//! to the end of what it asks.
//!
//! A browser keeps a few connections open. One who opens hundreds and says nothing would take the files that the
//! system grants this process, and nobody's answer would come through.

use std::collections::HashMap;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll};
use std::time::Duration;

use axum::serve::Listener;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Instant, Sleep, sleep};

/// The most connections of one machine. Browsers open six; behind one address there may be several.
const OF_ONE: usize = 24;
/// The most in all.
const IN_ALL: usize = 600;
/// Open files that are not connections of the network: the book's, the desk's own pages, what the system needs.
const OWN_FILES: usize = 120;
/// So many are let in at least.
const LEAST: usize = 24;
/// So long a connection may say nothing.
const SILENCE: Duration = Duration::from_secs(30);
/// So long the head of a request may take from its first byte on: browsers send it in one piece.
const HEAD: Duration = Duration::from_secs(20);
/// So long a whole request may take to come in.
const WHOLE: Duration = Duration::from_secs(120);

/// How far a request has come in, from what is read of the connection.
#[derive(Debug, Default)]
struct Pace {
    /// When its first byte came; none between requests.
    since: Option<Instant>,
    /// Whether the empty line behind its head was there.
    head: bool,
    /// Whether the last line that ended was followed by nothing yet.
    line: bool,
}

impl Pace {
    fn heard(&mut self, bytes: &[u8], now: Instant) {
        if bytes.is_empty() {
            return;
        }
        if self.since.is_none() {
            *self = Self { since: Some(now), ..Self::default() };
        }
        for byte in bytes {
            match byte {
                _ if self.head => return,
                b'\n' if self.line => self.head = true,
                b'\n' => self.line = true,
                b'\r' => {}
                _ => self.line = false,
            }
        }
    }

    /// What comes next is another request.
    fn answered(&mut self) {
        *self = Self::default();
    }

    /// Until when the head must be there; none between requests and behind it.
    fn head_due(&self) -> Option<Instant> {
        self.since.filter(|_| !self.head).map(|since| since + HEAD)
    }

    fn is_too_slow(&self, now: Instant) -> bool {
        let most = if self.head { WHOLE } else { HEAD };
        self.since.is_some_and(|since| now >= since + most)
    }
}

/// How many connections there is room for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Room {
    /// The most in all.
    pub in_all: usize,
    /// The files that the system lets this process open, where they are too few for the most in all.
    pub files: Option<u64>,
}

impl Room {
    /// Asks the system for as many open files as are needed, and makes do with what it grants.
    #[must_use]
    pub fn granted() -> Self {
        Self::within(open_files((IN_ALL + OWN_FILES) as u64))
    }

    /// The room that so many open files leave; none: the system has no such limit.
    fn within(files: Option<u64>) -> Self {
        let few = files.filter(|n| *n < (IN_ALL + OWN_FILES) as u64);
        let left =
            few.map_or(IN_ALL, |n| usize::try_from(n).unwrap_or(IN_ALL).saturating_sub(OWN_FILES));
        Self { in_all: left.clamp(LEAST, IN_ALL), files: few }
    }
}

/// The open files that this process may have, once so many were asked for.
#[cfg(any(target_os = "linux", target_os = "macos"))]
fn open_files(wanted: u64) -> Option<u64> {
    use nix::sys::resource::{Resource, getrlimit, setrlimit};
    let (granted, most) = getrlimit(Resource::RLIMIT_NOFILE).ok()?;
    let raised = wanted.min(most);
    if granted < raised && setrlimit(Resource::RLIMIT_NOFILE, raised, most).is_ok() {
        return Some(raised);
    }
    Some(granted)
}

#[cfg(not(any(target_os = "linux", target_os = "macos")))]
fn open_files(_: u64) -> Option<u64> {
    None
}

/// A listener whose connections are counted.
pub struct Seated<L> {
    inner: L,
    taken: Arc<Taken>,
}

#[derive(Debug)]
struct Taken {
    in_all: usize,
    by: Mutex<HashMap<IpAddr, usize>>,
}

impl Taken {
    fn of(room: Room) -> Arc<Self> {
        Arc::new(Self { in_all: room.in_all, by: Mutex::default() })
    }
}

impl<L> Seated<L> {
    /// Nobody is there yet.
    pub fn new(inner: L, room: Room) -> Self {
        Self { inner, taken: Taken::of(room) }
    }
}

/// A place that is free again when it is dropped.
#[derive(Debug)]
struct Seat {
    taken: Arc<Taken>,
    by: IpAddr,
}

impl Taken {
    fn seat(self: &Arc<Self>, by: IpAddr) -> Option<Seat> {
        let mut all = self.by.lock().unwrap_or_else(PoisonError::into_inner);
        // This machine is the maker's own.
        let most = if by.is_loopback() { self.in_all } else { OF_ONE };
        let own = all.get(&by).copied().unwrap_or(0);
        if own >= most || all.values().sum::<usize>() >= self.in_all {
            return None;
        }
        all.insert(by, own + 1);
        Some(Seat { taken: Arc::clone(self), by })
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        let mut all = self.taken.by.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(n) = all.get_mut(&self.by) {
            *n -= 1;
            if *n == 0 {
                all.remove(&self.by);
            }
        }
    }
}

/// A connection that has a seat and is given up when it is silent.
pub struct Patient<S> {
    inner: S,
    silence: Pin<Box<Sleep>>,
    pace: Pace,
    _seat: Seat,
}

impl<L> Listener for Seated<L>
where
    L: Listener<Addr = SocketAddr>,
{
    type Io = Patient<L::Io>;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, Self::Addr) {
        loop {
            let (inner, from) = self.inner.accept().await;
            if let Some(seat) = self.taken.seat(from.ip()) {
                let silence = Box::pin(sleep(SILENCE));
                return (Patient { inner, silence, pace: Pace::default(), _seat: seat }, from);
            }
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.inner.local_addr()
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Patient<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let before = buffer.filled().len();
        match Pin::new(&mut self.inner).poll_read(context, buffer) {
            Poll::Ready(done) => {
                let now = Instant::now();
                self.pace.heard(buffer.filled().get(before..).unwrap_or_default(), now);
                // One who sends a byte now and then is not silent, and is never done.
                if self.pace.is_too_slow(now) {
                    return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
                }
                let silent = now + SILENCE;
                let due = self.pace.head_due().map_or(silent, |head| head.min(silent));
                self.silence.as_mut().reset(due);
                Poll::Ready(done)
            }
            Poll::Pending => match self.silence.as_mut().poll(context) {
                Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
                Poll::Pending => Poll::Pending,
            },
        }
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Patient<S> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let done = Pin::new(&mut self.inner).poll_write(context, bytes);
        if matches!(done, Poll::Ready(Ok(1..))) {
            self.pace.answered();
        }
        done
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_shutdown(context)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_machine_takes_so_many_seats_and_gives_them_back() {
        let taken = Taken::of(Room { in_all: IN_ALL, files: None });
        let other: IpAddr = [192, 168, 1, 7].into();
        let mut seats: Vec<Seat> = (0..OF_ONE).map(|_| taken.seat(other).unwrap()).collect();
        assert!(taken.seat(other).is_none());
        assert!(taken.seat([192, 168, 1, 8].into()).is_some(), "another one is let in");
        seats.pop();
        assert!(taken.seat(other).is_some());
    }

    #[test]
    fn a_head_that_never_ends_gives_its_seat_up() {
        let begin = Instant::now();
        let at = |s: u64| begin + Duration::from_secs(s);
        let mut pace = Pace::default();
        assert!(!pace.is_too_slow(at(1000)), "between requests only silence counts");
        // A byte a second.
        for (byte, s) in b"GET / HTTP/1.1\r\nX: yyyyyyyy".iter().zip(0..) {
            assert_eq!(pace.is_too_slow(at(s)), s >= 20, "after {s} s");
            pace.heard(&[*byte], at(s));
        }
        assert_eq!(pace.head_due(), Some(at(20)));
        // A whole head, however it is cut, and the next one after the answer.
        let mut pace = Pace::default();
        for (part, s) in
            [&b"GET / HTTP/1.1\r\nHost: x\r"[..], b"\n", b"\r", b"\nbody"].iter().zip(0..)
        {
            pace.heard(part, at(s));
        }
        assert_eq!((pace.head_due(), pace.is_too_slow(at(21))), (None, false));
        assert!(pace.is_too_slow(at(120)), "a body that never ends");
        pace.answered();
        pace.heard(b"G", at(200));
        assert_eq!(pace.head_due(), Some(at(220)));
    }

    #[test]
    fn few_open_files_leave_few_seats() {
        assert_eq!(Room::within(None), Room { in_all: 600, files: None });
        assert_eq!(Room::within(Some(1024)), Room { in_all: 600, files: None });
        assert_eq!(Room::within(Some(256)), Room { in_all: 136, files: Some(256) });
        assert_eq!(Room::within(Some(10)), Room { in_all: LEAST, files: Some(10) });
        let taken = Taken::of(Room::within(Some(256)));
        let from = |n: usize| IpAddr::from([192, 168, (n / 250) as u8, (n % 250) as u8]);
        let seats: Vec<Option<Seat>> = (0..200).map(|n| taken.seat(from(n))).collect();
        assert_eq!(seats.iter().flatten().count(), 136);
    }
}
