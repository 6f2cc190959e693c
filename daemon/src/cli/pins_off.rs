//! `frameside pins-off`: drives every pin that the daemon switches to its off state. The
//! service's unit runs it after the daemon, however that ended.

use std::collections::BTreeSet;
use std::io::Write;
use std::path::PathBuf;

use super::{Context, Failure, out, out_json};
use crate::assemble;
use crate::devices::pins::{self, PinError, Pins, RelayPin};

/// Drive all pins of the config off; the service's unit runs this.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  frameside pins-off --config /etc/frameside/config.toml")]
pub(super) struct Args;

pub(super) fn run(context: &Context) -> Result<(), Failure> {
    let config = context.config();
    // The config may have been changed, or be half written, since the daemon took its pins:
    // how it drove one is what counts.
    let mut switched = kept();
    let is_new = |pin: &RelayPin| switched.iter().all(|kept| kept.bcm != pin.bcm);
    let pins = config.as_ref().map(assemble::switched_pins).unwrap_or_default();
    let others: Vec<RelayPin> = pins.into_iter().filter(is_new).collect();
    switched.extend(others);
    let failed = drive_off(&switched);
    if !failed.is_empty() {
        return Err(Failure::Failed(failed.join("; ")));
    }
    config?;
    let numbers: BTreeSet<u8> = switched.iter().map(|pin| pin.bcm).collect();
    if context.json {
        out_json(&serde_json::json!({ "off": numbers }));
    } else if numbers.is_empty() {
        out("the config switches no pin\n");
    } else {
        let numbers: Vec<String> = numbers.iter().map(u8::to_string).collect();
        out(&format!("off: {}\n", numbers.join(", ")));
    }
    Ok(())
}

/// Taking a pin as a relay leaves it driven off. One that cannot be taken keeps nobody
/// from the next.
fn drive_off(switched: &BTreeSet<RelayPin>) -> Vec<String> {
    if switched.is_empty() {
        return Vec::new();
    }
    let drive = |pins: &mut dyn Pins| -> Vec<PinError> {
        switched.iter().filter_map(|&pin| pins.relay(pin).err()).collect()
    };
    let failed = match pins::open() {
        Ok(mut pins) => drive(&mut *pins),
        Err(error) => vec![error],
    };
    failed.iter().map(ToString::to_string).collect()
}

/// Keeps which pins the daemon switches, until the service's unit has driven them off.
pub(super) fn keep(switched: &[RelayPin]) -> std::io::Result<()> {
    let Some(path) = path() else { return Ok(()) };
    let new = path.with_extension("new");
    let mut file = std::fs::File::create(&new)?;
    for pin in switched {
        writeln!(file, "{} {}", pin.bcm, if pin.active_low { "low" } else { "high" })?;
    }
    std::fs::rename(new, path)
}

/// The pins that the last daemon switched, as far as that was kept.
fn kept() -> BTreeSet<RelayPin> {
    let text = path().and_then(|path| std::fs::read_to_string(path).ok()).unwrap_or_default();
    let pin = |line: &str| {
        let (bcm, active) = line.split_once(' ')?;
        Some(RelayPin { bcm: bcm.parse().ok()?, active_low: active == "low" })
    };
    text.lines().filter_map(pin).collect()
}

/// In the folder that systemd makes for the service, and takes away after what it runs at
/// the end; a daemon that was started by hand has its config to go by.
fn path() -> Option<PathBuf> {
    let folders = std::env::var_os("RUNTIME_DIRECTORY")?;
    std::env::split_paths(&folders).next().map(|folder| folder.join("pins"))
}
