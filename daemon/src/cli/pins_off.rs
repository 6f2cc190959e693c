//! `frameside pins-off`: drives every pin that the config switches to its off state. The
//! service's unit runs it after the daemon, however that ended.

use super::{Context, Failure, out, out_json};
use crate::assemble;
use crate::devices::pins::{GpioPins, RelayPin};

/// Drive all pins of the config off; the service's unit runs this.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  frameside pins-off --config /etc/frameside/config.toml")]
pub(super) struct Args;

pub(super) fn run(context: &Context) -> Result<(), Failure> {
    let config = context.config()?;
    let switched = assemble::switched_pins(&config);
    let failed = |error: crate::devices::pins::PinError| Failure::Failed(error.to_string());
    if !switched.is_empty() {
        let mut pins = GpioPins::open().map_err(failed)?;
        for &pin in &switched {
            // Taking it as a relay leaves it driven off.
            pins.relay(pin).map_err(failed)?;
        }
    }
    let numbers: Vec<u8> = switched.iter().map(|RelayPin { bcm, .. }| *bcm).collect();
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
