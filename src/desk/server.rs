//! The listeners: the desk on this machine, ballots where phones reach them.

use std::io::{self, Write};
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use axum::extract::connect_info::Connected;
use axum::extract::{DefaultBodyLimit, Extension, Path as Segment, Query, State};
use axum::http::{StatusCode, header};
use axum::middleware;
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::get;
use axum::serve::{IncomingStream, Listener};
use axum::{Router, serve};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::pki_types::pem::PemObject as _;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::server::TlsStream;

use super::alone::alone;
use super::doors::{Doors, Who};
use super::guard::{self, Caller, CookieName, Gate};
use super::seats::{Room, Seated};
use super::{App, DeskError, Shared, assets, ballot, page, panel, questions, record, unreadable};
use crate::book::{Book, left_over};

/// What was asked of the desk.
#[derive(Debug, Clone)]
pub struct Wish {
    /// The desk's port on this machine.
    pub port: u16,
    /// The port of ballots and of the step clock.
    pub ballots_port: u16,
    /// Whether phones on the local network may reach the ballots.
    pub lan: Option<Lan>,
    /// Whether a browser is opened.
    pub browser: bool,
    /// A certificate and its key, as PEM files, for the ballots.
    pub certificate: Option<(PathBuf, PathBuf)>,
}

/// Where on the local network.
#[derive(Debug, Clone, Default)]
pub struct Lan {
    /// This address; the machine's own if none.
    pub address: Option<IpAddr>,
    /// Further names under which phones reach this machine.
    pub names: Vec<String>,
}

/// Serves a book until the process is told to stop.
///
/// # Errors
/// If the book, its lock, a port or a certificate is against it.
pub fn run(book: Book, wish: &Wish, out: &mut dyn Write) -> Result<(), DeskError> {
    let _alone = alone(&book)?;
    let cleared = left_over::clear(book.root()).len();
    if cleared > 0 {
        let what = if cleared == 1 { "file or folder" } else { "files or folders" };
        writeln!(
            out,
            "Cleared away {cleared} unfinished {what} of a program that was stopped while it wrote."
        )
        .map_err(|e| DeskError::system("write the output", e))?;
    }
    let doors = Doors::open(&book)?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(|e| DeskError::system("start the server", e))?;
    runtime.block_on(async move { listen(book, doors, wish, out).await })
}

async fn listen(
    book: Book,
    doors: Doors,
    wish: &Wish,
    out: &mut dyn Write,
) -> Result<(), DeskError> {
    let here = IpAddr::V4(Ipv4Addr::LOCALHOST);
    let desk = bind(here, wish.port, "--port").await?;
    let address = match &wish.lan {
        Some(lan) => Some(lan.address.map_or_else(own_address, Ok)?),
        None => None,
    };
    let ballots = bind(address.unwrap_or(here), wish.ballots_port, "--ballots-port").await?;
    let (desk_port, ballots_port) = (port_of(&desk)?, port_of(&ballots)?);
    let tls = wish.certificate.as_ref().map(|(c, k)| acceptor(c, k)).transpose()?;
    let names: Vec<String> = wish.lan.iter().flat_map(|l| l.names.clone()).collect();
    let shown = names.first().cloned().unwrap_or_else(|| written(address.unwrap_or(here)));
    let scheme = if tls.is_some() { "https" } else { "http" };
    let app: Shared = Arc::new(App::new(
        book,
        doors,
        format!("{scheme}://{shown}:{ballots_port}"),
        wish.lan.is_some(),
    ));

    // A large book takes a moment to be read: that begins before somebody asks for a page.
    let ahead = Arc::clone(&app);
    std::thread::spawn(move || {
        let _ = ahead.cache.lots_and_mistakes();
        let _ = ahead.cache.sessions();
    });

    let local = |port: u16| -> Vec<String> {
        ["127.0.0.1", "localhost", "[::1]"].iter().map(|h| format!("{h}:{port}")).collect()
    };
    let mut reached = match address {
        Some(a) => vec![format!("{}:{ballots_port}", written(a))],
        None => local(ballots_port),
    };
    reached.extend(names.iter().map(|n| format!("{n}:{ballots_port}")));
    if ballots_port == if tls.is_some() { 443 } else { 80 } {
        // Browsers leave the usual port out.
        let bare: Vec<String> =
            reached.iter().filter_map(|h| h.rsplit_once(':').map(|(n, _)| n.to_owned())).collect();
        reached.extend(bare);
    }
    let desk_routes = desk_routes(&app, local(desk_port), desk_port);
    let ballot_routes = ballot_routes(&app, reached, ballots_port, tls.is_some());

    let way_in = format!("http://127.0.0.1:{desk_port}/enter/{}", app.doors.desk_link());
    let room = Room::granted();
    say(out, &app, &way_in, wish, room)?;
    if wish.browser {
        open_browser(&way_in);
    }
    let stop = || async { stopped().await };
    let desk = serve(desk, desk_routes.into_make_service_with_connect_info::<Peer>())
        .with_graceful_shutdown(stop());
    let secured = match tls {
        Some(tls) => Err(Secured::new(ballots, tls)?),
        None => Ok(ballots),
    };
    let ballots = async {
        let service = ballot_routes.into_make_service_with_connect_info::<Peer>();
        match secured {
            Ok(plain) => {
                serve(Seated::new(plain, room), service).with_graceful_shutdown(stop()).await
            }
            Err(secured) => {
                serve(Seated::new(secured, room), service).with_graceful_shutdown(stop()).await
            }
        }
    };
    let both = async { tokio::try_join!(async { desk.await }, ballots) };
    // Open pages hold their connections: they are not waited for longer than a moment.
    let patience = async {
        stopped().await;
        tokio::time::sleep(Duration::from_secs(2)).await;
    };
    tokio::select! {
        ended = both => { ended.map_err(|e| DeskError::system("serve", e))?; }
        () = patience => {}
    }
    Ok(())
}

fn say(
    out: &mut dyn Write,
    app: &App,
    way_in: &str,
    wish: &Wish,
    room: Room,
) -> Result<(), DeskError> {
    let mut text = format!("The desk is open: {way_in}\n");
    if wish.lan.is_some() {
        text.push_str(&format!("Phones reach the ballots at {}\n", app.ballots_at));
        if wish.certificate.is_none() {
            text.push_str(
                "Without a certificate whoever is on the same Wi-Fi could read along or answer in a taster's name.\n",
            );
        }
    } else {
        text.push_str(&format!(
            "Only this machine reaches the ballots, at {}; for phones add --lan.\n",
            app.ballots_at
        ));
    }
    if let Some(files) = room.files {
        text.push_str(&format!(
            "This system lets the desk open {files} files: at most {} connections of phones at once (a phone holds one to six). For more, raise the limit: ulimit -n 1024.\n",
            room.in_all
        ));
    }
    text.push_str("End it with Ctrl-C.\n");
    out.write_all(text.as_bytes())
        .and_then(|()| out.flush())
        .map_err(|e| DeskError::system("write the output", e))
}

async fn stopped() {
    let interrupted = tokio::signal::ctrl_c();
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut told) = signal(SignalKind::terminate()) {
            tokio::select! { _ = interrupted => {}, _ = told.recv() => {} }
            return;
        }
    }
    let _ = interrupted.await;
}

async fn bind(address: IpAddr, port: u16, flag: &str) -> Result<TcpListener, DeskError> {
    TcpListener::bind((address, port)).await.map_err(|e| {
        let mend = match e.kind() {
            io::ErrorKind::AddrInUse => {
                format!("another program has it; choose another with {flag}")
            }
            io::ErrorKind::AddrNotAvailable => {
                "this machine does not have that address; see its network settings".to_owned()
            }
            _ => format!("choose another with {flag}"),
        };
        DeskError::Refused(format!(
            "cannot listen at {address}, port {port}: {e}\n  to mend:  {mend}"
        ))
    })
}

fn port_of(listener: &TcpListener) -> Result<u16, DeskError> {
    listener.local_addr().map(|a| a.port()).map_err(|e| DeskError::system("see the port", e))
}

fn written(address: IpAddr) -> String {
    match address {
        IpAddr::V4(a) => a.to_string(),
        IpAddr::V6(a) => format!("[{a}]"),
    }
}

/// The machine's own address on its local network.
fn own_address() -> Result<IpAddr, DeskError> {
    let all = if_addrs::get_if_addrs().map_err(|e| DeskError::system("see the network", e))?;
    let mut own: Vec<IpAddr> = all
        .iter()
        .map(if_addrs::Interface::ip)
        .filter(|a| matches!(a, IpAddr::V4(v4) if v4.is_private() || v4.is_link_local()))
        .collect();
    own.sort_by_key(|a| matches!(a, IpAddr::V4(v4) if v4.is_link_local()));
    match own.as_slice() {
        [] => Err(DeskError::Refused(
            "this machine is on no local network\n  to mend:  join the Wi-Fi that the phones use, or name the address: --lan ADDRESS"
                .to_owned(),
        )),
        [one, ..] => Ok(*one),
    }
}

fn open_browser(address: &str) {
    let (program, before): (&str, &[&str]) = if cfg!(target_os = "macos") {
        ("open", &[])
    } else if cfg!(windows) {
        ("cmd", &["/C", "start", ""])
    } else {
        ("xdg-open", &[])
    };
    // Without one the address stands in the terminal.
    let quiet = std::process::Stdio::null;
    let _ = std::process::Command::new(program)
        .args(before)
        .arg(address)
        .stdin(quiet())
        .stdout(quiet())
        .stderr(quiet())
        .spawn();
}

fn acceptor(certificate: &Path, key: &Path) -> Result<TlsAcceptor, DeskError> {
    let wrong = |file: &Path, what: String| {
        DeskError::Refused(format!(
            "{}: {what}\n  expected: a certificate and its private key as PEM files\n  to mend:  correct --certificate and --private-key",
            file.display()
        ))
    };
    let chain: Vec<CertificateDer<'static>> = CertificateDer::pem_file_iter(certificate)
        .and_then(Iterator::collect)
        .map_err(|e| wrong(certificate, e.to_string()))?;
    let key_der = PrivateKeyDer::from_pem_file(key).map_err(|e| wrong(key, e.to_string()))?;
    let config = ServerConfig::builder()
        .with_no_client_auth()
        .with_single_cert(chain, key_der)
        .map_err(|e| wrong(certificate, e.to_string()))?;
    Ok(TlsAcceptor::from(Arc::new(config)))
}

/// Where a connection comes from.
#[derive(Debug, Clone, Copy)]
pub struct Peer(pub SocketAddr);

impl Connected<IncomingStream<'_, TcpListener>> for Peer {
    fn connect_info(stream: IncomingStream<'_, TcpListener>) -> Self {
        Self(*stream.remote_addr())
    }
}

impl<L: Listener<Addr = SocketAddr>> Connected<IncomingStream<'_, Seated<L>>> for Peer {
    fn connect_info(stream: IncomingStream<'_, Seated<L>>) -> Self {
        Self(*stream.remote_addr())
    }
}

/// A listener whose connections are encrypted. Each greets on its own, so that one who opens a connection
/// and says nothing holds nobody up.
struct Secured {
    greeted: mpsc::Receiver<(TlsStream<TcpStream>, SocketAddr)>,
    address: SocketAddr,
}

/// So long a connection may take to greet.
const GREETING: Duration = Duration::from_secs(10);

impl Secured {
    fn new(mut inner: TcpListener, tls: TlsAcceptor) -> Result<Self, DeskError> {
        let address = inner.local_addr().map_err(|e| DeskError::system("see the port", e))?;
        let (sender, greeted) = mpsc::channel(64);
        tokio::spawn(async move {
            loop {
                let (stream, from) = Listener::accept(&mut inner).await;
                let (tls, sender) = (tls.clone(), sender.clone());
                tokio::spawn(async move {
                    let greeting = tokio::time::timeout(GREETING, tls.accept(stream));
                    if let Ok(Ok(stream)) = greeting.await {
                        let _ = sender.send((stream, from)).await;
                    }
                });
            }
        });
        Ok(Self { greeted, address })
    }
}

impl Listener for Secured {
    type Io = TlsStream<TcpStream>;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, Self::Addr) {
        match self.greeted.recv().await {
            Some(connection) => connection,
            // The task that accepts never ends before the process does.
            None => std::future::pending().await,
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        Ok(self.address)
    }
}

/// All pages of the desk.
pub fn desk_routes(app: &Shared, hosts: Vec<String>, port: u16) -> Router {
    let gate = Gate::new(Arc::clone(app), hosts, format!("blindsteep-desk-{port}"), false);
    let pages = Router::new()
        .merge(record::routes())
        .merge(panel::routes())
        .merge(questions::routes())
        .layer(middleware::from_fn(guard::desk_only));
    Router::new()
        .merge(pages)
        .merge(clock_routes())
        .merge(shared_routes())
        .route("/enter/{link}", get(enter))
        .fallback(nothing_there)
        .layer(middleware::from_fn_with_state(Arc::clone(app), unreadable::on_a_page))
        .layer(DefaultBodyLimit::max(guard::BODY))
        .layer(middleware::from_fn_with_state(gate, guard::pass))
        .with_state(Arc::clone(app))
}

/// All that phones reach.
pub fn ballot_routes(app: &Shared, hosts: Vec<String>, port: u16, secure: bool) -> Router {
    let gate = Gate::new(Arc::clone(app), hosts, format!("blindsteep-{port}"), secure);
    Router::new()
        .merge(ballot::routes())
        .merge(clock_routes())
        .merge(shared_routes())
        .route("/enter/{link}", get(enter_workshop))
        .layer(DefaultBodyLimit::max(guard::BODY))
        .layer(middleware::from_fn_with_state(gate, guard::pass))
        .with_state(Arc::clone(app))
}

/// The step clock: for the workshop's phones, and for the maker here.
fn clock_routes() -> Router<Shared> {
    record::clock_routes().layer(middleware::from_fn(guard::clock_only))
}

fn shared_routes() -> Router<Shared> {
    Router::new().route("/assets/{name}", get(assets::serve)).route("/language", get(language))
}

#[derive(serde::Deserialize)]
struct Chosen {
    #[serde(default)]
    to: String,
    #[serde(default)]
    back: String,
}

async fn language(Query(chosen): Query<Chosen>) -> Response {
    page::choose_language(&chosen.to, &chosen.back)
}

/// An address that is none: the maker is shown the way back.
async fn nothing_there(
    State(app): State<Shared>,
    reader: page::Reader,
    caller: Option<Extension<Caller>>,
) -> Response {
    if caller.is_none_or(|c| c.0.who != Who::Desk) {
        return (StatusCode::NOT_FOUND, "There is nothing at this address.\n").into_response();
    }
    let say = reader.say;
    let body = maud::html! {
        p { (say.of("There is nothing at this address.", "此地址没有内容。")) }
        p { a.button href="/" { (say.of("To what is to be done today", "回到今日")) } }
    };
    let title = say.of("Not found", "未找到");
    (StatusCode::NOT_FOUND, page::page(&app, &reader, page::Part::Today, title, body))
        .into_response()
}

/// The way in of the desk.
async fn enter(
    State(app): State<Shared>,
    Extension(name): Extension<CookieName>,
    Segment(link): Segment<String>,
) -> Response {
    come_in(&app, &name, &link, &Who::Desk, "/")
}

/// The way in of the workshop. The desk's own link is worth nothing here, where others may listen.
async fn enter_workshop(
    State(app): State<Shared>,
    Extension(name): Extension<CookieName>,
    Segment(link): Segment<String>,
) -> Response {
    come_in(&app, &name, &link, &Who::Clock, "/clock")
}

fn come_in(app: &App, name: &CookieName, link: &str, who: &Who, to: &str) -> Response {
    match app.doors.enter(link) {
        Some((known, cookie)) if known == *who => {
            ([(header::SET_COOKIE, name.set(&cookie))], Redirect::to(to)).into_response()
        }
        _ => (StatusCode::FORBIDDEN, "This link is not good (any more).\n").into_response(),
    }
}
