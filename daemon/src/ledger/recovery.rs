//! What the ledger knows at the start: where the integrals stood, which prints
//! are out, what the broker has not had.

use std::collections::BTreeMap;

use frameside_core::exposure::{EventKind, Mark, PendingEvent, Plan, Resumed, Span};
use frameside_core::light::{Estimate, Knot, Seen};
use frameside_core::quantity::{Dose, Irradiance, Mono, TargetDose};
use rusqlite::{Connection, Row, params};
use serde_json::Value;

use super::writer::offset_ms;
use super::{Boot, OutboxRow};

/// What is taken up again.
#[derive(Debug, Clone, Default)]
pub struct Recovered {
    /// Where each sensor's integral stood, by the sensor's name.
    pub knots: BTreeMap<String, Knot>,
    /// Prints that are out.
    pub prints: Vec<OpenPrint>,
    /// Signals the broker has not acknowledged, oldest first.
    pub outbox: Vec<OutboxRow>,
    /// Answers to commands, by id, oldest first.
    pub answered: Vec<(String, Value)>,
    /// The rig's name at the broker, made once.
    pub client_id: String,
    /// What a person should know.
    pub troubles: Vec<String>,
}

/// A print that is out.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenPrint {
    /// Its frame.
    pub frame: String,
    /// The print as the rig takes it up.
    pub resumed: Resumed,
}

/// What the ledger kept of a boot.
struct KnownBoot {
    same: bool,
    offset_ms: i64,
    synced: bool,
}

pub(super) fn recover(connection: &Connection, boot: &Boot) -> rusqlite::Result<Recovered> {
    let mut recovered = Recovered { client_id: client_id(connection)?, ..Recovered::default() };
    let shift = Shift::of_last_boot(connection, boot, &mut recovered.troubles)?;
    let mut select = connection.prepare(
        "SELECT name, at_ns, w_m2, is_bound, best, low, high, boot FROM sensor WHERE boot IS NOT NULL",
    )?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let light = Irradiance::from_w_m2(row.get(2)?);
        let seen = if row.get(3)? { Seen::AtLeast(light) } else { Seen::Exactly(light) };
        let at = shift.of(row.get(7)?, row.get(1)?);
        recovered.knots.insert(row.get(0)?, Knot { at, seen, total: estimate(row, 4)? });
    }
    let mut select = connection.prepare(
        "SELECT seq, id, frame, plan FROM print WHERE NOT EXISTS
           (SELECT 1 FROM event WHERE event.print = print.seq AND kind LIKE '%\"brought-in\"%') ORDER BY seq",
    )?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let (seq, id): (i64, String) = (row.get(0)?, row.get(1)?);
        let plan: Option<Plan> = serde_json::from_str(&row.get::<_, String>(3)?).ok();
        match plan {
            Some(plan) => recovered.prints.push(OpenPrint {
                frame: row.get(2)?,
                resumed: resumed(connection, &shift, seq, &id, plan)?,
            }),
            None => {
                let trouble = format!("the plan of print {id} cannot be read; it is not taken up");
                recovered.troubles.push(trouble);
            }
        }
    }
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
    Ok(recovered)
}

fn client_id(connection: &Connection) -> rusqlite::Result<String> {
    connection.execute(
        "INSERT INTO meta (key, value) VALUES ('mqtt_client_id', 'frameside-' || lower(hex(randomblob(6))))
         ON CONFLICT DO NOTHING",
        [],
    )?;
    connection.query_row("SELECT value FROM meta WHERE key = 'mqtt_client_id'", [], |row| row.get(0))
}

/// How instants of earlier boots are put on this boot's clock.
struct Shift {
    /// Nanoseconds to add, by boot.
    by_boot: BTreeMap<i64, i64>,
}

impl Shift {
    /// Two boots have only the wall clock in common. Where it was not known to
    /// be right on both sides, or runs backwards, the time between is taken as
    /// none, which a person is told.
    fn of_last_boot(
        connection: &Connection,
        boot: &Boot,
        troubles: &mut Vec<String>,
    ) -> rusqlite::Result<Self> {
        let mut by_boot = BTreeMap::new();
        let mut select = connection.prepare("SELECT id, kernel, offset_ms, synced FROM boot")?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            let id: i64 = row.get(0)?;
            let known = KnownBoot {
                same: row.get::<_, String>(1)? == boot.id,
                offset_ms: row.get(2)?,
                synced: row.get(3)?,
            };
            by_boot.insert(id, Self::of_boot(connection, id, &known, boot, troubles)?);
        }
        Ok(Self { by_boot })
    }

    fn of_boot(
        connection: &Connection,
        id: i64,
        known: &KnownBoot,
        boot: &Boot,
        troubles: &mut Vec<String>,
    ) -> rusqlite::Result<i64> {
        if known.same {
            return Ok(0);
        }
        let newest: Option<i64> = connection.query_row(
            "SELECT max(at_ns) FROM (SELECT at_ns FROM sensor WHERE boot = ?1
                                     UNION ALL SELECT at_ns FROM event WHERE boot = ?1)",
            params![id],
            |row| row.get(0),
        )?;
        let Some(newest) = newest else { return Ok(0) };
        let by_wall = known.offset_ms.saturating_sub(offset_ms(boot.wall)).saturating_mul(1_000_000);
        let to_now = boot.wall.mono.nanos().saturating_sub(newest).saturating_sub(1);
        let open: bool = connection.query_row(
            "SELECT EXISTS (SELECT 1 FROM event WHERE boot = ?1 AND NOT EXISTS
               (SELECT 1 FROM event AS e WHERE e.print = event.print AND e.kind LIKE '%\"brought-in\"%'))",
            params![id],
            |row| row.get(0),
        )?;
        if known.synced && boot.wall.synchronised && by_wall <= to_now {
            return Ok(by_wall);
        }
        if open {
            troubles.push(
                "the power was gone while prints were out, and the clock cannot tell for how long; \
                 the light of that time is not counted"
                    .to_owned(),
            );
        }
        Ok(to_now)
    }

    fn of(&self, boot: i64, at_ns: i64) -> Mono {
        Mono::from_nanos(at_ns.saturating_add(self.by_boot.get(&boot).copied().unwrap_or(0)))
    }
}

/// Puts a print together again from its events.
fn resumed(
    connection: &Connection,
    shift: &Shift,
    seq: i64,
    id: &str,
    plan: Plan,
) -> rusqlite::Result<Resumed> {
    let mut print = Resumed {
        print: id.into(),
        plan,
        spans: Vec::new(),
        called: 0,
        due_at: None,
        nearly: false,
        waiting: false,
        ended: false,
        next_seq: 0,
        pending: Vec::new(),
    };
    let mut select = connection.prepare_cached(
        "SELECT seq, kind, boot, at_ns, settled, best, total_best, total_low, total_high
         FROM event WHERE print = ?1 ORDER BY seq",
    )?;
    let mut rows = select.query(params![seq])?;
    let mut dose = Dose::ZERO;
    while let Some(row) = rows.next()? {
        let event_seq: u32 = row.get(0)?;
        let settled: bool = row.get(4)?;
        let mark = Mark { at: shift.of(row.get(2)?, row.get(3)?), total: estimate(row, 6)?, settled };
        dose = Dose::from_j_m2(row.get(5)?);
        print.next_seq = event_seq + 1;
        if !settled {
            print.pending.push(PendingEvent { seq: event_seq, at: mark.at });
        }
        if let Ok(kind) = serde_json::from_str(&row.get::<_, String>(1)?) {
            follow(&mut print, kind, mark);
        }
    }
    let target = print.plan.target().dose();
    print.nearly = dose >= target * 0.9;
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
        EventKind::Retargeted { target } => {
            if let Ok(target) = TargetDose::new(target) {
                print.plan = Plan::dose(target);
            }
            print.called = 0;
            print.due_at = None;
            print.waiting = false;
        }
        EventKind::Begun { covered: true } | EventKind::Noted => {}
    }
}

pub(super) fn estimate(row: &Row<'_>, first: usize) -> rusqlite::Result<Estimate> {
    let dose = |column| row.get(column).map(Dose::from_j_m2);
    Ok(Estimate { best: dose(first)?, low: dose(first + 1)?, high: dose(first + 2)? })
}
