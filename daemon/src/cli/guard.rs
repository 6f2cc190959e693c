//! `frameside guard`: holds the pin of a lamp's relay for the daemon, and lets go when
//! the daemon is gone, stands still or says so. See [`crate::devices::relay`].

use std::io::{BufRead, Write};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::task::Poll;

use super::Failure;
use crate::devices::pins::{self, PinError, RelayPin, Switch};
use crate::devices::relay::{LET_GO_AFTER, said};

/// Hold the pin of a lamp's relay; the daemon runs this.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  frameside guard 25 high")]
pub(super) struct Args {
    /// BCM number
    pin: u8,
    /// The level at which the relay is on
    #[arg(value_parser = ["high", "low"])]
    active: String,
}

/// What the guard waits for.
enum Heard {
    Order(String),
    /// The daemon has closed its end, or a signal asks the guard to end.
    End,
}

/// The name in the list of processes; without it that would show `exe`. At most 15 bytes.
const NAME: &str = "frameside-guard";

pub(super) fn run(args: &Args) -> Result<(), Failure> {
    // Some kernels refuse it, and the guard works as well without.
    let _ = std::fs::write("/proc/self/comm", NAME);
    let heard = listen().map_err(|error| Failure::Failed(format!("no thread: {error}")))?;
    let pin = RelayPin { bcm: args.pin, active_low: args.active == "low" };
    // A spare guard has them open already when its turn comes.
    let mut pins = pins::open();
    loop {
        match heard.recv() {
            Ok(Heard::Order(order)) if order == said::TAKE => break,
            // It has no pin: there is nothing to switch.
            Ok(Heard::Order(_)) => say(said::OFF),
            Ok(Heard::End) | Err(_) => return Ok(()),
        }
    }
    if pins.is_err() {
        pins = pins::open();
    }
    match pins.and_then(|mut pins| Ok((pins.relay(pin)?, pins))) {
        Ok((relay, pins)) => {
            say(said::OFF);
            hold(relay, &heard);
            drop(pins);
            Ok(())
        }
        Err(error) => {
            say(&format!("{}{error}", said::FAILED));
            Err(failed(&error))
        }
    }
}

fn failed(error: &PinError) -> Failure {
    Failure::Failed(error.to_string())
}

/// The daemon may be gone, and with it the reader of this.
fn say(line: &str) {
    let _ = writeln!(std::io::stdout(), "{line}");
}

/// Orders come by standard input, the wish to end as a signal.
fn listen() -> std::io::Result<Receiver<Heard>> {
    let (tell, heard) = channel();
    let orders = tell.clone();
    std::thread::Builder::new().name("orders".into()).spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            if orders.send(Heard::Order(line)).is_err() {
                return;
            }
        }
        let _ = orders.send(Heard::End);
    })?;
    std::thread::Builder::new().name("signals".into()).spawn(move || wait_for_signal(&tell))?;
    Ok(heard)
}

fn wait_for_signal(tell: &Sender<Heard>) {
    // Without handlers a signal would end the guard with the lamp on.
    if let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() {
        runtime.block_on(asked_to_end());
        let _ = tell.send(Heard::End);
    }
}

/// Any signal that would end the guard and leave the pin as it is. The watchdog of systemd sends
/// SIGABRT to all processes of a service.
async fn asked_to_end() {
    use tokio::signal::unix::{SignalKind, signal};
    const SIGABRT: i32 = 6;
    let kinds = [
        SignalKind::terminate(),
        SignalKind::interrupt(),
        SignalKind::hangup(),
        SignalKind::quit(),
        SignalKind::from_raw(SIGABRT),
    ];
    let mut signals: Vec<_> = kinds.into_iter().filter_map(|kind| signal(kind).ok()).collect();
    std::future::poll_fn(|context| {
        let came = signals.iter_mut().any(|signal| signal.poll_recv(context).is_ready());
        if came { Poll::Ready(()) } else { Poll::Pending }
    })
    .await;
}

/// Switches as ordered; ends with the relay off.
fn hold(mut relay: Box<dyn Switch>, heard: &Receiver<Heard>) {
    let (mut is_on, mut has_let_go) = (false, false);
    loop {
        // While it is off there is nothing to let go of.
        let next = if is_on {
            heard.recv_timeout(LET_GO_AFTER)
        } else {
            heard.recv().map_err(|_| RecvTimeoutError::Disconnected)
        };
        match next {
            Ok(Heard::Order(order)) if order == said::ON => {
                is_on = !has_let_go;
                relay.set(is_on);
            }
            Ok(Heard::Order(_)) => {
                (is_on, has_let_go) = (false, false);
                relay.set(false);
            }
            Err(RecvTimeoutError::Timeout) => {
                (is_on, has_let_go) = (false, true);
                relay.set(false);
                say(said::LET_GO);
                continue;
            }
            Ok(Heard::End) | Err(RecvTimeoutError::Disconnected) => {
                relay.set(false);
                return;
            }
        }
        say(if is_on { said::ON } else { said::OFF });
    }
}
