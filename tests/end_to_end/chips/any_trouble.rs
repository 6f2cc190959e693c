//! Whatever happens to a chip, and whenever its sampler is called, what it reads
//! is right and it recovers.

use frameside_core::chips::emulated::Trouble;
use frameside_core::chips::{Ranging, SensorEvent};
use frameside_core::quantity::{Irradiance, Mono};
use proptest::prelude::*;

use super::{Bench, MODELS};

const LIGHT: f64 = 40.0;

fn any_trouble() -> impl Strategy<Value = Trouble> {
    prop_oneof![
        (0u32..12).prop_map(|times| Trouble::NoAcknowledge { times }),
        (0u32..12).prop_map(|times| Trouble::TimeOut { times }),
        (0u32..12).prop_map(|times| Trouble::Claimed { times }),
        Just(Trouble::Hang),
        Just(Trouble::Stale),
        Just(Trouble::BrownOut),
        Just(Trouble::Tear),
    ]
}

proptest! {
    #[test]
    fn is_survived(
        model in prop::sample::select(MODELS.to_vec()),
        troubles in prop::collection::vec((0.0..4.0, any_trouble()), 0..12),
    ) {
        let light = Box::new(|_| Irradiance::from_w_m2(LIGHT));
        let mut bench = Bench::new(model, Ranging::Free, light, Mono::default());
        let (mut readings, mut last_word) = (Vec::new(), None);
        let mut run = |bench: &mut Bench, until_s: f64| {
            bench.run_until(Mono::from_seconds(until_s), |_, event| match event {
                SensorEvent::Reading(reading) => readings.push(reading),
                other => last_word = Some(other),
            });
        };
        let is_old = |trouble: &Trouble| matches!(trouble, Trouble::Hang | Trouble::Stale);
        let may_be_old = troubles.iter().any(|(_, trouble)| is_old(trouble));
        let mut t = 0.0;
        for (pause, trouble) in troubles {
            t += pause;
            run(&mut bench, t);
            bench.bus.strike(model.address(), trouble);
        }
        // Results that are old from power-on on look like darkness; nothing else ends them.
        bench.bus.strike(model.address(), Trouble::BrownOut);
        run(&mut bench, t + 40.0);
        prop_assert!(!matches!(last_word, Some(SensorEvent::Fault(_))), "{:?}", last_word);
        prop_assert!(readings.last().unwrap().at.seconds() > t + 37.0);
        prop_assert!(readings.windows(2).all(|pair| pair[0].at < pair[1].at));
        let right_from = Mono::from_seconds(if may_be_old { t + 30.0 } else { 0.0 });
        for reading in readings.iter().filter(|reading| reading.at > right_from) {
            let seen = reading.seen.lowest().w_m2();
            prop_assert!((seen / LIGHT - 1.0).abs() < 0.01, "{:?}", reading);
        }
    }

    #[test]
    fn calls_at_any_time_are_harmless(
        model in prop::sample::select(MODELS.to_vec()),
        pauses in prop::collection::vec(0.0..0.9, 1..200),
    ) {
        let light = Box::new(|_| Irradiance::from_w_m2(LIGHT));
        let mut bench = Bench::new(model, Ranging::Free, light, Mono::default());
        let (mut now, mut last) = (Mono::default(), None);
        for pause in pauses {
            bench.bus.set_now(now);
            for _ in 0..2 {
                match bench.sampler.poll(&mut bench.bus, now).0 {
                    Some(SensorEvent::Reading(reading)) => {
                        prop_assert!(last < Some(reading.at) && reading.at <= now, "{:?}", reading);
                        prop_assert!((reading.seen.lowest().w_m2() / LIGHT - 1.0).abs() < 0.01, "{:?}", reading);
                        last = Some(reading.at);
                    }
                    Some(other) => prop_assert!(false, "{other:?}"),
                    None => {}
                }
            }
            now = now.plus_seconds(pause);
        }
    }
}
