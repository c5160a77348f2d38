//! Connections of the network: so many from one machine, so many in all, and none that says nothing.
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
/// So long a connection may say nothing.
const SILENCE: Duration = Duration::from_secs(30);

/// A listener whose connections are counted.
pub struct Seated<L> {
    inner: L,
    taken: Arc<Taken>,
}

#[derive(Debug, Default)]
struct Taken {
    by: Mutex<HashMap<IpAddr, usize>>,
}

impl<L> Seated<L> {
    /// Nobody is there yet.
    pub fn new(inner: L) -> Self {
        Self { inner, taken: Arc::default() }
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
        let most = if by.is_loopback() { IN_ALL } else { OF_ONE };
        let own = all.get(&by).copied().unwrap_or(0);
        if own >= most || all.values().sum::<usize>() >= IN_ALL {
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
                return (Patient { inner, silence: Box::pin(sleep(SILENCE)), _seat: seat }, from);
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
        match Pin::new(&mut self.inner).poll_read(context, buffer) {
            Poll::Ready(done) => {
                self.silence.as_mut().reset(Instant::now() + SILENCE);
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
        Pin::new(&mut self.inner).poll_write(context, bytes)
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
        let taken = Arc::new(Taken::default());
        let other: IpAddr = [192, 168, 1, 7].into();
        let mut seats: Vec<Seat> = (0..OF_ONE).map(|_| taken.seat(other).unwrap()).collect();
        assert!(taken.seat(other).is_none());
        assert!(taken.seat([192, 168, 1, 8].into()).is_some(), "another one is let in");
        seats.pop();
        assert!(taken.seat(other).is_some());
    }
}
