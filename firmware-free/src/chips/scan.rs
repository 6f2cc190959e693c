//! What answers on a bus, and what it can and cannot be.
//!
//! Some parts carry an identity, some only behave in a way that others may share, and many
//! other parts live at the same addresses. Identities and power-on values: the datasheets
//! named at each driver.

use super::Bus;
use super::ads1x1x::register::THRESHOLDS;

/// What an address tells of the part behind it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Identity {
    /// By its identity register.
    Is(&'static str),
    /// It behaves like these, which have no identity.
    Like(&'static str),
    /// Parts of ours live at this address, but this is none of them, or does not show it.
    Not(&'static str),
    /// No part of ours lives here.
    Unknown,
}

impl Identity {
    /// In words.
    #[must_use]
    pub fn told(self) -> String {
        match self {
            Self::Is(part) => format!("{part}, by its identity register"),
            Self::Like(parts) => {
                format!("behaves like {parts}; they have no identity, so the config must name it")
            }
            Self::Not(parts) => {
                format!("not {parts}, or it does not show it now; switch it off and on and scan again")
            }
            Self::Unknown => "not a part that Frameside reads".to_owned(),
        }
    }
}

/// The addresses that chips may have; the others are reserved (UM10204, table 4).
const FIRST: u8 = 0x08;
const LAST: u8 = 0x77;
/// Where a chip with an alert answers in place of its own address (SMBus 2.0, appendix A).
const ALERT_RESPONSE: u8 = 0x0C;

/// Every address that answers, with what it tells. It reads from each, so nothing else should
/// speak on the bus meanwhile.
pub fn scan<B: Bus>(bus: &mut B) -> Vec<(u8, Identity)> {
    let addresses = (FIRST..=LAST).filter(|&address| address != ALERT_RESPONSE);
    let answering: Vec<u8> = addresses.filter(|&address| bus.take(address).is_ok()).collect();
    answering.iter().map(|&address| (address, identify(bus, address, &answering))).collect()
}

fn identify<B: Bus>(bus: &mut B, address: u8, answering: &[u8]) -> Identity {
    let mut byte = |register| {
        let mut byte = [0];
        bus.fetch(address, register, &mut byte).ok().map(|()| byte[0])
    };
    match address {
        // AGEN, readable in the configuration state only.
        0x74..=0x77 if byte(0x02) == Some(0x21) => Identity::Is("AS7331"),
        0x74..=0x77 => Identity::Not("AS7331"),
        // PART_ID: the low nibble is the revision.
        0x53 if byte(0x06).is_some_and(|id| id >> 4 == 0xB) => Identity::Is("LTR-390UV-01"),
        0x53 => Identity::Not("LTR-390UV-01"),
        0x10 if byte(0x0C) == Some(0x26) => Identity::Is("VEML6075"),
        0x10 => Identity::Not("VEML6075"),
        0x48..=0x4B
            if THRESHOLDS.iter().all(|&(register, value)| word(bus, address, register) == Some(value)) =>
        {
            Identity::Like("ADS1113, ADS1114, ADS1115 or ADS1013, ADS1014, ADS1015")
        }
        0x48..=0x4B => Identity::Not("ADS101x or ADS111x"),
        // It has both addresses, the upper for the high byte of its result.
        0x38 | 0x39 if answering.contains(&0x38) && answering.contains(&0x39) => Identity::Like("VEML6070"),
        0x38 | 0x39 => Identity::Not("VEML6070"),
        _ => Identity::Unknown,
    }
}

/// A register of 16 bits, high byte first.
fn word<B: Bus>(bus: &mut B, address: u8, register: u8) -> Option<u16> {
    let mut bytes = [0; 2];
    bus.fetch(address, register, &mut bytes).ok().map(|()| u16::from_be_bytes(bytes))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chips::emulated::{
        EmulatedAds1x1x, EmulatedAs7331, EmulatedBus, EmulatedLtr390, EmulatedVeml6070, EmulatedVeml6075,
        Light, Trouble,
    };
    use crate::chips::{Part, Photodiode};
    use crate::quantity::Irradiance;

    fn light() -> Light {
        Box::new(|_| Irradiance::from_w_m2(20.0))
    }

    #[test]
    fn every_part_is_told_as_far_as_it_tells_itself() {
        let mut bus = EmulatedBus::default();
        assert_eq!(scan(&mut bus), []);
        bus.attach(0x74, EmulatedAs7331::new(light()));
        let photodiode = Photodiode { volts_per_w_m2: 0.05, zero_v: 0.0, ceiling_v: None };
        bus.attach(0x49, EmulatedAds1x1x::new(Part::Ads1015, photodiode, light()));
        bus.attach(0x53, EmulatedLtr390::new(200.0, light()));
        bus.attach(0x10, EmulatedVeml6075::new(light()));
        bus.attach_at(&EmulatedVeml6070::ADDRESSES, EmulatedVeml6070::new(270.0, light()));
        let found = scan(&mut bus);
        assert_eq!(
            found,
            [
                (0x10, Identity::Is("VEML6075")),
                (0x38, Identity::Like("VEML6070")),
                (0x39, Identity::Like("VEML6070")),
                (0x49, Identity::Like("ADS1113, ADS1114, ADS1115 or ADS1013, ADS1014, ADS1015")),
                (0x53, Identity::Is("LTR-390UV-01")),
                (0x74, Identity::Is("AS7331")),
            ]
        );
        for address in [0x74, 0x53, 0x10] {
            bus.strike(address, Trouble::Impostor { identity: 0x5A });
        }
        let told: Vec<_> =
            scan(&mut bus).into_iter().filter(|(a, _)| [0x74, 0x53, 0x10].contains(a)).collect();
        assert!(told.iter().all(|(_, identity)| matches!(identity, Identity::Not(_))), "{told:?}");
    }
}
