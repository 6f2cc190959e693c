//! Every chip from light to dose, through its emulator, driver and sampler.

mod any_trouble;
mod cloudy_hour;
mod fault_table;
mod stuck;

use std::time::Duration;

use frameside_core::chips::emulated::{
    EmulatedAds1x1x, EmulatedAs7331, EmulatedBus, EmulatedLtr390, EmulatedVeml6070, EmulatedVeml6075, Light,
};
use frameside_core::chips::{
    Ads1x1x, Ads1x1xSettings, As7331, As7331Settings, Chip, Ltr390, Ltr390Settings, Part, Photodiode,
    Ranging, Sampler, SensorEvent, Veml6070, Veml6070Settings, Veml6075, Veml6075Settings,
};
use frameside_core::quantity::Mono;

/// From one reading to the next.
const PERIOD: Duration = Duration::from_secs(1);
/// 4.3 V/µA GaN photodiode breakout.
const BREAKOUT: Photodiode = Photodiode { volts_per_w_m2: 0.048_59, zero_v: 0.0, ceiling_v: None };
/// Of the emulated LTR-390.
const W_M2_PER_UVI: f64 = 6.0;

/// The chips the tests go through.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Model {
    As7331,
    Adc(Part),
    Ltr390,
    Veml6075,
    Veml6070,
}

const MODELS: [Model; 6] = [
    Model::As7331,
    Model::Adc(Part::Ads1115),
    Model::Adc(Part::Ads1015),
    Model::Ltr390,
    Model::Veml6075,
    Model::Veml6070,
];

impl Model {
    fn name(self) -> &'static str {
        match self {
            Self::As7331 => "AS7331",
            Self::Adc(part) => part.name(),
            Self::Ltr390 => "LTR-390",
            Self::Veml6075 => "VEML6075",
            Self::Veml6070 => "VEML6070",
        }
    }

    const fn address(self) -> u8 {
        match self {
            Self::As7331 => 0x74,
            Self::Adc(_) => 0x48,
            Self::Ltr390 => 0x53,
            Self::Veml6075 => 0x10,
            Self::Veml6070 => 0x38,
        }
    }

    /// Puts the chip on a bus and into a light, just switched on.
    fn attach(self, bus: &mut EmulatedBus, light: Light) {
        let address = self.address();
        match self {
            Self::As7331 => bus.attach(address, EmulatedAs7331::new(light).with_clock(0.85)),
            Self::Adc(part) => {
                bus.attach(address, EmulatedAds1x1x::new(part, BREAKOUT, light).with_clock(0.93));
            }
            Self::Ltr390 => {
                let counts_per_w_m2 = Ltr390Settings::default().counts_per_uvi / W_M2_PER_UVI;
                bus.attach(address, EmulatedLtr390::new(counts_per_w_m2, light).with_clock(0.95));
            }
            Self::Veml6075 => bus.attach(address, EmulatedVeml6075::new(light)),
            Self::Veml6070 => {
                bus.attach_at(&EmulatedVeml6070::ADDRESSES, EmulatedVeml6070::new(270.0, light));
            }
        }
    }

    fn driver(self, ranging: Ranging) -> Box<dyn Chip<EmulatedBus> + Send> {
        match self {
            Self::As7331 => {
                Box::new(As7331::new(As7331Settings { ranging, ..As7331Settings::default() }).unwrap())
            }
            Self::Adc(part) => {
                let (address, rate_sps) = (self.address(), part.rates_sps()[1]);
                let settings = Ads1x1xSettings { part, address, rate_sps, ranging, photodiode: BREAKOUT };
                Box::new(Ads1x1x::new(settings).unwrap())
            }
            Self::Ltr390 => {
                let w_m2_per_uvi = Some(W_M2_PER_UVI);
                let settings = Ltr390Settings { ranging, w_m2_per_uvi, ..Ltr390Settings::default() };
                Box::new(Ltr390::new(settings).unwrap())
            }
            Self::Veml6075 => Box::new(Veml6075::new(Veml6075Settings { ranging }).unwrap()),
            Self::Veml6070 => Box::new(Veml6070::new(Veml6070Settings::default()).unwrap()),
        }
    }
}

/// One chip on a bus of its own, polled whenever its sampler asks for it.
struct Bench {
    bus: EmulatedBus,
    sampler: Sampler<EmulatedBus>,
    next: Mono,
}

impl Bench {
    fn new(model: Model, ranging: Ranging, light: Light, first: Mono) -> Self {
        Self::with_period(PERIOD, model, ranging, light, first)
    }

    fn with_period(period: Duration, model: Model, ranging: Ranging, light: Light, first: Mono) -> Self {
        let mut bus = EmulatedBus::default();
        model.attach(&mut bus, light);
        bus.set_now(first);
        Self { bus, sampler: Sampler::new(model.driver(ranging), period, first), next: first }
    }

    /// Lets time pass until `end` and hands every event to `tell`.
    fn run_until(&mut self, end: Mono, mut tell: impl FnMut(Mono, SensorEvent)) {
        while self.next <= end {
            let now = self.next;
            self.bus.set_now(now);
            let (event, next) = self.sampler.poll(&mut self.bus, now);
            self.next = next;
            if let Some(event) = event {
                tell(now, event);
            }
        }
        self.bus.set_now(end);
    }
}
