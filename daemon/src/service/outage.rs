//! The power was gone: how long, once the wall clock can tell.

use std::collections::BTreeMap;

use frameside_core::exposure::{Input, Refused, SensorId};
use frameside_core::light::{Lasted, Tear, Unplaced};
use frameside_core::outlook::WallAnchor;
use frameside_core::quantity::Mono;

use super::Service;
use crate::ledger::{Entry, Outage};

/// Outages of which it is not known yet how long they were.
#[derive(Debug, Default)]
pub(super) struct Outages {
    waiting: Vec<(SensorId, Outage)>,
    /// The wall clocks of earlier boots.
    earlier: BTreeMap<i64, WallAnchor>,
}

/// What is told while it is not known.
const WAITS: &str = "the power was gone while prints were out, and for how long is known once the clock is \
                     right: let it synchronise; what fell in that time is added then";

impl Service {
    /// The prints of some sensors were left in boots that cannot be placed.
    pub(super) fn expect_outages(
        &mut self,
        unplaced: &BTreeMap<String, Vec<Unplaced>>,
        outages: Vec<Outage>,
        earlier: BTreeMap<i64, WallAnchor>,
    ) -> Result<(), Refused> {
        self.outages.earlier = earlier;
        for outage in outages {
            if let Some(sensor) = self.sensor_named(&outage.sensor) {
                self.rig.expect_outage(sensor, outage.after)?;
                self.outages.waiting.push((sensor, outage));
            }
        }
        for (name, boots) in unplaced {
            if let Some(sensor) = self.sensor_named(name) {
                boots.iter().try_for_each(|&after| self.rig.tear(sensor, after))?;
            }
        }
        Ok(())
    }

    /// Some prints were out in boots of which nobody will ever know how long ago they ended.
    pub(super) fn give_up_outages(
        &mut self,
        now: Mono,
        never_placed: &BTreeMap<String, Vec<Unplaced>>,
    ) -> Result<(), Refused> {
        for (name, boots) in never_placed {
            if let Some(sensor) = self.sensor_named(name) {
                boots
                    .iter()
                    .try_for_each(|&after| self.rig.handle(now, Input::Outage(sensor, after, None)))?;
            }
        }
        Ok(())
    }

    /// A sensor sees light again after such an outage.
    pub(super) fn torn(&mut self, sensor: SensorId, after: Unplaced, tear: Tear) {
        let wall = self.outages.earlier.get(&after.boot).filter(|wall| wall.synchronised);
        let from_ms = wall.map(|wall| wall.unix_ms_at(tear.from));
        let name = self.setup.sensors[usize::from(sensor.0)].name.clone();
        let outage = Outage { sensor: name, after, tear, from_ms };
        self.ledger.write(Entry::Torn(outage.clone()));
        self.unwritten = true;
        self.outages.waiting.push((sensor, outage));
    }

    /// Settles what can be settled.
    pub(super) fn settle_outages(&mut self, now: Mono) {
        if self.outages.waiting.is_empty() {
            return;
        }
        for sensor in (0..self.setup.sensors.len() as u16).map(SensorId) {
            // While the newest outage has no end yet, the others cannot be told from it.
            if self.rig.is_torn(sensor) {
                continue;
            }
            let of_it = |(of, outage): &(SensorId, Outage)| (*of == sensor).then(|| outage.clone());
            let outages: Vec<Outage> = self.outages.waiting.iter().filter_map(of_it).collect();
            let Some(known) = lasted(&outages, self.wall) else { continue };
            self.outages.waiting.retain(|(of, _)| *of != sensor);
            for Outage { sensor: name, after, tear, .. } in outages {
                tracing::info!(sensor = name, ?known, "the length of an outage is settled");
                let known = known.map(|lasted| (tear, lasted));
                if let Err(refused) = self.rig.handle(now, Input::Outage(sensor, after, known)) {
                    tracing::warn!("{refused}");
                }
                // What the prints have of it first: it is counted once, however often it is told.
                self.pump(now);
                self.ledger.write(Entry::OutageSettled { sensor: name, after_boot: after.boot });
            }
            self.commit(now);
        }
    }

    /// What is told of outages that wait for the clock.
    pub(super) fn waiting_for_the_clock(&self) -> Option<String> {
        let waits = |outage: &Outage| outage.from_ms.is_some();
        let is_waiting = self.outages.waiting.iter().any(|(_, outage)| waits(outage));
        (self.out > 0 && is_waiting).then(|| WAITS.to_owned())
    }
}

/// How long each outage of a sensor was, the newest of which ended in this boot or one
/// that can be placed: `None` as long as the clock may still tell, `Some(None)` if it
/// never will. Of several without a right clock between them only the sum is known.
fn lasted(outages: &[Outage], wall: WallAnchor) -> Option<Option<Lasted>> {
    let (first, last) = (outages.first()?, outages.last()?);
    let Some(from_ms) = first.from_ms else { return Some(None) };
    if !wall.synchronised {
        return None;
    }
    // Boots in which no light was seen share the readings before and after.
    let lights = outages.windows(2).filter(|pair| pair[0].tear.to != pair[1].tear.to);
    let between: f64 = lights.map(|pair| pair[1].tear.from.seconds_since(pair[0].tear.to)).sum();
    let seconds = (wall.unix_ms_at(last.tear.to) - from_ms) as f64 / 1000.0 - between;
    let lasted = match outages.len() {
        1 => Lasted::exactly(seconds),
        several => Lasted { best: seconds / several as f64, low: 0.0, high: seconds },
    };
    // A clock that ran backwards tells nothing.
    Some((seconds >= 0.0).then_some(lasted))
}
