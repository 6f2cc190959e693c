//! The daemon's side of the socket.

use std::io;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use serde_json::Value;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::{UnixListener, UnixStream};
use tokio::sync::{Semaphore, mpsc, oneshot};

use super::LONGEST_LINE;
use crate::request::{Request, refusal};

/// A request and where its answer goes.
#[derive(Debug)]
pub struct Question {
    /// What is asked.
    pub request: Request,
    /// Where it came from.
    pub from: Origin,
    /// Takes the answer; dropped when there is none to come.
    pub answer: oneshot::Sender<Value>,
}

/// Where a question came from.
#[derive(Debug, Clone, PartialEq)]
pub enum Origin {
    /// The control socket, by a person or program on this machine.
    Here,
    /// The page, from afar.
    Page {
        /// The sender's name for it.
        id: Option<String>,
        /// When it was issued, by the sender's clock.
        at: Option<jiff::Timestamp>,
    },
}

/// Why the socket could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum SocketError {
    /// Another daemon answers on it.
    #[error(
        "{0} is in use: another frameside runs with this socket; stop it or choose another [socket] path"
    )]
    InUse(PathBuf),
    /// The system refused.
    #[error("cannot open the socket {path}: {source}; check [socket] path and its folder")]
    Io {
        /// Where.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
}

/// Whoever is connected at once; more wait.
const MOST_CONNECTIONS: usize = 32;
/// A client that neither sends nor reads for this long is let go.
const PATIENCE: Duration = Duration::from_secs(60);

/// Opens the socket with mode 0660, clearing away one that a killed daemon left.
///
/// # Errors
/// [`SocketError`] when another daemon answers on it or the system refuses.
pub fn bind(path: &Path) -> Result<UnixListener, SocketError> {
    let failed = |source| SocketError::Io { path: path.to_owned(), source };
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(failed)?;
    }
    match std::os::unix::net::UnixStream::connect(path) {
        Ok(_) => return Err(SocketError::InUse(path.to_owned())),
        Err(error) if error.kind() == io::ErrorKind::ConnectionRefused => {
            std::fs::remove_file(path).map_err(failed)?;
        }
        Err(_) => {}
    }
    let listener = UnixListener::bind(path).map_err(failed)?;
    // Whoever may talk to the rig is in the socket's group.
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o660)).map_err(failed)?;
    Ok(listener)
}

/// Answers whoever connects, until dropped.
pub async fn serve(listener: UnixListener, questions: mpsc::Sender<Question>) {
    let places = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    loop {
        let Ok(place) = Arc::clone(&places).acquire_owned().await else { return };
        match listener.accept().await {
            Ok((stream, _)) => {
                let questions = questions.clone();
                tokio::spawn(async move {
                    if let Err(error) = converse(stream, questions).await {
                        tracing::debug!(%error, "a client of the control socket went away");
                    }
                    drop(place);
                });
            }
            Err(error) => {
                // Out of file descriptors, most likely: give others time to close.
                tracing::warn!(%error, "the control socket cannot take a connection");
                tokio::time::sleep(Duration::from_secs(1)).await;
            }
        }
    }
}

async fn converse(stream: UnixStream, questions: mpsc::Sender<Question>) -> io::Result<()> {
    let uid = stream.peer_cred()?.uid();
    let (read, mut write) = stream.into_split();
    let mut read = BufReader::new(read);
    let mut line = Vec::new();
    loop {
        line.clear();
        let mut limited = (&mut read).take(LONGEST_LINE as u64 + 1);
        let got = tokio::time::timeout(PATIENCE, limited.read_until(b'\n', &mut line)).await??;
        if got == 0 {
            return Ok(());
        }
        let too_long = line.len() > LONGEST_LINE;
        let answer = if too_long {
            refusal(&format!("a line holds at most {LONGEST_LINE} bytes"))
        } else {
            answer_line(&line, uid, &questions).await
        };
        let mut out = answer.to_string();
        out.push('\n');
        tokio::time::timeout(PATIENCE, write.write_all(out.as_bytes())).await??;
        if too_long {
            // The rest of the line cannot be told from the next one.
            return Ok(());
        }
    }
}

async fn answer_line(line: &[u8], uid: u32, questions: &mpsc::Sender<Question>) -> Value {
    let request = match Request::from_json(line) {
        Ok(request) => request,
        Err(error) => return refusal(&error.to_string()),
    };
    if !request.only_asks() {
        tracing::info!(uid, "asked over the control socket: {request}");
    }
    let (answer, answered) = oneshot::channel();
    if questions.send(Question { request, from: Origin::Here, answer }).await.is_err() {
        return refusal("the daemon is stopping");
    }
    answered.await.unwrap_or_else(|_| refusal("the daemon is stopping"))
}
