//! The light that really fell on a sensor, seen or not.

use std::collections::VecDeque;

use frameside_core::light::Response;
use frameside_core::quantity::Irradiance;

/// Straight lines between the instants on the sensor's grid, so that the
/// trapezoid rule is exact where every reading arrived.
#[derive(Debug, Clone)]
pub(super) struct Sky {
    period_ns: i64,
    /// Irradiance in W/m² at each instant of the grid, from 0 on.
    grid: Vec<f64>,
    /// What fell up to there, in J/m².
    total: Vec<f64>,
    /// Readings that are safe in the record: when, and what.
    recorded: VecDeque<(i64, f64)>,
}

/// The rig remembers the brightest of an hour, to the minute; and the last
/// reading it remembers may be a flush older than the last that came.
const REMEMBERED_NS: i64 = 55 * 60 * 1_000_000_000;

impl Sky {
    pub(super) fn new(period_ns: i64) -> Self {
        Self { period_ns, grid: Vec::new(), total: Vec::new(), recorded: VecDeque::new() }
    }

    /// The next instant of the grid that has no light yet.
    pub(super) fn next_at(&self) -> i64 {
        self.grid.len() as i64 * self.period_ns
    }

    pub(super) fn shine(&mut self, w_m2: f64) {
        let seconds = self.period_ns as f64 / 1e9;
        let total = match (self.grid.last(), self.total.last()) {
            (Some(before), Some(total)) => total + 0.5 * (before + w_m2) * seconds,
            _ => 0.0,
        };
        self.grid.push(w_m2);
        self.total.push(total);
    }

    /// The record has these readings for good.
    pub(super) fn record(&mut self, readings: impl IntoIterator<Item = (i64, f64)>) {
        self.recorded.extend(readings);
        let newest = self.recorded.back().map_or(0, |&(at, _)| at);
        while self.recorded.front().is_some_and(|&(at, _)| at < newest - REMEMBERED_NS) {
            self.recorded.pop_front();
        }
    }

    /// Whether the record has any reading.
    pub(super) fn is_recorded(&self) -> bool {
        !self.recorded.is_empty()
    }

    /// The most that may fall where nobody sees it: bounds of unseen light are
    /// a promise about skies that were seen as bright within the hour.
    pub(super) fn ceiling(&self) -> f64 {
        self.recorded.iter().fold(0.0, |most, &(_, w_m2)| w_m2.max(most))
    }

    /// What fell between two instants, in J/m².
    pub(super) fn dose(&self, from_ns: i64, to_ns: i64) -> f64 {
        self.until(to_ns) - self.until(from_ns)
    }

    /// What that counts as, line by line, through a glass: the closed form of a line
    /// is held against quadrature beside it.
    pub(super) fn counted(&self, from_ns: i64, to_ns: i64, glass: f64, response: &Response) -> f64 {
        let lines = from_ns / self.period_ns..=to_ns / self.period_ns;
        let of_line = |line: i64| {
            let (start, end) = (line * self.period_ns, (line + 1) * self.period_ns);
            let (from, to) = (from_ns.max(start), to_ns.min(end));
            let at = usize::try_from(line).unwrap();
            let (e0, e1) = (self.grid[at], self.grid.get(at + 1).copied().unwrap_or(self.grid[at]));
            let light = |ns: i64| glass * (e0 + (e1 - e0) * (ns - start) as f64 / self.period_ns as f64);
            response.ramp(light(from), light(to), (to - from) as f64 / 1e9)
        };
        lines.map(of_line).sum()
    }

    /// What that counts as where light is a straight line in what the response makes of it.
    pub(super) fn counted_by_readings(
        &self,
        from_ns: i64,
        to_ns: i64,
        glass: f64,
        response: &Response,
    ) -> f64 {
        if response.is_plain() {
            return self.dose(from_ns, to_ns) * glass;
        }
        let rate = |at: usize| {
            let e = self.grid.get(at).or(self.grid.last()).copied().unwrap_or(0.0);
            response.rate(Irradiance::from_w_m2(e)).w_m2()
        };
        let of_line = |line: i64| {
            let (start, end) = (line * self.period_ns, (line + 1) * self.period_ns);
            let (from, to) = (from_ns.max(start), to_ns.min(end));
            let at = usize::try_from(line).unwrap();
            let (e0, e1) = (rate(at), rate(at + 1));
            let value = |ns: i64| e0 + (e1 - e0) * (ns - start) as f64 / self.period_ns as f64;
            0.5 * (value(from) + value(to)) * (to - from) as f64 / 1e9
        };
        let lines = from_ns / self.period_ns..=to_ns / self.period_ns;
        lines.map(of_line).sum::<f64>() * response.of_factor(glass)
    }

    fn until(&self, at_ns: i64) -> f64 {
        let before = usize::try_from(at_ns / self.period_ns).unwrap();
        let into = (at_ns % self.period_ns) as f64 / 1e9;
        let (e0, e1) = (self.grid[before], self.grid.get(before + 1).copied().unwrap_or(self.grid[before]));
        self.total[before] + e0 * into + 0.5 * (e1 - e0) * into * into / (self.period_ns as f64 / 1e9)
    }
}
