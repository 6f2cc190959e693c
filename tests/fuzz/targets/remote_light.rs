//! The light of other rigs: messages one after the other, each `NUMBER;AT;BOOT;FLAGS` on a line.
#![no_main]

use frameside::mqtt::{LightMessage, RemoteLight};
use frameside_core::quantity::Mono;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    let mut remote = RemoteLight::default();
    for (second, line) in (0..).zip(text.lines()) {
        let mut parts = line.split(';');
        let payload = parts.next().unwrap_or_default();
        let properties: Vec<(String, String)> = ["at_ns", "boot", "flags"]
            .into_iter()
            .zip(parts)
            .map(|(name, value)| (name.to_owned(), value.to_owned()))
            .collect();
        let Ok(message) = LightMessage::read(payload.as_bytes(), &properties) else { continue };
        assert!(message.irradiance.w_m2() >= 0.0);
        let again = LightMessage::read(message.payload().as_bytes(), &message.properties())
            .expect("what is sent is read");
        assert_eq!((&again.at, again.flags), (&message.at, message.flags));
        assert!((again.irradiance.w_m2() - message.irradiance.w_m2()).abs() < 0.000_501);
        let arrived = Mono::from_seconds(f64::from(second));
        if let Some(reading) = remote.reading(arrived, &message) {
            assert!(reading.at <= arrived && arrived.seconds_since(reading.at) <= 10.0);
        }
    }
});
