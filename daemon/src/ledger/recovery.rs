//! What the ledger knows at the start: where the integrals stood, which prints
//! are out, what the broker has not had.

use std::collections::BTreeMap;

use frameside_core::exposure::{EventKind, Mark, PendingEvent, Plan, Resumed, Span, Totals};
use frameside_core::light::{Calibration, Estimate, Knot, LeftOff, Response, Seen, Unplaced};
use frameside_core::outlook::WallAnchor;
use frameside_core::quantity::{Dose, Irradiance, Mono, TargetDose};
use rusqlite::{Connection, OptionalExtension, Row, params};
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::writer::{AT_BROKER, CLEAR_SKY};
use super::{Boot, Outage, OutboxRow, calibrations, chunk, outages};
use crate::mqtt::AtBroker;

/// What is taken up again.
#[derive(Debug, Clone, Default)]
pub struct Recovered {
    /// Where each sensor's integral was left, by the sensor's name.
    pub left_off: BTreeMap<String, LeftOff>,
    /// The earlier boots that each sensor's integral and its prints were left in.
    pub unplaced: BTreeMap<String, Vec<Unplaced>>,
    /// Outages of which this boot's clock decides how long they were, the oldest first.
    pub outages: Vec<Outage>,
    /// The wall clocks of earlier boots, for instants as they are laid on this
    /// boot's clock.
    pub earlier: BTreeMap<i64, WallAnchor>,
    /// Where the integrals of other responses were left, with their sensor's name.
    pub responses: Vec<(String, Response, Estimate)>,
    /// How each sensor is corrected now, and the number of that in the record.
    pub calibrations: BTreeMap<String, (i64, Calibration)>,
    /// Prints that are out.
    pub prints: Vec<OpenPrint>,
    /// Prints brought in within the last [`STILL_SHOWN_MS`] that no other print
    /// followed in their frame, so that the frame goes on showing them.
    pub brought_in: Vec<OpenPrint>,
    /// Prints brought in and followed by another in their frame, whose last
    /// figures still wait for a reading.
    pub unsettled: Vec<OpenPrint>,
    /// Signals the broker has not acknowledged, oldest first.
    pub outbox: Vec<OutboxRow>,
    /// Answers to commands, by id, oldest first.
    pub answered: Vec<(String, Value)>,
    /// What the broker may keep of the rig's.
    pub at_broker: AtBroker,
    /// How bright the clear sky was by the last clear hours that were found.
    pub clear_sky: Option<Irradiance>,
    /// The rig's name at the broker, made once.
    pub client_id: String,
    /// What this boot's monotonic milliseconds were to be raised by for the
    /// wall's when the daemon last ran; `None` on a new boot.
    pub wall_offset_ms: Option<i64>,
    /// What a person should know.
    pub troubles: Vec<String>,
    /// Why nothing can be written at present: all is kept in memory.
    pub not_written: Option<String>,
}

/// More than any print receives, in J/m².
const MOST_J_M2: f64 = 100e6;

impl Recovered {
    /// Something is missing that the doses of the prints that are out may rest on: they may have
    /// had nothing yet, or anything.
    pub(super) fn doubt_doses(&mut self) {
        for OpenPrint { frame, sensor, resumed, .. } in &mut self.prints {
            self.troubles.push(format!(
                "something of the record is missing, so that the dose of print {} in frame {frame} is not known any \
                 more, nor whether it is still out: look at it",
                resumed.print
            ));
            let left = self.left_off.get(sensor).map(|left| left.knot);
            let plain = left.map_or(Estimate::ZERO, |knot| knot.total);
            let of_response = |(of, response, _): &&(String, Response, Estimate)| {
                of == sensor && *response == resumed.response
            };
            let own = self.responses.iter().find(of_response).map_or(Estimate::ZERO, |(.., total)| *total);
            let totals = Totals { own: if resumed.response.is_plain() { plain } else { own }, plain };
            resumed.doubt(left.map(|knot| knot.at), totals, Dose::from_j_m2(MOST_J_M2));
        }
    }
}

/// A print to put back into its frame.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenPrint {
    /// Its frame.
    pub frame: String,
    /// The sensor whose integral its marks belong to.
    pub sensor: String,
    /// What it is or was lit by.
    pub source: String,
    /// The number of its sensor's calibration when it was begun, and that; `None` where the
    /// record is too old to know it.
    pub begun_under: Option<(Option<i64>, Calibration)>,
    /// The print as the rig takes it up.
    pub resumed: Resumed,
}

/// A print brought in longer ago than these twelve hours is not shown in its
/// frame any more after a restart.
pub const STILL_SHOWN_MS: i64 = 12 * 3_600_000;

/// Prints that have not been brought in. (The kind is written as serde writes
/// an [`EventKind`] without fields.)
const OUT: &str = r#"SELECT seq FROM print WHERE NOT EXISTS
    (SELECT 1 FROM event WHERE event.print = print.seq AND kind = '{"kind":"brought-in"}')"#;

/// The newest print of each frame.
const NEWEST: &str = "SELECT max(seq) FROM print GROUP BY frame";

/// Prints with figures that wait for a reading.
const UNSETTLED: &str = "SELECT print FROM event WHERE settled = 0";

/// Prints that lay out over an outage of which this boot's clock decides how long it was.
const OVER: &str = r#"SELECT print.seq FROM print JOIN outage USING (sensor)
    WHERE EXISTS (SELECT 1 FROM event WHERE print = print.seq AND boot <= after_boot)
      AND NOT EXISTS (SELECT 1 FROM event WHERE print = print.seq AND boot <= after_boot
                      AND kind = '{"kind":"brought-in"}')"#;

/// Reads it. `known` is the row of this boot if the ledger has one.
pub(super) fn recover(
    connection: &Connection,
    boot: &Boot,
    known: Option<i64>,
) -> rusqlite::Result<Recovered> {
    let mut recovered = Recovered { client_id: client_id(connection)?, ..Recovered::default() };
    if let Some(id) = known {
        let offset = "SELECT offset_ms FROM boot WHERE id = ?1";
        recovered.wall_offset_ms = connection.query_row(offset, [id], |row| row.get(0)).optional()?;
    }
    if known.is_none() {
        outages::forget_settled(connection)?;
    }
    let shift = Shift::onto(connection, boot, known)?;
    let mut select = connection.prepare(
        "SELECT name, at_ns, w_m2, is_bound, best, low, high, boot, id FROM sensor WHERE boot IS NOT NULL",
    )?;
    let mut rows = select.query([])?;
    let mut left_in = BTreeMap::new();
    while let Some(row) = rows.next()? {
        let light = Irradiance::from_w_m2(row.get(2)?);
        let seen = if row.get(3)? { Seen::AtLeast(light) } else { Seen::Exactly(light) };
        let (name, boot): (String, i64) = (row.get(0)?, row.get(7)?);
        let knot = Knot { at: shift.of(boot, row.get(1)?), seen, total: estimate(row, 4)? };
        let brightest = brightest(connection, row.get(8)?)?;
        if let Some(unplaced) = shift.unplaced(boot) {
            recovered.unplaced.insert(name.clone(), vec![unplaced]);
        }
        left_in.insert(name.clone(), boot);
        recovered.left_off.insert(name, LeftOff { knot, brightest, is_cut: false });
    }
    // What is known of a sensor's light ends with its last reading; its prints may be later.
    for (sensor, boot) in boots_of_prints(connection)? {
        let Some(unplaced) = shift.unplaced(boot) else { continue };
        let knot = left_in.get(&sensor).copied();
        // A boot that left no light to go on from ended before the same reading.
        if knot.is_none_or(|knot| knot < boot) {
            recovered.unplaced.entry(sensor).or_default().push(unplaced);
        }
    }
    recovered.outages = outages::open(connection, &shift)?;
    recovered.earlier.clone_from(&shift.walls);
    recovered.responses = responses(connection)?;
    recovered.calibrations = calibrations::now(connection, &mut recovered.troubles)?;
    let troubles = &mut recovered.troubles;
    recovered.prints = take_up(connection, &shift, &format!("seq IN ({OUT})"), troubles)?;
    let since_ms = boot.wall.unix_ms.saturating_sub(STILL_SHOWN_MS);
    let shown = format!(
        "seq IN ({NEWEST}) AND seq NOT IN ({OUT})
         AND (SELECT max(at_ms) FROM event WHERE print = print.seq) >= {since_ms}"
    );
    recovered.brought_in = take_up(connection, &shift, &shown, troubles)?;
    let unsettled =
        format!("(seq IN ({UNSETTLED}) OR seq IN ({OVER})) AND seq NOT IN ({OUT}) AND NOT ({shown})");
    recovered.unsettled = take_up(connection, &shift, &unsettled, troubles)?;
    recovered.outbox = connection
        .prepare("SELECT id, frame, payload FROM outbox ORDER BY seq")?
        .query_map([], |row| Ok(OutboxRow { id: row.get(0)?, frame: row.get(1)?, payload: row.get(2)? }))?
        .collect::<rusqlite::Result<_>>()?;
    recovered.answered = connection
        .prepare("SELECT id, answer FROM answered ORDER BY seq")?
        .query_map([], |row| {
            let answer: String = row.get(1)?;
            Ok((row.get(0)?, serde_json::from_str(&answer).unwrap_or(Value::Null)))
        })?
        .collect::<rusqlite::Result<_>>()?;
    recovered.at_broker = meta(connection, AT_BROKER)?.unwrap_or_default();
    recovered.clear_sky = meta(connection, CLEAR_SKY)?.map(Irradiance::from_w_m2);
    Ok(recovered)
}

fn responses(connection: &Connection) -> rusqlite::Result<Vec<(String, Response, Estimate)>> {
    let sql = "SELECT name, exponent, reference, response.best, response.low, response.high
               FROM response JOIN sensor ON sensor.id = response.sensor";
    let mut select = connection.prepare(sql)?;
    let rows = select.query_map([], |row| Ok((row.get(0)?, response(row, 1)?, estimate(row, 3)?)))?;
    rows.collect()
}

/// What is kept under a key; a text that is none of ours tells of nothing.
fn meta<T: DeserializeOwned>(connection: &Connection, key: &str) -> rusqlite::Result<Option<T>> {
    let select = "SELECT value FROM meta WHERE key = ?1";
    let kept: Option<String> = connection.query_row(select, [key], |row| row.get(0)).optional()?;
    Ok(kept.and_then(|text| serde_json::from_str(&text).ok()))
}

/// An hour in ns.
const HOUR_NS: i64 = 3_600_000_000_000;

/// The greatest irradiance in the last hour of a sensor's light, going back
/// chunk by chunk. Time that nobody saw does not count: there may have been
/// boots in between with nothing in common.
fn brightest(connection: &Connection, sensor: i64) -> rusqlite::Result<Irradiance> {
    let (mut greatest, mut seen_ns) = (Irradiance::ZERO, 0);
    for table in ["open_light", "light"] {
        let sql = format!(
            "SELECT codec, n, from_ns, to_ns, samples FROM {table} WHERE sensor = ?1 ORDER BY id DESC"
        );
        let mut select = connection.prepare(&sql)?;
        let mut rows = select.query([sensor])?;
        while seen_ns < HOUR_NS
            && let Some(row) = rows.next()?
        {
            let (from_ns, to_ns): (i64, i64) = (row.get(2)?, row.get(3)?);
            seen_ns = seen_ns.saturating_add(to_ns.saturating_sub(from_ns));
            let bytes = row.get_ref(4)?.as_blob()?;
            // What is damaged tells nothing; whoever reads the light hears of it.
            let samples = chunk::decode_row(row.get(0)?, row.get(1)?, Mono::from_nanos(from_ns), bytes);
            let lights = samples.into_iter().flatten().map(|sample| sample.seen.highest());
            greatest = lights.fold(greatest, Irradiance::max);
        }
    }
    Ok(greatest)
}

/// The prints of a condition as a rig takes them up.
fn take_up(
    connection: &Connection,
    shift: &Shift,
    which: &str,
    troubles: &mut Vec<String>,
) -> rusqlite::Result<Vec<OpenPrint>> {
    let mut prints = Vec::new();
    let sql = format!(
        "SELECT seq, id, frame, plan, sensor, glass * factor, exponent, reference, source, calibration FROM print WHERE {which} ORDER BY seq"
    );
    let mut select = connection.prepare(&sql)?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let (seq, id): (i64, String) = (row.get(0)?, row.get(1)?);
        match serde_json::from_str::<Plan>(&row.get::<_, String>(3)?) {
            Ok(plan) => {
                let begun = Resumed::new(id.into(), plan, row.get(5)?, response(row, 6)?);
                let resumed = resumed(connection, shift, seq, begun)?;
                let (frame, sensor, source) = (row.get(2)?, row.get(4)?, row.get(8)?);
                let begun_under = calibrations::begun_under(&row.get::<_, String>(9)?);
                prints.push(OpenPrint { frame, sensor, source, begun_under, resumed });
            }
            Err(error) => {
                troubles.push(format!("the plan of print {id} cannot be read ({error}); it is not taken up"));
            }
        }
    }
    Ok(prints)
}

fn client_id(connection: &Connection) -> rusqlite::Result<String> {
    connection.execute(
        "INSERT INTO meta (key, value) VALUES ('mqtt_client_id', 'frameside-' || lower(hex(randomblob(6))))
         ON CONFLICT DO NOTHING",
        [],
    )?;
    connection.query_row("SELECT value FROM meta WHERE key = 'mqtt_client_id'", [], |row| row.get(0))
}

/// The newest row of this boot, unless its clock has been set back since: then
/// instants of that row mean nothing on this clock.
pub(super) fn row_of(connection: &Connection, boot: &Boot) -> rusqlite::Result<Option<i64>> {
    connection
        .query_row(
            &format!(
                "SELECT boot.id FROM boot LEFT JOIN ({}) AS used ON used.boot = boot.id
                 WHERE kernel = ?1 AND ifnull(newest, ?2) <= ?2 ORDER BY boot.id DESC LIMIT 1",
                used_boots()
            ),
            params![boot.id, boot.wall.mono.nanos()],
            |row| row.get(0),
        )
        .optional()
}

/// The boots of what is kept of the prints of each sensor that are taken up.
fn boots_of_prints(connection: &Connection) -> rusqlite::Result<Vec<(String, i64)>> {
    let sql = format!(
        "SELECT DISTINCT sensor, boot FROM print JOIN event ON event.print = print.seq
         WHERE print.seq IN ({OUT}) OR print.seq IN ({UNSETTLED}) ORDER BY boot"
    );
    let mut select = connection.prepare(&sql)?;
    select.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
}

/// The boots that what is taken up belongs to, and the oldest and the newest
/// instant of each. What a boot keeps may lie before it: where a sensor that saw nothing in it
/// went on from, or a call within the gap that its first reading closed. Its clock began at
/// nothing, and boots before it had ended by then.
fn used_boots() -> String {
    format!(
        "SELECT boot, max(min(at_ns), 0) AS oldest, max(max(at_ns), 0) AS newest FROM
           (SELECT boot, at_ns FROM sensor WHERE boot IS NOT NULL
            UNION ALL SELECT boot, at_ns FROM event
            WHERE print IN ({OUT}) OR print IN ({NEWEST}) OR print IN ({UNSETTLED}) OR print IN ({OVER})
            UNION ALL SELECT boot, to_ns FROM outage)
         GROUP BY boot"
    )
}

/// How instants of earlier boots are put on this boot's clock: each boot close before the next,
/// in their order. How long the power was gone between them is counted apart from the light
/// that was seen, since a clock that tells it may turn out to have been wrong.
pub(super) struct Shift {
    /// Nanoseconds to add, by boot.
    by_boot: BTreeMap<i64, i64>,
    /// Where they are laid to end.
    ends: BTreeMap<i64, Mono>,
    /// What the wall clocks of the boots showed, on this boot's clock.
    walls: BTreeMap<i64, WallAnchor>,
}

/// A boot of the record.
struct Earlier {
    id: i64,
    offset_ms: i64,
    synced: bool,
    oldest: i64,
    newest: i64,
}

impl Shift {
    fn onto(connection: &Connection, boot: &Boot, known: Option<i64>) -> rusqlite::Result<Self> {
        let mut shift = Self { by_boot: BTreeMap::new(), ends: BTreeMap::new(), walls: BTreeMap::new() };
        // A boot ends before all later ones.
        let mut before = boot.wall.mono.nanos().saturating_sub(1);
        for Earlier { id, offset_ms, synced, oldest, newest } in earlier_boots(connection)? {
            if Some(id) == known {
                before = before.min(oldest.saturating_sub(1));
                continue;
            }
            let by = before.saturating_sub(newest);
            shift.ends.insert(id, Mono::from_nanos(newest.saturating_add(by)));
            let wall = WallAnchor { mono: Mono::from_nanos(by), unix_ms: offset_ms, synchronised: synced };
            shift.walls.insert(id, wall);
            before = before.min(oldest.saturating_add(by).saturating_sub(1));
            shift.by_boot.insert(id, by);
        }
        Ok(shift)
    }

    /// An earlier boot as what is left of it is taken up; `None` for this boot.
    fn unplaced(&self, boot: i64) -> Option<Unplaced> {
        self.ends.get(&boot).map(|&ended| Unplaced { boot, ended })
    }

    pub(super) fn of(&self, boot: i64, at_ns: i64) -> Mono {
        Mono::from_nanos(at_ns.saturating_add(self.by_boot.get(&boot).copied().unwrap_or(0)))
    }

    /// Where a boot that left an outage is laid to end: after all that it and those before it
    /// left, and before all that came later. `None` when they left nothing.
    pub(super) fn ended(&self, boot: i64) -> Option<Mono> {
        self.ends.range(..=boot).next_back().map(|(_, &ended)| ended)
    }
}

/// The boots that what is taken up belongs to, the newest first.
fn earlier_boots(connection: &Connection) -> rusqlite::Result<Vec<Earlier>> {
    let mut select = connection.prepare(&format!(
        "SELECT id, offset_ms, synced, oldest, newest FROM boot
         JOIN ({}) AS used ON used.boot = id ORDER BY id DESC",
        used_boots()
    ))?;
    let rows = select.query_map([], |row| {
        let (id, offset_ms, synced) = (row.get(0)?, row.get(1)?, row.get(2)?);
        Ok(Earlier { id, offset_ms, synced, oldest: row.get(3)?, newest: row.get(4)? })
    })?;
    rows.collect()
}

/// Puts a print together again from its events.
fn resumed(
    connection: &Connection,
    shift: &Shift,
    seq: i64,
    mut print: Resumed,
) -> rusqlite::Result<Resumed> {
    let mut select = connection.prepare_cached(
        "SELECT seq, kind, boot, at_ns, settled, total_best, total_low, total_high,
                ifnull(plain_total_best, total_best), ifnull(plain_total_low, total_low),
                ifnull(plain_total_high, total_high)
         FROM event WHERE print = ?1 ORDER BY seq",
    )?;
    let mut rows = select.query(params![seq])?;
    while let Some(row) = rows.next()? {
        let event_seq: u32 = row.get(0)?;
        let settled: bool = row.get(4)?;
        let totals = Totals { own: estimate(row, 5)?, plain: estimate(row, 8)? };
        let mark = Mark { at: shift.of(row.get(2)?, row.get(3)?), totals, settled };
        print.next_seq = event_seq + 1;
        if !settled {
            print.pending.push(PendingEvent { seq: event_seq, at: mark.at });
        }
        if let Ok(kind) = serde_json::from_str(&row.get::<_, String>(1)?) {
            follow(&mut print, kind, mark);
        }
    }
    Ok(print)
}

/// Lets an event happen to a print again.
fn follow(print: &mut Resumed, kind: EventKind, mark: Mark) {
    match kind {
        EventKind::Begun { covered: false } | EventKind::Uncovered => {
            print.spans.push(Span { from: mark, to: None });
            print.waiting |= print.due_at.is_some();
        }
        EventKind::Covered | EventKind::BroughtIn => {
            if let Some(span) = print.spans.last_mut() {
                span.to.get_or_insert(mark);
            }
            print.waiting = false;
            print.ended = kind == EventKind::BroughtIn;
        }
        EventKind::Band { .. } => {
            print.called += 1;
            print.waiting = true;
        }
        EventKind::Due => {
            print.called = print.plan.doses().len();
            print.due_at = Some(mark.at);
            print.waiting = true;
        }
        EventKind::Hushed => print.waiting = false,
        EventKind::Nearly => print.nearly = true,
        EventKind::Retargeted { target } => {
            if let Ok(target) = TargetDose::new(target) {
                print.plan = Plan::dose(target);
            }
            print.aimed_at = Some(mark.at);
            print.called = 0;
            print.due_at = None;
            print.nearly = false;
            print.waiting = false;
        }
        EventKind::Outage { after_boot, span, seconds, missed, plain } => {
            print.count_missed(after_boot, span, seconds.map(|_| Totals { own: missed, plain }));
        }
        EventKind::Begun { covered: true }
        | EventKind::Noted
        | EventKind::LampOn
        | EventKind::LampOff { .. } => {}
    }
}

/// An exponent and a reference; what is none of ours counts plainly.
pub(super) fn response(row: &Row<'_>, first: usize) -> rusqlite::Result<Response> {
    let (exponent, reference): (f64, Option<f64>) = (row.get(first)?, row.get(first + 1)?);
    let reference = Irradiance::from_w_m2(reference.unwrap_or(1.0));
    Ok(Response::new(exponent, reference).unwrap_or(Response::PLAIN))
}

pub(super) fn estimate(row: &Row<'_>, first: usize) -> rusqlite::Result<Estimate> {
    let dose = |column| row.get(column).map(Dose::from_j_m2);
    Ok(Estimate { best: dose(first)?, low: dose(first + 1)?, high: dose(first + 2)? })
}
