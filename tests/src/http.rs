//! A small HTTP client: what it sends is what the test says, and nothing else.

use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Mutex;
use std::time::Duration;

/// Far above what any answer takes on a busy machine.
const PATIENCE: Duration = Duration::from_secs(120);

/// What came back.
#[derive(Debug)]
pub struct Response {
    /// The status code.
    pub status: u16,
    /// The headers, names in small letters.
    pub headers: Vec<(String, String)>,
    /// The body; of a stream of events, nothing yet.
    pub body: Vec<u8>,
    rest: BufReader<TcpStream>,
}

impl Response {
    /// A header by its name in small letters.
    #[must_use]
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(known, _)| known == name).map(|(_, value)| value.as_str())
    }

    /// The body as JSON.
    ///
    /// # Panics
    ///
    /// When it is none.
    #[must_use]
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_slice(&self.body)
            .unwrap_or_else(|error| panic!("{error}: {:?}", String::from_utf8_lossy(&self.body)))
    }

    /// The next part of a body that comes in parts; none at its end.
    ///
    /// # Panics
    ///
    /// When it is not sent in parts.
    pub fn part(&mut self) -> Option<Vec<u8>> {
        let mut line = String::new();
        self.rest.read_line(&mut line).ok().filter(|read| *read > 0)?;
        let length = usize::from_str_radix(line.trim_end(), 16).unwrap();
        let mut part = vec![0; length + 2];
        self.rest.read_exact(&mut part).ok()?;
        part.truncate(length);
        (length > 0).then_some(part)
    }
}

/// A connection to a port of this machine.
///
/// # Panics
///
/// When nobody listens there.
#[must_use]
pub fn connect(port: u16) -> TcpStream {
    let stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    stream
}

/// Sends a head without its last empty line, and a body with its length, and reads the answer.
///
/// # Panics
///
/// When there is no answer.
#[must_use]
pub fn send(port: u16, head: &str, body: Option<&[u8]>) -> Response {
    let mut stream = connect(port);
    let mut request = format!("{}\r\n", head.trim_end().replace('\n', "\r\n"));
    if let Some(body) = body {
        request.push_str(&format!("Content-Length: {}\r\n", body.len()));
    }
    request.push_str("\r\n");
    stream.write_all(request.as_bytes()).unwrap();
    // Whoever refuses may do so before it has read all of it.
    let _ = stream.write_all(body.unwrap_or_default());
    read(stream)
}

/// Reads an answer.
///
/// # Panics
///
/// When there is none.
#[must_use]
pub fn read(stream: TcpStream) -> Response {
    let mut rest = BufReader::new(stream);
    let mut line = String::new();
    rest.read_line(&mut line).unwrap();
    let status = line.split(' ').nth(1).and_then(|code| code.parse().ok());
    let status = status.unwrap_or_else(|| panic!("no answer: {line:?}"));
    let mut headers = Vec::new();
    loop {
        line.clear();
        rest.read_line(&mut line).unwrap();
        let Some((name, value)) = line.trim_end().split_once(':') else { break };
        headers.push((name.to_ascii_lowercase(), value.trim().to_owned()));
    }
    let length = headers.iter().find(|(name, _)| name == "content-length");
    let mut body = vec![0; length.map_or(0, |(_, length)| length.parse().unwrap())];
    rest.read_exact(&mut body).unwrap();
    Response { status, headers, body, rest }
}

/// A port of this machine that nobody has just now, and that no other test was given: two
/// that start at once must not meet on one port.
///
/// # Panics
///
/// When there is none.
#[must_use]
pub fn free_port() -> u16 {
    static GIVEN: Mutex<BTreeSet<u16>> = Mutex::new(BTreeSet::new());
    loop {
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        if GIVEN.lock().unwrap().insert(port) {
            return port;
        }
    }
}
