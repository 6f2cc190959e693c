//! The command line's side of the socket.

use std::io::{self, BufRead, BufReader, Read, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::Value;

use crate::request::Request;

/// Why there is no answer, or a bad one.
#[derive(Debug, thiserror::Error)]
pub enum AskError {
    /// Nobody listens.
    #[error(
        "the daemon is not running (nothing answers on {0}); start it with 'frameside run' or 'systemctl start frameside'"
    )]
    NotRunning(PathBuf),
    /// The socket belongs to others.
    #[error("you may not use {0}; join the group it belongs to, or use sudo")]
    Forbidden(PathBuf),
    /// It went silent.
    #[error("the daemon does not answer: {0}")]
    Silent(io::Error),
    /// It said no.
    #[error("{0}")]
    Refused(String),
}

/// A ledger on a slow card may take seconds to make a print safe.
const PATIENCE: Duration = Duration::from_secs(15);
/// Far above any answer the daemon gives.
const LONGEST_ANSWER: u64 = 16 * 1024 * 1024;

/// Asks the daemon and waits for its answer.
///
/// # Errors
/// [`AskError`]: not running, forbidden, silent, or refused with the reason.
pub fn ask(socket: &Path, request: &Request) -> Result<Value, AskError> {
    let mut stream = UnixStream::connect(socket).map_err(|error| match error.kind() {
        io::ErrorKind::PermissionDenied => AskError::Forbidden(socket.to_owned()),
        _ => AskError::NotRunning(socket.to_owned()),
    })?;
    let mut line = request.to_json();
    line.push('\n');
    let answer = exchange(&mut stream, line.as_bytes()).map_err(AskError::Silent)?;
    if answer["ok"] == Value::Bool(true) {
        return Ok(answer);
    }
    let error = answer["error"].as_str().unwrap_or("the daemon refused without a reason");
    Err(AskError::Refused(error.to_owned()))
}

fn exchange(stream: &mut UnixStream, line: &[u8]) -> io::Result<Value> {
    stream.set_read_timeout(Some(PATIENCE))?;
    stream.set_write_timeout(Some(PATIENCE))?;
    stream.write_all(line)?;
    let mut answer = String::new();
    BufReader::new(stream.take(LONGEST_ANSWER)).read_line(&mut answer)?;
    if answer.is_empty() {
        return Err(io::Error::new(io::ErrorKind::UnexpectedEof, "it closed the connection"));
    }
    serde_json::from_str(&answer).map_err(io::Error::from)
}
