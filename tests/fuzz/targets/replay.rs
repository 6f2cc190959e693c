//! A recorded day through the machine. The first line is `TARGET RATE START...`, where a rate
//! of 0 is none and a start is a time, `+DURATION` for each so long or `@DURATION` for each day.
#![no_main]

use frameside::replay::{Start, Wanted, replay};
use frameside_core::light::Response;
use frameside_core::light::recorded::parse_rfc3339;
use frameside_core::quantity::parse_duration;
use libfuzzer_sys::fuzz_target;

/// From 10 s on: a replay of centuries by the millisecond ends, but not today.
fn nanos(text: &str) -> Option<i64> {
    let time = parse_duration(text).ok()?;
    (time.as_secs() >= 10).then_some(time.as_nanos() as i64)
}

fn start(text: &str) -> Option<Start> {
    match text.split_at_checked(1)? {
        ("+", every) => Some(Start::Every(nanos(every)?)),
        ("@", after_midnight) => Some(Start::Daily(nanos(after_midnight)?.rem_euclid(86_400_000_000_000))),
        _ => parse_rfc3339(text).map(Start::At),
    }
}

fn wanted(line: &str) -> Option<Wanted> {
    let mut words = line.split(' ');
    let target = words.next()?.parse().ok()?;
    let rate: f64 = words.next()?.parse().ok()?;
    let rate_hz = (rate != 0.0).then_some(rate);
    let starts: Vec<Start> = words.map(start).collect::<Option<_>>()?;
    let is_sensible = rate_hz.is_none_or(|hz| (0.001..=0.1).contains(&hz)) && starts.len() < 20;
    let response = Response::PLAIN;
    is_sensible.then_some(Wanted { target, response, starts, rate_hz })
}

/// Whether it spans no more than ten days.
fn is_short(file: &str) -> bool {
    let mut times = file.lines().filter_map(|line| parse_rfc3339(line.split(',').next()?));
    let first = times.next().unwrap_or(0);
    times.last().is_none_or(|last| last.saturating_sub(first) < 10 * 86_400_000_000_000)
}

fuzz_target!(|text: &str| {
    let Some((line, file)) = text.split_once('\n') else { return };
    let Some(wanted) = wanted(line).filter(|wanted| is_short(file) || wanted.starts.is_empty()) else {
        return;
    };
    if wanted.rate_hz.is_some() && !is_short(file) {
        return;
    }
    let Ok(replayed) = replay(file.as_bytes(), &wanted, |_| {}) else { return };
    assert!(replayed.missing <= replayed.samples && replayed.span_s >= 0.0);
    let within = |dose: frameside_core::light::Estimate| dose.low <= dose.best && dose.best <= dose.high;
    assert!(within(replayed.dose), "{:?}", replayed.dose);
    for exposure in &replayed.exposures {
        assert!(within(exposure.dose), "{exposure:?}");
        assert!(exposure.seconds().is_none_or(|seconds| seconds >= 0.0), "{exposure:?}");
    }
    assert!(wanted.rate_hz.is_none_or(|_| replayed.samples <= file.len() as u64));
});
