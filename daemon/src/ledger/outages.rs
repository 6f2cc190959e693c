//! Outages, until it is known how long they were, and as long as that boot lasts: its clock
//! may turn out to have been wrong.

use frameside_core::light::{Seen, Tear, Unplaced};
use frameside_core::quantity::{Irradiance, Mono};
use rusqlite::{Connection, Row, Transaction, params};

use super::recovery::Shift;

/// The power was gone, for nobody knows (yet) how long.
#[derive(Debug, Clone, PartialEq)]
pub struct Outage {
    /// The sensor whose light it tore.
    pub sensor: String,
    /// The boot that ended there.
    pub after: Unplaced,
    /// Between which readings.
    pub tear: Tear,
    /// When the last reading before it was, in ms since 1970; `None` if the
    /// wall clock was not right then, which nobody can mend any more.
    pub from_ms: Option<i64>,
    /// How long light was seen since the outage before it that waits too, in seconds; `None`
    /// where an earlier version did not keep it. Once a boot is laid anew, the instants of two
    /// outages no longer tell.
    pub seen_s: Option<f64>,
    /// What the wall clock showed at the end of the tear when its length was settled, in ms
    /// since 1970; `None` while it waits for the clock.
    pub settled_ms: Option<i64>,
}

/// Those of which the clock of this boot decides, the oldest first.
pub(super) fn open(connection: &Connection, shift: &Shift) -> rusqlite::Result<Vec<Outage>> {
    let mut select = connection.prepare(
        "SELECT sensor, after_boot, boot, ended_ns, from_ns, from_ms, left, left_is_bound,
                to_ns, found, found_is_bound, greatest, seen_s, settled_ms FROM outage ORDER BY after_boot",
    )?;
    let rows = select.query_map([], |row| {
        let boot = row.get(2)?;
        let at = |column| Ok::<Mono, rusqlite::Error>(shift.of(boot, row.get(column)?));
        let tear = Tear {
            from: at(4)?,
            left: seen(row, 6)?,
            to: at(8)?,
            found: seen(row, 9)?,
            greatest: Irradiance::from_w_m2(row.get(11)?),
        };
        // Laid anew, like the prints that lay over its end: kept with the boot that saw light
        // again it would be laid among later ones.
        let after_boot = row.get(1)?;
        let ended = shift.ended(after_boot).map_or_else(|| at(3), Ok)?;
        let after = Unplaced { boot: after_boot, ended };
        Ok(Outage {
            sensor: row.get(0)?,
            after,
            tear,
            from_ms: row.get(5)?,
            seen_s: row.get(12)?,
            settled_ms: row.get(13)?,
        })
    })?;
    rows.collect()
}

fn seen(row: &Row<'_>, first: usize) -> rusqlite::Result<Seen> {
    let light = Irradiance::from_w_m2(row.get(first)?);
    Ok(if row.get(first + 1)? { Seen::AtLeast(light) } else { Seen::Exactly(light) })
}

/// Keeps one that began before this boot.
pub(super) fn keep(transaction: &Transaction<'_>, boot: i64, outage: &Outage) -> rusqlite::Result<()> {
    let Outage { sensor, after, tear, from_ms, seen_s, settled_ms: _ } = outage;
    transaction
        .prepare_cached(
            "INSERT INTO outage (sensor, after_boot, boot, ended_ns, from_ns, from_ms, left, left_is_bound,
                                 to_ns, found, found_is_bound, greatest, seen_s)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13) ON CONFLICT DO NOTHING",
        )?
        .execute(params![
            sensor,
            after.boot,
            boot,
            after.ended.nanos(),
            tear.from.nanos(),
            from_ms,
            tear.left.lowest().w_m2(),
            tear.left.is_bound(),
            tear.to.nanos(),
            tear.found.lowest().w_m2(),
            tear.found.is_bound(),
            tear.greatest.w_m2(),
            seen_s
        ])
        .map(|_| ())
}

/// One is settled: every print has what fell then.
pub(super) fn settle(
    transaction: &Transaction<'_>,
    sensor: &str,
    after_boot: i64,
    settled_ms: i64,
) -> rusqlite::Result<()> {
    transaction
        .prepare_cached("UPDATE outage SET settled_ms = ?3 WHERE sensor = ?1 AND after_boot = ?2")?
        .execute(params![sensor, after_boot, settled_ms])
        .map(|_| ())
}

/// Another boot has begun: the clock that settled them can change no more.
pub(super) fn forget_settled(connection: &Connection) -> rusqlite::Result<()> {
    connection.execute("DELETE FROM outage WHERE settled_ms IS NOT NULL", []).map(|_| ())
}
