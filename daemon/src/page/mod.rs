//! A page for a phone: what is on the rig, live, and buttons for it.
//!
//! It runs on a thread of its own with a runtime of its own, so that no browser is ever
//! waited for by the service, and asks of the service like everybody else: by
//! [`Question`]s.

mod body;
#[cfg(test)]
mod contrast;
mod door;
mod news;
mod server;
pub mod token;

use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;

use jiff::tz::TimeZone;
use tokio::sync::{mpsc, oneshot};

use crate::clock::Clock;
use crate::config::{self, Config};
use crate::socket::Question;
use door::Door;
use news::News;
use token::TokenError;

/// Why there is no page.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
    /// The address is taken, or not one of this machine.
    #[error("the page cannot be served on {at}: {source}; choose another [page] listen")]
    Listen {
        /// Where.
        at: SocketAddr,
        /// Why not.
        source: io::Error,
    },
    /// No thread or no runtime.
    #[error("the page does not start: {0}")]
    Start(io::Error),
    /// There is no token.
    #[error(transparent)]
    Token(#[from] TokenError),
}

/// What the page is made from.
struct Site {
    door: Door,
    news: News,
    questions: mpsc::Sender<Question>,
}

/// Where the facts come from.
#[derive(Debug, Clone)]
struct Facts {
    ledger: PathBuf,
    zone: TimeZone,
    clock: Clock,
    /// The names of the sources of light.
    sources: Vec<String>,
    /// The name for people of each frame, by its name.
    labels: Vec<(String, String)>,
}

/// A page that is served; ends when dropped.
pub struct Served {
    _end: oneshot::Sender<()>,
}

/// Serves the page that a config asks for.
///
/// # Errors
/// [`PageError`] when it cannot be served there.
pub fn serve(
    config: &Config,
    page: &config::Page,
    clock: Clock,
    questions: mpsc::Sender<Question>,
) -> Result<Served, PageError> {
    let token = token::path(&config.ledger.path);
    token::keep(&token)?;
    let failed = |source| PageError::Listen { at: page.listen, source };
    let listener = std::net::TcpListener::bind(page.listen).map_err(failed)?;
    listener.set_nonblocking(true).map_err(failed)?;
    let facts = Facts {
        ledger: config.ledger.path.clone(),
        zone: config.rig.timezone.clone().unwrap_or_else(TimeZone::system),
        clock,
        sources: config.sources.iter().map(|source| source.name.to_string()).collect(),
        labels: config.frames.iter().map(labelled).collect(),
    };
    let site = Arc::new(Site { door: Door::new(page, token), news: News::default(), questions });
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(PageError::Start)?;
    let (end, ended) = oneshot::channel::<()>();
    let work = async move {
        let listener = match tokio::net::TcpListener::from_std(listener) {
            Ok(listener) => listener,
            Err(error) => return tracing::error!(%error, "the page is not served"),
        };
        tokio::select! {
            () = server::serve(listener, Arc::clone(&site)) => {}
            () = site.news.gather(&facts, &site.questions) => {}
            // Dropped, in fact.
            _ = ended => {}
        }
    };
    let thread = std::thread::Builder::new().name("page".into());
    thread
        .spawn(move || {
            runtime.block_on(work);
            // A read of the record that is under way ends by itself.
            runtime.shutdown_background();
        })
        .map_err(PageError::Start)?;
    tracing::info!("the page is served on http://{}/", page.listen);
    Ok(Served { _end: end })
}

fn labelled(frame: &config::Frame) -> (String, String) {
    let name = frame.name.to_string();
    let label = frame.label.clone().unwrap_or_else(|| name.clone());
    (name, label)
}
