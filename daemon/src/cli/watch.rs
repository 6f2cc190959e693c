//! `frameside watch`

use std::io::{self, IsTerminal};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread;
use std::time::{Duration, Instant};

use jiff::tz::TimeZone;
use ratatui::crossterm::event::{self, Event, KeyCode, KeyEventKind, KeyModifiers};
use serde_json::Value;

use super::{Context, Failure, zone};
use crate::ledger::Record;
use crate::request::Request;
use crate::socket;
use crate::status::{FrameStatus, Status};
use crate::watch::{Past, Step, View, draw};

/// The rig live on the terminal: each frame with its curve, and keys to cover and bring in.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  frameside watch")]
pub(super) struct Args {}

/// The rig is asked this often.
const ASK_EVERY: Duration = Duration::from_secs(1);
/// The record is read this often; the daemon writes to it about as often.
const READ_EVERY: Duration = Duration::from_secs(10);
/// A key, a signal or news waits at most this long.
const TURN: Duration = Duration::from_millis(100);

/// What comes back from the daemon and the record.
enum News {
    Status(Result<Status, String>),
    Said(String),
    Past(Past),
}

pub(super) fn run(_: &Args, context: &Context) -> Result<(), Failure> {
    if context.json {
        return Err(Failure::Usage(
            "watch draws on a terminal; for JSON use 'frameside status --json'".into(),
        ));
    }
    if !io::stdin().is_terminal() || !io::stdout().is_terminal() {
        return Err(Failure::Usage("watch needs a terminal; for one look use 'frameside status'".into()));
    }
    let config = context.config()?;
    let status = read_status(context.ask(&Request::Status)?).map_err(Failure::Failed)?;
    let stop = stop_flag().map_err(|error| failed(&error))?;
    let (ask, asked) = channel();
    let (tell, news) = channel();
    let source = Source { zone: zone(&config), socket: config.socket, ledger: config.ledger.path };
    thread::spawn(move || source.serve(&asked, &tell));
    // Puts the terminal right on a panic, too.
    let mut terminal = ratatui::try_init().map_err(|error| failed(&error))?;
    let seen = look(&mut terminal, View::new(status), &stop, &ask, &news);
    ratatui::restore();
    seen.map_err(|error| failed(&error))
}

fn failed(error: &io::Error) -> Failure {
    Failure::Failed(format!("the terminal cannot be used: {error}"))
}

fn look(
    terminal: &mut ratatui::DefaultTerminal,
    mut view: View,
    stop: &AtomicBool,
    ask: &Sender<Request>,
    news: &Receiver<News>,
) -> io::Result<()> {
    let coloured = std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty());
    while !stop.load(Ordering::Relaxed) {
        news.try_iter().for_each(|news| take(&mut view, news));
        terminal.draw(|screen| draw(screen, &view, coloured))?;
        if !event::poll(TURN)? {
            continue;
        }
        let Event::Key(key) = event::read()? else { continue };
        let interrupt = key.code == KeyCode::Char('c') && key.modifiers.contains(KeyModifiers::CONTROL);
        match view.key(key.code) {
            _ if interrupt => return Ok(()),
            _ if key.kind != KeyEventKind::Press => {}
            Step::Leave => return Ok(()),
            // It ends with this process, not before.
            Step::Ask(request) => drop(ask.send(request)),
            Step::Stay => {}
        }
    }
    Ok(())
}

fn take(view: &mut View, news: News) {
    match news {
        News::Status(Ok(status)) => {
            view.status = status;
            view.away = None;
        }
        News::Status(Err(why)) => view.away = Some(why),
        News::Said(text) => view.said = Some(text),
        News::Past(past) => view.past = past,
    }
}

/// Becomes true at SIGTERM.
fn stop_flag() -> io::Result<Arc<AtomicBool>> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let flag = Arc::new(AtomicBool::new(false));
    let raised = Arc::clone(&flag);
    thread::spawn(move || {
        runtime.block_on(super::run::stopped());
        raised.store(true, Ordering::Relaxed);
    });
    Ok(flag)
}

/// Where the news comes from; asked on a thread of its own, so that a daemon
/// that is slow does not hold up the keys.
struct Source {
    socket: PathBuf,
    ledger: PathBuf,
    zone: TimeZone,
}

impl Source {
    /// Until nobody listens.
    fn serve(&self, asked: &Receiver<Request>, tell: &Sender<News>) {
        let mut read: Option<Instant> = None;
        loop {
            let status = socket::ask(&self.socket, &Request::Status)
                .map_err(|_| "the daemon does not answer".to_owned())
                .and_then(read_status);
            if read.is_none_or(|at| at.elapsed() >= READ_EVERY)
                && let Ok(status) = &status
            {
                let _ = tell.send(News::Past(self.past(status)));
                read = Some(Instant::now());
            }
            if tell.send(News::Status(status)).is_err() {
                return;
            }
            match asked.recv_timeout(ASK_EVERY) {
                Ok(request) => {
                    let _ = tell.send(News::Said(self.answer(&request)));
                    read = None;
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return,
            }
        }
    }

    fn past(&self, status: &Status) -> Past {
        let past = Record::open(&self.ledger).and_then(|record| Past::read(&record, &self.zone, status));
        past.unwrap_or_else(|error| Past { trouble: Some(format!("no curves: {error}")), ..Past::default() })
    }

    fn answer(&self, request: &Request) -> String {
        match socket::ask(&self.socket, request) {
            Ok(answer) => match serde_json::from_value::<FrameStatus>(answer) {
                Ok(frame) => frame.sentence(),
                Err(_) => "done".to_owned(),
            },
            Err(error) => error.to_string(),
        }
    }
}

fn read_status(answer: Value) -> Result<Status, String> {
    serde_json::from_value(answer)
        .map_err(|error| format!("the daemon is of another version ({error}); restart it"))
}
