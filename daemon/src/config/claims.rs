//! What the things of a config have to share or cannot share: names, pins,
//! addresses, and the rig's one clock.

use super::problems::{Finding, Log};
use super::{Name, Pin};

/// Everything that was claimed while the sections were read one after another.
#[derive(Default)]
pub(super) struct Claims {
    /// The name of the rig itself.
    pub(super) rig: Option<Name>,
    /// Names, each with `sensor`, `frame` or `source`; sensors lead.
    pub(super) names: Vec<Claim<(&'static str, Name)>>,
    pub(super) pins: Vec<Claim<Pin>>,
    /// Bus and address.
    pub(super) addresses: Vec<Claim<(u8, u8)>>,
    /// The first real sensor on bus 1, whose wires are pins 2 and 3.
    pub(super) header_bus: Option<Claim<[u8; 2]>>,
    /// The first sensor that is read over the broker.
    pub(super) over_the_broker: Option<usize>,
    /// The lamp boxes that light emulated sensors.
    pub(super) lit_by: Vec<Claim<Name>>,
    /// How fast the light of each sensor goes by.
    pub(super) paces: Vec<Claim<Pace>>,
}

/// How fast a sensor's light goes by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Pace {
    Played(f64),
    Real,
}

/// Who wants something, and where in the file it says so.
#[derive(Debug, Clone)]
pub(super) struct Claim<K> {
    /// What is wanted.
    pub(super) of: K,
    /// Who wants it, as a person would say.
    pub(super) by: String,
    /// Byte offset in the file.
    pub(super) at: usize,
}

impl Claims {
    /// Reports every clash, and gives the speed of the rig's clock.
    pub(super) fn check(&mut self, log: &Log<'_>) -> f64 {
        self.names_differ(log);
        self.pins_differ(log);
        self.addresses_differ(log);
        self.speed(log)
    }

    fn names_differ(&self, log: &Log<'_>) {
        for (later, first) in clashes(&self.names) {
            let (what, name) = (later.of.0, later.of.1.to_string());
            let line = log.line(first.at);
            log.say(later.at, Finding::NameTaken { what, name, line });
        }
    }

    fn pins_differ(&mut self, log: &Log<'_>) {
        self.pins.sort_by_key(|claim| claim.at);
        if let Some(bus) = &self.header_bus {
            // The bus was there first, wherever the file names it.
            let wires = bus.of.into_iter().filter_map(Pin::new);
            self.pins.splice(0..0, wires.map(|of| Claim { of, by: bus.by.clone(), at: bus.at }));
        }
        for (later, first) in clashes(&self.pins) {
            let (pin, line) = (later.of.bcm(), log.line(first.at));
            let (by, taken_by) = (later.by.clone(), first.by.clone());
            log.say(later.at, Finding::PinTaken { pin, by, taken_by, line });
        }
    }

    fn addresses_differ(&self, log: &Log<'_>) {
        for (later, first) in clashes(&self.addresses) {
            let ((bus, address), line) = (later.of, log.line(first.at));
            let (by, taken_by) = (later.by.clone(), first.by.clone());
            log.say(later.at, Finding::AddressTaken { bus, address, by, taken_by, line });
        }
    }

    /// The one speed of the rig's clock.
    fn speed(&self, log: &Log<'_>) -> f64 {
        let mut first: Option<(f64, &Claim<Pace>)> = None;
        let real = self.paces.iter().find(|claim| matches!(claim.of, Pace::Real));
        for claim in &self.paces {
            let Pace::Played(speed) = claim.of else { continue };
            if let Some(real) = real.filter(|_| speed != 1.0) {
                let line = log.line(real.at);
                log.say(claim.at, Finding::SpeedBesideReal { speed, real: real.by.clone(), line });
            }
            match first {
                None => first = Some((speed, claim)),
                Some((other_speed, other)) if speed != other_speed => {
                    let (by, other_by) = (claim.by.clone(), other.by.clone());
                    let line = log.line(other.at);
                    log.say(claim.at, Finding::TwoSpeeds { by, speed, other: other_by, other_speed, line });
                }
                Some(_) => {}
            }
        }
        first.map_or(1.0, |(speed, _)| speed)
    }
}

/// Every claim whose thing was claimed before, with the claim it collides
/// with: the first in the order given.
fn clashes<K: PartialEq>(claims: &[Claim<K>]) -> impl Iterator<Item = (&Claim<K>, &Claim<K>)> {
    claims.iter().enumerate().filter_map(|(i, later)| {
        let first = claims[..i].iter().find(|earlier| earlier.of == later.of)?;
        Some((later, first))
    })
}
