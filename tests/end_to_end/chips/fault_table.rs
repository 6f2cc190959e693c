//! Each fault against each chip: what is told, when, and how long it takes to
//! measure again. The table stands in DEVELOPERS.md and is what comes out here.

use std::fmt::Write as _;

use frameside_core::chips::emulated::{EmulatedChip, Light, Trouble};
use frameside_core::chips::{BusFault, Ranging, SensorEvent, SensorFault};
use frameside_core::quantity::{Irradiance, Mono};
use frameside_tests::tables::assert_table;

use super::{Bench, MODELS, Model};

/// W/m² on the chip, all the time.
const LIGHT: f64 = 40.0;
/// When the fault strikes: every chip is measuring.
const STRUCK_S: f64 = 10.002;
/// When what does not pass by itself is put right.
const MENDED_S: f64 = 70.0;
/// When watching ends.
const END_S: f64 = 90.0;
/// Transfers that a passing fault takes.
const BURST: u32 = 5;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Fault {
    NackBurst,
    TimeOutBurst,
    Stuck,
    Hung,
    BrownOut,
    OtherChip,
    HeldLow,
    Claimed,
    Unplugged,
}

const FAULTS: [(Fault, &str); 9] = [
    (Fault::NackBurst, "5 transfers not acknowledged"),
    (Fault::TimeOutBurst, "5 transfers time out"),
    (Fault::Stuck, "results never change"),
    (Fault::Hung, "a conversion never ends"),
    (Fault::BrownOut, "supply breaks down during a conversion"),
    (Fault::OtherChip, "another chip at the address (from the start)"),
    (Fault::HeldLow, "bus held low for a minute"),
    (Fault::Claimed, "address taken by a kernel driver for a minute"),
    (Fault::Unplugged, "unplugged, plugged in again after a minute"),
];

/// Answers at its address and knows one byte.
struct Stranger;

impl EmulatedChip for Stranger {
    fn write(&mut self, _: Mono, _: &[u8]) {}
    fn read(&mut self, _: Mono, buffer: &mut [u8]) {
        buffer.fill(0x5B);
    }
    fn suffer(&mut self, _: Mono, _: Trouble) {}
}

/// What was seen of a fault.
#[derive(Debug)]
struct Course {
    told: Vec<SensorFault>,
    /// Seconds from the fault to the first word of it.
    noticed_s: Option<f64>,
    /// Seconds from then, or from when it was mended, to the next reading.
    back_s: f64,
    /// The longest time between two readings.
    blind_s: f64,
}

impl Fault {
    /// Whether it lasts until somebody does something.
    fn needs_mending(self, model: Model) -> bool {
        match self {
            Self::OtherChip | Self::HeldLow | Self::Claimed | Self::Unplugged => true,
            // It has no reset: only its supply wakes it.
            Self::Stuck | Self::Hung => model == Model::Veml6070,
            Self::NackBurst | Self::TimeOutBurst | Self::BrownOut => false,
        }
    }

    fn strike(self, model: Model, bench: &mut Bench) {
        let trouble = match self {
            Self::NackBurst => Trouble::NoAcknowledge { times: BURST },
            Self::TimeOutBurst => Trouble::TimeOut { times: BURST },
            Self::Stuck => Trouble::Stale,
            Self::Hung => Trouble::Hang,
            Self::BrownOut => Trouble::BrownOut,
            Self::OtherChip => return bench.bus.attach(model.address(), Stranger),
            Self::HeldLow => Trouble::TimeOut { times: u32::MAX },
            Self::Claimed => Trouble::Claimed { times: u32::MAX },
            Self::Unplugged => Trouble::NoAcknowledge { times: u32::MAX },
        };
        bench.bus.strike(model.address(), trouble);
    }

    fn mend(self, model: Model, bench: &mut Bench) {
        let address = model.address();
        match self {
            Self::OtherChip => model.attach(&mut bench.bus, light()),
            Self::HeldLow => bench.bus.strike(address, Trouble::TimeOut { times: 0 }),
            Self::Claimed => bench.bus.strike(address, Trouble::Claimed { times: 0 }),
            Self::Unplugged => {
                bench.bus.strike(address, Trouble::NoAcknowledge { times: 0 });
                bench.bus.strike(address, Trouble::BrownOut);
            }
            _ => bench.bus.strike(address, Trouble::BrownOut),
        }
    }

    /// What has to be told of it on a chip, the last word first.
    fn expected(self, model: Model) -> Option<SensorFault> {
        let address = model.address();
        let bus = |fault| Some(SensorFault::Bus { address, fault });
        let stuck = Some(SensorFault::Stuck { counts: 0 });
        let lost = Some(SensorFault::SettingsLost { address });
        let wrong = |expected, found| Some(SensorFault::WrongChip { address, expected, found });
        match (self, model) {
            (Self::NackBurst | Self::Unplugged, _) => bus(BusFault::NoAcknowledge),
            (Self::TimeOutBurst | Self::HeldLow, _) => bus(BusFault::TimedOut),
            (Self::Claimed, _) => bus(BusFault::Claimed),
            // Equal counts are no fault of a part whose noise is below its last bit.
            (Self::Stuck, Model::Adc(_)) => None,
            (Self::Hung, Model::As7331 | Model::Adc(_) | Model::Ltr390) => Some(SensorFault::NeverReady),
            // Without a flag for a finished measurement a hung chip is a stuck one.
            (Self::Stuck | Self::Hung, _) => stuck,
            (Self::BrownOut, _) => lost,
            (Self::OtherChip, Model::Adc(part)) => {
                Some(SensorFault::UnlikeChip { address, expected: part.name() })
            }
            (Self::OtherChip, Model::As7331) => wrong("AS7331", 0x5B),
            (Self::OtherChip, Model::Ltr390) => wrong("LTR-390", 0x5B),
            (Self::OtherChip, Model::Veml6075) => wrong("VEML6075", 0x5B5B),
            // The other chip does not answer at its second address.
            (Self::OtherChip, Model::Veml6070) => {
                Some(SensorFault::Bus { address: 0x39, fault: BusFault::NoAcknowledge })
            }
        }
    }
}

fn light() -> Light {
    Box::new(|_| Irradiance::from_w_m2(LIGHT))
}

fn course(fault: Fault, model: Model) -> Course {
    let mut bench = Bench::new(model, Ranging::Free, light(), Mono::default());
    let struck_s = if fault == Fault::OtherChip { 0.0 } else { STRUCK_S };
    let (mut faults, mut readings) = (Vec::new(), Vec::new());
    let mut run = |bench: &mut Bench, until_s: f64| {
        bench.run_until(Mono::from_seconds(until_s), |now, event| match event {
            SensorEvent::Reading(reading) => readings.push((now.seconds(), reading)),
            SensorEvent::Fault(fault) => faults.push((now.seconds(), fault)),
            SensorEvent::Recovered => {}
        });
    };
    if struck_s > 0.0 {
        run(&mut bench, struck_s);
    }
    fault.strike(model, &mut bench);
    if fault.needs_mending(model) {
        run(&mut bench, MENDED_S);
        fault.mend(model, &mut bench);
    }
    run(&mut bench, END_S);

    for (at_s, reading) in &readings {
        let seen = reading.seen.lowest().w_m2();
        assert!((seen / LIGHT - 1.0).abs() < 0.01, "{fault:?}, {}: {seen} at {at_s}", model.name());
    }
    let noticed_s = faults.first().map(|&(at_s, _)| at_s - struck_s);
    let over_s = if fault.needs_mending(model) { MENDED_S } else { struck_s + noticed_s.unwrap_or(0.0) };
    let back = readings.iter().find(|&&(at_s, _)| at_s > over_s);
    let back_s = back.unwrap_or_else(|| panic!("{fault:?}, {}: never back", model.name())).0 - over_s;
    let ends = readings.last().unwrap().0;
    assert!(ends > END_S - 1.5, "{fault:?}, {}: the last reading is of {ends}", model.name());
    let blind_s = readings.windows(2).map(|pair| pair[1].0 - pair[0].0).fold(0.0, f64::max);
    let told = faults.into_iter().map(|(_, fault)| fault).collect();
    Course { told, noticed_s, back_s, blind_s }
}

/// Counts are the chip's own affair.
fn without_counts(fault: SensorFault) -> SensorFault {
    match fault {
        SensorFault::Stuck { .. } => SensorFault::Stuck { counts: 0 },
        other => other,
    }
}

#[test]
fn every_fault_is_told_on_every_chip_and_passes() {
    for (fault, what) in FAULTS {
        for model in MODELS {
            let course = course(fault, model);
            let name = model.name();
            let told: Vec<_> = course.told.iter().copied().map(without_counts).collect();
            assert_eq!(told.last().copied(), fault.expected(model), "{what}, {name}: {told:?}");
            assert!(told.len() <= 1, "{what}, {name}: told again and again: {told:?}");
            // A set-up each second at the most, then a conversion discarded and one kept.
            assert!(course.back_s < 2.1, "{what}, {name}: back after {} s", course.back_s);
            if told.is_empty() {
                assert!(course.blind_s < 1.5, "{what}, {name}: blind for {} s", course.blind_s);
            }
        }
    }
}

#[test]
fn ten_minutes_of_steady_light_or_darkness_are_no_fault() {
    for model in MODELS {
        for w_m2 in [0.0, LIGHT] {
            let steady = Box::new(move |_| Irradiance::from_w_m2(w_m2));
            let mut bench = Bench::new(model, Ranging::Free, steady, Mono::default());
            let mut readings = 0;
            bench.run_until(Mono::from_seconds(599.9), |at, event| match event {
                SensorEvent::Reading(_) => readings += 1,
                other => panic!("{} at {w_m2} W/m²: {other:?} at {at:?}", model.name()),
            });
            assert_eq!(readings, 600, "{} at {w_m2} W/m²", model.name());
        }
    }
}

/// A fault as it is told, without what differs from chip to chip.
fn in_words(told: &[SensorFault], model: Model) -> String {
    let Some(&fault) = told.last() else {
        return "not told: equal counts can be good health here, and a single shot is never old".to_owned();
    };
    let text = fault.to_string().replace(&format!("{:#04x}", model.address()), "*address*");
    match fault {
        SensorFault::Stuck { counts } => text.replace(&counts.to_string(), "*n*"),
        SensorFault::WrongChip { expected, found, .. } => {
            text.replace(expected, "*chip*").replace(&format!("{found:#04x}"), "*n*")
        }
        SensorFault::UnlikeChip { expected, .. } => text.replace(expected, "*chip*"),
        _ => text,
    }
}

const INTRODUCTION: &str = "\
# What each fault of a sensor is reported as

Each fault against each emulated chip at one reading a second, on the fake clock: seconds from the fault until it is
reported / from then, or from when it was mended, to the next reading. Made by `tests/end_to_end/chips/fault_table.rs`.
A transfer that times out takes no time on the fake clock; on a Pi each takes 100 ms.";

fn table() -> String {
    let names: Vec<_> = MODELS.iter().map(|model| model.name()).collect();
    let mut table =
        format!("| fault | told as | {} |\n|---|---|{}\n", names.join(" | "), "---|".repeat(names.len()));
    for (fault, what) in FAULTS {
        let mut rows: Vec<(String, [String; MODELS.len()])> = Vec::new();
        for (column, model) in MODELS.into_iter().enumerate() {
            let course = course(fault, model);
            let words = in_words(&course.told, model);
            let cell =
                course.noticed_s.map_or_else(|| "–".to_owned(), |s| format!("{s:.1} / {:.1}", course.back_s));
            match rows.iter_mut().find(|(told, _)| *told == words) {
                Some((_, cells)) => cells[column] = cell,
                None => {
                    let mut cells: [String; MODELS.len()] = Default::default();
                    cells[column] = cell;
                    rows.push((words, cells));
                }
            }
        }
        for (words, cells) in rows {
            let _ = writeln!(table, "| {what} | {words} | {} |", cells.join(" | "));
        }
    }
    table
}

#[test]
fn the_fault_table_is_the_one_in_the_repository() {
    assert_table("faults.md", INTRODUCTION, &table());
}
