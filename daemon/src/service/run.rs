//! The loop: waits for whatever comes first and hands it to the service.

use std::future::Future;
use std::time::Duration;

use frameside_core::chips::SensorEvent;
use frameside_core::exposure::{FrameId, SensorId};
use frameside_core::quantity::Irradiance;
use tokio::sync::mpsc::{Receiver, UnboundedReceiver};
use tokio::time::timeout_at;

use super::Service;
use crate::clock::Clock;
use crate::devices::panel::PanelChange;
use crate::devices::relay::RelayEvent;
use crate::issued::Issued;
use crate::ledger::LedgerEvent;
use crate::mqtt::LinkEvent;
use crate::socket::{Origin, Question};

/// Where things come from.
pub struct Inputs {
    /// The feeds.
    pub sensors: Receiver<(SensorId, SensorEvent)>,
    /// The control socket.
    pub questions: Receiver<Question>,
    /// The ledger.
    pub ledger: UnboundedReceiver<LedgerEvent>,
    /// The broker; closed without one.
    pub link: Receiver<LinkEvent>,
    /// The buttons.
    pub buttons: Receiver<FrameId>,
    /// The buzzer, lights and buttons that got their pins, or did not.
    pub(crate) panel: Receiver<PanelChange>,
    /// The relays of lamps.
    pub relays: Receiver<RelayEvent>,
    /// How bright the clear sky is, as the record tells.
    pub clear_sky: Receiver<Irradiance>,
}

/// How often the wall clock is looked at, in life's time.
const WALL_EVERY: Duration = Duration::from_secs(5);
/// How long the card has at the end. systemd waits for 90 s before it kills.
const STORE_WITHIN: Duration = Duration::from_secs(45);

/// Runs the service until `shutdown` comes, then makes everything safe.
/// `alive` is called at least every few seconds while the loop turns.
pub async fn run(
    mut service: Service,
    clock: Clock,
    mut inputs: Inputs,
    mut alive: impl FnMut(),
    shutdown: impl Future<Output = ()>,
) {
    tokio::pin!(shutdown);
    let mut wall = tokio::time::interval(WALL_EVERY);
    wall.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
    loop {
        // Calls wait for what is stored.
        while let Ok(event) = inputs.ledger.try_recv() {
            service.on_ledger(clock.now(), event);
        }
        // After a stall, the readings that wait are taken before anything else finds that none
        // came; no more than those, so that a flood of them leaves the others their turn.
        for _ in 0..inputs.sensors.len() {
            let Ok((id, event)) = inputs.sensors.try_recv() else { break };
            service.on_sensor(clock.now(), id, event);
        }
        service.wake(clock.now());
        // The tasks of the socket and of the broker have their turn too.
        if !inputs.sensors.is_empty() {
            tokio::task::yield_now().await;
        }
        let pause = clock.until(service.next_wake(clock.now()));
        // In this order: a flood from the broker keeps nobody beside the frames waiting.
        tokio::select! {
            biased;
            () = &mut shutdown => break,
            Some(event) = inputs.ledger.recv() => service.on_ledger(clock.now(), event),
            Some(found) = service.found() => service.on_found(clock.now(), found),
            _ = wall.tick() => {
                let now = clock.wall();
                service.on_wall(now.mono, now);
                alive();
            }
            Some(amplitude) = inputs.clear_sky.recv() => service.on_clear_sky(amplitude),
            Some(event) = inputs.relays.recv() => service.on_relay(clock.now(), event),
            Some(change) = inputs.panel.recv() => service.on_panel(clock.now(), change),
            Some(frame) = inputs.buttons.recv() => service.on_button(clock.now(), frame),
            Some(question) = inputs.questions.recv() => {
                let Question { request, from, answer } = question;
                match from {
                    Origin::Here => service.on_question(clock.now(), request, answer),
                    Origin::Page { id, at } => {
                        service.on_page(clock.now(), id, Issued { request, at }, answer);
                    }
                }
            }
            Some(event) = inputs.link.recv() => service.on_link(clock.now(), event),
            Some((id, event)) = inputs.sensors.recv() => service.on_sensor(clock.now(), id, event),
            () = tokio::time::sleep(pause) => {}
        }
    }
    service.stop(clock.now());
    // A slow card has its time; meanwhile what it has stored is answered and signalled.
    let until = tokio::time::Instant::now() + STORE_WITHIN;
    while service.awaits_ledger() {
        let Ok(Some(event)) = timeout_at(until, inputs.ledger.recv()).await else { break };
        service.on_ledger(clock.now(), event);
    }
    service.close().await;
}
