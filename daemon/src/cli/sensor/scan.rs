//! `frameside sensor scan`

use frameside_core::chips::{Identity, scan};
use frameside_core::quantity::Mono;
use serde_json::{Value, json};

use super::{Context, Failure, refuse_if_in_use};
use crate::assemble;
use crate::cli::{out, out_json};
use crate::config::SensorKind;
use crate::devices::bus::{LinuxBus, kernel_driver};

#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The bus, /dev/i2c-N; else those of the config
    #[arg(long, value_name = "N")]
    bus: Option<u8>,
}

/// What was found behind one bus.
struct Scanned {
    bus: String,
    found: Vec<Found>,
}

struct Found {
    address: u8,
    /// What it is, or the kernel driver that holds it.
    told: Result<Identity, String>,
    /// The sensor of the config that it is.
    sensor: Option<String>,
}

impl Found {
    fn sentence(&self) -> String {
        let what = match &self.told {
            Ok(identity) => identity.told(),
            Err(driver) => format!("held by the kernel driver {driver}; use chip = \"iio\" or unbind it"),
        };
        let sensor =
            self.sensor.as_ref().map(|name| format!("; sensor {name} of the config")).unwrap_or_default();
        format!("{:#04x}  {what}{sensor}", self.address)
    }
}

pub(super) fn run(args: &Args, context: &Context) -> Result<(), Failure> {
    let scanned = match args.bus {
        Some(bus) => vec![real(bus, &[])?],
        None => of_config(context)?,
    };
    if context.json {
        out_json(&scanned.iter().map(to_json).collect());
        return Ok(());
    }
    for Scanned { bus, found } in &scanned {
        out(&format!("{bus}: {}\n", if found.is_empty() { "nothing answers" } else { "" })
            .replace(": \n", "\n"));
        for found in found {
            out(&format!("  {}\n", found.sentence()));
        }
    }
    Ok(())
}

fn of_config(context: &Context) -> Result<Vec<Scanned>, Failure> {
    let config = context.config()?;
    let mut scanned = Vec::new();
    let mut real_ones: Vec<(u8, u8, String)> = Vec::new();
    for sensor in &config.sensors {
        match &sensor.kind {
            SensorKind::Real { bus, address, .. } => {
                refuse_if_in_use(sensor, context)?;
                real_ones.push((*bus, *address, sensor.name.to_string()));
            }
            SensorKind::Emulated { address, chip, light } => {
                let mut bus = assemble::emulated_bus(
                    sensor,
                    *address,
                    chip,
                    light,
                    &assemble::Lamps::new(),
                    Mono::default(),
                )
                .map_err(|error| Failure::Failed(error.to_string()))?;
                // The only chip there is, at all of its addresses.
                let name = sensor.name.to_string();
                let found = scan(&mut bus).into_iter();
                let found = found.map(|(at, identity)| Found {
                    address: at,
                    told: Ok(identity),
                    sensor: Some(name.clone()),
                });
                scanned
                    .push(Scanned { bus: format!("made-up bus of {}", sensor.name), found: found.collect() });
            }
            SensorKind::Recorded(_) | SensorKind::Iio(_) | SensorKind::Mqtt { .. } => {}
        }
    }
    let mut buses: Vec<u8> = real_ones.iter().map(|(bus, ..)| *bus).collect();
    buses.sort_unstable();
    buses.dedup();
    for bus in buses {
        scanned.push(real(bus, &real_ones)?);
    }
    if scanned.is_empty() {
        return Err(Failure::Failed("no sensor of the config is on a bus; name one with --bus 1".to_owned()));
    }
    Ok(scanned)
}

fn real(number: u8, configured: &[(u8, u8, String)]) -> Result<Scanned, Failure> {
    let mut bus = LinuxBus::open(number).map_err(|error| Failure::Failed(error.to_string()))?;
    let sensor = |address| {
        configured.iter().find(|(bus, at, _)| (*bus, *at) == (number, address)).map(|(.., name)| name.clone())
    };
    let found = scan(&mut bus).into_iter().map(|(address, identity)| Found {
        address,
        told: kernel_driver(number, address).map_or(Ok(identity), Err),
        sensor: sensor(address),
    });
    Ok(Scanned { bus: format!("bus {number}"), found: found.collect() })
}

fn to_json(scanned: &Scanned) -> Value {
    let found = scanned.found.iter().map(|found| {
        let (sure, part) = match found.told {
            Ok(Identity::Is(part)) => (true, Some(part)),
            Ok(Identity::Like(parts)) => (false, Some(parts)),
            _ => (false, None),
        };
        json!({
            "address": found.address, "part": part, "by_identity": sure,
            "kernel_driver": found.told.as_ref().err(), "sensor": found.sensor,
        })
    });
    json!({ "bus": scanned.bus, "answers": found.collect::<Vec<_>>() })
}
