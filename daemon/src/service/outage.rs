//! The power was gone: how long, once the wall clock can tell.

use std::collections::BTreeMap;

use frameside_core::exposure::{Input, Refused, SensorId};
use frameside_core::light::{Lasted, Tear, Unplaced};
use frameside_core::outlook::WallAnchor;
use frameside_core::quantity::Mono;

use super::Service;
use crate::clock::WALL_STEP_MS;
use crate::ledger::{Entry, Outage};

/// Outages of which this boot's clock decides how long they were.
#[derive(Debug, Default)]
pub(super) struct Outages {
    open: Vec<(SensorId, Outage)>,
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
                self.outages.open.push((sensor, outage));
            }
        }
        for (name, boots) in unplaced {
            if let Some(sensor) = self.sensor_named(name) {
                boots.iter().try_for_each(|&after| self.rig.tear(sensor, after))?;
            }
        }
        Ok(())
    }

    /// A sensor sees light again after such an outage.
    pub(super) fn torn(&mut self, sensor: SensorId, after: Unplaced, tear: Tear) {
        let wall = self.outages.earlier.get(&after.boot).filter(|wall| wall.synchronised);
        let from_ms = wall.map(|wall| wall.unix_ms_at(tear.from));
        let name = self.setup.sensors[usize::from(sensor.0)].name.clone();
        let before = self.outages.open.iter().rfind(|(of, _)| *of == sensor);
        // Boots in which no light was seen share the readings before and after.
        let before = before.filter(|(_, before)| before.tear.to != tear.to);
        let seen_s = Some(before.map_or(0.0, |(_, before)| tear.from.seconds_since(before.tear.to)));
        let outage = Outage { sensor: name, after, tear, from_ms, seen_s, settled_ms: None };
        self.ledger.write(Entry::Torn(outage.clone()));
        self.unwritten = true;
        self.outages.open.push((sensor, outage));
    }

    /// Settles what can be settled, and what a wrong clock had settled.
    pub(super) fn settle_outages(&mut self, now: Mono) {
        if self.outages.open.is_empty() {
            return;
        }
        for sensor in (0..self.setup.sensors.len() as u16).map(SensorId) {
            // While the newest outage has no end yet, the others cannot be told from it.
            if self.rig.is_torn(sensor) {
                continue;
            }
            let of_it = |(of, outage): &(SensorId, Outage)| (*of == sensor).then(|| outage.clone());
            let outages: Vec<Outage> = self.outages.open.iter().filter_map(of_it).collect();
            let Some(settled_ms) = settles(&outages, self.wall) else { continue };
            let Some(known) = gone(&outages, self.wall) else { continue };
            for outage in outages.iter().filter(|outage| outage.settled_ms.is_some()) {
                let to = outage.tear.to.plus_seconds(-outage.tear.counted_s());
                self.ledger.write(Entry::OutageReopened { sensor: outage.sensor.clone(), to });
            }
            for Outage { sensor: name, after, tear, .. } in outages {
                let known = known.map(|gone| (tear, gone.after(&tear)));
                match known {
                    Some((_, Lasted { best, low, high })) => tracing::info!(
                        sensor = name,
                        seconds = best,
                        at_least = low,
                        at_most = high,
                        "the length of an outage is known"
                    ),
                    None => tracing::warn!(sensor = name, "the length of an outage will never be known"),
                }
                if let Err(refused) = self.rig.handle(now, Input::Outage(sensor, after, known)) {
                    tracing::warn!("{refused}");
                }
                // What the prints have of it first: told twice, it replaces itself.
                self.pump(now);
                self.ledger.write(Entry::OutageSettled { sensor: name, after_boot: after.boot, settled_ms });
            }
            let of_it = self.outages.open.iter_mut().filter(|(of, _)| *of == sensor);
            of_it.for_each(|(_, outage)| outage.settled_ms = Some(settled_ms));
            self.commit(now);
        }
    }

    /// What is told of outages that wait for the clock.
    pub(super) fn waiting_for_the_clock(&self) -> Option<String> {
        let waits = |outage: &Outage| outage.from_ms.is_some() && outage.settled_ms.is_none();
        let is_waiting = self.outages.open.iter().any(|(_, outage)| waits(outage));
        (self.out > 0 && is_waiting).then(|| WAITS.to_owned())
    }
}

/// How long the power was gone in all the outages of a sensor together.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Gone {
    /// From the last reading before the first to the first one after the last, without
    /// what was seen between them.
    seconds: f64,
    /// What of that the integral has counted, as the ends of the tears were laid.
    counted_s: f64,
    outages: usize,
}

impl Gone {
    /// How long one of them was. Of several without a right clock between them only the
    /// sum is known, and what of it is not counted yet is most likely even.
    fn after(self, tear: &Tear) -> Lasted {
        if self.outages == 1 {
            return Lasted::exactly(self.seconds);
        }
        let missed = (self.seconds - self.counted_s).max(0.0) / self.outages as f64;
        let best = (tear.counted_s() + missed).min(self.seconds);
        Lasted { best, low: 0.0, high: self.seconds }
    }
}

/// What the wall clock shows at the end of the newest outage, unless they are settled by a clock
/// that showed the same there. Of what will never be known, no clock says more.
fn settles(outages: &[Outage], wall: WallAnchor) -> Option<i64> {
    let (first, last) = (outages.first()?, outages.last()?);
    let shown = wall.unix_ms_at(last.tear.to);
    let stands = |settled_ms: i64| first.from_ms.is_none() || settled_ms.abs_diff(shown) <= WALL_STEP_MS;
    (!last.settled_ms.is_some_and(stands)).then_some(shown)
}

/// How long the power was gone, the newest outage having ended in this boot or one
/// that can be placed: `None` as long as the clock may still tell, `Some(None)` if it
/// never will.
fn gone(outages: &[Outage], wall: WallAnchor) -> Option<Option<Gone>> {
    let (first, last) = (outages.first()?, outages.last()?);
    let Some(from_ms) = first.from_ms else { return Some(None) };
    if !wall.synchronised {
        return None;
    }
    // Boots in which no light was seen share the readings before and after.
    let others = outages.windows(2).filter(|pair| pair[0].tear.to != pair[1].tear.to);
    let (mut between, mut counted_s) = (0.0, first.tear.counted_s());
    for pair in others {
        let laid = || pair[1].tear.from.seconds_since(pair[0].tear.to);
        between += pair[1].seen_s.unwrap_or_else(laid);
        counted_s += pair[1].tear.counted_s();
    }
    let seconds = (wall.unix_ms_at(last.tear.to) - from_ms) as f64 / 1000.0 - between;
    // A clock that ran backwards tells nothing.
    Some((seconds >= 0.0).then_some(Gone { seconds, counted_s, outages: outages.len() }))
}

#[cfg(test)]
mod tests {
    use frameside_core::light::Seen;
    use frameside_core::quantity::Irradiance;

    use super::*;

    fn outage(boot: i64, from: f64, to: f64) -> Outage {
        let (from, to) = (Mono::from_seconds(from), Mono::from_seconds(to));
        let seen = Seen::Exactly(Irradiance::from_w_m2(40.0));
        let tear = Tear { from, left: seen, to, found: seen, greatest: Irradiance::from_w_m2(40.0) };
        let after = Unplaced { boot, ended: from };
        Outage { sensor: "sky".into(), after, tear, from_ms: Some(1_000_000), seen_s: None, settled_ms: None }
    }

    /// The wall shows 2,000 s at 100 s of the clock.
    fn wall() -> WallAnchor {
        WallAnchor { mono: Mono::from_seconds(100.0), unix_ms: 2_000_000, synchronised: true }
    }

    /// What the outages add to the integral, in seconds.
    fn missed(outages: &[Outage]) -> f64 {
        let gone = gone(outages, wall()).unwrap().unwrap();
        outages.iter().map(|outage| gone.after(&outage.tear).best - outage.tear.counted_s()).sum()
    }

    #[test]
    fn several_outages_miss_together_what_one_would() {
        // From 1,000 to 1,950 s of the wall, 60 s of it counted.
        assert!((missed(&[outage(1, -10.0, 50.0)]) - 890.0).abs() < 1e-9);
        // A boot in which nothing was seen shares the readings of the other.
        assert!((missed(&[outage(1, -10.0, 50.0), outage(2, -10.0, 50.0)]) - 890.0).abs() < 1e-9);
        // With 40 s of light between them.
        let mut apart = [outage(1, -10.0, 5.0), outage(2, 45.0, 50.0)];
        assert!((missed(&apart) - (950.0 - 40.0 - 20.0)).abs() < 1e-9);
        // However the two were laid.
        apart[1].seen_s = Some(33.0);
        assert!((missed(&apart) - (950.0 - 33.0 - 20.0)).abs() < 1e-9);
    }

    #[test]
    fn an_outage_waits_for_the_clock_unless_that_cannot_help() {
        let one = outage(1, -10.0, 50.0);
        let not_right = WallAnchor { synchronised: false, ..wall() };
        assert_eq!(gone(std::slice::from_ref(&one), not_right), None);
        assert_eq!(gone(&[Outage { from_ms: None, ..one.clone() }], not_right), Some(None));
        assert_eq!(gone(&[Outage { from_ms: Some(3_000_000), ..one }], wall()), Some(None));
    }
}
