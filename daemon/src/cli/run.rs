//! `frameside run`

use std::io::IsTerminal;
use std::time::Duration;

use frameside_core::exposure::FrameId;
use tokio::sync::mpsc;
use tracing_subscriber::filter::LevelFilter;

use super::{Context, Failure, broker};
use crate::assemble;
use crate::clock::{self, Clock, WallState};
use crate::config::Config;
use crate::devices::feed::FeedThread;
use crate::devices::panel::{Panel, PanelThread, Part};
use crate::devices::pins::{self, Buzzer, BuzzerKind};
use crate::diary;
use crate::hook::Hook;
use crate::ledger::{Boot, Ledger, Lock};
use crate::mqtt::{self, LinkEvent};
use crate::service::{self, Hands, Inputs, Service, Told};
use crate::socket;

/// The daemon: it reads the sensors, counts the doses and calls.
///
/// Runs until SIGTERM or Ctrl-C. Logs go to stderr, with --json as an object a line.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  frameside run --config configs/emulated.toml")]
pub(super) struct Args {
    /// Log every step
    #[arg(long)]
    verbose: bool,
}

/// Readings, questions and the like that wait for the service.
const WAITING: usize = 256;
/// A feed that has not been seen for this long is stuck.
const FEED_ALIVE_WITHIN: Duration = Duration::from_secs(10);

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    let config = context.config()?;
    log_to_stderr(args.verbose, context.json);
    for warning in config.warnings() {
        tracing::warn!("{warning}");
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::Failed(format!("the runtime does not start: {error}")))?;
    runtime.block_on(serve(&config))
}

fn log_to_stderr(verbose: bool, json: bool) {
    let level = if verbose { LevelFilter::DEBUG } else { LevelFilter::INFO };
    let terminal = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    let log = tracing_subscriber::fmt().with_writer(std::io::stderr).with_max_level(level).with_target(false);
    if json {
        log.json().flatten_event(true).init();
    } else if std::env::var_os("JOURNAL_STREAM").is_some() {
        // The journal has its own times.
        log.without_time().with_ansi(false).init();
    } else {
        log.with_ansi(terminal).init();
    }
}

async fn serve(config: &Config) -> Result<(), Failure> {
    let failed = |error: String| Failure::Failed(error);
    // A second daemon must not touch the pins of the first.
    let _lock = Lock::take(&config.ledger.path)?;
    let clock = Clock::new(config.speed, config.rig.clock);
    let wall = WallState::of(config);
    if !wall.is_right() {
        tracing::warn!("the wall clock: {}", wall.text());
    }
    if let Err(error) = super::pins_off::keep(&assemble::switched_pins(config)) {
        tracing::warn!(%error, "which pins are switched cannot be kept for the end of the service");
    }
    // Before anything else the pins are off.
    let (relay_tell, relay_events) = mpsc::channel(WAITING);
    let (relays, lamps) = assemble::open_relays(config, &relay_tell);
    let listener = socket::bind(&config.socket).map_err(|error| failed(error.to_string()))?;
    let (tell, ledger_events) = mpsc::unbounded_channel();
    let boot = Boot { id: clock::boot_id(), wall: clock.wall() };
    let (ledger, recovered) = Ledger::start(&config.ledger.path, &boot, tell)?;
    let clock = clock.resumed(recovered.wall_offset_ms);
    for trouble in &recovered.troubles {
        tracing::warn!("{trouble}");
    }
    let (link, link_events) = link(config, &recovered.client_id)?;
    let (press, buttons) = mpsc::channel(WAITING);
    let hook = config.signal.hook.clone().map(Hook::new);
    let buzzer = Buzzer::without_pin(assemble::buzzer(config));
    let lights = config.frames.iter().map(|_| None).collect();
    let hands = Hands { buzzer, lights, relays, link, hook, voice: Box::new(log_signal) };
    let setup = assemble::setup(config);
    let now = clock.now();
    let service = Service::new(setup, ledger, recovered, hands, now, clock.wall())
        .map_err(|error| failed(error.to_string()))?;
    let (sensor_tell, sensors) = mpsc::channel(WAITING);
    let feeds = assemble::feeds(config, &lamps, now).map_err(|error| failed(error.to_string()))?;
    let threads: Vec<FeedThread> = feeds
        .into_iter()
        .map(|feed| FeedThread::start(feed, clock, sensor_tell.clone()))
        .collect::<Result<_, _>>()
        .map_err(|error| failed(format!("no thread for a sensor: {error}")))?;
    let (panel_tell, panel) = mpsc::channel(WAITING);
    let panel_thread = PanelThread::start(panel_parts(config, press), panel_tell)
        .map_err(|error| failed(format!("no thread for the pins: {error}")))?;
    let (ask, questions) = mpsc::channel(WAITING);
    let _page = page(config, clock, &ask);
    let server = tokio::spawn(socket::serve(listener, ask));
    let clear_sky = diary::follow_clear_sky(config, clock);
    let (ledger, link, relays) = (ledger_events, link_events, relay_events);
    let inputs = Inputs { sensors, questions, ledger, link, buttons, panel, relays, clear_sky };
    notify(&[sd_notify::NotifyState::Ready]);
    tracing::info!(rig = config.rig.name.as_str(), socket = %config.socket.display(), "ready");
    let alive = || {
        let since =
            |thread: &FeedThread| clock.now().duration_since(thread.last_beat()).div_f64(clock.speed());
        if threads.iter().all(|thread| since(thread) < FEED_ALIVE_WITHIN) {
            notify(&[sd_notify::NotifyState::Watchdog]);
        }
    };
    service::run(service, clock, inputs, alive, stopped()).await;
    panel_thread.stop();
    server.abort();
    threads.into_iter().for_each(FeedThread::stop);
    // Left behind, it would only say that nobody answers.
    let _ = std::fs::remove_file(&config.socket);
    tracing::info!("stopped");
    Ok(())
}

/// Resolves when the daemon is asked to stop, and tells systemd.
pub(super) async fn stopped() {
    asked_to_stop().await;
    notify(&[sd_notify::NotifyState::Stopping]);
    tracing::info!("stopping");
}

/// Resolves on SIGTERM and Ctrl-C.
pub(super) async fn asked_to_stop() {
    use tokio::signal::unix::{SignalKind, signal};
    match (signal(SignalKind::terminate()), signal(SignalKind::interrupt())) {
        (Ok(mut term), Ok(mut int)) => {
            tokio::select! { _ = term.recv() => {}, _ = int.recv() => {} }
        }
        // Without handlers the signals end the process by themselves.
        _ => std::future::pending().await,
    }
}

fn notify(states: &[sd_notify::NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::debug!(%error, "systemd does not listen");
    }
}

/// The page, if the config asks for one. Prints go on without it.
#[cfg(feature = "page")]
fn page(config: &Config, clock: Clock, ask: &mpsc::Sender<socket::Question>) -> Option<crate::page::Served> {
    let served = crate::page::serve(config, config.page.as_ref()?, clock, ask.clone());
    served.inspect_err(|error| tracing::error!("{error}; going on without it")).ok()
}

/// The config was refused if it asks for one.
#[cfg(not(feature = "page"))]
fn page(_: &Config, _: Clock, _: &mpsc::Sender<socket::Question>) -> Option<()> {
    None
}

fn log_signal(told: &Told) {
    tracing::info!(signal = told.kind, "{}", told.text);
}

/// The way to the broker, if the config names one.
fn link(
    config: &Config,
    client_id: &str,
) -> Result<(Option<mqtt::Link>, mpsc::Receiver<LinkEvent>), Failure> {
    let Some(broker) = &config.mqtt else { return Ok((None, mpsc::channel(1).1)) };
    if let Some(problem) = mqtt::credentials_problem(broker) {
        tracing::error!("{problem}; going on without the broker until then");
    }
    let (link, events) = mqtt::connect(broker::settings(config, broker, client_id)?);
    Ok((Some(link), events))
}

/// The buzzer, lights and buttons that the config has on pins.
fn panel_parts(config: &Config, press: mpsc::Sender<FrameId>) -> Panel {
    let kind = assemble::buzzer(config);
    let on_pin = matches!(kind, BuzzerKind::Active { .. } | BuzzerKind::Passive { .. });
    let mut parts: Vec<Part> = on_pin.then_some(Part::Buzzer(kind)).into_iter().collect();
    for (id, frame) in (0..).map(FrameId).zip(&config.frames) {
        parts.extend(frame.led.map(|pin| Part::Light(id, pin.bcm())));
        parts.extend(frame.button.map(|pin| Part::Button(id, pin.bcm())));
    }
    let frames = config.frames.iter().map(|frame| frame.name.to_string()).collect();
    Panel::new(Box::new(pins::open), parts, frames, press)
}
