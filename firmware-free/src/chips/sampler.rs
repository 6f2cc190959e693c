//! The cadence of one chip, and what is done when it fails.

use std::time::Duration;

use super::{Bus, BusFault, Chip, SensorFault, Step};
use crate::light::{Flags, Reading};
use crate::quantity::Mono;

/// Pauses after the first, second and third failed transfer in a row.
const RETRIES: [Duration; 3] =
    [Duration::from_millis(2), Duration::from_millis(10), Duration::from_millis(50)];
/// Pause before the second set-up in a row; it doubles with every other one.
const BACKOFF_FIRST: Duration = Duration::from_millis(100);
/// The longest pause between two set-ups.
const BACKOFF_MOST: Duration = Duration::from_secs(1);
/// A measurement that takes that many periods never ends.
const NEVER_READY_PERIODS: u32 = 3;
/// That many equal counts in a row are a stuck chip ...
const STUCK_READINGS: u32 = 20;
/// ... when they are above this; in the dark they are not.
const STUCK_ABOVE: i32 = 200;
/// It is noticed within this time, or three periods where they are longer.
const STUCK_WITHIN: Duration = Duration::from_secs(20);
/// Counts that come again are looked at again so soon where [`STUCK_READINGS`] periods are longer.
const LOOK_AGAIN: Duration = Duration::from_millis(500);
/// However early a chip wants to be called again, never at once.
const BREATH: Duration = Duration::from_millis(1);

/// What came of a sensor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SensorEvent {
    /// It measured.
    Reading(Reading),
    /// It began to fail, or fails in another way than before. What it would
    /// have seen from its last reading on is not known.
    Fault(SensorFault),
    /// It measures again; the reading comes next.
    Recovered,
}

/// One chip, measured once a period.
///
/// A failed transfer is tried again after 2, 10 and 50 ms; then the chip is set
/// up from nothing, at once and then after pauses that grow from 0.1 to 1 s,
/// for as long as it takes. A chip that never finishes, is stuck or lost its
/// settings is set up again too; one that was stuck is believed again once its
/// counts are others. Until then its readings are marked [`Flags::REPEATED`], and where the
/// period is long it is measured more often. Measurements begin on a grid of periods;
/// those missed while the caller or the chip stalled are left out.
pub struct Sampler<B> {
    chip: Box<dyn Chip<B> + Send>,
    period: Duration,
    /// When the present measurement, or the next, is due to begin.
    slot: Mono,
    /// Nothing to do before.
    wake: Mono,
    /// When the measurement under way began.
    since: Option<Mono>,
    /// Failed transfers in a row.
    failures: usize,
    /// Set-ups in a row without a reading.
    set_ups: u32,
    /// What was reported and is not over.
    fault: Option<SensorFault>,
    /// A reading to hand out after [`SensorEvent::Recovered`].
    held: Option<Reading>,
    /// Counts of the last reading, and how many had the same.
    same: (i32, u32),
    /// Whether the next reading is the first since a set-up.
    is_anew: bool,
}

impl<B: Bus> Sampler<B> {
    /// Measures with `chip` once a `period`, first at `first`. A period
    /// shorter than a measurement means as fast as the chip goes.
    #[must_use]
    pub fn new(chip: Box<dyn Chip<B> + Send>, period: Duration, first: Mono) -> Self {
        Self {
            chip,
            period: period.max(BREATH),
            slot: first,
            wake: first,
            since: None,
            failures: 0,
            set_ups: 0,
            fault: None,
            held: None,
            same: (0, 0),
            is_anew: true,
        }
    }

    /// The fault that was reported and is not over.
    #[must_use]
    pub fn fault(&self) -> Option<SensorFault> {
        self.fault
    }

    /// Does what is due at `now`; returns what came of it and when to call
    /// again. Calling early, late or twice is harmless.
    pub fn poll(&mut self, bus: &mut B, now: Mono) -> (Option<SensorEvent>, Mono) {
        let event = match self.held.take() {
            Some(reading) => Some(SensorEvent::Reading(reading)),
            None if now < self.wake => None,
            None => self.advance(bus, now),
        };
        (event, if self.held.is_some() { now } else { self.wake })
    }

    fn advance(&mut self, bus: &mut B, now: Mono) -> Option<SensorEvent> {
        let since = *self.since.get_or_insert(now);
        match self.chip.step(bus, now) {
            Ok(Step::Done(reading)) => self.take(reading, now),
            Ok(Step::Wait(_)) if now.duration_since(since) > self.patience() => {
                self.set_up_again(SensorFault::NeverReady, now)
            }
            Ok(Step::Wait(until)) => {
                self.failures = 0;
                self.wake = until.max(now + BREATH);
                None
            }
            Err(fault) => self.fail(fault, now),
        }
    }

    fn take(&mut self, mut reading: Reading, now: Mono) -> Option<SensorEvent> {
        let is_repeated = self.is_repeated(&reading);
        let was_stuck_there = self.fault == Some(SensorFault::Stuck { counts: reading.counts });
        if was_stuck_there || is_repeated && self.same.1 >= STUCK_READINGS {
            return self.set_up_again(SensorFault::Stuck { counts: reading.counts }, now);
        }
        if is_repeated {
            reading.flags = reading.flags.with(Flags::REPEATED);
        } else if std::mem::take(&mut self.is_anew) {
            reading.flags = reading.flags.with(Flags::ANEW);
        }
        self.failures = 0;
        self.set_ups = 0;
        let began = self.since.take().unwrap_or(now);
        if self.slot <= now {
            self.slot = self.slot_after(now);
        }
        self.wake = self.slot;
        if is_repeated && self.period * STUCK_READINGS > STUCK_WITHIN {
            self.wake = self.slot.min((began + LOOK_AGAIN).max(now + BREATH));
        }
        if self.fault.take().is_some() {
            self.held = Some(reading);
            Some(SensorEvent::Recovered)
        } else {
            Some(SensorEvent::Reading(reading))
        }
    }

    fn fail(&mut self, fault: SensorFault, now: Mono) -> Option<SensorEvent> {
        match RETRIES.get(self.failures) {
            Some(&pause) if is_passing(fault) && self.set_ups == 0 => {
                self.failures += 1;
                self.wake = now + pause;
                None
            }
            _ => self.set_up_again(fault, now),
        }
    }

    fn set_up_again(&mut self, fault: SensorFault, now: Mono) -> Option<SensorEvent> {
        self.chip.reset();
        self.wake = now + self.backoff();
        self.set_ups = self.set_ups.saturating_add(1);
        self.since = None;
        self.failures = 0;
        self.same = (0, 0);
        self.is_anew = true;
        let is_news = self.fault.replace(fault) != Some(fault);
        is_news.then_some(SensorEvent::Fault(fault))
    }

    /// Pause before the next set-up: none before the first in a row.
    fn backoff(&self) -> Duration {
        match self.set_ups {
            0 => BREATH,
            n => BACKOFF_FIRST.saturating_mul(1 << (n - 1).min(8)).min(BACKOFF_MOST),
        }
    }

    fn patience(&self) -> Duration {
        self.period.max(self.chip.longest()) * NEVER_READY_PERIODS
    }

    /// Whether it has the counts of the one before, which noise should have moved.
    fn is_repeated(&mut self, reading: &Reading) -> bool {
        let (counts, run) = self.same;
        self.same = (reading.counts, if counts == reading.counts { run + 1 } else { 1 });
        let is_noisy = self.chip.flickers() && !reading.seen.is_bound() && reading.counts > STUCK_ABOVE;
        is_noisy && self.same.1 > 1
    }

    /// The first instant of the grid after `now`.
    fn slot_after(&self, now: Mono) -> Mono {
        let period = self.period.as_nanos();
        let passed = now.duration_since(self.slot).as_nanos() / period + 1;
        let passed = u64::try_from(passed * period).unwrap_or(u64::MAX);
        self.slot + Duration::from_nanos(passed)
    }
}

/// Whether a fault may be gone at the next try.
fn is_passing(fault: SensorFault) -> bool {
    match fault {
        SensorFault::Bus { fault, .. } => !matches!(fault, BusFault::Claimed | BusFault::Unsupported),
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::chips::emulated::{EmulatedAds1x1x, EmulatedAs7331, EmulatedBus, Trouble};
    use crate::chips::test_bench::steady;
    use crate::chips::{
        Ads1x1x, Ads1x1xSettings, As7331, As7331Settings, BusFault, Part, Photodiode, Ranging,
    };
    use crate::light::Seen;
    use crate::quantity::Irradiance;

    const UVA: u8 = 0x74;
    const ANALOGUE: u8 = 0x48;
    const BREAKOUT: Photodiode = Photodiode { volts_per_w_m2: 0.048_59, zero_v: 0.0, ceiling_v: None };

    /// Two samplers on one bus, polled whenever one of them asks for it.
    struct Bench {
        bus: EmulatedBus,
        samplers: [(u8, Sampler<EmulatedBus>, Mono); 2],
        events: Vec<(u8, Mono, SensorEvent)>,
    }

    impl Bench {
        fn new(light: fn(Mono) -> Irradiance) -> Self {
            let mut bus = EmulatedBus::default();
            bus.attach(UVA, EmulatedAs7331::new(Box::new(light)).with_clock(0.8));
            bus.attach(
                ANALOGUE,
                EmulatedAds1x1x::new(Part::Ads1115, BREAKOUT, Box::new(light)).with_clock(0.95),
            );
            let settings = Ads1x1xSettings {
                part: Part::Ads1115,
                address: ANALOGUE,
                rate_sps: 8,
                ranging: Ranging::Free,
                photodiode: BREAKOUT,
            };
            let uva = Box::new(As7331::new(As7331Settings::default()).unwrap());
            let analogue = Box::new(Ads1x1x::new(settings).unwrap());
            let period = Duration::from_secs(1);
            let first = Mono::default();
            let samplers = [
                (UVA, Sampler::new(uva, period, first), first),
                (ANALOGUE, Sampler::new(analogue, period, first), first),
            ];
            Self { bus, samplers, events: Vec::new() }
        }

        fn run_until(&mut self, seconds: f64) {
            let end = Mono::from_seconds(seconds);
            loop {
                let next = self.samplers.iter().map(|s| s.2).min().unwrap();
                if next > end {
                    return;
                }
                self.poll_at(next);
            }
        }

        /// Polls everyone, also those who did not ask.
        fn poll_at(&mut self, now: Mono) {
            self.bus.set_now(now);
            let now = self.bus.now();
            for (address, sampler, wake) in &mut self.samplers {
                let (event, next) = sampler.poll(&mut self.bus, now);
                assert!(event.is_some() || next > now, "a sampler that asks to be polled for ever");
                *wake = next;
                self.events.extend(event.map(|event| (*address, now, event)));
            }
        }

        fn events_of(&self, address: u8) -> impl Iterator<Item = SensorEvent> {
            self.events.iter().filter(move |e| e.0 == address).map(|e| e.2)
        }

        fn readings(&self, address: u8) -> Vec<Reading> {
            let reading = |event| if let SensorEvent::Reading(r) = event { Some(r) } else { None };
            self.events_of(address).filter_map(reading).collect()
        }

        /// Everything but readings.
        fn news(&self, address: u8) -> Vec<SensorEvent> {
            self.events_of(address).filter(|e| !matches!(e, SensorEvent::Reading(_))).collect()
        }
    }

    /// Moving clouds: 30 W/m² and two waves upon it.
    fn clouds(at: Mono) -> Irradiance {
        let t = at.seconds();
        Irradiance::from_w_m2(30.0 + 15.0 * (t / 7.0).sin() + 5.0 * (t / 1.9).sin())
    }

    /// Its integral from 0, by hand.
    fn clouds_dose(at: Mono) -> f64 {
        let t = at.seconds();
        30.0 * t - 15.0 * 7.0 * ((t / 7.0).cos() - 1.0) - 5.0 * 1.9 * ((t / 1.9).cos() - 1.0)
    }

    fn sun(_: Mono) -> Irradiance {
        Irradiance::from_w_m2(40.0)
    }

    fn missing(address: u8) -> SensorFault {
        SensorFault::Bus { address, fault: BusFault::NoAcknowledge }
    }

    #[test]
    fn the_trapezoid_of_the_readings_is_the_integral_of_the_light() {
        let mut bench = Bench::new(clouds);
        bench.run_until(120.9);
        for address in [UVA, ANALOGUE] {
            let readings = bench.readings(address);
            assert_eq!(readings.len(), 121);
            let dose: f64 = readings
                .windows(2)
                .map(|pair| {
                    let mean = (pair[0].seen.lowest().w_m2() + pair[1].seen.lowest().w_m2()) / 2.0;
                    mean * pair[1].at.seconds_since(pair[0].at)
                })
                .sum();
            let exact = clouds_dose(readings[120].at) - clouds_dose(readings[0].at);
            assert!((dose / exact - 1.0).abs() < 0.005, "{address:#x}: {dose} against {exact}");
            assert!(bench.news(address).is_empty());
        }
    }

    #[test]
    fn a_reading_belongs_to_the_middle_of_its_window() {
        let mut bench = Bench::new(|at| Irradiance::from_w_m2(20.0 + 10.0 * at.seconds()));
        bench.run_until(3.9);
        for (address, tolerance) in [(UVA, 0.1), (ANALOGUE, 0.1)] {
            for reading in bench.readings(address) {
                let there = 20.0 + 10.0 * reading.at.seconds();
                // The clocks of the emulated parts run slow, which moves the
                // middle by 8 ms and 3 ms: 0.08 and 0.03 W/m² here.
                assert!((reading.seen.lowest().w_m2() - there).abs() < tolerance, "{reading:?}");
            }
        }
    }

    #[test]
    fn a_burst_of_three_lost_transfers_passes_unseen() {
        let mut bench = Bench::new(sun);
        bench.run_until(5.5);
        bench.bus.strike(UVA, Trouble::NoAcknowledge { times: 3 });
        bench.run_until(10.5);
        assert!(bench.news(UVA).is_empty());
        assert_eq!(bench.readings(UVA).len(), 11);
    }

    #[test]
    fn four_lost_transfers_are_a_fault_and_soon_over() {
        let mut bench = Bench::new(sun);
        bench.run_until(5.5);
        bench.bus.strike(UVA, Trouble::NoAcknowledge { times: 4 });
        bench.run_until(10.5);
        assert_eq!(bench.news(UVA), [SensorEvent::Fault(missing(UVA)), SensorEvent::Recovered]);
        // 2 + 10 + 50 ms after the slot at 6 s.
        let fault = bench.events.iter().find(|e| e.2 == SensorEvent::Fault(missing(UVA))).unwrap();
        assert!((fault.1.seconds() - 6.062).abs() < 1e-9);
        assert_eq!(bench.readings(UVA).len(), 11, "no slot is lost");
        assert!(bench.news(ANALOGUE).is_empty(), "its neighbour does not notice");
    }

    #[test]
    fn once_recovered_a_chip_is_given_its_retries_again() {
        let mut bench = Bench::new(sun);
        bench.bus.strike(UVA, Trouble::NoAcknowledge { times: 4 });
        bench.run_until(5.5);
        bench.bus.strike(UVA, Trouble::NoAcknowledge { times: 3 });
        bench.run_until(10.5);
        assert_eq!(bench.news(UVA), [SensorEvent::Fault(missing(UVA)), SensorEvent::Recovered]);
    }

    #[test]
    fn a_chip_that_is_gone_is_reported_once_and_welcome_back() {
        let mut bench = Bench::new(sun);
        bench.bus.strike(ANALOGUE, Trouble::NoAcknowledge { times: 1000 });
        bench.run_until(62.0);
        assert_eq!(bench.news(ANALOGUE), [SensorEvent::Fault(missing(ANALOGUE))]);
        bench.bus.strike(ANALOGUE, Trouble::NoAcknowledge { times: 0 });
        bench.run_until(64.0);
        assert_eq!(bench.news(ANALOGUE), [SensorEvent::Fault(missing(ANALOGUE)), SensorEvent::Recovered]);
    }

    #[test]
    fn the_pauses_between_set_ups_grow_to_a_second() {
        // Tries at 0, 2, 12 and 62 ms; set-ups 1 ms later and after 0.1, 0.2, 0.4, 0.8, 1 and 1 s.
        for (lost, set_up_s) in
            [(4, 0.063), (5, 0.163), (6, 0.363), (7, 0.763), (8, 1.563), (9, 2.563), (10, 3.563)]
        {
            let mut bench = Bench::new(sun);
            bench.bus.strike(ANALOGUE, Trouble::NoAcknowledge { times: lost });
            bench.run_until(5.0);
            let at = bench.readings(ANALOGUE)[0].at.seconds();
            // At reset the part is set to 128 SPS: (1/128 + 1/8) x 1.1 s are
            // discarded; then the middle of 1/8 s.
            assert!((at - set_up_s - 0.146_094 - 0.0625).abs() < 1e-6, "{lost} lost: {at}");
        }
    }

    #[test]
    fn another_kind_of_fault_is_news() {
        let mut bench = Bench::new(sun);
        bench.bus.strike(UVA, Trouble::NoAcknowledge { times: 5 });
        bench.run_until(0.2);
        bench.bus.strike(UVA, Trouble::TimeOut { times: 2 });
        bench.run_until(3.0);
        let timed_out = SensorFault::Bus { address: UVA, fault: BusFault::TimedOut };
        let expected =
            [SensorEvent::Fault(missing(UVA)), SensorEvent::Fault(timed_out), SensorEvent::Recovered];
        assert_eq!(bench.news(UVA), expected);
    }

    #[test]
    fn a_hung_conversion_is_never_ready_then_set_up_again() {
        for address in [UVA, ANALOGUE] {
            let mut bench = Bench::new(sun);
            bench.run_until(5.05);
            bench.bus.strike(address, Trouble::Hang);
            bench.run_until(12.9);
            let expected = [SensorEvent::Fault(SensorFault::NeverReady), SensorEvent::Recovered];
            assert_eq!(bench.news(address), expected);
            // The slots of 5, 6 and 7 s were missed; 8 s had one, late.
            let at: Vec<f64> = bench.readings(address).iter().map(|r| r.at.seconds()).collect();
            assert_eq!(at.len(), 10, "{at:?}");
            assert!(at.windows(2).all(|pair| pair[1] - pair[0] > 0.5), "{at:?}");
        }
    }

    #[test]
    fn stale_data_is_a_stuck_chip() {
        let mut bench = Bench::new(sun);
        bench.run_until(5.5);
        bench.bus.strike(UVA, Trouble::Stale);
        bench.run_until(40.0);
        let [SensorEvent::Fault(SensorFault::Stuck { counts }), SensorEvent::Recovered] = bench.news(UVA)[..]
        else {
            panic!("{:?}", bench.news(UVA))
        };
        assert!(counts > STUCK_ABOVE);
    }

    #[test]
    fn a_chip_that_stays_stuck_is_not_believed_until_its_counts_are_others() {
        let mut bench = Bench::new(sun);
        let light = |at: Mono| Irradiance::from_w_m2(if at.seconds() < 60.5 { 40.0 } else { 40.1 });
        bench.bus.attach(UVA, EmulatedAs7331::new(Box::new(light)).without_noise());
        bench.run_until(60.4);
        assert_eq!(bench.readings(UVA).len(), 19);
        let [SensorEvent::Fault(SensorFault::Stuck { .. })] = bench.news(UVA)[..] else {
            panic!("{:?}", bench.news(UVA))
        };
        bench.run_until(62.5);
        assert_eq!(bench.news(UVA).last(), Some(&SensorEvent::Recovered));
        bench.run_until(78.5);
        assert_eq!(bench.news(UVA).len(), 2, "it has another twenty readings");
    }

    #[test]
    fn steady_light_is_no_stuck_chip() {
        let mut bench = Bench::new(sun);
        bench.run_until(300.0);
        assert!(bench.news(UVA).is_empty() && bench.news(ANALOGUE).is_empty());
        let mut night = Bench::new(|_| Irradiance::ZERO);
        night.run_until(300.0);
        assert!(night.news(UVA).is_empty() && night.news(ANALOGUE).is_empty());
    }

    #[test]
    fn a_brown_out_is_reported_and_survived() {
        let mut bench = Bench::new(sun);
        bench.run_until(5.5);
        bench.bus.strike(UVA, Trouble::BrownOut);
        bench.run_until(10.5);
        let lost = SensorFault::SettingsLost { address: UVA };
        assert_eq!(bench.news(UVA), [SensorEvent::Fault(lost), SensorEvent::Recovered]);
    }

    #[test]
    fn an_impostor_is_reported_and_the_right_chip_welcome_later() {
        let mut bench = Bench::new(sun);
        bench.bus.strike(UVA, Trouble::Impostor { identity: 0x5b });
        bench.run_until(10.0);
        let wrong = SensorFault::WrongChip { address: UVA, expected: "AS7331", found: 0x5b };
        assert_eq!(bench.news(UVA), [SensorEvent::Fault(wrong)]);
        assert!(bench.readings(UVA).is_empty());
        bench.bus.attach(UVA, EmulatedAs7331::new(steady(40.0)));
        bench.run_until(12.0);
        assert_eq!(bench.news(UVA).last(), Some(&SensorEvent::Recovered));
    }

    #[test]
    fn a_stall_of_the_caller_is_not_made_up_for() {
        let mut bench = Bench::new(sun);
        bench.run_until(5.5);
        bench.poll_at(Mono::from_seconds(60.4));
        bench.run_until(65.9);
        for address in [UVA, ANALOGUE] {
            // Slots 0 to 5, the late one at 60.4, and 61 to 65.
            assert_eq!(bench.readings(address).len(), 12);
            assert!(bench.news(address).is_empty());
        }
    }

    #[test]
    fn a_saturated_sensor_is_not_stuck() {
        let mut bus = EmulatedBus::default();
        bus.attach(UVA, EmulatedAs7331::new(steady(300.0)));
        let locked = As7331Settings { ranging: Ranging::Locked(4), ..As7331Settings::default() };
        let chip = Box::new(As7331::new(locked).unwrap());
        let mut sampler = Sampler::new(chip, Duration::from_millis(1), Mono::default());
        let mut now = Mono::default();
        for _ in 0..200 {
            bus.set_now(now);
            let (event, next) = sampler.poll(&mut bus, now);
            now = next;
            match event {
                Some(SensorEvent::Reading(r)) => assert!(matches!(r.seen, Seen::AtLeast(_))),
                other => assert_eq!(other, None),
            }
        }
    }

    proptest! {
        #[test]
        fn calls_at_any_time_are_harmless(pauses in prop::collection::vec(0u64..400_000_000, 1..200)) {
            let mut bench = Bench::new(sun);
            let mut now = Mono::default();
            for pause in pauses {
                bench.poll_at(now);
                bench.poll_at(now);
                now = now + Duration::from_nanos(pause);
            }
            for address in [UVA, ANALOGUE] {
                prop_assert!(bench.news(address).is_empty());
                let readings = bench.readings(address);
                prop_assert!(readings.len() as f64 <= now.seconds() + 1.0);
                prop_assert!(readings.windows(2).all(|pair| pair[0].at < pair[1].at));
                for reading in readings {
                    prop_assert!((reading.seen.lowest().w_m2() - 40.0).abs() < 0.02, "{:?}", reading);
                }
            }
        }

        #[test]
        fn whatever_happens_it_recovers(
            troubles in prop::collection::vec((0.0..4.0, 0u8..5, 0u32..8, any::<bool>()), 0..12),
        ) {
            let mut bench = Bench::new(sun);
            let mut t = 0.0;
            for (pause, kind, times, first) in troubles {
                t += pause;
                bench.run_until(t);
                bench.bus.set_now(Mono::from_seconds(t));
                let trouble = match kind {
                    0 => Trouble::NoAcknowledge { times },
                    1 => Trouble::TimeOut { times },
                    2 => Trouble::Hang,
                    3 => Trouble::Stale,
                    _ => Trouble::BrownOut,
                };
                bench.bus.strike(if first { UVA } else { ANALOGUE }, trouble);
            }
            bench.run_until(t + 40.0);
            for address in [UVA, ANALOGUE] {
                let last = *bench.readings(address).last().unwrap();
                prop_assert!(last.at.seconds() > t + 37.0);
                prop_assert!((last.seen.lowest().w_m2() - 40.0).abs() < 0.02);
                let news = bench.news(address);
                prop_assert!(!matches!(news.last(), Some(SensorEvent::Fault(_))), "{:?}", news);
            }
        }
    }
}
