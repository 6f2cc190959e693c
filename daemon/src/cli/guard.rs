//! `frameside guard`: holds the pin of a lamp's relay for the daemon, and lets go when
//! the daemon is gone, stands still or says so. See [`crate::devices::relay`].

use std::io::{BufRead, Write};
use std::sync::mpsc::{RecvTimeoutError, channel};
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
    /// The daemon has closed its end, or somebody asks the guard to end.
    End,
}

pub(super) fn run(args: &Args) -> Result<(), Failure> {
    let pin = RelayPin { bcm: args.pin, active_low: args.active == "low" };
    let relay = pins::open().and_then(|mut pins| pins.relay(pin));
    match relay {
        Ok(relay) => guard(relay),
        Err(error) => {
            say(&format!("{}{error}", said::FAILED));
            Err(failed(&error))
        }
    }
}

fn failed(error: &PinError) -> Failure {
    Failure::Failed(error.to_string())
}

/// The daemon may be gone, and with it whoever listens.
fn say(line: &str) {
    let _ = writeln!(std::io::stdout(), "{line}");
}

/// Any signal that would end the guard and leave the pin as it is. The watchdog of systemd sends
/// SIGABRT to all processes of a service.
async fn told_to_end() {
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

fn guard(mut relay: Box<dyn Switch>) -> Result<(), Failure> {
    let (tell, heard) = channel();
    let orders = tell.clone();
    let listen = move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            if orders.send(Heard::Order(line)).is_err() {
                return;
            }
        }
        let _ = orders.send(Heard::End);
    };
    let listening = std::thread::Builder::new().name("orders".into()).spawn(listen);
    let asked = std::thread::Builder::new().name("signals".into()).spawn(move || {
        // Without handlers a signal would end the guard with the lamp on.
        if let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() {
            runtime.block_on(told_to_end());
            let _ = tell.send(Heard::End);
        }
    });
    listening.and(asked).map_err(|error| Failure::Failed(format!("no thread: {error}")))?;
    say(said::READY);
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
                return Ok(());
            }
        }
        say(if is_on { said::ON } else { said::OFF });
    }
}
