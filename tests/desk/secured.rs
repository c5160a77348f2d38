//! Ballots with a certificate of one's own. The one here was made for these tests by OpenSSL
//! (`openssl req -x509`, for factory.test and 127.0.0.1); its key is public and good for nothing else.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use tokio_rustls::rustls::pki_types::pem::PemObject as _;
use tokio_rustls::rustls::pki_types::{CertificateDer, ServerName};
use tokio_rustls::rustls::{ClientConfig, ClientConnection, RootCertStore, StreamOwned};

use super::common::{Desk, Garden};

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name)
}

fn get(port: u16, path: &str, host: &str) -> String {
    ask("GET", port, path, host)
}

fn ask(method: &str, port: u16, path: &str, host: &str) -> String {
    let mut roots = RootCertStore::empty();
    for certificate in CertificateDer::pem_file_iter(data("desk-cert.pem")).unwrap() {
        roots.add(certificate.unwrap()).unwrap();
    }
    let config = ClientConfig::builder().with_root_certificates(roots).with_no_client_auth();
    let name = ServerName::try_from("127.0.0.1").unwrap();
    let connection = ClientConnection::new(Arc::new(config), name).unwrap();
    let mut stream = StreamOwned::new(connection, TcpStream::connect(("127.0.0.1", port)).unwrap());
    let request = format!(
        "{method} {path} HTTP/1.1\r\nHost: {host}:{port}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"
    );
    stream.write_all(request.as_bytes()).unwrap();
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    String::from_utf8_lossy(&answer).into_owned()
}

#[test]
fn with_a_certificate_ballots_are_encrypted_and_their_cookies_kept_to_that() {
    let garden = Garden::planned();
    let links = garden.links();
    let (certificate, key) = (data("desk-cert.pem"), data("desk-key.pem"));
    let desk = Desk::start_with(
        &garden,
        &[
            "--port",
            "0",
            "--ballots-port",
            "0",
            "--lan",
            "127.0.0.1",
            "--certificate",
            certificate.to_str().unwrap(),
            "--private-key",
            key.to_str().unwrap(),
        ],
    );
    assert!(desk.ballots.starts_with("https://127.0.0.1:"), "{}", desk.ballots);
    let port = Desk::port(&desk.ballots);
    // Somebody who connects and says nothing holds nobody up.
    let silent = TcpStream::connect(("127.0.0.1", port)).unwrap();
    let door = get(port, "/", "127.0.0.1");
    assert!(door.starts_with("HTTP/1.1 200"), "{door}");
    drop(silent);
    let joined = ask("POST", port, &format!("/join/{}", links["ann"]), "127.0.0.1");
    assert!(joined.starts_with("HTTP/1.1 303"), "{joined}");
    assert!(joined.contains("; Secure"), "{joined}");
    // In the clear there is nothing.
    let mut plain = TcpStream::connect(("127.0.0.1", port)).unwrap();
    plain.write_all(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n").unwrap();
    let mut answer = Vec::new();
    let _ = plain.read_to_end(&mut answer);
    assert!(!String::from_utf8_lossy(&answer).contains("HTTP/1.1 200"));
}

#[test]
fn a_certificate_that_is_none_is_told() {
    let garden = Garden::empty();
    let none = garden.root().join("book.toml");
    let (code, text) = garden.run(&[
        "desk",
        "--no-browser",
        "--port",
        "0",
        "--ballots-port",
        "0",
        "--certificate",
        none.to_str().unwrap(),
        "--private-key",
        none.to_str().unwrap(),
    ]);
    assert_eq!(code, 2, "{text}");
    assert!(text.contains("to mend:  correct --certificate and --private-key"), "{text}");
}
